"""What impact tests show at a multiple, and how what a record leaves open is counted."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.statistics.margins.outcomes import Outcomes, outcomes, shown_at

NAN = math.nan


def sound(parts: int, multiple: float = 10) -> Outcomes:
    return outcomes(survived=[multiple] * parts, failed=[None] * parts, damaged=[False] * parts)


@pytest.mark.parametrize(("parts", "share"), [(1, 0.05), (3, 0.3684), (5, 0.5493), (22, 0.8727)])
def test_without_a_failure_the_share_is_the_nth_root_of_a_twentieth(
    parts: int, share: float
) -> None:
    """0.05^(1/n): Clopper & Pearson (1934) where nothing failed."""
    found = shown_at(sound(parts), 10)
    assert (found.survived, found.failed, found.unfinished) == (parts, 0, 0)
    assert found.lower == pytest.approx(share, abs=5e-5)


def test_with_failures_the_bound_is_the_published_exact_one() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.1: 4 failed of 20, two-sided 90 %: 0.4010 at most fail."""
    found = outcomes(survived=[10] * 16 + [2] * 4, failed=[None] * 16 + [3] * 4,
                     damaged=[False] * 16 + [True] * 4)  # fmt: skip
    assert shown_at(found, 10).lower == pytest.approx(1 - 0.40103, abs=1e-5)


def test_a_test_that_stopped_undamaged_below_the_multiple_does_not_count() -> None:
    found = outcomes(survived=[10, 4, 2], failed=[None, None, 3], damaged=[False, False, True])
    at_required, at_standard = shown_at(found, 10), shown_at(found, 1)
    assert (at_required.survived, at_required.failed, at_required.unfinished) == (1, 1, 1)
    assert (at_standard.survived, at_standard.failed, at_standard.unfinished) == (3, 0, 0)


def test_a_part_damaged_between_two_rungs_was_not_shown_to_bear_what_lies_between() -> None:
    found = outcomes(survived=[1.25], failed=[1.75], damaged=[True])
    assert (shown_at(found, 1.5).failed, shown_at(found, 1.25).survived) == (1, 1)


def test_damage_at_an_unknown_multiple_counts_as_failed_one_impact_later() -> None:
    found = outcomes(survived=[4, 6], failed=[None, None], damaged=[True, False])
    lower, upper = found.ends()
    assert (lower.tolist(), upper.tolist()) == ([4, 6], [5, math.inf])
    assert shown_at(found, 5).failed == 1


def test_equal_results_share_a_row() -> None:
    data = outcomes(survived=[3, 3, 0, 3], failed=[4, 4, 1, None],
                    damaged=[True, True, True, False]).censored()  # fmt: skip
    rows = sorted(zip(data.lower, data.upper, data.counts, strict=True))
    assert rows == [(0, 1, 1), (3, 4, 2), (3, math.inf, 1)]


def test_one_rung_struck_with_slightly_different_energies_is_one_rung_at_its_lowest() -> None:
    found = outcomes(survived=[2.251, 2.0, 2.254], failed=[2.504, 2.249, 2.501],
                     damaged=[True] * 3).on_rungs(0.02)  # fmt: skip
    assert found.survived.tolist() == [2.249, 2.0, 2.249]
    assert found.failed.tolist() == [2.501, 2.249, 2.501]


def test_no_rung_reaches_across_the_required_multiple() -> None:
    found = outcomes(survived=[1.49, 1.5, 1.51], failed=[2, 2, 2], damaged=[True] * 3)
    raised = found.on_rungs(0.05, marks=(1.5,))
    assert raised.survived.tolist() == [1.49, 1.5, 1.5]
    assert shown_at(raised, 1.5) == shown_at(found, 1.5)


rungs = st.lists(st.tuples(st.floats(0, 5), st.floats(0.001, 2)), min_size=1, max_size=12)


@given(rungs, st.floats(0, 0.1))
def test_taking_loads_to_their_rungs_never_makes_a_part_stronger(
    tests: list[tuple[float, float]], tolerance: float
) -> None:
    low = np.array([survived for survived, _ in tests])
    high = low + [gap for _, gap in tests]
    found = outcomes(survived=low, failed=high, damaged=np.ones(low.size)).on_rungs(tolerance)
    assert (found.survived <= low).all()
    assert (found.failed <= high).all()
    assert (found.failed > found.survived).all()


@given(st.lists(st.tuples(st.integers(0, 12), st.booleans()), min_size=1, max_size=30),
       st.integers(1, 12))  # fmt: skip
def test_every_test_counts_once_and_the_bound_lies_below_the_share(
    tests: list[tuple[int, bool]], multiple: int
) -> None:
    found = outcomes(survived=[s for s, _ in tests],
                     failed=[s + 1 if broken else None for s, broken in tests],
                     damaged=[broken for _, broken in tests])  # fmt: skip
    shown = shown_at(found, multiple)
    assert shown.tests + shown.unfinished == len(tests)
    if shown.survived:
        assert 0 < shown.lower < shown.survived / shown.tests
    else:
        assert shown.lower == 0


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"survived": [-1], "failed": [None], "damaged": [False]}, "not negative: got -1"),
        ({"survived": [3], "failed": [3], "damaged": [True]}, "above survived: got 3"),
        ({"survived": [3], "failed": [math.inf], "damaged": [True]}, "must be finite"),
        ({"survived": [3], "failed": [4], "damaged": [False]}, "only a damaged part"),
        ({"survived": [3, 4], "failed": [None], "damaged": [False]}, "one length"),
    ],
)
def test_rows_that_do_not_fit_are_refused_in_words(row: dict[str, list[object]], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        outcomes(**row)  # type: ignore[arg-type]
