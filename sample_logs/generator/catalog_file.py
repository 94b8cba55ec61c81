"""catalog.toml: the shop's reference data, written table by table."""

import datetime as dt
from collections.abc import Iterator, Mapping
from decimal import Decimal

from generator import shop
from generator.batches import Batch

Entry = tuple[str, Mapping[str, object]]


def text(batches: list[Batch]) -> str:
    """The whole catalog."""
    site = "\n".join(f"{key} = {_value(value)}" for key, value in shop.SITE.items())
    tables = "\n".join(_table(name, entry) for name, entry in entries(batches))
    return f"# {shop.MAKER}: an invented maker\n\n[site]\n{site}\n\n{tables}"


def entries(batches: list[Batch]) -> list[Entry]:
    """Every entry but the site, in the file's order."""
    return [*_models(), *_measuring(), *_limits(), *_plans(), *_people(), *_batches(batches)]


def _table(name: str, entry: Mapping[str, object]) -> str:
    lines = [f"{key} = {_value(value)}" for key, value in entry.items() if value is not None]
    return "\n".join([f"[[{name}]]", *lines, ""])


def _value(value: object) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, int | Decimal | dt.date):
        return str(value)
    return '"' + str(value) + '"'


def _models() -> Iterator[Entry]:
    for model in shop.MODELS:
        yield "model", {"code": model.code, "depth_mm": model.depth_mm, "brake": model.brake,
                        "tyre": model.tyre, "spokes": model.spokes}  # fmt: skip
    for model in shop.MODELS:
        front, rear = (model.claimed_g + model.kit_g(stage) for stage in shop.WHEELS)
        for stage, claimed_g, band_g in (
            ("rim", model.claimed_g, shop.OLD_RIM_BAND_G),
            ("front-wheel", front, shop.WHEEL_BAND_G),
            ("rear-wheel", rear, shop.WHEEL_BAND_G),
            ("pair", front + rear, shop.PAIR_BAND_G),
        ):
            yield _claim(model.code, stage, claimed_g, band_g, shop.CLAIMS_FROM)
        yield _claim(model.code, "rim", model.claimed_g, shop.RIM_BAND_G, shop.TIGHTER_FROM)


def _claim(model: str, stage: str, claimed_g: int, band_g: int, since: dt.date) -> Entry:
    return "claim", {"model": model, "stage": stage, "claimed_g": claimed_g, "over_g": band_g,
                     "under_g": band_g, "from": since}  # fmt: skip


def _measuring() -> Iterator[Entry]:
    for code, (mass, u, sd) in shop.FITTED.items():
        yield "fitted_part", {"code": code, "mass_g": Decimal(mass), "u_g": Decimal(u),
                              "sd_g": Decimal(sd)}  # fmt: skip
    for gauge in shop.GAUGES:
        yield "gauge", {"code": gauge.code, "measures": gauge.measures, "unit": gauge.unit,
                        "resolution": Decimal(gauge.resolution), "u": Decimal(gauge.u),
                        "due": gauge.due}  # fmt: skip
    for code, pattern, unit, baud in shop.READOUTS:
        yield "readout", {"gauge": code, "pattern": pattern, "unit": unit, "baud": baud}
    for code, (unit, name) in shop.CHARACTERISTICS.items():
        yield "characteristic", {"code": code, "unit": unit, "name": name}


def _limits() -> Iterator[Entry]:
    for limit in shop.LIMITS:
        yield "limit", {**limit, "source": shop.OWN_SETTING}
    for direction, stage, limit_mm, source in shop.RUNOUT_LIMITS:
        yield "runout_limit", {"direction": direction, "stage": stage,
                               "limit_mm": Decimal(limit_mm), "source": source}  # fmt: skip
    for (zone, defect), (size_mm, severity) in shop.FINDING_LIMITS.items():
        yield "finding_limit", {"zone": zone, "defect": defect, "size_mm": Decimal(size_mm),
                                "severity": severity}  # fmt: skip
    for zone in shop.ZONES:
        for defect in shop.GRAVE_DEFECTS:
            yield "finding_limit", {"zone": zone, "defect": defect, "size_mm": 0,
                                    "severity": "critical"}  # fmt: skip
    for stage in shop.WHEELS:
        yield "balance_limit", {"stage": stage, "limit_gmm": shop.BALANCE_LIMIT_GMM}
    for protocol in shop.PROTOCOLS:
        yield "protocol", protocol


def _plans() -> Iterator[Entry]:
    for model in shop.MODELS:
        for stage in ("rim", *shop.WHEELS):
            yield "plan", {"model": model.code, "stage": stage, "requires": shop.PLAN}


def _people() -> Iterator[Entry]:
    for code, name in shop.STATIONS.items():
        yield "station", {"code": code, "name": name}
    for code, name in shop.INSPECTORS.items():
        yield "inspector", {"code": code, "name": name}


def _batches(batches: list[Batch]) -> Iterator[Entry]:
    for batch in batches:
        yield "batch", {"code": batch.code, "model": batch.model.code, "made_on": batch.made_on,
                        "quantity": len(batch.rims), **batch.factors}  # fmt: skip
