"""Impact margins: every test as an interval from survived to failed."""

from typing import Any

import msgspec
from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.ledger.tables import Test
from qc.views.plain import moment, number

_COLUMNS = (
    *(Test.test, Test.serial, Test.batch, Test.survived, Test.failed, Test.first_damage),
    *(Test.marks, Test.damaged, Test.drawn, Test.at, Test.protocol, Test.model, Test.stage),
    *(Test.method, Test.required),
)


def margins(
    connection: Connection,
    catalog: Catalog,
    *,
    protocol: str | None = None,
    model: str | None = None,
) -> list[dict[str, Any]]:
    """Per protocol and model the tests in order of time; tests on gauges in doubt stay out.

    `survived` and `failed` are multiples of the standard impact; a test marked `struck-before`
    is shown and does not count.
    """
    query = select(*_COLUMNS).where(Test.suspect.is_(False))
    query = query.order_by(Test.protocol, Test.model, Test.at, Test.serial, Test.test)
    if protocol is not None:
        query = query.where(Test.protocol == protocol)
    if model is not None:
        query = query.where(Test.model == model)
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for row in connection.execute(query).mappings():
        key = (row["protocol"], row["model"])
        if key not in found:
            entry = catalog.protocol(row["protocol"])
            found[key] = {
                "protocol": row["protocol"],
                "model": row["model"],
                "stage": row["stage"],
                "method": row["method"],
                "required_multiple": number(entry.required_multiple if entry else row["required"]),
                "standard_energy_j": number(entry.standard_energy_j) if entry else None,
                "tests": [],
            }
        found[key]["tests"].append(_test(row))
    return list(found.values())


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
