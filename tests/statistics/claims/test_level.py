"""The batches a claim may rest on: those since the level last moved."""

import datetime as dt
import random

from qc.statistics.claims.level import SETTLED, current_level
from qc.statistics.drift.level import BatchPoint, drift


def batches(*levels: tuple[int, float]) -> list[BatchPoint]:
    chance, means = random.Random(4), []
    for count, level in levels:
        means += [level + chance.gauss(0, 1) for _ in range(count)]
    start = dt.date(2026, 1, 1)
    return [
        BatchPoint(f"B{i:02}", start + dt.timedelta(i), 5, mean, 1.0)
        for i, mean in enumerate(means)
    ]


def test_a_steady_level_rests_on_every_batch():
    points = batches((20, 412))
    found = current_level(drift(points))
    assert (found.moved_at, found.settled, len(found.batches)) == (None, True, 20)


def test_a_level_that_just_moved_has_not_settled():
    found = current_level(drift(batches((14, 412), (4, 422))))
    assert (found.moved_at, found.settled) == ("B14", False)


def test_enough_batches_on_the_new_level_settle_it_and_the_old_ones_are_left_out():
    found = current_level(drift(batches((14, 412), (SETTLED, 422))))
    assert (found.moved_at, found.settled) == ("B14", True)
    assert [point.code for point in found.batches] == [f"B{i}" for i in range(14, 14 + SETTLED)]


def test_the_last_of_several_moves_decides():
    found = current_level(drift(batches((14, 412), (12, 424), (10, 412))))
    assert (found.moved_at, found.settled, len(found.batches)) == ("B26", True, 10)


def test_an_odd_batch_is_part_of_what_batches_do():
    found = current_level(drift(batches((14, 412), (1, 440), (10, 412))))
    assert (found.moved_at, found.settled, len(found.batches)) == (None, True, 25)
