"""What a station is: cameras, the fixture with its marks, where shells sit, the calibration board, where files go."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from edgeinspect.geometry import Pose
from edgeinspect.measure.board import Board
from edgeinspect.measure.fixture import Fixture, Seating, TrustLimits
from edgeinspect.measure.response import LINEAR, Response
from edgeinspect.station.printed import (
    LEAST_MARKS,
    BoardTable,
    MarkTable,
    PatchTable,
    check_board,
    check_marks,
    patch_corners,
    printed_mark,
)
from edgeinspect.station.shifts import EVERY_DAY, ShiftPlan, shift_mistakes, shift_plan
from edgeinspect.station.thermometer import NO_THERMOMETER, Thermometer, ThermometerTable, thermometer_of
from edgeinspect.store.inspections import OWN_FOLDERS
from edgeinspect.tomlfile import (
    AngleDeg,
    LengthMm,
    Mistakes,
    Name,
    PointMm,
    Positive,
    Share,
    Table,
    Text,
    one_of,
    read_toml,
    short_path,
    shown,
)


@dataclass(frozen=True)
class CameraSetup:
    """A camera by the name that its picture files carry, and what its pictures must be."""

    name: str
    width_px: int
    height_px: int
    bits: int  # 8, or 12 or 16 in 16
    response: Response = LINEAR
    dark_noise: float = 0.0  # of a black picture, fractions of full scale
    colour: bool = False  # red, green and blue: it reads the colours of decals and measures no edge


@dataclass(frozen=True)
class Intake:
    """When a set of pictures counts as incomplete, and how large what comes in may be."""

    set_timeout_s: float = 20.0
    picture_limit_bytes: int = 64_000_000
    upload_limit_bytes: int = 256_000_000


@dataclass(frozen=True)
class Folders:
    """Where things lie. ``models`` is a path; the others are names inside the station's data folder."""

    models: Path
    inbox: str = "inbox"
    taken: str = "taken"
    refused: str = "refused"
    calibrations: str = "calibrations"
    aim: str = "aim"


@dataclass(frozen=True)
class Station:
    name: str
    title: str
    cameras: tuple[CameraSetup, ...]
    fixture: Fixture
    board: Board
    seatings: Mapping[str, Seating]  # by name of the shell
    temperature_range_c: tuple[float, float]  # of a shell whose temperature is not stated
    intake: Intake
    folders: Folders
    sha256: str = ""  # of station.toml
    shifts: ShiftPlan = EVERY_DAY
    same_shell_h: float = 24.0  # a shell id not seen for longer is another shell: its looks are counted anew
    thermometer: Thermometer = NO_THERMOMETER

    def cameras_for(self, shell: str) -> tuple[CameraSetup, ...]:
        """Those that look at a shell, in the station's order; all of them for one that it does not hold."""
        seating = self.seatings.get(shell)
        wanted = seating.cameras if seating else ()
        return tuple(camera for camera in self.cameras if camera.name in wanted or not wanted)


Pixels = Annotated[int, Field(strict=True, ge=100, le=20_000)]
Megabytes = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=1, le=4096)]
Hours = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=8760)]
Seconds = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=3600)]


CurveOfLight = str | float | tuple[tuple[float, float], ...]
DarkNoise = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1000)]
Celsius = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-20, le=90)]


class StationTable(Table):
    """The station as a whole."""

    name: Name  # part of every record: cell-1
    title: Text  # as the page shows it
    temperature_range_c: tuple[Celsius, Celsius]  # lowest, highest: of a shell whose temperature is not stated


class CameraTable(Table):
    """A camera above the fixture, and what its pictures must be."""

    name: Name  # the part of a picture's file name after the shell id
    width_px: Pixels  # of its pictures; another size is refused
    height_px: Pixels  # of its pictures
    bits: Literal[8, 12, 16] = 8  # of a level; 12 are kept in files of 16
    response: CurveOfLight = "linear"  # to light: "linear", "srgb", a gamma, or [level, light] from [0, 0] to [1, 1]
    dark_noise: DarkNoise = 0.0  # levels: standard deviation with the lens covered, where read noise looks like a gamma
    colour: bool = False  # red, green and blue pictures, that only tell the colours of decals: never an edge


class FixtureTable(Table):
    """What stands beside the shell in every picture."""

    dictionary: Text  # of the fixture marks, by OpenCV's name: DICT_4X4_50
    grey_patch: PatchTable


class TrustTable(Table):
    """When a picture is still good enough to measure on, against the state at calibration."""

    light_warn_share: Share = TrustLimits.light_warn_share  # change of the grey patch's level: warned
    light_stop_share: Share = TrustLimits.light_stop_share  # NO RESULT beyond this change
    moved_note_mm: LengthMm = TrustLimits.moved_note_mm  # a camera that moved more at the shell is told of
    moved_stop_mm: LengthMm = TrustLimits.moved_stop_mm  # and beyond this NO RESULT
    blur_growth_px: Positive = TrustLimits.blur_growth_px  # growth of blur (its sd) of all marks, or of one: NO RESULT
    length_stop_mm: LengthMm = TrustLimits.length_stop_mm  # error of a known length between marks: NO RESULT
    marks_stop_px: Positive = TrustLimits.marks_stop_px  # how far the marks miss their places, rms: NO RESULT


class SeatingTable(Table):
    """Where the fixture holds one kind of shell."""

    shell: Name  # its folder in models
    translation_mm: PointMm  # of the shell frame's origin, in the fixture frame
    rotation_deg: tuple[AngleDeg, AngleDeg, AngleDeg] = (0.0, 0.0, 0.0)  # about the fixture's x, then y, then z
    limit_mm: LengthMm  # further off its seat it must be reseated
    limit_deg: Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=45)]  # the same for a turn
    u_height_mm: LengthMm  # standard uncertainty of the height that the nests hold
    limit_height_mm: LengthMm = Seating.limit_height_mm  # surely lifted (1.65 u) further than this, reseat it
    cameras: Annotated[tuple[Name, ...], Field(min_length=1)] | None = None  # that look at it; left out: all of them


class IntakeTable(Table):
    """When a set of pictures counts as incomplete, and how large what comes in may be."""

    set_timeout_s: Seconds = Intake.set_timeout_s  # without another picture for this long
    picture_limit_mb: Megabytes = Intake.picture_limit_bytes / 1e6  # a larger file is refused
    upload_limit_mb: Megabytes = Intake.upload_limit_bytes / 1e6  # of all pictures sent at once


class FoldersTable(Table):
    """Where things lie; all but ``models`` are names inside the data folder, none of them the record's own."""

    models: Text = "models"  # from where this file lies: one folder for each shell
    inbox: Name = Folders.inbox  # pictures come in here
    taken: Name = Folders.taken  # pictures being looked at
    refused: Name = Folders.refused  # files that could not be used
    calibrations: Name = Folders.calibrations  # one file each
    aim: Name = Folders.aim  # pictures for placing a decal: looked at once, then deleted


class LooksTable(Table):
    """Which looks are attempts at one and the same shell: they are linked, and the third goes to the quality shelf."""

    same_shell_h: Hours = Station.same_shell_h  # a shell id not seen for longer is another shell, counted anew


class ShiftsTable(Table):
    """When shifts start; each lasts until the next one. Left out, the calendar day is the shift."""

    starts: Annotated[tuple[Text, ...], Field(min_length=1, max_length=12)] = ("00:00",)  # "06:00", station clock
    names: Annotated[tuple[Name, ...], Field(min_length=1, max_length=12)] = EVERY_DAY.names  # one for each start


class StationFile(Table):
    """station.toml: cameras, the fixture with its marks, where shells sit, the calibration board, where files go.

    Lengths in mm in the fixture frame (z = 0 on the plate, z to the camera), angles in degrees. What the tables mean
    together is checked by ``edgeinspect check-station``.
    """

    format: Literal[1]
    station: StationTable
    camera: Annotated[tuple[CameraTable, ...], Field(min_length=1)]
    fixture: FixtureTable
    mark: Annotated[tuple[MarkTable, ...], Field(min_length=LEAST_MARKS)]
    trust: TrustTable = TrustTable()
    seating: Annotated[tuple[SeatingTable, ...], Field(min_length=1)]
    board: BoardTable
    intake: IntakeTable = IntakeTable()
    folders: FoldersTable = FoldersTable()
    shifts: ShiftsTable = ShiftsTable()
    looks: LooksTable = LooksTable()
    thermometer: ThermometerTable = ThermometerTable()


def load_station(path: Path) -> Station:
    """The station definition in a TOML file; ``folders.models`` is taken from where that file lies.

    Raises DefinitionError with every mistake of the file.
    """
    content, raw = read_toml(path)
    mistakes = Mistakes(short_path(path))
    mistakes.format_is_one(content)
    mistakes.known_keys(content, tuple(StationFile.model_fields))
    station = mistakes.table(StationTable, content, "station")
    cameras = mistakes.tables(CameraTable, content, "camera")
    fixture = mistakes.table(FixtureTable, content, "fixture")
    marks = mistakes.tables(MarkTable, content, "mark")
    seatings = mistakes.tables(SeatingTable, content, "seating")
    board = mistakes.table(BoardTable, content, "board")
    # These have defaults throughout, so the tables may be left out.
    trust = mistakes.table(TrustTable, {"trust": {}, **content}, "trust")
    intake = mistakes.table(IntakeTable, {"intake": {}, **content}, "intake")
    folders = mistakes.table(FoldersTable, {"folders": {}, **content}, "folders")
    shifts = mistakes.table(ShiftsTable, {"shifts": {}, **content}, "shifts")
    looks = mistakes.table(LooksTable, {"looks": {}, **content}, "looks")
    warmth = mistakes.table(ThermometerTable, {"thermometer": {}, **content}, "thermometer")
    thermometer = thermometer_of(warmth, mistakes) if warmth else NO_THERMOMETER

    if station and not station.temperature_range_c[0] < station.temperature_range_c[1]:
        got = shown(list(station.temperature_range_c))
        mistakes.say(f"station.temperature_range_c is {got}, must be [lowest, highest]")
    _check_rows(cameras, seatings, mistakes)
    if trust:
        _check_trust(trust, mistakes)
    if intake and intake.upload_limit_mb < intake.picture_limit_mb:
        limit = f"picture_limit_mb {shown(intake.picture_limit_mb)}"
        mistakes.say(f"intake.upload_limit_mb is {shown(intake.upload_limit_mb)}, must be at least {limit}")
    if folders:
        names = {key: name for key, name in folders.model_dump().items() if key != "models"}
        mistakes.no_name_twice(list(names.values()), "folders")
        for key, name in names.items():
            if name in OWN_FOLDERS:  # what lies there is kept; what lies in these is moved on, or deleted
                own = ", ".join(OWN_FOLDERS)
                mistakes.say(f"folders.{key} is {shown(name)}, must be none of the record's own folders: {own}")
    for sentence in shift_mistakes(shifts.starts, shifts.names) if shifts else ():
        mistakes.say(sentence)
    patch = patch_corners(fixture.grey_patch, mistakes) if fixture else None
    placed = [printed_mark(row, at, mistakes) if row else None for at, row in enumerate(marks)]
    check_marks(placed, fixture.dictionary if fixture else None, mistakes)
    if board:
        ids = [mark.mark_id for mark in placed if mark]
        check_board(board, fixture.dictionary if fixture else None, ids, mistakes)
    mistakes.stop_if_any()

    assert station and fixture and board and trust and intake and folders and shifts and looks and patch is not None
    return Station(
        name=station.name,
        title=station.title,
        cameras=tuple(
            CameraSetup(
                row.name,
                row.width_px,
                row.height_px,
                row.bits,
                Response(row.response),
                row.dark_noise / (2**row.bits - 1),
                row.colour,
            )
            for row in cameras
            if row
        ),
        fixture=Fixture(
            fixture.dictionary,
            tuple(mark for mark in placed if mark),
            patch,
            TrustLimits(**trust.model_dump()),
        ),
        board=Board(**board.model_dump()),
        seatings={
            row.shell: Seating(
                row.shell,
                Pose.from_degrees(row.rotation_deg, row.translation_mm),
                row.limit_mm,
                row.limit_deg,
                row.u_height_mm,
                row.cameras or (),
                row.limit_height_mm,
            )
            for row in seatings
            if row
        },
        temperature_range_c=station.temperature_range_c,
        intake=Intake(intake.set_timeout_s, round(intake.picture_limit_mb * 1e6), round(intake.upload_limit_mb * 1e6)),
        folders=Folders(**{**folders.model_dump(), "models": (path.parent / folders.models).resolve()}),
        sha256=hashlib.sha256(raw).hexdigest(),
        shifts=shift_plan(shifts.starts, shifts.names),
        same_shell_h=looks.same_shell_h,
        thermometer=thermometer,
    )


def _check_rows(
    cameras: Sequence[CameraTable | None], seatings: Sequence[SeatingTable | None], mistakes: Mistakes
) -> None:
    if not cameras:
        mistakes.say("[[camera]] is missing, must be there at least once")
    mistakes.no_name_twice([row.name for row in cameras if row], "camera")
    for at, camera in enumerate(cameras):
        try:
            Response(camera.response if camera else "linear")
        except ValueError as error:
            mistakes.say(f"camera[{at}].response {error}")
    if not seatings:
        mistakes.say("[[seating]] is missing, must be there for each shell that the fixture holds")
    mistakes.no_name_twice([row.shell for row in seatings if row], "seating")
    known = tuple(row.name for row in cameras if row)
    for at, row in enumerate(seatings):
        named = row.cameras or () if row else ()
        mistakes.no_name_twice(list(named), f"seating[{at}].cameras:")
        for name in dict.fromkeys(named) if len(known) == len(cameras) else ():
            if name not in known:
                mistakes.say(f"seating[{at}].cameras names {shown(name)}, must be {one_of(name, known)}")
        grey = [camera.name for camera in cameras if camera and not camera.colour]
        told = len(known) == len(cameras) and set(named) <= set(known)  # else another sentence says so
        if row and told and not set(named or known) & set(grey):
            mistakes.say(f"seating[{at}] has cameras in colour only, must have one that measures: colour = false")


def _check_trust(trust: TrustTable, mistakes: Mistakes) -> None:
    for low, high in (("light_warn_share", "light_stop_share"), ("moved_note_mm", "moved_stop_mm")):
        first, last = getattr(trust, low), getattr(trust, high)
        if not first < last:
            mistakes.say(f"trust.{low} is {shown(first)}, must be below {high} {shown(last)}")
