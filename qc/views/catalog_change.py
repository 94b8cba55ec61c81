"""What a change of the catalog would do, in words, before it is kept.

Found by putting the entry into a catalog of its own and looking when it would be in force, so
that the words follow the rules by which verdicts are made.
"""

import datetime as dt
from typing import NamedTuple

from qc.catalog.catalog import Catalog, Recorded
from qc.catalog.entries import Baseline, Entry, key_of, table_of
from qc.views.catalog import ALL_DAYS, ALWAYS, FOR_EVER, Stretch, stretches
from qc.views.catalog_words import inside, of_what, own_units, says

# names and devices: no verdict hangs on them
_NO_VERDICT = ("station", "inspector", "readout")
# a record cannot name what is not in the catalog yet
_CODES = ("model", "fitted_part", "gauge", "characteristic", "protocol", "batch")


class Foreseen(NamedTuple):
    """What a change would do. `news` is False where the catalog says exactly this already, and
    `past` is True where verdicts of days gone by may change."""

    sentences: list[str]
    news: bool = True
    past: bool = False


def foreseen(catalog: Catalog, entry: Entry, at: dt.datetime) -> Foreseen:
    """What would come of an entry that is kept at a moment."""
    key = key_of(entry)
    held = catalog.current.get(key)
    if held is not None and held.entry == entry:
        return Foreseen([f"Nothing would change: {of_what(entry)} says this already."], news=False)
    last = catalog.recorded[-1].position if catalog.recorded else 0
    after = Catalog([*catalog.recorded, Recorded("", last + 1, at, entry)])
    own = next(s for s in stretches(after.versions[key[:-1]]) if s.version.position == last + 1)
    before = stretches(catalog.versions[key[:-1]]) if key[:-1] in catalog.versions else []
    if not own.ever:
        return Foreseen(
            [f"It would never hold: {_later(before, own)} holds on every day on which this could."]
        )
    sentences = [_what(after, before, own)]
    if own.end != FOR_EVER:
        sentences.append(f"On {own.end} the version that is entered for that day takes over.")
    bearing, past = _bearing(after.local_day(at), own, new=not before)
    return Foreseen([*sentences, bearing], past=past)


def _later(before: list[Stretch], own: Stretch) -> str:
    later = next(s for s in reversed(before) if s.ever and s.start <= own.start)
    return f"the version from {later.start}" if later.start != ALWAYS else "another version"


def _what(catalog: Catalog, before: list[Stretch], own: Stretch) -> str:
    """From when the entry says what, and what it said until then."""
    entry = own.version.entry
    now = says(entry, own_units(catalog, entry))
    # baselines hold side by side: only one from the same day gives way
    same_day = isinstance(entry, Baseline)
    gone = [s for s in before if s.holds(own.start) and (s.start == own.start or not same_day)]
    replaced = gone[-1].version.entry if gone else None
    was = says(replaced, own_units(catalog, replaced)) if replaced is not None else {}
    changes = [
        f"{inside(name)} {value}" + (f" instead of {was[name]}" if name in was else "")
        for name, value in now.items()
        if was.get(name) != value
    ]
    changes += [f"{inside(n)} no longer given (was {v})" for n, v in was.items() if n not in now]
    when = "For all days" if own.start == ALWAYS else f"From {own.start}"
    said = "; ".join(changes) or "the same as until then"
    return f"{when} {of_what(entry)} says: {said}."


def _bearing(today: dt.date, own: Stretch, *, new: bool) -> tuple[str, bool]:
    """Which verdicts may change, and whether some of days gone by are among them."""
    entry = own.version.entry
    table = table_of(entry)
    past = True
    if table in _NO_VERDICT:
        words, past = "No verdict hangs on it.", False
    elif isinstance(entry, Baseline):
        words = (
            f"Batches of {entry.model} from the first of these on are compared with them anew: "
            "flags of drift may open or close. No reading changes its verdict."
        )
    elif new and table in _CODES:
        words, past = "No record names it yet, so no verdict changes.", False
    elif table in ALL_DAYS or own.start == ALWAYS:
        words = (
            "This holds for days gone by too: what was recorded is judged anew, and flags may "
            "open or close."
        )
    elif own.start < today:
        words = (
            f"{own.start} is past: what was taken since then is judged anew, and flags may open "
            "or close. Verdicts of days before it stay."
        )
    else:
        words, past = "Verdicts of earlier days stay.", False
    return words, past
