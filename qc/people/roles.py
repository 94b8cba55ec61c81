"""Who may do what: one table of actions, and which action a record or entry is.

A role may do what its row says, and nothing else is asked anywhere: routes, screens and commands
all come here.
"""

from qc.catalog.entries import Entry, table_of
from qc.records.kinds import Correction, Disposition, Record

TECHNICIAN, ENGINEER, OWNER = "technician", "engineer", "owner"
ROLES = (TECHNICIAN, ENGINEER, OWNER)

_ALL, _ENGINEERS, _OWNERS = frozenset(ROLES), frozenset({ENGINEER, OWNER}), frozenset({OWNER})

ACTIONS = {
    "see": _ALL,
    "record": _ALL,
    "undo": _ALL,
    "correct": _ENGINEERS,
    "accept-suspect": _ENGINEERS,
    "hold": _ENGINEERS,
    "dispose": _ENGINEERS,
    "concede": _OWNERS,
    "set-limits": _ENGINEERS,
    "freeze-baseline": _ENGINEERS,
    "set-claims": _OWNERS,
    "manage-people": _OWNERS,
}

# every other table of the catalog sets limits; a site's time zone says which day a claim holds on
_ENTRY_ACTIONS = {"claim": "set-claims", "site": "set-claims", "baseline": "freeze-baseline"}
_DECISION_ACTIONS = {"hold": "hold", "concession": "concede"}


def action_of(record: Record) -> str:
    """The action that entering a record is; undoing one's own last record is asked elsewhere."""
    if isinstance(record, Disposition):
        return decision_action(record.decision)
    if isinstance(record, Correction):
        return "accept-suspect" if record.accept else "correct"
    return "record"


def decision_action(decision: str) -> str:
    """The action that a decision on a part or a batch is."""
    return _DECISION_ACTIONS.get(decision, "dispose")


def entry_action(entry: Entry) -> str:
    """The action that changing a catalog entry is."""
    return table_action(table_of(entry))


def table_action(table: str) -> str:
    """The action that changing an entry of a table is."""
    return _ENTRY_ACTIONS.get(table, "set-limits")
