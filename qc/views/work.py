"""What each person looks for first: work that waits, what changed, what it has cost."""

import datetime as dt
from collections import Counter
from typing import Any

from sqlalchemy import Connection, func, or_, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Batch
from qc.judgement.standing import Standing, reasons_against
from qc.ledger.bulk import pieces
from qc.ledger.marks import WAITS
from qc.ledger.projections import standing_from
from qc.ledger.tables import FlagRow, Part, Test
from qc.views import batch_standing
from qc.views.decide import reasons_of_batch

Row = dict[str, Any]

BATCHES_AT_WORK = 12  # the newest ones; older ones are found under decisions
MOST_FAILED = 100  # batches with early failures
MOST_HELD = 5000  # parts looked at to say why parts are held


def still_missing(connection: Connection, catalog: Catalog) -> list[Row]:
    """The newest batches with parts whose plan still lacks something: how many, and what.

    Parts that can never leave, or have left, want nothing. Newest batch first; one with nothing
    missing is left out.
    """
    newest = sorted(catalog.entries(Batch), key=lambda b: (b.made_on, b.code))[-BATCHES_AT_WORK:]
    query = select(Part.batch, Part.standing).where(Part.batch.in_([b.code for b in newest]))
    parts: Counter[str] = Counter()
    lacks: dict[str, Counter[str]] = {}
    for code, text in connection.execute(query):
        batch, standing = str(code), standing_from(text)
        if standing.struck or standing.scrapped or standing.sent_back or standing.shipped:
            continue
        parts[batch] += bool(standing.missing)
        lacks.setdefault(batch, Counter()).update(standing.missing)
    return [
        {"batch": b.code, "model": b.model, "parts": parts[b.code], "missing": dict(lacks[b.code])}
        for b in reversed(newest)
        if parts[b.code]
    ]


def changed(connection: Connection, catalog: Catalog, day: str) -> list[Row]:
    """Flags raised and flags closed since a day of the site began, by kind; the most first."""
    since = dt.datetime.combine(dt.date.fromisoformat(day), dt.time(), catalog.zone or dt.UTC)
    raised, closed = (
        {
            row[0]: row[1]
            for row in connection.execute(
                select(FlagRow.flag, func.count()).where(column >= since).group_by(FlagRow.flag)
            )
        }
        for column in (FlagRow.raised_at, FlagRow.closed_at)
    )
    rows = [
        {"flag": flag, "raised": raised.get(flag, 0), "closed": closed.get(flag, 0)}
        for flag in {*raised, *closed}
    ]
    return sorted(rows, key=lambda row: (-row["raised"], -row["closed"], row["flag"]))


def held_and_why(connection: Connection) -> Row:
    """How many parts are held by name, in rework or repaired, and the reasons by their number.

    `batches` are those kept as a whole. Reasons come from the first `MOST_HELD` parts.
    """
    count = connection.execute(select(func.count()).select_from(Part).where(WAITS)).scalar() or 0
    query = select(Part.model, Part.standing).where(WAITS).order_by(Part.serial).limit(MOST_HELD)
    reasons: Counter[str] = Counter()
    for model, text in connection.execute(query):
        own = standing_from(text)
        reasons.update(reasons_against(own, Standing(), model is not None)[:1])
    return {
        "parts": count,
        "reasons": [{"reason": r, "parts": n} for r, n in reasons.most_common()],
    }


def early_failures(connection: Connection) -> list[Row]:
    """What failures before the required multiple cost, in parts, per batch: those struck, those
    scrapped or sent back, and those kept because their batch is. Worst batch first, of the
    MOST_FAILED that failed last."""
    early = or_(Test.failed <= 1, Test.survived < Test.required)
    query = select(Test.batch, Test.model, func.count()).where(Test.failed.is_not(None), early)
    last = query.group_by(Test.batch, Test.model).order_by(func.max(Test.at).desc(), Test.batch)
    rows_of = connection.execute(last.limit(MOST_FAILED))
    failed = {batch: (model, tests) for batch, model, tests in rows_of}
    standings = batch_standing.standings(connection, failed)
    parts: dict[str, list[tuple[Standing, int]]] = {batch: [] for batch in failed}
    for piece in pieces(failed):  # most parts of a batch stand alike
        of_these = select(Part.batch, Part.standing, func.count()).where(Part.batch.in_(piece))
        alike = of_these.group_by(Part.batch, Part.standing)
        for code, text, many in connection.execute(alike):
            parts[str(code)].append((standing_from(text), many))
    rows = []
    for batch, (model, tests) in failed.items():
        held = parts[batch]
        whole = bool(reasons_of_batch(standings[batch]))
        given_up = sum(n for s, n in held if s.scrapped or s.sent_back)
        struck = sum(n for s, n in held if s.struck)
        kept = sum(
            n
            for s, n in held
            if (whole or s.held) and not (s.struck or s.scrapped or s.sent_back or s.shipped)
        )
        rows.append({
            "batch": batch, "model": model, "failed": tests, "parts": sum(n for _, n in held),
            "struck": struck, "given_up": given_up, "kept": kept,
            "shipped": sum(n for s, n in held if s.shipped),
        })  # fmt: skip
    return sorted(rows, key=lambda row: (-(row["kept"] + row["given_up"]), row["batch"]))
