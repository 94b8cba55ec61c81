"""Up-and-down tests: the short method and maximum likelihood."""

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.survival.staircase import dixon_mood, next_level, staircase_fit

REFERENCE = Path(__file__).parents[2] / "reference"


def case(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def test_twenty_five_drops_have_the_published_probit_fit():
    # Hamada, Mang & Hoff (2019), Quality Engineering, table 1
    reference = case("drop_weight_up_and_down")
    exact, printed = reference["computed_here"], reference["published"]
    levels = np.log10(reference["data"]["height"])
    fit = staircase_fit(levels=levels, failed=reference["data"]["reacted"])
    assert fit.mean == pytest.approx(exact["mu"], abs=2e-9)
    assert fit.mean == pytest.approx(printed["mu"], abs=5e-7)
    assert fit.sd == pytest.approx(exact["sigma"], abs=2e-9)
    assert fit.log_likelihood == pytest.approx(exact["loglik"], abs=1e-8)
    assert 10**fit.mean == pytest.approx(exact["H50"], abs=2e-7)
    # the coefficients as printed come from a search that stopped early
    assert 1 / fit.sd == pytest.approx(exact["b1"], abs=5e-7)
    assert -fit.mean / fit.sd == pytest.approx(exact["b0"], abs=5e-7)
    assert 1 / fit.sd == pytest.approx(printed["b1"], abs=1e-4)


def test_the_same_drops_by_the_short_method():
    exact = case("drop_weight_up_and_down")["computed_here"]["dixon_mood_log10_step_0_05"]
    with (REFERENCE / "ts-staircase-example.csv").open() as file:
        rows = list(csv.DictReader(file))
    found = dixon_mood(
        levels=np.log10([float(row["height"]) for row in rows]),
        failed=[int(row["response_1_is_failure"]) for row in rows],
        step=0.05,
    )
    assert (found.counted, found.n, found.a, found.b) == ("failures", 11, 21, 51)
    assert found.lowest_level == pytest.approx(exact["lowest_level"], abs=1e-8)
    assert found.mean == pytest.approx(exact["mean"], abs=1e-9)
    assert found.spread_ratio == pytest.approx(exact["ratio"], abs=1e-10)
    assert found.sd == pytest.approx(exact["sd"], abs=1e-10)


@pytest.mark.parametrize("name", ["staircase_falling_dart", "staircase_energy"])
def test_worked_staircases_have_the_reference_answers(name):
    # formulas of Dixon & Mood (1948); synthetic sequences
    reference = case(name)
    exact = reference["computed_here"]
    levels, failed = reference["data"]["level"], reference["data"]["failed"]
    serials = [f"R{i:03d}" for i in range(len(levels))]
    found = dixon_mood(levels=levels, failed=failed, serials=serials)
    counted = "passes" if exact["dixon_mood"]["event"] == "non-failures" else "failures"
    assert found.counted == counted
    assert [found.n, found.a, found.b] == [exact["dixon_mood"][k] for k in "NAB"]
    assert found.step == reference["inputs"]["step"]
    assert found.mean == pytest.approx(exact["dixon_mood"]["mean"], abs=1e-8)
    assert found.sd == pytest.approx(exact["dixon_mood"]["sd"], abs=1e-8)
    fit = staircase_fit(levels=levels, failed=failed, serials=serials)
    # the reference's search stopped at 1e-6
    assert fit.mean == pytest.approx(exact["probit_ml"]["mu"], abs=1e-6)
    assert fit.sd == pytest.approx(exact["probit_ml"]["sigma"], abs=2e-6)
    assert fit.log_likelihood == pytest.approx(exact["probit_ml"]["loglik"], abs=1e-8)


def test_standard_errors_follow_the_usual_approximations():
    # G = (6 s + d)/(7 s), H = 1.1 + 0.3 s/d for steps near a deviation; formulas from memory
    found = dixon_mood(**pick(case("staircase_energy")))
    d, s, n = found.step, found.sd, found.n
    assert found.mean_standard_error == pytest.approx((6 * s + d) / 7 / math.sqrt(n), rel=0.015)
    assert found.sd_standard_error == pytest.approx(
        s * (1.1 + 0.3 * s / d) / math.sqrt(n), rel=0.015
    )


def pick(reference):
    return {"levels": reference["data"]["level"], "failed": reference["data"]["failed"]}


def test_the_mean_of_long_staircases_scatters_as_its_error_says():
    rng = np.random.default_rng(11)
    means, errors = [], []
    for _ in range(300):
        level, levels, failed = 80.0, [], []
        for strength in rng.normal(80, 7, 60):
            levels.append(level)
            failed.append(bool(strength <= level))
            level = next_level(last_level=level, last_failed=failed[-1], step=7)
        found = dixon_mood(levels=levels, failed=failed)
        means.append(found.mean)
        errors.append(found.mean_standard_error)
    assert np.mean(means) == pytest.approx(80, abs=0.25)
    # the sd of 300 means is known to 4 %
    assert np.std(means) == pytest.approx(np.median(errors), rel=0.15)


def test_a_part_is_struck_once():
    for method in (dixon_mood, staircase_fit):
        with pytest.raises(
            ValueError, match="a part is struck once in a staircase: got 'R2' twice"
        ):
            method(levels=[70, 75, 80], failed=[0, 0, 1], serials=["R1", "R2", "R2"])
        with pytest.raises(ValueError, match="serials must name each part: got 2 for 3 levels"):
            method(levels=[70, 75, 80], failed=[0, 0, 1], serials=["R1", "R2"])


def test_the_next_part_is_struck_lower_after_a_failure_and_higher_after_a_pass():
    assert next_level(last_level=75, last_failed=True, step=5) == 70
    assert next_level(last_level=75, last_failed=False, step=5) == 80


def test_levels_that_break_the_rule_are_named():
    with pytest.raises(
        ValueError, match="one step up after a pass: got 75 then 85 with step 5 at part 3"
    ):
        dixon_mood(levels=[70, 75, 85, 80], failed=[0, 0, 1, 0], step=5)
    with pytest.raises(ValueError, match="one step down after a failure: got 75 then 80"):
        dixon_mood(levels=[70, 75, 80], failed=[0, 1, 1])


def test_a_tight_staircase_has_the_conventional_spread():
    found = dixon_mood(levels=[70, 75, 70, 75, 70, 75], failed=[0, 1, 0, 1, 0, 1])
    assert found.rough
    assert found.sd == pytest.approx(0.53 * 5)
    assert found.mean == 72.5


def test_passes_all_below_failures_leave_a_gap_and_no_spread():
    fit = staircase_fit(levels=[70, 75, 70, 75], failed=[0, 1, 0, 1])
    assert not fit.estimable
    assert (fit.mean, fit.sd) == (72.5, 0.0)
    assert fit.level_interval() == (-math.inf, math.inf)
    only_passes = staircase_fit(levels=[70, 75, 80], failed=[0, 0, 0])
    assert only_passes.mean == math.inf


def test_failures_that_grow_rarer_with_the_level_fit_no_strength():
    fit = staircase_fit(levels=[70, 75, 80], failed=[1, 0, 0])
    assert not fit.estimable
    assert math.isnan(fit.mean)
    assert fit.sd_interval() == (0.0, math.inf)


def test_a_level_that_few_fail_at_has_limits_or_says_that_it_has_none():
    fit = staircase_fit(**pick(case("staircase_energy")))
    low, high = fit.level_interval(0.1)
    assert low < fit.level(0.1) < high < fit.mean
    assert fit.failing(fit.level(0.1)) == pytest.approx(0.1)
    low, high = fit.level_interval()
    assert low < fit.mean < high
    # twenty darts with a wide spread do not even bound the mean
    assert staircase_fit(**pick(case("staircase_falling_dart"))).level_interval() == (
        -math.inf,
        math.inf,
    )


def test_bad_staircases_are_refused():
    with pytest.raises(ValueError, match="failed must be true or false for each level"):
        dixon_mood(levels=[70, 75], failed=[0])
    with pytest.raises(ValueError, match="both results are needed: got 0 failures of 2 parts"):
        dixon_mood(levels=[70, 75], failed=[0, 0])
    with pytest.raises(ValueError, match="step must be a finite number above 0: -5"):
        next_level(last_level=70, last_failed=True, step=-5)
    with pytest.raises(ValueError, match="levels must be finite numbers"):
        staircase_fit(levels=[70, math.nan], failed=[0, 1])
