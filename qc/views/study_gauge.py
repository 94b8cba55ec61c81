"""The catalog entry of a gauge with the uncertainty that a study found.

`u` of a gauge is its standard uncertainty without the readout. A study sees how repeats scatter and
inspectors differ, and the readout within that; it sees no bias. So u² = gauge variance -
resolution²/12 + (uncertainty of the calibration)², after JCGM 100, rounded up to two digits.
"""

import hashlib
import json
import math
import re
from decimal import ROUND_UP, Decimal
from pathlib import Path
from typing import Any

import msgspec

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Gauge, Inspector
from qc.errors import RimqcError
from qc.records.parsing import nearest

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def gauge_of(catalog: Catalog, code: str) -> Gauge:
    """The gauge's entry as it is now."""
    entry = catalog.gauge(code)
    if entry is None:
        near = nearest(code, catalog.codes(Gauge))
        raise RimqcError(f"--gauge {code}: not a gauge of the catalog{near}", 2)
    return entry


def check_person(catalog: Catalog, code: str) -> None:
    """Who decides must be on the catalog's list of people, where it has one."""
    people = catalog.codes(Inspector)
    if people and code not in people:
        raise RimqcError(f"--by {code}: not an inspector of the catalog{nearest(code, people)}", 2)


def entry_from(
    gauge: Gauge, found: dict[str, Any], path: Path, *, calibration_u: Decimal, by: str, reason: str
) -> Gauge:
    """The entry with the new `u`, and what it rests on among its further keys.

    RimqcError where neither the study nor the calibration shows any uncertainty.
    """
    variance = max(found["gauge_sd"] ** 2 - float(gauge.resolution) ** 2 / 12, 0.0)
    u = math.sqrt(variance + float(calibration_u) ** 2)
    if u == 0:
        raise RimqcError(
            f"the repeats show no more than the readout of {gauge.code} "
            f"({gauge.resolution} {gauge.unit}): u stays {gauge.u}; give --calibration U"
        )
    gauge_row = next(row for row in found["components"] if row["component"] == "gauge")
    limits = f"{gauge_row['sd_lower']:.4g} to {gauge_row['sd_upper']:.4g}"
    kept = {
        "study": (
            f"{path.name}: {found['parts']} parts, {len(found['inspectors'])} inspectors, "
            f"{found['repeats']} repeats; gauge standard deviation {found['gauge_sd']:.4g} "
            f"{gauge.unit} (95 %: {limits}); calibration {calibration_u} {gauge.unit}"
        ),
        "study_sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
    }
    known = all(gauge.other.get(name) == text for name, text in kept.items())
    kept["u_before"] = gauge.other.get("u_before", "") if known else str(gauge.u)
    kept |= {name: text for name, text in (("u_by", by), ("u_reason", reason)) if text}
    return msgspec.structs.replace(gauge, u=_two_digits_up(u), other=gauge.other | kept)


def _two_digits_up(value: float) -> Decimal:
    exact = Decimal(repr(value))
    last = Decimal(1).scaleb(exact.adjusted() - 1)
    rounded = exact.quantize(last, rounding=ROUND_UP)
    return Decimal(f"{rounded.normalize():f}")


def as_toml(gauge: Gauge) -> str:
    """The entry as it stands in `catalog.toml`."""
    lines = ["[[gauge]]"]
    for name in ("code", "measures", "unit"):
        lines.append(f"{name} = {_text(getattr(gauge, name))}")
    lines += [f"resolution = {gauge.resolution}", f"u = {gauge.u}"]
    if gauge.due:
        lines.append(f"due = {gauge.due.isoformat()}")
    if gauge.since:
        lines.append(f"from = {gauge.since.isoformat()}")
    for name, value in gauge.other.items():
        lines.append(f"{name if _BARE.fullmatch(name) else _text(name)} = {_text(value)}")
    return "\n".join(lines)


def _text(value: str) -> str:
    """A basic string of TOML; JSON's escapes are among TOML's, and DEL must be one."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
