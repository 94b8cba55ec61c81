"""B- and A-basis values of one sample of coupons."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.bounds.basis_values import (
    A_BASIS,
    nonparametric_basis_value,
    normal_basis_value,
    weibull_basis_value,
)

REFERENCE = Path(__file__).parents[2] / "reference"


def coupons():
    reference = json.loads((REFERENCE / "composite_tensile_b_basis.json").read_text())
    return reference["data"]["strength_ksi"], reference["computed_here"]


def test_thirty_eight_coupons_have_the_reference_values():
    # data of Vangel (1996), file VANGEL31.DAT of usnistgov/dataplot
    strengths, exact = coupons()
    assert normal_basis_value(strengths) == pytest.approx(exact["B_normal"], abs=2e-6)
    a_basis = normal_basis_value(strengths, coverage=A_BASIS)
    assert a_basis == pytest.approx(exact["A_normal"], abs=2e-6)
    assert nonparametric_basis_value(strengths) == exact["B_nonparametric"]
    assert nonparametric_basis_value(strengths, coverage=A_BASIS) is None


def test_the_weibull_value_lies_where_the_handbook_formula_puts_it():
    # MIL-HDBK-17-1F 8.3.4: B = q exp(-V/(shape √n)) with fitted V, formulas from memory
    strengths, exact = coupons()
    n, shape, scale = len(strengths), exact["weibull"]["shape"], exact["weibull"]["scale"]
    v_b = 3.803 + math.exp(1.79 - 0.516 * math.log(n) + 5.1 / (n - 1))
    v_a = 6.649 + math.exp(2.55 - 0.526 * math.log(n) + 4.76 / n)
    for coverage, v in ((0.90, v_b), (0.99, v_a)):
        quantile = scale * (-math.log(coverage)) ** (1 / shape)
        handbook = quantile * math.exp(-v / (shape * math.sqrt(n)))
        got = weibull_basis_value(strengths, coverage=coverage)
        assert got == pytest.approx(handbook, rel=0.01)


def test_the_basis_values_follow_the_unit():
    strengths, _ = coupons()
    mega = np.array(strengths) * 6.894757
    for value in (normal_basis_value, weibull_basis_value, nonparametric_basis_value):
        assert value(mega) == pytest.approx(6.894757 * value(strengths), rel=1e-7)


def test_too_few_coupons_are_refused_or_bound_nothing():
    assert nonparametric_basis_value([5.0] * 28) is None
    assert nonparametric_basis_value([5.0] * 29) == 5.0
    assert weibull_basis_value([5.0, 5.0]) == 0.0
    with pytest.raises(ValueError, match="values must be a row of at least 2"):
        normal_basis_value([5.0])
