"""Web sockets that no browser would open: refused or closed, whoever asks."""

import re
import socket
import struct
from contextlib import suppress

import pytest

from tests.stations.raw_server import goes_on, head, held, said, statuses

UPGRADE = ["Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13",
           "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ=="]  # fmt: skip
TEXT, BINARY, CLOSE = 1, 2, 8


def handshake(shop, *more):
    mine = [f"Cookie: rimqc={shop.eva}", f"Origin: http://127.0.0.1:{shop.port}"]
    return head(shop, "GET /_stcore/stream", *mine, *UPGRADE, *more, authorized=False)


def frame(kind, data):
    """A whole frame as a browser sends it, masked (RFC 6455, 5.2), its mask of zeros."""
    return struct.pack("!BBI", 0x80 | kind, 0x80 | len(data), 0) + data


HANDSHAKES = {
    "200 headers": ([f"X-{n}: 1" for n in range(200)], b""),
    "a header of 10,000 letters": (["X-Long: " + "a" * 10_000], b""),
    "a body": (["Content-Length: 5"], b"hello"),
    "a body in chunks": (["Transfer-Encoding: chunked"], b"5\r\nhello\r\n0\r\n\r\n"),
    "two lengths": (["Content-Length: 0", "Content-Length: 5"], b"hello"),
    "no key": (["Sec-WebSocket-Key: "], b""),
    "an old version": (["Sec-WebSocket-Version: 8"], b""),
}


@pytest.mark.parametrize("signed_in", [True, False])
@pytest.mark.parametrize("what", HANDSHAKES)
def test_a_handshake_that_is_none_is_answered_and_its_line_closed(shop, what, signed_in):
    before = held(shop)
    more, body = HANDSHAKES[what]
    data = handshake(shop, *more)
    if not signed_in:
        data = re.sub(rb"Cookie: [^\r]*\r\n", b"", data)
    (code,) = statuses(said(shop, data + body))  # which ends when the line is closed
    assert 400 <= code < 500
    goes_on(shop, before)


@pytest.mark.parametrize(
    "sent", [frame(TEXT, b"{}"), frame(TEXT, b"\xff"), frame(3, b"x"), frame(BINARY, b"\xff" * 9)]
)
def test_what_is_no_message_of_a_screen_ends_its_socket_and_no_other(shop, sent):
    before = held(shop)
    with socket.create_connection(("127.0.0.1", shop.port), 20) as line:
        line.sendall(handshake(shop))
        answer = line.recv(65536)
        assert statuses(answer) == [101]
        line.sendall(sent)
        with suppress(TimeoutError):
            line.settimeout(1 if sent == frame(BINARY, b"\xff" * 9) else 20)
            while piece := line.recv(65536):
                answer += piece
    assert b"Traceback" not in answer
    if sent == frame(TEXT, b"{}"):
        assert struct.pack("!BBH", 0x80 | CLOSE, 2 + len(b"bytes only"), 1003) in answer
    goes_on(shop, before)
