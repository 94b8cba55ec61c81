"""Run-out of a part against its limits."""

from collections.abc import Sequence
from decimal import Decimal
from typing import NamedTuple

from qc.judgement.flags import MAJOR, Verdict
from qc.judgement.readings import Around, Outcome, Quantity, Reading, taken_with, valid
from qc.physics.runout import form_mm, tir_mm
from qc.records.kinds import Runout


class Turn(NamedTuple):
    """What one turn on the stand gives; no form where only the TIR was typed."""

    tir_mm: Decimal
    form_mm: Decimal | None


def turn_of(record: Runout) -> Turn:
    """TIR and form of a run-out record."""
    if not record.readings_mm:
        assert record.tir_mm is not None
        return Turn(record.tir_mm, None)
    form = form_mm([float(reading) for reading in record.readings_mm])
    return Turn(tir_mm(record.readings_mm), Decimal(repr(form)))


def judge_runout(
    stage: str, direction: str, readings: Sequence[Reading], model: str, around: Around
) -> Outcome:
    """The newest turn of each side, the larger side counting, against TIR or form limits.

    A bare rim is judged by its form, since the once-per-turn part is the set-up's; a wheel by its
    TIR; a typed TIR as given.
    """
    if not readings:
        return Outcome()
    newest, suspect = _newest_of_each_side(readings)
    turns = [turn_of(record) for record in newest]
    at = max(record.taken_at for record in newest)
    basis = tuple(sorted(record.record_id for record in newest))
    largest = max(turn.tir_mm for turn in turns)
    forms = [turn.form_mm for turn in turns if turn.form_mm is not None]
    limits = around.catalog.runout_limits(direction, stage, model, around.catalog.local_day(at))
    verdicts = []
    for limit in limits:
        of = limit.of or ("form" if stage == "rim" else "tir")
        judged = [turn.form_mm if of == "form" and turn.form_mm is not None else turn.tir_mm
                  for turn in turns]  # fmt: skip
        if max(judged) > limit.limit_mm:
            verdicts.append(
                _beyond(
                    direction, stage, of if forms else "tir", max(judged), limit.limit_mm, basis
                )
            )
    beyond = "over" if verdicts else ""
    with_what = taken_with(newest)
    # the sides of a rim are no repeats of each other
    count = len(readings) - len(newest) + 1

    def quantity(name: str, value: Decimal) -> Quantity:
        head = (stage, f"{name}-{direction}", value, at, None, suspect, "", "", beyond)
        return Quantity(*head, *with_what, count)

    quantities = [quantity("tir", largest)]
    if forms:
        quantities.append(quantity("form", max(forms)))
    uncovered = "" if limits else f"{direction} run-out at stage {stage}: no limit"
    # of a limit on TIR and one on form, the worse finding stands for the flag
    worst = sorted(verdicts, key=_excess, reverse=True)[:1]
    whole = () if suspect else [record for record in newest if record.readings_mm]
    return Outcome(worst, quantities, uncovered, basis, turns=whole)


def _newest_of_each_side(readings: Sequence[Reading]) -> tuple[list[Runout], bool]:
    """The newest valid turn of each side, and whether one of them is in doubt."""
    sides: dict[str | None, list[Reading]] = {}
    for reading in readings:
        assert isinstance(reading.record, Runout)
        sides.setdefault(reading.record.side, []).append(reading)
    newest, suspect = [], False
    for of_side in sides.values():
        used, in_doubt = valid(of_side)
        record = used[-1].record
        assert isinstance(record, Runout)
        newest.append(record)
        suspect |= in_doubt
    return newest, suspect


def _excess(verdict: Verdict) -> Decimal:
    assert verdict.value is not None
    assert verdict.limit is not None
    return verdict.value - verdict.limit


def _beyond(
    direction: str, stage: str, of: str, value: Decimal, limit: Decimal, basis: tuple[str, ...]
) -> Verdict:
    name = "form" if of == "form" else "total indicator reading"
    return Verdict(
        f"runout-{direction}",
        MAJOR,
        f"{direction.capitalize()} run-out of the {stage} ({name}) is {value:.3f} mm; "
        f"the limit is {limit} mm.",
        value=value,
        limit=limit,
        unit="mm",
        stage=stage,
        basis=basis,
    )
