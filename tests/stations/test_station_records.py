"""`POST /station/records`: the answer of an import, exactly once, whatever happens on the way."""

import gzip
import json
import random
import signal
import socket
import subprocess
import sys
import time
import uuid
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from qc.ledger.ledger import Ledger
from qc.people import tokens
from qc.readers.refusal import Refusal
from qc.stations import records
from qc.stations.records import BodyError, read_body
from tests.dashboard.served import started
from tests.devices.served import asked
from tests.maker import answer, fields, take_catalog, write_jsonl
from tests.stations.shop import browser, gated, now, opened, station_token


@pytest.fixture
def here(db, tmp_path):
    with opened(db, tmp_path) as found:
        yield found


@pytest.fixture
def send(here):
    client, token = browser(gated(here)), station_token(here)

    def sent(body, **headers):
        more = {"authorization": f"Bearer {token}"} | headers
        if isinstance(body, list):
            body = json.dumps(body)
        return client.post("/station/records", content=body, headers=more)

    return sent


def _id(number):
    return str(uuid.UUID(int=number + 1))


def lines(count, first=0):
    return [
        fields(
            "weighing", serial=f"A{i}", gross_g=440 + i % 20, record_id=str(uuid.UUID(int=i + 1))
        )
        for i in range(first, first + count)
    ]


def test_the_answer_is_that_of_an_import_of_the_same_lines(here, send, tmp_path, sqlite):
    sent = [
        fields("receipt", colour="red"),
        fields("weighing"),
        fields("weighing", gross_g="heavy"),
        fields("weighing", gauge="S11"),
        fields("weighing"),
        fields("weighing", record_id=str(uuid.UUID(int=7))),
        fields("weighing", record_id=str(uuid.UUID(int=7)), gross_g=451),
    ]
    said = send(sent).json()
    beside = sqlite.new()
    with Ledger(beside) as ledger:
        take_catalog(ledger, tmp_path)
    code_1 = write_jsonl(tmp_path / "log.jsonl", sent)
    from tests.maker import run

    _, out, _ = run("--db", beside, "--format", "json", "import", code_1)
    (whole,) = json.loads(out)["files"]
    assert {**said, "file": 0} == {**whole, "file": 0}
    assert (said["accepted"], said["already_held"], said["refused"]) == (3, 1, 3)


def test_sending_again_counts_nothing_twice(here, send):
    sent = lines(30)
    told = [send(sent).json() for _ in range(3)]
    assert [(t["accepted"], t["already_held"]) for t in told] == [(30, 0), (0, 30), (0, 30)]
    as_lines = "\n".join(json.dumps(line) for line in sent)
    assert send(as_lines).json()["already_held"] == 30


@pytest.mark.parametrize(
    "authorization", ["", "Bearer", "Bearer x", "Basic abc", "Bearer " + "A" * 43]
)
def test_without_a_valid_token_nothing_is_taken(here, send, authorization):
    said = send(lines(1), authorization=authorization)
    assert said.status_code == 401
    assert said.headers["www-authenticate"] == "Bearer"


def test_a_revoked_or_replaced_token_ends_at_once(here):
    client, old = browser(gated(here)), station_token(here)
    new = station_token(here)

    def status(token):
        headers = {"authorization": f"Bearer {token}"}
        return client.post("/station/records", json=[], headers=headers).status_code

    assert (status(old), status(new)) == (401, 200)
    with here.ledger.writing() as connection:
        tokens.revoke_station(connection, "W1", now())
    assert status(new) == 401


def test_a_body_that_is_packed_or_too_large_is_refused_whole(here, send, monkeypatch):
    packed = gzip.compress(json.dumps(lines(1)).encode())
    assert send(packed, **{"content-encoding": "gzip"}).status_code == 415
    client = TestClient(gated_small(here, 1000), base_url="http://testserver")
    headers = {"authorization": f"Bearer {station_token(here, 'W5')}"}
    for content in (b"x" * 1001, iter([b"[" + b" " * 600, b" " * 600 + b"]"])):
        said = client.post("/station/records", content=content, headers=headers)
        assert said.status_code == 413
        assert "at most 1000 bytes" in said.json()["error"]


def gated_small(here, most):
    from starlette.applications import Starlette

    return Starlette(routes=records.routes(here, most))


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (b"", "empty"),
        (b"  \n ", "empty"),
        (b"[", "no whole JSON array"),
        (b'[{"a": 1}', "no whole JSON array"),
        (b'[{"a": 1},]', "no whole JSON array"),
        (b"[] []", "text follows"),
        (b"[" * 100_000, "no whole JSON array"),
        (b'[{"a": "\xff"}]', "no whole JSON array"),
    ],
)
def test_a_body_that_is_no_list_of_records_is_refused_and_nothing_of_it_taken(body, why, send):
    said = send(body)
    assert said.status_code == 400
    assert why in said.json()["error"]


def test_of_a_broken_array_nothing_is_taken(here, send):
    assert send(json.dumps(lines(3))[:-1]).status_code == 400
    assert answer(here.ledger.url.render_as_string(hide_password=False), "flags") == []
    assert send(lines(3)).json()["accepted"] == 3


def test_each_bad_line_is_refused_by_itself_in_its_place():
    body = b'{"a": 1.50}\n\nnope\n[1]\n{"a": 1, "a": 2}\n{"b": "x\xe2\x80\xa8y"}'
    read = list(read_body(body))
    assert [type(one) is Refusal for one in read] == [False, True, True, True, False]
    assert [one[0] for one in read] == [1, 3, 4, 5, 6]
    as_array = list(read_body(b'[1, {"a": 1, "a": 2}, "x", null, {"b": 0.10}]'))
    assert [type(one) is Refusal for one in as_array] == [True, True, True, True, False]
    assert str(as_array[4][1]["b"]) == "0.10"


def test_a_byte_order_mark_is_no_part_of_the_body():
    for body in (b'\xef\xbb\xbf[{"a": 1}]', b'\xef\xbb\xbf{"a": 1}'):
        ((number, value, _),) = read_body(body)
        assert (number, value) == (1, {"a": 1})
    with pytest.raises(BodyError):
        list(read_body(b"\xef\xbb\xbf"))


def serving(db):
    main = "import sys; from qc.commands import main; sys.exit(main(sys.argv[1:]))"
    return [sys.executable, "-c", main, "--db", db, "serve", "--port", "0"]


@pytest.fixture
def shop_server(tmp_path):
    """A database with a catalog and a station's token, and a way to start its server."""
    db = f"sqlite:///{tmp_path}/shop.sqlite"
    with Ledger(db, create=True) as ledger:
        take_catalog(ledger, tmp_path)
        with ledger.writing() as connection:
            token = tokens.add_station(connection, "W1", now())
    return db, token


def _request(host, port, token, length):
    return (
        f"POST /station/records HTTP/1.1\r\nHost: {host}:{port}\r\n"
        f"Authorization: Bearer {token}\r\nContent-Length: {length}\r\n\r\n"
    ).encode()


def test_a_length_that_is_not_true_takes_nothing(shop_server, tmp_path):
    db, token = shop_server
    body = json.dumps(lines(5)).encode()
    with started(serving(db), tmp_path) as url:
        for said in (len(body) + 50, 10):
            host, _, port = url.removeprefix("http://").partition(":")
            with socket.create_connection((host, int(port)), 20) as line:
                line.sendall(_request(host, port, token, said) + body)
                line.shutdown(socket.SHUT_WR)
                while line.recv(4096):
                    pass
        headers = {"Authorization": f"Bearer {token}"}
        status, told = asked(url, "POST", "/station/records", body.decode(), headers)
        assert (status, told["accepted"]) == (200, 5)


def test_a_server_killed_in_the_middle_ends_with_every_record_once(shop_server, tmp_path):
    """Killed at random moments of requests; the station sends until it is answered."""
    db, token = shop_server
    headers = {"Authorization": f"Bearer {token}"}
    waits = random.Random(5)
    total = 400
    for turn in range(5):
        process = subprocess.Popen(
            serving(db), stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]
        )
        url = process.stdout.readline().split()[4]
        host, _, port = url.removeprefix("http://").partition(":")
        body = json.dumps(lines(total, turn * 200)).encode()
        with socket.create_connection((host, int(port)), 20) as line:
            line.sendall(
                f"POST /station/records HTTP/1.1\r\nHost: {host}:{port}\r\nAuthorization: Bearer "
                f"{token}\r\nContent-Length: {len(body)}\r\n\r\n".encode()
                + body
            )
            time.sleep(waits.uniform(0, 0.4))
            process.send_signal(signal.SIGKILL)
        process.wait(20)
        process.stdout.close()
    with started(serving(db), tmp_path) as url:
        told = [
            asked(url, "POST", "/station/records", json.dumps(lines(total, turn * 200)), headers)[1]
            for turn in range(5)
        ]
    assert all(t["accepted"] + t["already_held"] == total and not t["refused"] for t in told)
    proof = answer(db, "verify")
    entries = len(_catalog_entries(db))
    assert (proof["ok"], proof["records"]) == (True, total + 4 * 200 + entries)


def _catalog_entries(db):
    with Ledger(db) as ledger:
        return ledger.catalog().recorded
