"""What looks found round the rim and counted, and what passed the first time."""

from typing import Any

import pytest

from qc.figures import findings, first_pass
from qc.figures.look import COLOURS, MOST_POINTS
from qc.records.rules import DEFECTS, ZONES
from qc.views.findings import counted


def one(n: int = 1, zone: str = "sidewall", defect: str = "void", **more: Any) -> dict[str, Any]:
    return {
        "serial": f"K-{n}", "batch": "B1", "zone": zone, "defect": defect, "angle_deg": 90.0,
        "size_mm": 2.5, "taken_at": "2026-03-02T08:00:00Z",
    } | more  # fmt: skip


def found(*all_of: dict[str, Any]) -> dict[str, Any]:
    return {"model": "K40", "batch": None, "looked_at": 10, "findings": list(all_of)}


THREE = found(one(1), one(2, defect="crack"), one(2, "hook", "scratch", size_mm=100))


def test_the_ring_says_how_many_on_how_many_parts_and_where_the_most_are() -> None:
    assert findings.ring_title(THREE) == (
        "K40: 3 findings on 2 of 10 parts looked at, 67 % of them in the sidewall"
    )
    assert "hook 1" in findings.ring_alt(THREE)
    assert "nothing found on 10 parts" in findings.ring_title(found())


def test_each_zone_is_a_ring_and_each_kind_a_shape_with_a_word() -> None:
    marks = [t for t in findings.ring(THREE).data if t.mode == "markers"]
    assert {t.name: t.marker.symbol for t in marks} == {
        "parted (1)": "x",
        "in the laminate (1)": "diamond-open",
        "on the surface (1)": "circle-open",
    }
    rings = {t.name: t.r[0] for t in marks}
    assert rings["parted (1)"] == rings["in the laminate (1)"] < rings["on the surface (1)"]
    assert set(findings.RINGS) == set(ZONES)
    assert marks[2].customdata == (["part", "K-2"],)


@pytest.mark.parametrize("defect", DEFECTS)
def test_every_defect_of_the_log_can_be_drawn(defect: str) -> None:
    assert len(findings.ring(found(one(defect=defect))).data) == 2


def test_a_large_finding_is_a_larger_mark_and_none_hides_the_rim() -> None:
    small, *_, large = [t.marker.size[0] for t in findings.ring(THREE).data if t.mode == "markers"]
    assert small < large <= 18


def test_sorted_bars_say_how_few_kinds_make_most_of_it() -> None:
    rows = counted([*THREE["findings"], one(3)], "defect")
    drawn = findings.bars(found(), rows, "defect")
    bar, line = drawn.data
    assert list(bar.x) == [2, 1, 1]
    assert bar.y == line.y == ("void: 2", "crack: 1", "scratch: 1")
    assert list(line.x) == [50, 75, 100]
    assert findings.bars_title(found(), rows, "defect") == "K40: void makes 50 % of 4 findings"


def test_very_many_findings_are_a_bounded_number_of_points() -> None:
    drawn = findings.ring(found(*(one(n) for n in range(20_000))))
    assert sum(len(trace.r) for trace in drawn.data) <= MOST_POINTS


def passed(*batches: tuple[str, int, int, float, float]) -> dict[str, Any]:
    rows = [
        {"batch": code, "made_on": "2026-03-01", "passed": good, "parts": n, "share": good / n,
         "lower": lower, "upper": upper, "why": {"weight-over-claim": n - good} if good < n else {},
         "whole": None, "held": False}
        for code, good, n, lower, upper in batches
    ]  # fmt: skip
    n, good = sum(row["parts"] for row in rows), sum(row["passed"] for row in rows)
    together = {"parts": n, "passed": good, "share": good / n if n else None, "lower": 0.3,
                "upper": 0.9}  # fmt: skip
    return {"model": "K40", "of_batches": len(rows), "batches": rows, "together": together}


TWO = passed(("B1", 10, 10, 0.69, 1.0), ("B2", 2, 10, 0.03, 0.49))


def test_the_title_says_the_share_and_the_batch_with_the_fewest() -> None:
    assert first_pass.title(TWO) == (
        "K40: 60.0 % of 20 parts passed first time; the fewest, 2 of 10, in batch B2"
    )
    assert first_pass.title(passed()) == "K40: nothing judged yet"
    assert "Limits wholly below all together: B2" in first_pass.alt_text(TWO)


def test_a_batch_whose_limits_lie_below_all_together_has_a_shape_and_a_word_of_its_own() -> None:
    drawn = first_pass.figure(TWO)
    low = next(t for t in drawn.data if t.name == "limits wholly below all together")
    assert (list(low.x), low.marker.symbol) == ([1], "diamond-open")
    assert low.error_y.array == pytest.approx([29])
    assert low.error_y.arrayminus == pytest.approx([17])
    assert "weight over claim 8" in low.text[0]
    assert low.customdata == (["batch", "B2"],)
    assert drawn.layout.yaxis.title.text == "Passed first time, % of parts"


@pytest.mark.parametrize("look", COLOURS)
def test_with_nothing_to_show_the_figures_say_so(look: str) -> None:
    for drawn in (
        findings.ring(found(), look),
        findings.bars(found(), [], "zone", look),
        first_pass.figure(passed(), look),
    ):
        assert len(drawn.layout.annotations) == 1
