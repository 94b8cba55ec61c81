"""Where batches stand: the decisions on them, and the hold that a failed impact test puts on."""

from collections.abc import Iterable

from sqlalchemy import Connection, literal, or_, select

from qc.judgement.flags import SETTLING
from qc.judgement.impact import STRUCK_BEFORE
from qc.judgement.standing import Failure, Standing, stopped_by_failures
from qc.ledger.bulk import pieces
from qc.ledger.corrections import histories
from qc.ledger.projections import standing_from
from qc.ledger.tables import BatchStanding, FlagRow, Part, Test
from qc.records.kinds import Disposition


def standings(connection: Connection, batches: Iterable[str | None]) -> dict[str, Standing]:
    """Each batch's standing; a batch that nobody decided on and that did not fail has a fresh one.

    A rim that does not bear the standard impact holds its batch, also when it has been scrapped
    since; a flag that a correction took away does not.
    """
    codes = sorted({batch for batch in batches if batch is not None})
    found = dict.fromkeys(codes, Standing())
    failures: dict[str, list[Failure]] = {}
    for piece in pieces(codes):
        query = select(BatchStanding.batch, BatchStanding.standing)
        for batch, text in connection.execute(query.where(BatchStanding.batch.in_(piece))):
            found[batch] = standing_from(text)
        for batch, failure in _failures(connection, piece):
            failures.setdefault(batch, []).append(failure)
    if failures:
        decided = decisions(connection, sorted(failures))
        for batch, failed in failures.items():
            found[batch] = stopped_by_failures(found[batch], decided[batch], failed)
    return found


def standing(connection: Connection, batch: str | None) -> Standing:
    """One batch's standing; a fresh one for a part whose batch is not known."""
    return standings(connection, [batch]).get(batch or "", Standing())


def decisions(connection: Connection, batches: list[str]) -> dict[str, list[Disposition]]:
    """The decisions on each batch as such, as they stand after corrections."""
    held = histories(connection, "batch", batches)
    return {
        batch: [d for item in items if isinstance(d := item.final(), Disposition)]
        for batch, items in held.items()
    }


def _failures(connection: Connection, batches: list[str]) -> list[tuple[str, Failure]]:
    """Flags of the parts of these batches, open or settled by a decision on the part, whose test
    still reads so: a correction after the decision leaves the flag as it was."""
    owners = select(literal("serial:") + Part.serial).where(Part.batch.in_(batches))
    query = (
        select(FlagRow.batch, FlagRow.serial, FlagRow.raised_at)
        .join(Test, (Test.serial == FlagRow.serial) & (Test.test == FlagRow.test))
        .where(
            FlagRow.owner.in_(owners),
            FlagRow.flag == "impact-below-standard",
            or_(FlagRow.closed_at.is_(None), FlagRow.closed_by.in_(sorted(SETTLING))),
            Test.failed <= 1,
            Test.marks.not_like(f"%{STRUCK_BEFORE}%"),
        )
    )
    rows = connection.execute(query)
    return [(batch, Failure(serial, at)) for batch, serial, at in rows if batch and serial]
