"""The release sheet of a batch: what each part has and misses, what is open, who decided."""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from reportlab.platypus import Flowable
from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Plan
from qc.figures.words import parts, stage_name
from qc.judgement.readings import Held
from qc.judgement.standing import items_of, stages_reached, wanting
from qc.ledger.bulk import pieces
from qc.ledger.corrections import histories
from qc.records.kinds import Disposition
from qc.reports import page
from qc.reports.as_of import finals
from qc.reports.page import Printing, clock
from qc.views import decide
from qc.views import flags as flag_view

Row = dict[str, Any]

_EVERY = 10**9
_MOST_FLAGS = 200
STATUSES = {
    "may-leave": "✓ complete",
    "incomplete": "✕ not complete",
    "held": "✕ held",
    "in-rework": "✕ in rework",
    "scrapped": "✕ scrapped",
    "struck": "✕ struck, never ships",
    "shipped": "shipped",
    "returned-by-customer": "returned by a customer",
    "returned-to-supplier": "✕ returned to the supplier",
    "not-received": "✕ not received",
}


def release(connection: Connection, catalog: Catalog, printed: Printing, code: str) -> bytes:
    """The PDF; RimqcError for a batch that is not in the catalog."""
    found = decide.batch(connection, catalog, code, printed.at, most=_EVERY)
    flags = flag_view.flags(connection, batch=code)
    models = {row["serial"]: row["model"] for row in found["rows"]}
    own = {}
    for piece in pieces(list(models)):
        for serial, held in histories(connection, "serial", piece).items():
            own[serial] = _own(catalog, models[serial], held)
    title = f"Release sheet of batch {code}"

    def story() -> list[Flowable]:
        return [
            *_head(catalog, printed, title, found),
            *_parts(printed, found["rows"], flags, own),
            *_decisions(printed, found["dispositions"]),
            *_flags(printed, flags),
        ]

    return page.build(title, printed, story)


def _own(catalog: Catalog, model: str | None, held: Sequence[Held]) -> Row:
    """What the plans want of a part by now, and the newest decision on it by name."""
    records = sorted(finals(held), key=lambda r: (r.taken_at, r.record_id))
    newest = {item[0]: r.taken_at for r in records if (item := items_of(r)) and item[0]}
    wanted = wanting(model, {}, stages_reached(newest), catalog) if model else ()
    decisions = [r for r in records if isinstance(r, Disposition)]
    return {"wanted": wanted, "decision": decisions[-1] if decisions else None}


def _head(catalog: Catalog, printed: Printing, title: str, found: Row) -> Iterator[Flowable]:
    entry = catalog.batch(found["batch"])
    assert entry is not None
    counts = ", ".join(
        f"{n} {STATUSES[place].strip('✓✕ ')}" for place, n in found["places"].items()
    )
    plans = [
        f"{stage_name(plan.stage)}: {', '.join(plan.requires)}"
        for plan in catalog.entries(Plan)
        if plan.model == entry.model
    ]
    factors = ", ".join(
        f"{name.replace('_', ' ')} {level}" for name, level in entry.factors.items()
    )
    waits = [*found["keeps"], *found["settles"], *found["run_out"]]
    yield page.text(title, page.TITLE)
    if waits:
        yield page.text("BATCH NOT RELEASED", page.LOUD)
    rows = [
        ("Model", entry.model),
        ("Made on", f"{entry.made_on}, {entry.quantity} planned"),
        ("Parts", f"{parts(found['count'])}: {counts}" if found["count"] else "none received"),
        ("The plan wants", "; ".join(plans) or "no plan in the catalog: nothing is asked for"),
        ("The batch as such", "; ".join(waits) or "✓ nothing keeps it"),
    ]
    if factors:
        rows.append(("Shares", factors))
    yield page.table((), rows, (1, 5), printed.width)


def _parts(
    printed: Printing, rows: Sequence[Row], flags: Sequence[Row], own: dict[str, Row]
) -> Iterator[Flowable]:
    count = Counter(flag["serial"] for flag in flags if flag.get("serial"))
    yield from page.heading(f"Its parts: {len(rows)}")
    heads = ("Serial", "Where it stands", "Has", "Misses", "What else keeps it", "Open flags",
             "Last decision by name")  # fmt: skip
    cells = [_part(printed, row, own[row["serial"]], count[row["serial"]]) for row in rows]
    yield page.table(heads, cells, (20, 15, 9, 16, 20, 8, 22), printed.width)


def _part(printed: Printing, row: Row, own: Row, flags: int) -> tuple[object, ...]:
    marked = "missing: "
    misses = [said.removeprefix(marked) for said in row["reasons"] if said.startswith(marked)]
    others = [said for said in row["reasons"] if not said.startswith(marked)]
    wanted, decision = len(own["wanted"]), own["decision"]
    place = STATUSES[row["status"]]
    if row["status"] == "shipped":
        place += f", order {row['order']}"
    said = "–"
    if decision:
        when = clock(decision.taken_at, printed.zone)
        said = f"{decision.decision.replace('-', ' ')}, {decision.inspector}, {when}"
    has = f"{wanted - len(misses)} of {wanted}" if wanted else "–"
    return (row["serial"], place, has, ", ".join(misses) or "–", "; ".join(others) or "–",
            flags or "–", said)  # fmt: skip


def _decisions(printed: Printing, decisions: Sequence[Row]) -> Iterator[Flowable]:
    yield from page.heading("Decisions on the batch as such")
    if not decisions:
        yield page.text("None.")
        return
    rows = [
        (clock(d["taken_at"], printed.zone), d["decision"].replace("-", " "), d["reason"],
         d["inspector"])
        for d in decisions
    ]  # fmt: skip
    yield page.table(("When", "Decision", "Reason", "Who"), rows, (2, 2, 6, 2), printed.width)


def _flags(printed: Printing, flags: Sequence[Row]) -> Iterator[Flowable]:
    yield from page.heading(f"Open flags of the batch and its parts: {len(flags) or 'none'}")
    if not flags:
        return
    rows = [
        (f["severity"], f.get("serial") or "the batch", f["flag"], f["message"])
        for f in flags[:_MOST_FLAGS]
    ]
    yield page.table(("Severity", "Of", "Flag", "Why"), rows, (3, 5, 5, 14), printed.width)
    if len(flags) > _MOST_FLAGS:
        yield page.text(f"and {len(flags) - _MOST_FLAGS} more: `rimqc flags` lists them all.")
