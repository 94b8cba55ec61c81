"""The drop rig: one record a drop, by the rig's own program, always with both changes."""

import datetime as dt
import math
import random
from collections.abc import Iterator
from decimal import Decimal

from generator.chance import normal, stream
from generator.fates import Fate, Test
from generator.hours import Clock
from generator.records import Record, read, record, with_id
from generator.shop import (
    CHANGE_LIMIT_MM,
    POSITIONS_DEG,
    REPEAT,
    RUNGS,
    STANDARD_J,
    STOP_HITS,
    STRIKER_KG,
)

RIG, OPENS, INSPECTOR = "drop-rig", dt.time(9, 0), "I3"
STANDARD_GRAVITY = 9.80665
# a test has this chance (1 in so many) that the rim is looked at only from this hit on
UNSEEN_ONE_IN, SEEN_FROM_HIT = 8, 4


def records(fates: dict[str, Fate]) -> list[Record]:
    """Every drop, test after test."""
    clock, ids = Clock(OPENS, stream("rig clock")), stream("rig ids")
    tests = [test for fate in fates.values() for test in fate.tests]
    made = []
    for test in sorted(tests, key=lambda test: (test.day, test.code)):
        made += [with_id(ids, drop) for drop in _drops(test, clock)]
    return made


def _drops(test: Test, clock: Clock) -> Iterator[Record]:
    rng = stream("drops", test.code)
    unseen = test.protocol == REPEAT and not _weak(test) and rng.random() < 1 / UNSEEN_ONE_IN
    breaks_at = rng.choice(POSITIONS_DEG)
    for drop_no, (step, load, position) in enumerate(_ladder(test.protocol), 1):
        damaged = test.damaged_at == step and position == breaks_at
        damage, change_mm = _damage(rng, drop_no, damaged)
        if unseen and step < SEEN_FROM_HIT:
            damage = "not-examined"
        yield record(
            "drop", clock.tick(test.day, 120), RIG, INSPECTOR,
            serial=test.serial, test=test.code, protocol=test.protocol, gauge="RG-1",
            drop_no=drop_no, position_deg=read(position + normal(rng, 0.5), "0.1"),
            striker_kg=STRIKER_KG, height_mm=_height_mm(rng, load), damage=damage,
            lateral_change_mm=change_mm,
            radial_change_mm=read(float(change_mm) * 0.6, "0.01"),
            examined_by=None if damage == "not-examined" else INSPECTOR, drawn=test.drawn,
        )  # fmt: skip
        if damaged:
            return


def _weak(test: Test) -> bool:
    return test.damaged_at is not None and test.damaged_at < SEEN_FROM_HIT * 2


def _ladder(protocol: str) -> Iterator[tuple[Decimal, Decimal, int]]:
    """Hit number or rung, load multiple and position of each drop, the positions in turn."""
    if protocol == REPEAT:
        steps = [(Decimal(hit), Decimal(1)) for hit in range(1, STOP_HITS + 1)]
    else:
        steps = [(rung, rung) for rung in RUNGS]
    for step, load in steps:
        for position in POSITIONS_DEG:
            yield step, load, position


def _height_mm(rng: random.Random, load: Decimal) -> int:
    """The rig is set in whole mm, never below the load wanted."""
    exact = float(load) * STANDARD_J / (float(STRIKER_KG) * STANDARD_GRAVITY) * 1000
    return math.ceil(exact) + rng.randrange(2)


def _damage(rng: random.Random, drop_no: int, damaged: bool) -> tuple[str, Decimal]:
    """The damage seen and the change of lateral run-out in mm."""
    if damaged:
        damage = rng.choice(("crack", "crack", "delamination", "set"))
        least = float(CHANGE_LIMIT_MM) + 0.1 if damage == "set" else 0.25
        return damage, read(least + 0.3 * rng.random(), "0.01")
    damage = "mark" if drop_no > 8 and rng.random() < 0.15 else "none"
    return damage, read(0.03 + 0.007 * drop_no + normal(rng, 0.008), "0.01")
