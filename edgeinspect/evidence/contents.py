"""What a file of evidence holds of one look at one shell, gathered from the record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from pathlib import Path, PurePath

from edgeinspect import __version__
from edgeinspect.conformity import Answer
from edgeinspect.errors import DefinitionError, InputError
from edgeinspect.evidence.program import program_sha256
from edgeinspect.inspection import Inspection
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.process.limits import with_limits
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_with_files
from edgeinspect.station.basis import Basis, pack_basis, read_basis
from edgeinspect.station.config import Station
from edgeinspect.store.calibrations import KeptCalibration
from edgeinspect.store.inspections import Store
from edgeinspect.store.limits import ChangedLimit, Kind
from edgeinspect.store.looks import one_shell
from edgeinspect.store.reviews import Reviews

SHOWN_AS_IT_IS = {".png": "image/png", ".webp": "image/webp"}  # kinds that browsers show; of 8 bits only


@dataclass(frozen=True)
class LookAt:
    """One look at the shell."""

    inspection_id: int
    attempt: int
    counts: bool  # whether it measured the shell
    answer: Answer
    sentence: str
    finished_at: str


@dataclass(frozen=True)
class Said:
    """A label, a disposition, a change mark or limits that came afterwards."""

    at: str
    what: str
    words: str
    reason: str
    who: str
    role: str


@dataclass(frozen=True)
class LimitsThen:
    """The revision of the inspection limits that judged it."""

    revision_id: int
    limits: tuple[ChangedLimit, ...]  # all that differ from the definition's
    reason: str
    proposed_at: str
    proposed_by: str
    approved_at: str  # "" where the record has no approval
    approved_by: str
    approval_reason: str
    from_shell_id: str


@dataclass(frozen=True)
class PictureHeld:
    """One camera's picture: what of it is in the file."""

    camera: str
    kind: str  # media type of what is shown; "" nothing is
    original: bool  # the file that was measured is here, whole
    why_not: str  # in words, where it is not


@dataclass(frozen=True)
class CalibrationThen:
    calibration_id: str
    camera: str
    made_at: str
    made_by: str


@dataclass(frozen=True)
class Context:
    """All besides the inspection, its basis and its pictures."""

    issued_at: str  # ISO 8601, UTC
    issued_by: str  # edgeinspect version
    program_sha256: str  # of its code
    station_title: str
    looks: tuple[LookAt, ...]  # every look at this shell, first one first
    same_id: int  # inspections of other shells that had this id at other times
    said: tuple[Said, ...]  # since, oldest first
    limits: LimitsThen | None  # None: the definition's own
    pictures: tuple[PictureHeld, ...]
    calibrations: tuple[CalibrationThen, ...]
    basis_words: str  # where the basis comes from, or why there is none
    chain_head: str  # of the record of changes, when this was written
    chain_words: str  # whether that chain is whole
    local_times: dict[str, str] = field(default_factory=dict[str, str])  # on the station's clock, by UTC time
    checked: str = ""  # what came of working the numbers out again, when this was written
    format: int = 1


@dataclass(frozen=True)
class Evidence:
    """What one file holds. ``originals``, ``views`` - bytes by camera."""

    inspection: Inspection
    context: Context
    basis: bytes | None
    originals: Mapping[str, bytes]
    views: Mapping[str, bytes]

    @property
    def measurement(self) -> ShellMeasurement:
        return self.inspection.measurement

    @cached_property
    def rests_on(self) -> Basis | None:
        """Raises InputError: damaged."""
        return None if self.basis is None else read_basis(self.basis)

    @cached_property
    def judged_by(self) -> ShellDefinition | None:
        """The definition with the limits that judged it. Raises InputError: the two do not fit together."""
        if self.rests_on is None:
            return None
        if self.context.limits is None:
            return self.rests_on.definition
        try:
            changed = {one.characteristic: one.limit for one in self.context.limits.limits}
            return with_limits(self.rests_on.definition, changed)
        except ValueError as error:
            raise InputError(f"the inspection limits do not fit the definition ({error})") from error


def find(store: Store, wanted: str) -> int:
    """The inspection that is meant: the last look at a shell id, or the inspection of a number.

    Raises InputError: none such, or both.
    """
    number = int(wanted.removeprefix("inspection:")) if wanted.removeprefix("inspection:").isdecimal() else None
    by_number = number is not None and number < 2**62 and store.inspection(number, ribbons=False) is not None
    looks = () if wanted.startswith("inspection:") else store.attempts(wanted.removeprefix("shell:"))
    if looks and by_number and not wanted.startswith("shell:"):
        raise InputError(
            f"{wanted} is a shell id and the number of an inspection: write shell:{wanted} or inspection:{wanted}"
        )
    if looks:
        return looks[-1].inspection_id
    if by_number and number is not None:
        return number
    raise InputError(f"{wanted!r} is neither a shell id nor the number of an inspection in this record")


def gather(store: Store, station: Station, inspection_id: int, issued_at: str) -> Evidence:
    """Raises InputError when there is no such inspection, StoreError."""
    inspection = store.inspection(inspection_id)
    if inspection is None:
        raise InputError(f"there is no inspection {inspection_id}")
    originals: dict[str, bytes] = {}
    views: dict[str, bytes] = {}
    held = [_picture(store, station, inspection, picture.camera, originals, views) for picture in inspection.pictures]
    basis, basis_words = _basis(store, station, inspection)
    looks, same_id = _looks(store, station, inspection)
    chain = store.changes.check()
    context = Context(
        issued_at=issued_at,
        issued_by=__version__,
        program_sha256=program_sha256(),
        station_title=station.title,
        looks=looks,
        same_id=same_id,
        said=_said(store, station, inspection),
        limits=_limits(store, inspection),
        pictures=tuple(held),
        calibrations=_calibrations(store, inspection),
        basis_words=basis_words,
        chain_head=chain.head,
        chain_words="whole" if chain.intact else f"not whole: {chain.problems[0]}",
    )
    return Evidence(inspection, replace(context, local_times=_local(inspection, context)), basis, originals, views)


def _picture(
    store: Store,
    station: Station,
    inspection: Inspection,
    camera: str,
    originals: dict[str, bytes],
    views: dict[str, bytes],
) -> PictureHeld:
    number = inspection.inspection_id or 0
    bits = {setup.name: setup.bits for setup in station.cameras}.get(camera, 8)
    content, view = store.picture(number, camera), store.view(number, camera)
    if content is not None:
        originals[camera] = content
        kind = SHOWN_AS_IT_IS.get(PurePath(store.picture_name(number, camera) or "").suffix.lower(), "")
        if kind and bits == 8 and view is not None:  # without a view it could not be read as a picture
            return PictureHeld(camera, kind, True, "")
    if view is not None:
        views[camera] = view
    if content is not None:
        return PictureHeld(camera, "image/jpeg" if view is not None else "", True, "")
    if inspection.verdict.answer is Answer.CONFORMING:
        why = "of a conforming shell the picture is not kept whole, only its edge (the ribbons)"
    else:
        why = "it is no longer kept at the station"
    return PictureHeld(camera, "image/jpeg" if view is not None else "", False, why)


def _basis(store: Store, station: Station, inspection: Inspection) -> tuple[bytes | None, str]:
    """Of the record; for looks before it kept any, made of the station's files where they are still the same."""
    measurement = inspection.measurement
    if inspection.basis_sha256:
        kept = store.bases.one(inspection.basis_sha256)
        if kept is not None:
            return kept, "as the record kept it on that day"
        return None, "the record no longer has it"
    if not measurement.definition_sha256:
        return None, "no definition could be read on that day"
    changed = "the definition has changed since, and the record of that day did not keep it"
    try:
        definition, files = load_with_files(Path(station.folders.models) / measurement.shell)
    except DefinitionError:
        return None, changed
    seating = station.seatings.get(measurement.shell)
    if definition.sha256 != measurement.definition_sha256 or seating is None:
        return None, changed
    calibrations: list[KeptCalibration] = []
    for view in measurement.views:
        found = store.calibrations.one(view.calibration_id)
        if found is None:
            return None, "the record does not have the calibration of that day"
        calibrations.append(found)
    if not calibrations:
        return None, "no camera could be used on that day"
    basis = pack_basis(files, station.fixture, seating, calibrations)
    return basis.content, "the definition has not changed; fixture and seating are those of the station today"


def _looks(store: Store, station: Station, inspection: Inspection) -> tuple[tuple[LookAt, ...], int]:
    rows = store.attempts(inspection.shell_id)
    parts = one_shell(rows, station.same_shell_h)
    number = inspection.inspection_id
    own = next((part for part in parts if any(row.inspection_id == number for row in part)), ())
    measured = store.measured(inspection.shell_id)
    looks = tuple(
        LookAt(
            row.inspection_id,
            row.attempt,
            row.inspection_id in measured,
            row.answer,
            row.sentence,
            row.finished_at,
        )
        for row in own
    )
    return looks, len(rows) - len(own)


def _said(store: Store, station: Station, inspection: Inspection) -> tuple[Said, ...]:
    """What people said of this look and this shell, and what was changed at the cell since."""
    reviews = Reviews(store.changes, station.same_shell_h)
    number = inspection.inspection_id or 0
    said = [Said(o.at, "label", o.label.value, o.reason, o.who, o.role) for o in reviews.labels_said(number)]
    said += [
        Said(o.at, "disposition", f"{o.disposition.value} (inspection {o.inspection_id})", o.reason, o.who, o.role)
        for o in reviews.dispositions_said(inspection.shell_id)
        if o.at >= inspection.started_at
    ]
    said += [
        Said(o.from_at, "change mark", f"{o.kind.value}{f', from shell {o.from_shell_id}' * bool(o.from_shell_id)}",
             o.reason, o.who, o.role)
        for o in reviews.marks(since=inspection.started_at)
    ]  # fmt: skip
    return tuple(sorted(said, key=lambda one: one.at))


def _limits(store: Store, inspection: Inspection) -> LimitsThen | None:
    if inspection.limits_revision is None:
        return None
    revision = store.limits.one(inspection.limits_revision)
    uses = [use for use in store.limits.uses(revision.proposal.shell) if use.revision_id == revision.revision_id]
    approved = next((use for use in reversed(uses) if use.kind is Kind.APPROVED), None)
    return LimitsThen(
        revision.revision_id,
        revision.proposal.limits,
        revision.proposal.reason,
        revision.at,
        f"{revision.who} ({revision.role})",
        approved.at if approved else "",
        f"{approved.who} ({approved.role})" if approved else "",
        approved.reason if approved else "",
        approved.from_shell_id if approved else "",
    )


def _calibrations(store: Store, inspection: Inspection) -> tuple[CalibrationThen, ...]:
    found = [store.calibrations.one(view.calibration_id) for view in inspection.measurement.views]
    return tuple(CalibrationThen(one.calibration_id, one.camera, one.made_at, one.who) for one in found if one)


def _local(inspection: Inspection, context: Context) -> dict[str, str]:
    times = {inspection.started_at, inspection.finished_at, context.issued_at}
    times |= {picture.taken_at for picture in inspection.pictures}
    times |= {look.finished_at for look in context.looks} | {said.at for said in context.said}
    times |= {one.made_at for one in context.calibrations}
    if context.limits is not None:
        times |= {context.limits.proposed_at, context.limits.approved_at}
    return {iso: _local_words(iso) for iso in sorted(times) if iso}


def _local_words(iso: str) -> str:
    at = datetime.fromisoformat(iso).astimezone()
    return f"{at:%Y-%m-%d %H:%M:%S} (UTC{at:%z})"
