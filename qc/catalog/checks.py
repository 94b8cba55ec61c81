"""Entries that name what neither the catalog nor their own file knows are refused."""

from collections.abc import Callable, Iterable

from qc.catalog.catalog import Catalog
from qc.catalog.codes import unknown_code
from qc.catalog.entries import Characteristic, Entry, Model, Plan
from qc.records.parsing import Refused, nearest

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
    for entry in file:
        if isinstance(entry, Model):
            models.add(entry.code)
        elif isinstance(entry, Characteristic):
            characteristics.add(entry.code)
    known_models, known = frozenset(models), frozenset(characteristics)

    def check(entry: Entry) -> None:
        if isinstance(entry, Characteristic) and entry.code in (*COMPUTED, *PLAN_ITEMS):
            raise Refused("code", entry.code, "the program has this name already; choose another")
        model = getattr(entry, "model", None)
        if model is not None and model not in known_models:
            raise unknown_code("model", model, Model, known_models)
        characteristic = getattr(entry, "characteristic", None)
        if characteristic is not None and characteristic not in known:
            raise unknown_code("characteristic", characteristic, Characteristic, known)
        for item in entry.requires if isinstance(entry, Plan) else ():
            if item not in PLAN_ITEMS and item not in known:
                options = (*PLAN_ITEMS, *sorted(known))
                reason = "expected one of " + ", ".join(options) + nearest(item, options)
                raise Refused("requires", item, reason)

    return check
