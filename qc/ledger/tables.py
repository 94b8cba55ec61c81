"""The tables. `journal` and `seal` are the truth; all others follow from them."""

import datetime as dt

from sqlalchemy import BigInteger, Index, Integer, text
from sqlalchemy.orm import Mapped, mapped_column

from qc.ledger.base import POSITION, Base, index_where, partial_index
from qc.ledger.marks import IN_CATALOG, OUT, WAITS
from qc.ledger.types import Digest, RecordId, words


class Head(Base):
    """One row: where the journal ends. Its lock is held until the commit is on disk."""

    __tablename__ = "head"
    id: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    position: Mapped[int] = mapped_column(BigInteger)
    seal: Mapped[int] = mapped_column(BigInteger)
    seal_digest: Mapped[str] = mapped_column(words(64))
    # where the last catalog entry, and the last word on a gauge check, stand in the journal
    catalog_position: Mapped[int] = mapped_column(BigInteger)
    checks_position: Mapped[int] = mapped_column(BigInteger)


class Seal(Base):
    """One per accepting transaction: a digest over its records' digests and the seal before."""

    __tablename__ = "seal"
    number: Mapped[int] = mapped_column(POSITION, primary_key=True, autoincrement=False)
    first_position: Mapped[int] = mapped_column(BigInteger, index=True)
    records: Mapped[int] = mapped_column(Integer)
    previous: Mapped[str] = mapped_column(words(64))
    digest: Mapped[str] = mapped_column(words(64))
    sealed_at: Mapped[dt.datetime]


class Journal(Base):
    """Every accepted record and catalog entry, whole, in the order of arrival.

    On PostgreSQL in one partition for each month in which something arrived (`months`).
    """

    __tablename__ = "journal"
    position: Mapped[int] = mapped_column(POSITION, primary_key=True, autoincrement=False)
    record_id: Mapped[str] = mapped_column(RecordId)
    kind: Mapped[str] = mapped_column(words(20))
    taken_at: Mapped[dt.datetime | None]
    # what the record is about; `checked` is the gauge of a gauge check, `gauge` one in use
    serial: Mapped[str | None] = mapped_column(words(64))
    batch: Mapped[str | None] = mapped_column(words(64))
    gauge: Mapped[str | None] = mapped_column(words(64))
    checked: Mapped[str | None] = mapped_column(words(64))
    digest: Mapped[str] = mapped_column(Digest)
    body: Mapped[str]

    __table_args__ = (
        partial_index("journal", "serial"),
        partial_index("journal", "batch"),
        partial_index("journal", "gauge", "taken_at"),
        partial_index("journal", "checked"),
        index_where(IN_CATALOG, "ix_journal_catalog", "position"),
        {"info": {"postgresql": {"partition_by": "RANGE (position)"}}},
    )


class Identity(Base):
    """Where each record stands in the journal: what is taken in twice is found here.

    A table of its own since no index reaches over the months of the journal. It follows from the
    journal, but for the order of arrival, which nothing else tells of.
    """

    __tablename__ = "identity"
    record_id: Mapped[str] = mapped_column(RecordId, primary_key=True)
    position: Mapped[int] = mapped_column(BigInteger)

    __table_args__ = ({"sqlite_with_rowid": False},)


class Mends(Base):
    """Which corrections name a record; it may not have arrived yet."""

    __tablename__ = "mends"
    of: Mapped[str] = mapped_column(RecordId, primary_key=True)
    record_id: Mapped[str] = mapped_column(RecordId, primary_key=True, index=True)


class Override(Base):
    """What a corrected record was about (number 0) and is after each of its changes.

    Columns as in the journal, empty where it is void; `last` marks what holds now.
    """

    __tablename__ = "override"
    record_id: Mapped[str] = mapped_column(RecordId, primary_key=True)
    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    last: Mapped[bool]
    taken_at: Mapped[dt.datetime | None]
    serial: Mapped[str | None] = mapped_column(words(64), index=True)
    batch: Mapped[str | None] = mapped_column(words(64), index=True)
    gauge: Mapped[str | None] = mapped_column(words(64), index=True)
    checked: Mapped[str | None] = mapped_column(words(64), index=True)


class Part(Base):
    """A serial and where it stands; `standing` is JSON.

    `since`: nothing about it stands before this position in the journal, so that older months need
    not be looked through.
    """

    __tablename__ = "part"
    serial: Mapped[str] = mapped_column(words(64), primary_key=True)
    model: Mapped[str | None] = mapped_column(words(64))
    batch: Mapped[str | None] = mapped_column(words(64))
    standing: Mapped[str]
    # when it was received, where a first reading of its kind can be judged by itself (see `fresh`)
    calm_since: Mapped[dt.datetime | None]
    pair: Mapped[str | None] = mapped_column(words(64))
    pair_stage: Mapped[str | None] = mapped_column(words(20))
    since: Mapped[int] = mapped_column(BigInteger)

    __table_args__ = (
        partial_index("part", "batch"),
        partial_index("part", "pair"),
        index_where(WAITS, "ix_part_waits", "serial"),
        index_where(OUT, "ix_part_out", "serial"),
    )


class BatchStanding(Base):
    """The decisions on a batch as such; `standing` is JSON."""

    __tablename__ = "batch_standing"
    batch: Mapped[str] = mapped_column(words(64), primary_key=True)
    standing: Mapped[str]


class Quantity(Base):
    """What a part comes to: one number per stage and characteristic (and protocol)."""

    __tablename__ = "quantity"
    serial: Mapped[str] = mapped_column(words(64), primary_key=True)
    stage: Mapped[str] = mapped_column(words(20), primary_key=True)
    characteristic: Mapped[str] = mapped_column(words(64), primary_key=True)
    protocol: Mapped[str] = mapped_column(words(64), primary_key=True)
    model: Mapped[str] = mapped_column(words(64))
    batch: Mapped[str] = mapped_column(words(64))
    value: Mapped[float]
    u: Mapped[float | None]
    suspect: Mapped[bool]
    at: Mapped[dt.datetime]
    verdict: Mapped[str] = mapped_column(words(20))
    beyond: Mapped[str] = mapped_column(words(10))
    # what its readings have in common, and how many there are
    gauge: Mapped[str] = mapped_column(words(64))
    station: Mapped[str] = mapped_column(words(64))
    inspector: Mapped[str] = mapped_column(words(64))
    readings: Mapped[int] = mapped_column(Integer)

    __table_args__ = (
        Index("ix_quantity_stream", "characteristic", "model", "stage", "batch"),
        {"sqlite_with_rowid": False},
    )


class Turn(Base):
    """A turn on the stand that counts, with all its readings, packed (see `physics.turns`)."""

    __tablename__ = "turn"
    record_id: Mapped[str] = mapped_column(RecordId, primary_key=True)
    serial: Mapped[str] = mapped_column(words(64), index=True)
    model: Mapped[str] = mapped_column(words(64))
    batch: Mapped[str] = mapped_column(words(64))
    stage: Mapped[str] = mapped_column(words(20))
    direction: Mapped[str] = mapped_column(words(10))
    side: Mapped[str | None] = mapped_column(words(10))
    readings: Mapped[int] = mapped_column(Integer)
    packed: Mapped[bytes]

    __table_args__ = (Index("ix_turn_batch", "batch", "stage", "direction"),)


class Summary(Base):
    """Per batch, stage and characteristic, as measured with one gauge by one inspector.

    `total` is in millionths, `squares` in millionths squared, `seconds` the sum of the moments
    since 1970: whole numbers as text, so that no order of arrival changes a mean. `over` and
    `under` count what lies beyond a limit, `least` and `most` are the extremes.
    """

    __tablename__ = "summary"
    batch: Mapped[str] = mapped_column(words(64), primary_key=True)
    stage: Mapped[str] = mapped_column(words(20), primary_key=True)
    characteristic: Mapped[str] = mapped_column(words(64), primary_key=True)
    protocol: Mapped[str] = mapped_column(words(64), primary_key=True)
    gauge: Mapped[str] = mapped_column(words(64), primary_key=True)
    station: Mapped[str] = mapped_column(words(64), primary_key=True)
    inspector: Mapped[str] = mapped_column(words(64), primary_key=True)
    model: Mapped[str] = mapped_column(words(64))
    n: Mapped[int] = mapped_column(BigInteger)
    total: Mapped[str]
    squares: Mapped[str]
    seconds: Mapped[str]
    over: Mapped[int] = mapped_column(BigInteger)
    under: Mapped[int] = mapped_column(BigInteger)
    least: Mapped[float]
    most: Mapped[float]

    __table_args__ = (
        Index("ix_summary_stream", "model", "stage", "characteristic", "protocol"),
        {"sqlite_with_rowid": False},
    )


class Stream(Base):
    """A characteristic of a model at a stage; `stale` until its drift has been judged again."""

    __tablename__ = "stream"
    model: Mapped[str] = mapped_column(words(64), primary_key=True)
    stage: Mapped[str] = mapped_column(words(20), primary_key=True)
    characteristic: Mapped[str] = mapped_column(words(64), primary_key=True)
    protocol: Mapped[str] = mapped_column(words(64), primary_key=True)
    stale: Mapped[bool]

    __table_args__ = (index_where(text("stale"), "ix_stream_stale", "stale"),)


class Test(Base):
    """One impact test as judged; `marks` is JSON."""

    __tablename__ = "test"
    serial: Mapped[str] = mapped_column(words(64), primary_key=True)
    test: Mapped[str] = mapped_column(words(64), primary_key=True)
    protocol: Mapped[str] = mapped_column(words(64), index=True)
    model: Mapped[str] = mapped_column(words(64))
    batch: Mapped[str] = mapped_column(words(64))
    stage: Mapped[str] = mapped_column(words(20))
    method: Mapped[str] = mapped_column(words(10))
    required: Mapped[float]
    survived: Mapped[float]
    failed: Mapped[float | None]
    damaged: Mapped[bool]
    first_damage: Mapped[int | None]
    marks: Mapped[str]
    suspect: Mapped[bool]
    at: Mapped[dt.datetime]
    drawn: Mapped[str | None] = mapped_column(words(10))


class FlagRow(Base):
    """A flag, open or closed.

    `owner` is what was judged: serial:S, batch:B, gauge:G, pair:P, or stream: with a digest.
    """

    __tablename__ = "flag"
    id: Mapped[int] = mapped_column(POSITION, primary_key=True)
    owner: Mapped[str] = mapped_column(words(80), index=True)
    flag: Mapped[str] = mapped_column(words(30))
    severity: Mapped[str] = mapped_column(words(10))
    serial: Mapped[str | None] = mapped_column(words(64))
    batch: Mapped[str | None] = mapped_column(words(64))
    gauge: Mapped[str | None] = mapped_column(words(64))
    model: Mapped[str | None] = mapped_column(words(64))
    stage: Mapped[str | None] = mapped_column(words(20))
    characteristic: Mapped[str | None] = mapped_column(words(64))
    test: Mapped[str | None] = mapped_column(words(64))
    value: Mapped[float | None]
    limit: Mapped[float | None]
    unit: Mapped[str]
    probability: Mapped[float | None]
    raised_at: Mapped[dt.datetime]
    closed_at: Mapped[dt.datetime | None]
    closed_by: Mapped[str | None]
    message: Mapped[str]
    records: Mapped[str | None]

    __table_args__ = (
        index_where(text("closed_at IS NULL"), "ix_flag_open", "severity", "raised_at"),
    )


class SuspectRow(Base):
    """A reading in doubt since a failed gauge check; settled when measured again or accepted."""

    __tablename__ = "suspect"
    record_id: Mapped[str] = mapped_column(RecordId, primary_key=True)
    known_from: Mapped[dt.datetime] = mapped_column(primary_key=True)
    owner: Mapped[str] = mapped_column(words(80), index=True)
    gauge: Mapped[str] = mapped_column(words(64), index=True)
    taken_at: Mapped[dt.datetime]
    settled_at: Mapped[dt.datetime | None]


class Seen(Base):
    """A stretch of a log of which every record is held; it need not be read again.

    A memory of what was done (`seen`), no truth and nothing that follows from it.
    """

    __tablename__ = "seen"
    digest: Mapped[str] = mapped_column(Digest, primary_key=True)
    records: Mapped[int] = mapped_column(Integer)

    __table_args__ = ({"sqlite_with_rowid": False},)


TRUTH = (Journal, Seal)
FOLLOWS = (Mends, Override, Part, BatchStanding, Quantity, Turn, Summary, Stream, Test, FlagRow,
           SuspectRow)  # fmt: skip
