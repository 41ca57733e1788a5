"""What a decal's offset and rotation are told from: the shell's datums, or what its drawing names instead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeinspect.geometry import PlaneShift
from edgeinspect.measure.alignment import combine, deviation_from, fit_along_normals, placed
from edgeinspect.measure.frames import Datum
from edgeinspect.measure.locate import Located, cutout_datum, pip_datum
from edgeinspect.measure.setup import Sight
from edgeinspect.measure.trim import Edge, light_covariance
from edgeinspect.shell.definition import DatumScheme, DecalDatum

LEAST_EDGE = 0.8  # of the rim's length must be seen, or nobody knows where the whole of it lies


@dataclass(frozen=True)
class DecalFrame:
    """``place`` - where the shell lies: there its decals are looked for; ``told`` - what they are told from, None
    where that is not seen, and ``untold`` says why.
    """

    place: Datum
    told: Datum | None
    untold: str = ""


def decal_frame(sight: Sight, here: Located, datum: DecalDatum) -> DecalFrame | None:
    """None: nobody knows where the shell lies."""
    shell = here.datum
    if datum is DecalDatum.SHELL:
        return None if shell is None else DecalFrame(shell, shell)
    place = shell if shell is not None else Datum(here.edge.cut, here.edge.covariance, here.edge.rms_mm)
    told, why = _named(sight, here, datum)
    return DecalFrame(place, told, "" if told is not None else f"cannot tell where it lies: {why}")


def _named(sight: Sight, here: Located, datum: DecalDatum) -> tuple[Datum | None, str]:
    scheme = sight.definition.datum
    if datum is DecalDatum.FIXTURE:
        return Datum(PlaneShift(0.0, 0.0, 0.0), np.zeros((3, 3)), 0.0), ""
    if datum is DecalDatum.EDGE:
        share = float(here.edge.usable.mean())
        words = f"the trimmed edge that it is told from is seen over {share:.0%} of its length only"
        return (edge_datum(sight, here.edge), "") if share >= LEAST_EDGE else (None, words)
    if datum is DecalDatum.PIPS:
        if scheme is DatumScheme.PIPS:
            return here.datum, "the pips that it is told from are not seen"
        found, stop, _ = pip_datum(sight, here.edge.cut)
        return found, "" if stop is None else stop.reason
    if scheme is DatumScheme.HOLE_AND_SLOT:
        return here.datum, "the cut-outs that it is told from are not seen"
    return cutout_datum(sight, here.cutouts), "the cut-outs that it is told from are not seen"


def edge_datum(sight: Sight, edge: Edge) -> Datum:
    """The drawing's outline, as warm as the shell, on the whole trimmed edge: where it was cut, had it been cut as
    warm as it is now.
    """
    warm = placed(sight.setup.rim.scaled(sight.growth).placed(sight.setup.seat), edge.cut)
    off, _ = deviation_from(warm, edge.point_mm)
    usable = edge.usable & np.isfinite(off)
    fit = fit_along_normals(warm.points_mm, warm.normals, np.nan_to_num(off), usable)
    return Datum(combine(fit.shift, edge.cut), edge.covariance + light_covariance(sight), fit.rms_mm)
