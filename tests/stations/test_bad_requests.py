"""Requests that no browser and no rig would send, to a real server over a bare line.

Whatever comes, the answer is a refusal or none: never a fault of ours, never a word of Python,
never a record kept in part. The server takes the next good record as if nothing had been.
"""

import json
import os
import re
import shutil
import socket
import subprocess
import uuid
from pathlib import Path
from typing import NamedTuple

import pytest
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


@pytest.fixture(scope="module")
def shop(sqlite_template, tmp_path_factory):
    folder = tmp_path_factory.mktemp("bad-requests")
    db = f"sqlite:///{folder}/shop.sqlite"
    shutil.copy(sqlite_template, folder / "shop.sqlite")
    with opened(db, folder) as here, here.ledger.writing() as connection:
        token = tokens.add_station(connection, "W1", now())
        tom, eva = (sessions.begin(connection, who, None, now()) for who in ("tom", "eva"))
    log = folder / "stderr"
    root = str(Path(__file__).parents[2])
    with log.open("w") as errors:
        process = subprocess.Popen(
            rimqc("--db", db, "serve", "--port", "0"), cwd=folder, text=True,
            stdout=subprocess.PIPE, stderr=errors, env=os.environ | {"PYTHONPATH": root},
        )  # fmt: skip
        assert process.stdout
        with process.stdout:
            port = re.search(r"http://127\.0\.0\.1:(\d+)", process.stdout.readline())
            assert port
            yield Shop(int(port[1]), db, log, process.pid, token, tom, eva)
            process.terminate()
            process.wait(60)


def said(shop, data, patience_s=20):
    """All that the server answers to these bytes, until it closes the line or says no more."""
    answer = b""
    with socket.create_connection(("127.0.0.1", shop.port), 20) as line:
        try:
            line.sendall(data)
            line.settimeout(patience_s)
            while piece := line.recv(65536):
                answer += piece
        except OSError:  # it hung up while we spoke, or waits for more
            pass
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


HEADS = {
    "100,000 headers": lambda: [f"X-{n}: 1" for n in range(100_000)],
    "one header of 10 MB": lambda: ["X-Long: " + "a" * 10_000_000],
    "a control character": lambda: ["X-Odd: a\x01b"],
    "a line that goes on in the next": lambda: ["X-Folded: a", " b\r\n c"],
    "no colon": lambda: ["what is this"],
    "two lengths": lambda: ["Content-Length: 3", "Content-Length: 300"],
    "a negative length": lambda: ["Content-Length: -1"],
    "a length that is none": lambda: ["Content-Length: 1e3"],
    "a length beyond all measure": lambda: ["Content-Length: " + "9" * 400],
    "a length and chunks": lambda: ["Content-Length: 3", "Transfer-Encoding: chunked"],
    "an encoding that is none": lambda: ["Transfer-Encoding: chonked"],
    "a packed body": lambda: ["Content-Encoding: gzip", "Content-Length: 3"],
    "no host that is ours": lambda: ["Host: evil.example"],
}


@pytest.mark.parametrize("what", HEADS)
def test_a_head_that_is_not_as_it_should_be_is_refused(shop, what):
    before = held(shop)
    answer = said(shop, head(shop, "POST /station/records", *HEADS[what]()) + b"[]\n", 1)
    assert all(400 <= code < 500 or code == 501 for code in statuses(answer)), answer[:300]
    goes_on(shop, before)


BODIES = {
    "deep lists": b"[" * 200_000,
    "deep objects": b'[{"a":' * 100_000,
    "a million keys": b"[{" + b",".join(b'"k%d":1' % n for n in range(1_000_000)) + b"}]",
    "a number of a million digits": b'[{"gross_g":' + b"9" * 1_000_000 + b"}]",
    "a lone surrogate": b'[{"kind":"receipt","serial":"\\ud800"}]',
    "not a number": b'[{"kind":"weighing","gross_g":NaN}]',
    "bytes that are no text": b"\xff\xfe\x00" * 1000,
    "a body without end": b"[" + b"1," * 500_000,
}


@pytest.mark.parametrize("what", BODIES)
def test_a_body_that_is_not_as_it_should_be_keeps_nothing(shop, what):
    before = held(shop)
    answer = posted(shop, BODIES[what])
    (code,) = statuses(answer)
    assert code in (200, 400, 413), answer[:300]
    assert b'"accepted":0' in answer or code != 200
    goes_on(shop, before)


def test_chunks_that_are_none_keep_nothing(shop):
    before = held(shop)
    for broken in (
        b"zz\r\n[]\r\n0\r\n\r\n",
        b"-1\r\n[]\r\n",
        b"ffffffffffffffff\r\n[",
        b"2\r\n[]xx",
    ):
        answer = said(
            shop, head(shop, "POST /station/records", "Transfer-Encoding: chunked") + broken, 1
        )
        assert all(400 <= code < 500 for code in statuses(answer)), (broken, answer[:300])
    goes_on(shop, before)


def test_a_request_hidden_in_the_body_of_another_is_not_answered(shop):
    hidden = head(shop, "GET /sign-in", authorized=False)
    before = held(shop)
    for framing in (f"Content-Length: {len(hidden)}", "Transfer-Encoding: chunked"):
        body = hidden if framing.startswith("Content") else chunked(hidden)
        answer = said(
            shop, head(shop, "POST /station/records", framing, "Connection: close") + body
        )
        (code,) = statuses(answer)  # one answer, to the one that was sent
        assert code == 400 or b'"accepted":0' in answer, answer[-300:]
    goes_on(shop, before)


def test_two_requests_in_one_breath_are_answered_in_turn(shop):
    one, other = receipt(), receipt()
    data = b"".join(
        head(shop, "POST /station/records", f"Content-Length: {len(body)}", f"Connection: {then}")
        + body
        for body, then in ((one, "keep-alive"), (other, "close"))
    )
    answer = said(shop, data)
    assert statuses(answer) == [200, 200]
    assert answer.count(b'"accepted":1') == 2


@pytest.mark.parametrize(
    "line",
    ["GET /" + "a" * 200_000, "GET /%00", "GET /entry/js/..%2f..%2fqc%2ferrors.py",
     "GET /entry/photo/..%2f..%2fx", "GET //evil.example/", "GET /\\evil", "BREW /sign-in",
     "TRACE /", "CONNECT evil.example:443", "GET http://evil.example/sign-in",
     "GET /sign-in\tHTTP/1.0"],
)  # fmt: skip
def test_a_target_that_leads_astray_leads_nowhere(shop, line):
    before = held(shop)
    cookie = f"Cookie: rimqc={shop.eva}"
    answer = said(shop, head(shop, line, cookie, "Connection: close", authorized=False))
    assert all(code < 500 or code == 501 for code in statuses(answer)), answer[:300]
    assert b"RimqcError" not in answer
    assert b"evil" not in answer.partition(b"\r\n\r\n")[0]  # neither a place to go nor a cookie
    goes_on(shop, before)


COOKIES = {
    "none": "",
    "forged": "rimqc=" + "A" * 43,
    "overlong": "rimqc=" + "A" * 30_000,
    "a thousand of one name": "; ".join(["rimqc=x"] * 1000),
    "not of this alphabet": "rimqc=\xe9\xff",
    "without a name": "=; ;;=rimqc; rimqc",
}


@pytest.mark.parametrize("what", COOKIES)
def test_a_cookie_that_is_nobody_s_opens_nothing(shop, what):
    before = held(shop)
    heads = [f"Cookie: {COOKIES[what]}", "Connection: close"]
    answer = said(shop, head(shop, "GET /entry/me", *heads, authorized=False))
    assert statuses(answer) in ([401], [400], [431]), answer[:300]
    goes_on(shop, before)


def test_nobody_says_by_a_header_who_they_are_or_where_they_come_from(shop):
    claims = ["X-Forwarded-For: 127.0.0.1", "X-Forwarded-Proto: https", "X-Forwarded-Host: evil",
              "Forwarded: for=127.0.0.1;host=evil", "X-Rimqc-Session: eva", "X-User: eva",
              "X-Remote-User: eva"]  # fmt: skip
    answer = said(shop, head(shop, "GET /entry/me", *claims, "Connection: close", authorized=False))
    assert statuses(answer) == [401]
    assert b"evil" not in answer
    tom = f"Cookie: rimqc={shop.tom}"
    answer = said(
        shop, head(shop, "GET /entry/me", tom, *claims, "Connection: close", authorized=False)
    )
    assert statuses(answer) == [200]
    assert b'"tom"' in answer
    assert b'"eva"' not in answer


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "", "https://127.0.0.1"])
def test_another_page_s_script_changes_nothing_and_opens_no_web_socket(shop, origin):
    mine = [f"Cookie: rimqc={shop.eva}", f"Origin: {origin}"]
    body = [*mine, "Content-Length: 2", "Connection: close"]
    answer = said(shop, head(shop, "POST /entry/records", *body, authorized=False) + b"{}")
    assert statuses(answer) == [403]
    upgrade = [*mine, "Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13",
               "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ=="]  # fmt: skip
    answer = said(shop, head(shop, "GET /_stcore/stream", *upgrade, authorized=False))
    assert statuses(answer) == [403]


def test_after_signing_in_nobody_is_led_to_another_server(shop):
    for after in ("//evil.example", "https://evil.example", "/\\evil.example", "/%0d%0aLocation:x"):
        answer = said(
            shop, head(shop, f"GET /sign-in?after={after}", f"Cookie: rimqc={shop.tom}",
                       "Connection: close", authorized=False)
        )  # fmt: skip
        found = re.search(rb"(?i)^location: (.*)\r$", answer, re.MULTILINE)
        assert found is None or re.fullmatch(rb"/(?![/\\]).*", found[1]), answer[:300]


def test_lines_that_say_nothing_keep_nobody_else_waiting(shop):
    idle = [socket.create_connection(("127.0.0.1", shop.port), 20) for _ in range(200)]
    try:
        for line in idle[:100]:
            line.sendall(b"POST /station/records HTTP/1.1\r\nHo")
        assert b'"accepted":1' in posted(shop, receipt())
    finally:
        for line in idle:
            line.close()
