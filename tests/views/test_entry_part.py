"""The judged state of one part, as an entry screen shows it."""

import math

import pytest

from qc.views.entry_part import part
from tests.maker import CATALOG, accept, record, take_catalog

SHOP = (
    CATALOG
    + """
[[characteristic]]
code = "wall"
unit = "mm"
name = "Wall"
"""
)


@pytest.fixture
def shown(ledger, tmp_path):
    take_catalog(ledger, tmp_path, SHOP)

    def after(*records, serial="R1", stage="rim"):
        accept(ledger, [record("receipt"), *records])
        with ledger.reading() as connection:
            return part(connection, ledger.catalog(), serial, stage)

    return after


def reading(found, what):
    return next(r for r in found["readings"] if r["what"] == what)


@pytest.mark.parametrize(
    ("gross", "verdict", "side"),
    [
        (450, "conforms", "over"),
        (459.9, "undecided", "over"),
        (460.2, "undecided", "over"),
        (462, "does-not-conform", "over"),
        (434.8, "undecided", "under"),
        (430, "does-not-conform", "under"),
    ],
)
def test_a_weight_stands_beside_its_claim_and_band(shown, gross, verdict, side):
    """u = √(0.3² + 0.1²/12) g = 0.301 g, so within 0.496 g of 435 or 460 g nothing is decided."""
    mass = reading(shown(record("weighing", gross_g=gross)), "bare-mass")
    assert (mass["claimed"], mass["lower"], mass["upper"]) == (450, 435, 460)
    assert mass["verdict"] == verdict
    assert gross == 450 or mass["side"] == side
    assert (mass["chance_beyond"] > 0.5) == (gross > 460 or gross < 435)


def test_a_typed_reading_of_run_out_is_judged_by_the_limit_on_form_as_given(shown):
    good = reading(shown(record("runout", tir_mm="0.4")), "tir-lateral")
    assert (good["verdict"], good["upper"]) == ("conforms", 0.4)


def test_a_run_out_above_its_limit_does_not_conform(shown):
    bad = shown(record("runout", tir_mm="0.41"))
    assert reading(bad, "tir-lateral")["verdict"] == "does-not-conform"
    assert [flag["flag"] for flag in bad["flags"]] == ["runout-lateral"]


def test_a_whole_turn_is_judged_by_its_form_and_not_by_the_set_up(shown):
    turn = " ".join(f"{0.5 * math.cos(math.tau * n / 36):.3f}" for n in range(36))
    found = shown(record("runout", tir_mm=None, readings_mm=turn))
    assert "upper" not in reading(found, "tir-lateral")
    form = reading(found, "form-lateral")
    assert (form["upper"], form["verdict"]) == (0.4, "conforms")


def test_what_no_limit_covers_is_not_judged(shown):
    found = shown(record("measurement", characteristic="wall", value="1.2"))
    assert reading(found, "wall")["verdict"] == ""


@pytest.mark.parametrize(("value", "verdict"), [("6.4", "conforms"), ("6.9", "does-not-conform")])
def test_a_measurement_stands_between_its_limits(shown, value, verdict):
    found = reading(shown(record("measurement", value=value)), "bore")
    assert (found["lower"], found["upper"], found["verdict"]) == (6.4, 6.8, verdict)


def test_a_finding_at_its_limit_does_not_conform(shown):
    found = shown(record("inspection", result="findings"), record("finding", size_mm=5))
    assert reading(found, "findings-per-part")["verdict"] == "does-not-conform"


def test_a_part_says_what_it_still_lacks_and_that_it_was_struck(shown):
    found = shown(record("weighing"), record("drop"))
    assert found["missing"] == ["runout-lateral", "inspection"]
    assert found["struck"]
    assert "struck in an impact test: it can never be released" in found["reasons"]


def test_an_unknown_serial_gives_the_ones_like_it(shown):
    assert shown(serial="r1") == {"serial": "r1", "known": False, "near": ["R1"]}
