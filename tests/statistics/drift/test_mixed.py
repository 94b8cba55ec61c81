import csv
import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.drift.cells import Cell, table_of
from qc.statistics.drift.mixed import within_batches
from qc.statistics.drift.reml import fit_mixed

REFERENCE = Path(__file__).parents[2] / "reference"

# batch, parts, mean, sd, scale: weights of rims in g, made up for this test
SCALES = [
    ("B0", 4, 459.219, 0.412, "SC-1"),
    ("B0", 5, 461.689, 0.957, "SC-2"),
    ("B0", 2, 459.107, 0.879, "SC-3"),
    ("B1", 1, 460.776, None, "SC-1"),
    ("B1", 3, 459.982, 0.87, "SC-2"),
    ("B1", 5, 458.842, 1.115, "SC-3"),
    ("B2", 5, 459.031, 0.769, "SC-1"),
    ("B2", 2, 460.054, 0.144, "SC-2"),
    ("B2", 5, 459.07, 0.783, "SC-3"),
    ("B3", 1, 460.297, None, "SC-1"),
    ("B3", 5, 461.929, 1.321, "SC-2"),
    ("B3", 5, 460.06, 1.499, "SC-3"),
    ("B4", 1, 461.973, None, "SC-1"),
    ("B4", 2, 462.017, 0.654, "SC-3"),
    ("B5", 2, 458.493, 0.565, "SC-1"),
    ("B5", 5, 460.168, 1.185, "SC-2"),
    ("B6", 4, 458.281, 1.333, "SC-2"),
    ("B6", 5, 457.257, 1.001, "SC-3"),
    ("B7", 5, 458.812, 0.637, "SC-1"),
    ("B7", 2, 459.177, 1.366, "SC-3"),
]


def cells_of(rows, factor="gauge"):
    return [Cell(batch, n, mean, sd, {factor: level}) for batch, n, mean, sd, level in rows]


def design_of(table, factor="gauge"):
    of = table.factors[factor].of
    return np.column_stack([np.ones(len(of)), of[:, None] == np.arange(1, of.max() + 1)])


# statsmodels 0.15.0, MixedLM on readings rebuilt to exactly these means and sds:
#   sm.MixedLM(y, X, groups=batch).fit(reml=..., gtol=1e-12)
#   fe_params, cov_re, scale, llf
STATSMODELS = {
    True: ([459.2612847536626, 1.5077406367979909, -0.0015680175434986], 1.7413837394965),
    False: ([459.259532507486, 1.5025889053146424, -0.00240366023300399], 1.4860722255121177),
}
WITHIN = {True: 1.0172547383049615, False: 0.9857301351231903}
LOG_LIKELIHOOD = {True: -108.12272347716859, False: -107.73270632919319}


@pytest.mark.parametrize("restricted", [True, False])
def test_the_mixed_model_on_cells_is_that_of_the_single_readings(restricted):
    table = table_of(cells_of(SCALES))
    fit = fit_mixed(table.cells, design_of(table), restricted=restricted)
    beta, between = STATSMODELS[restricted]
    assert fit.beta.tolist() == pytest.approx(beta, abs=1e-7)
    assert fit.between == pytest.approx(between, rel=1e-6)
    assert fit.within == pytest.approx(WITHIN[restricted], rel=1e-6)
    assert fit.log_likelihood == pytest.approx(LOG_LIKELIHOOD[restricted], abs=1e-8)


def dense(table, design, between, within):
    """Projection and covariance of the textbook formulas, reading by reading."""
    times = table.cells.n.astype(int)
    x, batch = np.repeat(design, times, axis=0), np.repeat(table.cells.batch, times)
    z = (batch[:, None] == np.arange(table.batches)).astype(float)
    inverse = np.linalg.inv(within * np.eye(len(x)) + between * z @ z.T)
    covariance = np.linalg.inv(x.T @ inverse @ x)
    return inverse - inverse @ x @ covariance @ x.T @ inverse, covariance, z


def test_errors_and_degrees_of_freedom_are_those_of_the_dense_formulas():
    table = table_of(cells_of([row for row in SCALES if row[1] > 1]))
    design = design_of(table)
    fit = fit_mixed(table.cells, design)
    projection, covariance, z = dense(table, design, fit.between, fit.within)
    assert fit.covariance == pytest.approx(covariance, rel=1e-9)
    parts = [z @ z.T, np.eye(len(z))]
    information = [[np.trace(projection @ a @ projection @ b) / 2 for b in parts] for a in parts]
    for contrast in np.eye(3):
        variance, step = contrast @ covariance @ contrast, 1e-5
        slope = [
            (
                contrast @ dense(table, design, fit.between + da, fit.within + db)[1] @ contrast
                - contrast @ dense(table, design, fit.between - da, fit.within - db)[1] @ contrast
            )
            / (2 * step)
            for da, db in ((step, 0), (0, step))
        ]
        dof = 2 * variance**2 / (slope @ np.linalg.solve(information, slope))
        assert fit.contrast_dof(contrast) == pytest.approx(min(dof, fit.dof), rel=1e-5)


def test_a_balanced_factor_has_the_t_of_the_published_analysis_of_variance():
    # NIST/SEMATECH e-Handbook 3.2.3.2, pins: machine as the batch, coolant within it. Interaction
    # and residual together are the error of a model that has none
    published = json.loads((REFERENCE / "nist_pins_anova.json").read_text())["published"]
    _, coolant, interaction, residual = published["crossed"]["ss"]
    f = coolant / ((interaction + residual) / 44)
    rows = csv.DictReader((REFERENCE / "nist_pins_anova.csv").read_text().splitlines())
    table = table_of(
        [
            Cell(row["machine"], 1, float(row["diameter"]), None, {"c": row["coolant_or_operator"]})
            for row in rows
        ]
    )
    fit = fit_mixed(table.cells, design_of(table, "c"))
    contrast = np.array([0.0, 1.0])
    effect, se = fit.effect(contrast)
    assert (effect / se) ** 2 == pytest.approx(f, rel=1e-3)
    assert fit.contrast_dof(contrast) == pytest.approx(44, rel=1e-6)


def test_a_factor_between_balanced_batches_has_as_many_degrees_of_freedom_as_batches_less_levels():
    rng = np.random.default_rng(4)
    levels = rng.normal(0, 3, 10)
    rows = [
        (f"B{i}", 6, levels[i] + rng.normal(0, 0.4), 1.0, "AM" if i % 2 else "BK")
        for i in range(10)
    ]
    table = table_of(cells_of(rows, "inspector"))
    fit = fit_mixed(table.cells, design_of(table, "inspector"))
    assert fit.contrast_dof(np.array([0.0, 1.0])) == pytest.approx(8, rel=1e-6)


def shared(effects, batches=12, seed=1, sd=1.0, **also):
    """Every batch shared out among all levels; batches scatter by 3, parts by `sd`."""
    rng = np.random.default_rng(seed)
    cells = []
    for i in range(batches):
        level = 460 + rng.normal(0, 3)
        for name, effect in effects.items():
            n = int(rng.integers(3, 7))
            levels = {"gauge": name} | {f: levels[name] for f, levels in also.items()}
            mean = level + effect + rng.normal(0, sd / n**0.5)
            cells.append(Cell(f"B{i:02d}", n, mean, sd, levels))
    return cells


def test_a_scale_that_reads_more_than_the_others_in_the_same_batches_is_named():
    found = within_batches(shared({"SC-1": 0.0, "SC-2": 1.5, "SC-3": 0.0}))
    one = found.groups[0][0]
    assert (one.factor, one.level, one.p_from, one.shared) == ("gauge", "SC-2", "dealing", 12)
    assert one.lower < 1.5 < one.upper
    assert one.lower > 0
    assert one.p <= 0.01
    assert found.between_sd > 1.5
    assert found.parts == sum(level.parts for level in one.levels)


def test_scales_that_read_alike_are_not_accused():
    assert within_batches(shared({"SC-1": 0.0, "SC-2": 0.0, "SC-3": 0.0})).groups[0][0].p > 0.05


def test_an_inspector_who_has_a_scale_of_his_own_is_named_together_with_it():
    people = {"SC-1": "AM", "SC-2": "BK", "SC-3": "AM"}
    found = within_batches(shared({"SC-1": 0.0, "SC-2": 1.5, "SC-3": 0.0}, inspector=people))
    (group,) = found.groups
    assert {(one.factor, one.level) for one in group} == {("gauge", "SC-2"), ("inspector", "BK")}
    assert {tuple(row["with"]) for row in found.rows()} == {("gauge",), ("inspector",)}


def test_one_inspector_a_batch_is_judged_by_t_between_batches():
    rng = np.random.default_rng(8)
    rows = []
    for i in range(12):
        heavy = 4.0 * (i % 3 == 0)
        rows.append((f"B{i:02d}", 8, 460 + heavy + rng.normal(), 2.0, "AM" if heavy else "BK"))
    one = within_batches(cells_of(rows, "inspector")).groups[0][0]
    assert (one.level, one.p_from, one.shared) == ("AM", "t", 0)
    assert one.lower < 4 < one.upper
    assert one.p < 0.05


def test_few_cells_are_dealt_in_every_way_there_is():
    # 3! · 3! · 3! · 3! = 1296 ways, and the greatest find comes with its mirror images at least
    found = within_batches(shared({"SC-1": 0.0, "SC-2": 5.0, "SC-3": 0.0}, batches=4))
    assert found.groups[0][0].p * 1296 == pytest.approx(round(found.groups[0][0].p * 1296))
    assert found.groups[0][0].p < 0.05


def test_what_a_factor_explains_of_a_change_is_its_effect_times_its_greater_share():
    rng = np.random.default_rng(2)
    cells, late = [], {f"B{i:02d}" for i in range(10, 16)}
    for i in range(16):
        level, many = 460 + rng.normal(0, 0.5), 8 if f"B{i:02d}" in late else 2
        for name, n, effect in (("SC-1", 10 - many, 0.0), ("SC-2", many, 3.0)):
            cells.append(Cell(f"B{i:02d}", n, level + effect, 1.0, {"gauge": name}))
    one = within_batches(cells, after=late).groups[0][0]
    assert abs(one.effect) == pytest.approx(3, rel=0.01)
    assert one.moved_by == pytest.approx(abs(one.effect) * (0.8 - 0.2))


def test_unknown_levels_and_factors_that_never_vary_are_ordinary():
    cells = shared({"SC-1": 0.0, "SC-2": 1.5})
    some = [
        cell._replace(levels={"station": "W1"} | ({} if i % 7 == 0 else dict(cell.levels)))
        for i, cell in enumerate(cells)
    ]
    found = within_batches(some)
    assert [row["factor"] for row in found.rows()] == ["gauge"]
    known = sum(cell.n for i, cell in enumerate(some) if i % 7)
    assert sum(level.parts for level in found.groups[0][0].levels) == known


def test_one_reading_or_equal_readings_give_no_error():
    assert within_batches([Cell("B0", 1, 460.0, None, {"gauge": "SC-1"})]).groups == ()
    equal = [Cell(f"B{i}", 3, 460.0, 0.0, {"gauge": g}) for i in range(6) for g in ("a", "b")]
    assert within_batches(equal).groups[0][0].p == 1.0


def test_the_answer_is_ready_for_json_and_the_same_in_any_order():
    cells = shared({"SC-1": 0.0, "SC-2": 1.5})
    found = within_batches(cells)
    assert json.loads(json.dumps(asdict(found)))["batches"] == 12
    turned = within_batches(cells[::-1])
    assert turned.groups[0][0].effect == pytest.approx(found.groups[0][0].effect)


def test_a_cell_without_parts_is_refused_by_name():
    with pytest.raises(ValueError, match="a cell of batch B7 needs parts"):
        within_batches([Cell("B7", 0, 460.0, None, {})])
    with pytest.raises(ValueError, match="at least one cell"):
        within_batches([])
