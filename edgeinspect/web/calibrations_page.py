"""Which calibration is in use, what each read back, and whether a camera has moved since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from edgeinspect.measure.calibration_uncertainty import good_to
from edgeinspect.measure.fixture import TrustLimits
from edgeinspect.station.calibrations import seen_outline
from edgeinspect.station.calibrations_in_use import (
    LONGEST_WORDS,
    KnownCalibration,
    go_back_to,
    known_calibrations,
    plain_words,
)
from edgeinspect.store.calibrations import CalibrationUse, Move
from edgeinspect.store.inspections import Store
from edgeinspect.store.people import Person, Role
from edgeinspect.web.look import age_s, age_words, iso_time, local_time, parse_time
from edgeinspect.web.parts import Parts, PartsHere
from edgeinspect.web.sign_in import person

LAST_INSPECTIONS = 400  # about a day of a busy cell
WIDTH, HEIGHT, LEFT, RIGHT, TOP, FOOT = 1000.0, 320.0, 78.0, 20.0, 20.0, 34.0  # of the chart, in its own units
VALUE_WIDTH = 90.0  # of a value written beside a dot

routes = APIRouter()

State = Literal["quiet", "warned", "refused", "unknown"]


@dataclass(frozen=True)
class LengthRow:
    words: str
    known_mm: float
    read_mm: float
    u_mm: float


@dataclass(frozen=True)
class CalibrationRow:
    calibration_id: str
    camera: str
    made_at: str  # UTC
    who: str  # "" where nobody was named
    in_use: bool
    lengths: list[LengthRow]  # of the board, through the fixture marks alone; the worst first
    good_to: str  # in words, of those in use
    problem: str  # why it cannot be read, "" where it can


@dataclass(frozen=True)
class MoveRow:
    inspection_id: int
    shell_id: str
    finished_at: str
    moved_mm: float | None  # None: the marks were not seen
    state: State


@dataclass(frozen=True)
class CameraMoves:
    """Of one camera, the oldest inspection first. ``answer`` is the answer to "has it moved?"."""

    camera: str
    state: State
    answer: str
    moves: list[MoveRow]


@dataclass(frozen=True)
class CalibrationsRecord:
    """``/calibrations.json``. Newest first, but for the moves."""

    station: str
    moved_note_mm: float  # from here on it is compensated and warned of
    moved_stop_mm: float  # above it is NO RESULT
    cameras: list[CameraMoves]
    calibrations: list[CalibrationRow]
    uses: list[CalibrationUse]


def _record(parts: Parts) -> CalibrationsRecord:
    station, limits = parts.station, parts.station.fixture.trust
    moves = parts.store.calibrations.moves(LAST_INSPECTIONS)
    known = known_calibrations(station, parts.data / station.folders.calibrations, parts.store)
    return CalibrationsRecord(
        station=station.name,
        moved_note_mm=limits.moved_note_mm,
        moved_stop_mm=limits.moved_stop_mm,
        cameras=[
            _camera(setup.name, [move for move in moves if move.camera == setup.name], parts)
            for setup in station.cameras
        ],
        calibrations=[_row(one, parts) for one in known],
        uses=list(parts.store.calibrations.uses()),
    )


def _row(one: KnownCalibration, parts: Parts) -> CalibrationRow:
    lengths = one.calibration.lengths if one.calibration else ()
    good = ""
    if one.in_use and one.calibration:
        outline = seen_outline(one.calibration, parts.station)
        good = good_to(one.calibration, parts.station.fixture, outline).sentence()
    return CalibrationRow(
        one.calibration_id,
        one.camera,
        one.made_at,
        one.who,
        one.in_use,
        [
            LengthRow(check.words, check.nominal_mm, check.reading_mm, check.u_mm)
            for check in sorted(lengths, key=lambda check: -abs(check.reading_mm - check.nominal_mm))
        ],
        good,
        one.problem,
    )


def move_state(moved_mm: float | None, limits: TrustLimits) -> State:
    if moved_mm is None:
        return "unknown"
    if moved_mm > limits.moved_stop_mm:
        return "refused"
    return "warned" if moved_mm >= limits.moved_note_mm else "quiet"


def _camera(camera: str, moves: Sequence[Move], parts: Parts) -> CameraMoves:
    limits = parts.station.fixture.trust
    rows = [
        MoveRow(m.inspection_id, m.shell_id, m.finished_at, m.moved_mm, move_state(m.moved_mm, limits)) for m in moves
    ]
    if not rows:
        return CameraMoves(camera, "unknown", "No inspection yet.", [])
    last = rows[-1]
    when = f"at the last inspection, {age_words(age_s(last.finished_at, parts.clock()))}"
    answers: dict[State, str] = {
        "unknown": f"Nobody can say: the fixture marks were not seen {when}.",
        "quiet": f"No: {last.moved_mm or 0:.2f} mm {when}, compensated. Nothing to do.",
        "warned": f"A little: {last.moved_mm or 0:.2f} mm {when}, compensated. Tell the process engineer.",
        "refused": f"Yes: {last.moved_mm or 0:.2f} mm {when}. NO RESULT until it is checked and calibrated again.",
    }
    return CameraMoves(camera, last.state, answers[last.state], rows)


# -- the chart


@dataclass(frozen=True)
class Dot:
    x: float
    y: float
    state: State
    beyond: bool  # above the top of the chart: drawn at its edge
    words: str
    url: str


@dataclass(frozen=True)
class Line:
    at: float
    words: str


@dataclass(frozen=True)
class Chart:
    """In the units of a drawing WIDTH x HEIGHT, y down."""

    dots: list[Dot]
    levels: list[Line]  # y of the two limits
    scale: list[Line]  # y of round numbers [mm]
    beyond: list[Line]  # x of dots that are drawn at the edge, with how far off they are; the farthest first
    times: list[Line]  # x
    changes: list[Line]  # x where another calibration came into use


def chart(camera: CameraMoves, record: CalibrationsRecord) -> Chart | None:
    """None where the marks were never seen."""
    seen = [(move, move.moved_mm) for move in camera.moves if move.moved_mm is not None]
    if not seen:
        return None
    top_mm = max(1.3 * record.moved_stop_mm, min(1.1 * max(mm for _, mm in seen), 2.5 * record.moved_stop_mm))
    first, last = (parse_time(move.finished_at).timestamp() for move in (seen[0][0], seen[-1][0]))
    span = max(last - first, 1.0)

    def across(at: str) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (parse_time(at).timestamp() - first) / span

    def down(mm: float) -> float:
        return HEIGHT - FOOT - (HEIGHT - FOOT - TOP) * min(mm / top_mm, 1.0)

    dots = [
        Dot(
            across(move.finished_at),
            down(mm),
            move.state,
            mm > top_mm,
            f"{move.shell_id}, {local_time(move.finished_at)}: {mm:.2f} mm",
            f"/inspections/{move.inspection_id}",
        )
        for move, mm in seen
    ]
    beyond: list[Line] = []
    for x, mm in sorted(((across(move.finished_at), mm) for move, mm in seen if mm > top_mm), key=lambda one: -one[1]):
        if all(abs(x - one.at) > VALUE_WIDTH for one in beyond):
            beyond.append(Line(x, f"{mm:.2f} mm"))
    return Chart(
        dots,
        [
            Line(down(record.moved_note_mm), f"from {record.moved_note_mm:g} mm: compensated, warned"),
            Line(down(record.moved_stop_mm), f"above {record.moved_stop_mm:g} mm: NO RESULT"),
        ],
        [Line(down(k * 0.1), f"{k * 0.1:.1f} mm") for k in range(int(top_mm / 0.1 + 1e-9) + 1)],
        beyond,
        [Line(across(seen[k][0].finished_at), local_time(seen[k][0].finished_at)[5:16]) for k in _few(len(seen))],
        [
            Line(across(use.at), use.why)
            for use in record.uses
            if use.camera == camera.camera and first < parse_time(use.at).timestamp() < last
        ],
    )


def _few(count: int) -> list[int]:
    return [0] if count == 1 else [0, count - 1]


@routes.get("/calibrations", response_class=HTMLResponse)
def calibrations_page(request: Request, parts: PartsHere) -> Response:
    record = _record(parts)
    drawn = [(camera, chart(camera, record)) for camera in record.cameras]
    size = {"width": WIDTH, "height": HEIGHT, "left": LEFT, "right": WIDTH - RIGHT, "top": TOP, "foot": HEIGHT - FOOT}
    return parts.pages.TemplateResponse(
        request, "calibrations.html", {"record": record, "drawn": drawn, "size": size, "here": "calibrations"}
    )


@routes.post("/calibrations/use")
def use(
    parts: PartsHere,
    who: Annotated[Person, Depends(person(Role.ENGINEER, Role.QUALITY))],
    calibration_id: Annotated[str, Form(max_length=200)],
    why: Annotated[str, Form(max_length=LONGEST_WORDS)],
) -> Response:
    """Measure with an older calibration from now on."""
    with Store.open(parts.data) as store:
        reason = plain_words("why", why)
        at = iso_time(parts.clock())
        go_back_to(parts.station, parts.data, store, calibration_id, who.name, reason, at, who.role)
    return RedirectResponse("/calibrations", status_code=303)


@routes.get("/calibrations.json")
def calibrations_record(parts: PartsHere) -> CalibrationsRecord:
    return _record(parts)
