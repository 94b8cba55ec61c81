"""Entries that name what neither the catalog nor their own file knows are refused."""

from collections.abc import Callable, Iterable, Mapping

from qc.catalog.catalog import Catalog
from qc.catalog.codes import unknown_code
from qc.catalog.entries import (
    Baseline,
    Batch,
    Characteristic,
    Entry,
    Gauge,
    Model,
    Plan,
    Readout,
)
from qc.catalog.serial_line import line_pattern
from qc.records.parsing import Refused, nearest
from qc.records.units import convertible

PLAN_ITEMS = (
    *("receipt", "weighing", "runout-lateral", "runout-radial", "inspection", "balance", "build"),
)

# characteristics that are computed: a measured one of the same name could not be told from it
COMPUTED = (
    *("bare-mass", "tir-lateral", "tir-radial", "form-lateral", "form-radial", "unbalance"),
    *("findings-per-part", "survived-multiple"),
)


def entry_checker(catalog: Catalog, file: Iterable[Entry]) -> Callable[[Entry], None]:
    """A check of one entry after another; raises `Refused` naming the nearest known code."""
    models, characteristics = set(catalog.codes(Model)), set(catalog.codes(Characteristic))
    gauges = {gauge.code: gauge for gauge in catalog.entries(Gauge)}
    batches = {batch.code: batch for batch in catalog.entries(Batch)}
    for entry in file:
        if isinstance(entry, Model):
            models.add(entry.code)
        elif isinstance(entry, Characteristic):
            characteristics.add(entry.code)
        elif isinstance(entry, Gauge):
            gauges[entry.code] = entry
        elif isinstance(entry, Batch):
            batches[entry.code] = entry
    known_models, known = frozenset(models), frozenset(characteristics)

    def check(entry: Entry) -> None:
        if isinstance(entry, Characteristic) and entry.code in (*COMPUTED, *PLAN_ITEMS):
            raise Refused("code", entry.code, "the program has this name already; choose another")
        model = getattr(entry, "model", None)
        if model is not None and model not in known_models:
            raise unknown_code("model", model, Model, known_models)
        characteristic = getattr(entry, "characteristic", None)
        computed = isinstance(entry, Baseline) and characteristic in COMPUTED
        if characteristic is not None and characteristic not in known and not computed:
            raise unknown_code("characteristic", characteristic, Characteristic, known)
        for item in entry.requires if isinstance(entry, Plan) else ():
            if item not in PLAN_ITEMS and item not in known:
                options = (*PLAN_ITEMS, *sorted(known))
                reason = "expected one of " + ", ".join(options) + nearest(item, options)
                raise Refused("requires", item, reason)

        if isinstance(entry, Baseline):
            _check_baseline(entry, batches)
        if isinstance(entry, Readout):
            _check_readout(entry, gauges)

    return check


def _check_readout(readout: Readout, gauges: Mapping[str, Gauge]) -> None:
    gauge = gauges.get(readout.gauge)
    if gauge is None:
        raise unknown_code("gauge", readout.gauge, Gauge, frozenset(gauges))
    if not convertible(readout.unit, gauge.unit):
        reason = f"gauge {gauge.code} is in {gauge.unit}; give the line in a unit of that quantity"
        raise Refused("unit", readout.unit, reason)
    try:
        groups = line_pattern(readout.pattern).groupindex
    except ValueError as fault:
        raise Refused("pattern", readout.pattern, str(fault)) from None
    if readout.stable_mark is not None and "stable" not in groups:
        reason = "the pattern has no group (?P<stable>...) that could hold this mark"
        raise Refused("stable_mark", readout.stable_mark, reason)


def _check_baseline(entry: Baseline, batches: Mapping[str, Batch]) -> None:
    for code in entry.batches:
        batch = batches.get(code)
        if batch is None:
            raise unknown_code("batches", code, Batch, frozenset(batches))
        if batch.model != entry.model:
            raise Refused("batches", code, f"expected batches of model {entry.model}")
