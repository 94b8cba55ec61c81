"""Where the striker fell: every drop of some impact tests at its place on the rim."""

from collections import Counter
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Protocol
from qc.judgement.impact import evaluate, place
from qc.ledger.tables import Test
from qc.physics.drop import energy_j
from qc.records.kinds import Drop
from qc.views.of_kind import of_kind
from qc.views.plain import number

Row = dict[str, Any]

MOST_TESTS = 500  # the newest ones


def part_tests(connection: Connection, catalog: Catalog, serial: str) -> list[Row]:
    """The impact tests of one part, in order of time, each as `drops_of` gives them."""
    query = select(Test.serial, Test.test).where(Test.serial == serial).order_by(Test.at, Test.test)
    tests = [(row[0], row[1]) for row in connection.execute(query)]
    return [drops_of(connection, catalog, [test]) for test in tests]


def drops_of(connection: Connection, catalog: Catalog, tests: Sequence[tuple[str, str]]) -> Row:
    """The drops of these tests (serial, test), in order of time, the newest 500 tests of one
    protocol; by the version of the protocol that held on the day of each.

    `at_deg` is the position that a drop counts for, None beside all of them; `multiple` what it
    was there: the number of the hit (`repeat`) or the rung (`step`). `used` is false after the
    first damage. `places` counts tests by where their first damage was.
    """
    shown = list(tests)[-MOST_TESTS:]
    drops: dict[tuple[str, str], list[Drop]] = {test: [] for test in shown}
    for drop in of_kind(connection, Drop, sorted({serial for serial, _ in shown})):
        if (drop.serial, drop.test) in drops:
            drops[drop.serial, drop.test].append(drop)
    rows: list[Row] = []
    protocol: Protocol | None = None
    for own in drops.values():
        if own:
            day = catalog.local_day(min(drop.taken_at for drop in own))
            protocol = catalog.protocol(own[0].protocol, day) or protocol
            rows += _rows(own, protocol)
    positions = [float(p) for p in protocol.positions_deg] if protocol else []
    return {
        "protocol": protocol.code if protocol else None,
        "method": protocol.method if protocol else None,
        "standard_energy_j": number(protocol.standard_energy_j) if protocol else None,
        "positions_deg": positions,
        "tests": len(shown),
        "of_tests": len(tests),
        "drops": rows,
        "places": _places(rows, positions),
    }


def _rows(drops: Sequence[Drop], protocol: Protocol | None) -> list[Row]:
    if protocol is None:
        return []
    ordered = sorted(drops, key=lambda d: (d.drop_no, d.taken_at, d.record_id))
    first = evaluate(ordered, protocol).first_damage
    hits: Counter[Decimal | None] = Counter()
    rows: list[Row] = []
    ended = False
    for item in place([d for d in ordered if d.protocol == protocol.code], protocol):
        drop, load = item.drop, item.load
        hits[item.position] += load >= 1
        multiple = hits[item.position] if protocol.method == "repeat" else load
        is_first = not ended and drop.drop_no == first and bool(item.damaged)
        rows.append(
            {
                "serial": drop.serial,
                "test": drop.test,
                "drop_no": drop.drop_no,
                "position_deg": float(drop.position_deg),
                "at_deg": None if item.position is None else float(item.position),
                "energy_j": float(energy_j(drop.striker_kg, drop.height_mm)),
                "load": float(load),
                "multiple": float(multiple),
                "damage": drop.damage,
                "damaged": item.damaged,
                "lateral_change_mm": number(drop.lateral_change_mm),
                "radial_change_mm": number(drop.radial_change_mm),
                "first_damage": is_first,
                "used": not ended,
            }
        )
        ended = ended or is_first
    return rows


def _places(rows: Sequence[Row], positions: Sequence[float]) -> list[Row]:
    """At each required position: the tests that were struck there, those whose first damage was
    there, and of what kind it was."""
    places = []
    for at in positions:
        own = [row for row in rows if row["at_deg"] == at]
        damage = Counter(row["damage"] for row in own if row["first_damage"])
        places.append(
            {
                "at_deg": at,
                "drops": len(own),
                "tests": len({(row["serial"], row["test"]) for row in own}),
                "first_damage": damage.total(),
                "damage": dict(damage),
            }
        )
    return places
