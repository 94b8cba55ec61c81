"""The drift engine: levels of rims that stay, move once, twice, slowly or for a single batch."""

import csv
import datetime as dt
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from qc.statistics.drift.level import BatchPoint, drift
from qc.statistics.drift.looks import CHANCE_ONE

REFERENCE = Path(__file__).parents[2] / "reference"
FIRST_DAY = dt.date(2026, 1, 5)


def batches(means, n=20, sd=None):
    return [
        BatchPoint(f"B{i:03d}", FIRST_DAY + dt.timedelta(days=i), n, float(mean), sd)
        for i, mean in enumerate(means)
    ]


def stream(seed, count, shift=0.0, since=0):
    means = 412 + np.random.default_rng(seed).standard_normal(count)
    means[since:] += shift
    return means


def codes(first, end):
    return tuple(f"B{i:03d}" for i in range(first, end))


def test_the_flow_of_the_nile_signals_once_and_dates_the_change():
    # Cobb (1978): change after 1898, from 1097.75 to 849.97 (nile_changepoint.json beside the data)
    with (REFERENCE / "nile_changepoint.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    points = [
        BatchPoint(row["year"], dt.date(int(row["year"]), 1, 1), 1, float(row["volume"]))
        for row in rows
    ]
    found = drift(points)
    (event,) = found.events
    assert 1899 <= int(event.signal.batch) <= 1906
    assert event.change.first_batch == "1899"
    assert event.change.lower < 849.97 - 1097.75 < event.change.upper
    assert [level.centre for level in found.levels] == pytest.approx([1097.75, 849.97], abs=0.01)


def test_a_quiet_stream_signals_nothing_and_its_baseline_grows():
    found = drift(batches(stream(11, 30)))
    assert (found.signals, found.change, found.events) == ((), None, ())
    assert found.baseline == codes(0, 30)
    assert found.centre == pytest.approx(np.mean(stream(11, 30)), abs=1e-8)
    assert found.sigma == pytest.approx(np.std(stream(11, 30), ddof=1), abs=1e-8)
    assert (found.watched, found.strength) == (22, None)
    assert all(band.lower < point.mean < band.upper
               for band, point in zip(found.limits, found.points, strict=True))  # fmt: skip


def test_the_limits_of_a_batch_are_the_prediction_interval_from_those_before_it():
    # t prediction interval for one more value (e.g. Hahn & Meeker 1991): t·s·√(1 + 1/n)
    means = stream(11, 30)
    found = drift(batches(means))
    for i in (8, 15, 29):
        t = stats.t.ppf(1 - CHANCE_ONE / 2, i - 1)
        half = t * np.std(means[:i], ddof=1) * math.sqrt(1 + 1 / i)
        assert found.limits[i].lower == pytest.approx(np.mean(means[:i]) - half, abs=1e-6)
        assert found.limits[i].upper == pytest.approx(np.mean(means[:i]) + half, abs=1e-6)


def test_a_step_is_described_by_the_two_sample_t_interval():
    means = stream(3, 40, shift=3.0, since=25)
    found = drift(batches(means))
    change, known = found.change, int(found.events[0].known_from[1:])
    assert change.first_batch == "B025"
    before, after = means[:25], means[25 : known + 1]
    # an interval of 97 % (scipy's two-sample t), since the change point was searched for
    told = stats.ttest_ind(after, before).confidence_interval(0.97)
    assert (change.lower, change.upper) == pytest.approx((told.low, told.high), abs=1e-6)
    assert change.shift == pytest.approx(after.mean() - before.mean(), abs=1e-6)


@pytest.mark.parametrize(("shift", "seed"), [(3.0, 3), (5.0, 5), (-4.0, 6), (9.0, 7), (30.0, 9)])
def test_one_step_is_one_event(shift, seed):
    found = drift(batches(stream(seed, 50, shift=shift, since=25)))
    assert [event.change.first_batch for event in found.events] == ["B025"]
    (signal,) = found.signals
    assert signal.batch in codes(25, 31)
    assert not signal.lower <= signal.value <= signal.upper
    assert found.baseline == codes(0, 25)
    assert found.levels[-1].batches == codes(25, 50)


def test_a_return_to_the_old_level_is_an_event_of_its_own():
    means = stream(11, 60)
    means[20:40] += 4
    found = drift(batches(means))
    assert [event.change.first_batch for event in found.events] == ["B020", "B040"]
    assert [event.change.shift > 0 for event in found.events] == [True, False]
    assert [len(level.batches) for level in found.levels] == [20, 20, 20]
    assert found.change == found.events[0].change


def test_a_return_after_five_batches_is_found_too():
    means = stream(3, 40)
    means[20:25] += 7
    assert [event.change.first_batch for event in drift(batches(means)).events] == ["B020", "B025"]


def test_a_slow_trend_is_not_learned_by_the_growing_baseline():
    found = drift(batches(stream(2, 60) + 0.1 * np.maximum(np.arange(60) - 12, 0)))
    first = int(found.events[0].known_from[1:])
    # seen before the trend has risen by 3 batch sds
    assert 12 < first <= 42
    assert found.centre == pytest.approx(412.3, abs=1)


def test_a_shift_inside_the_baseline_is_signalled_and_not_learned():
    found = drift(batches(stream(5, 30, shift=6.0, since=5)), baseline=12)
    assert found.baseline == codes(0, 5)
    assert found.signals[0].rule == "step"
    assert found.change.first_batch == "B005"


@pytest.mark.parametrize("odd", [4, 20])
def test_a_lone_odd_batch_is_signalled_once_and_left_out_of_its_level(odd):
    means = stream(7, 40)
    means[odd] += 15
    found = drift(batches(means))
    assert [(s.batch, s.rule) for s in found.signals] == [(f"B{odd:03d}", "beyond-limits")]
    assert found.baseline == codes(0, odd) + codes(odd + 1, 40)
    assert found.change.first_batch == f"B{odd:03d}"
    assert len(found.levels) == 1


def test_an_odd_batch_is_signalled_at_once_and_judged_when_two_have_followed():
    means = stream(7, 23)
    means[20] += 15
    for count in (21, 22, 23):
        found = drift(batches(means[:count]))
        assert [s.batch for s in found.signals] == ["B020"]
        assert found.baseline == codes(0, 20) + (codes(21, 23) if count == 23 else ())


def test_before_the_eighth_batch_nothing_signals():
    found = drift(batches([412, 411, 413, 412, 440, 412, 450]))
    assert found.signals == ()
    assert found.limits == (None,) * 7
    assert len(found.baseline) == 7


def test_one_batch_is_a_stream_without_spread():
    found = drift([BatchPoint("B1", FIRST_DAY, 1, 412.5)])
    assert (found.baseline, found.centre, found.sigma) == (("B1",), 412.5, None)
    assert (found.signals, found.watched) == ((), 0)


def test_a_frozen_baseline_does_not_grow_and_judges_later_batches():
    means = stream(11, 40)
    quiet = drift(batches(means), frozen=codes(2, 14), since="B016")
    assert quiet.baseline == codes(2, 14)
    assert quiet.centre == pytest.approx(means[2:14].mean(), abs=1e-8)
    assert quiet.events == ()
    t = stats.t.ppf(1 - CHANCE_ONE / 2, 11)
    half = t * np.std(means[2:14], ddof=1) * math.sqrt(1 + 1 / 12)
    assert {round(band.upper, 6) for band in quiet.limits} == {round(means[2:14].mean() + half, 6)}
    means[30:] += 4
    moved = drift(batches(means), frozen=codes(2, 14), since="B016")
    assert moved.change.first_batch == "B030"
    assert [level.batches for level in moved.levels] == [codes(2, 14), codes(30, 40)]


def test_batches_before_a_frozen_baseline_counts_are_not_judged():
    means = stream(11, 40)
    means[5] += 20
    found = drift(batches(means), frozen=codes(10, 22), since="B022")
    assert found.events == ()


def test_a_level_that_crept_is_plain_against_a_frozen_baseline():
    means = stream(2, 40) + 0.1 * np.maximum(np.arange(40) - 12, 0)
    found = drift(batches(means), frozen=codes(0, 12), since="B012")
    assert found.events[0].change.shift > 0


def test_frozen_batches_that_a_stream_does_not_have_are_left_out():
    points = batches(stream(11, 30))
    found = drift(points, frozen=(*codes(0, 8), "B900"), since="B901")
    assert found.baseline == codes(0, 8)
    assert found.watched == 22
    few = drift(points, frozen=("B001", "B003"), since="B010")
    assert (few.baseline, few.events, few.watched) == (("B001", "B003"), (), 0)
    assert set(few.limits) == {None}
    none = drift(points, frozen=("B900",))
    assert (none.baseline, none.centre, none.sigma, none.events) == ((), None, None, ())


@given(st.permutations(range(24)), st.booleans())
@settings(max_examples=20, deadline=None)
def test_batches_may_be_given_in_any_order(order, same_day):
    points = batches(stream(8, 24, shift=4.0, since=16))
    if same_day:
        points = [point._replace(made_on=FIRST_DAY) for point in points]
    assert drift([points[i] for i in order]) == drift(points)


@given(
    st.integers(0, 10**6),
    st.sampled_from([0, 2, 4, 8]),
    st.integers(1, 30),
    st.sampled_from(["step", "return", "trend", "odd", "sizes", "coarse", "frozen"]),
)
@settings(max_examples=60, deadline=None)
def test_batches_that_follow_never_change_an_event(seed, shift, since, kind):
    means = stream(seed, 40, shift=shift, since=since)
    how = {}
    if kind == "return":
        means[since + 6 :] -= shift
    elif kind == "trend":
        means += 0.2 * np.arange(40)
    elif kind == "odd":
        means[since + 1 :] -= shift
    elif kind == "coarse":
        means = np.round(means)
    elif kind == "frozen":
        how = {"frozen": codes(0, 9)}
    points = batches(means)
    if kind == "sizes":
        sizes = np.random.default_rng(seed).integers(1, 30, 40).tolist()
        points = [
            point._replace(n=n, sd=2.5 if n > 1 else None)
            for point, n in zip(points, sizes, strict=True)
        ]
    told, limits = (), ()
    for count in range(1, len(points) + 1):
        found = drift(points[:count], **how)
        assert found.events[: len(told)] == told
        for was, now in zip(limits[8:], found.limits[8:], strict=False):
            assert was == now
        told, limits = found.events, found.limits


@given(st.integers(0, 10**6), st.sampled_from([0, 4]), st.sampled_from([1.0, 0.01, 1000.0]))
@settings(max_examples=20, deadline=None)
def test_a_change_of_unit_and_a_mirror_change_no_verdict(seed, shift, factor):
    means = stream(seed, 30, shift=shift, since=18)
    plain, mirrored = drift(batches(means)), drift(batches(-factor * means))
    assert [(s.batch, s.rule) for s in mirrored.signals] == [
        (s.batch, s.rule) for s in plain.signals
    ]
    assert mirrored.sigma == pytest.approx(factor * plain.sigma, rel=1e-5)


def test_equal_batches_have_no_spread_and_no_signal():
    for mean in (0.1, 0.0, 412.0):
        for scale in ("plain", "root"):
            found = drift(batches([mean] * 30), scale=scale)
            assert (found.sigma, found.signals, found.centre) == (0, (), pytest.approx(mean))


def test_after_equal_batches_one_step_of_the_scale_is_no_signal_but_a_lasting_one_is():
    once = [2.0] * 12 + [2.5] + [2.0] * 10
    assert drift(batches(once)).signals == ()
    lasting = drift(batches([2.0] * 12 + [2.5] * 6))
    assert lasting.change.first_batch == "B012"
    assert lasting.change.shift == pytest.approx(0.5)


def test_a_small_batch_may_stray_farther_than_a_large_one():
    rng = np.random.default_rng(9)
    points = batches(412 + rng.standard_normal(20) * 0.6, n=25, sd=3.0)
    small = BatchPoint("S", FIRST_DAY + dt.timedelta(days=90), 1, 417.5)
    found = drift([*points, small])
    # the parts' sd of 3 g explains the spread of means of 25 alone, so one part has five times it
    widths = [band.upper - band.lower for band in found.limits]
    assert widths[-1] > 4 * widths[-2]
    assert found.signals == ()
    assert drift([*points, small._replace(n=25)]).signals[0].batch == "S"


def test_means_that_happen_to_lie_close_do_not_make_the_parts_scatter_less():
    # 25 parts of sd 3 g give means of sd 0.6 g; a run of means within 0.1 g is luck
    rng = np.random.default_rng(9)
    lucky = np.append(412 + rng.standard_normal(14) * 0.1, [413.0] * 3)
    assert drift(batches(lucky, n=25, sd=3.0)).events == ()
    assert drift(batches(lucky)).events != ()


def test_on_the_root_scale_all_comes_back_in_the_unit():
    rng = np.random.default_rng(4)
    level = np.where(np.arange(40) < 25, 0.2, 0.35)
    means = level * np.exp(0.1 * rng.standard_normal(40))
    found = drift(batches(means), scale="root")
    assert found.change.first_batch == "B025"
    assert found.centre == pytest.approx(np.mean(np.sqrt(means[:25])) ** 2, abs=1e-8)
    assert found.sigma == pytest.approx(
        2 * math.sqrt(found.centre) * np.std(np.sqrt(means[:25]), ddof=1), abs=1e-8
    )
    assert found.change.lower < 0.15 < found.change.upper
    event = found.events[0]
    assert event.after - event.before == pytest.approx(found.change.shift)
    # limits of a skewed characteristic reach farther up than down
    band, middle = found.limits[8], np.mean(np.sqrt(means[:8])) ** 2
    assert band.upper - middle > middle - band.lower > 0


@pytest.mark.parametrize("baseline", [8, 12, 20])
def test_few_quiet_streams_cry_wolf_within_26_batches(baseline):
    # under 5 % by tests/bench/drift_runs.py; of 300 streams more than 30 come up once in 5000 runs
    rng = np.random.default_rng(baseline)
    alarms = sum(
        bool(drift(batches(means), baseline).signals)
        for means in rng.standard_normal((300, baseline + 26))
    )
    assert alarms <= 30


@pytest.mark.parametrize("clean", [8, 12])
def test_a_shift_of_four_batch_sds_is_seen_within_six_batches(clean):
    # 99 % and more by tests/bench/drift_runs.py
    rng = np.random.default_rng(12)
    shifted = 4.0 * (np.arange(clean + 6) >= clean)
    rows = rng.standard_normal((200, clean + 6))
    seen = [bool(drift(batches(row + shifted)).signals) for row in rows]
    assert np.mean(seen) >= 0.95


def test_bad_streams_are_refused():
    with pytest.raises(ValueError, match="at least one batch: none given"):
        drift([])
    with pytest.raises(ValueError, match="at least 8 batches: 7"):
        drift(batches([1.0] * 10), baseline=7)
    with pytest.raises(ValueError, match="B001 needs parts and a finite mean: n 20, mean nan"):
        drift(batches([1.0, float("nan")]))
    with pytest.raises(ValueError, match="B000 needs parts and a finite mean: n 0"):
        drift(batches([1.0], n=0))
    with pytest.raises(ValueError, match="B000 is given 2 times"):
        drift(batches([1.0]) * 2)
    with pytest.raises(ValueError, match=r"root scale: mean -0\.5 is below zero"):
        drift(batches([-0.5]), scale="root")
    with pytest.raises(ValueError, match="since B003 needs the batches of a frozen baseline"):
        drift(batches([1.0]), since="B003")
