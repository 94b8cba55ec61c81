"""The routes of the entry screens: records in, the judged part out."""

import json
import uuid
from contextlib import contextmanager

import pytest
from starlette.applications import Starlette

from qc.ledger.writer import Writer
from qc.people.who import Person
from qc.stations import entry
from qc.stations.gate import Gate
from qc.stations.here import Here
from tests.devices.served import asked, serving
from tests.maker import fields, flags_of, take_catalog

ANN = Person("ann", "Ann", "technician", "ST-1")
JSON = {"Content-Type": "application/json"}


@contextmanager
def served(ledger, anyone):
    with Writer(ledger) as writer:
        here = Here(ledger, writer, anyone)
        with serving(Gate(Starlette(routes=entry.routes(here)), here)) as url:
            yield url


@pytest.fixture
def url(ledger, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # beside a server's database, photos lie where the program runs
    take_catalog(ledger, tmp_path)
    with served(ledger, ANN) as url:
        yield url


def line(kind, **given):
    """A record as the screen sends it: with its own identity."""
    return {"record_id": str(uuid.uuid4()), **fields(kind, **given)}


def post(url, *lines, about="R1", headers=JSON):
    body = json.dumps({"form": "intake", "about": about, "records": lines}).encode()
    return asked(url, "POST", "/entry/records", body, {**headers, "Origin": url})


def received(url, serial="R1"):
    answer = post(url, line("receipt", serial=serial), line("weighing", serial=serial))
    assert answer[1]["accepted"] == 2


def test_a_weight_is_answered_with_the_verdict_its_claim_and_what_still_lacks(url):
    status, said = post(url, line("receipt"), line("weighing", gross_g=459.9))
    assert (status, said["accepted"], said["refused"]) == (200, 2, 0)
    part = said["part"]
    assert (part["model"], part["batch"]) == ("D50", "B1")
    assert part["missing"] == ["runout-lateral", "inspection"]
    (mass,) = part["readings"]
    assert (mass["value"], mass["claimed"], mass["lower"], mass["upper"]) == (459.9, 450, 435, 460)
    assert mass["verdict"] == "undecided"  # 0.1 g below the edge, with u of 0.3 g
    assert 0.3 < mass["chance_beyond"] < 0.5


def test_what_is_sent_again_is_held_and_judged_as_before(url):
    sent = [line("receipt"), line("weighing")]
    first, again = post(url, *sent)[1], post(url, *sent)[1]
    assert (first["accepted"], again["accepted"], again["already_held"]) == (2, 0, 2)
    assert first["part"] == again["part"]


def test_a_part_received_before_is_not_received_again(url, ledger):
    received(url)
    said = post(url, line("receipt"), line("weighing", taken_at="2026-02-02T11:00:00"))[1]
    assert (said["accepted"], said["already_held"], said["refused"]) == (1, 1, 0)


def test_a_receipt_into_another_batch_is_refused_and_the_weight_beside_it_kept(url):
    received(url)
    second = line("weighing", taken_at="2026-02-02T11:00:00")
    said = post(url, line("receipt", batch="B2"), second)[1]
    assert (said["accepted"], said["refused"]) == (1, 1)
    (refusal,) = said["refusals"]
    assert (refusal["line"], refusal["field"], refusal["value"]) == (1, "batch", "B2")
    assert "batch B1" in refusal["reason"]


def test_a_refusal_names_the_line_as_it_was_sent_though_others_were_left_out(url):
    received(url)
    said = post(url, line("receipt"), line("weighing", gauge="S9"))[1]
    assert [refusal["line"] for refusal in said["refusals"]] == [2]


def test_an_entry_taken_back_may_be_entered_again_in_one_sending(url, ledger):
    now = {"taken_at": None}
    receipt, weighing = line("receipt", serial="R5"), line("weighing", serial="R5")
    at = [f"2999-01-01T00:00:0{n}Z" for n in range(6)]
    del now
    for record, moment in zip((receipt, weighing), at, strict=False):
        record["taken_at"] = moment
    post(url, receipt, weighing, about="R5")
    undone = {"kind": "correction", "void": True, "reason": "undone at entry", "station": "ST-1"}
    voids = [
        {**undone, "record_id": str(uuid.uuid4()), "of": record["record_id"], "taken_at": moment}
        for record, moment in zip((weighing, receipt), at[2:], strict=False)
    ]
    again = [line("receipt", serial="R5", batch="B2", taken_at=at[4]),
             line("weighing", serial="R5", gross_g=451, taken_at=at[5])]  # fmt: skip
    said = post(url, *voids, *again, about="R5")[1]
    assert (said["accepted"], said["refusals"]) == (4, [])
    assert said["part"]["batch"] == "B2"
    assert [reading["value"] for reading in said["part"]["readings"]] == [451]


def test_taking_back_what_was_never_kept_is_no_record(url):
    void = {"kind": "correction", "void": True, "reason": "undone at entry", "station": "ST-1",
            "of": str(uuid.uuid4()), "record_id": str(uuid.uuid4()),
            "taken_at": "2026-02-02T10:00:00Z"}  # fmt: skip
    said = post(url, void)[1]
    assert (said["accepted"], said["already_held"], said["refused"]) == (0, 1, 0)


def test_what_another_person_entered_is_not_taken_under_this_name(url, ledger):
    status, said = post(url, line("receipt", inspector="bo"))
    assert status == 409
    assert "bo entered this" in said["error"]
    assert flags_of(ledger) == []


def test_a_drop_is_answered_with_where_its_test_stands(url):
    received(url)
    said = post(url, line("drop"))[1]
    assert said["part"]["struck"]
    test = said["test"]
    assert (test["test"], test["drop_no"], test["next_deg"]) == ("T-1", 2, 90)
    assert (test["hits"], test["survived"], test["still_needed"]) == ([1, 0], 0, 3)


def test_a_gauge_check_is_answered_with_what_it_puts_in_doubt(url):
    received(url)
    check = line("gauge-check", reading=505, taken_at="2026-02-03T07:00:00")
    said = post(url, check, about="S1")[1]
    assert said["gauge"]["passes"] is False
    assert (said["gauge"]["error"], said["gauge"]["in_doubt"]) == ("5", ["R1"])


def test_a_part_and_a_batch_can_be_asked_for(url):
    received(url)
    headers = {}
    known = asked(url, "GET", "/entry/part?serial=R1&protocol=P40", None, headers)[1]
    assert known["part"]["batch"] == "B1"
    assert known["test"]["began"] is False
    strange = asked(url, "GET", "/entry/part?serial=R11", None, headers)[1]["part"]
    assert (strange["known"], strange["near"]) == (False, ["R1"])
    batch = asked(url, "GET", "/entry/batch?batch=B1", None, headers)[1]
    assert batch["parts"] == [{"serial": "R1", "waits_for": ["spin", "look"]}]
    assert asked(url, "GET", "/entry/me", None, headers)[1]["code"] == "ann"


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        (b"{", JSON, 400),
        (b"[]", JSON, 400),
        (b'{"records": [1]}', JSON, 400),
        (b'{"records": []}', {"Content-Type": "text/plain"}, 415),
        (b" " * (entry.MOST_BYTES + 1), JSON, 413),
    ],
)
def test_a_body_that_cannot_be_records_is_refused(url, body, headers, status):
    answer = asked(url, "POST", "/entry/records", body, {**headers, "Origin": url})
    assert answer[0] == status
    assert answer[1]["error"]


def test_nobody_enters_without_signing_in(ledger):
    with served(ledger, None) as url:
        assert post(url, line("receipt"))[0] == 401
        for path in ("/entry/part?serial=R1", "/entry/batch?batch=B1", "/entry/me"):
            assert asked(url, "GET", path, None, {})[0] == 401


def test_a_photo_is_kept_by_what_it_is_and_never_shown_as_a_page(url, ledger):
    raw = {"Content-Type": "application/octet-stream", "Origin": url}
    jpeg = b"\xff\xd8\xff\xe0" + bytes(20)
    path = "/entry/photo?serial=../R1&name=%3Cscript%3E.html"
    status, said = asked(url, "POST", path, jpeg, raw)
    assert status == 200
    assert said["photo"].startswith("___R1-")
    assert said["photo"].endswith(".jpg")
    page = b"<html><script>alert(1)</script>"
    assert asked(url, "POST", path, page, raw)[0] == 400
