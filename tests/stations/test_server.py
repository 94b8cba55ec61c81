"""The server as a process: safe by itself, under TLS, and with the stations beside it."""

import json
import os
import re
import signal
import ssl
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from qc.errors import RimqcError
from qc.ledger.ledger import Ledger
from qc.people import tokens
from qc.stations.here import VISITOR
from qc.stations.server import Place, check_safe
from tests.maker import fields, run, take_catalog
from tests.stations.shop import now

_MAIN = "import sys; from qc.commands import main; sys.exit(main(sys.argv[1:]))"


@pytest.mark.parametrize(
    ("place", "why"),
    [
        (Place("0.0.0.0"), "passwords need TLS"),
        (Place("192.168.7.5"), "passwords need TLS"),
        (Place("::"), "passwords need TLS"),
        (Place("shop.test"), "passwords need TLS"),
        (Place(cert=Path("a.pem")), "go together"),
        (Place(key=Path("a.pem")), "go together"),
        (Place(cert=Path("none.pem"), key=Path("none.pem")), "none.pem with its key cannot"),
        (Place(origin="quality.test"), "https://name"),
        (Place(origin="https://quality.test/rims"), "https://name"),
        (Place("0.0.0.0", origin="http://quality.test"), "between people and proxy"),
    ],
)
def test_what_would_be_open_to_the_network_is_not_served(place, why):
    with pytest.raises(RimqcError, match=re.escape(why)) as refusal:
        check_safe(place, None)
    assert refusal.value.exit_code == 2


@pytest.mark.parametrize(
    "place", [Place(), Place("localhost"), Place("::1"), Place("0.0.0.0", origin="https://q.test")]
)
def test_this_machine_alone_and_a_stated_proxy_are_fine(place):
    check_safe(place, None)


def test_without_sign_in_it_is_this_machine_only():
    check_safe(Place(), VISITOR)
    with pytest.raises(RimqcError, match="this machine only"):
        check_safe(Place("0.0.0.0", origin="https://q.test"), VISITOR)


def test_two_certificates_are_one_too_many():
    code, _, err = run("serve", "--tls-local", "q.test", "--tls-cert", "a.pem")
    assert code == 2
    assert "not both" in err


@pytest.fixture
def shop(tmp_path):
    """A shop's database, its station's token, and a way to serve it."""
    db = f"sqlite:///{tmp_path}/shop.sqlite"
    with Ledger(db, create=True) as ledger:
        take_catalog(ledger, tmp_path)
        with ledger.writing() as connection:
            token = tokens.add_station(connection, "W1", now())
    running = []

    def serve(*words):
        process = subprocess.Popen(
            [sys.executable, "-c", _MAIN, "--db", db, "serve", "--port", "0", *words],
            stdout=subprocess.PIPE, text=True, cwd=tmp_path,
            env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
        )  # fmt: skip
        running.append(process)
        return process

    yield serve, token
    for process in running:
        process.kill()
        process.wait(20)
        process.stdout.close()


def ask(url, token, sent, trust=None):
    request = urllib.request.Request(
        f"{url}/station/records", json.dumps(sent).encode(), {"Authorization": f"Bearer {token}"}
    )
    with urllib.request.urlopen(request, timeout=20, context=trust) as answer:
        return json.load(answer)


def test_a_certificate_made_here_serves_pages_and_stations(shop, tmp_path):
    serve, token = shop
    process = serve("--tls-local", "localhost", "127.0.0.1")
    authority = process.stdout.readline().split()[1]
    url = process.stdout.readline().split()[4]
    assert url.startswith("https://127.0.0.1:")
    trust = ssl.create_default_context(cafile=authority)
    with urllib.request.urlopen(f"{url}/sign-in", timeout=20, context=trust) as answer:
        assert "Strict-Transport-Security" in answer.headers
    assert ask(url, token, [fields("weighing")], trust)["accepted"] == 1


def test_stations_have_a_listener_in_a_process_of_its_own(shop):
    serve, token = shop
    process = serve("--stations", "0")
    url = process.stdout.readline().split()[4]
    beside = process.stdout.readline().split()[3]
    assert url != beside
    sent = [fields("weighing")]
    assert ask(beside, token, sent)["accepted"] == 1
    assert ask(url, token, sent)["already_held"] == 1
    # killed outright, it leaves no listener behind
    process.send_signal(signal.SIGKILL)
    process.wait(20)
    ends = time.monotonic() + 20
    while time.monotonic() < ends:
        try:
            ask(beside, token, sent)
        except OSError:
            return
        time.sleep(0.2)
    pytest.fail("the stations' process outlives its server")


def test_the_stations_port_that_is_taken_is_named(shop):
    serve, _ = shop
    port = serve().stdout.readline().split()[4].rsplit(":", 1)[1]
    second = subprocess.run(
        [sys.executable, "-c", _MAIN, "--db", "sqlite:///other.sqlite", "serve", "--port", "0",
         "--stations", port], capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert second.returncode == 1
    assert f"choose another with --stations {int(port) + 1}" in second.stderr
