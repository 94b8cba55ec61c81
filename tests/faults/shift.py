"""A shift at eight stations that write at once, against one import of the same records.

    python -m tests.faults.shift --parts 1200
    python -m tests.faults.shift --parts 1200 --db postgresql+psycopg://…/one --beside …/two

Every part goes over three stations and every batch over all of them; nobody waits for anybody, so
readings arrive before their receipt. Some answers are lost on the way and some records are simply
sent again. In the end each is held once, and every answer is that of the import.
"""

import argparse
import multiprocessing
import random
import re
import shutil
import statistics
import subprocess
import tempfile
import uuid
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import select

from qc.ledger.ledger import Ledger, now
from qc.ledger.tables import Journal
from qc.people.tokens import add_station
from qc.records.canonical import from_body
from tests.dashboard.served import rimqc
from tests.faults.one_station import Line, Told, connected, post, station
from tests.maker import CATALOG, answer, fields, run, take_catalog, write_catalog, write_jsonl

STATIONS = 8
BATCHES, HEAVY_FROM = 24, 17
ASKED = ("flags", "flags --all", "claims", "margins", "drift", "verify")
_FORKS = multiprocessing.get_context("forkserver")


class Outcome(NamedTuple):
    """What was sent and what is held; all but the first two and the times should be 0 or empty."""

    records: int
    sent_again: int
    missing: int
    double: int
    wrong: int
    differs: list[str]
    signals: int
    seconds: float
    waits_s: list[float]


def run_shift(db: str, beside: str, folder: Path, parts: int, seed: int = 1) -> Outcome:
    """Work a shift into `db`, import the same into `beside`, and compare."""
    chance = random.Random(seed)
    catalog, bodies = catalog_of_all(), work(parts, chance)
    lines = [line for own in bodies for body in own for line in body]
    with Ledger(db, create=True) as ledger:
        take_catalog(ledger, folder, catalog)
        with ledger.writing() as connection:
            tokens = [add_station(connection, f"W{n}", now()) for n in range(STATIONS)]
    with _serving(db) as url:
        told = worked(url, tokens, bodies, seed)
    differences = compared(db, beside, folder, lines)
    differs = [name for name in ASKED if answer(db, *name.split()) != answer(beside, *name.split())]
    differs += [refusal for one in told for refusal in one.refusals]
    return Outcome(
        len(lines),
        sum(one.sent_again for one in told),
        *differences,
        differs,
        sum(len(stream["signals"]) for stream in answer(db, "drift")),
        max(one.ended for one in told) - min(one.began for one in told),
        [wait for one in told for wait in one.waits_s],
    )


def catalog_of_all() -> str:
    """The maker's catalog with the batches of a shift."""
    return CATALOG + "".join(_batch(number) for number in range(1, BATCHES + 1))


def compared(db: str, beside: str, folder: Path, lines: list[Line]) -> tuple[int, int, int]:
    """Records missing, double and wrong in `db`, against an import of the same into `beside`."""
    logs = folder / "logs"
    logs.mkdir()
    write_catalog(logs, catalog_of_all())
    write_jsonl(logs / "shift.jsonl", lines)
    assert run("--db", beside, "import", logs)[0] == 0
    wanted, held = _held(beside), _held(db)
    return (
        len(wanted.keys() - held.keys()),
        sum(held_here[1] - 1 for held_here in held.values()),
        sum(held[name][0] != wanted[name][0] for name in held.keys() & wanted.keys())
        + len(held.keys() - wanted.keys()),
    )


def _batch(number: int) -> str:
    return (
        f'\n[[batch]]\ncode = "S{number:02}"\nmodel = "D50"\nmade_on = 2026-01-{number:02}\n'
        f'quantity = 99\nmould = "M{1 + number % 2}"\nresin_lot = "R{1 + number // HEAVY_FROM}"\n'
    )


def work(parts: int, chance: random.Random) -> list[list[list[Line]]]:
    """What each station sends, body by body."""
    bodies: list[list[list[Line]]] = [[] for _ in range(STATIONS)]
    levels = [450 + chance.gauss(0, 1) + 9 * (b + 1 >= HEAVY_FROM) for b in range(BATCHES)]
    for n in range(parts):
        batch, first = n % BATCHES, chance.randrange(STATIONS)
        weigher, spinner, looker = ((first + step) % STATIONS for step in (0, 2, 5))

        def line(kind: str, station: int, second: int, n: int = n, **given: Any) -> Line:
            moment = f"2026-03-02T{6 + n // 600:02}:{n // 10 % 60:02}:{6 * (n % 10) + second:02}Z"
            own = {"record_id": str(uuid.UUID(int=chance.getrandbits(128), version=4))}
            own |= {"station": f"W{station}", "inspector": f"I{station}", "taken_at": moment}
            return fields(kind, serial=f"S{n:05}", **own | given)

        mass = round(chance.gauss(levels[batch], 1.5), 1)
        turn = [round(chance.gauss(0, 0.08), 3) for _ in range(24)]
        bodies[weigher].append([
            line("receipt", weigher, 0, batch=f"S{batch + 1:02}"),
            line("weighing", weigher, 1, gross_g=mass, gauge=chance.choice(["S1", "S2"])),
        ])  # fmt: skip
        bodies[spinner].append([line("runout", spinner, 2, tir_mm=None, readings_mm=turn)])
        look = [line("inspection", looker, 3, result="findings" if n % 5 == 0 else "clean")]
        if n % 5 == 0:
            look.append(line("finding", looker, 4, size_mm=chance.choice([1, 6])))
        bodies[looker].append(look)
    return bodies


@contextmanager
def _serving(db: str) -> Iterator[str]:
    """The address for stations of `rimqc serve`, in a process beside the screens'."""
    command = rimqc("--db", db, "serve", "--port", "0", "--stations", "0")
    root = Path(__file__).parents[2]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=root)
    assert process.stdout
    try:
        said = ""
        while "Stations send" not in said:
            said = process.stdout.readline()
            assert said, "the server ended"
        (url,) = re.findall(r"http://\S+", said)
        with closing(connected(url)) as connection:
            post(connection, "", [])  # it has begun to answer
        yield url
    finally:
        process.terminate()
        process.wait(60)
        process.stdout.close()


def worked(
    url: str, tokens: list[str], work: list[list[list[Line]]], seed: int, ca: Path | None = None
) -> list[Told]:
    """What each station saw, each a process; all begin together."""
    together, queue = _FORKS.Barrier(STATIONS), _FORKS.Queue()
    processes = [
        _FORKS.Process(target=station, args=(url, token, bodies, seed + n, together, queue, ca))
        for n, (token, bodies) in enumerate(zip(tokens, work, strict=True))
    ]
    for process in processes:
        process.start()
    told = [queue.get(timeout=600) for _ in processes]
    for process in processes:
        process.join(60)
        assert process.exitcode == 0
    return told


def _held(db: str) -> dict[str, tuple[Any, int]]:
    """Each record of the journal without who handed it in, and how often it stands there."""
    with Ledger(db) as ledger, ledger.reading() as connection:
        query = select(Journal.record_id, Journal.body).where(Journal.kind != "catalog")
        rows = [(row[0], from_body(row[1])) for row in connection.execute(query)]
    counts = Counter(name for name, _ in rows)
    return {name: (_content(record), counts[name]) for name, record in rows}


def _content(record: Any) -> dict[str, Any]:
    names = (name for name in record.__struct_fields__ if name != "entered_by")
    return {name: getattr(record, name) for name in names}


def main() -> None:
    """By hand, on databases of its own."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", type=int, default=1200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--db", help="an empty database (default: an SQLite file)")
    parser.add_argument("--beside", help="another, for the import")
    args = parser.parse_args()
    folder = Path(tempfile.mkdtemp())
    own = [f"sqlite:///{folder}/{name}.sqlite" for name in ("shift", "beside")]
    try:
        outcome = run_shift(args.db or own[0], args.beside or own[1], folder, args.parts, args.seed)
    finally:
        shutil.rmtree(folder)
    waits_ms = [1000 * wait for wait in outcome.waits_s]
    print(
        f"{outcome.records} records of {args.parts} parts from {STATIONS} stations at once, "
        f"{outcome.sent_again} sent again\n"
        f"missing {outcome.missing}, double {outcome.double}, wrong {outcome.wrong} (limit 0)\n"
        f"answers unlike those of one import: {', '.join(outcome.differs) or 'none'} "
        f"({', '.join(ASKED)}; {outcome.signals} signals of drift)\n"
        f"{outcome.records / outcome.seconds:.0f} records/s; an answer took "
        f"{statistics.median(waits_ms):.0f} ms at the median, {max(waits_ms):.0f} ms at most"
    )
    faults = outcome.missing + outcome.double + outcome.wrong + len(outcome.differs)
    raise SystemExit(1 if faults else 0)


if __name__ == "__main__":
    main()
