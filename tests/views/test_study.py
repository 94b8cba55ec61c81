"""Gauge studies from a file: published cases, plain words, and errors by line."""

import csv
import datetime as dt
import json
from decimal import Decimal
from pathlib import Path

import pytest

from qc.catalog.toml_file import read_entry
from qc.errors import RimqcError
from qc.views.study import Tolerance, study, tolerance_of
from qc.views.study_file import Reading, read_study
from qc.views.study_gauge import as_toml, check_person, entry_from, gauge_of
from qc.views.study_words import answers
from tests.maker import take_catalog

REFERENCE = Path(__file__).parents[1] / "reference"


def write(path, rows, delimiter=","):
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, delimiter=delimiter).writerows(
            [("part", "inspector", "repeat", "value"), *rows]
        )
    return path


def published(name, inspector):
    with (REFERENCE / f"{name}.csv").open(newline="") as file:
        return [(r["part"], r[inspector], r["trial"], r["value"]) for r in csv.DictReader(file)]


def taken(rows):
    return [Reading(n, p, i, int(k), Decimal(v)) for n, (p, i, k, v) in enumerate(rows, 2)]


@pytest.fixture
def handbook():
    """AIAG, Measurement Systems Analysis: 10 parts, 3 inspectors, 3 repeats."""
    return taken(published("aiag_grr", "appraiser"))


@pytest.fixture
def negative():
    """Montgomery & Runger (1993): 20 parts, 3 inspectors, 2 repeats."""
    return taken(published("montgomery_runger_grr", "operator"))


def test_the_handbook_study_has_its_published_answer(handbook):
    case = json.loads((REFERENCE / "aiag_grr.json").read_text())
    exact = case["computed_here"]["sigma_pooled"]
    found = study(handbook, unit="mm")
    assert found["gauge_sd"] == pytest.approx(exact["GRR"], abs=1e-9)
    assert found["gauge_share_of_spread_percent"] == pytest.approx(exact["pct_GRR"], abs=1e-7)
    sds = {row["component"]: row["sd"] for row in found["components"]}
    assert sds["repeatability"] == pytest.approx(exact["EV"], abs=1e-9)
    assert sds["part"] == pytest.approx(exact["PV"], abs=1e-9)
    ranges = found["by_ranges"]
    # printed by ranges: 0.30575 and 26.68 %, 5 groups
    assert ranges["gauge_sd"] == pytest.approx(0.30575, abs=5e-5)
    assert ranges["gauge_share_of_spread_percent"] == pytest.approx(26.68, abs=0.011)
    assert ranges["groups"] == 5


def test_limits_stand_about_every_standard_deviation(handbook):
    for row in study(handbook)["components"]:
        if row["component"] == "interaction":
            assert (row["sd_lower"], row["sd_upper"]) == (None, None)
        else:
            assert row["sd_lower"] < row["sd"] < row["sd_upper"]


def test_the_answer_comes_in_words_first(handbook):
    said = answers(study(handbook, Tolerance(-4, 4, "the limit given"), "mm"))
    assert said[0].startswith(
        "The gauge may do, depending on what hangs on the verdict, for the limit given "
        "(-4 to 4 mm): six of its standard deviations take up 22.7 % (95 %: "
    )
    assert "which is 27.9 % (95 %: " in said[1]
    assert said[2].startswith("It tells 4 groups of parts apart")
    assert said[3] == (
        "Inspectors differ: A reads 0.4447 mm more than C (p < 0.001). Nothing shows that they "
        "differ by the part (p = 0.97)."
    )
    assert any(line.startswith("Look again at part 4 by B") for line in said)


@pytest.mark.parametrize(
    ("width", "verdict", "words"),
    [
        (20, "good-enough", "The gauge is good enough for"),
        (8, "depends", "The gauge may do, depending on"),
        (5, "not-good-enough", "The gauge is not good enough for"),
    ],
)
def test_the_verdict_follows_the_bands_of_the_handbook(handbook, width, verdict, words):
    # six times 0.3024 over the width: 9, 23 and 36 %
    found = study(handbook, Tolerance(0, width, "the limit given"))
    assert found["verdict"] == verdict
    assert found["gauge_share_of_tolerance_percent"] == pytest.approx(181.42 / width, abs=0.01)
    assert answers(found)[0].startswith(words)


def test_one_limit_counts_twice_its_distance_from_the_mean(negative):
    found = study(negative, Tolerance(None, 60, "the limit given"))
    mean = sum(float(reading.value) for reading in negative) / len(negative)
    assert found["tolerance"]["width"] == pytest.approx(2 * (60 - mean))
    assert "at most 60" in answers(found)[0]
    assert "twice its distance from the mean of the readings" in answers(found)[0]
    with pytest.raises(RimqcError, match="lies beyond the only limit"):
        study(negative, Tolerance(None, 20, "the limit given"))


def test_a_negative_component_is_said_plainly(negative):
    case = json.loads((REFERENCE / "montgomery_runger_grr.json").read_text())
    found = study(negative, unit="g")
    assert found["interaction_pooled"]
    assert found["negative"] == {"interaction": pytest.approx(-0.140, abs=5e-4)}
    pooled = case["computed_here"]["anova"]["varcomp_pooled"]
    variances = {row["component"]: row["variance"] for row in found["components"]}
    assert variances["part"] == pytest.approx(pooled["part"], rel=1e-9)
    assert (
        "The variance “inspectors who differ by the part” came out negative, -0.14 g²: inspectors "
        "differ by the part less than the repeats scatter. It is counted with the repeats and "
        "lowers no total."
    ) in answers(found)
    assert "No difference between inspectors is shown" in answers(found)[3]


def test_without_a_limit_nothing_is_said_about_judging_by_one(negative):
    said = answers(study(negative))[0]
    assert "No limit was given, so nothing is said about judging by one." in said


def test_repeats_that_all_agree_show_a_coarse_readout():
    found = study(taken([(p, i, k, p) for p in "123" for i in "AB" for k in "12"]))
    said = " ".join(answers(found))
    assert "the readout is too coarse to show the gauge's own spread" in said
    assert found["groups"] is None
    json.dumps(found, allow_nan=False)


def test_readings_that_are_all_the_same_are_no_study():
    rows = [(p, i, k, "5") for p in "12" for i in "AB" for k in "12"]
    with pytest.raises(RimqcError, match="all 8 readings are 5: this gauge cannot tell"):
        study(taken(rows))


@pytest.mark.parametrize(("delimiter", "comma"), [(",", "."), (";", ","), ("\t", ","), (";", ".")])
def test_a_file_is_read_like_a_log(tmp_path, handbook, delimiter, comma):
    rows = [(r.part, r.inspector, r.repeat, str(r.value).replace(".", comma)) for r in handbook]
    assert read_study(write(tmp_path / "s.csv", rows, delimiter)) == handbook


def test_every_bad_line_is_named(tmp_path):
    rows = [
        ("1", "A", "1", "5.1"), ("1", "A", "1", "5.2"), ("1", "A", "two", "5"),
        ("", "A", "2", "5"), ("2", "A", "1", "heavy"), ("2", "", "1", "5"), ("3", "A", "0", "5"),
    ]  # fmt: skip
    with pytest.raises(RimqcError) as fault:
        read_study(write(tmp_path / "s.csv", rows))
    said = str(fault.value)
    for expected in (
        "line 3: the same part, inspector and repeat as line 2",
        "line 4, repeat 'two': expected 1, 2, 3",
        "line 5, part: is empty; give it a value",
        "line 6, value 'heavy': expected a number",
        "line 7, inspector: is empty",
        "line 8, repeat '0': expected 1, 2, 3",
    ):
        assert expected in said
    assert fault.value.exit_code == 1


def test_a_file_that_is_no_study_is_refused(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("part,inspector,value\n1,A,5\n")
    with pytest.raises(RimqcError, match="line 1, repeat: missing column: repeat"):
        read_study(path)
    path.write_text("")
    with pytest.raises(RimqcError, match="line 1: the file is empty"):
        read_study(path)
    with pytest.raises(RimqcError, match="cannot be opened"):
        read_study(tmp_path / "none.csv")
    with pytest.raises(RimqcError, match="a study is a CSV file"):
        read_study(tmp_path / "s.xlsx")


def test_an_unbalanced_study_names_the_cells_that_differ(tmp_path):
    rows = [(p, i, k, str(p * k)) for p in range(1, 4) for i in "AB" for k in (1, 2, 3)]
    rows.remove((2, "B", 3, "6"))
    with pytest.raises(RimqcError, match=r"not 3 readings: part 2 by B: 2\. Read them again"):
        read_study(write(tmp_path / "s.csv", rows))
    once = [(p, i, 1, str(p)) for p in range(1, 4) for i in "AB"]
    with pytest.raises(RimqcError, match="not 2 readings: part 1 by A: 1, part 1 by B: 1"):
        read_study(write(tmp_path / "s.csv", once))
    with pytest.raises(RimqcError, match=r"at least 2 parts and 2 inspectors.*got 3 and 1"):
        read_study(write(tmp_path / "s.csv", [row for row in rows if row[1] == "A"]))


@pytest.fixture
def catalog(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    return ledger.catalog()


DAY = dt.date(2026, 3, 1)


@pytest.mark.parametrize(
    ("characteristic", "stage", "lower", "upper"),
    [
        ("bare-mass", "rim", 435, 460),
        ("form-lateral", "rim", None, 0.4),
        ("unbalance", "front-wheel", None, 3000),
        ("bore", "rim", 6.4, 6.8),
    ],
)
def test_limits_come_from_the_catalog(catalog, characteristic, stage, lower, upper):
    found = tolerance_of(catalog, characteristic, "D50", stage, DAY)
    assert (found.lower, found.upper) == (lower, upper)
    assert found.source.endswith(f"on {characteristic} of D50 at {stage}")


def test_a_limit_that_nobody_set_is_asked_for(catalog):
    for characteristic in ("tir-lateral", "depth"):
        with pytest.raises(RimqcError, match="the catalog has no limit in force on"):
            tolerance_of(catalog, characteristic, "D50", "rim", DAY)


def entry(catalog, found, path, **given):
    asked = {"calibration_u": Decimal(0), "by": "ann", "reason": "new table"}
    return entry_from(gauge_of(catalog, "S1"), found, path, **{**asked, **given})


def test_the_gauge_entry_takes_up_the_study_and_keeps_what_it_rests_on(catalog, tmp_path, handbook):
    path = write(tmp_path / "s.csv", [r[1:] for r in handbook])
    found = study(handbook, unit="g")
    # 0.302373² - 0.1²/12, rounded up to two digits; with 0.2 for the calibration
    assert entry(catalog, found, path).u == Decimal("0.31")
    assert entry(catalog, found, path, calibration_u=Decimal("0.2")).u == Decimal("0.37")
    made = entry(catalog, found, path)
    assert made.other["u_before"] == "0.3"
    assert (made.other["u_by"], made.other["u_reason"]) == ("ann", "new table")
    assert made.other["study"].startswith("s.csv: 10 parts, 3 inspectors, 3 repeats; gauge stan")
    assert len(made.other["study_sha256"]) == 64


def test_the_printed_entry_is_the_entry(catalog, tmp_path, handbook):
    import tomllib

    path = write(tmp_path / "s.csv", [r[1:] for r in handbook])
    made = entry(catalog, study(handbook), path, reason='a "new"\ttable \\ \x7f über')
    plain = tomllib.loads(as_toml(made), parse_float=Decimal)["gauge"][0]
    assert read_entry("gauge", plain)[0] == made


def test_a_study_coarser_than_the_readout_changes_no_u(catalog, tmp_path):
    rows = [(p, i, k, p) for p in "123" for i in "AB" for k in "12"]
    path, found = write(tmp_path / "s.csv", rows), study(taken(rows))
    with pytest.raises(RimqcError, match=r"the readout of S1 \(0\.1 g\): u stays 0\.3"):
        entry(catalog, found, path)
    assert entry(catalog, found, path, calibration_u=Decimal("0.125")).u == Decimal("0.13")


def test_gauges_and_people_must_be_known(catalog):
    with pytest.raises(RimqcError, match="--gauge S3: not a gauge of the catalog"):
        gauge_of(catalog, "S3")
    # this shop lists no people, so it is not asked for them
    check_person(catalog, "ann")
