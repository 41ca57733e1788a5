"""The tables. Changes go through migrations/; a test compares the two."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Float, ForeignKey, Index, LargeBinary, MetaData, Text, text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class Table(DeclarativeBase):
    metadata = MetaData(
        naming_convention={"ix": "ix_%(table_name)s_%(column_0_name)s", "ck": "ck_%(table_name)s_%(constraint_name)s"}
    )


class InspectionTable(Table):
    """One look at one shell. The columns are for finding it; ``record`` is all of it, JSON of an Inspection."""

    __tablename__ = "inspection"
    __table_args__ = (
        Index("ix_inspection_shell_id_attempt", "shell_id", "attempt", unique=True),
        Index("ix_inspection_shell", "shell"),
        Index("ix_inspection_not_green", "inspection_id", sqlite_where=text("answer != 'CONFORMING'")),
        Index("ix_inspection_how_bad", "how_bad", "inspection_id", sqlite_where=text("answer != 'CONFORMING'")),
        Index("ix_inspection_repeated", "shell", "inspection_id", sqlite_where=text("attempt >= 5")),
        Index("ix_inspection_sentence", "sentence", "answer"),  # searched for words
        Index("ix_inspection_shell_finished_at", "shell", "finished_at"),  # the newest of a kind, in a span of time
        Index("ix_inspection_finished_at", "finished_at", "answer"),  # answers are counted by time, five times a second
        CheckConstraint("answer IN ('CONFORMING', 'NONCONFORMING', 'NOT PROVEN', 'NO RESULT')", name="answer"),
        {"sqlite_autoincrement": True},  # an id is never given twice
    )

    inspection_id: Mapped[int] = mapped_column(primary_key=True)
    shell_id: Mapped[str]
    attempt: Mapped[int]
    shell: Mapped[str]
    variant: Mapped[str]
    answer: Mapped[str] = mapped_column(index=True)
    sentence: Mapped[str]
    action: Mapped[str]
    characteristic: Mapped[str]  # the worst one
    where: Mapped[str]
    started_at: Mapped[str]
    finished_at: Mapped[str]
    record: Mapped[str] = mapped_column(Text)
    ribbons_file: Mapped[str | None]  # below ribbons/; these may be thrown away earlier than the numbers
    how_bad: Mapped[float | None] = mapped_column(Float)  # orders what is not green (review_queue.how_bad)


class ArraysTable(Table):
    """The arrays of a record (edge points, profiles, flags), apart so that lists do not read past them."""

    __tablename__ = "arrays"

    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.inspection_id"), primary_key=True)
    content: Mapped[bytes] = mapped_column(LargeBinary)


class PictureTable(Table):
    """One picture of an inspection. The files are below pictures/; None where none is kept."""

    __tablename__ = "picture"

    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.inspection_id"), primary_key=True)
    camera: Mapped[str] = mapped_column(primary_key=True)
    name: Mapped[str]
    sha256: Mapped[str]
    pixels_sha256: Mapped[str] = mapped_column(index=True)
    taken_at: Mapped[str]
    original_file: Mapped[str | None]
    view_file: Mapped[str | None]
    moved_mm: Mapped[float | None] = mapped_column(Float)  # of its camera, since it was calibrated; None: not measured


class FindingTable(Table):
    """One judged characteristic of an inspection, as its record says it: here for counting. The worst, number 0, and
    every other that is not CONFORMING.
    """

    __tablename__ = "finding"
    __table_args__ = (
        Index("ix_finding_answer", "answer", "where"),
        Index("ix_finding_where", "where", "answer"),
        {"sqlite_with_rowid": False},
    )

    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.inspection_id"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    characteristic: Mapped[str]
    where: Mapped[str]  # the place in an operator's words
    answer: Mapped[str]
    unit: Mapped[str]
    value: Mapped[float | None] = mapped_column(Float)
    u: Mapped[float | None] = mapped_column(Float)
    lower: Mapped[float | None] = mapped_column(Float)
    upper: Mapped[float | None] = mapped_column(Float)


class LayoutTable(Table):
    """Which characteristics the rows of ``reading`` hold, in which order: a JSON list of names and one of units."""

    __tablename__ = "layout"

    layout_id: Mapped[int] = mapped_column(primary_key=True)
    characteristics: Mapped[str] = mapped_column(unique=True)


class ReadingTable(Table):
    """The numbers of an inspection that judging needs: here to try limits on ten thousand shells at once.

    ``content``: K x 4 little-endian doubles (least, its u, most, its u; a single value is both), then K bytes: 0 seen,
    1 too little seen, 2 no number, 3 the thing is missing; the rest are in process/readings.py.
    """

    __tablename__ = "reading"

    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.inspection_id"), primary_key=True)
    layout_id: Mapped[int] = mapped_column(ForeignKey("layout.layout_id"))
    held: Mapped[int]  # 1: the third look or later, 2: something could not be measured
    content: Mapped[bytes] = mapped_column(LargeBinary)


class KnownLengthTable(Table):
    """One known length between fixture marks, as a picture of an inspection read it."""

    __tablename__ = "known_length"
    __table_args__ = ({"sqlite_with_rowid": False},)

    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.inspection_id"), primary_key=True)
    camera: Mapped[str] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    words: Mapped[str]
    known_mm: Mapped[float] = mapped_column(Float)
    read_mm: Mapped[float] = mapped_column(Float)


class CalibrationTable(Table):
    """Every calibration that was made here or measured with, as its own file said it."""

    __tablename__ = "calibration"

    calibration_id: Mapped[str] = mapped_column(primary_key=True)
    camera: Mapped[str]
    made_at: Mapped[str]
    content: Mapped[str] = mapped_column(Text)
    who: Mapped[str] = mapped_column(server_default="")


class CalibrationUseTable(Table):
    """One line each time a camera is given a calibration; the last one counts. Triggers refuse every change."""

    __tablename__ = "calibration_use"
    __table_args__ = ({"sqlite_autoincrement": True},)

    use_id: Mapped[int] = mapped_column(primary_key=True)
    camera: Mapped[str]
    calibration_id: Mapped[str] = mapped_column(ForeignKey("calibration.calibration_id"))
    at: Mapped[str]
    who: Mapped[str]
    why: Mapped[str]


class ChangeoverTable(Table):
    """One line each time the station was set to another shell or decal variant. A trigger refuses to change what was
    set, when and by whom; what confirmed it is added once.
    """

    __tablename__ = "changeover"
    __table_args__ = ({"sqlite_autoincrement": True},)

    changeover_id: Mapped[int] = mapped_column(primary_key=True)
    shell: Mapped[str]
    variant: Mapped[str]
    at: Mapped[str]
    who: Mapped[str]  # from where it was done; nobody logs in at a station
    after_id: Mapped[int]  # the newest inspection then: later ones are of this shell, however clocks jump
    confirmed_at: Mapped[str | None]
    confirmed_by: Mapped[int | None] = mapped_column(ForeignKey("inspection.inspection_id"))  # the first that fitted


class PersonTable(Table):
    """A named person. A trigger refuses to delete one: names stay in records."""

    __tablename__ = "person"
    __table_args__ = (CheckConstraint("role IN ('operator', 'engineer', 'quality', 'administrator')", name="role"),)

    key: Mapped[str] = mapped_column(primary_key=True)  # the name without capitals: two that look alike are one
    name: Mapped[str]
    role: Mapped[str]
    password: Mapped[str]  # argon2id, with its salt and settings
    active: Mapped[bool]
    since: Mapped[str]


class SignedInTable(Table):
    """A browser in which a person is signed in."""

    __tablename__ = "signed_in"

    token_sha256: Mapped[str] = mapped_column(primary_key=True)  # of the secret in the browser's cookie
    key: Mapped[str] = mapped_column(ForeignKey("person.key"))
    since: Mapped[str]
    seen_at: Mapped[str]


class ChangeTable(Table):
    """The record of changes, each row chained to the one before. Triggers refuse every change."""

    __tablename__ = "change"

    change_id: Mapped[int] = mapped_column(primary_key=True)  # 1, 2, 3, ... without a gap
    at: Mapped[str]
    who: Mapped[str]
    role: Mapped[str]
    what: Mapped[str]
    subject: Mapped[str] = mapped_column(index=True)
    reason: Mapped[str]
    details: Mapped[str]  # JSON
    former_sha256: Mapped[str]
    sha256: Mapped[str]


class ChangeSeenTable(Table):
    """The last change that an inspection knew of, with the first such inspection. Triggers refuse every change."""

    __tablename__ = "change_seen"

    change_id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str]
    inspection_id: Mapped[int]


class LabelTable(Table):
    """What a person says of the answer of one look; the last one counts. Triggers refuse every change."""

    __tablename__ = "label"
    __table_args__ = (
        CheckConstraint("label IN ('truly bad', 'good', 'loose chip', 'gauge at fault', 'withdrawn')", name="label"),
        {"sqlite_autoincrement": True},
    )

    label_id: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.inspection_id"), index=True)
    label: Mapped[str]
    reason: Mapped[str]
    who: Mapped[str]
    role: Mapped[str]
    at: Mapped[str]


class DispositionTable(Table):
    """What is done with a shell; the last one counts. Triggers refuse every change."""

    __tablename__ = "disposition"
    __table_args__ = (
        CheckConstraint("disposition IN ('rework', 'concession', 'scrap', 'hold', 'withdrawn')", name="disposition"),
        {"sqlite_autoincrement": True},
    )

    disposition_id: Mapped[int] = mapped_column(primary_key=True)
    shell_id: Mapped[str] = mapped_column(index=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.inspection_id"))  # the look it was decided on
    disposition: Mapped[str]
    reason: Mapped[str]
    who: Mapped[str]
    role: Mapped[str]
    at: Mapped[str]


class ChangeMarkTable(Table):
    """Something at the cell was changed: bit, program, fixture, lot, light. Triggers refuse every change."""

    __tablename__ = "change_mark"
    __table_args__ = (
        CheckConstraint("kind IN ('bit', 'program', 'fixture', 'lot', 'light')", name="kind"),
        {"sqlite_autoincrement": True},
    )

    change_mark_id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    from_at: Mapped[str] = mapped_column(index=True)  # when it was done
    from_shell_id: Mapped[str]  # the first shell made with it, "" not said
    reason: Mapped[str]  # the note
    who: Mapped[str]
    role: Mapped[str]
    at: Mapped[str]  # when it was entered


class LimitsRevisionTable(Table):
    """Other inspection limits as somebody proposed them. Triggers refuse every change."""

    __tablename__ = "limits_revision"

    revision_id: Mapped[int] = mapped_column(primary_key=True)
    shell: Mapped[str]
    definition_sha256: Mapped[str]  # what it is based on
    former_id: Mapped[int | None]  # the revision that was in effect then; NULL: the definition's own limits
    limits: Mapped[str] = mapped_column(Text)  # JSON, all that differ from the definition's
    reason: Mapped[str]
    population: Mapped[str]
    prediction: Mapped[str]  # JSON, count by answer
    at: Mapped[str]
    who: Mapped[str]
    role: Mapped[str]


class LimitsUseTable(Table):
    """What became of revisions: approved, refused, returned from. Triggers refuse every change."""

    __tablename__ = "limits_use"

    use_id: Mapped[int] = mapped_column(primary_key=True)
    shell: Mapped[str]
    kind: Mapped[str]
    revision_id: Mapped[int | None]  # returned: the one that judges from then on; NULL: the definition's own limits
    from_shell_id: Mapped[str]  # it judges from this shell on; "" the next one
    after_id: Mapped[int]  # the newest inspection then
    reason: Mapped[str]
    at: Mapped[str]
    who: Mapped[str]
    role: Mapped[str]


class StateTable(Table):
    """One row: what the station is doing now."""

    __tablename__ = "state"
    __table_args__ = (CheckConstraint("id = 1", name="one_row"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    expected_shell: Mapped[str | None]
    expected_variant: Mapped[str | None]
    expected_temperature_c: Mapped[float | None] = mapped_column(Float)
    expected_since: Mapped[str | None]
    measuring: Mapped[str | None]
    measuring_since: Mapped[str | None]
    heartbeat_at: Mapped[str | None]
    message: Mapped[str]
    message_at: Mapped[str | None]
    message_word: Mapped[str] = mapped_column(server_default="")  # what kind of message, in capitals
    interrupted: Mapped[str | None]  # shell id that was being measured when the station stopped
    interrupted_at: Mapped[str | None]
    interrupted_times: Mapped[int] = mapped_column(server_default="0")
