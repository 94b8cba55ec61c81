"""Where an impact test stands, for the screen at the rig: what to strike next, what still lacks."""

import math
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Protocol
from qc.errors import RimqcError
from qc.judgement.impact import ONE, Placed, Result, evaluate, place
from qc.ledger.corrections import histories
from qc.records.kinds import CustomerReturn, Disposition, Drop, Record

Row = dict[str, Any]


def going_test(
    connection: Connection, catalog: Catalog, serial: str, protocol: str, test: str | None = None
) -> Row:
    """The test of a part that is going on under a protocol, or the one to begin.

    `test` asks for one by name, also after it ended. `next_deg` is the position to strike, `hits`
    counts the standard impacts and more on each position; `counts` is false where the part was
    struck, repaired or returned before the test.
    """
    entry = catalog.protocol(protocol)
    if entry is None:
        raise RimqcError(f"no protocol {protocol} in the catalog; choose another")
    held = histories(connection, "serial", [serial])[serial]
    records = [final for item in held if (final := item.final()) is not None]
    drops = [record for record in records if isinstance(record, Drop) and record.serial == serial]
    going = test if any(drop.test == test for drop in drops) else _going(drops, entry)
    own = [drop for drop in drops if drop.test == going]
    result = evaluate(own, entry) if own else None
    placed = _until_damage(place(sorted(own, key=_order), entry))
    return {
        "serial": serial,
        "protocol": protocol,
        "struck": bool(drops),
        "test": going or _new_name(serial, drops),
        "began": bool(own),
        "counts": _counts(records, drops, own),
        "drop_no": max((drop.drop_no for drop in own), default=0) + 1,
        "next_deg": float(_next(placed, entry)),
        "hits": [_hits(placed, position) for position in entry.positions_deg],
        "loads": [_loads(placed, position) for position in entry.positions_deg],
        "still_needed": _still_needed(placed, entry),
        "drops": [_shown(item) for item in placed],
        **_result(result),
    }


def _order(drop: Drop) -> tuple[Any, ...]:
    return drop.drop_no, drop.taken_at, drop.record_id


def _going(drops: Sequence[Drop], protocol: Protocol) -> str | None:
    """The newest test under the protocol, unless it has ended in damage."""
    of_protocol = [drop for drop in drops if drop.protocol == protocol.code]
    if not of_protocol:
        return None
    newest = max(of_protocol, key=lambda drop: (drop.taken_at, drop.drop_no)).test
    return None if evaluate([d for d in drops if d.test == newest], protocol).damaged else newest


def _new_name(serial: str, drops: Sequence[Drop]) -> str:
    taken = {drop.test for drop in drops}
    numbered = (f"{serial[:58]}-T{number}" for number in range(1, len(taken) + 2))
    return next(name for name in numbered if name not in taken)


def _counts(records: Sequence[Record], drops: Sequence[Drop], own: Sequence[Drop]) -> bool:
    """Whether this is the first test of a part that was never struck, repaired or returned."""
    began = min((drop.taken_at for drop in own), default=None)
    first = not drops if began is None else began == min(drop.taken_at for drop in drops)
    spoilt = [
        record.taken_at
        for record in records
        if isinstance(record, CustomerReturn)
        or (isinstance(record, Disposition) and record.decision == "repair")
    ]
    return first and (not spoilt if began is None else all(at > began for at in spoilt))


def _until_damage(placed: Sequence[Placed]) -> list[Placed]:
    """The drops up to the first that did damage; later ones are kept and not used."""
    kept = []
    for item in placed:
        kept.append(item)
        if item.damaged and item.position is not None:
            break
    return kept


def _hits(placed: Sequence[Placed], position: Decimal) -> int:
    return sum(item.position == position and item.load >= ONE for item in placed)


def _loads(placed: Sequence[Placed], position: Decimal) -> list[float]:
    return sorted({float(item.load) for item in placed if item.position == position})


def _next(placed: Sequence[Placed], protocol: Protocol) -> Decimal:
    """The position to strike next: the least struck, or what the rung of a ladder still lacks."""
    positions = protocol.positions_deg
    if protocol.method == "repeat":
        return min(positions, key=lambda position: _hits(placed, position))
    last = next((item for item in reversed(placed) if item.position is not None), None)
    if last is None:
        return positions[0]
    taken = {item.position for item in placed if item.load == last.load}
    return next((position for position in positions if position not in taken), positions[0])


def _still_needed(placed: Sequence[Placed], protocol: Protocol) -> int | None:
    """How many standard impacts are still to come; None for a ladder, whose rungs the rig sets."""
    if protocol.method != "repeat":
        return None
    wanted = math.ceil(protocol.required_multiple)
    return sum(max(0, wanted - _hits(placed, position)) for position in protocol.positions_deg)


def _shown(item: Placed) -> Row:
    return {
        "drop_no": item.drop.drop_no,
        "position_deg": float(item.drop.position_deg),
        "on_deg": None if item.position is None else float(item.position),
        "load": float(item.load),
        "damage": item.drop.damage,
        "damaged": item.damaged,
    }


def _result(result: Result | None) -> Row:
    if result is None:
        return {"survived": 0.0, "failed": None, "damaged": False, "marks": []}
    return {
        "survived": float(result.survived),
        "failed": None if result.failed is None else float(result.failed),
        "damaged": result.damaged,
        "marks": list(result.marks),
    }
