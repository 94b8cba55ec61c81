"""Each batch of struck parts against all the others."""

import math
from itertools import combinations

import numpy as np
import pytest
from scipy.stats import mannwhitneyu

from qc.statistics.margins.against_rest import each_against_rest, wilcoxon_scores
from qc.statistics.multiple_testing import holm


def hits(
    rng: np.random.Generator, parts: int, factor: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    borne = np.minimum(np.ceil(factor * 6 * rng.weibull(3, parts)) - 1, 10)
    return borne, np.where(borne < 10, borne + 1, np.inf)


def test_without_censoring_the_scores_are_those_of_the_rank_sum_test() -> None:
    """Mann & Whitney (1947): exact p of SciPy for values that lie in hits of their own."""
    order = np.random.default_rng(4).permutation(12).astype(float)
    found = each_against_rest(lower=order, upper=order + 1, batches=["A"] * 5 + ["B"] * 7)
    expected = mannwhitneyu(order[:5], order[5:], method="exact").pvalue
    assert [one.p for one in found] == pytest.approx([expected] * 2)
    assert found[0].statistic == pytest.approx(-found[1].statistic)


@pytest.mark.parametrize("seed", range(4))
def test_the_p_of_two_censored_batches_is_that_of_all_ways_to_part_them(seed: int) -> None:
    lower, upper = hits(np.random.default_rng(seed), 9)
    scores = wilcoxon_scores(lower, upper)
    assert scores.sum() == pytest.approx(0, abs=1e-9)
    sums = [abs(sum(scores[list(some)])) for some in combinations(range(9), 4)]
    expected = np.mean(np.array(sums) >= abs(scores[:4].sum()) - 1e-6)
    found = each_against_rest(lower=lower, upper=upper, batches=["A"] * 4 + ["B"] * 5)
    assert found[0].p == pytest.approx(expected)


def test_where_there_are_too_many_ways_drawn_ones_come_near_the_normal_approximation() -> None:
    lower, upper = hits(np.random.default_rng(1), 200)
    found = each_against_rest(lower=lower, upper=upper, batches=["A"] * 90 + ["B"] * 110)
    scores = wilcoxon_scores(lower, upper)
    z = found[0].statistic / np.sqrt(scores.var(ddof=1) * 90 * 110 / 200)
    assert found[0].p == pytest.approx(math.erfc(abs(z) / math.sqrt(2)), abs=0.015)


def test_a_weak_batch_stands_out_among_thirty() -> None:
    rng = np.random.default_rng(3)
    sound = [hits(rng, 5) for _ in range(29)]
    lower, upper = (np.concatenate(c) for c in zip(*sound, hits(rng, 5, 0.25), strict=True))
    batches = [f"B{i // 5:02}" for i in range(150)]
    found = each_against_rest(lower=lower, upper=upper, batches=batches)
    assert [one.batch for one in found if one.p_adjusted <= 0.05] == ["B29"]
    assert found[-1].statistic > 0
    assert [one.p_adjusted for one in found] == holm([one.p for one in found]).adjusted.tolist()


def test_one_batch_has_nothing_to_be_compared_with() -> None:
    alone = np.array([3.0, 4.0])
    assert each_against_rest(lower=alone, upper=alone + 1, batches=["A", "A"]) == []


def test_batches_that_nothing_tells_apart_have_p_1() -> None:
    lower, upper = np.full(9, 10.0), np.full(9, np.inf)
    found = each_against_rest(lower=lower, upper=upper, batches=list("AAABBBCCC"))
    assert [one.p for one in found] == [1, 1, 1]


def test_equal_batches_are_called_different_in_one_of_twenty_shops_at_most() -> None:
    """Holm holds the chance of any false call; 200 shops of 8 batches, upper limit for 5 %: 18."""
    called = 0
    for seed in range(200):
        lower, upper = hits(np.random.default_rng(seed), 24)
        found = each_against_rest(lower=lower, upper=upper, batches=[i // 3 for i in range(24)])
        called += any(one.p_adjusted <= 0.05 for one in found)
    assert called <= 18
