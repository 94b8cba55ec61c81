"""Records that name what the catalog does not know, or a weight that cannot be one, are refused."""

import math
from bisect import bisect
from collections.abc import Callable, Sequence
from decimal import Decimal
from functools import lru_cache
from operator import attrgetter

from qc.catalog.catalog import Catalog
from qc.catalog.entries import (
    Batch,
    Characteristic,
    Entry,
    FittedPart,
    Gauge,
    Inspector,
    Model,
    Protocol,
    Station,
)
from qc.records.canonical import replacement_of
from qc.records.kinds import Correction, Receipt, Record, Weighing
from qc.records.parsing import Refused, nearest

# a shop that lists no stations or no people is taken at its word
_CHECKED_WHERE_LISTED = (("station", Station), ("inspector", Inspector))
_ALWAYS_CHECKED = (
    ("model", Model),
    ("batch", Batch),
    ("gauge", Gauge),
    ("protocol", Protocol),
    ("characteristic", Characteristic),
)
# the fields that decide, apart from what was fitted and a correction's replacement
_LOOKED_AT = (
    *(field for field, _ in (*_CHECKED_WHERE_LISTED, *_ALWAYS_CHECKED)),
    *("stage", "gross_g"),
)
# lighter than a tenth of the lightest claim or heavier than ten times the heaviest: another unit
_IMPLAUSIBLE = 10
_CHECKER = ("code checker",)
# codes before and after an unknown one that are compared with it
NEIGHBOURS = 100


def code_checker(catalog: Catalog) -> Callable[[Record], None]:
    """A check of one record after another; raises `Refused` naming the nearest known code.

    What stands in for a record in a correction must pass the same checks. One checker serves a
    state of the catalog: a station that sends a single record does not wait for a new one.
    """
    checker: Callable[[Record], None] | None = catalog.memory.get(_CHECKER)
    if checker is None:
        checker = catalog.memory[_CHECKER] = _new_checker(catalog)
    return checker


def bulk_checker(catalog: Catalog) -> Callable[[Sequence[Record]], bool]:
    """Whether many records of one kind all pass: what they share is checked once."""
    check = code_checker(catalog)

    def all_pass(records: Sequence[Record]) -> bool:
        kind = type(records[0])
        if kind is Correction:
            different: Sequence[Record] = records
        else:
            looked_at = attrgetter(*(f for f in _LOOKED_AT if f in kind.__struct_fields__))
            fitted = kind is Weighing
            different = list(
                {
                    (looked_at(r), *r.fitted) if fitted and r.fitted else looked_at(r): r  # type: ignore[attr-defined]
                    for r in records
                }.values()
            )
        try:
            for record in different:
                check(record)
        except Refused:
            return False
        return True

    return all_pass


def _new_checker(catalog: Catalog) -> Callable[[Record], None]:
    known: dict[type[Entry], frozenset[str]] = {
        table: frozenset(catalog.codes(table))
        for table in (Model, Batch, Gauge, Protocol, Characteristic, Station, Inspector, FittedPart)
    }
    everywhere = [(f, table) for f, table in _CHECKED_WHERE_LISTED if known[table]]
    plans: dict[type[Record], list[tuple[str, frozenset[str], type[Entry]]]] = {}
    band = _weight_bands(catalog)

    def plan_for(kind: type[Record]) -> list[tuple[str, frozenset[str], type[Entry]]]:
        fields = [*everywhere, *_ALWAYS_CHECKED]
        plans[kind] = [(f, known[t], t) for f, t in fields if f in kind.__struct_fields__]
        return plans[kind]

    def check(record: Record) -> None:
        kind = type(record)
        for field, codes, table in plans.get(kind) or plan_for(kind):
            code = getattr(record, field)
            if code is not None and code not in codes:
                raise unknown_code(field, code, table, codes)
        if kind is Weighing:
            _check_weighing(record, known[FittedPart], band)  # type: ignore[arg-type]
        elif kind is Receipt:
            _check_receipt(record, catalog)  # type: ignore[arg-type]
        elif isinstance(record, Correction) and record.replacement:
            _check_replacement(record)

    def _check_replacement(correction: Correction) -> None:
        try:
            check(replacement_of(correction))
        except Refused as fault:
            raise Refused(f"replacement.{fault.field}", fault.value, fault.reason) from None

    return check


def unknown_code(field: str, code: str, table: type[Entry], codes: frozenset[str]) -> Refused:
    """The refusal of a code that the catalog does not list."""
    name = str(table.__struct_config__.tag)
    near = _near(code, codes)
    return Refused(field, code, f"not a {name} of the catalog{near}; add it there or mend the line")


@lru_cache(maxsize=100)
def _near(code: str, codes: frozenset[str]) -> str:
    """What is meant, perhaps; a long log repeats an unknown code, and a search takes its time.

    Among many codes only the neighbours in the alphabet are looked at.
    """
    known = sorted(codes)
    at = bisect(known, code)
    return nearest(code, known[max(0, at - NEIGHBOURS) : at + NEIGHBOURS])


def _check_receipt(receipt: Receipt, catalog: Catalog) -> None:
    batch = catalog.batch(receipt.batch)
    if batch and batch.model != receipt.model:
        raise Refused("model", receipt.model, f"batch {batch.code} is of model {batch.model}")


def _weight_bands(catalog: Catalog) -> dict[str, tuple[Decimal, Decimal]]:
    """For each stage the lightest and the heaviest claim."""
    bands = {}
    for stage in ("rim", "front-wheel", "rear-wheel"):
        claims = [claim.claimed_g for claim in catalog.claims_at(stage)]
        if claims:
            bands[stage] = (min(claims), max(claims))
    return bands


def _check_weighing(
    weighing: Weighing, fitted: frozenset[str], bands: dict[str, tuple[Decimal, Decimal]]
) -> None:
    for code in weighing.fitted:
        if code not in fitted:
            raise unknown_code("fitted", code, FittedPart, fitted)
    band = bands.get(weighing.stage)
    if band is None or band[0] / _IMPLAUSIBLE <= weighing.gross_g <= band[1] * _IMPLAUSIBLE:
        return
    lightest, heaviest = band
    claims = f"{lightest} g" if lightest == heaviest else f"{lightest} to {heaviest} g"
    reason = f"implausible against the claim of {claims} for a {weighing.stage}"
    guess = _unit_guess(weighing.gross_g, lightest, heaviest)
    raise Refused("gross_g", weighing.gross_g, reason + guess)


def _unit_guess(gross: Decimal, lightest: Decimal, heaviest: Decimal) -> str:
    for unit, grams in (("kilograms", 1000.0), ("ounces", 28.349523), ("milligrams", 0.001)):
        as_grams = float(gross) * grams
        if float(lightest) / 2 <= as_grams <= float(heaviest) * 2:
            digits = max(0, 3 - math.ceil(math.log10(as_grams)))
            return f"; is it in {unit} ({as_grams:.{digits}f} g)? write it in grams"
    return "; write the weight in grams"
