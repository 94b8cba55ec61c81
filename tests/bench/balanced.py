"""Records a second through the balancer to two servers, against one server without a balancer.

    python tests/bench/balanced.py [--parts 300] [--bulk 20000]

All on this machine: two PostgreSQL servers (each record is on both before it is acknowledged), two
servers, the balancer, and eight stations that send at once, a record or two at a time, then 500 at
a time from their spools. The limit: the balancer takes no more than half of either rate away.
"""

import argparse
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.devices.link import Link
from qc.devices.sending import Sender
from qc.devices.spool import Spool
from tests.faults.cluster import begin
from tests.faults.machines import HERE, Shop, lacking, shop
from tests.faults.shift import STATIONS, work, worked
from tests.maker import fields

LEAST = 0.5


def single(made: Shop, url: str, tokens: list[str], parts: int, seed: int) -> float:
    """Records a second, a record or two in a request."""
    import random

    bodies = work(parts, random.Random(seed))
    for own in bodies:  # other parts each time
        for body in own:
            for line in body:
                line["serial"] += f"-{seed}"
    told = worked(url, tokens, bodies, seed, made.authority if url == made.url else None)
    count = sum(len(body) for own in bodies for body in own)
    return count / (max(one.ended for one in told) - min(one.began for one in told))


def bulk(made: Shop, url: str, tokens: list[str], records: int, folder: Path) -> float:
    """Records a second, 500 in a request."""
    senders = []
    for n, token in enumerate(tokens):
        own = folder / f"{n}"
        own.mkdir(parents=True)
        (own / "token").write_text(token)
        link = Link(url, own / "token", ca=made.authority, timeout_s=120)
        sender = Sender(Spool(own / "spool"), link)
        sender.put(
            fields("receipt", serial=f"{folder.name}{n}-{i}", batch="S01")
            for i in range(records // STATIONS)
        )
        senders.append(sender)
    began = time.monotonic()
    waiting = [threading.Thread(target=_sent, args=(sender,)) for sender in senders]
    for one in waiting:
        one.start()
    for one in waiting:
        one.join()
    return sum(sender.sent.accepted for sender in senders) / (time.monotonic() - began)


def _sent(sender: Sender) -> None:
    with sender:
        sender.finish()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", type=int, default=300)
    parser.add_argument("--bulk", type=int, default=20_000)
    args = parser.parse_args()
    if lacks := lacking():
        raise SystemExit(lacks)
    with tempfile.TemporaryDirectory() as name, shop() as made:
        folder = Path(name)
        tokens, _ = begin(made.databases.address(), folder)
        straight = f"http://{HERE}:{made.servers[0].stations}"
        single(made, straight, tokens, 10, 0)  # everything is loaded
        single(made, made.url, tokens, 10, 1)
        rows = [
            ("a record or two at a time", single(made, straight, tokens, args.parts, 2),
             single(made, made.url, tokens, args.parts, 3)),
            ("500 at a time", bulk(made, straight, tokens, args.bulk, folder / "A"),
             bulk(made, made.url, tokens, args.bulk, folder / "B")),
        ]  # fmt: skip
    print(f"{'records/s':28}{'one server':>12}{'balanced':>12}{'ratio':>8}")
    slow = False
    for what, alone, balanced in rows:
        slow |= balanced < LEAST * alone
        print(f"{what:28}{alone:12.0f}{balanced:12.0f}{balanced / alone:8.2f}")
    raise SystemExit(1 if slow else 0)


if __name__ == "__main__":
    main()
