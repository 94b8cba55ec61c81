"""Two groups of batches compared: the t test of the textbooks, and weights by batch size."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from qc.statistics.drift.partings import (
    Scatter,
    Weights,
    compare,
    resolution,
    running,
    singles,
    stream_of,
)

REFERENCE = Path(__file__).parents[2] / "reference"


def splits(x, ratio=None):
    """Every split of the batches, first k against the rest."""
    x = np.asarray(x, dtype=float)
    each = singles(x, np.ones(len(x)) if ratio is None else np.asarray(ratio))
    sums, k = running(each), np.arange(1, len(x))
    return compare(sums.at(k), sums.at(np.array(len(x))).less(sums.at(k)), np.zeros(1), 0.0, 0)


def test_the_nile_parts_best_after_1898():
    # Cobb (1978); rss, means and sup F reproduced with R strucchange (nile_changepoint.json)
    with (REFERENCE / "nile_changepoint.csv").open(newline="") as file:
        flow = [float(row["volume"]) for row in csv.DictReader(file)]
    known = json.loads((REFERENCE / "nile_changepoint.json").read_text())["published"]
    parted = splits(flow)
    best = int(np.argmax(parted.t))
    assert best + 1 == known["last_of_first_segment"]
    assert parted.t[best] ** 2 == pytest.approx(known["supF"], rel=1e-9)
    assert parted.shift[best] == pytest.approx(known["mean2"] - known["mean1"], abs=1e-6)


def test_two_groups_are_compared_by_the_two_sample_t_test():
    first, second = [411.0, 412.5, 410.8, 411.9], [415.1, 414.2, 415.9]
    parted = splits(first + second)
    assert parted.t[3] == pytest.approx(abs(stats.ttest_ind(first, second).statistic), rel=1e-10)
    assert parted.dof[3] == 5


def test_a_batch_of_twice_the_weight_counts_for_two_in_the_mean():
    parted = splits([1.0, 4.0, 9.0], ratio=[1.0, 0.5, 1.0])
    assert parted.shift[1] == pytest.approx(9.0 - (1.0 + 2 * 4.0) / 3)


def test_scatter_known_from_before_adds_its_degrees_of_freedom():
    each = singles(np.array([1.0, 3.0, 7.0]), np.ones(3))
    sums, k = running(each), np.array([2])
    known = Scatter(2.0, 10, Weights())
    parted = compare(
        sums.at(k), sums.at(np.array(3)).less(sums.at(k)), np.zeros(1), known.squares(Weights()), 10
    )
    # squares 2 of the first two batches and 20 known, with 1 + 10 degrees of freedom
    assert (parted.dof[0], parted.se[0] ** 2) == (11, pytest.approx(22 / 11 * (1 / 2 + 1)))


def test_the_sizes_explain_what_the_spread_within_says():
    ns = np.array([4.0, 16.0, 4.0, 16.0])
    x = np.array([1.0, -1.0, 2.0, -2.0])
    weights = stream_of(x, ns, np.full(4, 2.0)).weights(4)
    assert weights.usual == pytest.approx(4 / (0.25 + 0.0625 + 0.25 + 0.0625))
    # within/usual is 4/6.4 of a variance of 10/3
    assert weights.between == pytest.approx(1 - 4 / 6.4 / (10 / 3))
    assert weights.least == pytest.approx(4 / 6.4)
    ratios = weights.variance_ratio(ns)
    assert ratios[0] > 1 > ratios[1]


def test_scatter_is_carried_over_to_another_usual_size():
    # half of 2.0 within at 10 parts is twice as much at 5 parts: 1 + 2
    known = Scatter(2.0, 4, Weights(0.5, 10.0))
    assert known.squares(Weights(0.5, 5.0)) == pytest.approx(3.0 * 4)


def test_the_coarsest_step_seen_so_far_is_the_resolution():
    found = resolution(np.array([2.0, 2.0, 2.5, 2.5, 2.4]))
    assert found[2:] == pytest.approx([0.25 / 12, 0.25 / 12, 0.01 / 12])
    assert found[1] < 1e-18
