"""The share of a batch's parts that met everything judged the first time.

A part passed first time when something of it has been measured or looked at, no major or critical
flag was ever raised on it, and it was never held, reworked, repaired, regraded, scrapped, sent back
or let through by a concession: by name, or, a hold excepted, with its batch; all that before it
first left for a customer. A hold of a whole batch is no verdict on a part: it is shown and not
counted. Scrapping a struck part is not counted either, for that is how a test ends; a flag that the
test raised is.
"""

import datetime as dt
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection, exists, literal, select

from qc.catalog.catalog import Catalog
from qc.ledger.bulk import pieces
from qc.ledger.projections import standing_from
from qc.ledger.tables import FlagRow, Part, Quantity
from qc.records.kinds import Disposition, Shipment
from qc.statistics.bounds.proportions import clopper_pearson_interval
from qc.views.batch_standing import decisions
from qc.views.newest import newest_batches
from qc.views.of_kind import of_kind

Row = dict[str, Any]


class Missed(NamedTuple):
    """A part, and what kept it from passing, and when."""

    batch: str
    serial: str
    why: str
    at: dt.datetime


# decisions after which a part did not pass the first time
NOT_AT_ONCE = frozenset(
    {"hold", "rework", "repair", "regrade", "scrap", "return-to-supplier", "concession"}
)


def first_pass(
    connection: Connection, catalog: Catalog, *, model: str | None = None, batch: str | None = None
) -> Row:
    """One row a batch, the newest ones in order of making, and all of them together.

    `share` with its exact 95 % limits, `why` the parts that did not pass by flag or decision (a
    part may have several), `whole` a decision on the batch that counts for each of its parts,
    `held` whether it was ever held. Costs a look into the indexes of parts,
    quantities and flags for each of at most 20,000 parts, a row of the journal for each record of
    those that have more than first readings, and a body for each decision.
    """
    newest = newest_batches(connection, catalog, model=model, batch=batch)
    codes = [entry.code for entry in newest.batches]
    judged = _judged(connection, codes)
    of_batches = decisions(connection, codes)
    missed = _missed(connection, codes)
    rows: list[Row] = []
    for entry in newest.batches:
        code = entry.code
        why = missed.get(code, {})
        not_at_once = set().union(*why.values())
        parts = len(judged.get(code, set()) | not_at_once)
        if not parts:
            continue
        own = {one.decision for one in of_batches[code]}
        whole = min(own & (NOT_AT_ONCE - {"hold"}), default=None)
        not_passed = parts if whole else len(not_at_once)
        rows.append(
            {
                "batch": code,
                "model": entry.model,
                "made_on": entry.made_on.isoformat(),
                **_share(parts, parts - not_passed),
                "why": {name: len(why[name]) for name in sorted(why)},
                "whole": whole,
                "held": "hold" in own,
            }
        )
    together = _share(sum(r["parts"] for r in rows), sum(r["passed"] for r in rows))
    return {"model": model, "of_batches": newest.are, "batches": rows, "together": together}


def _share(parts: int, passed: int) -> Row:
    limits = clopper_pearson_interval(events=passed, trials=parts)
    return {
        "parts": parts,
        "passed": passed,
        "share": passed / parts if parts else None,
        "lower": limits.lower,
        "upper": limits.upper,
    }


def _missed(connection: Connection, codes: Sequence[str]) -> dict[str, dict[str, set[str]]]:
    """For each batch the parts that did not pass, by what they did not."""
    found = [*_flagged(connection, codes), *_decided(connection, codes)]
    left: dict[str, dt.datetime] = {}
    for shipment in of_kind(connection, Shipment, sorted({one.serial for one in found})):
        left.setdefault(shipment.serial, shipment.taken_at)
    missed: dict[str, dict[str, set[str]]] = {}
    for one in found:
        if one.serial not in left or one.at <= left[one.serial]:
            of_batch = missed.setdefault(one.batch, {})
            of_batch.setdefault(one.why, set()).add(one.serial)
    return missed


def _judged(connection: Connection, codes: Sequence[str]) -> dict[str, set[str]]:
    """Parts of each batch of which there is a value; a rework takes some away again."""
    found: dict[str, set[str]] = {}
    for piece in pieces(codes):
        query = select(Part.batch, Part.serial).where(
            Part.batch.in_(piece), exists().where(Quantity.serial == Part.serial)
        )
        for code, serial in connection.execute(query):
            found.setdefault(str(code), set()).add(serial)
    return found


def _flagged(connection: Connection, codes: Sequence[str]) -> Iterator[Missed]:
    """Flags, open or closed, that were more than for the record."""
    for piece in pieces(codes):
        query = (
            select(Part.batch, Part.serial, FlagRow.flag, FlagRow.raised_at)
            .join(FlagRow, FlagRow.owner == literal("serial:") + Part.serial)
            .where(
                Part.batch.in_(piece),
                FlagRow.severity.in_(("critical", "major")),
            )
        )
        for code, serial, flag, at in connection.execute(query):
            yield Missed(str(code), serial, flag, at)


def _decided(connection: Connection, codes: Sequence[str]) -> Iterator[Missed]:
    """Decisions on parts by name."""
    for piece in pieces(codes):
        query = select(Part.serial, Part.batch, Part.standing).where(
            Part.batch.in_(piece), Part.calm_since.is_(None)
        )
        parts = {
            serial: (str(code), standing_from(text).struck)
            for serial, code, text in connection.execute(query)
        }
        for one in of_kind(connection, Disposition, sorted(parts)):
            code, struck = parts[str(one.serial)]
            if one.decision in NOT_AT_ONCE and not (struck and one.decision == "scrap"):
                yield Missed(code, str(one.serial), one.decision, one.taken_at)
