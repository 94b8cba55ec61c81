"""`rimqc send -` under cut links, killed servers and its own sudden ends.

    python -m tests.faults.sending --faults 200 --cable

A rig's program hands records over one by one and goes on from the last that was acknowledged. In
the end every record is held once, and every bad one is set aside with its reason.
"""

import argparse
import contextlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import func, select

from qc.ledger.ledger import Ledger
from qc.ledger.tables import Journal
from qc.ledger.verify import verify
from tests.devices.shop_server import new_token
from tests.faults.networks import Cable, Network, Through, may_lay_cables
from tests.maker import fields, take_catalog

FAULTS = ("cut", "server killed", "sender killed")
BAD_EVERY = 23
ROOT = Path(__file__).parent.parent.parent


class Outcome(NamedTuple):
    """What was done to it, and what came of it; `wrong` is empty where all is well."""

    faults: Counter[str]
    records: int
    wrong: list[str]


class Server:
    """The shop's server, that comes back each time it is killed."""

    def __init__(self, db: str, network: Network) -> None:
        self._db, self._network = db, network
        self.start()

    def start(self) -> None:
        host, port = self._network.listens_at
        words = ["-m", "tests.devices.shop_server", self._db, host, str(port)]
        self._process = subprocess.Popen(
            [*self._network.server_prefix, sys.executable, *words], cwd=ROOT,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()


class Rig(threading.Thread):
    """Hands records to `rimqc send`, and to the next one where that was killed."""

    def __init__(self, folder: Path, network: Network, chance: random.Random) -> None:
        super().__init__(name="rig")
        host, port = network.reached_at
        self.spool = folder / "spool"
        self._words = [
            *network.bench_prefix, sys.executable, "-m", "qc", "send", "-", "--to",
            f"http://{host}:{port}", "--token-file", str(folder / "token"), "--spool",
            str(self.spool), "--timeout", "1", "--format", "json",
        ]  # fmt: skip
        self._chance = chance
        self.acknowledged = 0
        self.enough = threading.Event()
        self.said = b""
        self.process: subprocess.Popen[bytes] | None = None

    def run(self) -> None:
        while not self._one_sender():
            pass

    def _one_sender(self) -> bool:
        """Feed one sender until it ends; whether it ended with nothing left to do."""
        self.process = sender = subprocess.Popen(
            self._words, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )  # fmt: skip
        assert sender.stdin is not None
        assert sender.stdout is not None
        assert sender.stderr is not None
        base = self.acknowledged  # a sender counts what it was given itself
        with contextlib.suppress(BrokenPipeError, json.JSONDecodeError):
            while not self.enough.is_set():
                upto = self.acknowledged + self._chance.choice([1, 1, 3, 40])
                lines = [record(n) for n in range(self.acknowledged, upto)]
                sender.stdin.write(b"".join(lines))
                sender.stdin.flush()
                while self.acknowledged < upto:
                    told = json.loads(sender.stdout.readline())  # nothing, once it is killed
                    self.acknowledged = base + told["kept"]
                time.sleep(self._chance.uniform(0, 0.1))
        with contextlib.suppress(BrokenPipeError):
            sender.stdin.close()
        rest, self.said = sender.stdout.read(), sender.stderr.read()
        for pipe in (sender.stdout, sender.stderr):
            pipe.close()
        sender.wait()
        return self.enough.is_set() and sender.returncode in (0, 1) and b'"waiting": 0' in rest


def record(number: int) -> bytes:
    """A weighing as a rig writes it; every so many is one that must be refused."""
    gross = "heavy" if number % BAD_EVERY == 0 else 450
    row = fields("weighing", serial=f"W{number:06}", gross_g=gross)
    return json.dumps(row).encode() + b"\n"


def run(db: str, folder: Path, faults: int, network: Network, seed: int = 1) -> Outcome:
    """Do harm until there were so many faults, let all come to its end, and look."""
    chance = random.Random(seed)
    with Ledger(db, create=True) as ledger:
        take_catalog(ledger, folder)
        (folder / "token").write_text(new_token(ledger))
    server = Server(db, network)
    rig = Rig(folder, network, random.Random(seed + 1))
    rig.start()
    done: Counter[str] = Counter()
    try:
        while done.total() < faults:
            _wait_for_more(db)  # each fault meets records on their way
            time.sleep(chance.uniform(0, 0.3))
            fault = chance.choice(FAULTS)
            if fault == "cut":
                network.cut(chance)
            elif fault == "server killed":
                server.kill()
                time.sleep(chance.choice([0, 0, 1]))
                server.start()
            elif rig.process is not None:
                rig.process.send_signal(signal.SIGKILL)
            done[fault] += 1
            if not rig.is_alive():
                break
        rig.enough.set()
        rig.join(300)
        wrong = ["the sender did not come to its end"] if rig.is_alive() else []
    finally:
        server.kill()
        if rig.process is not None:
            rig.process.kill()
    wrong += _look_at_records(db, rig) + _look_at_refused(rig)
    return Outcome(done, rig.acknowledged, wrong)


def _wait_for_more(db: str, most_s: float = 15) -> None:
    """Until something has arrived that was not there before."""
    until = time.monotonic() + most_s
    with Ledger(db) as ledger:
        before = _count(ledger)
        while _count(ledger) == before and time.monotonic() < until:
            time.sleep(0.02)


def _count(ledger: Ledger) -> int:
    with ledger.reading() as connection:
        return connection.execute(select(func.count(Journal.position))).scalar_one()


def _look_at_records(db: str, rig: Rig) -> list[str]:
    with Ledger(db) as ledger, ledger.reading() as connection:
        proof = verify(connection)
        bodies = connection.execute(select(Journal.body).where(Journal.kind == "weighing"))
        held = Counter(json.loads(text)["serial"] for text in bodies.scalars())
    wrong = [f"verify: {proof.first_bad}"] if proof.first_bad else []
    good = {f"W{n:06}" for n in range(rig.acknowledged) if n % BAD_EVERY}
    wrong += [f"lost: {sorted(good - held.keys())}"] if good - held.keys() else []
    # handed over, but killed before it was acknowledged: the next sender was given it again
    double = [serial for serial, count in held.items() if count > 1]
    return wrong + ([f"double: {double}"] if double else [])


def _look_at_refused(rig: Rig) -> list[str]:
    found = {
        json.loads(line)["serial"]
        for path in (rig.spool / "refused").iterdir()
        for line in path.read_text().splitlines()
    }
    bad = {f"W{n:06}" for n in range(0, rig.acknowledged, BAD_EVERY)}
    left = sorted(path.name for path in rig.spool.glob("*.jsonl"))
    wrong = [f"refused but not set aside: {sorted(bad - found)}"] if bad - found else []
    return wrong + ([f"left in the spool: {left}"] if left else [])


def main() -> None:
    """By hand, on a database of its own."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faults", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cable", action="store_true", help="between two network namespaces")
    parser.add_argument("--db", help="an empty database (default: an SQLite file)")
    args = parser.parse_args()
    if args.cable and not may_lay_cables():
        raise SystemExit("this machine does not let us make network namespaces")
    folder = Path(tempfile.mkdtemp())
    network = Cable(f"rq{os.getpid()}") if args.cable else Through()
    try:
        db = args.db or f"sqlite:///{folder}/a.sqlite"
        outcome = run(db, folder, args.faults, network, args.seed)
    finally:
        network.close()
        shutil.rmtree(folder)
    print(f"{outcome.faults.total()} faults {dict(outcome.faults)}, {outcome.records} records")
    print("\n".join(outcome.wrong) or "nothing lost, nothing double, verify ok")
    raise SystemExit(1 if outcome.wrong else 0)


if __name__ == "__main__":
    main()
