"""A file of evidence against itself: is each part what was written, do the parts fit together, and do the numbers come
out again, to 0.001 mm, from nothing but what is in the file.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np

from edgeinspect import __version__
from edgeinspect.conformity import Answer, Finding, Verdict, judge
from edgeinspect.errors import InputError, PictureError
from edgeinspect.evidence.again import TrimAgain, can_tell_trim, from_pictures, from_ribbons
from edgeinspect.evidence.contents import Evidence
from edgeinspect.evidence.program import program_sha256
from edgeinspect.inspection import Inspection, numbers_of
from edgeinspect.measure.measurement import Quantity, ShellMeasurement
from edgeinspect.measure.picture import RawLevels
from edgeinspect.shell.definition import DatumScheme, ShellDefinition
from edgeinspect.station.basis import Basis
from edgeinspect.station.pictures import decode

TOLERANCE = 0.001  # mm; of rotations deg
RIBBON, PICTURE, LIMITS = "ribbons", "picture", "limits"


@dataclass(frozen=True)
class Compared:
    """One number as the file says it, and as it came out again; nan: not measured."""

    name: str
    by: str  # what it was worked out from: ribbons, picture, or the measured numbers and the limits
    unit: str
    value: float
    again: float
    u: float = math.nan
    u_again: float = math.nan

    @property
    def difference(self) -> float:
        """The greater one of value and standard uncertainty; infinite where only one of the two is there."""
        return max(_apart(self.value, self.again), _apart(self.u, self.u_again))

    @property
    def agrees(self) -> bool:
        return self.difference <= TOLERANCE


@dataclass(frozen=True)
class Checked:
    """What came of it. ``problems`` - sentences; ``not_again`` - what this file cannot tell, and why."""

    shell_id: str
    inspection_id: int | None
    answer: Answer
    software: str  # that measured it
    checked_by: str
    same_program: bool  # as wrote the file, to the last line of code
    compared: tuple[Compared, ...]
    problems: tuple[str, ...]
    not_again: tuple[str, ...]
    complete: bool  # False: what the numbers rest on is not in the file, so none came out again

    @property
    def intact(self) -> bool:
        return self.complete and not self.problems and all(one.agrees for one in self.compared)

    @property
    def greatest(self) -> Compared | None:
        return max(self.compared, key=lambda one: one.difference, default=None)

    def sentence(self) -> str:
        """In one sentence, as the page tells it."""
        if not self.complete:
            return "The numbers could not be worked out again: what they rest on is not in this file"
        wrong = sum(not one.agrees for one in self.compared)
        if self.problems or wrong:
            first = self.problems[0] if self.problems else f"{wrong} numbers come out otherwise"
            return f"Not in order: {first}"
        if self.greatest is None:
            return "In order; no number was measured"
        worst = f"{self.greatest.difference:.5f} {self.greatest.unit}".strip()
        return f"{len(self.compared)} numbers come out again; the greatest difference is {worst}"


def check(evidence: Evidence) -> Checked:
    """The numbers and how the parts fit together; hashes and the page's own words are for the file."""
    inspection, problems, not_again = evidence.inspection, list[str](), list[str]()
    compared: list[Compared] = []
    complete = True
    try:
        basis, limits = evidence.rests_on, evidence.judged_by
    except InputError as error:
        basis, limits = None, None
        problems += error.problems
    if basis is None or limits is None:
        complete = not inspection.verdict.findings and not inspection.measurement.ribbons
        not_again.append(f"every number: what they rest on is not in the file ({evidence.context.basis_words})")
    else:
        problems += _misfits(evidence, basis, limits)
        levels, said = _levels(evidence, basis)
        problems += said
        try:
            found, wrong, missing = _again(evidence, basis, limits, levels)
        except (ArithmeticError, ValueError, IndexError, KeyError, AssertionError) as error:
            wrong, found, missing = [f"the numbers cannot be worked out again from this file ({error})"], [], []
        compared, problems, not_again = found, problems + wrong, not_again + missing
    return Checked(
        inspection.shell_id,
        inspection.inspection_id,
        inspection.verdict.answer,
        inspection.software,
        __version__,
        evidence.context.program_sha256 == program_sha256(),
        tuple(compared),
        tuple(dict.fromkeys(problems)),
        tuple(not_again),
        complete,
    )


def _misfits(evidence: Evidence, basis: Basis, limits: ShellDefinition) -> Iterator[str]:
    """Parts that do not belong together."""
    inspection, measurement = evidence.inspection, evidence.measurement
    if inspection.basis_sha256 and hashlib.sha256(evidence.basis or b"").hexdigest() != inspection.basis_sha256:
        yield f"the basis is another than the record names ({inspection.basis_sha256[:12]}…)"
    if basis.definition.sha256 != measurement.definition_sha256:
        yield (
            f"the shell definition is another ({basis.definition.sha256[:12]}…) than the one that measured "
            f"({measurement.definition_sha256[:12]}…)"
        )
    if inspection.verdict.findings and limits.sha256 != inspection.verdict.limits_sha256:
        yield (
            f"the limits are others ({limits.sha256[:12]}…) than those that judged "
            f"({inspection.verdict.limits_sha256[:12]}…)"
        )
    if (inspection.limits_revision is None) != (evidence.context.limits is None):
        yield "the record names another revision of the limits than the page"
    calibrated = {one.camera: one.calibration_id for one in basis.calibrations}
    for view in measurement.views:
        if calibrated.get(view.camera) != view.calibration_id:
            yield (
                f"the calibration of camera {view.camera} is {calibrated.get(view.camera)}, "
                f"the record was measured with {view.calibration_id}"
            )
    for picture in inspection.pictures:
        content = evidence.originals.get(picture.camera)
        if content is not None and hashlib.sha256(content).hexdigest() != picture.sha256:
            yield f"the picture of camera {picture.camera} is another than the record names ({picture.sha256[:12]}…)"


def _levels(evidence: Evidence, basis: Basis) -> tuple[dict[str, RawLevels], list[str]]:
    """Levels by camera of the pictures that were read on that day, and what is wrong with them now."""
    levels: dict[str, RawLevels] = {}
    problems: list[str] = []
    cameras = {one.camera: one for one in basis.calibrations}
    for picture in evidence.inspection.pictures:
        content, camera = evidence.originals.get(picture.camera), cameras.get(picture.camera)
        if content is None or camera is None or not picture.pixels_sha256:
            continue
        try:
            size = camera.model.width_px, camera.model.height_px
            read = decode(content, picture.name, *size, camera.bits, colour=camera.in_colour)
        except PictureError as error:
            problems.append(f"the picture of camera {picture.camera} can no longer be read ({error.problems[0]})")
            continue
        if read.pixels_sha256 != picture.pixels_sha256:
            problems.append(f"the picture of camera {picture.camera} shows something else than the record names")
        levels[picture.camera] = read.levels
    return levels, problems


Found = tuple[list[Compared], list[str], list[str]]


def _again(evidence: Evidence, basis: Basis, limits: ShellDefinition, levels: Mapping[str, RawLevels]) -> Found:
    inspection, then = evidence.inspection, evidence.measurement
    problems: list[str] = []
    compared = list(_judged_again(inspection, then, limits, LIMITS, problems))
    not_again: list[str] = []
    setup = basis.gauge.setup
    whole = bool(levels) and all(one.camera in levels for one in inspection.pictures if one.pixels_sha256)
    if can_tell_trim(then, setup):
        trim = from_ribbons(setup, then)
        compared += _edges(trim)
        compared += _profiles(then, trim.measurement, RIBBON)
        decals = {name for name in numbers_of(then) if name.startswith("decal ")}
        compared += _numbers(then, trim.measurement, RIBBON, leave_out=decals)
        compared += _judged_again(inspection, trim.measurement, limits, RIBBON, problems, only_numbers=whole)
        if not whole:
            not_again += _only_in_pictures(then, basis.definition)
    elif not whole:
        not_again.append("the trim: no ribbon of the rim is in the file")
    if whole and _was_measured_on(then):
        now = from_pictures(basis.gauge, then, levels)
        compared += _profiles(then, now, PICTURE)
        compared += _numbers(then, now, PICTURE)
        compared += _faults(then, now)
        compared += _colours(then, now)
        compared += _judged_again(inspection, now, limits, PICTURE, problems)
    elif not whole:
        why = sorted({held.why_not for held in evidence.context.pictures if held.why_not})
        for decal in then.decals:
            words = f"{'; '.join(why) or 'its picture was refused'}"
            not_again.append(f"decal {decal.name}: it takes the whole picture, which is not in the file: {words}")
    return compared, problems, not_again


def _was_measured_on(then: ShellMeasurement) -> bool:
    """Whether pictures were measured at all on that day, not stopped before by the station."""
    return bool(then.views)


def _only_in_pictures(then: ShellMeasurement, definition: ShellDefinition) -> Iterator[str]:
    yield "how each camera stood (fixture marks): taken as recorded, the marks are not on a ribbon"
    if definition.datum is DatumScheme.PIPS:
        yield "where the pips put the shell's datums: taken as recorded, the pips are not on a ribbon"
    if then.flaws:
        yield "length and depth of nicks, burrs and strands: taken as recorded, they take the picture beside the edge"
    if then.seams:
        yield "the steps at the seams between cameras: taken as recorded, a ribbon is of one camera"


def _edges(trim: TrimAgain) -> Iterator[Compared]:
    for curve in trim.curves:
        name = f"edge points of {curve.curve}, camera {curve.camera}"
        if curve.lost or curve.gained:
            yield Compared(f"{name}: how many", RIBBON, "", curve.stations + curve.lost, curve.stations + curve.gained)
        if curve.stations:
            yield Compared(f"{name}: moved at most ({curve.stations} points)", RIBBON, "mm", 0.0, curve.moved_mm)
    yield Compared("scan lines off the outline, at most", RIBBON, "mm", 0.0, trim.off_outline_mm)
    yield Compared("edge points off calibration and pose, at most", RIBBON, "mm", 0.0, trim.off_camera_mm)


def _profiles(then: ShellMeasurement, now: ShellMeasurement, by: str) -> Iterator[Compared]:
    """Each profile by its place of greatest change."""
    after = {profile.frame: profile for profile in now.profiles}
    for profile in then.profiles:
        again = after.get(profile.frame)
        name = f"deviation profile, {profile.frame.value} frame"
        if again is None or len(again.deviation_mm) != len(profile.deviation_mm):
            yield Compared(name, by, "mm", 0.0, math.nan)
            continue
        apart = np.array([_apart(a, b) for a, b in zip(profile.deviation_mm, again.deviation_mm, strict=True)])
        at = int(np.argmax(apart))
        words = f"{name}, {len(apart)} stations, worst at {float(profile.arc_mm[at]):.1f} mm"
        yield Compared(words, by, "mm", float(profile.deviation_mm[at]), float(again.deviation_mm[at]))


def _numbers(
    then: ShellMeasurement, now: ShellMeasurement, by: str, leave_out: Iterable[str] = ()
) -> Iterator[Compared]:
    before, after = numbers_of(then), numbers_of(now)
    nothing = Quantity(math.nan, math.nan)
    for name in {**before, **after}:
        if name in leave_out:
            continue
        old, new = before.get(name, nothing), after.get(name, nothing)
        unit = "deg" if name.endswith("rotation") else "mm"
        yield Compared(name, by, unit, old.value, new.value, old.u, new.u)


def _faults(then: ShellMeasurement, now: ShellMeasurement) -> Iterator[Compared]:
    """Where each decal is not whole, largest first: how many, each one's area and how far its middle moved."""
    after = {decal.name: decal.faults for decal in now.decals}
    for decal in then.decals:
        again = after.get(decal.name, ())
        if decal.faults or again:
            yield Compared(f"decal {decal.name}: faults", PICTURE, "", len(decal.faults), len(again))
        for k, (old, new) in enumerate(zip(decal.faults, again, strict=False)):
            name = f"decal {decal.name}: fault {k + 1}, {old.kind.value}"
            yield Compared(f"{name}, area", PICTURE, "mm²", old.area_mm2, new.area_mm2)
            moved = float(np.linalg.norm(new.at_mm - old.at_mm)) if new.kind is old.kind else math.inf
            yield Compared(f"{name}, moved by", PICTURE, "mm", 0.0, moved)


def _colours(then: ShellMeasurement, now: ShellMeasurement) -> Iterator[Compared]:
    """How far each decal's colours are off, all together and by ink."""
    after = {decal.name: decal.colour for decal in now.decals}
    nothing = Quantity(math.nan, math.nan)
    for decal in then.decals:
        old, new = decal.colour, after.get(decal.name)
        if old is None and new is None:
            continue
        pairs = [("colours", old.worst if old else None, new.worst if new else None)]
        inks = {ink.name: ink.off_by for ink in (new.inks if new else ())}
        pairs += [(f"ink {ink.name}", ink.off_by, inks.get(ink.name)) for ink in (old.inks if old else ())]
        for name, one, other in pairs:
            if one is None and other is None:
                continue
            a, b = one or nothing, other or nothing
            yield Compared(f"decal {decal.name}: {name}", PICTURE, "ΔE", a.value, b.value, a.u, b.u)


def _judged_again(
    inspection: Inspection,
    measurement: ShellMeasurement,
    limits: ShellDefinition,
    by: str,
    problems: list[str],
    *,
    only_numbers: bool = False,
) -> Iterator[Compared]:
    """The verdict anew; the numbers of its findings are compared where they are not measured ones anyway."""
    verdict = inspection.verdict
    if not verdict.findings:
        if verdict.answer is not Answer.NO_RESULT:
            problems.append(f"the answer is {verdict.answer}, but nothing was judged")
        return
    now = judge(measurement, limits)
    if by == LIMITS:
        yield from _findings(verdict, now, problems)
    if now.answer is not verdict.answer:
        problems.append(f"by the {_from(by)} the answer is {now.answer}, the record says {verdict.answer}")
    elif not only_numbers and now.sentence != verdict.sentence:
        problems.append(f"by the {_from(by)} the reason is {now.sentence!r}, the record says {verdict.sentence!r}")


def _from(by: str) -> str:
    return "recorded numbers and the limits" if by == LIMITS else by


def _findings(verdict: Verdict, now: Verdict, problems: list[str]) -> Iterator[Compared]:
    after = {finding.characteristic: finding for finding in now.findings}
    for finding in verdict.findings:
        name, again = finding.characteristic, after.get(finding.characteristic)
        if again is None:
            problems.append(f"{name} is not judged by these limits")
            continue
        if again.answer is not finding.answer:
            problems.append(f"{name}: by its number and limits {again.answer}, the record says {finding.answer}")
        if finding.value is not None or again.value is not None:
            numbers = (finding.value, again.value, finding.u, again.u)
            yield Compared(f"{name}, as judged", LIMITS, finding.unit, *map(_nan, numbers))
        for words in ("lower", "upper", "guard"):
            one, other = _nan(getattr(finding, words)), _nan(getattr(again, words))
            if not (math.isnan(one) and math.isnan(other)):
                yield Compared(f"{name}, {_limit(words)}", LIMITS, finding.unit, one, other)
    problems += [f"{name} was judged by these limits, but is not in the verdict" for name in _left(verdict, after)]
    if now.rule != verdict.rule:
        problems.append(f"the decision rule is {now.rule!r}, the record says {verdict.rule!r}")


def _limit(words: str) -> str:
    return "guard band" if words == "guard" else f"{words} limit"


def _left(verdict: Verdict, after: Mapping[str, Finding]) -> list[str]:
    return sorted(after.keys() - {finding.characteristic for finding in verdict.findings})


def _nan(value: float | None) -> float:
    return math.nan if value is None else value


def _apart(one: float, other: float) -> float:
    if math.isnan(one) and math.isnan(other):
        return 0.0
    return math.inf if math.isnan(one) or math.isnan(other) else abs(other - one)


def same_picture(one: bytes, other: bytes) -> bool:
    """Whether two coded pictures show the same levels."""
    first, second = (cv2.imdecode(np.frombuffer(coded, np.uint8), cv2.IMREAD_UNCHANGED) for coded in (one, other))
    return first is not None and second is not None and bool(np.array_equal(first, second))


def with_problems(checked: Checked, problems: Iterable[str]) -> Checked:
    """The same with what the file itself has to be blamed for first."""
    return replace(checked, problems=tuple(dict.fromkeys((*problems, *checked.problems))))
