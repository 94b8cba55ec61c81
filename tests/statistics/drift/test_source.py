import datetime as dt
import json
from dataclasses import asdict

import numpy as np
import pytest

from qc.statistics.drift.observed import NEAR_BATCHES, Check, Measured, Repeat
from qc.statistics.drift.source import rims_or_gauge

START = dt.datetime(2026, 3, 2, 9, tzinfo=dt.UTC)
U = {"SC-1": 0.3, "SC-2": 0.3}
# batch means with a standard deviation near 1, made up for this test
LEVELS = [0.3, -1.1, 0.8, 1.2, -0.4, -0.9, 0.1, 1.4, -0.2, -1.3, 0.6, 0.5, -0.7, 1.0, 0.2, -0.6]
BATCHES, MOVED = len(LEVELS), 10  # the last six move


def on(day):
    return START + dt.timedelta(days=day)


def cell(i, mean, gauge="SC-1", model="45D", at=None, n=10):
    day = on(2 * i)
    return Measured(model, f"{model}-{i:02d}", day.date(), gauge, at or day, n, 470 + mean, 2.0)


def rims_heavier(by=4.0, gauges=("SC-1",)):
    """Every batch on the next of the gauges in turn; from MOVED on the rims are heavier."""
    return [
        cell(i, level + by * (i >= MOVED), gauges[i % len(gauges)])
        for i, level in enumerate(LEVELS)
    ]


def scale_off(by=4.0, gauges=("SC-1",)):
    """The same, but from MOVED on SC-1 reads more."""
    return [
        cell(
            i,
            level + by * (i >= MOVED and gauges[i % len(gauges)] == "SC-1"),
            gauges[i % len(gauges)],
        )
        for i, level in enumerate(LEVELS)
    ]


def check(day, error, found="as-found", gauge="SC-1"):
    return Check(gauge, on(day), error, 0.3, found)


def evidence(found):
    return {one.kind: one.says for one in found.evidence}


def test_one_scale_and_nothing_else_cannot_tell():
    found = rims_or_gauge("45D", rims_heavier(), U)
    assert found.answer == "cannot-tell"
    assert found.odds == pytest.approx(0, abs=1e-6)
    assert found.evidence == ()
    # both explanations are there, with the size that either would have
    assert found.rims.first_batch == f"45D-{MOVED}"
    assert found.gauge.since == on(2 * MOVED).isoformat()
    plain = np.mean(LEVELS[MOVED:]) - np.mean(LEVELS[:MOVED]) + 4
    assert found.rims.shift == pytest.approx(plain)
    assert found.rims.lower < plain < found.rims.upper


def test_a_check_that_finds_the_scale_right_speaks_for_the_rims():
    found = rims_or_gauge("45D", rims_heavier(), U, [check(5, 0.1), check(29, -0.2)])
    assert found.answer == "rims"
    assert evidence(found) == {"check": "rims"}
    assert found.rims.lower < 4 < found.rims.upper


def test_a_check_that_finds_the_scale_off_speaks_for_the_scale_and_gives_its_size():
    found = rims_or_gauge("45D", scale_off(), U, [check(5, 0.1), check(29, 4.1)])
    assert found.answer == "gauge"
    assert (found.gauge.gauge, found.gauge.since) == ("SC-1", on(2 * MOVED).isoformat())
    assert found.gauge.lower < 4 < found.gauge.upper
    assert evidence(found) == {"check": "gauge"}


def test_a_single_check_after_the_change_is_enough():
    assert rims_or_gauge("45D", rims_heavier(), U, [check(29, 0.1)]).answer == "rims"
    assert rims_or_gauge("45D", scale_off(), U, [check(29, 4.2)]).answer == "gauge"


def test_batches_on_another_scale_tell_which_moved():
    both = ("SC-1", "SC-2")
    heavier = rims_or_gauge("45D", rims_heavier(gauges=both), U)
    assert heavier.answer == "rims"
    assert evidence(heavier) == {"other-gauge": "rims"}
    off = rims_or_gauge("45D", scale_off(gauges=both), U)
    assert (off.answer, off.gauge.gauge) == ("gauge", "SC-1")
    assert evidence(off) == {"other-gauge": "gauge"}


def test_a_change_to_another_scale_that_reads_more_is_the_scales():
    cells = [
        cell(i, level + 4 * (i >= MOVED), "SC-2" if i >= MOVED else "SC-1")
        for i, level in enumerate(LEVELS)
    ]
    checks = [check(29, 0.1), check(29, 4.0, gauge="SC-2")]
    found = rims_or_gauge("45D", cells, U, checks)
    assert (found.answer, found.gauge.gauge) == ("gauge", "SC-2")
    right = [check(29, 0.1), check(29, -0.1, gauge="SC-2")]
    assert rims_or_gauge("45D", cells, U, right).answer == "rims"


def test_an_adjusted_scale_moved_from_some_moment_until_it_was_adjusted():
    off = [cell(i, level + 4 * (7 <= i < 12)) for i, level in enumerate(LEVELS)]
    checks = [check(5, 0.0), check(23, 4.2), check(23, 0.1, "as-left"), check(31, 0.0)]
    found = rims_or_gauge("45D", off, U, checks)
    assert found.answer == "gauge"
    assert found.gauge.since == on(14).isoformat()
    assert found.gauge.lower < 4 < found.gauge.upper


def test_other_models_that_stay_on_the_same_scale_speak_for_the_rims():
    others = [
        cell(i, level, model=model)
        for model, levels in (("55D", LEVELS[::-1]), ("65R", LEVELS[3:] + LEVELS[:3]))
        for i, level in enumerate(levels)
    ]
    found = rims_or_gauge("45D", [*rims_heavier(), *others], U)
    assert found.answer == "rims"
    assert not found.rims.all_models
    assert evidence(found)["other-models"] == "rims"


def test_models_that_move_all_together_leave_it_open():
    others = [
        cell(i, level + 4 * (i >= MOVED), model="55D") for i, level in enumerate(LEVELS[::-1])
    ]
    found = rims_or_gauge("45D", [*scale_off(), *others], U)
    assert found.answer == "cannot-tell"
    assert found.rims.all_models


def test_an_old_batch_measured_again_after_the_change_tells():
    late = on(31)
    again = [cell(2, LEVELS[2] + 4, at=late), cell(3, LEVELS[3] + 4, at=late)]
    found = rims_or_gauge("45D", [*scale_off(), *again], U)
    assert found.answer == "gauge"
    assert evidence(found) == {"made-before": "gauge"}
    same = [cell(2, LEVELS[2], at=late), cell(3, LEVELS[3], at=late)]
    assert rims_or_gauge("45D", [*rims_heavier(), *same], U).answer == "rims"


@pytest.mark.parametrize(("difference", "answer"), [(0.1, "rims"), (3.9, "gauge")])
def test_a_rim_weighed_before_and_after_tells(difference, answer):
    pair = Repeat("SC-1", on(3), 471.2, "SC-1", on(31), 471.2 + difference, 0.5)
    cells = rims_heavier() if answer == "rims" else scale_off()
    found = rims_or_gauge("45D", cells, U, repeats=[pair])
    assert found.answer == answer
    assert evidence(found) == {"repeat": answer}


def test_rims_and_scale_that_moved_at_different_times_both_moved():
    cells = [cell(i, level + 5 * (i >= 11) + 5 * (5 <= i < 7)) for i, level in enumerate(LEVELS)]
    checks = [check(3, 0.1), check(13, 5.1), check(13, 0.0, "as-left"), check(31, 0.1)]
    found = rims_or_gauge("45D", cells, U, checks)
    assert found.answer == "both"
    assert found.rims.first_batch == "45D-11"
    assert found.gauge.since == on(10).isoformat()
    assert found.rims.shift == pytest.approx(5, abs=1.5)


def test_a_quiet_stream_names_nobody():
    quiet = [cell(i, level) for i, level in enumerate(LEVELS)]
    found = rims_or_gauge("45D", quiet, U, [check(5, 0.1), check(29, -0.1)])
    assert found.answer == "cannot-tell"


def test_few_batches_cannot_tell():
    assert rims_or_gauge("45D", rims_heavier()[:3], U).answer == "cannot-tell"


def test_batches_of_single_rims_and_equal_means_are_ordinary():
    single = [one._replace(n=1, sd=None) for one in rims_heavier(by=8.0)]
    assert rims_or_gauge("45D", single, U, [check(5, 0.1), check(29, 0.0)]).answer == "rims"
    equal = [cell(i, 0.0) for i in range(8)]
    assert rims_or_gauge("45D", equal, U).answer == "cannot-tell"


def test_the_order_in_which_evidence_is_given_makes_no_difference():
    cells, checks = rims_heavier(gauges=("SC-1", "SC-2")), [check(5, 0.1), check(29, -0.2)]
    first, turned = (
        rims_or_gauge("45D", rows, U, marks)
        for rows, marks in ((cells, checks), (cells[::-1], checks[::-1]))
    )
    assert turned.answer == first.answer
    assert turned.odds == pytest.approx(first.odds)
    assert turned.rims.shift == pytest.approx(first.rims.shift)


def test_of_very_many_batches_those_next_to_the_change_are_weighed():
    rng = np.random.default_rng(3)
    count, moved = 8 * NEAR_BATCHES, 5 * NEAR_BATCHES
    cells = [
        cell(i, rng.normal() + 4 * (i >= moved), ("SC-1", "SC-2")[i % 2]) for i in range(count)
    ]
    found = rims_or_gauge("45D", cells, U)
    assert found.answer == "rims"
    assert found.evidence[0].rows <= NEAR_BATCHES
    assert found.rims.shift == pytest.approx(4, abs=0.7)


def test_the_answer_is_ready_for_json():
    found = rims_or_gauge("45D", rims_heavier(), U, [check(5, 0.1), check(29, -0.2)])
    assert json.loads(json.dumps(asdict(found)))["answer"] == "rims"


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"gauge_u": {}}, "gauge SC-1 needs a standard uncertainty"),
        ({"checks": [check(3, 0.0)._replace(u=0.0)]}, "u of a check or a repeat must be"),
        ({"cells": [cell(0, float("nan"))]}, "a cell of batch 45D-00 needs parts and a finite"),
        (
            {"checks": [check(3, 0.0)._replace(at=dt.datetime(2026, 3, 9, 8))]},  # noqa: DTZ001
            "times must all have an offset, or none",
        ),
    ],
)
def test_what_cannot_be_weighed_is_refused_by_name(given, says):
    known = {"cells": rims_heavier(), "gauge_u": U} | given
    with pytest.raises(ValueError, match=says):
        rims_or_gauge("45D", **known)
