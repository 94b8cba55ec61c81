"""Which batches are made when, of what, and what each of their rims is really like."""

import datetime as dt
from dataclasses import dataclass

from generator import faults
from generator.chance import levels, normal, spread, stream
from generator.hours import WORKING_DAYS, after
from generator.shop import (
    BATCHES_PER_MODEL,
    MASS_BATCH_SD_G,
    MASS_PART_SD_G,
    MODELS,
    Model,
)

FORM_LATERAL_MM, FORM_RADIAL_MM = 0.20, 0.15
# batch to batch, part to part
LATERAL_SD_MM, RADIAL_SD_MM = (0.012, 0.025), (0.010, 0.020)
RECEIVED_AFTER_DAYS = 4


@dataclass(frozen=True)
class Rim:
    """A rim as it really is; what the gauges say about it comes later."""

    serial: str
    number: int
    mass_g: float
    form_lateral_mm: float
    form_radial_mm: float


@dataclass(frozen=True)
class Batch:
    """A batch, its factors and its rims. `index` counts within the model from 0."""

    code: str
    model: Model
    index: int
    made_on: dt.date
    factors: dict[str, str | int]
    rims: tuple[Rim, ...]

    @property
    def received_on(self) -> dt.date:
        return after(self.made_on, RECEIVED_AFTER_DAYS)

    def serial(self, number: int) -> str:
        return f"{self.code}-{number:02d}"


def made() -> list[Batch]:
    """All batches in the order they were made: one each working day, the models in turn."""
    rng = stream("turns")
    turns = [rng.sample(MODELS, len(MODELS)) for _ in range(BATCHES_PER_MODEL)]
    days = iter(WORKING_DAYS)
    made_on: dict[str, list[dt.date]] = {model.code: [] for model in MODELS}
    for turn in turns:
        for model in turn:
            made_on[model.code].append(next(days))
    batches = [batch for model in MODELS for batch in _of_model(model, made_on[model.code])]
    return sorted(batches, key=lambda batch: batch.made_on)


def _of_model(model: Model, days: list[dt.date]) -> list[Batch]:
    n = len(days)
    quantities = _quantities(model, n)
    factors = _factors(model, quantities)
    mass = levels(stream("mass level", model.code), n, MASS_BATCH_SD_G)
    lateral = levels(stream("lateral level", model.code), n, LATERAL_SD_MM[0])
    radial = levels(stream("radial level", model.code), n, RADIAL_SD_MM[0])
    worn = [i for i in range(n) if factors[i]["mould"] == faults.CREEP_MOULD]
    batches = []
    for i in range(n):
        creep = faults.creep_mm(worn.index(i), len(worn)) if i in worn else 0.0
        batch = Batch(_code(model, i), model, i, days[i], factors[i], ())
        rims = _rims(
            batch,
            quantities[i],
            model.level_g + mass[i] + _heavier_g(batch),
            FORM_LATERAL_MM + lateral[i] + creep,
            FORM_RADIAL_MM + radial[i],
        )
        batches.append(Batch(batch.code, model, i, days[i], factors[i], rims))
    return batches


def _code(model: Model, index: int) -> str:
    return f"{model.code}-{index + 1:02d}"


def _quantities(model: Model, n: int) -> list[int]:
    rng = stream("quantity", model.code)
    return [faults.QUANTITY.get(_code(model, i), 8 + int(7 * rng.random())) for i in range(n)]


def _factors(model: Model, quantities: list[int]) -> list[dict[str, str | int]]:
    """Mould, its shots so far, resin and fibre lots, and the crew that laid the fibre."""
    rng = stream("factors", model.code)
    depth, letters = model.depth_mm, "ABC"[: model.moulds]
    moulds: list[str] = []
    while len(moulds) < len(quantities):
        moulds += rng.sample(letters, len(letters))
    shots = {letter: 200 + int(600 * rng.random()) for letter in letters}
    rows: list[dict[str, str | int]] = []
    for i, quantity in enumerate(quantities):
        fibre_lot = f"F{depth}-{i // 8 + 1}"
        if _code(model, i) == faults.WEAK_BATCH:
            fibre_lot = faults.WEAK_FIBRE_LOT
        rows.append(
            {
                "mould": f"M{depth}-{moulds[i]}",
                "mould_shots": shots[moulds[i]],
                "resin_lot": _resin_lot(model, i + 1),
                "fibre_lot": fibre_lot,
                "layup_crew": rng.choice(("early", "late", "weekend-cover")),
            }
        )
        shots[moulds[i]] += quantity
    return rows


def _resin_lot(model: Model, batch_no: int) -> str:
    """A lot lasts five batches; the heavy one lasts to the end."""
    if model.code == faults.HEAVY_MODEL:
        return f"R{model.depth_mm}-{min(batch_no // 5 + 1, faults.HEAVY_FROM // 5 + 1)}"
    return f"R{model.depth_mm}-{(batch_no - 1) // 5 + 1}"


def _heavier_g(batch: Batch) -> float:
    if batch.factors["resin_lot"] != faults.HEAVY_LOT:
        return 0.0
    return faults.HEAVY_FIRST_G if batch.code == faults.HEAVY_BATCH else faults.HEAVY_SHIFT_G


def _rims(
    batch: Batch, n: int, mass_g: float, lateral_mm: float, radial_mm: float
) -> tuple[Rim, ...]:
    rng = stream("rims", batch.code)
    masses = spread(rng, n, MASS_PART_SD_G)
    laterals, radials = spread(rng, n, LATERAL_SD_MM[1]), spread(rng, n, RADIAL_SD_MM[1])
    rims = []
    for i in range(n):
        light = (batch.code, i + 1) == (faults.LIGHT_BATCH, faults.LIGHT_NUMBER)
        mass = mass_g + masses[i] + normal(rng, 0.05) - (faults.LIGHT_BY_G if light else 0)
        rims.append(
            Rim(batch.serial(i + 1), i + 1, mass, lateral_mm + laterals[i], radial_mm + radials[i])
        )
    return tuple(rims)
