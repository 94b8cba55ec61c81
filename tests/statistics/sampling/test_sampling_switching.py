"""Switching rules, lot after lot: MIL-STD-105E 4.7 and 4.8, ISO 2859-1 9.3 and 9.4."""

from functools import partial

import pytest

from qc.statistics.sampling.switching import (
    Inspection,
    LotResult,
    limit_number_mil_std_105e,
    next_inspection_iso_2859_1,
    next_inspection_mil_std_105e,
    resumed,
)

GOOD, BAD = LotResult(0, ac=1, re=2), LotResult(2, ac=1, re=2)
mil = next_inspection_mil_std_105e
iso = next_inspection_iso_2859_1


def after(rule, lots, state=None, **how):
    state = state or Inspection()
    for lot in lots:
        state = rule(state, lot, **how)
    return state


@pytest.mark.parametrize("rule", [mil, iso])
@pytest.mark.parametrize("between", range(4))
def test_two_of_five_or_fewer_lots_not_accepted_tighten_inspection(rule, between):
    lots = [BAD, *[GOOD] * between, BAD]
    assert after(rule, lots).stage == "tightened"


@pytest.mark.parametrize("rule", [mil, iso])
def test_two_of_six_lots_do_not(rule):
    assert after(rule, [BAD, GOOD, GOOD, GOOD, GOOD, BAD]).stage == "normal"


@pytest.mark.parametrize("rule", [mil, iso])
def test_five_accepted_in_a_row_bring_normal_inspection_back(rule):
    tight = Inspection("tightened")
    assert after(rule, [GOOD] * 4, tight).stage == "tightened"
    assert after(rule, [GOOD] * 5, tight).stage == "normal"
    assert after(rule, [GOOD] * 4 + [BAD] + [GOOD] * 4, tight).stage == "tightened"
    # what went before is forgotten then: one bad lot does not tighten again
    assert after(rule, [BAD, GOOD, GOOD, GOOD, GOOD, GOOD, BAD], tight).stage == "normal"


@pytest.mark.parametrize("rule", [mil, iso])
def test_five_lots_in_all_not_accepted_on_tightened_inspection_stop_it(rule):
    lots = [BAD, GOOD, GOOD, GOOD, BAD, GOOD, GOOD, BAD, GOOD, BAD, GOOD, BAD]
    state = after(rule, lots, Inspection("tightened"))
    assert state.stage == "discontinued"
    with pytest.raises(ValueError, match="judges no lot before it is resumed"):
        rule(state, GOOD)
    again = resumed(state)
    assert (again.stage, again.not_accepted) == ("tightened", 0)


def test_ten_clean_lots_within_the_limit_number_reduce_inspection_by_mil_std_105e():
    lots = [LotResult(n % 2, ac=1, re=2) for n in range(10)]
    assert after(mil, lots, limit_number=5).stage == "reduced"
    assert after(mil, lots, limit_number=4).stage == "normal"
    assert after(mil, lots[:9], limit_number=5).stage == "normal"
    assert after(mil, lots, limit_number=5, steady=False).stage == "normal"
    # reduced inspection is not wanted: no limit number
    assert after(mil, lots).stage == "normal"
    # a lot not accepted leaves the last ten only after ten more
    assert after(mil, [BAD, *lots[:9]], limit_number=99).stage == "normal"
    assert after(mil, [BAD, *lots], limit_number=99).stage == "reduced"


@pytest.mark.parametrize("rule", [mil, partial(iso, ac_one_step_tighter=0)])
def test_reduced_inspection_ends_with_a_lot_not_accepted_or_unsteady_production(rule):
    reduced = Inspection("reduced")
    assert rule(reduced, GOOD).stage == "reduced"
    assert rule(reduced, BAD).stage == "normal"
    assert rule(reduced, GOOD, steady=False).stage == "normal"


def test_a_lot_between_ac_and_re_is_accepted_and_ends_reduced_inspection():
    # MIL-STD-105E table II-C, J at AQL 1.0: Ac 1, Re 3
    lot = LotResult(2, ac=1, re=3)
    assert lot.accepted
    assert mil(Inspection("reduced"), lot).stage == "normal"
    assert mil(Inspection("reduced"), LotResult(1, ac=1, re=3)).stage == "reduced"


def test_the_iso_score_needs_fifteen_good_lots_of_a_small_plan():
    # Ac 0 or 1: two points a lot, thirty are needed
    assert after(iso, [GOOD] * 14).score == 28
    assert after(iso, [GOOD] * 14).stage == "normal"
    assert after(iso, [GOOD] * 15).stage == "reduced"
    assert after(iso, [GOOD] * 20, reduced_wanted=False).stage == "normal"
    assert after(iso, [*[GOOD] * 14, BAD]).score == 0


def test_the_iso_score_of_a_larger_plan_asks_for_the_next_tighter_aql():
    # Ac 3: three points if Ac 2, one step tighter, would have been kept too
    kept, barely = LotResult(2, ac=3, re=4), LotResult(3, ac=3, re=4)
    assert after(iso, [kept] * 9, ac_one_step_tighter=2).score == 27
    assert after(iso, [kept] * 10, ac_one_step_tighter=2).stage == "reduced"
    assert after(iso, [kept, kept, barely], ac_one_step_tighter=2).score == 0
    with pytest.raises(ValueError, match="must be given where ac is 2 or more: ac 3"):
        iso(Inspection(), kept)


def test_the_state_given_is_never_changed():
    state = Inspection()
    mil(state, BAD)
    assert state == Inspection()


def test_what_cannot_be_is_refused():
    with pytest.raises(ValueError, match="ac from 0 to below re: 1, ac 2, re 2"):
        LotResult(1, ac=2, re=2)
    with pytest.raises(ValueError, match="only discontinued inspection is resumed: normal"):
        resumed(Inspection())


# MIL-STD-105E table VIII, from memory: rows by the fewest units, limit number by AQL
TABLE_VIII = {
    20: {10: 0, 15: 0, 25: 2, 40: 4, 65: 8, 100: 14, 150: 22, 250: 40, 400: 68, 650: 115},
    320: {1: 0, 1.5: 1, 2.5: 4, 4: 8, 6.5: 14, 10: 24, 15: 39, 25: 68, 40: 113, 65: 189},
    500: {0.65: 0, 1: 2, 1.5: 3, 2.5: 7, 4: 14, 6.5: 25, 10: 40, 15: 63, 25: 110, 40: 181},
    800: {0.4: 0, 0.65: 2, 1: 4, 1.5: 7, 2.5: 14, 4: 24, 6.5: 42, 10: 68, 15: 105, 25: 181},
    1250: {0.25: 0, 0.4: 2, 0.65: 4, 1: 7, 1.5: 13, 2.5: 24, 4: 40, 6.5: 69, 10: 110, 15: 169},
    3150: {0.1: 0, 0.15: 1, 0.25: 4, 0.4: 8, 0.65: 14, 1: 24, 1.5: 38, 2.5: 67, 4: 111},
}


def test_limit_numbers_are_those_of_table_viii_over_the_whole_row():
    for units, row in TABLE_VIII.items():
        for aql, limit in row.items():
            assert limit_number_mil_std_105e(units=units, aql=aql) == limit
    # ten lots of 80, and as many as the row holds
    assert limit_number_mil_std_105e(units=1249, aql=1.0) == 4
    assert limit_number_mil_std_105e(units=1250, aql=1.0) == 7


def test_too_few_units_tell_nothing_about_reduced_inspection():
    assert limit_number_mil_std_105e(units=130, aql=1.0) is None
    assert limit_number_mil_std_105e(units=19, aql=10) is None
    with pytest.raises(ValueError, match="units must be a whole number from 1: 0"):
        limit_number_mil_std_105e(units=0, aql=1.0)
