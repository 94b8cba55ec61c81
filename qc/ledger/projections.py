"""The rows that follow from judging: flags, quantities, tests, suspects, parts, summaries."""

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any

import msgspec
from sqlalchemy import Connection, delete

from qc.judgement.flags import Flag
from qc.judgement.part import Judged
from qc.judgement.readings import Quantity as Found
from qc.judgement.standing import Standing
from qc.ledger.base import Base
from qc.ledger.bulk import insert_rows, pieces, select_in
from qc.ledger.summaries import change_summaries, mark_batches_stale
from qc.ledger.tables import (
    BatchStanding,
    FlagRow,
    Part,
    Quantity,
    SuspectRow,
    Test,
    Turn,
)
from qc.records.kinds import Runout

PART_COLUMNS = ("serial", "model", "batch", "standing", "calm_since", "pair", "pair_stage",
                "since")  # fmt: skip
FLAG_COLUMNS = ("owner", "flag", "severity", "serial", "batch", "gauge", "model", "stage",
                "characteristic", "test", "value", "limit", "unit", "probability", "raised_at",
                "closed_at", "closed_by", "message", "records")  # fmt: skip
QUANTITY_COLUMNS = ("serial", "stage", "characteristic", "protocol", "model", "batch", "value",
                    "u", "suspect", "at", "verdict", "beyond", "gauge", "station", "inspector",
                    "readings")  # fmt: skip
TURN_COLUMNS = ("record_id", "serial", "model", "batch", "stage", "direction", "side", "readings",
                "packed")  # fmt: skip
TEST_COLUMNS = ("serial", "test", "protocol", "model", "batch", "stage", "method", "required",
                "survived", "failed", "damaged", "first_damage", "marks", "suspect", "at",
                "drawn")  # fmt: skip


@lru_cache(maxsize=1000)
def standing_text(standing: Standing) -> str:
    """A standing as the tables keep it."""
    return msgspec.json.encode(standing).decode()


def standing_from(text: str | None) -> Standing:
    """The standing that `standing_text` wrote; a fresh one where there is none."""
    return msgspec.json.decode(text, type=Standing) if text else Standing()


def flag_row(
    flag: Flag,
    owner: str,
    *,
    serial: str | None = None,
    batch: str | None = None,
    gauge: str | None = None,
    model: str | None = None,
    records: Sequence[str] = (),
) -> tuple[Any, ...]:
    """A flag as a row of its table."""
    v = flag.verdict
    return (
        *(owner, v.flag, v.severity, serial, batch, gauge, model, v.stage, v.characteristic),
        v.test,
        None if v.value is None else float(v.value),
        None if v.limit is None else float(v.limit),
        *(v.unit, v.probability, flag.raised_at, flag.closed_at, flag.closed_by, v.message),
        msgspec.json.encode(list(records)).decode() if records else None,
    )


def delete_owned(
    connection: Connection, table: type[Base], column: Any, names: Sequence[str]
) -> None:
    """Delete the rows whose column holds one of the names."""
    for piece in pieces(names):
        connection.execute(delete(table).where(column.in_(piece)))


def write_parts(
    connection: Connection,
    judged: Mapping[str, Judged],
    pairs: Mapping[str, tuple[str, str]],
    since: Mapping[str, int],
    gone: Iterable[str] = (),
) -> None:
    """Everything that follows for these parts, in place of what stood there before.

    `since` says where the records of each begin; `gone` are serials that corrections have left
    without any record.
    """
    serials = [*judged, *gone]
    known = [row[0] for row in select_in(connection, Part, ("serial",), "serial", serials)]
    before = _old_quantities(connection, known)
    owners = [f"serial:{serial}" for serial in known]
    for table, column, names in (
        (Part, Part.serial, known),
        (Test, Test.serial, known),
        (Turn, Turn.serial, known),
        (FlagRow, FlagRow.owner, owners),
        (SuspectRow, SuspectRow.owner, owners),
    ):
        delete_owned(connection, table, column, names)
    for piece in pieces(known):
        connection.execute(
            delete(Quantity).where(Quantity.serial.in_(piece), Quantity.stage != "pair")
        )
    after = [row for serial, part in judged.items() for row in quantity_rows(serial, part)]
    insert_rows(
        connection,
        Part,
        PART_COLUMNS,
        [
            (
                *(s, j.model, j.batch, standing_text(j.standing)),
                *(j.calm_since, *pairs.get(s, (None, None)), since[s]),
            )
            for s, j in judged.items()
        ],
    )
    insert_rows(connection, Quantity, QUANTITY_COLUMNS, after)
    insert_rows(connection, Turn, TURN_COLUMNS, [
        row for serial, part in judged.items() if part.model is not None and part.batch is not None
        for turn in part.turns if (row := turn_row(serial, part.model, part.batch, turn))
    ])  # fmt: skip
    insert_rows(
        connection, Test, TEST_COLUMNS,
        [row for serial, part in judged.items() for row in _test_rows(serial, part)],
    )  # fmt: skip
    insert_rows(
        connection, FlagRow, FLAG_COLUMNS,
        [
            flag_row(flag, f"serial:{s}", serial=s, batch=j.batch, model=j.model)
            for s, j in judged.items() for flag in j.flags
        ],
    )  # fmt: skip
    write_suspects(connection, {f"serial:{s}": j for s, j in judged.items()})
    change_summaries(connection, before, after)


def write_batches(
    connection: Connection, judged: Mapping[str, Judged], gone: Iterable[str] = ()
) -> None:
    """Everything that follows from what was recorded of batches as such."""
    batches = [*judged, *gone]
    owners = [f"batch:{batch}" for batch in batches]
    delete_owned(connection, BatchStanding, BatchStanding.batch, batches)
    delete_owned(connection, FlagRow, FlagRow.owner, owners)
    delete_owned(connection, SuspectRow, SuspectRow.owner, owners)
    insert_rows(
        connection, BatchStanding, ("batch", "standing"),
        [(batch, standing_text(j.standing)) for batch, j in judged.items()],
    )  # fmt: skip
    insert_rows(
        connection, FlagRow, FLAG_COLUMNS,
        [
            flag_row(flag, f"batch:{batch}", batch=batch, model=j.model)
            for batch, j in judged.items() for flag in j.flags
        ],
    )  # fmt: skip
    write_suspects(connection, {f"batch:{batch}": j for batch, j in judged.items()})
    # a value measured on the batch as such is one reading of that batch
    names = [f"batch:{batch}" for batch in batches]
    before = _old_quantities(connection, names)
    delete_owned(connection, Quantity, Quantity.serial, names)
    after = [row for batch, j in judged.items() for row in quantity_rows(f"batch:{batch}", j)]
    insert_rows(connection, Quantity, QUANTITY_COLUMNS, after)
    change_summaries(connection, before, after)
    # a decision on a batch settles its drift
    mark_batches_stale(connection, batches)


def write_suspects(connection: Connection, judged: Mapping[str, Judged]) -> None:
    """The readings in doubt of these owners."""
    columns = ("record_id", "known_from", "owner", "gauge", "taken_at", "settled_at")
    rows = [
        (s.record_id, s.known_from, owner, s.gauge, s.taken_at, s.settled_at)
        for owner, j in judged.items()
        for s in j.suspects
    ]
    insert_rows(connection, SuspectRow, columns, rows)


def quantity_rows(serial: str, judged: Judged) -> list[tuple[Any, ...]]:
    """The quantities of a part whose model and batch are known."""
    if judged.model is None or judged.batch is None:
        return []
    return [quantity_row(serial, judged.model, judged.batch, found) for found in judged.quantities]


def quantity_row(serial: str, model: str, batch: str, found: Found) -> tuple[Any, ...]:
    """One quantity as a row of its table."""
    return (
        *(serial, found.stage, found.characteristic, found.protocol, model, batch),
        *(float(found.value), found.u, found.suspect, found.at),
        *(found.verdict, found.beyond, found.gauge, found.station, found.inspector),
        found.readings,
    )


def turn_row(serial: str, model: str, batch: str, turn: Runout) -> tuple[Any, ...]:
    """A turn with all its readings as a row of its table."""
    from qc.physics.turns import pack

    what = (turn.stage, turn.direction, turn.side, len(turn.readings_mm))
    return (turn.record_id, serial, model, batch, *what, pack(turn.readings_mm))


def _test_rows(serial: str, judged: Judged) -> Iterable[tuple[Any, ...]]:
    if judged.model is None or judged.batch is None:
        return
    for t in judged.tests:
        yield (
            *(serial, t.test, t.protocol, judged.model, judged.batch, t.stage, t.method),
            *(float(t.required), float(t.survived)),
            None if t.failed is None else float(t.failed),
            *(t.damaged, t.first_damage, msgspec.json.encode(t.marks).decode()),
            *(t.suspect, t.at, t.drawn),
        )


def _old_quantities(connection: Connection, serials: Sequence[str]) -> list[tuple[Any, ...]]:
    rows = select_in(connection, Quantity, QUANTITY_COLUMNS, "serial", serials)
    return [row for row in rows if row[1] != "pair"]


def clear_gauge_flags(connection: Connection, gauges: Sequence[str]) -> None:
    """Take away the flags of these gauges, to be written anew."""
    delete_owned(connection, FlagRow, FlagRow.owner, [f"gauge:{gauge}" for gauge in gauges])


def moment(value: dt.datetime | None) -> dt.datetime | None:
    """A moment out of an untyped query, as UTC."""
    return value.replace(tzinfo=dt.UTC) if value is not None and value.tzinfo is None else value
