"""The list of gauges: what falls due, how the last checks came out, what is in doubt."""

from typing import Any

from reportlab.platypus import Flowable
from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.figures.words import amount, signed
from qc.reports import page
from qc.reports.page import Printing, clock
from qc.views import gauges as gauge_view

_CHECKS = 3  # of each gauge, the newest
_DUE = {
    "overdue": "✕ overdue since",
    "this-month": "due this month,",
    "later": "due",
    "undated": "no date set",
}


def listing(connection: Connection, catalog: Catalog, printed: Printing) -> bytes:
    """The PDF, what wants something first."""
    today = catalog.local_day(printed.at)
    rows = gauge_view.gauges(connection, catalog, today)
    checks = {
        row["gauge"]: gauge_view.gauge(connection, catalog, row["gauge"], _CHECKS)["checks"]
        for row in rows
    }
    title = f"Gauges on {today}"

    def story() -> list[Flowable]:
        heads = ("Gauge", "Measures", "Due", "Readings in doubt", f"Last checks, at most {_CHECKS}")
        cells = [_row(printed, row, checks[row["gauge"]]) for row in rows]
        overdue = sum(row["when"] == "overdue" for row in rows)
        doubted = sum(bool(row["in_doubt"]) for row in rows)
        return [
            page.text(title, page.TITLE),
            page.text(
                f"{len(rows)} gauges: {overdue or 'none'} overdue, {doubted or 'none'} with "
                "readings in doubt. Due is what the last passed calibration says, else the catalog."
            ),
            page.table(heads, cells, (12, 12, 15, 12, 40), printed.width),
        ]

    return page.build(title, printed, story)


def _row(
    printed: Printing, row: dict[str, Any], checks: list[dict[str, Any]]
) -> tuple[object, ...]:
    doubt = f"✕ {row['in_doubt']}" if row["in_doubt"] else "none"
    said = "; ".join(_check(printed, check, row["unit"]) for check in reversed(checks))
    due = f"{_DUE[row['when']]} {row['due'] or ''}"
    return (row["gauge"], f"{row['measures']}, {row['unit']}", due, doubt, said or "never checked")


def _check(printed: Printing, check: dict[str, Any], unit: str) -> str:
    mark = "✓" if check["passes"] else "✕"
    return (
        f"{mark} {clock(check['at'], printed.zone)[:10]} {check['check']}, "
        f"{check['found'].replace('-', ' ')}, by {check['inspector']}: off by "
        f"{signed(check['error'], unit)}, {amount(check['limit'], unit)} allowed"
    )
