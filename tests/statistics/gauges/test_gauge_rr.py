"""Gauge studies against the worked examples of the handbooks: by ranges and by variances."""

import csv
import json
import math
from pathlib import Path

import pytest

from qc.statistics.components.anova import variance_ratio
from qc.statistics.gauges.crossed import gauge_rr_anova
from qc.statistics.gauges.ranges import d2_star, gauge_rr_ranges
from qc.statistics.gauges.spread import GaugeSpread

REFERENCE = Path(__file__).parents[2] / "reference"

# thermal performance of modules, Houf & Berman (1988): 10 parts, 3 operators, 3 repeats
HOUF = """
37 38 37 41 41 40 41 42 41   42 41 43 42 42 42 43 42 43   30 31 31 31 31 31 29 30 28
42 43 42 43 43 43 42 42 42   28 30 29 29 30 29 31 29 29   42 42 43 45 45 45 44 46 45
25 26 27 28 28 30 29 27 27   40 40 40 43 42 42 43 43 41   25 25 25 27 29 28 26 26 26
35 34 34 35 35 34 35 34 35
"""


def case(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def readings(name, operator):
    with (REFERENCE / f"{name}.csv").open(newline="") as file:
        data = list(csv.DictReader(file))
    return (
        [float(r["value"]) for r in data],
        {"parts": [r["part"] for r in data], "operators": [r[operator] for r in data]},
    )


@pytest.fixture
def handbook():
    return readings("aiag_grr", "appraiser")


@pytest.fixture
def negative():
    return readings("montgomery_runger_grr", "operator")


@pytest.fixture
def modules():
    values = [float(text) for text in HOUF.split()]
    labels = {
        "parts": [i // 9 for i in range(90)],
        "operators": [i // 3 % 3 for i in range(90)],
    }
    return values, labels


def test_averages_and_ranges_give_the_handbook_study(handbook):
    # AIAG, Measurement Systems Analysis; printed digits carry rounded intermediates (5e-5)
    values, labels = handbook
    study, reference = gauge_rr_ranges(values, **labels), case("aiag_grr")
    exact, printed = (reference[k]["range_method"] for k in ("computed_here", "published"))
    assert study.mean_range == pytest.approx(exact["Rbar"], abs=1e-9)
    assert study.operator_range == pytest.approx(exact["Xdiff"], abs=1e-9)
    assert study.part_range == pytest.approx(exact["Rp"], abs=1e-9)
    spread, percent = study.spread, study.spread.percent_of_study()
    for name, key in (
        *(("repeatability", "EV"), ("operator", "AV"), ("gauge", "GRR")),
        *(("part", "PV"), ("total", "TV")),
    ):
        assert getattr(spread, name) == pytest.approx(exact[key], abs=1e-9), key
        assert getattr(spread, name) == pytest.approx(printed[key], abs=5e-5), key
        if key != "TV":
            assert percent[name] == pytest.approx(exact["pct"][key], abs=1e-7)
            assert percent[name] == pytest.approx(printed["pct"][key], abs=0.011)
    assert spread.category_ratio == pytest.approx(exact["ndc_raw"], abs=1e-8)
    assert spread.distinct_categories == printed["ndc"]
    means = list(study.operator_mean_ranges.values())
    assert means == pytest.approx([0.184, 0.513, 0.328], abs=1e-12)
    # 2.574 · 0.3417; the handbook takes D4 = 2.58
    assert study.range_limit == pytest.approx(2.58 * exact["Rbar"], abs=0.003)


def test_the_factors_are_those_of_the_handbook_tables():
    # AIAG, Measurement Systems Analysis, K1, K2 and K3, from memory
    assert [round(1 / d2_star(n, 10**6), 4) for n in (2, 3)] == [0.8862, 0.5908]
    k3 = [0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146]
    assert [round(1 / d2_star(n, 1), 4) for n in range(2, 11)] == k3
    # its short study, 5 parts read once by 2 appraisers: 0.07 / 1.19 = 0.0588, from memory
    assert d2_star(2, 5) == pytest.approx(1.19, abs=0.005)
    assert 0.07 / d2_star(2, 5) == pytest.approx(0.0588, abs=5e-5)


def test_a_small_study_takes_d2_star_of_its_cells(modules):
    values, labels = modules
    few = gauge_rr_ranges(values[:45], **{k: v[:45] for k, v in labels.items()})
    # 15 cells of 3: d2* = 1.71 at g = 15 (Duncan, table D3, from memory)
    assert 1 / few.k1 == pytest.approx(1.71, abs=0.005)


def test_variances_give_the_handbook_study(handbook):
    # AIAG again, by analysis of variance; the interaction is pooled at p = 0.97
    values, labels = handbook
    study, reference = gauge_rr_anova(values, **labels), case("aiag_grr")
    exact, printed = reference["computed_here"]["anova"], reference["published"]["anova"]
    table = study.anova
    sources = {
        "appraiser": table.columns,
        "part": table.rows,
        "interaction": table.interaction,
        "equipment": table.residual,
        "total": table.total,
    }
    for name, source in sources.items():
        assert source.ss == pytest.approx(exact["ss"][name], rel=1e-9)
        assert source.ss == pytest.approx(printed["ss"][name], abs=5.5e-5)
        assert source.dof == exact["df"][name]
    assert study.interaction_f == pytest.approx(exact["F_interaction"], rel=1e-9)
    assert study.interaction_p == pytest.approx(0.974, abs=5e-4)
    # the handbook prints its ratios against the equipment's mean square
    f = variance_ratio(table.columns, table.residual)
    assert f == pytest.approx(printed["F"]["appraiser"], abs=0.005)
    f = variance_ratio(table.rows, table.residual)
    assert f == pytest.approx(printed["F"]["part"], abs=0.005)
    # against the pooled error they are
    assert study.operator_f == pytest.approx(39.62, abs=0.005)
    assert study.part_f == pytest.approx(245.61, abs=0.005)
    assert study.pooled
    pooled, spread = reference["computed_here"]["sigma_pooled"], study.spread
    for name, key in (
        *(("repeatability", "EV"), ("operator", "AV"), ("gauge", "GRR")),
        *(("part", "PV"), ("total", "TV")),
    ):
        assert getattr(spread, name) == pytest.approx(pooled[key], abs=1e-9)
        rounded = {"GRR": 3e-6, "TV": 5e-4}.get(key, 5e-7)
        assert getattr(spread, name) == pytest.approx(printed["sigma"][key], abs=rounded)
    assert spread.interaction == printed["sigma"]["INT"]
    assert spread.percent_of_study()["gauge"] == pytest.approx(pooled["pct_GRR"], abs=1e-7)
    share = spread.percent_contribution()["gauge"]
    assert share == pytest.approx(pooled["contribution_GRR_pct"], abs=1e-7)
    assert spread.category_ratio == pytest.approx(pooled["ndc_raw"], abs=1e-8)


def test_an_interaction_that_is_kept_shows_its_negative_component_plainly(handbook):
    values, labels = handbook
    study = gauge_rr_anova(values, **labels, pool_above=None)
    exact = case("aiag_grr")["computed_here"]["anova"]
    got = {n: study.variance(n) for n in ("repeatability", "interaction", "part")}
    for name, value in got.items():
        assert value == pytest.approx(exact["varcomp_full"][name], rel=1e-9)
    assert study.variance("operator") == pytest.approx(exact["varcomp_full"]["appraiser"], rel=1e-9)
    assert study.operator_f == pytest.approx(exact["F_appraiser_vs_interaction"], rel=1e-9)
    assert study.part_f == pytest.approx(exact["F_part_vs_interaction"], rel=1e-9)
    assert study.negative == {"interaction": study.variance("interaction")}
    # it counts as nought and lowers no total
    assert study.spread.interaction == 0
    assert study.spread.gauge > math.sqrt(study.variance("gauge"))


def test_a_negative_interaction_is_pooled_as_published(negative):
    # Montgomery & Runger (1993), example with 20 parts, 3 operators, 2 repeats
    values, labels = negative
    reference = case("montgomery_runger_grr")
    exact, printed = reference["computed_here"]["anova"], reference["published"]
    study = gauge_rr_anova(values, **labels)
    table = study.anova
    sources = (table.columns, table.rows, table.interaction, table.residual, table.total)
    assert [s.ss for s in sources] == pytest.approx(printed["ss"], abs=5e-4)
    assert [s.ms for s in sources[:4]] == pytest.approx(printed["ms"], abs=5e-4)
    assert study.interaction_f == pytest.approx(exact["F_interaction"], rel=1e-9)
    assert study.pooled
    assert study.error.ms == pytest.approx(0.883, abs=5e-4)
    want = exact["varcomp_pooled"]
    assert study.variance("repeatability") == pytest.approx(want["repeatability"], rel=1e-9)
    assert study.variance("operator") == pytest.approx(want["appraiser"], rel=1e-8)
    assert study.variance("part") == pytest.approx(want["part"], rel=1e-9)
    kept = gauge_rr_anova(values, **labels, pool_above=None)
    assert kept.variance("interaction") == pytest.approx(-0.140, abs=5e-4)


def test_ranges_of_the_same_study_agree_with_the_published_ones(negative):
    values, labels = negative
    reference = case("montgomery_runger_grr")
    study, printed = gauge_rr_ranges(values, **labels), reference["published"]
    means = list(study.operator_mean_ranges.values())
    assert means == pytest.approx(printed["Rbar_by_operator"], abs=1e-12)
    assert study.mean_range == pytest.approx(printed["Rbar"], abs=1e-12)
    assert study.spread.repeatability == pytest.approx(printed["sigma_repeat_range"], abs=0.005)
    exact = reference["computed_here"]["anova"]
    assert study.operator_range == pytest.approx(exact["xdiff"], abs=1e-12)
    assert study.part_range == pytest.approx(exact["rp"], abs=1e-12)


def test_an_interaction_that_matters_is_kept(modules):
    # Houf & Berman (1988); sums and components as printed in Montgomery's textbooks, from memory
    values, labels = modules
    study = gauge_rr_anova(values, **labels)
    table = study.anova
    sums = [s.ss for s in (table.rows, table.columns, table.interaction, table.residual)]
    assert sums == pytest.approx([3935.96, 39.27, 48.51, 30.67], abs=0.005)
    assert not study.pooled
    assert study.variance("part") == pytest.approx(48.29, abs=0.005)
    assert study.variance("operator") == pytest.approx(0.56, abs=0.005)
    assert study.variance("interaction") == pytest.approx(0.73, abs=0.005)
    assert study.variance("repeatability") == pytest.approx(0.51, abs=0.005)
    assert study.spread.reproducibility**2 == pytest.approx(study.variance("reproducibility"))


def test_limits_lie_about_their_estimates_and_grow_with_confidence(modules):
    values, labels = modules
    study = gauge_rr_anova(values, **labels)
    for name in ("repeatability", "operator", "interaction", "reproducibility", "gauge", "part"):
        narrow, wide = (study.interval(name, confidence) for confidence in (0.80, 0.95))
        assert 0 <= wide.lower < narrow.lower < study.variance(name) < narrow.upper < wide.upper
    ratio = study.ratio_interval()
    assert ratio.lower < study.variance("part") / study.variance("gauge") < ratio.upper
    percent, spread = study.percent_gauge_interval(), study.spread
    assert percent.lower < spread.percent_of_study()["gauge"] < percent.upper
    categories = study.category_interval()
    assert categories.lower < spread.category_ratio < categories.upper


def test_a_pooled_study_has_limits_of_the_model_without_interaction(negative):
    values, labels = negative
    study = gauge_rr_anova(values, **labels)
    lower, upper = study.interval("repeatability")
    # 98 degrees of freedom: χ² points 72.501 and 127.282 (tables, from memory)
    assert lower == pytest.approx(86.55 / 127.282, rel=2e-5)
    assert upper == pytest.approx(86.55 / 72.501, rel=2e-5)
    assert math.isnan(study.interval("interaction").lower)
    assert study.interval("operator").lower == 0
    total = study.interval("total")
    assert total.lower < study.variance("total") < total.upper


def test_a_share_of_the_tolerance_takes_six_standard_deviations(handbook):
    values, labels = handbook
    spread = gauge_rr_anova(values, **labels).spread
    percent = spread.percent_of_tolerance(8.0)
    assert percent["gauge"] == pytest.approx(100 * 6 * 0.3023715 / 8, abs=1e-4)
    older = spread.percent_of_tolerance(8.0, sigmas=5.15)
    assert older["gauge"] / percent["gauge"] == pytest.approx(5.15 / 6, rel=1e-12)


def test_contributions_add_up_and_study_percents_do_not():
    spread = GaugeSpread(repeatability=3, operator=4, interaction=0, part=12)
    assert (spread.gauge, spread.total) == (5, 13)
    share = spread.percent_contribution()
    assert share["gauge"] + share["part"] == pytest.approx(100, rel=1e-14)
    percent = spread.percent_of_study()
    assert percent["gauge"] + percent["part"] == pytest.approx(100 * 17 / 13, rel=1e-14)


def test_a_gauge_that_never_varies_tells_every_part_apart():
    labels = {"parts": list("aaaabbbb"), "operators": list("XXYYXXYY")}
    study = gauge_rr_anova([1, 1, 1, 1, 2, 2, 2, 2], **labels)
    assert not study.pooled
    assert study.spread.gauge == 0
    assert study.spread.distinct_categories == math.inf
    assert study.ratio_interval() == (math.inf, math.inf)
    assert study.percent_gauge_interval() == (0, 0)
    ranges = gauge_rr_ranges([1, 1, 1, 1, 2, 2, 2, 2], **labels)
    assert ranges.spread.distinct_categories == math.inf
    equal = gauge_rr_anova([1] * 8, **labels).spread
    assert math.isnan(equal.distinct_categories)
    assert math.isnan(equal.percent_of_study()["gauge"])


def test_a_gauge_coarser_than_the_parts_still_makes_one_category():
    spread = GaugeSpread(repeatability=5, operator=0, interaction=0, part=1)
    assert spread.distinct_categories == 1


def test_bad_studies_are_refused():
    labels = {"parts": list("aabbccdd"), "operators": list("XYXYXYXY")}
    with pytest.raises(ValueError, match="at least 2 repeats a cell: got 1"):
        gauge_rr_anova(range(8), **labels)
    with pytest.raises(ValueError, match="4 parts, 2 operators, 1 to 1 repeats"):
        gauge_rr_ranges(range(8), **labels)
    uneven = {"parts": list("aaaabbbb"), "operators": list("XXYYXXXY")}
    with pytest.raises(ValueError, match="2 parts, 2 operators, 1 to 3 repeats"):
        gauge_rr_ranges(range(8), **uneven)
    with pytest.raises(ValueError, match="same number of values: got 1 to 3"):
        gauge_rr_anova(range(8), **uneven)
    with pytest.raises(ValueError, match="one label per value: 8 and 7 for 8"):
        gauge_rr_ranges(range(8), parts=list("aabbccdd"), operators=list("XYXYXYX"))
    even = {"parts": list("aaaabbbb"), "operators": list("XXYYXXYY")}
    with pytest.raises(ValueError, match="pool_above must lie from 0 to 1, or be None: 2"):
        gauge_rr_anova(range(8), **even, pool_above=2)
    with pytest.raises(ValueError, match="tolerance must be a finite number above 0: 0"):
        GaugeSpread(1, 0, 0, 1).percent_of_tolerance(0)
    with pytest.raises(ValueError, match="ranges must be a whole number from 1: 0"):
        d2_star(3, 0)
