"""A served shop and a bare line to it, for requests that no browser and no rig would send."""

import json
import os
import re
import shutil
import socket
import subprocess
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import func, select

from qc.ledger.ledger import Ledger
from qc.ledger.tables import Journal
from qc.people import sessions, tokens
from tests.dashboard.served import rimqc
from tests.maker import fields
from tests.stations.shop import now, opened

MEMORY_MB = 600


class Shop(NamedTuple):
    """A served shop: where, what it writes to stderr, its process, a rig's token, two sessions."""

    port: int
    db: str
    log: Path
    process: int
    token: str
    tom: str
    eva: str


@contextmanager
def served_shop(template: Path, folder: Path, prefix: tuple[str, ...] = ()) -> Iterator[Shop]:
    """A shop served by a process of its own, begun with a command before ours, if any."""
    db = f"sqlite:///{folder}/shop.sqlite"
    shutil.copy(template, folder / "shop.sqlite")
    with opened(db, folder) as here, here.ledger.writing() as connection:
        token = tokens.add_station(connection, "W1", now())
        tom, eva = (sessions.begin(connection, who, None, now()) for who in ("tom", "eva"))
    log = folder / "stderr"
    root = str(Path(__file__).parents[2])
    with log.open("w") as errors:
        process = subprocess.Popen(
            [*prefix, *rimqc("--db", db, "serve", "--port", "0")], cwd=folder, text=True,
            stdout=subprocess.PIPE, stderr=errors, env=os.environ | {"PYTHONPATH": root},
        )  # fmt: skip
        assert process.stdout
        with process.stdout:
            port = re.search(r"http://127\.0\.0\.1:(\d+)", process.stdout.readline())
            assert port
            try:
                yield Shop(int(port[1]), db, log, process.pid, token, tom, eva)
            finally:
                process.terminate()
                process.wait(60)


def said(shop, data, patience_s=20):
    """All that the server answers to these bytes, until it closes the line or says no more."""
    answer = b""
    # it may hang up while we speak, or wait for more
    with socket.create_connection(("127.0.0.1", shop.port), 20) as line, suppress(OSError):
        line.sendall(data)
        line.settimeout(patience_s)
        while piece := line.recv(65536):
            answer += piece
    return answer


def statuses(answer):
    return [int(code) for code in re.findall(rb"HTTP/1\.1 (\d{3}) ", answer)]


def head(shop, line="POST /station/records", *more, authorized=True):
    token = [f"Authorization: Bearer {shop.token}"] if authorized else []
    lines = [f"{line} HTTP/1.1", f"Host: 127.0.0.1:{shop.port}", *token, *more, "", ""]
    return "\r\n".join(lines).encode("latin-1")


def posted(shop, body):
    return said(shop, head(shop, "POST /station/records", f"Content-Length: {len(body)}",
                           "Connection: close") + body)  # fmt: skip


def receipt():
    serial = f"X{uuid.uuid4().hex[:12]}"
    return json.dumps([fields("receipt", serial=serial, record_id=str(uuid.uuid4()))]).encode()


def held(shop):
    with Ledger(shop.db) as ledger, ledger.reading() as connection:
        return connection.execute(select(func.count()).select_from(Journal)).scalar_one()


def goes_on(shop, before):
    """Nothing was kept since, nothing was logged, no memory taken, and a good record is."""
    assert held(shop) == before
    assert "Traceback" not in shop.log.read_text()
    peak = re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{shop.process}/status").read_text())
    assert peak
    assert int(peak[1]) / 1024 < MEMORY_MB
    assert b'"accepted":1' in posted(shop, receipt())


def chunked(*pieces):
    return b"".join(b"%x\r\n%s\r\n" % (len(piece), piece) for piece in pieces) + b"0\r\n\r\n"
