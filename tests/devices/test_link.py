"""The line to the server: TLS, and what becomes of a request that is not answered."""

import datetime as dt
import socket
import threading

import pytest
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from qc.devices.link import Link, NoAnswer
from qc.devices.patience import waits
from qc.errors import RimqcError
from qc.stations.local_tls import local_certificate
from tests.devices.served import serving

HELLO = Starlette(routes=[Route("/hello", lambda _: PlainTextResponse("hello"))])


@pytest.fixture
def token(tmp_path):
    file = tmp_path / "token"
    file.write_text("secret")
    return file


def certified(folder, *names):
    files = local_certificate(folder, names, dt.datetime.now(dt.UTC))
    return files.authority, {"ssl_certfile": str(files.cert), "ssl_keyfile": str(files.key)}


def hello(url, token, ca=None):
    link = Link(url, token, ca=ca)
    try:
        return link.ask("GET", "/hello").body
    finally:
        link.close()


def test_a_certificate_of_the_shop_is_trusted_where_it_is_named(tmp_path, token):
    ca, tls = certified(tmp_path / "tls", "127.0.0.1")
    with serving(HELLO, **tls) as url:
        assert hello(url, token, ca) == b"hello"
        with pytest.raises(NoAnswer, match=r"certificate is not trusted .*name .* with --ca"):
            hello(url, token)


def test_a_certificate_for_another_machine_is_not_trusted(tmp_path, token):
    ca, tls = certified(tmp_path / "tls", "192.0.2.7")
    with serving(HELLO, **tls) as url, pytest.raises(NoAnswer, match="certificate is not trusted"):
        hello(url, token, ca)


def test_a_file_that_holds_no_certificate_is_told(token):
    with pytest.raises(RimqcError, match=r"--ca .*token"):
        Link("https://127.0.0.1:9", token, ca=token)


def test_a_request_is_repeated_on_a_new_connection_after_a_pause(token, monkeypatch):
    with serving(HELLO) as url:
        link = Link(url, token)
        assert link.ask("GET", "/hello").status == 200
        monkeypatch.setattr("qc.devices.link._IDLE_S", -1.0)
        assert link.ask("GET", "/hello").status == 200
        link.close()


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"", "without response"),
        (b"HTTP/1.1 200 OK\r\nContent-Length: 50\r\n\r\nhalf of i", "IncompleteRead"),
        (b"220 mail.example ESMTP\r\n", "220 mail"),
        (None, "nothing came back in time"),
    ],
)
def test_half_an_answer_is_none(token, answer, words):
    with socket.create_server(("127.0.0.1", 0)) as door:

        def once():
            connection, _ = door.accept()
            with connection:
                connection.recv(4096)
                if answer is None:
                    connection.recv(4096)
                else:
                    connection.sendall(answer)

        thread = threading.Thread(target=once)
        thread.start()
        link = Link(f"http://127.0.0.1:{door.getsockname()[1]}", token, timeout_s=0.5)
        with pytest.raises(NoAnswer, match=words):
            link.ask("GET", "/hello")
        thread.join()


def test_waits_double_up_to_their_limit_and_are_never_the_same():
    for _ in range(20):
        trying = waits(1, 8)
        for whole in (1, 2, 4, 8, 8, 8):
            assert whole / 2 <= next(trying) <= whole
    assert len({next(waits(1, 8)) for _ in range(20)}) > 1
