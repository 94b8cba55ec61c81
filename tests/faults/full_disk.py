"""The disk fills at a random moment, and is given room again; nothing may be lost or half kept.

    python -m tests.faults.full_disk --count 200        # for root, who may mount a file system

Half of the disks fill under `rimqc import`, a quarter each under `rimqc serve` and
`rimqc backup`; a server meets several. Whoever finds the disk full must say so in one line and say
what to do; what was acknowledged before must be there, once, and `verify` in order. Once there is
room, the same again must end as it does on a disk that never was full: the server without being
started again.
"""

import itertools
import random
import subprocess
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

from tests.conftest import Databases
from tests.faults.campaign import (
    Outcome,
    answers,
    begin_shop,
    by_hand,
    held,
    lost_or_doubled,
    made_anew,
    outcome,
    small_disk,
    unlike,
)
from tests.faults.killed_import import held_so_far, import_logs, shop_logs
from tests.faults.killed_serve import Station, of_one_import, served
from tests.faults.networks import free_port
from tests.faults.one_station import Line, connected, post
from tests.faults.shift import work
from tests.maker import answer
from tests.maker import run as command

ROOM_KB = 65_536
# so often the disk of one server fills
FILLS = 5
# how one who meets a full disk says so, and what to do
SAYS = ("disk is full; free some space", "disk I/O error; check the disk and its free space",
        "No space left on device")  # fmt: skip


class Undisturbed(NamedTuple):
    """The shop's logs, and what comes of them where nothing fills."""

    folder: Path
    logs: Path
    db: str
    answers: dict[str, Any]
    code: int


def run(databases: Databases, folder: Path, count: int, seed: int = 1) -> Outcome:
    """Fill so many disks. Raises SystemExit where no file system can be mounted."""
    if databases.kind != "sqlite":
        raise SystemExit("disks are filled under SQLite only; leave --db out")
    chance = random.Random(seed)
    counts = Counter(dict.fromkeys(
        ("import", "import stopped", "serve", "serve refused", "bodies put off", "backup",
         "backup stopped", "lost", "doubled"), 0))  # fmt: skip
    wrong: list[str] = []
    logs = shop_logs(folder / "logs", 12)
    clean = f"sqlite:///{folder}/clean.sqlite"
    whole = import_logs(folder, logs, clean)
    plain = Undisturbed(folder, logs, clean, answers(clean), whole.code)
    fills = itertools.cycle((_serve, *(_import, _import, _backup) * FILLS))
    while (number := counts["import"] + counts["serve"] + counts["backup"]) < count:
        fill = next(fills)
        with small_disk(folder / "disk", ROOM_KB) as disk:
            faults = fill(plain, disk, chance, counts)
        wrong += [f"{number}, {fill.__name__[1:]}: {fault}" for fault in faults]
    return outcome(counts, wrong)


def _import(
    plain: Undisturbed, disk: Path, chance: random.Random, counts: Counter[str]
) -> list[str]:
    wrong = []
    db = made_anew(disk).new()
    size = Path(plain.db.removeprefix("sqlite:///")).stat().st_size // 1024
    _leave(disk, chance.randint(0, 5 * size))
    counts["import"] += 1
    ended = import_logs(plain.folder, plain.logs, db)
    if ended.code != plain.code or ended.err:
        counts["import stopped"] += 1
        wrong += _plainly(ended.code, ended.err)
    _leave(disk, ROOM_KB)  # without any, not even a reader finds a place for the log's index
    before = held_so_far(db)
    counts["doubled"] += sum(before.values()) - len(before)
    if not answer(db, "verify")["ok"]:
        wrong.append("verify found something")
    again = import_logs(plain.folder, plain.logs, db)
    if again.code != plain.code or again.err:
        wrong.append(f"run again: {again.code} {again.err}")
    counts.update(lost_or_doubled(held(db), set(before)))
    return wrong + unlike(db, plain.answers)


def _serve(
    plain: Undisturbed, disk: Path, chance: random.Random, counts: Counter[str]
) -> list[str]:
    """One station posts a shift to a server whose disk fills again and again."""
    aside = plain.folder / f"served-{counts['serve']}"
    aside.mkdir()
    db, port, wrong = made_anew(disk).new(), free_port(), []
    own = [body for bodies in work(8, chance) for body in bodies]
    (token,) = begin_shop(db, aside, 1)
    url = f"http://127.0.0.1:{port}"
    with served(aside, db, port):
        first = Station(url, token, own[:1])  # it comes as soon as the server answers
        first.start()
        first.join(120)
        for share in range(FILLS):
            counts["serve"] += 1
            _leave(disk, chance.randint(0, 100))
            bodies = own[share * len(own) // FILLS : (share + 1) * len(own) // FILLS]
            wrong += _posted(bodies, url, token, db, disk, counts)
    lines = [one for body in own for one in body]
    return wrong + unlike(db, of_one_import(aside, lines))


def _posted(
    bodies: list[list[Line]], url: str, token: str, db: str, disk: Path, counts: Counter[str]
) -> list[str]:
    """Post them, give the disk room, and post again what was put off."""
    put_off, acknowledged, wrong = [], set(), []
    with closing(connected(url)) as line:
        for body in bodies:
            said = post(line, token, body)
            if "accepted" in said:
                acknowledged |= {one["record_id"] for one in body}
                continue
            put_off.append(body)
            if not any(words in said.get("error", "") for words in SAYS):
                wrong.append(f"on a full disk it said {said}")
        counts["serve refused"] += bool(put_off)
        counts["bodies put off"] += len(put_off)
        counts.update(lost_or_doubled(held(db), acknowledged))
        _leave(disk, ROOM_KB)
        for body in put_off:
            said = post(line, token, body)
            if said.get("accepted", 0) + said.get("already_held", 0) != len(body):
                wrong.append(f"given room again it said {said}")
    return wrong


def _backup(
    plain: Undisturbed, disk: Path, chance: random.Random, counts: Counter[str]
) -> list[str]:
    file, wrong = disk / "kept.rimqc.gz", []
    counts["backup"] += 1
    _leave(disk, chance.randint(0, 40))
    code, _, err = command("--db", plain.db, "backup", file)
    if code:
        counts["backup stopped"] += 1
        wrong += _plainly(code, err)
        if list(disk.iterdir()):
            wrong.append(f"left behind: {sorted(path.name for path in disk.iterdir())}")
        _leave(disk, ROOM_KB)
        code, _, err = command("--db", plain.db, "backup", file)
    restored = f"sqlite:///{disk}/restored.sqlite"
    _leave(disk, ROOM_KB)
    if code or command("--db", restored, "restore", file)[0]:
        return [*wrong, f"given room again: {code} {err}"]
    return wrong + unlike(restored, plain.answers)


def _leave(disk: Path, kilobytes: int) -> None:
    """Let there be so much room on the disk beyond what is taken."""
    taken = sum(path.stat().st_blocks for path in disk.iterdir()) // 2
    size = f"remount,size={max(taken + kilobytes, 4)}k"
    subprocess.run(["mount", "-o", size, str(disk)], check=True)


def _plainly(code: int, err: str) -> list[str]:
    """What is wrong with the way in which a full disk was told of."""
    told = err.strip().splitlines()
    if code == 1 and len(told) == 1 and any(words in told[0] for words in SAYS):
        return []
    return [f"a full disk ended with {code}: {err}"]


if __name__ == "__main__":
    by_hand(__doc__, run)
