import datetime as dt
import json
from dataclasses import asdict
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import permutation_test

from qc.statistics.drift.factors import REACH, what_changed
from qc.statistics.drift.level import BatchPoint


def batches(means, n=10, sd=None):
    """Batches B00, B01, … made a day apart."""
    first = dt.date(2026, 3, 2)
    return [
        BatchPoint(f"B{i:02d}", first + dt.timedelta(days=i), n, mean, sd)
        for i, mean in enumerate(means)
    ]


def table(**factors):
    """Batch to factor to level, from one text of levels per factor; `-` is unknown."""
    rows = {name: text.split() for name, text in factors.items()}
    count = len(next(iter(rows.values())))
    return {
        f"B{i:02d}": {name: row[i] for name, row in rows.items() if row[i] != "-"}
        for i in range(count)
    }


def noise(count, seed=1):
    return np.random.default_rng(seed).standard_normal(count)


CREW = "A B B A A B A B A A B B A A B B A B A B"
MOULD = "M1 M2 M1 M1 M2 M2 M1 M2 M1 M2 M1 M2 M3 M1 M3 M2 M3 M3 M1 M3"
HEAVY = np.array([mould == "M3" for mould in MOULD.split()])
MEANS = 460 + noise(20) + 4 * HEAVY


def test_a_new_mould_that_makes_heavy_rims_is_named_first_with_its_effect():
    found = what_changed(batches(MEANS), table(mould=MOULD, crew=CREW))
    mould = found.groups[0][0]
    assert (mould.factor, mould.level, mould.form) == ("mould", "M3", "level")
    assert mould.effect == pytest.approx(MEANS[HEAVY].mean() - MEANS[~HEAVY].mean())
    assert (mould.first_batch, mould.batches, mould.known) == ("B12", 5, 20)
    assert mould.p <= 0.01
    assert mould.p_beyond_step <= 0.05
    assert not mould.follows_time
    crew = found.groups[1][0]
    assert crew.factor == "crew"
    assert crew.p > 0.1


def test_two_factors_that_changed_together_are_named_together():
    found = what_changed(
        batches(MEANS), table(mould=MOULD, layup=MOULD.replace("M3", "new"), crew=CREW)
    )
    assert {one.factor for one in found.groups[0]} == {"mould", "layup"}
    assert [one.agreement for one in found.groups[0]] == pytest.approx([1, 1])
    assert len({one.p for one in found.groups[0]}) == 1
    first, second, third = found.rows()
    assert (first["with"], second["with"], third["with"]) == (["mould"], ["layup"], [])
    assert [row["group"] for row in found.rows()] == [1, 1, 2]


def test_factors_that_differ_in_one_batch_are_one_group_as_long_as_the_means_cannot_tell():
    means = 460 + noise(20) + 4.0 * (np.arange(20) >= 10)
    means[10] = 462.0  # half way: it may belong to either side
    resin = " ".join(["R1"] * 10 + ["R2"] * 10)
    hub = " ".join(["H1"] * 11 + ["H2"] * 9)
    (group,) = what_changed(batches(means), table(resin=resin, hub=hub)).groups
    assert {one.factor for one in group} == {"resin", "hub"}
    assert min(one.agreement for one in group) == pytest.approx(np.sqrt(9 * 10 / (11 * 10)))


def test_factors_that_the_means_tell_apart_are_not_named_together():
    means = 460 + 0.5 * noise(20) + 4.0 * (np.arange(20) >= 10)
    resin = " ".join(["R1"] * 10 + ["R2"] * 10)
    hub = " ".join(["H1"] * 12 + ["H2"] * 8)
    groups = what_changed(batches(means), table(resin=resin, hub=hub)).groups
    assert [[one.factor for one in group] for group in groups] == [["resin"], ["hub"]]


def test_a_lot_that_began_with_the_step_is_named_and_said_to_follow_time():
    means = 460 + noise(20) + 4.0 * (np.arange(20) >= 12)
    lots = " ".join(f"R{1 + i // 6}" for i in range(20))
    found = what_changed(batches(means), table(resin_lot=lots))
    lot = found.groups[0][0]
    assert (lot.level, lot.form, lot.first_batch) == ("R3", "level-onward", "B12")
    assert lot.follows_time
    assert lot.p_beyond_step > 0.2
    assert found.step.first_batch == "B12"
    assert found.step.effect == pytest.approx(lot.effect)


def test_an_old_mould_that_goes_off_is_named_with_its_first_bad_batch():
    moulds = [f"M{1 + i % 2}" for i in range(30)]
    bad = np.array([mould == "M1" and i >= 16 for i, mould in enumerate(moulds)])
    found = what_changed(batches(460 + noise(30) + 4 * bad), table(mould=" ".join(moulds)))
    mould = found.groups[0][0]
    assert (mould.level, mould.form, mould.first_batch) == ("M1", "level-since", "B16")
    assert mould.p <= 0.01


def test_mould_shots_are_a_number_with_a_slope():
    shots = np.random.default_rng(3).permutation(20) * 40 + 100
    means = 0.3 + 0.001 * shots + 0.02 * noise(20)
    found = what_changed(batches(means), table(mould_shots=" ".join(map(str, shots)), crew=CREW))
    one = found.groups[0][0]
    assert (one.factor, one.form, one.level) == ("mould_shots", "number", "100 to 860")
    assert one.slope == pytest.approx(np.polyfit(shots, means, 1)[0])
    assert one.effect == pytest.approx(one.slope * 760)
    assert one.p <= 0.01
    assert not one.follows_time


def test_shots_that_only_ever_rise_follow_time():
    shots = " ".join(str(100 + 40 * i) for i in range(20))
    means = 460 + noise(20) + 0.3 * np.arange(20)
    assert what_changed(batches(means), table(mould_shots=shots)).groups[0][0].follows_time


def test_a_few_different_numbers_are_codes():
    ovens = "1 2 3 1 2 3 1 2 3 1 2 3 1 2 3 1 2 3 1 2"
    assert what_changed(batches(MEANS), table(oven=ovens)).groups[0][0].form != "number"


def test_what_never_changed_or_never_repeats_is_not_searched():
    notes = " ".join(f"note-{i}" for i in range(20))
    found = what_changed(
        batches(MEANS), table(press=" ".join(["P1"] * 20), remark=notes, mould=MOULD)
    )
    assert found.searched == ("mould",)


def test_batches_with_an_unknown_level_take_no_part_for_that_factor():
    gaps = " ".join("-" if i % 5 == 0 else level for i, level in enumerate(MOULD.split()))
    mould = what_changed(batches(MEANS), table(mould=gaps, crew=CREW)).groups[0][0]
    known = np.arange(20) % 5 != 0
    assert mould.known == 16
    effect = MEANS[known & HEAVY].mean() - MEANS[known & ~HEAVY].mean()
    assert mould.effect == pytest.approx(effect)


def test_batches_missing_from_the_table_are_ordinary():
    few = {code: row for code, row in table(mould=MOULD).items() if code > "B03"}
    assert what_changed(batches(MEANS), few).groups[0][0].known == 16


@pytest.mark.parametrize("count", [0, 1, 3])
def test_with_hardly_a_batch_there_is_no_answer_and_no_error(count):
    found = what_changed(batches(MEANS[:count]), table(mould=MOULD))
    assert found.groups == ()
    assert found.step is None


def test_batches_that_are_all_equal_say_nothing():
    found = what_changed(batches([460.0] * 12), table(crew=CREW))
    assert [row["p"] for row in found.rows()] == [1.0]


def test_a_large_batch_counts_for_more_than_a_small_one():
    # parts scatter by 3, batches hardly: 2 parts tell little of their batch
    sizes = [2, 40] * 10
    rng = np.random.default_rng(5)
    means = 460 + rng.standard_normal(20) * 3 / np.sqrt(sizes)
    points = [point._replace(n=n, sd=3.0) for point, n in zip(batches(means), sizes, strict=True)]
    crew = what_changed(points, table(crew=CREW)).groups[0][0]
    inside = np.array([c == crew.level for c in CREW.split()]) & (
        np.array([point.code for point in points]) >= crew.first_batch
    )
    assert crew.form == "level-since" or inside.sum() == crew.batches
    plain = means[inside].mean() - means[~inside].mean()
    ideal = np.average(means[inside], weights=np.array(sizes)[inside]) - np.average(
        means[~inside], weights=np.array(sizes)[~inside]
    )
    assert abs(crew.effect - ideal) < abs(crew.effect - plain)


def test_p_of_one_two_level_factor_is_that_of_the_exact_permutation_test():
    means = [3.1, 1.2, 2.9, 1.0]
    found = what_changed(batches(means), table(crew="A B A B"))
    published = permutation_test(
        ([3.1, 2.9], [1.2, 1.0]), lambda a, b, axis: a.mean(axis) - b.mean(axis), vectorized=True
    )
    assert found.exact
    assert found.groups[0][0].p == pytest.approx(published.pvalue)


def test_p_pays_for_every_level_and_factor_that_was_looked_at():
    means = np.array([5.0, 1.1, 1.9, 4.6, 2.4, 1.3])
    rows = table(crew="A B C A B C", shift="x x y y z z")

    # pairs of batches that share a crew, or a shift later than the first; and the last four
    sides = [[0, 3], [1, 4], [2, 5], [2, 3], [4, 5], [2, 3, 4, 5]]

    def greatest(y):
        away = y - y.mean()
        explained = [away[s].sum() ** 2 * 6 / len(s) / (6 - len(s)) for s in sides]
        return -3 * np.log(1 - max(explained) / (away @ away)) - np.log(3)

    observed = greatest(means)
    share = np.mean(
        [greatest(means[list(order)]) >= observed - 1e-9 for order in permutations(range(6))]
    )
    assert what_changed(batches(means), rows).groups[0][0].p == pytest.approx(share)


def test_the_same_batches_give_the_same_answer_in_any_order_and_every_time():
    points = batches(MEANS, sd=2.0)
    first = what_changed(points, table(mould=MOULD, crew=CREW))
    assert what_changed(points[::-1], table(crew=CREW, mould=MOULD)) == first


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.integers(-50, 50), min_size=8, max_size=16),
    st.integers(-1000, 1000),
    st.sampled_from([-4, -1, 2]),
)
def test_another_zero_or_unit_changes_effects_only_by_the_unit(tenths, zero, unit):
    means = np.array(tenths) / 8
    rows = table(mould=MOULD, crew=CREW)
    plain = what_changed(batches(means), rows, drawn=99)
    turned = what_changed(batches(zero + unit * means), rows, drawn=99)
    for one, other in zip(plain.rows(), turned.rows(), strict=True):
        assert other["factor"] == one["factor"]
        assert other["effect"] == pytest.approx(unit * one["effect"], abs=1e-6)
        assert other["p"] == pytest.approx(one["p"])
        assert 0 < one["p"] <= 1


def test_of_very_many_batches_those_next_to_the_step_are_searched():
    count = 4 * REACH
    rng = np.random.default_rng(2)
    moulds = ["M9" if i >= 1000 and i % 3 == 0 else f"M{i % 2}" for i in range(count)]
    means = rng.standard_normal(count) + 4 * np.array([mould == "M9" for mould in moulds])
    points = [
        BatchPoint(f"B{i:04d}", dt.date(2020, 1, 1) + dt.timedelta(days=i), 5, mean, None)
        for i, mean in enumerate(means)
    ]
    rows = {point.code: {"mould": mould} for point, mould in zip(points, moulds, strict=True)}
    found = what_changed(points, rows, drawn=99)
    assert found.batches < count
    assert found.groups[0][0].level == "M9"


def test_the_answer_is_ready_for_json():
    found = what_changed(batches(MEANS), table(mould=MOULD, crew=CREW))
    assert json.loads(json.dumps(asdict(found)))["groups"][0][0]["factor"] == "mould"
    row = json.loads(json.dumps(found.rows()))[0]
    assert {"factor", "level", "effect", "p", "with", "follows_time"} <= row.keys()


@pytest.mark.parametrize(
    ("points", "says"),
    [
        (batches([1.0, float("nan"), 2.0]), "batch B01 needs parts and a finite mean"),
        (batches([1.0, 2.0], n=0), "batch B00 needs parts"),
        ([*batches([1.0]), *batches([2.0])], "batch B00 is given twice"),
    ],
)
def test_what_cannot_be_a_batch_is_refused_by_name(points, says):
    with pytest.raises(ValueError, match=says):
        what_changed(points, {})
