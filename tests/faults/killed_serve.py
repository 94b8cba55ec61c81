"""`rimqc serve` killed at random instants while stations post; each record they heard of is held.

    python tests/faults/killed_serve.py --count 200

A station sends a body again until it is answered for, as `rimqc send` does. After every kill the
acknowledged records must be there once; after some, when all have come, every answer must be that
of one import of the same lines. Kills fall from the start of the server on.
"""

import contextlib
import http.client
import json
import random
import threading
import time
from collections import Counter
from collections.abc import Iterator
from multiprocessing.process import BaseProcess
from pathlib import Path

from tests.conftest import Databases
from tests.faults.campaign import (
    Outcome,
    answers,
    begin_shop,
    by_hand,
    held,
    killed,
    lost_or_doubled,
    outcome,
    unlike,
)
from tests.faults.networks import free_port
from tests.faults.one_station import Line, connected, post
from tests.faults.shift import catalog_of_all, work
from tests.killing import start
from tests.maker import answer, write_catalog, write_jsonl
from tests.maker import run as command

PARTS, LIVES = 24, 20


class Station(threading.Thread):
    """Posts bodies one after the other, each until it is answered for."""

    def __init__(self, url: str, token: str, bodies: list[list[Line]]) -> None:
        super().__init__(daemon=True)
        self._url, self._token, self._bodies = url, token, bodies
        self.acknowledged: set[str] = set()
        self.unanswered = 0
        self.refused: list[str] = []

    def run(self) -> None:
        with contextlib.closing(connected(self._url)) as connection:
            self._post_all(connection)

    def _post_all(self, connection: http.client.HTTPConnection) -> None:
        for body in self._bodies:
            while True:
                try:
                    said = post(connection, self._token, body)
                    break
                except ConnectionRefusedError:
                    connection.close()
                except (OSError, http.client.HTTPException, json.JSONDecodeError):
                    self.unanswered += 1
                    connection.close()
                time.sleep(0.02)
            if said.get("accepted", -1) + said.get("already_held", 0) != len(body):
                self.refused.append(str(said))
            self.acknowledged |= {line["record_id"] for line in body}
            time.sleep(0.02)


def run(databases: Databases, folder: Path, count: int, seed: int = 1) -> Outcome:
    """Kill so many servers, about `LIVES` on a database."""
    chance = random.Random(seed)
    counts = Counter(dict.fromkeys(
        ("killed", "before any answer", "amid answers", "bodies unanswered", "acknowledged",
         "lost", "doubled"), 0))  # fmt: skip
    wrong: list[str] = []
    while counts["killed"] < count:
        lives = min(LIVES, count - counts["killed"])
        aside = folder / f"{counts['killed']}"
        aside.mkdir()
        wrong += _round(databases.new(), aside, lives, chance, counts)
    return outcome(counts, wrong)


def _round(
    db: str, folder: Path, lives: int, chance: random.Random, counts: Counter[str]
) -> list[str]:
    bodies = work(PARTS, random.Random(chance.random()))
    lines = [line for own in bodies for body in own for line in body]
    port = free_port()
    tokens = begin_shop(db, folder, len(bodies))
    stations = [
        Station(f"http://127.0.0.1:{port}", token, own)
        for token, own in zip(tokens, bodies, strict=True)
    ]
    wrong: list[str] = []
    longest_s = 3 * _seconds_to_begin(folder, db, port)
    begun = 0
    for life in range(lives):
        server = _serving(folder, db, port)
        while begun < len(stations) * (life + 1) / lives:  # more and more of them are at work
            stations[begun].start()
            begun += 1
        before = sum(len(one.acknowledged) for one in stations)
        assert killed(server, chance.uniform(0, longest_s)), "the server ended by itself"
        counts["killed"] += 1
        acknowledged = set().union(*(one.acknowledged for one in stations))
        counts["amid answers" if len(acknowledged) > before else "before any answer"] += 1
        counts.update(lost_or_doubled(held(db), acknowledged))
        if not answer(db, "verify")["ok"]:
            wrong.append(f"verify does not hold after kill {counts['killed']}")
    with served(folder, db, port):
        for one in stations:
            one.join(120)
    if any(one.is_alive() for one in stations):
        return [*wrong, "stations did not come to their end"]
    counts["bodies unanswered"] += sum(one.unanswered for one in stations)
    counts["acknowledged"] += sum(len(one.acknowledged) for one in stations)
    wrong += [said for one in stations for said in one.refused]
    return wrong + unlike(db, of_one_import(folder, lines))


def _serving(folder: Path, db: str, port: int) -> BaseProcess:
    return start(folder / "told", ["--db", db, "serve", "--port", str(port)], pages=20)


def _seconds_to_begin(folder: Path, db: str, port: int) -> float:
    """How long a server takes until it answers, on this machine and just now."""
    began = time.monotonic()
    with served(folder, db, port):
        station = Station(f"http://127.0.0.1:{port}", "none", [[]])
        station.start()
        station.join(120)
        return time.monotonic() - began


@contextlib.contextmanager
def served(folder: Path, db: str, port: int) -> Iterator[None]:
    """A server that runs while the context lasts, and is stopped as a person stops it."""
    server = _serving(folder, db, port)
    try:
        yield
    finally:
        server.terminate()  # what waits is written
        server.join(60)


def of_one_import(folder: Path, lines: list[Line]) -> dict[str, object]:
    """What one import of the lines answers."""
    logs = folder / "logs"
    logs.mkdir()
    write_catalog(logs, catalog_of_all())
    write_jsonl(logs / "shift.jsonl", lines)
    clean = f"sqlite:///{folder}/clean.sqlite"
    assert command("--db", clean, "import", logs)[0] == 0
    return answers(clean)


if __name__ == "__main__":
    by_hand(__doc__, run)
