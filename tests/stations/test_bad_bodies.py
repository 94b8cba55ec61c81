"""Bodies that no rig would send, to a real server over a bare line: none is kept in part."""

import json
import socket
import time
import uuid
from contextlib import suppress

import pytest

from tests.maker import fields
from tests.stations.raw_server import (
    chunked,
    goes_on,
    head,
    held,
    posted,
    receipt,
    said,
    statuses,
)  # fmt: skip

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


def by_hand(shop, path, body):
    """The answer to what the person with all rights sends from a page of this server."""
    mine = [f"Cookie: rimqc={shop.eva}", f"Origin: http://127.0.0.1:{shop.port}"]
    framing = ["Content-Type: application/json", f"Content-Length: {len(body)}",
               "Connection: close"]  # fmt: skip
    return said(shop, head(shop, f"POST {path}", *mine, *framing, authorized=False) + body)


HALF = "\ud800"


@pytest.mark.parametrize("field", ["record_id", "serial", "kind", "inspector", "gauge_code", "note",
                                   "batch_code", "taken_at", "gross_g", HALF])  # fmt: skip
def test_half_a_character_in_any_field_is_refused_in_words(shop, field):
    before = held(shop)
    record = fields("weighing", record_id=str(uuid.uuid4())) | {field: HALF}
    written = json.dumps(record).encode()
    for answer in (
        by_hand(shop, "/entry/records", b'{"records":[' + written + b"]}"),
        posted(shop, b"[" + written + b"]"),
    ):
        (code,) = statuses(answer)
        assert code in (200, 400, 409, 422), answer[:300]
        assert b'"accepted":0' in answer or code != 200, answer
    goes_on(shop, before)


@pytest.mark.parametrize("token", ["", "Authorization: Bearer nobody"])
@pytest.mark.parametrize("at_once", [True, False])
def test_a_body_that_goes_wrong_once_it_is_refused_ends_the_line(shop, token, at_once):
    before = held(shop)
    lines = [line for line in (token, "Transfer-Encoding: chunked") if line]
    data = head(shop, "POST /station/records", *lines, authorized=False)
    for path in ("/station/records", "/entry/records", "/sign-in"):
        begun = data.replace(b"/station/records", path.encode())
        with socket.create_connection(("127.0.0.1", shop.port), 20) as line:
            line.sendall(begun + (b"" if at_once else b"1\r\nx\r\n"))
            with suppress(OSError):
                if not at_once:
                    time.sleep(0.1)
                line.sendall(b"zz\r\nno chunk\r\n")
                while line.recv(65536):
                    pass
    goes_on(shop, before)


def test_a_body_with_a_length_and_chunks_hides_no_request(shop):
    hidden = head(shop, "GET /sign-in", "Connection: close", authorized=False)
    before = held(shop)
    for length in (5, 5 + len(hidden)):
        framing = [f"Content-Length: {length}", "Transfer-Encoding: chunked"]
        answer = said(shop, head(shop, "POST /station/records", *framing) + b"0\r\n\r\n" + hidden)
        assert statuses(answer) == [400]
        assert b"not both" in answer
    goes_on(shop, before)
