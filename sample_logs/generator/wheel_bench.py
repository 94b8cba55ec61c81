"""The wheel bench: builds, balance, scale, run-out on the axle, spoke tension, a last look."""

import datetime as dt
import random
from dataclasses import dataclass

from generator import faults, rim_bench, traces
from generator.batches import Batch
from generator.chance import levels, normal, spread, stream
from generator.fates import PAIRS_PER_BATCH, Fate
from generator.hours import Clock, after
from generator.records import Record, read, record, with_id
from generator.shop import BATCHES_PER_MODEL, FITTED, GAUGE, WHEELS, Model, zones

BENCH, OPENS = "wheel-bench", dt.time(8, 40)
BUILT_AFTER_DAYS = 4
KIT_SD_G = 1.5
TYPED_SHARE = 0.2
# quantity: level, batch to batch, part to part (tension apart: it differs front and rear)
QUALITIES = {
    "lateral": (0.26, 0.020, 0.035),
    "radial": (0.24, 0.018, 0.030),
    "tension": (0.0, 12.0, 18.0),
    "as-found": (6.0, 0.5, 0.8),
    "corrected": (1.5, 0.15, 0.25),
}
TENSION_N = {"front-wheel": 1050, "rear-wheel": 1150}


@dataclass(frozen=True)
class Wheel:
    """A rim to be built, and what the wheel will be like, by the names of `QUALITIES`."""

    serial: str
    stage: str
    pair: str
    batch: Batch
    rim_g: float
    quality: dict[str, float]


def inspector(day: dt.date) -> str:
    """The one who is not at the rim bench."""
    return "I2" if rim_bench.inspector(day) == "I1" else "I1"


def built_on(batch: Batch) -> dt.date:
    return after(batch.received_on, BUILT_AFTER_DAYS)


def records(batches: list[Batch], fates: dict[str, Fate]) -> list[Record]:
    """Everything the wheel bench wrote."""
    clock, ids = Clock(OPENS, stream("wheel bench clock")), stream("wheel bench ids")
    made = []
    for wheel in _wheels(batches, fates):
        for plain in _of_wheel(wheel, clock):
            # the scale's and the tablet's programs make an identity, the typed sheets do not
            by_program = plain["kind"] in {"weighing", "inspection", "measurement"}
            made.append(with_id(ids, plain) if by_program else plain)
    return made


def slipped(batch: Batch, stage: str, number_of_pair: int) -> bool:
    """Whether this is the wheel whose mass was typed wrongly."""
    return (batch.code, stage, number_of_pair) == (faults.SLIP_BATCH, "front-wheel", 0)


def _wheels(batches: list[Batch], fates: dict[str, Fate]) -> list[Wheel]:
    at_level = {
        (name, batch.model.code, stage): levels(
            stream("wheel", name, batch.model.code, stage), BATCHES_PER_MODEL, between
        )
        for batch in batches if batch.index == 0
        for stage in WHEELS
        for name, (_, between, _) in QUALITIES.items()
    }  # fmt: skip
    wheels, number = [], 0
    for batch in batches:
        pairs = fates[batch.code].pairs
        mass_g = {rim.serial: rim.mass_g for rim in batch.rims}
        quality = {
            (stage, name): [
                level + at_level[name, batch.model.code, stage][batch.index] + deviation
                for deviation in spread(
                    stream("wheels", batch.code, stage, name), PAIRS_PER_BATCH, within
                )
            ]
            for stage in WHEELS
            for name, (level, _, within) in QUALITIES.items()
        }
        for i, pair in enumerate(pairs):
            number += 1
            for serial, stage in zip(pair, WHEELS, strict=True):
                own = {name: quality[stage, name][i] for name in QUALITIES}
                wheel = Wheel(serial, stage, f"P-{number:04d}", batch, mass_g[serial], own)
                wheels.append(wheel)
    return wheels


def _of_wheel(wheel: Wheel, clock: Clock) -> list[Record]:
    day, rng = built_on(wheel.batch), stream("wheel", wheel.serial)
    model = wheel.batch.model

    def made(kind: str, seconds: int, **fields: object) -> Record:
        who = inspector(day)
        return record(kind, clock.tick(day, seconds), BENCH, who,
                      serial=wheel.serial, stage=wheel.stage, **fields)  # fmt: skip

    end = wheel.stage.removesuffix("-wheel")
    out = [made("build", 60, hub=f"hub-{end}-{model.brake}", pair=wheel.pair,
                builder=f"builder-{1 + day.toordinal() % 2}")]  # fmt: skip
    for state in ("as-found", "corrected"):
        out.append(made("balance", 90, state=state, heavy_deg=read(360 * rng.random(), "1"),
                        residual_g=read(wheel.quality[state], "0.1"),
                        radius_mm=model.radius_mm))  # fmt: skip
    fitted = _fitted(rng, model, wheel.stage)
    gross_g = read(wheel.rim_g + _added_g(rng, model, wheel.stage, fitted), "0.1")
    if slipped(wheel.batch, wheel.stage, _pair_index(wheel)):
        gross_g += faults.SLIP_BY_G
    out.append(made("weighing", 60, gauge="SC-3", gross_g=gross_g, fitted=fitted))
    out += [made("runout", 100, gauge="DI-2", **turn) for turn in _turns(rng, wheel)]
    tension = read(TENSION_N[wheel.stage] + wheel.quality["tension"], GAUGE["TM-1"].resolution)
    out.append(made("measurement", 180, characteristic="spoke-tension", gauge="TM-1",
                    value=tension))  # fmt: skip
    out.append(made("inspection", 200, method="visual", zones=zones(model), result="clean"))
    return out


def _pair_index(wheel: Wheel) -> int:
    """Which of the batch's pairs; pairs are numbered through, three to a batch."""
    return (int(wheel.pair.removeprefix("P-")) - 1) % PAIRS_PER_BATCH


def _fitted(rng: random.Random, model: Model, stage: str) -> dict[str, int]:
    """What is on the wheel when it is weighed."""
    likely = {
        "tape": 0.0 if model.tyre == "tubular" else 1.0,
        "weight": 0.7,
        "valve": 0.5 if model.tyre == "tubeless" else 0.0,
        "skewer": 0.3 if model.brake == "rim" else 0.0,
        "end-cap": 0.4 if stage == "rear-wheel" else 0.0,
        "rotor": 0.3 if model.brake == "disc" else 0.0,
    }
    return {code: 1 for code, share in likely.items() if rng.random() < share}


def _added_g(rng: random.Random, model: Model, stage: str, fitted: dict[str, int]) -> float:
    """Hub, spokes and nipples, and the fitted parts as they really are."""
    kit = model.kit_g(stage) + normal(rng, KIT_SD_G)
    return kit + sum(
        float(FITTED[code][0]) + normal(rng, float(FITTED[code][2])) for code in fitted
    )


def _turns(rng: random.Random, wheel: Wheel) -> list[dict[str, object]]:
    """Lateral (on a brake track both sides) and radial; some wheels' readings are typed as TIR."""
    typed = rng.random() < TYPED_SHARE
    sides = ("left", "right") if wheel.batch.model.brake == "rim" else (None,)
    turns: list[dict[str, object]] = []
    for direction, side in (*(("lateral", side) for side in sides), ("radial", None)):
        wanted = wheel.quality[direction] - (0.03 if side == "right" else 0.0)
        turn: dict[str, object] = {"direction": direction, "side": side}
        if typed:
            turn["tir_mm"] = read(wanted, "0.01")
        else:
            turn["readings_mm"] = traces.wheel(rng, wanted)
        turns.append(turn)
    return turns
