"""The scale of a characteristic: skewed ones by their root, and all of it back again."""

import numpy as np
import pytest

from qc.statistics.drift.scale import back, onto, scale_for, spread_back

SKEWED = "tir-lateral tir-radial form-lateral form-radial unbalance findings-per-part"


@pytest.mark.parametrize("characteristic", [*SKEWED.split(), "survived-multiple"])
def test_what_is_bounded_at_zero_and_skewed_is_judged_by_its_root(characteristic):
    assert scale_for(characteristic) == "root"


def test_masses_and_what_a_catalog_names_are_judged_as_they_are():
    assert scale_for("bare-mass") == scale_for("rim-height") == "plain"


def test_means_go_there_and_back_and_the_spread_of_parts_by_the_delta_method():
    means, sds = np.array([0.25, 4.0, 0.0]), np.array([0.1, 0.4, 0.0])
    roots, spread = onto("root", means, sds)
    assert roots == pytest.approx([0.5, 2.0, 0.0])
    assert spread[:2] == pytest.approx([0.1, 0.1])
    assert np.isnan(spread[2])
    assert back("root", roots) == pytest.approx(means)
    assert spread_back("root", 0.1, 2.0) == pytest.approx(0.4)


def test_the_root_of_a_count_scatters_alike_at_every_level():
    # Bartlett (1936): the variance of the root of a Poisson count is about 1/4
    rng = np.random.default_rng(3)
    spreads = [np.std(onto("root", rng.poisson(mean, 20_000) / 1.0, np.zeros(1))[0])
               for mean in (8, 20, 60)]  # fmt: skip
    assert spreads == pytest.approx([0.5] * 3, abs=0.03)


def test_a_limit_below_the_end_of_the_scale_is_its_end():
    assert back("root", np.array([-0.2, 0.3])) == pytest.approx([0.0, 0.09])
