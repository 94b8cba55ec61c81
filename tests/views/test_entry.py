"""What the entry screens know beforehand."""

import datetime as dt

import pytest

from qc.views.entry import batch_mass, roster, settings
from qc.views.entry_forms import intake, others, strike
from tests.maker import accept, record, take_catalog

TODAY = dt.date(2026, 3, 1)


@pytest.fixture
def known(ledger, tmp_path):
    take_catalog(ledger, tmp_path)

    def ask(question, *what, **more):
        with ledger.reading() as connection:
            return question(connection, *what, **more)

    return ledger, ask


def gauges(known):
    ledger, ask = known
    return {g["code"]: g for g in ask(settings, ledger.catalog(), today=TODAY)["gauges"]}


def test_a_gauge_past_its_due_date_says_so(known):
    found = gauges(known)
    assert (found["S1"]["state"], found["S1"]["due"]) == ("good", "2026-12-01")
    assert (found["S2"]["state"], found["S2"]["due"]) == ("due", "2026-02-20")


def test_a_passed_calibration_moves_the_due_date_and_a_failed_one_does_not(known):
    ledger, _ = known
    check = {"gauge": "S2", "check": "calibration", "due": "2027-02-01"}
    accept(ledger, [record("gauge-check", **check, reading=505, taken_at="2026-02-21T08:00:00")])
    assert gauges(known)["S2"]["due"] == "2026-02-20"
    accept(ledger, [record("gauge-check", **check, taken_at="2026-02-22T08:00:00")])
    assert (gauges(known)["S2"]["due"], gauges(known)["S2"]["state"]) == ("2027-02-01", "good")


def test_a_gauge_found_off_after_use_says_so(known):
    ledger, _ = known
    accept(ledger, [record("receipt"), record("weighing")])
    accept(ledger, [record("gauge-check", reading=505, taken_at="2026-02-03T08:00:00")])
    assert gauges(known)["S1"]["state"] == "off"


def test_batches_stand_newest_first_with_how_many_came_in(known):
    ledger, ask = known
    accept(ledger, [record("receipt"), record("receipt", serial="R2")])
    batches = ask(settings, ledger.catalog(), today=TODAY)["batches"]
    assert [b["code"] for b in batches] == ["B3", "B2", "B1"]
    assert {b["code"]: b["received"] for b in batches} == {"B1": 2, "B2": 0, "B3": 0}


def test_a_weight_may_be_a_tenth_of_the_lightest_to_ten_times_the_heaviest_claim(known):
    ledger, ask = known
    weights = ask(settings, ledger.catalog(), today=TODAY)["weights"]
    assert weights["rim"] == {"least_g": 45.0, "most_g": 4500.0}


def test_a_batch_knows_its_mean_and_spread(known):
    ledger, ask = known
    for number, gross in enumerate((449, 450, 451)):
        accept(ledger, [record("receipt", serial=f"R{number}"),
                        record("weighing", serial=f"R{number}", gross_g=gross)])  # fmt: skip
    assert ask(batch_mass, "B1", "rim") == {"n": 3, "mean_g": 450.0, "sd_g": 1.0}
    assert ask(batch_mass, "B2", "rim") == {"n": 0, "mean_g": None, "sd_g": None}


def test_a_part_waits_for_a_pass_until_all_its_readings_are_there(known):
    ledger, ask = known
    accept(ledger, [record("receipt"), record("weighing"), record("runout")])
    waits = lambda: ask(roster, "B1", "rim")["parts"][0]["waits_for"]  # noqa: E731
    assert waits() == ["spin", "look"]
    accept(ledger, [record("runout", direction="radial"), record("inspection")])
    assert waits() == []


@pytest.mark.parametrize("form", [intake(), strike(), *others()], ids=lambda form: form["name"])
def test_every_choice_of_a_form_has_a_key_of_its_own(form):
    fields = [*form["kept"], *(field for step in form["steps"] for field in step["fields"])]
    for field in fields:
        keys = [option["key"] for option in field.get("options", [])]
        assert "" not in keys
        assert len(set(keys)) == len(keys)


def test_damage_is_one_key_a_word():
    damage = next(f for f in strike()["steps"][0]["fields"] if f["name"] == "damage")
    assert {o["key"]: o["value"] for o in damage["options"]} == {
        "n": "none", "m": "mark", "s": "set", "d": "delamination", "c": "crack", "b": "break",
        "x": "not-examined",
    }  # fmt: skip
