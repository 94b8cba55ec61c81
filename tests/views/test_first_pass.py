"""First-pass share by batch: who passed, who did not, and with which limits."""

import pytest
from scipy import stats

from qc.views.first_pass import first_pass
from qc.views.newest import newest_batches
from tests.maker import accept, record, take_catalog


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    accept(ledger, [record("receipt", serial=f"R{n}") for n in range(5)])
    accept(ledger, [record("weighing", serial=f"R{n}", gross_g=455) for n in range(4)])
    return ledger


def look(ledger, view=first_pass, **what):
    with ledger.reading() as connection:
        return view(connection, ledger.known(connection).catalog, **what)


def passed(ledger):
    (batch,) = look(ledger)["batches"]
    return batch["passed"], batch["parts"], batch["why"]


def test_parts_with_nothing_against_them_passed_and_one_not_judged_is_not_counted(shop):
    assert passed(shop) == (4, 4, {})


def test_the_limits_are_exact(shop):
    """SciPy's own exact interval of a proportion."""
    accept(shop, [record("disposition", serial="R0", decision="rework")])
    (batch,) = look(shop)["batches"]
    exact = stats.binomtest(3, 4).proportion_ci(0.95, "exact")
    assert (batch["lower"], batch["upper"]) == pytest.approx((exact.low, exact.high))
    assert look(shop)["together"]["share"] == 0.75


def test_a_flag_counts_also_when_it_was_closed_since(shop):
    late = record("weighing", serial="R1", gross_g=600, taken_at="2026-02-03T10:00:00")
    accept(shop, [late, record("disposition", serial="R1", decision="release",
                               taken_at="2026-02-04T10:00:00")])  # fmt: skip
    assert passed(shop) == (3, 4, {"weight-over-claim": 1})


@pytest.mark.parametrize(
    ("decision", "more"),
    [("hold", {}), ("rework", {}), ("repair", {}), ("regrade", {"grade": "B"}), ("scrap", {}),
     ("concession", {"quantity": 1})],
)  # fmt: skip
def test_a_part_that_somebody_had_to_decide_on_did_not_pass(shop, decision, more):
    accept(shop, [record("disposition", serial="R2", decision=decision, **more)])
    assert passed(shop) == (3, 4, {decision: 1})


def test_a_plain_release_takes_nothing_away(shop):
    accept(shop, [record("disposition", serial="R2", decision="release")])
    assert passed(shop) == (4, 4, {})


def test_a_part_with_a_flag_and_a_decision_is_one_part(shop):
    accept(shop, [record("weighing", serial="R1", gross_g=600, taken_at="2026-02-03T10:00:00"),
                  record("disposition", serial="R1", decision="scrap",
                         taken_at="2026-02-03T11:00:00")])  # fmt: skip
    assert passed(shop)[0] == 3


def test_what_a_customer_brought_back_passed_when_it_left(shop):
    accept(shop, [record("shipment", serial="R1", taken_at="2026-02-05T10:00:00"),
                  record("customer-return", serial="R1", taken_at="2026-03-05T10:00:00"),
                  record("disposition", serial="R1", decision="hold",
                         taken_at="2026-03-05T11:00:00")])  # fmt: skip
    assert passed(shop) == (4, 4, {})


def test_a_struck_part_is_scrapped_because_the_test_is_over(shop):
    accept(shop, [record("drop", serial="R1", taken_at="2026-02-05T10:00:00"),
                  record("disposition", serial="R1", decision="scrap",
                         taken_at="2026-02-05T11:00:00")])  # fmt: skip
    assert passed(shop) == (4, 4, {})


def test_a_reworked_batch_fails_whole_and_a_held_one_is_only_marked(shop):
    accept(shop, [record("disposition", serial=None, batch="B1", decision="hold")])
    (batch,) = look(shop)["batches"]
    assert (batch["passed"], batch["held"], batch["whole"]) == (4, True, None)
    accept(shop, [record("disposition", serial=None, batch="B1", decision="rework",
                         taken_at="2026-02-06T10:00:00")])  # fmt: skip
    (batch,) = look(shop)["batches"]
    assert (batch["passed"], batch["whole"]) == (0, "rework")


def test_the_newest_batches_are_looked_at_until_there_are_parts_enough(shop):
    accept(shop, [record("receipt", serial=f"Q{n}", batch="B2") for n in range(3)])
    few = look(shop, newest_batches, most_parts=4)
    assert [batch.code for batch in few.batches] == ["B2"]
    both = look(shop, newest_batches, model="D50")
    assert [batch.code for batch in both.batches] == ["B1", "B2"]
    assert both.parts == {"B1": 5, "B2": 3}
    assert look(shop, newest_batches, model="R30").batches == []
