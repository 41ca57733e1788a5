"""The record of one measured shell: numbers, standard uncertainties and flags, no verdict (measure once, judge many).

Every length is in mm, every angle in degrees, every ``u`` one standard uncertainty. Arrays are read-only; nan means
"not measured there" and the flags say why.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, field, fields
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, PlaneShift, Pose
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Check, Frame

CALL = "call the process engineer"  # how an action begins that the operator cannot do


class Flag(enum.IntFlag):
    """Why a station of the ribbon is not trusted, bit by bit. A station with any of these is not part of a
    deviation.
    """

    NO_EDGE = 1  # no step of enough contrast in the search band
    LOW_CONTRAST = 2  # a step, but its uncertainty is too large
    RIVAL_EDGE = 4  # a second edge nearly as strong in the band
    SATURATED = 8  # the picture is at full scale there
    POOR_FIT = 16  # the profile does not look like one blurred step
    OUTSIDE = 32  # the camera does not see that place
    HIDDEN = 64  # the arris that the drawing names lies behind the sheet


@dataclass(frozen=True)
class Stop:
    """ "Could not measure" as a value: where it stopped and why, and the one thing to do about it."""

    stage: str  # picture, light, marks, camera, place, seating, edge, datum, cutout, decal, ...
    reason: str  # one plain sentence, no full stop needed: "camera top has moved 0.31 mm"
    action: str  # "call the process engineer: check the camera"
    concerns: Check | None = None  # None: the whole shell
    camera: str = ""  # what concerns one camera stops only what that camera measures; "": all of it


class _ReadOnlyArrays:
    """Base of records that hold arrays: they keep their own read-only copies, or the array itself where nobody can
    write into it.

    In single precision: 1e-4 px and 1e-5 mm are far below any uncertainty, and the record stays half as large.
    """

    __dataclass_fields__: ClassVar[dict[str, Any]]

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                if not value.flags.writeable and value.base is None and value.dtype != np.float64:
                    continue
                copy = value.astype(np.float32) if value.dtype == np.float64 else value.copy()
                copy.setflags(write=False)
                object.__setattr__(self, item.name, copy)


@dataclass(frozen=True)
class Share:
    """One line of an uncertainty budget."""

    source: str  # "picture noise", "calibration", "height of the rim", ...
    u: float


@dataclass(frozen=True)
class Quantity:
    """A measured value with its standard uncertainty and the shares it is made of."""

    value: float  # mm, or deg of a rotation
    u: float  # combined, in the same unit
    shares: tuple[Share, ...] = ()


@dataclass(frozen=True)
class CameraView:
    """What one picture said about its camera before any shell was looked at."""

    camera: str
    calibration_id: str  # of the calibration that it was measured with
    fixture_pose: Pose | None  # fixture -> camera, from the marks in this picture; None when they were not found
    moved_mm: float  # greatest apparent displacement at the shell against the calibrated pose
    marks_seen: int
    marks_known: int  # how many the station has
    mark_residual_px: float  # rms of the marks' corners
    grey_ratio: float  # level of the grey patch over its level at calibration
    blur_px: float  # standard deviation of the marks' edges
    lengths: tuple[
        tuple[str, float, float], ...
    ] = ()  # words, known [mm], read [mm]: distances between marks, left-one-out
    # how bent its levels are by their noise: 1.0 to 1.1 if they are light, else their gamma; None: cannot tell
    response: float | None = None


@dataclass(frozen=True)
class EdgeTrace(_ReadOnlyArrays):
    """The edge of one curve along its arc length (N stations), in the fixture frame and in the raw picture."""

    curve: str  # name of the nominal curve: the rim, or a cut-out's
    camera: str
    arc_mm: Array  # (N,) along the nominal curve
    pixel: Array  # (N, 2) sub-pixel position of the edge
    point_mm: Array  # (N, 3) on the sheet, fixture frame
    u_mm: Array  # (N,) from the picture's noise alone, one scan line
    contrast: Array  # (N,) step over full scale
    nominal_pixel: Array  # (N, 2) where the nominal outline lies in the picture, placed by the shell's datums
    pixel_per_mm: Array  # (N, 2) how the picture moves per mm along the scan line: nominal_pixel + d * pixel_per_mm
    flags: NDArray[np.int32]  # (N,) bits of Flag


@dataclass(frozen=True)
class Ribbon(_ReadOnlyArrays):
    """The edge unrolled: levels (N stations, M samples) of full scale, along scan lines from d_mm[0] to d_mm[-1]."""

    curve: str
    camera: str
    arc_mm: Array  # (N,)
    d_mm: Array  # (M,)
    levels: NDArray[np.float32]  # (N, M)
    edge_d_mm: Array  # (N,) where the edge was found on the same scan lines
    step_d_mm: Array | None = None  # (N,) where one step alone puts it, before the arrises are told apart; nan: no edge


@dataclass(frozen=True)
class Alignment:
    """A plane shift that brings the nominal outline onto something, in the fixture frame about the nominal seating."""

    words: str  # "cut - fixture", "shell - fixture", "cut - shell", "form only"
    shift: PlaneShift
    u_dx_mm: float
    u_dy_mm: float
    u_rotation_deg: float
    rms_mm: float  # what is left


@dataclass(frozen=True)
class DeviationProfile(_ReadOnlyArrays):
    """Signed deviation along the rim in one frame, filtered with the definition's cut-off (ISO 16610-21 Gaussian).

    + is too much material, - cut too deep.
    """

    frame: Frame
    arc_mm: Array  # (N,) along the nominal rim, counter-clockwise seen from outside
    deviation_mm: Array  # (N,) nan where not seen
    u_mm: Array  # (N,) combined
    flags: NDArray[np.int32] | None = None  # (N,) bits of Flag of the unfiltered station; None in older records


@dataclass(frozen=True)
class BudgetAlong(_ReadOnlyArrays):
    """What the uncertainty of the filtered deviation is made of along the rim, in one frame that zones are judged in.

    Every ``arc_mm`` stands for the stretch up to the next one: of each source the root mean square over it.
    """

    frame: Frame
    sources: tuple[str, ...]  # "picture noise", "calibration and marks", ...
    arc_mm: Array  # (K,) along the nominal rim
    u_mm: Array  # (S, K) standard uncertainty by source; they add as squares


@dataclass(frozen=True)
class ZoneResult:
    """The worst filtered deviation both ways in one zone, in the zone's own frame."""

    zone: str
    frame: Frame
    most: Quantity  # largest deviation: too much material
    most_at_mm: float  # arc length
    least: Quantity  # smallest deviation: cut too deep
    least_at_mm: float
    length_mm: float  # of the zone
    seen_mm: float  # of it, where the profile has a value
    cameras: tuple[str, ...] = ()  # that measured it


@dataclass(frozen=True)
class CutOutResult:
    """``there`` None: could not be seen. Offsets of the centre from its place in the datum frame; sizes in the order
    of the definition.
    """

    name: str
    there: bool | None
    dx: Quantity | None = None
    dy: Quantity | None = None
    sizes: tuple[Quantity, ...] = ()
    seen_share: float = 0.0  # of its outline
    camera: str = ""  # that measured it


class FaultKind(enum.StrEnum):
    """What a fault of a decal looks like in one picture."""

    TORN = "torn"  # at its outline: torn off or folded, the bare sheet shows
    MISSING = "missing"  # print that is not there
    SMEAR = "smear"  # print drawn out or blurred
    BUBBLE = "bubble"  # under other light than around it: bubble or wrinkle
    OTHER = "other"  # unlike the print: dirt, something that lies on it
    GLARE = "glare"  # light hides the print: nobody can tell what is there
    COLOUR = "colour"  # printed in another colour, as a colour camera sees it


@dataclass(frozen=True)
class DecalFault(_ReadOnlyArrays):
    """One place where a decal is not whole."""

    kind: FaultKind
    area_mm2: float
    length_mm: float
    width_mm: float
    at_mm: Array  # (2,) its middle on the artwork, from the artwork's centre: reading direction, up
    outline_pixel: Array  # (K, 2) around it, in the picture
    camera: str = ""  # that saw it
    ink: str = ""  # of a colour that is off: most of it lies in this one; "": in none of one flat colour
    off_by: Quantity | None = None  # of a colour that is off: CIEDE2000


@dataclass(frozen=True)
class InkColour(_ReadOnlyArrays):
    """One flat colour of a print, over all of the fields that are wide enough to tell it."""

    name: str  # "amber", or as the artwork writes it: "#f0aa28"
    expected_lab: Array  # (3,) CIELAB
    area_mm2: float  # of the print in it
    told_mm2: float  # of that, away from its edges and seen: 0 where it is printed too fine to be told
    over_mm: float  # side of the square that it is averaged over: dark print is noisy
    read_lab: Array | None = None  # (3,) CIELAB
    off_by: Quantity | None = None  # CIEDE2000


@dataclass(frozen=True)
class DecalColour(_ReadOnlyArrays):
    """How far a decal's colours are off, place by place (CIEDE2000)."""

    camera: str  # that saw them; "": none did
    illuminant: str  # of all CIELAB here
    area_mm2: float  # that the greatest difference below is reached over
    untold: str = ""  # why nothing is told; "": it is
    action: str = ""  # what to do then
    worst: Quantity | None = None  # CIEDE2000
    worst_ink: str = ""
    worst_at_mm: Array | None = None  # (2,) on the artwork, from its centre: reading direction, up
    told_share: float = math.nan  # of the places wide enough to tell a colour: seen, without glare
    inks: tuple[InkColour, ...] = ()  # largest area first


@dataclass(frozen=True)
class GapProfile(_ReadOnlyArrays):
    """Straight distances from a decal's printed outline to the trimmed edge, along the side that faces it (N places),
    at 20 degC, behind the profile filter.
    """

    side: str  # of the decal: "lower", "upper", "left" or "right"
    at_mm: Array  # (N,) along that side, from its left or lower end
    gap_mm: Array  # (N,) nan where the edge was not seen
    u_mm: Array  # (N,)
    edge_arc_mm: Array  # (N,) of the nearest place on the rim, along the nominal rim
    least: Quantity
    least_at_mm: float  # along the side
    most: Quantity
    most_at_mm: float  # along the side
    seen_share: float  # of the side


@dataclass(frozen=True)
class DecalResult(_ReadOnlyArrays):
    """Where a decal lies against its place, from the shell's datums or from what its drawing names instead."""

    name: str
    there: bool | None  # None: could not be told
    dx: Quantity | None = None  # reading direction, along the surface
    dy: Quantity | None = None  # up, along the surface
    rotation: Quantity | None = None  # deg, counter-clockwise positive
    correlation: float = 0.0
    outline_pixel: Array | None = None  # (4, 2) corners of the artwork as found, in the picture
    nominal_pixel: Array | None = None  # (4, 2) where they belong
    camera: str = ""  # that measured it
    found_variant: str | None = None  # whose artwork lies there; None in older records, or where none was recognised
    upside_down: bool = False
    mirrored: bool = False
    stretch_along: Quantity | None = None  # %, in reading direction, at 20 degC: + laid longer than it was printed
    stretch_across: Quantity | None = None  # %, upwards
    warp_mm: float = float("nan")  # what is left at the worst place of the print when all of these are taken away
    lies_at: str = ""  # name of the decal in whose place it lies instead; "": in its own, or nowhere
    faults: tuple[DecalFault, ...] = ()  # largest first
    faults_sought: bool = False  # whether they were looked for; False in older records, which do not say
    hidden_share: float = float("nan")  # of the print, as bright as the sheet: there a missing piece does not show
    bubbles_unjudged: float = float("nan")  # share of the print, too dim or uneven to show one; nan: not looked for
    datum: str = "shell"  # what dx, dy and rotation are told from: shell.toml, decal.datum
    untold: str = ""  # why they cannot be told though the decal is there; "": they can
    surface: str = ""  # how far the surface under it may be off, as stated or assumed; "" in older records
    surface_doubt: str = ""  # why that surface does not fit its definition; "": nothing speaks against it
    gap: GapProfile | None = None  # to the trimmed edge; None: not seen, or an older record
    colour: DecalColour | None = None  # None: nobody asked for it, or an older record


@dataclass(frozen=True)
class Seam:
    """Where along the rim one camera ends and the next goes on, and how far they agree there."""

    arc_mm: float
    before: str  # camera up to here, in the direction of the arc length
    after: str  # camera from here on
    step: Quantity | None = None  # what ``after`` reads more than ``before`` [mm]; None: not both see the edge there


@dataclass(frozen=True)
class CutFace(_ReadOnlyArrays):
    """The cut face of one curve where one camera sees it: both arrises, at N stations. nan where they cannot be told
    apart; there the edge lies anywhere between and the uncertainty carries the gap.
    """

    curve: str  # name of the nominal curve: the rim, or a cut-out's
    camera: str
    arc_mm: Array  # (N,) along the nominal curve
    show_pixel: Array  # (N, 2) of the show-face arris in the picture
    back_pixel: Array  # (N, 2) of the back-face arris
    gap_mm: Array  # (N,) between them as seen, along the scan line
    u_gap_mm: Array  # (N,)
    square_mm: Array  # (N,) what a square cut of the drawing's sheet would show
    which_mm: Array  # (N,) standard uncertainty that "which arris" brings to the edge there
    seen_mm: float  # length of the curve over which the cut face is seen
    told_apart_mm: float  # of it, where both arrises are told apart
    bevel: Quantity | None = None  # how far the back-face arris stands out of the material before the show-face one, mm
    bevel_deg: Quantity | None = None  # the same as an angle from a square cut


@dataclass(frozen=True)
class PairHeight:
    """What two cameras say of the shell's height where both see the same rim or cut-out: above its seat, pooled."""

    one: str
    other: str
    lift: Quantity | None  # mean height of what both see [mm]; None: they give none
    edge_mm: float  # length of the rim that it comes from
    cutouts: tuple[str, ...]  # names of the cut-outs that it comes from
    refused_mm: float  # length of rim that both see and that runs along the line between them: it gives no height
    reason: str = ""  # why there is none


@dataclass(frozen=True)
class ShellHeight:
    """How high the shell sits above where the fixture holds it, or why that cannot be told."""

    told: bool  # False: cannot tell, and the seat's own height counts
    words: str  # "front lifted by about 2.0 mm", "cannot tell: ..."
    seen_by: tuple[str, ...] = ()  # names of pips and cut-outs, places on the rim that two cameras see
    lift: Quantity | None = None  # at the origin of the seat [mm]
    tilt_x: Quantity | None = None  # deg about the fixture's x: + raises the rear
    tilt_y: Quantity | None = None  # deg about the fixture's y: + lowers the right end
    highest_mm: float = math.nan  # of the rim, above the seat
    u_worst_mm: float = math.nan  # standard uncertainty at the worst place of the rim
    moved: bool = False  # it lies off its seat by more than chance
    used: bool = False  # measured at this height; False: at the seat's
    costs_mm: float = math.nan  # standard uncertainty of the rim, at its worst, from not knowing the height better
    pairs: tuple[PairHeight, ...] = ()  # none with one camera


class FlawKind(enum.StrEnum):
    """What a flaw of the cut edge looks like, in one picture."""

    NICK = "nick"  # material missing
    BURR = "burr"  # material too much, rooted in the edge with its whole width
    STRAND = "strand"  # lies loose over the edge, or hangs on it by a thin end: chip, hair; when in doubt it is one
    CHATTER = "chatter"  # a run of marks of even pitch along the cut, from a vibrating tool


@dataclass(frozen=True)
class FlawResult(_ReadOnlyArrays):
    """One flaw of the edge of one curve, by its length and depth. Words: ISO 13715."""

    kind: FlawKind
    curve: str  # name of the nominal curve: the rim, or a cut-out's
    camera: str
    arc_mm: float  # of its middle, along the nominal curve
    length: Quantity  # along the edge; of a strand its own length, where that is more; of chatter the whole run
    # greatest distance from the smooth trim line, square to it: into the material or out of it; of chatter from the
    # valleys of its marks to their peaks
    depth: Quantity
    area_mm2: float
    point_mm: Array  # (3,) its middle, fixture frame
    pixel: Array  # (2,) the same in the picture
    outline_pixel: Array  # (4, 2) corners of the stretch that it fills beside the edge, in the picture
    pitch: Quantity | None = None  # of chatter [mm]: from one mark to the next; None of other kinds


@dataclass(frozen=True)
class Before:
    """Earlier looks at the same shell, as far as judging this one needs them; the station fills it in."""

    looks: int = 0  # earlier ones that measured it at the same place on the line
    strands: tuple[FlawResult, ...] = ()  # of the last of them: a strand at the same place again is a burr


@dataclass(frozen=True)
class ShellMeasurement:
    """Everything measured on one shell. ``stops`` says what could not be."""

    shell: str  # name of the definition that it was measured by
    revision: str  # of its drawing
    definition_sha256: str  # of all its files
    variant: str  # of the decal
    checks: frozenset[Check]  # what was looked at
    temperature_c: float  # of the shell
    temperature_stated: bool  # False: assumed from the station's range
    u_temperature_c: float
    views: tuple[CameraView, ...]
    stops: tuple[Stop, ...] = ()
    traces: tuple[EdgeTrace, ...] = ()
    ribbons: tuple[Ribbon, ...] = field(default=(), repr=False)
    cut: Alignment | None = None  # cut - fixture: trim path error
    seating: Alignment | None = None  # shell - fixture, None where no formed datum is seen
    height: ShellHeight | None = None  # above the seat; None in older records, or when nothing could be measured
    best_fit: Alignment | None = None  # form only
    profiles: tuple[DeviationProfile, ...] = ()
    zones: tuple[ZoneResult, ...] = ()
    path_shift: Quantity | None = None  # length of (dx, dy) of the whole cut in the fixture
    path_rotation: Quantity | None = None  # of the whole cut in the fixture, counter-clockwise
    cutouts: tuple[CutOutResult, ...] = ()
    decals: tuple[DecalResult, ...] = ()
    seams: tuple[Seam, ...] = ()  # none with one camera
    flaws: tuple[FlawResult, ...] = ()  # of every cut edge, after the trim
    flaws_sought: bool = False  # whether they were looked for; False in older records, which do not say
    cut_on_shell: Alignment | None = None  # cut - shell: what the customer gets of the whole cut, from the datums
    untold: tuple[str, ...] = ()  # which of these comparisons cannot be told, and why
    cut_faces: tuple[CutFace, ...] = ()  # where a camera sees the cut face: both arrises and the bevel
    warm_k: float = 0.0  # how much warmer than the room it was stated to be; 0 where that is usual
    wait_min: int = 0  # until it has cooled
    before: Before = Before()
    budgets: tuple[BudgetAlong, ...] = ()  # of every frame that a zone is judged in; none in older records
    notes: tuple[str, ...] = ()  # warnings in words that do not stop: "camera top has moved 0.08 mm: compensated"

    @property
    def temperature(self) -> Temperature:
        """What it was measured with, for measuring it again."""
        return Temperature(self.temperature_c, self.u_temperature_c, self.temperature_stated)
