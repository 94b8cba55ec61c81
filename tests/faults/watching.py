"""`rimqc watch` killed over and over while rigs drop logs: nothing lost, nothing double.

    python -m tests.faults.watching --faults 200

It is killed before a random one of its statements or file operations. In the end every record is
in the ledger once, every log lies aside once, and what was refused has its reasons beside it.
"""

import argparse
import json
import random
import shutil
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import select

from qc.ledger.ledger import Ledger
from qc.ledger.tables import Journal
from qc.ledger.verify import verify
from tests.killing import ended, start
from tests.maker import fields, write_catalog, write_csv, write_jsonl


class Outcome(NamedTuple):
    """What was done to it, and what came of it; `wrong` is empty where all is well."""

    faults: int
    logs: int
    records: int
    wrong: list[str]


class Rigs:
    """Drop logs, and remember what must come of them."""

    def __init__(self, inbox: Path, chance: random.Random) -> None:
        self.inbox, self.chance = inbox, chance
        self.texts: Counter[bytes] = Counter()
        self.good: set[str] = set()
        self.refused = 0
        self._serials = 0

    def drop(self) -> None:
        """A log of a few lines, now and then with a bad one, often under a name used before."""
        rows = [self._row() for _ in range(self.chance.randint(1, 4))]
        name = f"{self.chance.choice(['bench', 'rig/a', '.'])}/weighing_{self.chance.randint(1, 3)}"
        write, ending = self.chance.choice([(write_csv, ".csv"), (write_jsonl, ".jsonl")])
        aside = write(self.inbox / f"{name}.part", rows)
        path = aside.with_suffix(ending)
        if path.exists():  # not taken yet: no rig drops onto it
            aside.unlink()
            return
        self.texts[aside.read_bytes()] += 1
        bad = [row for row in rows if row["gross_g"] == "heavy"]
        self.good |= {row["serial"] for row in rows if row not in bad}
        self.refused += bool(bad)
        aside.rename(path)

    def _row(self) -> dict[str, Any]:
        self._serials += 1
        bad = self.chance.random() < 0.1
        return fields("weighing", serial=f"W{self._serials:05}", gross_g="heavy" if bad else 450)


def run(db: str, folder: Path, faults: int, seed: int = 1) -> Outcome:
    """Kill `faults` runs, let one end, and look at what is there."""
    chance = random.Random(seed)
    inbox, told = folder / "inbox", folder / "told.json"
    inbox.mkdir()
    rigs = Rigs(inbox, chance)
    write_catalog(inbox)
    rigs.texts[(inbox / "catalog.toml").read_bytes()] += 1
    words = ["watch", str(inbox), "--once", "--settle", "0", "--db", db, "--format", "json"]
    killed = 0
    while killed < faults:
        # how many steps a run has; some more, since logs pile up where runs are killed early
        steps = int(1.2 * ended(start(told, words, files=True), told).statements)
        for _ in range(min(10, faults - killed)):
            for _ in range(chance.randint(1, 3)):
                rigs.drop()
            process = start(told, words, chance.randint(1, steps), files=True)
            process.join(120)
            killed += process.exitcode == -9
    for _ in range(2):  # the second finds nothing to do
        last = ended(start(told, words), told)
        assert last.code in (0, 1), last.err
    wrong = [*_look_at_files(rigs), *_look_at_records(db, rigs)]
    if last.out:
        wrong.append(f"a log was left for a second run: {last.out}")
    return Outcome(killed, rigs.texts.total(), len(rigs.good), wrong)


def _look_at_files(rigs: Rigs) -> list[str]:
    found: Counter[bytes] = Counter()
    wrong, refused = [], 0
    for path in rigs.inbox.rglob("*"):
        inside = path.relative_to(rigs.inbox)
        if not path.is_file() or inside.parts[0] == ".rimqc":
            continue
        if inside.parts[0] not in ("done", "refused"):
            wrong.append(f"left behind: {inside}")
        if path.name.endswith(".reasons.txt"):
            refused += 1
            stem = path.name.removesuffix(".reasons.txt")
            beside = sorted(other.name for other in path.parent.glob(f"{stem}.*"))
            if len(beside) != 3:
                wrong.append(f"not complete: {beside}")
        elif ".refused." not in path.name and not path.name.startswith("."):
            found[path.read_bytes()] += 1
    if found != rigs.texts:
        wrong.append(f"logs lost: {rigs.texts - found}, logs too many: {found - rigs.texts}")
    if refused != rigs.refused:
        wrong.append(f"{rigs.refused} logs had bad lines, {refused} have reasons")
    return wrong


def _look_at_records(db: str, rigs: Rigs) -> list[str]:
    with Ledger(db) as ledger, ledger.reading() as connection:
        proof = verify(connection)
        bodies = connection.execute(select(Journal.body).where(Journal.kind == "weighing"))
        held = Counter(json.loads(text)["serial"] for text in bodies.scalars())
    wrong = [f"verify: {proof.first_bad}"] if proof.first_bad else []
    if held != Counter(dict.fromkeys(rigs.good, 1)):
        lost, more = rigs.good - held.keys(), [s for s, n in held.items() if n > 1]
        wrong.append(f"lost: {sorted(lost)}, double or unknown: {sorted(more)}")
    return wrong


def main() -> None:
    """By hand, on a database of its own."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faults", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--db", help="an empty database (default: an SQLite file)")
    args = parser.parse_args()
    folder = Path(tempfile.mkdtemp())
    try:
        outcome = run(args.db or f"sqlite:///{folder}/a.sqlite", folder, args.faults, args.seed)
    finally:
        shutil.rmtree(folder)
    print(f"killed {outcome.faults} times; {outcome.logs} logs, {outcome.records} records")
    print("\n".join(outcome.wrong) or "nothing lost, nothing double, verify ok")
    raise SystemExit(1 if outcome.wrong else 0)


if __name__ == "__main__":
    main()
