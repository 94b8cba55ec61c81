"""No secret is told on the way: in what a program says, its arguments, its answers, an address."""

import http.client
import logging
import os
import re
import socket
import struct
import subprocess
import sys
import threading
import time
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import urlencode, urlsplit

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url
from sqlalchemy.pool import NullPool

from qc.commands import main
from qc.ledger.ledger import Ledger
from qc.people import accounts, tokens
from tests.devices.served import serving
from tests.maker import run, take_catalog
from tests.stations.issuer import CLIENT, SECRET, Issuer
from tests.stations.shop import now

WORD = "db-w0rd-of-the-shop"
PASSWORD, TYPED, PIN, WRONG_PIN = "the-password-of-ana", "mistyped-by-ana", "480617", "771350"
GUESS = "a-token-that-was-guessed"
# every library may say all it knows
_MAIN = """\
import logging, sys
logging.basicConfig(level=logging.{level})
from qc.commands import main
sys.exit(main(sys.argv[1:]))
"""


def command(*words, level="DEBUG"):
    return [sys.executable, "-c", _MAIN.format(level=level), *map(str, words)]


def environment(**more):
    kept = {name: value for name, value in os.environ.items() if name != "RIMQC_DB"}
    return kept | {"PYTHONPATH": str(Path(__file__).parents[2])} | more


def said_by(*words, **more):
    """Everything that a command prints, with its log."""
    done = subprocess.run(
        command(*words), capture_output=True, text=True, timeout=120, check=False,
        env=environment(**more),
    )  # fmt: skip
    return done.stdout + done.stderr


@pytest.mark.parametrize(
    "address",
    [
        *("postgresql://ana:{}@127.0.0.1:1/rims", "postgresql://127.0.0.1:1/rims?password={}"),
        *("postgresql://ana:{}@127.0.0.1:port/rims", "postgresql://ana:x@{}@127.0.0.1/rims"),
        *("mysql://ana:{}@127.0.0.1/rims", "postgres:/ana:{}@127.0.0.1", "ana:{}@127.0.0.1/rims"),
        *("postgresql://ana:{}@127.0.0.1:1/rims?sslmode=no", "postgresql://ana:{}@[::1/rims"),
    ],
)
def test_an_address_that_cannot_be_used_is_shown_without_its_password(address):
    code, out, err = run("flags", "--db", address.format(WORD))
    assert code in (1, 2)
    assert WORD not in out + err


@contextmanager
def refusing(heard):
    """A database server that asks for a password, hears it and refuses it."""
    listener = socket.create_server(("127.0.0.1", 0))

    def answer():
        with suppress(OSError):
            while True:
                line, _ = listener.accept()
                with line, line.makefile("rb") as come:
                    while struct.unpack("!i", (head := come.read(8))[4:])[0] != 196608:
                        line.sendall(b"N")  # neither TLS nor GSSAPI
                    come.read(struct.unpack("!i", head[:4])[0] - 8)
                    line.sendall(b"R" + struct.pack("!ii", 8, 3))
                    size = struct.unpack("!xi", come.read(5))[0]
                    heard.append(come.read(size - 4).rstrip(b"\0").decode())
                    told = b"SFATAL\0C28P01\0Mpassword authentication failed for user ana\0\0"
                    line.sendall(b"E" + struct.pack("!i", len(told) + 4) + told)

    thread = threading.Thread(target=answer, daemon=True)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(10)


def test_a_wrong_password_of_the_database_is_not_repeated_and_has_safer_places(tmp_path):
    heard = []
    file = tmp_path / "passwords"
    with refusing(heard) as port:
        at = f"127.0.0.1:{port}/rims"
        full, bare = f"postgresql://ana:{WORD}@{at}", f"postgresql://ana@{at}"
        file.write_text(f"127.0.0.1:{port}:rims:ana:{WORD}\n")
        file.chmod(0o600)
        shown = said_by("--db", full, "flags")
        kept = said_by("flags", RIMQC_DB=full)
        filed = said_by("--db", bare, "flags", PGPASSFILE=str(file))
    assert set(heard) == {WORD}
    for said in (shown, kept, filed):
        assert "password authentication failed" in said
        assert WORD not in said
    assert "can be read by everybody on this machine" in shown
    assert "can be read by everybody" not in kept + filed


class Asking:
    """A browser by hand: what was answered is kept, and what was meant for nobody else apart."""

    def __init__(self, address):
        self._host, self.said, self.cookies = urlsplit(address).netloc, [], {}

    def ask(self, method, path, form=None, **headers):
        line = http.client.HTTPConnection(self._host, timeout=60)
        body = None
        if form is not None:
            headers = {"Content-Type": "application/x-www-form-urlencoded"} | headers
            body = form if isinstance(form, bytes) else urlencode(form)
        kept = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        own = {"Origin": f"http://{self._host}", "Cookie": kept, "Accept": "text/html"}
        line.request(method, path, body, own | headers)
        answer = line.getresponse()
        self.said.append(answer.read().decode("utf-8", "replace"))
        for name, value in answer.getheaders():
            if name.lower() == "set-cookie":
                cookie, token = value.partition(";")[0].split("=", 1)
                self.cookies[cookie] = token.strip('"')
            else:
                self.said.append(f"{name}: {value}")
        line.close()
        return answer


@pytest.fixture
def shop(postgresql, tmp_path):
    """A shop's database with a password in its address, and its secrets by name."""
    url = make_url(postgresql.new())
    url = url.set(password=url.password or WORD)
    with Ledger(url.render_as_string(hide_password=False)) as ledger:
        take_catalog(ledger, tmp_path)
        with ledger.writing() as connection:
            code = accounts.add_person(connection, "ana", "Ana", "technician", now())
            tablet = tokens.name_screen(connection, "W1", now())
            rig = tokens.add_station(connection, "W2", now())
        secrets = {"database": url.password, "code": code, "tablet": tablet, "rig": rig,
                   "password": PASSWORD, "typed": TYPED, "pin": PIN, "wrong pin": WRONG_PIN,
                   "guess": GUESS, "provider": SECRET}  # fmt: skip
        yield url, secrets


@pytest.fixture
def provider_file(tmp_path):
    issuer = Issuer()
    with serving(issuer.app) as at:
        issuer.url = at
        (tmp_path / "secret").write_text(SECRET)
        file = tmp_path / "oidc.toml"
        file.write_text(f'issuer = "{at}"\nclient_id = "{CLIENT}"\nclient_secret_file = "secret"\n')
        yield file


def children(pid):
    """The arguments and environment of a process's children, by Linux's own account."""
    tasks = Path(f"/proc/{pid}/task")
    if not tasks.exists():
        return None
    found = [one for task in tasks.iterdir() for one in (task / "children").read_text().split()]
    return [
        Path(f"/proc/{one}/{what}").read_text("utf-8", "replace")
        for one in found
        for what in ("cmdline", "environ")
    ]


@pytest.mark.postgres
@pytest.mark.owner
@pytest.mark.parametrize("level", ["CRITICAL", "DEBUG"])
def test_a_day_of_a_server_with_all_its_faults_tells_no_secret(
    shop, provider_file, tmp_path, level
):
    url, secrets = shop
    log = tmp_path / "log.txt"
    full = url.render_as_string(hide_password=False)
    words = ("serve", "--port", "0", "--stations", "0", "--oidc", provider_file)
    more = {"RIMQC_DB": full, "STREAMLIT_LOGGER_LEVEL": level.lower(), "PYTHONUNBUFFERED": "1"}
    with log.open("w") as out:
        process = subprocess.Popen(
            command(*words, level=level), stdout=out, stderr=out, cwd=tmp_path,
            env=environment(**more),
        )  # fmt: skip
        try:
            address = _address(log, process)
            asking = Asking(address)
            session = _a_day(asking, secrets, full, provider_file)
            started = children(process.pid)
            own = Path(f"/proc/{process.pid}/cmdline")
            seen = [*(started or []), own.read_text() if started is not None else ""]
            assert started is None or started
        finally:
            process.terminate()
            process.wait(60)
    asking.cookies.clear()
    said = "\n".join([log.read_text(), *asking.said, *seen])
    assert '"error":"database postgresql' in said
    # a technician's own one-time code stands in the form again, for them to mend
    told = {name for name, secret in (secrets | session).items() if secret in said}
    assert told == set()


def _address(log, process):
    """Where the server is, once it says so."""
    while process.poll() is None:
        found = re.search(r"dashboard is at (http://\S+)", log.read_text())
        if found and "Stations send to" in log.read_text():
            return found[1]
        time.sleep(0.1)
    raise AssertionError(log.read_text())


def _a_day(asking, secrets, db, provider_file):
    """People, rigs and the provider as they come, right and wrong; the session's token."""
    by_code = {"person": "ana", "name": "Ana", "code": secrets["code"], "password": PASSWORD}
    assert asking.ask("POST", "/sign-in/code", by_code).status == 303
    assert asking.ask("POST", "/account/pin", {"again": TYPED, "pin": WRONG_PIN}).status == 403
    assert asking.ask("POST", "/account/pin", {"again": PASSWORD, "pin": PIN}).status == 200
    asking.ask("POST", "/sign-out", {})
    asking.cookies["rimqc-station"] = secrets["tablet"]
    for secret, status in ((TYPED, 403), (WRONG_PIN, 403), (PIN, 303)):
        form = {"person": "ana", "secret": secret}
        assert asking.ask("POST", "/sign-in", form).status == status
    session = {"session": asking.cookies["rimqc"]}
    assert asking.ask("GET", "/").status == 200
    for token, status in ((GUESS, 401), (secrets["rig"], 200)):
        bearer = {"Authorization": f"Bearer {token}"}
        assert asking.ask("POST", "/station/records", b"[{}]", **bearer).status == status
    assert asking.ask("GET", "/sign-in/provider").status == 303
    assert asking.ask("GET", "/sign-in/provider/back?state=x&code=y").status == 403
    provider_file.with_name("secret").write_text("")  # the provider's secret is gone
    assert asking.ask("GET", "/sign-in/provider").status == 303
    state = re.findall(r"state=([\w-]+)", "\n".join(asking.said))[-1]
    asking.ask("GET", f"/sign-in/provider/back?state={state}&code=y")
    engine = create_engine(db, poolclass=NullPool)
    with engine.begin() as connection:  # as if somebody had taken the database apart
        connection.execute(text("ALTER TABLE account RENAME TO elsewhere"))
    engine.dispose()
    assert asking.ask("GET", "/").status == 503
    asking.ask("POST", "/sign-in", {"person": "ana", "secret": PASSWORD})
    bearer = {"Authorization": f"Bearer {secrets['rig']}"}
    asking.ask("POST", "/station/records", b"[{}]", **bearer)
    return session


def test_a_rig_with_a_wrong_token_does_not_print_it(sqlite, tmp_path):
    from tests.stations.shop import gated, opened

    (tmp_path / "token").write_text(GUESS)
    (tmp_path / "log.jsonl").write_text('{"kind": "weighing"}\n')
    with opened(sqlite.new(), tmp_path) as here, serving(gated(here)) as at:
        said = said_by(
            "send", tmp_path / "log.jsonl", "--to", at, "--token-file", tmp_path / "token",
            "--spool", tmp_path / "spool",
        )  # fmt: skip
    assert "refuses the token (401)" in said
    assert GUESS not in said
    kept = [file.read_bytes() for file in (tmp_path / "spool").rglob("*") if file.is_file()]
    assert not any(GUESS.encode() in content for content in kept)


def test_a_token_and_a_code_are_shown_once_to_whoever_makes_them_and_logged_nowhere(
    sqlite, caplog, capfd
):
    caplog.set_level(logging.DEBUG)
    db = sqlite.new()
    for words in (("station", "add", "W1"), ("person", "add", "ana", "--name", "Ana")):
        assert main(["--db", db, *words]) == 0
        out, err = capfd.readouterr()
        secret = re.search(r": (\S{19,})", out)[1]
        assert out.count(secret) == 1
        assert secret not in err + caplog.text
        assert main(["--db", db, words[0], "list", "--format", "json"]) == 0
        assert secret not in capfd.readouterr().out
