"""What two wheels weigh together."""

import math

import numpy as np
import pytest

from qc.statistics.claims.pair import Wheels, predict_pair

FRONT = Wheels([5] * 12, [700 + 2.0 * (i % 3) for i in range(12)], [9.0] * 12)
REAR = Wheels([5] * 12, [830 + 3.0 * (i % 2) for i in range(12)], [4.0] * 12)


def test_means_add_up_and_so_do_variances():
    found = predict_pair(FRONT, REAR)
    assert found.mean == pytest.approx(702 + 831.5)
    assert found.sd**2 == pytest.approx(
        sum(np.var(w.means, ddof=1) + w.variances[0] * 0.8 for w in (FRONT, REAR))
    )


def test_wheels_of_one_batch_spread_more():
    found = predict_pair(FRONT, REAR)
    between = [np.var(w.means, ddof=1) - w.variances[0] / 5 for w in (FRONT, REAR)]
    more = found.sd_one_batch**2 - found.sd**2
    assert more == pytest.approx(2 * math.sqrt(max(between[0], 0) * max(between[1], 0)))


def test_what_both_wheels_share_widens_the_interval_and_not_the_spread():
    sure, unsure = predict_pair(FRONT, REAR), predict_pair(FRONT, REAR, 2.0)
    assert unsure.sd == sure.sd
    assert unsure.interval.upper > sure.interval.upper
    with pytest.raises(ValueError, match="u_common must be a finite number of at least 0: -1"):
        predict_pair(FRONT, REAR, -1)


def test_19_of_20_pairs_lie_within_their_interval():
    # 1,500 shops: true 0.95 falls below 0.93 less than once in 1,000 runs
    rng, held, shops, ns = np.random.default_rng(5), 0, 1500, [4] * 8
    for _ in range(shops):
        wheels = [
            Wheels(ns, list(rng.normal(0, math.sqrt(between**2 + 1 / 4), 8)),
                   list(rng.chisquare(3, 8) / 3))
            for between in (1.0, 1.5)
        ]  # fmt: skip
        pair = rng.normal(0, math.hypot(1, 1)) + rng.normal(0, math.hypot(1.5, 1))
        low, high = predict_pair(*wheels).interval
        held += low <= pair <= high
    assert held / shops > 0.93
