"""Records on their way to the server, through cuts, refusals and a server that is not there."""

import json
import threading
import time
from decimal import Decimal

import pytest
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from qc.devices import link as link_module
from qc.devices.files import hold
from qc.devices.link import Link
from qc.devices.sending import MOST_AT_ONCE, Sender, in_batches
from qc.devices.spool import Spool
from qc.errors import RimqcError
from qc.ledger.ledger import Ledger
from qc.ledger.verify import verify
from qc.ledger.writer import Writer
from tests.devices.served import serving
from tests.devices.shop_server import MOST_BYTES, app, new_token
from tests.maker import fields, take_catalog


@pytest.fixture(autouse=True)
def _impatient(monkeypatch):
    monkeypatch.setattr(link_module, "FIRST_WAIT_S", 0.02)
    monkeypatch.setattr(link_module, "MOST_WAIT_S", 0.1)


@pytest.fixture
def shop(db, tmp_path):
    """A ledger with a catalog."""
    with Ledger(db) as ledger:
        take_catalog(ledger, tmp_path)
        yield ledger


@pytest.fixture
def url(shop):
    with Writer(shop) as writer, serving(app(shop, writer)) as url:
        yield url


@pytest.fixture
def token(shop, tmp_path):
    file = tmp_path / "token"
    file.write_text(new_token(shop) + "\n")
    return file


@pytest.fixture
def spool(tmp_path):
    return Spool(tmp_path / "spool")


def weighings(count, start=0, **more):
    return [fields("weighing", serial=f"W{n:05}", **more) for n in range(start, start + count)]


def held(ledger):
    with ledger.reading() as connection:
        proof = verify(connection)
    assert proof.first_bad is None
    return proof.records - len(ledger.catalog().recorded)


def send(spool, url, token, records, said=None):
    say = said.append if said is not None else lambda _: None
    with Sender(spool, Link(url, token), say) as sender:
        sender.put(records)
        sent = sender.finish(60)
    return sent.accepted, sent.already_held, sent.refused


def test_what_is_sent_is_held_and_the_spool_is_empty(shop, url, token, spool):
    assert send(spool, url, token, weighings(1234)) == (1234, 0, 0)
    assert spool.waiting() == []
    assert held(shop) == 1234


def test_what_is_put_is_on_disk_before_any_server_is_there(shop, token, spool):
    with Sender(spool, Link("http://127.0.0.1:9", token)) as sender:
        sender.put(weighings(3))
        assert spool.records_waiting() == 3
    with Writer(shop) as writer, serving(app(shop, writer)) as url:
        assert send(spool, url, token, []) == (3, 0, 0)
    assert held(shop) == 3


def test_the_same_records_sent_again_are_the_same_records(shop, url, token, spool):
    send(spool, url, token, weighings(5))
    assert send(spool, url, token, weighings(7)) == (2, 5, 0)
    assert held(shop) == 7


def test_true_repeats_are_told_apart_by_the_station_and_by_nobody_else(shop, url, token, spool):
    twice = weighings(1) * 2
    assert send(spool, url, token, twice) == (1, 1, 0)
    assert send(spool, url, token, [twice[0] | {"repeat": n} for n in (1, 2)]) == (2, 0, 0)
    assert held(shop) == 3


def test_numbers_arrive_with_the_digits_they_were_written_with(shop, url, token, spool):
    send(spool, url, token, [*weighings(1, gross_g=Decimal("450.10")), *weighings(1, 1)])
    again = weighings(1, gross_g="450.1")
    assert send(spool, url, token, again) == (0, 1, 0)
    assert held(shop) == 2


def test_refused_records_are_kept_with_their_reasons_and_hold_nothing_back(shop, url, token, spool):
    records = weighings(6)
    records[1]["gross_g"] = "heavy"
    records[4]["gauge"] = "S9"
    assert send(spool, url, token, [*records, b"half a l"]) == (4, 0, 3)
    (file,) = spool.refused.iterdir()
    rows = [json.loads(line) for line in file.read_text().splitlines()]
    assert rows[0] == records[1] | {"refused_because": "gross_g 'heavy': expected a number above 0"}
    assert rows[1]["refused_because"].startswith("gauge 'S9': not a gauge of the catalog")
    assert rows[2]["refused_line"] == "half a l"
    assert "not JSON" in rows[2]["refused_because"]
    assert held(shop) == 4


def test_a_batch_too_large_for_the_server_is_sent_in_parts(shop, url, token, spool):
    records = weighings(300, note="n" * 1500)
    assert len(list(in_batches([json.dumps(r).encode() for r in records]))) < 2 + 300 // 100
    assert send(spool, url, token, records) == (300, 0, 0)
    assert held(shop) == 300


def test_a_record_too_large_for_the_server_is_refused_alone(shop, url, token, spool):
    records = weighings(3)
    records[1]["kept"] = "x" * 300_000
    assert send(spool, url, token, records) == (2, 0, 1)
    (file,) = spool.refused.iterdir()
    assert json.loads(file.read_text())["refused_because"].startswith(f"at most {MOST_BYTES} bytes")


def test_lines_are_gathered_into_batches_that_one_request_may_carry():
    assert [len(b) for b in in_batches([b"x"] * (MOST_AT_ONCE + 1))] == [MOST_AT_ONCE, 1]
    assert [len(b) for b in in_batches([b"x" * 300_000] * 3)] == [1, 1, 1]
    assert list(in_batches([])) == []


def test_a_token_that_is_not_valid_ends_the_sending_and_loses_nothing(shop, url, token, spool):
    good = token.read_text()
    token.write_text("stale-and-private")
    with pytest.raises(RimqcError, match=r"refuses the token \(401\)") as told:
        send(spool, url, token, weighings(3))
    assert "stale-and-private" not in str(told.value)
    assert spool.records_waiting() == 3
    token.write_text(good)
    assert send(spool, url, token, []) == (3, 0, 0)


def test_what_a_long_cut_left_goes_in_few_requests_and_refusals_find_their_batch(
    shop, token, spool
):
    for n in range(MOST_AT_ONCE + 20):
        rows = weighings(2, 2 * n, **({"gross_g": "heavy"} if n == 7 else {}))
        spool.put([json.dumps(row).encode() for row in rows])
    asked = 0

    with Writer(shop) as writer:
        inner = app(shop, writer)

        async def counted(scope, receive, send):
            nonlocal asked
            asked += scope["type"] == "http"
            await inner(scope, receive, send)

        with serving(counted) as url:
            assert send(spool, url, token, []) == (2 * MOST_AT_ONCE + 38, 0, 2)
    assert asked == 3
    (file,) = spool.refused.iterdir()
    assert file.name == "000000000008.refused.jsonl"
    assert len(file.read_text().splitlines()) == 2


def answering(*answers):
    """A server that gives these answers in turn, the last for ever."""
    left = list(answers)

    async def answer(_):
        return left.pop(0) if len(left) > 1 else left[0]

    return Starlette(routes=[Route("/station/records", answer, methods=["POST"])])


OK = Response('{"accepted": 3, "already_held": 0, "refused": 0, "refusals": []}')


@pytest.mark.parametrize(
    "first",
    [
        Response(status_code=503),
        Response(status_code=500),
        Response(status_code=429, headers={"Retry-After": "0"}),
        PlainTextResponse("<html>sign in to the wireless network</html>"),
        Response('{"accepted": 1, "already_held": 0, "refused": 0, "refusals": []}'),
        Response('{"accepted": 2, "already_held": 0, "refused": 1, "refusals": [{"line": 9}]}'),
    ],
)
def test_an_answer_that_does_not_answer_for_every_record_is_no_answer(token, spool, first):
    said = []
    with serving(answering(first, first, OK)) as url:
        assert send(spool, url, token, weighings(3), said) == (3, 0, 0)
    assert len(said) == 2
    assert "it is tried again" in said[0]
    assert "answers again" in said[1]


@pytest.mark.parametrize("status", [301, 400, 404, 405, 413])
def test_another_program_at_that_address_gets_nothing_and_nothing_is_lost(token, spool, status):
    other = PlainTextResponse("who are you?", status, {"Location": "http://127.0.0.1:9/"})
    with serving(answering(other)) as url, pytest.raises(RimqcError, match=f"answered {status}"):
        send(spool, url, token, weighings(3))
    assert spool.records_waiting() == 3


def test_the_time_that_a_server_asks_for_is_given(token, spool, monkeypatch):
    pauses = []

    class Stop(threading.Event):
        def wait(self, timeout=None):
            if timeout is not None and timeout > 5:
                pauses.append(timeout)
                timeout = 0
            return super().wait(timeout)

    busy = Response(status_code=503, headers={"Retry-After": "17"})
    with serving(answering(busy, OK)) as url:
        sender = Sender(spool, Link(url, token))
        sender._stop = Stop()
        with sender:
            sender.put(weighings(3))
            assert sender.finish(60).accepted == 3
    assert pauses == [17]


def test_a_sender_that_finds_another_at_work_leaves_its_records_to_it(shop, url, token, spool):
    said = []
    with hold(spool.folder / ".sending"):
        assert send(spool, url, token, weighings(3), said) == (0, 0, 0)
    assert "another program is sending" in said[0]
    assert spool.records_waiting() == 3
    assert send(spool, url, token, []) == (3, 0, 0)


def test_waiting_ends_when_it_was_told_to(token, spool):
    with Sender(spool, Link("http://127.0.0.1:9", token)) as sender:
        sender.put(weighings(2))
        began = time.monotonic()
        assert sender.finish(0.2).accepted == 0
        assert time.monotonic() - began < 20
    assert spool.records_waiting() == 2


def test_a_full_disk_is_told_and_what_was_kept_before_goes_on(shop, url, token, spool, monkeypatch):
    with Sender(spool, Link(url, token)) as sender:
        sender.put(weighings(2))

        def full(*_):
            raise OSError(28, "No space left on device", "spool")

        monkeypatch.setattr("qc.devices.spool.write_durably", full)
        with pytest.raises(OSError, match="No space left"):
            sender.put(weighings(2, 2))
        assert sender.finish(60).accepted == 2
    assert held(shop) == 2


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("shop.local:8501", "no address"),
        ("ftp://shop.local", "no address"),
        ("https://", "no address"),
        ("http://shop.local:99999", "no address"),
        ("https://ann:pw@shop.local", "nothing else"),
        ("https://shop.local/?token=1", "nothing else"),
    ],
)
def test_an_address_that_cannot_be_used_is_told(token, address, words):
    with pytest.raises(RimqcError, match=words) as told:
        Link(address, token)
    assert told.value.exit_code == 2


@pytest.mark.parametrize("content", [None, b"", b"two words", b"\xff", b"a\nb"])
def test_a_file_that_holds_no_token_is_told_without_its_content(tmp_path, content):
    file = tmp_path / "token"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(RimqcError, match="--token-file") as told:
        Link("https://shop.local", file)
    assert "words" not in str(told.value)


def test_a_token_travels_unprotected_only_within_one_machine(token):
    assert Link("http://192.0.2.7:8501", token).unprotected
    assert not Link("https://192.0.2.7:8501", token).unprotected
    assert not Link("http://127.0.0.1:8501", token).unprotected
