"""One record through `POST /station/records`, against a bare route that inserts one row.

    python tests/bench/posting.py [--records 400] [--db postgresql+psycopg://…/empty]
                                  [--bare postgresql://…/other]

Clients are a process of their own, 1, 8 and 50 at once, each over one kept connection, each
sending a first weighing of a received part when the one before was answered. Both servers run
under uvicorn and commit with
the same durability before they answer. Prints median and p99 in milliseconds and their ratio; the
limit is 3 times at the median. Also how many records a second each takes: a bare route on SQLite
lets one client go on while the others wait, so that its median tells of the lucky one. Then 8
clients while four people redraw the claims screen, against themselves without (at most 1.5 times
at p99). By default both write SQLite files.
"""

import argparse
import asyncio
import json
import multiprocessing
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.import_speed import write_shop
from tests.bench.row import row

BARE = """
import sys, socket, threading, uvicorn
from starlette.applications import Starlette
from starlette.responses import JSONResponse
from starlette.routing import Route
from starlette.concurrency import run_in_threadpool
url = sys.argv[1]
own = threading.local()
if url.startswith("postgresql"):
    import psycopg
    mark = "%s"
    def connect():
        return psycopg.connect(url)
else:
    import sqlite3
    mark = "?"
    def connect():
        made = sqlite3.connect(url, timeout=60)
        made.execute("PRAGMA journal_mode=WAL")
        made.execute("PRAGMA synchronous=FULL")
        return made
first = connect()
first.execute("CREATE TABLE IF NOT EXISTS plain (id TEXT PRIMARY KEY, body TEXT)")
first.commit()
def keep(body):
    if not hasattr(own, "connection"):
        own.connection = connect()
    import json
    record = json.loads(body)[0]
    row = (record["record_id"], body.decode())
    own.connection.execute(f"INSERT INTO plain VALUES ({mark}, {mark})", row)
    own.connection.commit()
async def take(request):
    await run_in_threadpool(keep, await request.body())
    return JSONResponse({"accepted": 1})
listener = socket.create_server(("127.0.0.1", 0))
# asyncio does so only for sockets that name their protocol; else each answer waits 40 ms
listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
print(f"http://127.0.0.1:{listener.getsockname()[1]}", flush=True)
app = Starlette(routes=[Route("/station/records", take, methods=["POST"])])
uvicorn.Server(uvicorn.Config(app, log_level="error")).run([listener])
"""
MAIN = "import sys; from qc.commands import main; sys.exit(main(sys.argv[1:]))"


@contextmanager
def started(line: list[str], pattern: str) -> Iterator[tuple[str, str]]:
    """A serving process; the first address it prints, and the one that matches."""
    process = subprocess.Popen(line, stdout=subprocess.PIPE, text=True)
    assert process.stdout
    first = ""
    try:
        for said in process.stdout:
            address = re.search(r"http://\S+", said)
            first = first or (address[0] if address else "")
            if found := re.search(pattern, said):
                yield first, found[1]
                break
        else:
            raise SystemExit(f"{line[:3]} did not start")
    finally:
        process.terminate()
        process.wait(30)


def record(number: int) -> bytes:
    seconds = number % 86_400
    at = f"2036-03-02T{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}Z"
    return json.dumps([{
        "record_id": str(uuid.uuid4()), "kind": "weighing", "serial": f"R{number:07}",
        "stage": "rim", "gauge": "S1", "gross_g": "450.1", "taken_at": at, "station": "IN",
        "inspector": "ann",
    }]).encode()  # fmt: skip


async def client(address: str, token: str, records: range, times: list[float]) -> None:
    host, port = address.removeprefix("http://").split(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    for number in records:
        body = record(number)
        head = (
            f"POST /station/records HTTP/1.1\r\nHost: {host}:{port}\r\n"
            f"Authorization: Bearer {token}\r\nContent-Type: application/json\r\n"
            f"Content-Length: {len(body)}\r\n\r\n"
        )
        began = time.perf_counter()
        writer.write(head.encode() + body)
        answer = await reader.readuntil(b"\r\n\r\n")
        length = re.search(rb"(?i)content-length: (\d+)", answer)
        assert length, answer
        said = await reader.readexactly(int(length[1]))
        times.append(time.perf_counter() - began)
        assert b'"accepted":1' in said, (answer, said)
    writer.close()


def measure(address: str, token: str, clients: int, records: int, first: int) -> list[float]:
    """The times of all requests, from a process of its own."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(_measured, (address, token, clients, records, first))


def _measured(address: str, token: str, clients: int, records: int, first: int) -> list[float]:
    async def all_of_them() -> list[float]:
        times: list[float] = []
        each = max(1, records // clients)
        spans = [range(first + n * each, first + (n + 1) * each) for n in range(clients)]
        await asyncio.gather(*(client(address, token, span, times) for span in spans))
        return times

    return asyncio.run(all_of_them())


def p99(times: list[float]) -> float:
    return sorted(times)[min(len(times) - 1, int(0.99 * len(times)))]


def redraw(url: str, cookie: str) -> None:
    """A person who looks at the claims screen and draws it again as soon as it stands."""
    from streamlit.proto.BackMsg_pb2 import BackMsg
    from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
    from websockets.sync.client import connect

    with connect(
        url.replace("http", "ws", 1) + "/_stcore/stream", origin=url, max_size=None,
        subprotocols=["streamlit", "none"], additional_headers={"Cookie": f"rimqc={cookie}"},
    ) as socket:  # fmt: skip
        asked = BackMsg()
        asked.rerun_script.query_string, asked.rerun_script.page_name = "", "claims"
        while True:
            socket.send(asked.SerializeToString())
            message = ForwardMsg()
            while message.WhichOneof("type") != "script_finished":
                message.ParseFromString(socket.recv(timeout=60))


@contextmanager
def viewers(db: str, url: str, count: int) -> Iterator[None]:
    """So many people before a screen, in processes of their own."""
    from qc.ledger.ledger import Ledger, now
    from qc.people import accounts, sessions

    with Ledger(db) as ledger, ledger.writing() as connection:
        accounts.add_person(connection, "eva", "Eva", "engineer", now())
        cookies = [sessions.begin(connection, "eva", None, now()) for _ in range(count)]
    spawn = multiprocessing.get_context("spawn")
    people = [spawn.Process(target=redraw, args=(url, cookie), daemon=True) for cookie in cookies]
    for one in people:
        one.start()
    time.sleep(8)  # until each has drawn it once
    try:
        yield
    finally:
        for one in people:
            one.terminate()
            one.join()


def rimqc(db: str, *words: str) -> str:
    line = [sys.executable, "-c", MAIN, "--db", db, *words]
    return subprocess.run(line, check=True, capture_output=True, text=True).stdout


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--records", type=int, default=400)
    parser.add_argument("--db")
    parser.add_argument("--bare")
    args = parser.parse_args()
    folder = Path(tempfile.mkdtemp())
    try:
        (folder / "shop").mkdir()
        # twelve runs, and two four times as long: of a p99 that much is needed
        write_shop(folder / "shop", 20 * args.records)
        (folder / "shop" / "weighing-all.csv").unlink()  # they come one by one
        db = args.db or f"sqlite:///{folder}/a.sqlite"
        rimqc(db, "import", str(folder / "shop"))
        kind = db.partition(":")[0].partition("+")[0]
        token = re.search(r"rimqc_\w+|[A-Za-z0-9_-]{30,}", rimqc(db, "station", "add", "IN"))
        assert token
        serve = [sys.executable, "-c", MAIN, "--db", db, "serve", "--port", "0", "--stations", "0"]
        bare = [sys.executable, "-c", BARE, args.bare or str(folder / "bare.sqlite")]
        number = 0
        with (
            started(serve, r"Stations send to (http://\S+)") as (screens, ours),
            started(bare, r"(http://\S+)") as (_, plain),
        ):
            for clients in (1, 8, 50):
                found = {}
                for name, address in (("bare", plain), ("rimqc", ours)) * 2:
                    times = measure(address, token[0], clients, args.records, number)
                    number += args.records
                    rate = clients / statistics.mean(times)
                    these = (statistics.median(times), p99(times), rate)
                    found[name] = min(found.get(name, these), these)
                (bound, bound99, may), (own, own99, can) = found["bare"], found["rimqc"]
                who = f"one record posted, {clients} clients, {kind}"
                print(row(f"{who}: median", 1e3 * own, 1e3 * bound, 3, "ms"), flush=True)
                print(
                    f"| its p99 | {1e3 * own99:.3g} ms | {1e3 * bound99:.3g} ms | | |\n"
                    f"| records a second | {can:,.0f} | {may:,.0f} | {may / can:.2f} | |",
                    flush=True,
                )
            long = 4 * args.records
            alone = p99(measure(ours, token[0], 8, long, number))
            with viewers(db, screens, 4):
                beside = p99(measure(ours, token[0], 8, long, number + long))
            what = f"p99 of one record posted, 8 clients, {kind}, while four people redraw a screen"
            print(row(what, 1e3 * beside, 1e3 * alone, 1.5, "ms"))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
