"""How good a gauge is, from repeated readings of the same parts: in words first, then in numbers.

The bands are those of the handbook (AIAG, "Measurement Systems Analysis", 4th ed., chapter III): a
gauge whose six standard deviations take up less than 10 % of the tolerance is good enough, above
30 % it is not, between them it hangs on what the verdict is for; it should tell at least 5 groups
of parts apart. Without a tolerance the same bands are put on its share of the spread seen.
"""

import datetime as dt
import math
from collections.abc import Sequence
from typing import Any, NamedTuple

from qc.catalog.catalog import Catalog
from qc.errors import RimqcError
from qc.statistics.gauges.crossed import Component, GaugeStudy, gauge_rr_anova
from qc.statistics.gauges.ranges import gauge_rr_ranges
from qc.views.study_file import Reading

GOOD, BAD = 10.0, 30.0
GROUPS = 5
SHOWN_SIGNIFICANT = 0.05
NAMES: dict[Component, str] = {
    "repeatability": "repeats of one inspector on one part",
    "operator": "between inspectors",
    "interaction": "inspectors who differ by the part",
    "gauge": "gauge in all",
    "part": "between parts",
    "total": "all that was seen",
}


class Tolerance(NamedTuple):
    """What the parts are judged by; one of the limits may be None. `source` says whose it is."""

    lower: float | None
    upper: float | None
    source: str


def tolerance_of(
    catalog: Catalog, characteristic: str, model: str, stage: str, day: dt.date
) -> Tolerance:
    """The limits in force for a characteristic: claim, run-out, balance or catalog limit."""
    name = f"{characteristic} of {model} at {stage}"
    if characteristic == "bare-mass":
        claim = catalog.claim(model, stage, day)
        if claim:
            lower, upper = claim.claimed_g - claim.under_g, claim.claimed_g + claim.over_g
            return Tolerance(float(lower), float(upper), f"claim on {name}")
    of, _, direction = characteristic.partition("-")
    if of in {"tir", "form"}:
        for runout in catalog.runout_limits(direction, stage, model, day):
            if (runout.of or ("form" if stage == "rim" else "tir")) == of:
                return Tolerance(None, float(runout.limit_mm), f"limit on {name}")
    if characteristic == "unbalance" and (balance := catalog.balance_limit(stage, model, day)):
        return Tolerance(None, float(balance.limit_gmm), f"limit on {name}")
    if limit := catalog.limit(characteristic, model, stage, day):
        bounds = [None if b is None else float(b) for b in (limit.lower, limit.upper)]
        return Tolerance(bounds[0], bounds[1], f"limit on {name}")
    raise RimqcError(f"the catalog has no limit in force on {name}; give --limit LOWER:UPPER", 2)


def study(
    readings: Sequence[Reading], tolerance: Tolerance | None = None, unit: str = ""
) -> dict[str, Any]:
    """The answer to a balanced study; RimqcError where all readings are the same."""
    values = [reading.value for reading in readings]
    if len(set(values)) == 1:
        raise RimqcError(
            f"all {len(values)} readings are {values[0]}: this gauge cannot tell these parts "
            "apart; take parts that differ, or a finer readout"
        )
    parts, inspectors = [r.part for r in readings], [r.inspector for r in readings]
    found = gauge_rr_anova(values, parts=parts, operators=inspectors)
    apart = gauge_rr_anova(values, parts=parts, operators=inspectors, pool_above=None)
    ranges = gauge_rr_ranges(list(map(float, values)), parts=parts, operators=inspectors)
    width, room = _width(tolerance, sum(map(float, values)) / len(values))
    rows = [_component(name, found, width) for name in NAMES]
    groups = found.category_interval()
    spread = found.spread
    share = spread.percent_of_study()["gauge"]
    taken = 600 * spread.gauge / width if width else None
    return {
        "verdict": _band(share if taken is None else taken),
        "unit": unit,
        "parts": len(found.anova.row_labels),
        "inspectors": [str(label) for label in found.anova.column_labels],
        "repeats": found.anova.repeats,
        "gauge_sd": spread.gauge,
        "gauge_share_of_spread_percent": _finite(share),
        "gauge_share_of_spread_limits": [_finite(x) for x in found.percent_gauge_interval()],
        "gauge_share_of_variance_percent": _finite(spread.percent_contribution()["gauge"]),
        "gauge_share_of_tolerance_percent": taken,
        "tolerance": None if tolerance is None else dict(tolerance._asdict(), width=width, of=room),
        "groups": _finite(spread.distinct_categories),
        "groups_limits": [_finite(limit) for limit in groups],
        "inspector_means": {str(k): mean for k, mean in ranges.operator_means.items()},
        "inspectors_p": _finite(found.operator_p),
        "interaction_p": _finite(found.interaction_p),
        "interaction_pooled": found.pooled,
        # as the moments gave them, before anything was pooled
        "negative": apart.negative,
        "components": rows,
        "by_ranges": {
            "gauge_sd": ranges.spread.gauge,
            "repeats_sd": ranges.spread.repeatability,
            "inspectors_sd": ranges.spread.operator,
            "parts_sd": ranges.spread.part,
            "gauge_share_of_spread_percent": _finite(ranges.spread.percent_of_study()["gauge"]),
            "groups": _finite(ranges.spread.distinct_categories),
            "range_limit": ranges.range_limit,
        },
        "wide_cells": _wide(readings, ranges.range_limit),
        "readings": [
            {"part": r.part, "inspector": r.inspector, "repeat": r.repeat, "value": float(r.value)}
            for r in readings
        ],
    }


def _width(tolerance: Tolerance | None, mean: float) -> tuple[float | None, str]:
    """The width that the gauge is held against; for one limit twice the distance to the mean."""
    if tolerance is None:
        return None, ""
    lower, upper = tolerance.lower, tolerance.upper
    if lower is not None and upper is not None:
        if not lower < upper:
            raise RimqcError(f"the lower limit {lower:g} must lie below the upper {upper:g}", 2)
        return upper - lower, "both limits"
    room = mean - lower if lower is not None else (upper or 0.0) - mean
    if room <= 0:
        raise RimqcError(
            f"the readings' mean {mean:g} lies beyond the only limit, which leaves no tolerance to "
            "hold the gauge against; leave the limit out, or take parts that keep it"
        )
    return 2 * room, "one limit: twice its distance from the mean of the readings"


def _component(name: Component, found: GaugeStudy, width: float | None) -> dict[str, Any]:
    spread = found.spread
    sd: float = getattr(spread, name)
    lower, upper = found.interval(name)
    return {
        "component": name,
        "is": NAMES[name],
        "sd": sd,
        "sd_lower": _finite(math.sqrt(lower)),
        "sd_upper": _finite(math.sqrt(upper)),
        "variance": found.variance(name),
        "share_of_variance_percent": _finite(spread.percent_contribution()[name]),
        "share_of_spread_percent": _finite(spread.percent_of_study()[name]),
        "share_of_tolerance_percent": 600 * sd / width if width else None,
    }


def _wide(readings: Sequence[Reading], limit: float) -> list[dict[str, Any]]:
    """Cells whose repeats lie further apart than the mean range allows: look at these first."""
    cells: dict[tuple[str, str], list[float]] = {}
    for reading in readings:
        cells.setdefault((reading.part, reading.inspector), []).append(float(reading.value))
    return [
        {"part": part, "inspector": inspector, "range": max(held) - min(held)}
        for (part, inspector), held in cells.items()
        if max(held) - min(held) > limit * (1 + 1e-9)
    ]


def _band(percent: float) -> str:
    """What the handbook's bands make of a share."""
    if not percent >= GOOD:
        return "good-enough"
    return "depends" if percent <= BAD else "not-good-enough"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
