"""What becomes of each rim: struck on the rig, built into a wheel, or kept as a rim."""

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from generator import faults
from generator.batches import Batch
from generator.chance import in_blocks, stream
from generator.hours import after
from generator.scale_fault import LATERAL_RIM_LIMIT_MM, ScaleFault
from generator.shop import BATCHES_PER_MODEL, MODELS, REPEAT, STEP

PAIRS_PER_BATCH = 3
# hits at which a sound rim is damaged; None: not by the hit at which the shop stops
SOUND_HITS = (None, None, None, 12, 12, 11)
SOUND_RUNGS = tuple(map(Decimal, ("2.25", "2.5", "2.5", "2.75", "2.75")))


@dataclass(frozen=True)
class Test:
    """An impact test to come: the hit (or the rung) at which the rim is damaged, if any."""

    code: str
    serial: str
    batch: str
    protocol: str
    day: dt.date
    drawn: str
    damaged_at: Decimal | None


@dataclass(frozen=True)
class Fate:
    """A batch's tests, its wheel pairs (front, rear) and the rims that stay rims."""

    tests: tuple[Test, ...]
    pairs: tuple[tuple[str, str], ...]
    kept: tuple[str, ...]


def decided(batches: list[Batch], off: ScaleFault) -> dict[str, Fate]:
    """The fate of every batch, by its code."""
    hits = {
        m.code: in_blocks(stream("hits", m.code), list(SOUND_HITS), BATCHES_PER_MODEL)  # type: ignore[arg-type]
        for m in MODELS
    }
    rungs = {m.code: in_blocks(stream("rungs", m.code), list(SOUND_RUNGS), 10) for m in MODELS}  # type: ignore[arg-type]
    fates, number = {}, 0
    for batch in batches:
        rng = stream("fate", batch.code)
        free = [rim.serial for rim in batch.rims if _is_plain(batch, rim.number, off)]
        rng.shuffle(free)
        tests = []
        for protocol, days, drawn, damaged_at in _tests(batch, hits, rungs):
            number += 1
            day = after(_can_be_struck_after(batch, off), days)
            code = f"T-{number:03d}"
            tests.append(Test(code, free.pop(), batch.code, protocol, day, drawn, damaged_at))
        pairs = []
        if _is_built(batch, off):
            pairs = [(free.pop(), free.pop()) for _ in range(PAIRS_PER_BATCH) if len(free) > 1]
        fates[batch.code] = Fate(tuple(tests), tuple(pairs), tuple(sorted(free)))
    return fates


def _can_be_struck_after(batch: Batch, off: ScaleFault) -> dt.date:
    """Receipt, or the day on which rims with doubtful masses were weighed again."""
    return off.found_off if batch in (off.first, off.second) else batch.received_on


def _is_plain(batch: Batch, number: int, off: ScaleFault) -> bool:
    """Rims with a fault of their own are neither struck nor built nor shipped."""
    rim = batch.rims[number - 1]
    near_limit = rim.form_lateral_mm > LATERAL_RIM_LIMIT_MM - 0.01
    named = {
        (faults.LIGHT_BATCH, faults.LIGHT_NUMBER),
        (faults.VOID_BATCH, faults.VOID_NUMBER),
    }
    return not near_limit and (batch.code, number) not in named and rim.serial not in off.not_again


def _is_built(batch: Batch, off: ScaleFault) -> bool:
    held = {faults.HEAVY_BATCH, faults.WEAK_BATCH, faults.BROKEN_BATCH, off.second.code}
    return batch.code not in held


def _tests(
    batch: Batch, hits: dict[str, list[float]], rungs: dict[str, list[float]]
) -> list[tuple[str, int, str, Decimal | None]]:
    """Protocol, working days after receipt, how the rim is drawn, what damages it."""

    def repeat(days: int, drawn: str, hit: float | None) -> tuple[str, int, str, Decimal | None]:
        return REPEAT, days, drawn, None if hit is None else Decimal(hit)

    if batch.code == faults.WEAK_BATCH:
        first, *others = faults.WEAK_HITS
        return [repeat(1, "random", first), *(repeat(2, "chosen", hit) for hit in others)]
    if batch.code == faults.BROKEN_BATCH:
        sound = [repeat(2, "chosen", None)] * faults.TESTS_AFTER_BREAK
        return [repeat(1, "random", 1), *sound]
    tests = [repeat(1, "random", hits[batch.model.code][batch.index])]
    if batch.index % 3 == 0:
        rung = Decimal(rungs[batch.model.code][batch.index // 3])
        tests.append((STEP, 1, "random", rung))
    return tests
