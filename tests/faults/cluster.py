"""A shop on several machines, while servers are restarted and killed and the database fails over.

    python -m tests.faults.cluster --faults 9 --parts 600
    python -m tests.faults.cluster --faults 3 --asynchronous

Eight stations send through the balancer to two servers over a PostgreSQL primary with a replica,
each from its spool. One fault after the other is done to them: a server is restarted, the primary
dies and the replica takes over, a server is killed. Before the primary dies the line to its replica
is dead for a while. Then a failover hits an import. In the end every acknowledged record must be
held once, every answer must be that of one import, and screens must open through the balancer.
"""

import argparse
import json
import random
import shutil
import signal
import ssl
import subprocess
import tempfile
import threading
import time
import urllib.request
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack
from decimal import Decimal
from itertools import cycle, islice
from pathlib import Path
from typing import NamedTuple

import msgspec
from sqlalchemy import select
from websockets.sync.client import connect

from qc.devices.link import Link
from qc.devices.readout import Reading
from qc.devices.sending import Sender
from qc.devices.spool import Spool
from qc.ledger.ledger import Ledger, now
from qc.ledger.summaries import StreamKey, stale_streams
from qc.ledger.tables import Head
from qc.people import accounts, sessions
from qc.people.tokens import add_station
from tests.dashboard.served import rimqc
from tests.faults.machines import ROOT, Shop, lacking, shop, wait_for
from tests.faults.one_station import Line
from tests.faults.shift import ASKED, STATIONS, catalog_of_all, compared, work
from tests.maker import answer, fields, record, take_catalog, write_catalog, write_csv
from tests.stations.test_screen_sessions import session_of

FAULTS = ("server restarted", "failover", "server killed")
SCREENS = ("/", "/claims", "/margins", "/drift", "/part", "/intake", "/decide", "/people")
LINE_DEAD_S = 0.5
COOKIE = "__Host-rimqc"


class Outcome(NamedTuple):
    """What was done and what came of it; missing, double and wrong should be 0, faults empty."""

    done: Counter[str]
    records: int
    missing: int
    double: int
    wrong: int
    faults: list[str]
    seconds: float
    silences_s: list[float]


def run(folder: Path, count: int, parts: int, *, synchronous: bool = True, seed: int = 1,
        imported: int = 60_000) -> Outcome:  # fmt: skip
    """Work a shift through so many faults, then an import through one."""
    chance = random.Random(seed)
    bodies = work(parts, chance)
    lines = [line for own in bodies for body in own for line in body]
    with shop(synchronous=synchronous) as made:
        db = made.databases.address()
        tokens, cookie = begin(db, folder)
        began = time.monotonic()
        with ExitStack() as stations:
            rigs = [
                stations.enter_context(_station(made, folder / f"station{n}", token))
                for n, token in enumerate(tokens)
            ]
            due = [threading.Event() for _ in range(count + 1)]
            feeding = [
                threading.Thread(target=_feed, args=(rig, own, due, random.Random(seed + n)))
                for n, (rig, own) in enumerate(zip(rigs, bodies, strict=True))
            ]
            for one in feeding:
                one.start()
            silences_s = list(_done_to(made, rigs, due, len(lines), chance))
            for one in feeding:
                one.join()
            sent = [rig.finish(180) for rig in rigs]
        seconds = time.monotonic() - began
        faults = [f"not acknowledged: {s}" for s in sent if s.refused]
        if sum(map(_acknowledged, rigs)) != len(lines):
            faults.append(f"{len(lines)} handed in, {sum(map(_acknowledged, rigs))} acknowledged")
        beside = f"sqlite:///{folder}/beside.sqlite"
        differences = compared(db, beside, folder, lines)
        wait_for("drift to be judged", lambda: not _stale(db))
        if not any(differences):
            faults += [f"answers unlike an import's: {name}" for name in ASKED
                       if answer(db, *name.split()) != answer(beside, *name.split())]  # fmt: skip
        if not answer(db, "verify")["ok"]:
            faults.append("verify does not hold")
        faults += _looked_at(made, cookie, tokens[0])
        if imported:
            faults += _import_through(made, folder / "import", imported)
    done = Counter(islice(cycle(FAULTS), count))
    return Outcome(done, len(lines), *differences, faults, seconds, silences_s)


def _stale(db: str) -> list[StreamKey]:
    """The streams whose drift is still to be judged."""
    with Ledger(db) as ledger, ledger.reading() as connection:
        return stale_streams(connection)


def begin(db: str, folder: Path) -> tuple[list[str], str]:
    """The stations' tokens, and the cookie of an engineer who is signed in."""
    with Ledger(db) as ledger:
        take_catalog(ledger, folder, catalog_of_all())
        with ledger.writing() as connection:
            accounts.add_person(connection, "eva", "Eva", "engineer", now())
            cookie = sessions.begin(connection, "eva", None, now())
            tokens = [add_station(connection, f"W{n}", now()) for n in range(STATIONS)]
    return tokens, f"{COOKIE}={cookie}"


def _station(made: Shop, folder: Path, token: str) -> Sender:
    folder.mkdir()
    (folder / "token").write_text(token)
    link = Link(made.url, folder / "token", ca=made.authority, timeout_s=10)
    return Sender(Spool(folder / "spool"), link)


def _feed(
    rig: Sender, bodies: list[list[Line]], due: list[threading.Event], chance: random.Random
) -> None:
    """Hand in what is recorded in the course of a day, of which each fault has its share."""
    for number, body in enumerate(bodies):
        due[number * len(due) // len(bodies)].wait()
        rig.put(body)
        time.sleep(chance.uniform(0, 0.1))


def _acknowledged(rig: Sender) -> int:
    return rig.sent.accepted + rig.sent.already_held


def _done_to(
    made: Shop, rigs: list[Sender], due: list[threading.Event], records: int, chance: random.Random
) -> Iterator[float]:
    """The faults, one after the other, each amid its share of the records; for how long after a
    failover nothing was acknowledged."""

    def acknowledged() -> int:
        return sum(map(_acknowledged, rigs))

    share = records // len(due)
    for number, fault in zip(range(len(due) - 1), cycle(FAULTS), strict=False):
        due[number].set()
        wait_for("records", lambda n=number: acknowledged() >= share * n + share // 5, 300)
        server = chance.choice(made.servers)
        if fault == "failover":
            began, before = time.monotonic(), acknowledged()
            made.databases.fail_over(LINE_DEAD_S)
            wait_for("records after a failover", lambda n=before: acknowledged() > n, 120)
            yield time.monotonic() - began - LINE_DEAD_S
            made.databases.follow()
        else:
            server.stop(signal.SIGKILL if fault == "server killed" else signal.SIGTERM)
            server.start()
    due[-1].set()
    for server in made.servers:
        server.revive()
        wait_for("a server", server.listens, 120)


def _looked_at(made: Shop, cookie: str, token: str) -> list[str]:
    """What does not open through the balancer, and whether screens read from the replica."""
    faults = []
    for path in SCREENS:
        status = made.answers(path, cookie)
        if status != 200:
            faults.append(f"{path} answers {status}")
    trust = ssl.create_default_context(cafile=made.authority)
    wait_for("a screen that reads from the replica", lambda: _reads_replica(made, cookie, faults))
    reading = Reading("S1", Decimal("450.1"), "g", True, now())
    said = urllib.request.Request(
        f"{made.url}/station/reading", msgspec.json.encode(reading),
        {"Authorization": f"Bearer {token}", "Content-Type": "application/json"},
    )  # fmt: skip
    with urllib.request.urlopen(said, context=trust):
        pass
    asked = urllib.request.Request(f"{made.url}/entry/reading?gauge=S1", headers={"Cookie": cookie})
    with urllib.request.urlopen(asked, context=trust) as shown:
        if json.load(shown)["value"] != "450.1":
            faults.append("what the scale shows does not reach the screen")
    return faults


def _reads_replica(made: Shop, cookie: str, faults: list[str]) -> bool:
    """Whether a screen read from the replica; it must show what was written just before."""
    db = made.databases.address()
    with Ledger(db) as ledger:
        ledger.accept([record("inspection", taken_at=now().isoformat())])
    if f"{_position(db):,} records" not in _drawn(made, cookie):
        faults.append("a screen does not show what was written just before")
    replica = made.databases.replica
    assert replica is not None
    return bool(replica.ask("SELECT 1 FROM pg_stat_activity WHERE usename = 'rimqc_reader'"))


def _drawn(made: Shop, cookie: str) -> str:
    """All that the first screen draws, through the balancer."""
    from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

    with connect(
        made.url.replace("https", "wss", 1) + "/_stcore/stream", origin=made.url,
        ssl=ssl.create_default_context(cafile=made.authority),
        subprotocols=["streamlit", "none"], additional_headers={"Cookie": cookie}, max_size=None,
    ) as socket:  # fmt: skip
        session_of(socket)
        seen, message = b"", ForwardMsg()
        while message.WhichOneof("type") != "script_finished":
            said = socket.recv(timeout=60)
            assert isinstance(said, bytes)
            message.ParseFromString(said)
            seen += said
    return seen.decode(errors="replace")


def _import_through(made: Shop, folder: Path, rows: int) -> list[str]:
    """A failover amid an import: a clear line and exit 1, and run again it ends as one import."""
    folder.mkdir()
    write_catalog(folder, catalog_of_all())
    write_csv(folder / "logs" / "receipt_all.csv",
              [fields("receipt", serial=f"I{n:06}", batch="S01") for n in range(rows)])  # fmt: skip
    db = made.databases.address()
    command = rimqc("--db", db, "import", str(folder / "logs"), "--format", "json")
    options = {"cwd": ROOT, "text": True, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    before, primary = _position(db), made.databases.primary
    cut = subprocess.Popen(command, **options)  # type: ignore[call-overload]
    wait_for("the import", lambda: primary.ask("SELECT position FROM head")[0] > (before,))
    made.databases.fail_over()
    _, said = cut.communicate(timeout=120)
    made.databases.follow()
    faults = []
    plain = cut.returncode == 1 and said.startswith("rimqc: database") and said.count("\n") == 1
    if not plain or "run the same again" not in said:
        faults.append(f"the import that was cut ended with {cut.returncode}: {said}")
    held = _position(db) - before
    again = subprocess.Popen(command, **options)  # type: ignore[call-overload]
    printed, said = again.communicate(timeout=600)
    ended = again.returncode == 0 and _position(db) - before == rows
    if not ended or not 0 < held < rows:
        faults.append(f"the import after it: {again.returncode}, {held} held before: "
                      f"{said}{printed}")  # fmt: skip
    if not answer(db, "verify")["ok"]:
        faults.append("verify does not hold after the import")
    return faults


def _position(db: str) -> int:
    with Ledger(db) as ledger, ledger.reading() as connection:
        return connection.execute(select(Head.position)).scalar() or 0


def main() -> None:
    """By hand."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faults", type=int, default=9)
    parser.add_argument("--parts", type=int, help="default: 200 for each fault")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--asynchronous", action="store_true",
                        help="acknowledge what the primary alone holds; count losses")  # fmt: skip
    args = parser.parse_args()
    if lacks := lacking():
        raise SystemExit(lacks)
    folder = Path(tempfile.mkdtemp())
    try:
        parts = args.parts or 200 * args.faults
        outcome = run(folder, args.faults, parts, seed=args.seed,
                      synchronous=not args.asynchronous)  # fmt: skip
    finally:
        shutil.rmtree(folder)
    done = ", ".join(f"{fault} {count}" for fault, count in outcome.done.items())
    print(
        f"{outcome.records} records of {parts} parts from {STATIONS} stations in "
        f"{outcome.seconds:.0f} s, all acknowledged; {done}\n"
        f"missing {outcome.missing}, double {outcome.double}, wrong {outcome.wrong} (limit 0)\n"
        f"nothing acknowledged after a failover for {max(outcome.silences_s, default=0):.1f} s "
        f"at most\n{'; '.join(outcome.faults) or 'all answers as of one import, screens open'}"
    )
    bad = outcome.missing + outcome.double + outcome.wrong + len(outcome.faults)
    raise SystemExit(1 if bad else 0)


if __name__ == "__main__":
    main()
