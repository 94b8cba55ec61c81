"""What the gauges show just now, from the line to the screen."""

import datetime as dt
import json
import threading
import time
from decimal import Decimal

import pytest
from starlette.applications import Starlette

from qc.catalog.catalog import Catalog, Recorded
from qc.catalog.toml_file import read_catalog
from qc.devices.link import Link
from qc.devices.readings import Offers
from qc.devices.readout import Reading
from qc.errors import RimqcError
from qc.stations.live import FRESH_S, Newest, routes
from tests.devices.gauges import CATALOG
from tests.devices.served import asked, serving

TOKEN = {"Authorization": "Bearer secret"}
SIGNED_IN = {"Cookie": "session=ann"}
AT = dt.datetime(2026, 3, 2, 10, tzinfo=dt.UTC)


def station_of(request):
    return "bench" if request.headers.get("authorization") == "Bearer secret" else None


def person_of(request):
    return request.cookies.get("session")


class Clock:
    now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def app(tmp_path, clock):
    (tmp_path / "catalog.toml").write_text(CATALOG)
    entries = [line.entry for line in read_catalog(tmp_path / "catalog.toml")]
    catalog = Catalog(Recorded(str(n), n, AT, entry) for n, entry in enumerate(entries))
    made = routes(Newest(clock), lambda: catalog, station_of=station_of, person_of=person_of)
    return Starlette(routes=made)


@pytest.fixture
def url(app):
    with serving(app) as url:
        yield url


def offered(**keys):
    return json.dumps({"gauge": "SC-1", "value": 452.3, "unit": "g", "stable": True,
                       "taken_at": "2026-03-02T10:00:00Z"} | keys)  # fmt: skip


def shown(url, gauge="SC-1"):
    status, found = asked(url, "GET", f"/entry/reading?gauge={gauge}", None, SIGNED_IN)
    assert status == 200
    return found


def offer(url, body, headers=TOKEN):
    return asked(url, "POST", "/station/reading", body, headers)


def test_the_screen_gets_the_newest_reading_with_its_digits_unit_and_stability(url, clock):
    for body in (offered(stable=False), offered().replace("452.3", "452.30")):
        assert offer(url, body) == (204, None)
    clock.now += 1.24
    assert shown(url) == {"gauge": "SC-1", "value": "452.30", "unit": "g", "stable": True,
                          "age_s": 1.24, "rests": 1}  # fmt: skip
    assert shown(url, "SC-2") == {"gauge": "SC-2", "value": None}


def test_a_reading_of_a_while_ago_is_not_shown(url, clock):
    offer(url, offered())
    clock.now += FRESH_S + 0.1
    assert shown(url) == {"gauge": "SC-1", "value": None}


def test_only_a_station_may_offer_and_only_who_is_signed_in_may_see(url):
    assert offer(url, offered(), {})[0] == 401
    assert offer(url, offered(), SIGNED_IN)[0] == 401
    assert asked(url, "GET", "/station/readout?gauge=SC-1", None, SIGNED_IN)[0] == 401
    assert asked(url, "GET", "/entry/reading?gauge=SC-1")[0] == 401
    assert asked(url, "GET", "/entry/reading?gauge=SC-1", None, TOKEN)[0] == 401
    assert shown(url)["value"] is None


@pytest.mark.parametrize(
    ("body", "status", "words"),
    [
        ("{", 400, "not a reading"),
        ("[]", 400, "not a reading"),
        ("\xff", 400, "not a reading"),
        (offered(value="NaN"), 400, "not a reading"),
        (offered(value="1e400"), 400, "not a reading"),
        (offered(gauge="SC-9"), 400, "gauge SC-9 is not in the catalog"),
        (offered(unit="kg"), 400, "gauge SC-1 is in g"),
        (offered(note="x" * 5000), 413, "at most 4096 bytes"),
    ],
)
def test_what_is_no_reading_is_refused_in_words(url, body, status, words):
    found, answer = offer(url, body)
    assert found == status
    assert words in answer["error"]
    assert shown(url)["value"] is None


def test_a_bench_learns_from_the_server_how_its_gauge_speaks(url):
    _, found = asked(url, "GET", "/station/readout?gauge=SC-1", None, TOKEN)
    assert (found["gauge"]["unit"], found["readout"]["baud"]) == ("g", 9600)
    status, missing = asked(url, "GET", "/station/readout?gauge=SC-2", None, TOKEN)
    assert status == 404
    assert "no gauge SC-2; nearest known: SC-1" in missing["error"]


@pytest.fixture
def link(url, tmp_path):
    (tmp_path / "token").write_text("secret\n")
    link = Link(url, tmp_path / "token")
    yield link
    link.close()


def reading(value):
    return Reading("SC-1", Decimal(value), "g", True, AT)


def comes_to_show(url, wanted):
    """Whether the screen sees that before long."""
    end = time.monotonic() + 20
    while time.monotonic() < end:
        if shown(url)["value"] == wanted:
            return True
        time.sleep(0.02)
    return False


def test_the_newest_of_many_readings_reaches_the_screen(link):
    said = []
    with Offers(link, said.append, threading.Event()) as offers:
        for n in range(200):
            offers.take(reading(f"{n}.5"))
        assert comes_to_show(link.url, "199.5")
    assert said == []


def test_what_the_server_does_not_take_is_said_once(link, tmp_path):
    said = []
    with Offers(link, said.append, threading.Event()) as offers:
        wrong = Reading("SC-9", Decimal(1), "g", True, AT)
        while not said:
            offers.take(wrong)
            time.sleep(0.05)
        offers.take(reading("7.5"))
        assert comes_to_show(link.url, "7.5")
    assert "does not take readings: gauge SC-9 is not in the catalog" in said[0]
    assert "takes readings again" in said[1]


def test_a_token_that_is_not_valid_ends_the_offers(link, tmp_path):
    (tmp_path / "token").write_text("old")
    failed = threading.Event()
    with Offers(link, print, failed) as offers:
        offers.take(reading("7.5"))
        assert failed.wait(20)
    assert isinstance(offers.fault, RimqcError)
    assert "refuses the token (401)" in str(offers.fault)


def rests(newest, *said, pause_s=0.2):
    """How often the gauge came to rest, after each of these."""
    counted = []
    for stable in said:
        newest.clock.now += pause_s
        newest.show(Reading("SC-1", Decimal(1), "g", stable, AT))
        counted.append(newest.shown("SC-1")[2])
    return counted


@pytest.fixture
def newest(clock):
    made = Newest(clock)
    made.clock = clock
    return made


def test_a_gauge_comes_to_rest_once_however_long_it_stands_still(newest):
    assert rests(newest, True, True, False, False, True, True, False, True) == [
        1, 1, 1, 1, 2, 2, 2, 3
    ]  # fmt: skip


def test_a_gauge_that_does_not_tell_rests_whenever_its_own_key_makes_it_speak(newest):
    assert rests(newest, None, None, None) == [1, 1, 1]  # it speaks on and on: nobody knows
    assert rests(newest, None, None, None, pause_s=1.0) == [2, 3, 4]
