"""`rimqc listen` from the gauge's line to the log, the terminal and the screen."""

import json
import os
import subprocess
import sys
import time
import tty
from contextlib import contextmanager

import pytest

from qc.ledger.ledger import Ledger
from qc.ledger.writer import Writer
from qc.people.who import Person
from qc.stations.app import station_application
from qc.stations.here import Here
from tests.devices.gauges import CATALOG
from tests.devices.served import asked, serving
from tests.devices.shop_server import new_token
from tests.maker import CATALOG as SHOP
from tests.maker import run, take_catalog


@pytest.fixture
def ledger(sqlite, tmp_path):
    with Ledger(sqlite.new()) as ledger:
        take_catalog(ledger, tmp_path, SHOP + CATALOG)
        yield ledger


@pytest.fixture
def scale(tmp_path):
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


@contextmanager
def listening(*words):
    command = [sys.executable, "-m", "qc", "listen", "--gauge", "SC-1", *map(str, words)]
    running = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, bufsize=1
    )
    try:
        yield running
    finally:
        running.terminate()
        running.communicate(timeout=60)


def weigh(scale, running, lines):
    """Put a part on the scale once somebody listens."""
    assert "listening to SC-1" in running.stderr.readline()
    time.sleep(0.5)
    os.write(scale[0], lines)


def test_readings_are_shown_where_nothing_else_is_asked(ledger, scale):
    db = ledger.url.render_as_string()
    with listening("--port", scale[1], "--db", db) as running:
        weigh(
            scale, running, b"W~ 451.9 g\r\nW=------ g\r\nW= 452.3 g\r\nW= 452.3 g\r\nW= 0.0 g\r\n"
        )
        shown = [running.stdout.readline() for _ in range(3)]
        assert shown == ["451.9 g, not stable yet\n", "452.3 g, stable\n", "0.0 g, stable\n"]
        assert "not a reading by the readout's pattern: 'W=------ g'" in running.stderr.readline()


def test_readings_are_logged_as_json_lines(ledger, scale, tmp_path):
    db, log = ledger.url.render_as_string(), tmp_path / "scale.jsonl"
    with listening("--port", scale[1], "--db", db, "--log", log) as running:
        weigh(scale, running, b"W= 452.30 g\r\nW= 15.9 oz\r\nW=  12.0 g\r\n")
        assert "'oz', the catalog expects 'g'" in running.stderr.readline()
        end = time.monotonic() + 20
        while not (log.exists() and log.read_text().count("\n") == 2) and time.monotonic() < end:
            time.sleep(0.02)
    first, second = (json.loads(line, parse_float=str) for line in log.read_text().splitlines())
    assert list(first) == ["gauge", "value", "unit", "stable", "taken_at"]
    assert (first["value"], first["stable"], second["value"]) == ("452.30", True, "12.0")


def test_readings_are_offered_to_the_screen_by_a_bench_without_a_database(ledger, scale, tmp_path):
    (tmp_path / "token").write_text(new_token(ledger))
    with Writer(ledger) as writer:
        here = Here(ledger, writer, Person("ann", "Ann", "technician"))
        with serving(station_application(here)) as url:
            to = ["--to", url, "--token-file", tmp_path / "token", "--db", "sqlite:///no/where"]
            with listening("--port", scale[1], *to) as running:
                weigh(scale, running, b"W= 452.30 g\r\n")
                shown, end = {"value": None}, time.monotonic() + 20
                while shown["value"] is None and time.monotonic() < end:
                    _, shown = asked(url, "GET", "/entry/reading?gauge=SC-1")
    assert (shown["value"], shown["unit"], shown["stable"]) == ("452.30", "g", True)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--gauge", "SC-2"], "the catalog has no gauge SC-2; nearest known: SC-1"),
        (["--gauge", "S1"], "does not say how gauge S1 speaks; add a [[readout]]"),
        (["--gauge", "SC-1", "--to", "https://127.0.0.1:9"], "--to needs --token-file"),
        (["--gauge", "SC-1", "--to", "https://127.0.0.1:9", "--log", "x"], "not both"),
    ],
)
def test_what_cannot_be_listened_to_is_told_in_a_line(ledger, words, told):
    code, out, err = run("listen", *words, "--port", "/dev/null", "--db",
                         ledger.url.render_as_string())  # fmt: skip
    assert (code, out, err.count("\n")) == (1 if "SC-2" in words or "S1" in words else 2, "", 1)
    assert told in err
