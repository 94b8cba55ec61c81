"""Impact tests: what a part survived, and by where it had failed.

A drop counts on the protocol position it is nearest to. Damage ends the test: later drops are kept
and not used. A drop that nobody examined counts as survived only when a later one was examined and
found undamaged, so a result is always an interval: survived up to here, failed by there.
"""

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import NamedTuple

from qc.catalog.entries import Protocol
from qc.judgement.flags import CRITICAL, MAJOR, MINOR, Verdict
from qc.physics.drop import energy_j
from qc.records.kinds import Drop
from qc.records.rules import DAMAGE

ONE = Decimal(1)
_TURN = Decimal(360)
_RANK = {damage: rank for rank, damage in enumerate(DAMAGE[1:])}  # not-examined has no rank

OFF_POSITION, OFF_PROTOCOL = "off-position", "off-protocol"
INCOMPLETE_RECORD, STRUCK_BEFORE = "incomplete-record", "struck-before"


class Placed(NamedTuple):
    """A drop as the protocol sees it; `position` is None where it hit none of them.

    `damaged` is None where nobody examined the part; `load` is the multiple of the standard
    energy, already taken to 1 or to the rung it belongs to.
    """

    drop: Drop
    position: Decimal | None
    load: Decimal
    damaged: bool | None


class Result(NamedTuple):
    """`failed` is None while nothing is damaged, and where the multiple cannot be told."""

    survived: Decimal
    failed: Decimal | None
    damaged: bool
    first_damage: int | None
    marks: tuple[str, ...]


def evaluate(drops: Iterable[Drop], protocol: Protocol) -> Result:
    """The survived and failed multiples of one test, by the protocol's method."""
    ordered = sorted(drops, key=lambda d: (d.drop_no, d.taken_at, d.record_id))
    marks = set()
    if [drop.drop_no for drop in ordered] != list(range(1, len(ordered) + 1)):
        marks.add(INCOMPLETE_RECORD)
    if any(drop.protocol != protocol.code for drop in ordered):
        marks.add(OFF_PROTOCOL)
    placed = place([drop for drop in ordered if drop.protocol == protocol.code], protocol)
    if any(item.position is None for item in placed):
        marks.add(OFF_POSITION)
    end = next(
        (i for i, item in enumerate(placed) if item.damaged and item.position is not None), None
    )
    before = placed if end is None else placed[:end]
    examined = [i for i, item in enumerate(before) if item.damaged is False]
    borne = [
        item
        for item in before[: examined[-1] + 1 if examined else 0]
        if item.position is not None and not item.damaged
    ]
    hit = [item for item in before if item.position is not None]
    failing = None if end is None else placed[end]
    judge = _repeat if protocol.method == "repeat" else _step
    survived, failed, odd = judge(borne, hit, failing, protocol)
    if odd:
        marks.add(OFF_PROTOCOL)
    first = failing.drop.drop_no if failing else None
    return Result(survived, failed, failing is not None, first, tuple(sorted(marks)))


def place(drops: Sequence[Drop], protocol: Protocol) -> list[Placed]:
    """Each drop with its position, load and damage, in order."""
    rungs: list[Decimal] = []
    placed = []
    for drop in drops:
        energy = energy_j(drop.striker_kg, drop.height_mm)
        rung = _rung(energy, rungs, protocol)
        position = nearest_position(drop.position_deg, protocol)
        if position is not None and rung not in rungs:
            rungs.append(rung)
        load = ONE if rung == protocol.standard_energy_j else rung / protocol.standard_energy_j
        placed.append(Placed(drop, position, load, is_damaged(drop, protocol)))
    return placed


def nearest_position(angle_deg: Decimal, protocol: Protocol) -> Decimal | None:
    """The protocol position that a drop at this angle belongs to, or None."""

    def distance(position: Decimal) -> Decimal:
        gap = abs(angle_deg - position) % _TURN
        return min(gap, _TURN - gap)

    nearest = min(protocol.positions_deg, key=distance)
    return nearest if distance(nearest) <= protocol.position_tolerance_deg else None


def _rung(energy: Decimal, rungs: Sequence[Decimal], protocol: Protocol) -> Decimal:
    """The energy this drop stands for: the standard's, a rung's struck before, or its own."""
    if _close(energy, protocol.standard_energy_j, protocol):
        return protocol.standard_energy_j
    near = [rung for rung in rungs if _close(energy, rung, protocol)]
    return min(near, key=lambda rung: abs(energy - rung)) if near else energy


def _close(energy: Decimal, to: Decimal, protocol: Protocol) -> bool:
    return abs(energy - to) <= protocol.energy_tolerance * to


def is_damaged(drop: Drop, protocol: Protocol) -> bool | None:
    """Whether the drop left damage that fails the protocol; None where it was not examined.

    Damage that was seen counts even where the run-out change was not measured; without that
    change a part cannot be shown undamaged under a protocol that limits it.
    """
    rank = _RANK.get(drop.damage)
    changes = [c for c in (drop.lateral_change_mm, drop.radial_change_mm) if c is not None]
    limit = protocol.change_limit_mm
    if limit is not None and any(abs(change) > limit for change in changes):
        rank = max(rank or 0, _RANK["set"])
    if rank is not None and rank >= _RANK[protocol.fails_at]:
        return True
    if drop.damage not in _RANK or (limit is not None and not changes):
        return None  # also after a change short of failure: nobody looked for worse
    return False


def _repeat(
    borne: Sequence[Placed], hit: Sequence[Placed], failing: Placed | None, protocol: Protocol
) -> tuple[Decimal, Decimal | None, bool]:
    """Hits of the standard load and more, counted on each position."""
    survived = min(_hits(borne, position) for position in protocol.positions_deg)
    weak = any(item.load < 1 for item in hit) or (failing is not None and failing.load < 1)
    if failing is None:
        return Decimal(survived), None, weak
    assert failing.position is not None
    if failing.load > 1:
        return Decimal(survived), None, True
    return Decimal(survived), Decimal(_hits(hit, failing.position) + 1), weak


def _hits(items: Sequence[Placed], position: Decimal) -> int:
    return sum(item.position == position and item.load >= 1 for item in items)


def _step(
    borne: Sequence[Placed], hit: Sequence[Placed], failing: Placed | None, protocol: Protocol
) -> tuple[Decimal, Decimal | None, bool]:
    """Rungs of rising load; a rung is borne when every position has taken it."""
    taken: dict[Decimal, set[Decimal | None]] = {}
    for item in borne:
        taken.setdefault(item.load, set()).add(item.position)
    everywhere = set(protocol.positions_deg)
    whole = [load for load, positions in taken.items() if positions == everywhere]
    survived = max(whole, default=Decimal(0))
    if failing is None:
        return survived, None, False
    # having borne that load there before, it broke from damage that had built up
    if any(item.position == failing.position and item.load >= failing.load for item in borne):
        return survived, None, True
    return survived, failing.load, False


def verdicts(
    test: str, result: Result, protocol: Protocol, basis: tuple[str, ...]
) -> list[Verdict]:
    """The flag of a counted test, if any."""
    required = protocol.required_multiple
    name = f"Test {test}"

    def verdict(flag: str, severity: str, words: str, value: Decimal, limit: Decimal) -> Verdict:
        return Verdict(
            *(flag, severity, words, value, limit, "multiple"),
            stage=protocol.stage,
            characteristic="survived-multiple",
            test=test,
            basis=basis,
        )

    if result.failed is not None and result.failed <= 1:
        words = (
            f"{name}: damaged by {shown(result.failed)} × the standard impact, of which "
            f"{shown(required)} × are required. The part does not bear the standard."
        )
        return [verdict("impact-below-standard", CRITICAL, words, result.failed, ONE)]
    if result.survived >= required:
        return []
    if result.damaged:
        severity = CRITICAL if result.survived < 1 else MAJOR
        by = f"by {shown(result.failed)} ×" if result.failed is not None else "then"
        words = (
            f"{name}: survived {shown(result.survived)} × the standard impact, damaged {by}; "
            f"{shown(required)} × are required."
        )
        if result.survived < 1:
            words += " It is not shown to bear the standard impact even once."
        return [verdict("impact-early", severity, words, result.survived, required)]
    words = (
        f"{name}: survived {shown(result.survived)} × the standard impact so far and is not "
        f"damaged; {shown(required)} × are required."
    )
    return [verdict("impact-incomplete", MINOR, words, result.survived, required)]


def shown(multiple: Decimal) -> str:
    """A multiple in few digits."""
    return f"{multiple:.2f}".rstrip("0").rstrip(".")
