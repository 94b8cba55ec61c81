"""Sampling plans by attributes, cell by cell against the public-domain tables."""

import csv
import json
from decimal import Decimal
from pathlib import Path

import pytest

from qc.statistics.sampling.risks import SingleSampling
from qc.statistics.sampling.tables import (
    AQLS,
    LETTERS,
    code_letter,
    iso_2859_1_plan,
    master_table_plan,
    mil_std_105e_plan,
)

REFERENCE = Path(__file__).parents[2] / "reference"


def rows(name):
    with (REFERENCE / f"{name}.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_every_lot_size_has_the_letter_of_table_i_at_every_level():
    # MIL-STD-105E table I; level II seen, the other columns from memory
    data = rows("ts-sampling-code-letters")
    assert len(data) == 15
    for row in data:
        for level in ("S-1", "S-2", "S-3", "S-4", "I", "II", "III"):
            for lot in filter(None, (row["lot_min"], row["lot_max"])):
                assert code_letter(int(lot), level) == row[level], (lot, level)


def test_every_cell_of_the_normal_table_is_the_printed_one_arrows_followed():
    # MIL-STD-105E tables I and II-A, AQL 0.65 to 15 (NIBS, AC-TABLE.ASC)
    wrong = []
    for row in rows("mil_std_105e_normal"):
        got = master_table_plan(code=row["letter"], aql=float(row["aql"]))
        want = row["plan_letter"], int(row["n"]), int(row["Ac"]), int(row["Re"])
        if got != want:
            wrong.append((row["letter"], row["aql"], got))
    # the copied table has an arrow up in its first row, where nothing stands above; the file's
    # answer for it, 125 units of a lot of 2 to 8, went round the table's end. Down it leads to C
    assert wrong == [("A", "10", ("C", 5, 1, 2))]


def test_lots_at_level_ii_get_the_plan_of_the_cell_or_are_inspected_whole():
    for row in rows("ts-sampling-normal-level-II"):
        for lot in filter(None, (row["lot_min"], row["lot_max"])):
            plan = mil_std_105e_plan(lot_size=int(lot), aql=Decimal(row["aql_percent"]))
            assert plan.code_letter == row["code_letter"]
            assert plan.letter == row["plan_letter"]
            assert (plan.ac, plan.re) == (int(row["plan_ac"]), int(row["plan_re"]))
            assert plan.n == min(int(row["plan_n"]), int(lot))
            assert plan.whole_lot == (int(row["plan_n"]) >= int(lot))


def test_the_wide_table_agrees_with_its_arrows():
    for row in rows("ts-sampling-master-normal-wide"):
        for aql in ("0.65", "1.0", "1.5", "2.5", "4.0"):
            letter, n, ac, re = master_table_plan(code=row["code_letter"], aql=float(aql))
            cell = row[f"aql_{aql}"]
            if cell == "down":
                assert n > int(row["n"])
            elif cell == "up":
                assert n < int(row["n"])
            else:
                assert (letter, n, f"{ac}/{re}") == (row["code_letter"], int(row["n"]), cell)


# the cells of table II-B in a federal guide (NIBS, AC-TABLE.ASC): Re, or v and ^ for arrows
TIGHTENED = {
    "A": "v v v v v v v v",
    "B": "v v v v v 1 v v",
    "C": "v v v v 1 v v 2",
    "D": "v v v 1 v v 2 3",
    "E": "v v 1 v v 2 3 4",
    "F": "v 1 v v 2 3 4 6",
    "G": "1 v v 2 3 4 6 9",
    "H": "v v 2 3 4 6 9 13",
    "J": "v 2 3 4 6 9 13 19",
    "K": "2 3 4 6 9 13 19 ^",
    "L": "3 4 6 9 13 19 ^ ^",
}


def test_tightened_plans_are_those_of_table_ii_b():
    aqls = (0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10, 15)
    for code, cells in TIGHTENED.items():
        own = LETTERS.index(code)
        for aql, cell in zip(aqls, cells.split(), strict=True):
            letter, _, ac, re = master_table_plan(code=code, aql=aql, severity="tightened")
            if cell == "v":
                assert LETTERS.index(letter) > own
            elif cell == "^":
                assert LETTERS.index(letter) < own
            else:
                assert (letter, re) == (code, int(cell))
            assert re == ac + 1


# row J of table II-C, from memory: Ac/Re from AQL 0.15 on
REDUCED_J = {
    0.15: (0, 1),
    0.65: (0, 2),
    1.0: (1, 3),
    1.5: (1, 4),
    2.5: (2, 5),
    4.0: (3, 6),
    6.5: (5, 8),
    10: (7, 10),
    15: (10, 13),
}


def test_reduced_plans_leave_a_gap_between_acceptance_and_rejection():
    for aql, (ac, re) in REDUCED_J.items():
        assert master_table_plan(code="J", aql=aql, severity="reduced") == ("J", 32, ac, re)
    plan = mil_std_105e_plan(lot_size=1000, aql=1.0, severity="reduced")
    assert [plan.accepts(found) for found in (1, 2, 3)] == [True, True, False]


def test_an_arrow_takes_the_other_plans_sample_size_too():
    # MIL-STD-105E 4.9.3; lot of 40 at 2.5: from D up to C
    plan = mil_std_105e_plan(lot_size=40, aql=2.5)
    assert (plan.code_letter, plan.letter, plan.n, plan.ac) == ("D", "C", 5, 0)
    # a lot of 60 at 2.5: from E down to F
    plan = mil_std_105e_plan(lot_size=60, aql=2.5)
    assert (plan.code_letter, plan.letter, plan.n, plan.ac) == ("E", "F", 20, 1)


def test_a_sample_as_large_as_the_lot_means_every_rim_is_inspected():
    plan = mil_std_105e_plan(lot_size=12, aql=0.65)
    assert plan.whole_lot
    assert (plan.letter, plan.n, plan.ac) == ("F", 12, 0)


@pytest.mark.parametrize("severity", ["normal", "tightened", "reduced"])
def test_every_cell_leads_to_a_plan(severity):
    for code in LETTERS[:-1]:
        for aql in AQLS:
            if severity == "reduced" and aql > 15:
                continue
            _, n, ac, re = master_table_plan(code=code, aql=aql, severity=severity)
            assert n >= 2
            assert 0 <= ac < re


def test_tightened_never_accepts_more_readily_than_normal():
    for code in LETTERS[:-1]:
        for aql in (a for a in AQLS if a <= 10):
            curves = [
                float(SingleSampling(n, ac).acceptance(2 * aql / 100))
                for _, n, ac, _ in (
                    master_table_plan(code=code, aql=aql, severity=severity)
                    for severity in ("tightened", "normal")
                )
            ]
            assert curves[0] <= curves[1] + 1e-12


def test_the_curve_of_letter_j_is_that_of_its_printed_table():
    # MIL-STD-105E table X-J, AQL 1.0: per cent nonconforming by probability of acceptance
    case = json.loads((REFERENCE / "mil_std_105e_normal.json").read_text())
    _, n, ac, _ = master_table_plan(code="J", aql=1.0)
    printed = case["published"]["table_XJ_AQL_1_percent_nonconforming_at_Pa"]
    for percent, exact in case["computed_here"]["XJ"].items():
        got = 100 * float(SingleSampling(n, ac).fraction_at(int(percent) / 100))
        assert got == pytest.approx(exact, rel=1e-9)
        assert got == pytest.approx(printed[percent], abs=0.055 if percent == "1" else 0.0055)


def test_iso_2859_1_has_the_same_normal_and_tightened_plans():
    for severity in ("normal", "tightened"):
        one = iso_2859_1_plan(lot_size=1000, aql=1.0, severity=severity)
        assert one == mil_std_105e_plan(lot_size=1000, aql=1.0, severity=severity)


# row J of table 2-C, from memory: Ac by AQL; at 0.25 an arrow up, at 0.40 and 0.65 down
REDUCED_ISO_J = {0.15: 0, 1.0: 1, 1.5: 2, 2.5: 3, 4.0: 5, 6.5: 6, 10: 8, 15: 10}


def test_reduced_plans_of_iso_2859_1_leave_no_gap():
    how = {"severity": "reduced", "standard": "iso-2859-1"}
    for aql, ac in REDUCED_ISO_J.items():
        assert master_table_plan(code="J", aql=aql, **how) == ("J", 32, ac, ac + 1)
    assert master_table_plan(code="J", aql=0.25, **how) == ("H", 20, 0, 1)
    assert master_table_plan(code="J", aql=0.40, **how) == ("L", 80, 1, 2)
    assert master_table_plan(code="J", aql=0.65, **how) == ("K", 50, 1, 2)
    for code in LETTERS[:-1]:
        for aql in (a for a in AQLS if a <= 15):
            _, n, ac, re = master_table_plan(code=code, aql=aql, **how)
            assert (n >= 2, re) == (True, ac + 1)


def test_reduced_inspection_of_either_standard_lets_more_through_than_normal():
    for standard in ("iso-2859-1", "mil-std-105e"):
        for code in "EFGHJKL":
            for aql in (0.65, 1.0, 1.5, 2.5, 4.0):
                curves = []
                for severity in ("normal", "reduced"):
                    _, n, _, re = master_table_plan(
                        code=code, aql=aql, severity=severity, standard=standard
                    )
                    curves.append(float(SingleSampling(n, re - 1).acceptance(4 * aql / 100)))
                assert curves[0] <= curves[1] + 1e-12


def test_a_plan_of_the_tables_carries_its_curve():
    plan = mil_std_105e_plan(lot_size=1000, aql=1.0, severity="reduced")
    # between acceptance and rejection number the lot is accepted: J reduced is 1 and 3
    assert plan.sampling == SingleSampling(32, 2, 1000)
    assert iso_2859_1_plan(lot_size=12, aql=0.65).sampling == SingleSampling(12, 0, 12)


def test_what_no_table_holds_is_refused():
    with pytest.raises(ValueError, match="lot_size must be a whole number from 2: 1"):
        mil_std_105e_plan(lot_size=1, aql=1.0)
    with pytest.raises(ValueError, match=r"aql must be one of 0\.01, .*, 1000: 1\.2"):
        mil_std_105e_plan(lot_size=100, aql=1.2)
    with pytest.raises(ValueError, match=r"level must be one of S-1, .*: 'IV'"):
        mil_std_105e_plan(lot_size=100, aql=1.0, level="IV")
    with pytest.raises(ValueError, match="severity must be normal, tightened or reduced: 'easy'"):
        mil_std_105e_plan(lot_size=100, aql=1.0, severity="easy")
    with pytest.raises(ValueError, match="standard must be one of mil-std-105e, iso-2859-1: 'q'"):
        master_table_plan(code="J", aql=1.0, standard="q")
    with pytest.raises(ValueError, match="aql must be at most 15 for reduced inspection: 25"):
        mil_std_105e_plan(lot_size=100, aql=25, severity="reduced")
    with pytest.raises(ValueError, match="code must be a letter of ABCDEFGHJKLMNPQR: 'I'"):
        master_table_plan(code="I", aql=1.0)
    with pytest.raises(ValueError, match="whole number from 0 to n: 81, n 80"):
        mil_std_105e_plan(lot_size=1000, aql=1.0).accepts(81)
