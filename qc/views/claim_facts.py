"""What claims are judged from: batch summaries of bare mass, and what measuring adds to it."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.judgement.part import judge_part
from qc.judgement.readings import Around, Held
from qc.ledger.bulk import select_in
from qc.ledger.corrections import any_corrections, histories
from qc.ledger.pairs import wheel_of
from qc.ledger.tables import Part, Quantity, Summary
from qc.records.kinds import Build, Disposition, Receipt, Weighing
from qc.statistics.summary import Summary as Sums

Stream = tuple[str, str]  # model, stage
Histories = Callable[[Sequence[str]], Mapping[str, Sequence[Held]]]

# the newest parts of a stream tell how it is measured today; more would say the same
SAMPLE = 20
_OF_MASS = (Receipt, Weighing, Disposition, Build)


class BatchMass(NamedTuple):
    """A batch's parts at a stage: sums, how many lie over and under the claim, extremes in g."""

    batch: str
    sums: Sums
    over: int
    under: int
    least: float
    most: float
    seconds: int

    def plus(self, other: "BatchMass") -> "BatchMass":
        """The same batch with what another gauge, station or inspector measured of it."""
        return BatchMass(
            self.batch,
            Sums.together((self.sums, other.sums)),
            self.over + other.over,
            self.under + other.under,
            min(self.least, other.least),
            max(self.most, other.most),
            self.seconds + other.seconds,
        )


class Measuring(NamedTuple):
    """What measuring adds to a part's mass, as its newest parts were weighed.

    `own_var` in g² differs from part to part and shrinks with their number; `common` in g, signed
    and by source (`gauge:CODE`, `fitted:CODE`), is the same for all and does not.
    """

    own_var: float = 0.0
    common: Mapping[str, float] = {}


class Facts(NamedTuple):
    """Per model and stage: its batches in order of making and how it is measured.

    `pairs` holds, per model of front wheel, the models of rear wheel it is paired with.
    """

    batches: dict[Stream, list[BatchMass]]
    measuring: dict[Stream, Measuring]
    pairs: dict[str, list[str]]


def facts_now(connection: Connection, catalog: Catalog, around: Around) -> Facts:
    """The facts as they stand, from summaries and a bounded number of parts."""
    batches = in_order(catalog, cells(connection))
    corrected = any_corrections(connection)

    def held(serials: Sequence[str]) -> Mapping[str, Sequence[Held]]:
        return histories(connection, "serial", serials, corrected)

    measuring = {
        stream: measured(newest_serials(connection, stream, found), stream[1], held, around)
        for stream, found in batches.items()
        if stream[1] != "pair"
    }
    pairs = {
        stream[0]: _rear_models(connection, newest_serials(connection, stream, found))
        for stream, found in batches.items()
        if stream[1] == "pair"
    }
    return Facts(batches, measuring, pairs)


def cells(connection: Connection, only: Stream | None = None) -> Iterable[tuple[Stream, BatchMass]]:
    """What each gauge, station and inspector measured of each batch; of one stream if named."""
    columns = (Summary.model, Summary.stage, Summary.batch, Summary.n, Summary.total,
               Summary.squares, Summary.over, Summary.under, Summary.least, Summary.most,
               Summary.seconds)  # fmt: skip
    query = select(*columns).where(Summary.characteristic == "bare-mass")
    if only is not None:
        query = query.where(Summary.model == only[0], Summary.stage == only[1])
    for row in connection.execute(query):
        model, stage, batch, n, total, squares, over, under, least, most, seconds = row
        sums = Sums(n, int(total), int(squares))
        yield (model, stage), BatchMass(batch, sums, over, under, least, most, int(seconds))


def in_order(
    catalog: Catalog, cells: Iterable[tuple[Stream, BatchMass]]
) -> dict[Stream, list[BatchMass]]:
    """Batches by stream in order of making, whatever was measured of one added together."""
    found: dict[Stream, dict[str, BatchMass]] = {}
    for stream, cell in cells:
        batches = found.setdefault(stream, {})
        before = batches.get(cell.batch)
        batches[cell.batch] = before.plus(cell) if before else cell
    return {
        stream: sorted(batches.values(), key=lambda one: made(catalog, one.batch))
        for stream, batches in sorted(found.items())
    }


def made(catalog: Catalog, batch: str) -> tuple[str, str]:
    """Sorts batches in order of making, then by code."""
    entry = catalog.batch(batch)
    return entry.made_on.isoformat() if entry else "", batch


def newest_serials(
    connection: Connection, stream: Stream, batches: Sequence[BatchMass]
) -> list[str]:
    """Parts of the newest batches of a stream that count, at most `SAMPLE`."""
    serials: list[str] = []
    for one in reversed(batches):
        query = (
            select(Quantity.serial)
            .where(*of_batch(stream, one.batch), Quantity.suspect.is_(False))
            .order_by(Quantity.serial)
            .limit(SAMPLE - len(serials))
        )
        serials += [serial for (serial,) in connection.execute(query)]
        if len(serials) >= SAMPLE:
            break
    return serials


def of_batch(stream: Stream, batch: str) -> tuple[Any, ...]:
    """The quantities that are bare masses of a batch at a stage."""
    model, stage = stream
    return (
        Quantity.characteristic == "bare-mass",
        *(Quantity.model == model, Quantity.stage == stage, Quantity.batch == batch),
    )


def measured(serials: Sequence[str], stage: str, held: Histories, around: Around) -> Measuring:
    """The mean of what measuring adds to each of these parts."""
    weighed = {serial: for_mass(records) for serial, records in held(serials).items()}
    wheels = [
        found.mass
        for serial, records in weighed.items()
        if (found := wheel_of(serial, stage, judge_part(serial, records, around), records, around))
    ]
    if not wheels:
        return Measuring()
    common: dict[str, float] = {}
    for mass in wheels:
        for source, term in mass.common_g.items():
            common[source] = common.get(source, 0.0) + term / len(wheels)
    own = sum(mass.independent_g2 for mass in wheels) / len(wheels)
    return Measuring(own, dict(sorted(common.items())))


def for_mass(held: Sequence[Held]) -> list[Held]:
    """Those of a part's records on which its mass depends, and its pair: a shorter replay."""
    return [item for item in held if isinstance(item.record, _OF_MASS)]


def _rear_models(connection: Connection, fronts: Sequence[str]) -> list[str]:
    """The models of rear wheel that these front wheels are paired with."""
    codes = [code for (code,) in select_in(connection, Part, ("pair",), "serial", fronts) if code]
    wheels = select_in(connection, Part, ("model", "pair_stage"), "pair", codes)
    return sorted({model for model, stage in wheels if model and stage == "rear-wheel"})
