"""The record of one look at one shell: what was expected, which pictures, what was measured and how it was judged."""

from __future__ import annotations

from dataclasses import dataclass

from edgeinspect.conformity import Verdict
from edgeinspect.measure.measurement import Quantity, ShellMeasurement


@dataclass(frozen=True)
class Expected:
    """What the station is set to: which definition the next shell must meet."""

    shell: str  # name of the definition in models/
    variant: str  # decal variant, "" where the shell has none
    temperature_c: float | None = None  # None: not stated


@dataclass(frozen=True)
class PictureFile:
    """One picture that was looked at."""

    camera: str
    name: str  # file name as it came in
    sha256: str  # of the file's bytes
    pixels_sha256: str  # of the decoded levels: the same picture in another wrapping is still the same picture
    taken_at: str  # ISO 8601 UTC, when the file was complete


@dataclass(frozen=True)
class Inspection:
    """One look at one shell, start to end. Lengths in mm, angles in degrees, every u one standard uncertainty."""

    shell_id: str  # the serial of the piece, from the file name
    attempt: int  # 1 for the first look at this shell
    station: str  # its name
    started_at: str  # ISO 8601 UTC
    finished_at: str  # ISO 8601 UTC
    expected: Expected
    pictures: tuple[PictureFile, ...]
    measurement: ShellMeasurement
    verdict: Verdict
    software: str  # edgeinspect version
    inspection_id: int | None = None  # given by the store
    limits_revision: int | None = None  # of the inspection limits that judged it; None: the definition's own limits
    after_change: str = ""  # number and hash of the last change in the record of changes before this look
    basis_sha256: str = ""  # of what it was measured and judged by (see station.basis); "" in older records

    @property
    def measured(self) -> bool:
        """Whether this was a look at the shell: it was found where it belongs, and nothing stopped all of it. A picture
        through a covered lens is none.
        """
        found = self.measurement.cut is not None
        return found and all(stop.concerns is not None for stop in self.measurement.stops)

    @property
    def fits(self) -> bool:
        """Whether it was a shell of what the station was set to: measured, and no other variant's decal lies on it."""
        decals = self.measurement.decals
        return self.measured and all(one.found_variant in (None, self.measurement.variant) for one in decals)


def numbers_of(measurement: ShellMeasurement) -> dict[str, Quantity]:
    """Every judged number of a measurement by a name; a rotation is in deg, all else in mm."""
    found: dict[str, Quantity | None] = {
        "path shift": measurement.path_shift,
        "path rotation": measurement.path_rotation,
    }
    for zone in measurement.zones:
        found |= {f"zone {zone.zone} most": zone.most, f"zone {zone.zone} least": zone.least}
    for cutout in measurement.cutouts:
        found |= {f"cut-out {cutout.name} dx": cutout.dx, f"cut-out {cutout.name} dy": cutout.dy}
        found |= {f"cut-out {cutout.name} size {k + 1}": size for k, size in enumerate(cutout.sizes)}
    for decal in measurement.decals:
        found |= {f"decal {decal.name} {way}": getattr(decal, way) for way in ("dx", "dy", "rotation")}
    return {name: quantity for name, quantity in found.items() if quantity is not None}
