"""The tables of the catalog, one frozen type each; fields are named as in `catalog.toml`."""

from decimal import Decimal
from typing import Annotated, Any, ClassVar
from zoneinfo import ZoneInfo

import msgspec

from qc.catalog.serial_line import REQUEST
from qc.records import rules
from qc.records.kinds import Code, Counted, Day, NotNegative, Number, Positive, Stage, Text, Zone

Severity = Annotated[str, rules.choice(*rules.SEVERITIES)]
RuleName = Annotated[str, rules.choice("simple", "guarded")]


def _read_zone(raw: Any) -> str:
    try:
        ZoneInfo(raw)
    except Exception:  # the library raises half a dozen types for names it does not know
        raise ValueError from None
    return str(raw)


def _read_codes(raw: Any) -> tuple[str, ...]:
    if not isinstance(raw, list) or not raw:
        raise ValueError
    return tuple(rules.CODE.read(item) for item in raw)


def _read_positions(raw: Any) -> tuple[Decimal, ...]:
    if not isinstance(raw, list) or not raw:
        raise ValueError
    angles = tuple(rules.ANGLE.read(item) for item in raw)
    if len(set(angles)) != len(angles):
        raise ValueError
    return angles


def _read_factor(raw: Any) -> str:
    """A batch's factor as text: 7 and 7.0 and "7" are one level."""
    if isinstance(raw, Decimal):
        return str(rules.read_number(raw))
    if isinstance(raw, bool):
        return str(raw).lower()
    return str(rules.text().read(raw))


FACTOR = rules.Rule("text or a number", _read_factor, {"type": ["string", "number"]})
CLAIM_STAGES = (*rules.STAGES, "pair")


class Entry(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, tag_field="table"):
    """An entry of the catalog. `since` is the `from` of the file: the day it holds from."""

    since: Day | None = None
    other: dict[str, str] = {}

    # the fields that tell one entry from another; with `since` they make its key
    named_by: ClassVar[tuple[str, ...]] = ("code",)
    # of these at least one must be given
    any_of: ClassVar[tuple[str, ...]] = ()


class Site(Entry, frozen=True, kw_only=True, tag="site"):
    named_by = ()
    code: Code
    time_zone: Annotated[str, rules.Rule("a time zone such as Europe/Lisbon", _read_zone, {})]


class Model(Entry, frozen=True, kw_only=True, tag="model"):
    code: Code
    depth_mm: Positive
    brake: Annotated[str, rules.choice("rim", "disc")]
    tyre: Annotated[str, rules.choice("clincher", "tubeless", "tubular")]
    spokes: Counted


class Claim(Entry, frozen=True, kw_only=True, tag="claim"):
    named_by = ("model", "stage")
    model: Code
    stage: Annotated[str, rules.choice(*CLAIM_STAGES)]
    claimed_g: Positive
    over_g: NotNegative
    under_g: NotNegative
    rule: RuleName = "simple"


class FittedPart(Entry, frozen=True, kw_only=True, tag="fitted_part"):
    code: Code
    mass_g: NotNegative
    u_g: NotNegative
    sd_g: NotNegative = Decimal(0)


class Gauge(Entry, frozen=True, kw_only=True, tag="gauge"):
    code: Code
    measures: Annotated[str, rules.choice("mass", "length", "force", "drop")]
    unit: Text
    resolution: NotNegative
    u: NotNegative
    due: Day | None = None


class Characteristic(Entry, frozen=True, kw_only=True, tag="characteristic"):
    code: Code
    unit: Text
    name: Text


class Limit(Entry, frozen=True, kw_only=True, tag="limit"):
    named_by = ("characteristic", "model", "stage")
    any_of = ("lower", "upper")
    characteristic: Code
    lower: Number | None = None
    upper: Number | None = None
    model: Code | None = None
    stage: Stage | None = None
    severity: Severity = "major"
    rule: RuleName = "simple"
    source: Text | None = None


class RunoutLimit(Entry, frozen=True, kw_only=True, tag="runout_limit"):
    named_by = ("direction", "stage", "model", "of")
    direction: Annotated[str, rules.choice("lateral", "radial")]
    stage: Stage
    limit_mm: NotNegative
    model: Code | None = None
    of: Annotated[str, rules.choice("tir", "form")] | None = None
    source: Text | None = None


class FindingLimit(Entry, frozen=True, kw_only=True, tag="finding_limit"):
    named_by = ("zone", "defect", "model", "severity")
    zone: Zone
    defect: Annotated[str, rules.choice(*rules.DEFECTS)]
    size_mm: NotNegative
    severity: Severity
    model: Code | None = None
    source: Text | None = None


class BalanceLimit(Entry, frozen=True, kw_only=True, tag="balance_limit"):
    named_by = ("stage", "model")
    stage: Stage
    limit_gmm: NotNegative
    model: Code | None = None
    source: Text | None = None


class Protocol(Entry, frozen=True, kw_only=True, tag="protocol"):
    code: Code
    stage: Stage
    standard_energy_j: Positive
    required_multiple: Positive
    method: Annotated[str, rules.choice("repeat", "step")]
    positions_deg: Annotated[
        tuple[Decimal, ...], rules.Rule("a list of different angles", _read_positions, {})
    ]
    fails_at: Annotated[str, rules.choice(*rules.DAMAGE[2:])]
    change_limit_mm: Positive | None = None
    energy_tolerance: NotNegative = Decimal("0.02")
    position_tolerance_deg: NotNegative = Decimal(3)
    striker: Text | None = None
    tyre: Text | None = None
    strike: Annotated[str, rules.choice("spoke", "between")] | None = None
    source: Text | None = None


class Plan(Entry, frozen=True, kw_only=True, tag="plan"):
    named_by = ("model", "stage")
    model: Code
    stage: Stage
    requires: Annotated[tuple[str, ...], rules.Rule("a list of codes", _read_codes, {})]


class Batch(Entry, frozen=True, kw_only=True, tag="batch"):
    code: Code
    model: Code
    made_on: Day
    quantity: Counted
    # any further key of the batch: mould, resin_lot, fibre_lot, ...
    factors: dict[str, str] = {}


class Baseline(Entry, frozen=True, kw_only=True, tag="baseline"):
    """The batches that say where a level was: drift of later ones is judged against them."""

    named_by = ("model", "characteristic", "stage", "protocol")
    model: Code
    characteristic: Code
    stage: Stage | None = None
    protocol: Code | None = None
    batches: Annotated[tuple[str, ...], rules.Rule("a list of codes", _read_codes, {})]
    name: Text
    reason: Text


class Station(Entry, frozen=True, kw_only=True, tag="station"):
    code: Code
    name: Text


class Inspector(Entry, frozen=True, kw_only=True, tag="inspector"):
    code: Code
    name: Text


class Readout(Entry, frozen=True, kw_only=True, tag="readout"):
    """How a gauge speaks on a serial line.

    `pattern` describes a whole line; `unit` is what its values are in; a line is stable where its
    group `stable` is `stable_mark` (none given: where the group is there). `request` is sent to
    ask for a value; without one the gauge speaks by itself.
    """

    named_by = ("gauge",)
    gauge: Code
    pattern: Text
    unit: Text
    baud: Annotated[int, rules.count(least=50, most=4_000_000)]
    stable_mark: Text | None = None
    bits: Annotated[int, rules.count(least=7, most=8)] = 8
    parity: Annotated[str, rules.choice("none", "even", "odd")] = "none"
    stop_bits: Annotated[int, rules.count(most=2)] = 1
    request: Annotated[str, REQUEST] | None = None


AnyEntry = (
    Site | Model | Claim | FittedPart | Gauge | Characteristic | Limit | RunoutLimit
    | FindingLimit | BalanceLimit | Protocol | Plan | Batch | Baseline | Station | Inspector
    | Readout
)  # fmt: skip

TABLES: dict[str, type[Entry]] = {
    str(entry.__struct_config__.tag): entry for entry in AnyEntry.__args__
}


def table_of(entry: Entry) -> str:
    """The table's name as it stands in `catalog.toml`."""
    return str(entry.__struct_config__.tag)


def key_of(entry: Entry) -> tuple[str, ...]:
    """What tells the entry from others: table, naming fields, and the day it holds from."""
    named = (str(getattr(entry, name) or "") for name in entry.named_by)
    return (table_of(entry), *named, entry.since.isoformat() if entry.since else "")


class CatalogEntry(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True,
                   tag_field="kind", tag="catalog"):  # fmt: skip
    """An entry as the journal keeps it; `replaces` is the version of the same key before it."""

    record_id: str = ""
    replaces: str | None = None
    # who changed it on a screen; a file says nothing of it
    entered_by: str | None = None
    entry: AnyEntry
