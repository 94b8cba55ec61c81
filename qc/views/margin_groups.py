"""Impact tests gathered as they may be pooled: one protocol, one model, one way of striking.

A protocol may change in the catalog. What holds for a test is the version in force on the site's
day of its first drop; versions that differ in anything that a multiple means stand apart.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import msgspec
from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Protocol
from qc.judgement.impact import STRUCK_BEFORE
from qc.ledger.tables import Test
from qc.statistics.margins.outcomes import Outcomes, outcomes
from qc.views.plain import moment, number

_COLUMNS = (
    *(Test.test, Test.serial, Test.batch, Test.survived, Test.failed, Test.first_damage),
    *(Test.marks, Test.damaged, Test.drawn, Test.at, Test.protocol, Test.model, Test.stage),
    *(Test.method, Test.required),
)
# what a multiple means; tolerances, the requirement and the source may change under the same tests
_MEANING = (
    *("stage", "method", "standard_energy_j", "positions_deg", "fails_at", "change_limit_mm"),
    *("striker", "tyre", "strike"),
)
AT_RANDOM = ("random", None)  # not stated counts as random, and is said


@dataclass(eq=False)
class Group:
    """Tests that may be pooled, in order of time, as rows of the answer."""

    protocol: str
    model: str
    entry: Protocol | None
    head: dict[str, Any]
    tests: list[dict[str, Any]] = field(default_factory=list)

    @property
    def required(self) -> float:
        return float(self.head["required_multiple"])

    @property
    def counted(self) -> list[dict[str, Any]]:
        return [test for test in self.tests if STRUCK_BEFORE not in test["marks"]]

    @property
    def at_random(self) -> list[dict[str, Any]]:
        return [test for test in self.counted if test["drawn"] in AT_RANDOM]

    def outcomes(self, *others: "Group") -> Outcomes:
        """Of the counted tests drawn at random, and of others', loads taken to their rungs."""
        found = outcomes_of([test for group in (self, *others) for test in group.at_random])
        if self.head["method"] != "step" or not found.tests:
            return found
        tolerance = float(self.entry.energy_tolerance) if self.entry else 0.0
        return found.on_rungs(tolerance, (1.0, self.required))


def outcomes_of(tests: list[dict[str, Any]]) -> Outcomes:
    """Rows of tests as the statistics take them."""
    return outcomes(
        survived=[test["survived"] for test in tests],
        failed=[test["failed"] for test in tests],
        damaged=[test["damaged"] for test in tests],
    )


def groups(connection: Connection, catalog: Catalog, model: str | None = None) -> list[Group]:
    """All groups of a model or of all, in order of protocol, model and first test.

    Tests on gauges in doubt stay out.
    """
    query = select(*_COLUMNS).where(Test.suspect.is_(False))
    query = query.order_by(Test.protocol, Test.model, Test.at, Test.serial, Test.test)
    if model is not None:
        query = query.where(Test.model == model)
    found: dict[tuple[Any, ...], Group] = {}
    for row in connection.execute(query).mappings():
        entry = catalog.protocol(row["protocol"], catalog.local_day(row["at"]))
        key = (row["protocol"], row["model"], meaning(entry) or (row["stage"], row["method"]))
        if key not in found:
            found[key] = Group(row["protocol"], row["model"], entry, {})
        found[key].entry = entry
        found[key].tests.append(_test(row))
        found[key].head |= {name: row[name] for name in ("stage", "method", "required")}
    for group in found.values():
        _complete(group, catalog)
    return list(found.values())


def meaning(entry: Protocol | None, without: Iterable[str] = ()) -> tuple[Any, ...]:
    """What a multiple means under a version of a protocol; empty without one."""
    if entry is None:
        return ()
    return tuple(getattr(entry, name) for name in _MEANING if name not in without)


def _complete(group: Group, catalog: Catalog) -> None:
    """What holds for the group: by today's version where that means the same, else its last."""
    newest = catalog.protocol(group.protocol)
    if newest and meaning(newest) == meaning(group.entry):
        group.entry = newest
    entry, last = group.entry, group.head
    group.head = {
        "stage": last["stage"],
        "method": last["method"],
        "required_multiple": number(entry.required_multiple if entry else last["required"]),
        "standard_energy_j": number(entry.standard_energy_j) if entry else None,
        "striker": entry.striker if entry else None,
        "tyre": entry.tyre if entry else None,
        "strike": entry.strike if entry else None,
        "first_test": group.tests[0]["started_at"],
        "last_test": group.tests[-1]["started_at"],
    }


def _test(row: Any) -> dict[str, Any]:
    return {
        "test": row["test"],
        "serial": row["serial"],
        "batch": row["batch"],
        "survived": number(row["survived"]),
        "failed": number(row["failed"]),
        "damaged": bool(row["damaged"]),
        "first_damage": row["first_damage"],
        "marks": msgspec.json.decode(row["marks"]),
        "drawn": row["drawn"],
        "started_at": moment(row["at"]),
    }
