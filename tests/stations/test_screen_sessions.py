"""The screens' own sessions: nobody goes on with those of another sign-in."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from qc.ledger.ledger import Ledger
from qc.people import accounts, sessions
from tests.maker import take_catalog
from tests.stations.shop import now

_MAIN = "import sys; from qc.commands import main; sys.exit(main(sys.argv[1:]))"


@pytest.fixture
def shop(tmp_path):
    """A served shop: its address, its database, the cookies of two people."""
    db = f"sqlite:///{tmp_path}/shop.sqlite"
    cookies = []
    with Ledger(db, create=True) as ledger:
        take_catalog(ledger, tmp_path)
        with ledger.writing() as connection:
            for code in ("tom", "eva"):
                accounts.add_person(connection, code, code, "engineer", now())
                cookies.append(sessions.begin(connection, code, None, now()))
    process = subprocess.Popen(
        [sys.executable, "-c", _MAIN, "--db", db, "serve", "--port", "0"],
        stdout=subprocess.PIPE, text=True, cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    yield process.stdout.readline().split()[4], db, cookies
    process.terminate()
    process.wait(30)
    process.stdout.close()


def screen(url, cookie, go_on_with="", origin=None):
    """An open screen, as a browser opens it; `go_on_with` names a session to go on with."""
    return connect(
        url.replace("http", "ws", 1) + "/_stcore/stream",
        origin=origin or url,
        subprotocols=["streamlit", "none", *([go_on_with] if go_on_with else [])],
        additional_headers={"Cookie": f"rimqc={cookie}"},
        max_size=None,
        open_timeout=60,
    )


def session_of(socket):
    """The session's name, as the first drawing tells it."""
    from streamlit.proto.BackMsg_pb2 import BackMsg
    from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

    asked = BackMsg()
    asked.rerun_script.query_string = ""
    socket.send(asked.SerializeToString())
    while True:
        message = ForwardMsg()
        message.ParseFromString(socket.recv(timeout=30))
        if message.WhichOneof("type") == "new_session":
            return message.new_session.initialize.session_id


def read_on(socket):
    """Everything that is still drawn."""
    while True:
        socket.recv(timeout=30)


def test_the_session_of_a_screen_goes_on_for_its_own_sign_in_only(shop):
    url, _, (tom, eva) = shop
    with screen(url, tom) as socket:
        first = session_of(socket)
    with screen(url, eva, first) as socket:
        assert session_of(socket) != first
    with screen(url, tom, first) as socket:
        assert session_of(socket) == first
        with screen(url, eva, first) as other:  # nor while it is open
            assert session_of(other) != first


def test_a_screen_opens_for_nobody_and_for_no_other_page(shop):
    url, _, (tom, _) = shop
    for cookie, origin in (("", None), ("x" * 43, None), (tom, "http://evil.test"),
                           (tom, url[:-1] + ("1" if url[-1] != "1" else "2"))):  # fmt: skip
        with pytest.raises(InvalidStatus) as refusal, screen(url, cookie, origin=origin):
            pass
        assert refusal.value.response.status_code == 403


def test_a_screen_that_is_open_closes_when_its_person_is_signed_out(shop):
    url, db, (tom, _) = shop
    with screen(url, tom) as socket:
        session_of(socket)
        with Ledger(db) as ledger, ledger.writing() as connection:
            sessions.end_all(connection, "tom", now())
        with pytest.raises(ConnectionClosed) as closed:
            read_on(socket)
        assert closed.value.rcvd.code == 4401
