"""The page of a file of evidence: everything on it comes from what is in the file, and nothing from elsewhere."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from edgeinspect.conformity import Answer, Finding
from edgeinspect.conformity.decal import FAULT_WORDS, fault_words, where_on, whole_words
from edgeinspect.evidence import drawing
from edgeinspect.evidence.check import check
from edgeinspect.evidence.contents import Evidence, gather
from edgeinspect.evidence.file import BASIS, RECORD, parts_of, sealed, without_pictures
from edgeinspect.measure.calibration_report import length_sentence
from edgeinspect.measure.calibration_uncertainty import good_to
from edgeinspect.measure.measurement import DecalFault, Quantity
from edgeinspect.shell.definition import CutOut, Frame, Zone
from edgeinspect.station.config import Station
from edgeinspect.store.inspections import Store

HERE = Path(__file__).parent
SHAPES = HERE.parent / "web" / "templates"  # the shapes of the answers have one home
FRAMES = {
    Frame.DATUM: "from the shell's datums",
    Frame.FIXTURE: "in the fixture, where the cutter ran",
    Frame.BEST_FIT: "form only, after a best fit",
}
KEYS = {
    Answer.CONFORMING: "good",
    Answer.NOT_PROVEN: "close",
    Answer.NONCONFORMING: "bad",
    Answer.NO_RESULT: "none",
}


@dataclass(frozen=True)
class ZoneLine:
    number: int
    words: str
    frame: str
    finding: Finding | None
    most: Quantity | None
    most_at_mm: float
    least: Quantity | None
    least_at_mm: float
    limits: str
    drawing_limits: str  # "" where they are the same
    seen: str
    shares: dict[str, float]  # of the worse side, by source


@dataclass(frozen=True)
class CutOutLine:
    words: str
    answer: Answer | None
    there: str
    dx: Quantity | None
    dy: Quantity | None
    sizes: tuple[tuple[str, Quantity, float], ...]  # words, measured, nominal
    limits: str


@dataclass(frozen=True)
class CameraLine:
    camera: str
    calibration_id: str
    made: str
    fit: str
    good_to: str
    lengths: tuple[str, ...]
    stood: str


def issue(store: Store, station: Station, inspection_id: int, issued_at: str) -> str:
    """The whole file for one inspection. Its numbers are worked out again first, and the page says what came of it.

    Raises InputError when there is no such inspection, StoreError.
    """
    evidence = gather(store, station, inspection_id, issued_at)
    words = check(evidence).sentence()
    return sealed(page(replace(evidence, context=replace(evidence.context, checked=words))))


def page(evidence: Evidence) -> str:
    """Without its list of parts; the same evidence gives the same page. Raises InputError: the basis is damaged."""
    shown = drawing.pictures_shown(evidence)
    zones = zone_lines(evidence)
    parts = parts_of(evidence)
    template: str = (
        _pages()
        .get_template("evidence.html")
        .render(
            e=evidence,
            inspection=evidence.inspection,
            measurement=evidence.measurement,
            context=evidence.context,
            verdict=evidence.inspection.verdict,
            definition=evidence.judged_by,
            basis=evidence.rests_on,
            keys=KEYS,
            parts=parts,
            hidden=[part for part in parts.values() if part.name not in _drawn(evidence)],
            in_pictures=_drawn(evidence),
            shown=shown,
            close_ups=drawing.close_ups(evidence, shown),
            charts=drawing.charts(evidence),
            ribbons=drawing.ribbon_rows(evidence),
            row_high=drawing.ROW_HIGH,
            wide=drawing.WIDE,
            high=drawing.HIGH,
            frames=FRAMES,
            zones=zones,
            sources=list(dict.fromkeys(source for zone in zones for source in zone.shares)),
            cutouts=cutout_lines(evidence),
            cameras=camera_lines(evidence),
            fault_lines=fault_lines(evidence),
            whole_words=whole_words,
            factors=guard_factors(evidence),
            record_sha256=parts[RECORD].sha256,
            basis_sha256=hashlib.sha256(parts[BASIS].content).hexdigest() if BASIS in parts else "",
        )
    )
    return template


def fault_lines(evidence: Evidence) -> list[tuple[str, str, DecalFault]]:
    """Every fault of every decal: the decal's name, what and where it is, and its numbers."""
    measurement, definition = evidence.measurement, evidence.judged_by
    drawn = definition.decals if definition else ()
    found = []
    for result in measurement.decals:
        decal = next((one for one in drawn if (one.name, one.variant) == (result.name, measurement.variant)), None)
        for fault in result.faults:
            words = FAULT_WORDS[fault.kind] if fault.off_by is None else fault_words(fault)
            found.append((result.name, f"{where_on(decal, fault)}: {words}" if decal else words, fault))
    return found


def says_what_its_data_say(text: str, evidence: Evidence) -> list[str]:
    """Sentences: where the page says something else than its own data. Only of a page that this version wrote."""
    ours, theirs = (without_pictures(one).splitlines() for one in (sealed(page(evidence)), text))
    for mine, yours in zip(ours, theirs, strict=False):
        if mine != yours:
            return [f"the page says {_words(yours)}, its data say {_words(mine)}"]
    return [] if len(ours) == len(theirs) else ["the page is longer or shorter than its data make it"]


def _words(line: str) -> str:
    line = " ".join(line.split())
    return repr(line if len(line) < 160 else line[:157] + "...")


def _drawn(evidence: Evidence) -> dict[str, str]:
    """Which parts the page shows as pictures, with their media types: they are in the file once."""
    found = {}
    for held in evidence.context.pictures:
        if held.kind:
            found[f"{'view' if held.camera in evidence.views else 'original'} {held.camera}"] = held.kind
    return found


# -- what the tables say


def zone_lines(evidence: Evidence) -> list[ZoneLine]:
    findings = {finding.characteristic: finding for finding in evidence.inspection.verdict.findings}
    results = {zone.zone: zone for zone in evidence.measurement.zones}
    judged = {zone.name: zone for zone in evidence.judged_by.zones} if evidence.judged_by else {}
    drawn = {zone.name: zone for zone in evidence.rests_on.definition.zones} if evidence.rests_on else {}
    lines = []
    for number, name in enumerate(judged or results, 1):
        result, finding, zone = results.get(name), findings.get(f"zone {name}"), judged.get(name)
        worse = None
        if result is not None:
            worse = result.most if result.most.value >= -result.least.value else result.least
        limits = _zone_limits(zone) if zone else _limits(finding)
        of_drawing = _zone_limits(drawn[name]) if name in drawn else limits
        frame = zone.frame if zone else result.frame if result else Frame.DATUM
        lines.append(
            ZoneLine(
                number=number,
                words=zone.words if zone else finding.where if finding else name,
                frame=FRAMES[frame],
                finding=finding,
                most=result.most if result else None,
                most_at_mm=result.most_at_mm if result else math.nan,
                least=result.least if result else None,
                least_at_mm=result.least_at_mm if result else math.nan,
                limits=limits,
                drawing_limits="" if of_drawing == limits else of_drawing,
                seen=f"{result.seen_mm:.0f} of {result.length_mm:.0f} mm" if result else "not seen",
                shares={share.source: share.u for share in worse.shares} if worse else {},
            )
        )
    return lines


def _zone_limits(zone: Zone) -> str:
    return f"{signed(zone.limits.lower)} … {signed(zone.limits.upper)}"


def _limits(finding: Finding | None) -> str:
    if finding is None or finding.lower is None or finding.upper is None:
        return "–"
    return f"{signed(finding.lower)} … {signed(finding.upper)}"


def cutout_lines(evidence: Evidence) -> list[CutOutLine]:
    findings = evidence.inspection.verdict.findings
    drawn = {cutout.name: cutout for cutout in evidence.judged_by.cutouts} if evidence.judged_by else {}
    lines = []
    for result in evidence.measurement.cutouts:
        cutout = drawn.get(result.name)
        name = f"cut-out {result.name}"
        own = [one for one in findings if one.characteristic == name or one.characteristic.startswith(f"{name} ")]
        kinds = ("diameter",) if len(result.sizes) == 1 else ("length", "width")
        nominal = cutout.size_mm if cutout else (math.nan,) * len(result.sizes)
        lines.append(
            CutOutLine(
                words=cutout.words if cutout else result.name,
                answer=own[0].answer if own else None,
                there={True: "yes", False: "missing", None: "not seen"}[result.there],
                dx=result.dx,
                dy=result.dy,
                sizes=tuple(zip(kinds, result.sizes, nominal, strict=False)),
                limits=_cutout_limits(cutout) if cutout else "–",
            )
        )
    return lines


def _cutout_limits(cutout: CutOut) -> str:
    size = cutout.size_limits
    return f"place {cutout.position_limit_mm:.2f}; size {signed(size.lower)} … {signed(size.upper)}"


def camera_lines(evidence: Evidence) -> list[CameraLine]:
    told = {one.calibration_id: one for one in evidence.context.calibrations}
    basis = evidence.rests_on
    known = {one.calibration_id: one for one in basis.calibrations} if basis else {}
    local = evidence.context.local_times
    lines = []
    for view in evidence.measurement.views:
        calibration, kept = known.get(view.calibration_id), told.get(view.calibration_id)
        made_at = kept.made_at if kept else calibration.made_at if calibration else ""
        by = f" by {kept.made_by}" if kept and kept.made_by else ""
        trust = ""
        if calibration is not None and basis is not None:
            setup = basis.gauge.setup
            if calibration.in_colour:
                trust = "reads the colours of decals, and measures no edge"
                if calibration.colour is not None:
                    trust += f"; its chart reads {calibration.colour.rms_de:.2f} off (rms, CIEDE2000)"
            else:
                own = setup.rim_seated.points_mm[setup.rim.camera == setup.cameras.index(view.camera)]
                trust = good_to(calibration, basis.fixture, own).sentence() if len(own) else "sees none of the rim"
        checks = calibration.lengths if calibration else ()
        worst = sorted(checks, key=lambda one: -abs(one.reading_mm - one.nominal_mm))[:2]
        lengths = [length_sentence(one) for one in worst]
        lengths += [
            f"in this picture: reads {read:.2f} for {true:.2f} mm ({name})" for name, true, read in view.lengths
        ]
        stood = (
            f"{view.marks_seen} of {view.marks_known} fixture marks seen, {number(view.mark_residual_px, 3)} px off; "
            f"stood {number(view.moved_mm, 2)} mm from where it was calibrated (taken into account); light "
            f"{number(100 * view.grey_ratio, 0)} % and blur {number(view.blur_px, 2)} px"
            + (f" (then {calibration.blur_px:.2f} px)" if calibration else "")
        )
        fit = f"rms {calibration.rms_px:.3f} px over {calibration.views} pictures of the board" if calibration else ""
        made = f"made {_utc(made_at)} = {local.get(made_at, made_at)}{by}" if made_at else "not known"
        lines.append(CameraLine(view.camera, view.calibration_id, made, fit, trust, tuple(lengths), stood))
    return lines


def guard_factors(evidence: Evidence) -> str:
    """The factors of the guard band, as they judged: "1.65"."""
    factors = {
        round(one.guard / one.u, 6)
        for one in evidence.inspection.verdict.findings
        if one.guard is not None and one.u is not None and one.u > 0
    }
    return " or ".join(f"{factor:g}" for factor in sorted(factors))


# -- how it is said


def signed(value: float | None, digits: int = 2) -> str:
    """With its sign and a true minus; a dash where there is none."""
    if value is None or math.isnan(value):
        return "–"
    text = f"{abs(value):.{digits}f}"
    return text if float(text) == 0 else ("+" if value > 0 else "−") + text


def number(value: float | None, digits: int = 3) -> str:
    return "–" if value is None or math.isnan(value) else f"{value:.{digits}f}"


def _utc(iso: str) -> str:
    return iso[:19].replace("T", " ") + " UTC" if iso else "–"


@cache
def _pages() -> Environment:
    pages = Environment(
        loader=FileSystemLoader([HERE / "templates", SHAPES]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    pages.globals.update(signed=signed, number=number, utc=_utc)
    return pages
