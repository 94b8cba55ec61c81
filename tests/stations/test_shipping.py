"""Nobody ships a part that may not leave; what has left all the same is a fact and is kept."""

import json

import pytest

from qc.people.who import Person
from qc.stations.desk import submit
from qc.views.shipping import reasons_to_keep, shipped_anyway
from tests.maker import answer, fields
from tests.stations.shop import browser, gated, line, opened, station_token

COMPLETE = ("receipt", "weighing", "runout", "inspection")
# what is recorded beside a complete part, and why it may not leave then
STOPS = {
    "held by name: look again": [fields("disposition")],
    "its batch is held: resin": [
        fields("disposition", serial=None, batch="B1", reason="resin")
    ],
    "struck in an impact test: it can never be released": [fields("drop")],
    "in rework: it wants a new inspection": [
        fields("disposition", decision="rework", taken_at="2026-02-03T09:00:00")
    ],
}  # fmt: skip


@pytest.fixture
def here(sqlite, tmp_path):
    with opened(sqlite.new(), tmp_path) as found:
        yield found


def recorded(here, lines):
    """As a log or a station brings it: for the role that may do everything."""
    token = station_token(here, role="owner")
    headers = {"authorization": f"Bearer {token}"}
    said = browser(gated(here)).post("/station/records", content=json.dumps(lines), headers=headers)
    assert said.json()["refusals"] == []


def shipped(here, role="owner", **given):
    sent = line("shipment", **given)
    return sent, submit(here.ledger, here.writer, Person("p", "P", role), [sent])


def test_a_complete_part_is_shipped_once(here):
    recorded(here, [fields(kind) for kind in COMPLETE])
    sent, said = shipped(here, "technician")
    assert said["accepted"] == 1
    again = submit(here.ledger, here.writer, Person("p", "P", "technician"), [sent])
    assert (again["already_held"], again["refused"]) == (1, 0)  # an answer was lost on the way
    _, twice = shipped(here)
    assert "shipped already, with order O-1" in twice["refusals"][0]["reason"]
    recorded(here, [fields("customer-return", taken_at="2099-01-01T10:00:00")])
    assert shipped(here)[1]["accepted"] == 1


@pytest.mark.parametrize("why", STOPS)
def test_a_part_that_may_not_leave_is_not_shipped_by_anybody(here, why):
    recorded(here, [fields(kind) for kind in COMPLETE] + STOPS[why])
    for role in ("technician", "engineer", "owner"):
        _, said = shipped(here, role)
        (refusal,) = said["refusals"]
        assert (refusal["field"], refusal["value"]) == ("serial", "R1")
        assert refusal["reason"].startswith("it may not leave: ")
        assert why in refusal["reason"]
    assert said["accepted"] == 0


def test_a_part_that_lacks_a_plan_item_or_that_nobody_knows_is_not_shipped(here):
    recorded(here, [fields("receipt"), fields("weighing")])
    _, said = shipped(here)
    assert "missing: runout-lateral; missing: inspection" in said["refusals"][0]["reason"]
    _, said = shipped(here, serial="R9")
    assert "not received" in said["refusals"][0]["reason"]


@pytest.mark.parametrize("why", STOPS)
def test_what_left_all_the_same_is_kept_and_listed_first(here, why):
    later = fields("shipment", taken_at="2026-02-05T10:00:00")
    recorded(here, [fields(kind) for kind in COMPLETE] + STOPS[why] + [later])
    with here.ledger.reading() as connection:
        found = shipped_anyway(connection, 25)
        kept = reasons_to_keep(connection, "R1")
    assert found["count"] == 1
    assert (found["rows"][0]["status"], found["rows"][0]["order"]) == ("shipped", "O-1")
    assert any(why in reason for reason in found["rows"][0]["reasons"])
    assert any(why in reason for reason in kept)


def test_a_good_part_that_left_is_not_listed(here):
    recorded(here, [*(fields(kind) for kind in COMPLETE), fields("shipment")])
    with here.ledger.reading() as connection:
        assert shipped_anyway(connection, 25) == {"count": 0, "rows": []}


def test_the_entry_route_says_why_and_a_log_is_taken(here, tmp_path):
    recorded(here, [fields(kind) for kind in COMPLETE] + STOPS["held by name: look again"])
    sent = line("shipment")
    client = browser(gated(here), here, "olga")
    said = client.post("/entry/records", json={"records": [sent], "about": "R1"}).json()
    assert (said["accepted"], said["refused"]) == (0, 1)
    assert "held by name: look again" in said["refusals"][0]["reason"]
    (tmp_path / "shipment_a.jsonl").write_text(json.dumps(fields("shipment")))
    db = here.ledger.url.render_as_string(hide_password=False)
    assert answer(db, "import", tmp_path / "shipment_a.jsonl")["accepted"] == 1
