"""What `schemas/balancer.cfg` promises, with two servers that only say which of them answered."""

import json
import ssl
import threading
import urllib.request
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import NamedTuple

import pytest

from qc.ledger.ledger import now
from qc.stations.local_tls import local_certificate
from tests.faults.machines import HERE, balancer, free_port, haproxy, wait_for


class Told(NamedTuple):
    """The ports of a server; each name says which server and port it is."""

    port: int
    stations: int


@pytest.fixture
def ask(tmp_path):
    """Asks through the balancer: the name of whoever answered, and the headers that reached it."""
    if haproxy() is None:
        pytest.skip("no haproxy on this machine")
    listening = {name: _named(name) for name in ("one", "one stations", "two", "two stations")}
    ports = [server.server_address[1] for server in listening.values()]
    files = local_certificate(tmp_path / "tls", [HERE], now())
    pem = tmp_path / "both.pem"
    pem.write_bytes(files.cert.read_bytes() + files.key.read_bytes())
    url, trust = f"https://{HERE}:{free_port()}", ssl.create_default_context(cafile=files.authority)

    def asked(path, method="GET", **headers):
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        request = urllib.request.Request(url + path, headers=named, method=method)
        with urllib.request.urlopen(request, context=trust, timeout=30) as said:
            return json.load(said)

    def answers():
        try:
            return asked("/sign-in") is not None
        except OSError:
            return False

    asked.listening = listening
    running = balancer(url, pem, [Told(*ports[:2]), Told(*ports[2:])], tmp_path)
    try:
        wait_for("the balancer", answers)
        yield asked
    finally:
        running.kill()
        running.wait()
        for server in listening.values():
            server.shutdown()
            server.server_close()


def _named(name):
    class Answers(BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            body = json.dumps([name, dict(self.headers)]).encode()
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def do_POST(self):
            self.do_GET()

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer((HERE, 0), Answers)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


def test_whoever_is_signed_in_stays_with_one_server_and_both_have_work(ask):
    found = {}
    for n in range(20):
        cookie = f"other=1; __Host-rimqc=token{n}"
        found[n] = {ask(path, Cookie=cookie)[0] for path in ("/", "/claims", "/_stcore/health")}
    assert all(len(servers) == 1 for servers in found.values())
    assert set().union(*found.values()) == {"one", "two"}


def test_records_of_stations_go_to_all_servers_readings_to_one(ask):
    said = {ask("/station/records", "POST")[0] for _ in range(10)}
    assert said == {"one stations", "two stations"}
    shown = {ask("/station/reading", "POST")[0], ask("/entry/reading?gauge=S1")[0]}
    shown |= {ask("/station/readout?gauge=S1", Cookie=f"__Host-rimqc={n}")[0] for n in range(5)}
    assert shown == {"one"}


def test_a_server_that_ends_leaves_its_work_to_the_other(ask):
    for name in ("one", "one stations"):
        ask.listening[name].shutdown()
        ask.listening[name].server_close()

    def left(path):
        try:
            return ask(path)[0]
        except OSError:
            return "nobody yet"

    for path, heir in (
        ("/entry/reading", "two"),
        ("/", "two"),
        ("/station/records", "two stations"),
    ):
        wait_for(f"{path} at the other server", lambda p=path, h=heir: left(p) == h)


def test_nobody_says_where_they_come_from(ask):
    _, headers = ask("/", X_Forwarded_For="10.9.9.9", X_Forwarded_Proto="http")
    told = {name.lower(): value for name, value in headers.items()}
    assert (told["x-forwarded-for"], told["x-forwarded-proto"]) == (HERE, "https")
