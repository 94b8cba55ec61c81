"""A line that is open has so long for a head, and what is said on it must be read."""

import json
import socket
import threading
import time
from contextlib import closing, suppress
from http.client import HTTPConnection

import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from qc.stations import lines
from qc.stations.lines import Line


@pytest.fixture
def address():
    listener = socket.create_server(("127.0.0.1", 0))
    app = Starlette(
        routes=[Route("/", counted_route, methods=["POST"]), Route("/long", long_route)]
    )
    server = uvicorn.Server(uvicorn.Config(app, http=Line, log_level="error"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    yield listener.getsockname()
    server.should_exit = True
    thread.join(10)
    listener.close()


LONG = 30_000_000


async def long_route(_):
    return Response(b"x" * LONG)


async def counted_route(request):
    return JSONResponse({"bytes": len(await request.body())})


def test_a_head_that_never_ends_closes_the_line(address, monkeypatch):
    monkeypatch.setattr(lines, "HEAD_S", 0.2)
    with socket.create_connection(address, timeout=10) as line:
        line.sendall(b"POST / HTTP/1.1\r\nHost: shop\r\n")
        with suppress(ConnectionResetError):
            assert line.recv(100) == b""


def test_a_request_sent_at_once_is_answered_as_ever(address, monkeypatch):
    monkeypatch.setattr(lines, "HEAD_S", 0.5)
    line = HTTPConnection(*address, timeout=10)
    with closing(line):
        for _ in range(2):  # the same line again: with an answer its time begins anew
            line.request("POST", "/", b"abc")
            assert json.loads(line.getresponse().read()) == {"bytes": 3}
            time.sleep(0.3)


def test_an_answer_that_nobody_reads_is_given_up(address, monkeypatch):
    monkeypatch.setattr(lines, "READ_S", 0.2)
    with socket.create_connection(address, timeout=10) as line:
        line.sendall(b"GET /long HTTP/1.1\r\nHost: shop\r\n\r\n")
        time.sleep(1.0)
        taken = 0
        with suppress(ConnectionResetError):
            while piece := line.recv(65536):
                taken += len(piece)
        assert taken < LONG


def test_an_answer_read_slowly_comes_to_its_end(address, monkeypatch):
    monkeypatch.setattr(lines, "READ_S", 1.0)
    monkeypatch.setattr(lines, "HEAD_S", 0.1)
    with socket.create_connection(address, timeout=10) as line:
        line.sendall(b"GET /long HTTP/1.1\r\nHost: shop\r\n\r\n")
        taken, rest = 0, 0
        while taken < LONG:
            piece = line.recv(1_000_000)
            assert piece
            taken += len(piece)
            if taken // 1_500_000 > rest:  # twenty rests, longer together than a while is
                rest = taken // 1_500_000
                time.sleep(0.1)
