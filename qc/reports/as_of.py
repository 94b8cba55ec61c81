"""What the journal said up to a place in it, judged anew: nothing that arrived later is known.

A paper names the seal under which it was printed. Read as of that seal the journal must say what
the paper says; read to its end it says what became of that.
"""

from collections.abc import Sequence

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.judgement.flags import SETTLING
from qc.judgement.gauges import doubts
from qc.judgement.impact import STRUCK_BEFORE
from qc.judgement.part import Judged, judge_batch, judge_part
from qc.judgement.readings import Around, Held
from qc.judgement.standing import Failure, Standing, stopped_by_failures
from qc.ledger.bulk import pieces
from qc.ledger.corrections import corrections_of, first_of, histories, resolve
from qc.ledger.follow import names_in
from qc.ledger.journal import places
from qc.ledger.tables import Journal, Override, Part
from qc.records.kinds import Disposition, Record


class AsOf:
    """The journal up to `position`, with the catalog and the gauges in doubt as known there."""

    def __init__(self, connection: Connection, catalog: Catalog, position: int) -> None:
        self.connection, self.position = connection, position
        self.catalog = Catalog(item for item in catalog.recorded if item.position <= position)
        self.checks = self.held("checked", sorted(names_in(connection, "checked")))
        found = {gauge: doubts(gauge, held) for gauge, held in self.checks.items()}
        self.around = Around(self.catalog, {gauge: own for gauge, own in found.items() if own})

    def held(self, column: str, names: Sequence[str]) -> dict[str, list[Held]]:
        """The records about each serial, batch or checked gauge, with the changes known then."""
        known = histories(self.connection, column, names)
        ids = [item.record.record_id for held in known.values() for item in held]
        mended = [i.record.record_id for held in known.values() for i in held if i.changes]
        at = places(self.connection, ids)
        changes = {
            of: [placed for placed in found if placed.position <= self.position]
            for of, found in corrections_of(self.connection, mended).items()
        }
        return {
            name: [
                resolve(item.record, changes) if item.changes else item
                for item in held
                if at[item.record.record_id] <= self.position
            ]
            for name, held in known.items()
        }

    def part(self, serial: str) -> tuple[Judged, list[Held]]:
        """A part judged, and its records."""
        held = self.held("serial", [serial])[serial]
        return judge_part(serial, held, self.around), held

    def struck(self, batch: str) -> dict[str, Judged]:
        """The struck parts of a batch, judged.

        A part that was of it then may have been moved since: whatever was corrected is looked at.
        """
        own = select(Part.serial).where(Part.batch == batch)
        mended = select(Override.serial).where(Override.serial.is_not(None))
        names = {*self.connection.scalars(own), *self.connection.scalars(mended)}
        found: set[str | None] = set()
        for piece in pieces(filter(None, names)):
            struck = select(Journal.serial).where(
                Journal.serial.in_(piece),
                Journal.kind == "drop",
                Journal.position >= first_of(self.connection, piece),
            )
            found.update(self.connection.execute(struck).scalars())
        judged = {
            serial: judge_part(serial, held, self.around)
            for serial, held in self.held("serial", sorted(filter(None, found))).items()
        }
        return {s: part for s, part in judged.items() if part.batch == batch and part.tests}

    def batch(self, batch: str, struck: dict[str, Judged]) -> tuple[Standing, list[Disposition]]:
        """Where a batch stands, and the decisions on it."""
        held = self.held("batch", [batch])[batch]
        decisions = [r for r in finals(held) if isinstance(r, Disposition)]
        own = judge_batch(batch, held, self.around).standing
        failures = [f for serial, part in struck.items() for f in _failures(serial, part)]
        return stopped_by_failures(own, decisions, failures), decisions


def finals(held: Sequence[Held]) -> list[Record]:
    """What records say in the end, without those that are void."""
    return [final for item in held if (final := item.final()) is not None]


def _failures(serial: str, part: Judged) -> list[Failure]:
    """The tests in which a part did not bear the standard impact, as they hold a batch."""
    below = {
        test.test
        for test in part.tests
        if test.failed is not None and test.failed <= 1 and STRUCK_BEFORE not in test.marks
    }
    return [
        Failure(serial, flag.raised_at)
        for flag in part.flags
        if flag.verdict.flag == "impact-below-standard"
        and flag.verdict.test in below
        and (flag.closed_at is None or flag.closed_by in SETTLING)
    ]
