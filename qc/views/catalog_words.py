"""What a catalog entry is called and what it says, in words and with units."""

import datetime as dt
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import msgspec

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Baseline, Batch, Entry, Gauge, Limit, Site, table_of
from qc.catalog.toml_file import FIELDS
from qc.catalog.units import unit
from qc.views import entry_forms

# every table: one entry of it, and all of them; in the order in which a shop looks for them
TABLES = {
    "claim": ("claim", "Claimed masses"),
    "runout_limit": ("run-out limit", "Run-out limits"),
    "finding_limit": ("finding limit", "Finding limits"),
    "balance_limit": ("balance limit", "Balance limits"),
    "limit": ("limit", "Limits of other measurements"),
    "protocol": ("impact protocol", "Impact protocols"),
    "plan": ("plan", "Plans"),
    "batch": ("batch", "Batches"),
    "baseline": ("baseline", "Frozen baselines"),
    "fitted_part": ("fitted part", "Fitted parts"),
    "gauge": ("gauge", "Gauges and rigs"),
    "readout": ("readout", "Readouts of gauges"),
    "model": ("model", "Models"),
    "characteristic": ("characteristic", "Characteristics"),
    "station": ("station", "Stations"),
    "inspector": ("inspector", "Inspectors"),
    "site": ("site", "Site"),
}
_LABELS = {
    "from": "Holds from",
    "rule": "Rule at the limit",
    "claimed_g": "Claimed mass",
    "over_g": "Allowed above",
    "under_g": "Allowed below",
    "u_g": "Standard uncertainty of the mass",
    "sd_g": "Spread from piece to piece",
    "u": "Standard uncertainty without the readout",
    "due": "Calibration due",
    "lower": "Lower limit",
    "upper": "Upper limit",
    "limit_mm": "Limit",
    "limit_gmm": "Limit",
    "of": "Judges",
    "size_mm": "From a size of",
    "standard_energy_j": "Standard impact",
    "required_multiple": "Required multiple of it",
    "fails_at": "Damaged from",
    "change_limit_mm": "Run-out change allowed",
    "energy_tolerance": "Energy tolerance, relative",
    "strike": "Struck at",
    "requires": "A part must have",
    "batches": "Batches that set the level",
    "pattern": "Pattern of a whole line",
    "baud": "Symbols a second (baud)",
    "request": "Sent to ask for a value",
}
# of the naming fields that may be missing: what that means
_ANY = {"model": "any model", "stage": "any stage"}


def label(name: str) -> str:
    """A key of the catalog as a person reads it."""
    return _LABELS.get(name) or entry_forms.label(name)


def inside(named: str) -> str:
    """A label within a sentence; a word of the shop's own stays as it is."""
    own = named in {label(name) for table in FIELDS.values() for name in table}
    return named[:1].lower() + named[1:] if own else named


def unit_of(name: str) -> str:
    """The unit that a key's name ends with, or none."""
    return entry_forms.UNITS.get(name.rpartition("_")[2], "") if "_" in name else ""


def name_of(entry: Entry) -> str:
    """What tells the entry from others of its table: `45D, rim`."""
    if isinstance(entry, Site):
        return entry.code
    missing = _ANY | ({"stage": "of batches"} if isinstance(entry, Baseline) else {})
    given = [(name, getattr(entry, name)) for name in entry.named_by]
    words = [missing.get(n, "") if v is None else value_words(n, v) for n, v in given]
    return ", ".join(filter(None, words))


def of_what(entry: Entry) -> str:
    """`the claim for 45D rim`, as it stands in a sentence."""
    named = name_of(entry).replace(",", "")
    between = " " if entry.named_by in ((), ("code",)) else " for "
    return f"the {TABLES[table_of(entry)][0]}{between}{named}"


def says(entry: Entry, units: Mapping[str, str]) -> dict[str, str]:
    """What the entry says beside its name, by label. `units` as from `own_units`."""
    said = {}
    for field in msgspec.structs.fields(entry):
        value = getattr(entry, field.name)
        if field.name in (*entry.named_by, "since", "other", "factors") or value is None:
            continue
        known = unit_of(field.name) or units.get(field.name, "")
        said[label(field.name)] = value_words(field.name, value, known)
    return said | (entry.factors if isinstance(entry, Batch) else entry.other)


def own_units(catalog: Catalog, entry: Entry) -> dict[str, str]:
    """Units of those numbers of an entry that bear none in their names."""
    if isinstance(entry, Limit):
        named = unit(catalog, entry.characteristic)
        return {"lower": named, "upper": named}
    if isinstance(entry, Gauge):
        return {"resolution": entry.unit, "u": entry.unit}
    return {}


def value_words(name: str, value: Any, in_unit: str = "") -> str:
    """A value with its unit, exactly as it is kept."""
    if isinstance(value, tuple):
        return ", ".join(value_words("", item, in_unit) for item in value)
    if isinstance(value, dt.date):
        text = value.isoformat()
    elif isinstance(value, Decimal):
        text = f"{value:f}"
    else:
        text = str(value).replace("-", " ") if name == "stage" else str(value)
    return f"{text}{'' if in_unit in ('', '°') else ' '}{in_unit}"


def held_words(version: Mapping[str, Any]) -> str:
    """When a version of `qc.views.catalog` is in force."""
    start, end = version["from"], version["until"]
    if not version["ever"]:
        return "on no day: replaced"
    if start is None:
        return f"until {end}" if end else "on all days"
    return f"from {start} until {end}" if end else f"from {start}"
