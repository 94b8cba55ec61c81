"""Other measurements, findings and unbalance against their limits."""

from decimal import Decimal

import pytest

from qc.judgement.readings import Doubt
from tests.judgement.bench import (
    at,
    catalog,
    judge,
    judge_whole_batch,
    open_flags,
    quantity,
    record,
    the_flag,
)

LIMITS = """
[[limit]]
characteristic = "width"
lower = 20.8
upper = 21.2
[[limit]]
characteristic = "width"
stage = "front-wheel"
upper = 22
severity = "critical"
[[limit]]
characteristic = "width"
model = "D50"
stage = "rear-wheel"
lower = 20
severity = "minor"
rule = "guarded"
[[finding_limit]]
zone = "hook"
defect = "void"
size_mm = 2
severity = "minor"
[[finding_limit]]
zone = "hook"
defect = "void"
size_mm = 5
severity = "critical"
[[finding_limit]]
zone = "sidewall"
defect = "crack"
size_mm = 10
severity = "minor"
[[balance_limit]]
stage = "front-wheel"
limit_gmm = 600
"""
SHOP = catalog(LIMITS)


def width(when, value, **more):
    return record("measurement", when, value=value, **more)


def finding(when, zone="hook", defect="void", size=1, **more):
    return record("finding", when, zone=zone, defect=defect, size_mm=size, **more)


@pytest.mark.parametrize(
    ("value", "limit"),
    [("20.8", None), ("21.2", None), ("21.201", "21.2"), ("20.799", "20.8"), ("21", None)],
)
def test_a_value_equal_to_a_limit_is_inside(value, limit):
    judged = judge(SHOP, width(2, value))
    if limit is None:
        assert open_flags(judged) == []
    else:
        flag = the_flag(judged, "measurement-out").verdict
        assert (flag.value, flag.limit) == (Decimal(value), Decimal(limit))
        assert (flag.characteristic, flag.unit, flag.severity) == ("width", "mm", "major")


def test_the_most_specific_limit_and_its_severity_decide():
    front = the_flag(judge(SHOP, width(2, 23, stage="front-wheel")), "measurement-out").verdict
    assert (front.severity, front.limit, front.stage) == ("critical", 22, "front-wheel")
    assert open_flags(judge(SHOP, width(2, 20, stage="front-wheel"))) == []
    rear = the_flag(judge(SHOP, width(2, 19, stage="rear-wheel")), "measurement-out").verdict
    assert (rear.severity, rear.limit) == ("minor", 20)


@pytest.mark.parametrize(("value", "out"), [("20.0871", False), ("20.087", True)])
def test_a_guarded_limit_wants_the_value_inside_by_1_645_uncertainties(value, out):
    # u: 0.04 and 0.12/sqrt(12) = 0.034641, together 0.052915; guard 0.0870452
    judged = judge(SHOP, width(2, value, stage="rear-wheel"))
    assert open_flags(judged) == (["measurement-out"] if out else [])
    assert quantity(judged, "width", "rear-wheel").u == pytest.approx(0.0529150, abs=1e-6)


def test_the_newest_valid_value_of_a_stage_decides():
    assert open_flags(judge(SHOP, width(2, 25), width(3, 21))) == []
    assert open_flags(judge(SHOP, width(2, 21), width(3, 25))) == ["measurement-out"]
    assert open_flags(judge(SHOP, width(2, 25), width(3, 21, stage="rim"))) == ["measurement-out"]
    off = {"C1": [Doubt(at(9), at(2, 12), at(10), Decimal(1), Decimal("0.1"))]}
    judged = judge(SHOP, width(2, 21), width(3, 25), doubts=off)
    assert quantity(judged, "width", "").value == 21
    assert open_flags(judged) == []


def test_a_characteristic_without_a_limit_is_not_judged():
    more = '[[characteristic]]\ncode = "hole-angle"\nunit = "deg"\nname = "Spoke hole angle"\n'
    judged = judge(catalog(LIMITS + more), width(2, 9, characteristic="hole-angle"))
    assert open_flags(judged) == ["not-judged"]
    assert the_flag(judged, "not-judged").verdict.severity == "minor"


def test_a_batch_is_measured_as_such():
    judged = judge_whole_batch(SHOP, width(2, 25, batch="B1"))
    assert (judged.model, judged.batch) == ("D50", "B1")
    assert open_flags(judged) == ["measurement-out"]


@pytest.mark.parametrize(
    ("size", "severity"),
    [("1.999", None), ("2", "minor"), ("4.999", "minor"), ("5", "critical"), ("9", "critical")],
)
def test_a_finding_at_its_limit_is_a_flag_of_the_worst_limit_it_reaches(size, severity):
    judged = judge(SHOP, finding(2, size=size))
    if severity is None:
        assert open_flags(judged) == []
    else:
        flag = the_flag(judged, "finding").verdict
        assert (flag.severity, flag.value, flag.unit) == (severity, Decimal(size), "mm")


@pytest.mark.parametrize("defect", ["crack", "delamination", "disbond"])
def test_a_crack_that_no_limit_covers_is_a_flag_whatever_its_size(defect):
    flag = the_flag(judge(SHOP, finding(2, defect=defect, size=0)), "finding").verdict
    assert (flag.severity, flag.limit) == ("major", None)


def test_a_crack_below_the_limit_that_covers_it_is_none():
    assert open_flags(judge(SHOP, finding(2, "sidewall", "crack", 9))) == []
    judged = judge(SHOP, finding(2, "sidewall", "crack", 10))
    assert the_flag(judged, "finding").verdict.severity == "minor"


def test_another_defect_that_no_limit_covers_is_not_judged():
    judged = judge(SHOP, finding(2, "sidewall", "scratch", 30))
    assert open_flags(judged) == ["not-judged"]
    assert "scratch" in the_flag(judged, "not-judged").verdict.message


def test_the_worst_finding_stands_for_the_flag():
    judged = judge(SHOP, finding(2, size=3), finding(2, size=6, angle_deg=180), finding(3, size=2))
    flag = the_flag(judged, "finding").verdict
    assert (flag.severity, flag.value) == ("critical", 6)
    assert len(flag.basis) == 3
    assert "at 180 deg" in flag.message
    assert "2 more" in flag.message


def test_a_further_finding_that_no_limit_covers_opens_a_settled_flag_again():
    release = record("disposition", 3, decision="release")
    settled = judge(SHOP, finding(2, defect="scratch"), release)
    assert open_flags(settled) == []
    again = judge(SHOP, finding(2, defect="scratch"), release, finding(4, defect="cosmetic"))
    assert open_flags(again) == ["not-judged"]


def test_findings_are_counted_at_the_stage_of_the_nearest_inspection():
    judged = judge(
        SHOP,
        record("inspection", 2, result="findings"),
        record("inspection", 12, stage="front-wheel"),
        finding(2), finding(3), finding(11),
    )  # fmt: skip
    assert quantity(judged, "findings-per-part").value == 2
    assert quantity(judged, "findings-per-part", "front-wheel").value == 1


def test_a_clean_part_has_no_findings_and_an_uninspected_one_has_no_count():
    clean = judge(SHOP, record("inspection", 2))
    assert quantity(clean, "findings-per-part").value == 0
    assert not judge(SHOP, finding(2)).quantities


@pytest.mark.parametrize(
    ("residual", "flags"), [("2", []), ("2.0001", ["unbalance"]), ("0", []), ("3", ["unbalance"])]
)
def test_unbalance_is_mass_times_radius(residual, flags):
    # 2 g at 300 mm is the limit of 600 g mm
    judged = judge(SHOP, record("balance", 2, residual_g=residual))
    assert quantity(judged, "unbalance", "front-wheel").value == Decimal(residual) * 300
    assert open_flags(judged) == flags


def test_unbalance_is_for_the_record():
    flag = the_flag(judge(SHOP, record("balance", 2, residual_g=3)), "unbalance").verdict
    assert (flag.severity, flag.value, flag.limit, flag.unit) == ("minor", 900, 600, "g mm")
    assert flag.stage == "front-wheel"


def test_the_newest_balance_decides():
    found = record("balance", 2, residual_g=5)
    mended = record("balance", 3, residual_g=1, state="corrected")
    judged = judge(SHOP, found, mended)
    assert open_flags(judged) == []
    assert the_flag(judged, "unbalance").closed_at == at(3)


def test_many_digits_are_multiplied_without_rounding():
    # 28 digits times 300 need more than Python's usual 28
    residual = "2." + "0" * 26 + "1"
    assert open_flags(judge(SHOP, record("balance", 2, residual_g=residual))) == ["unbalance"]


def test_balance_without_a_limit_is_not_judged():
    judged = judge(SHOP, record("balance", 2, stage="rear-wheel"))
    assert open_flags(judged) == ["not-judged"]
