"""What impact tests of a batch show of its parts, in words that promise no more than they carry."""

from collections.abc import Mapping
from typing import Any

from qc.catalog.entries import Protocol
from qc.figures.words import amount, stage_name
from qc.judgement.impact import STRUCK_BEFORE
from qc.judgement.part import Judged
from qc.reports.as_of import AsOf
from qc.statistics.margins.outcomes import shown_at
from qc.views import margin_words as words
from qc.views.margin_groups import AT_RANDOM, meaning, outcomes_of
from qc.views.plain import number

NOTHING = "No part of this batch has been struck: nothing is shown of what its parts bear."


def evidence(then: AsOf, struck: Mapping[str, Judged]) -> list[tuple[str, ...]]:
    """Rows of what they are about and a sentence; one of its own where no test counts."""
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    entries: dict[tuple[Any, ...], Protocol] = {}
    for part in struck.values():
        for test in part.tests:
            if test.suspect or STRUCK_BEFORE in test.marks:
                continue
            entry = then.catalog.protocol(test.protocol, then.catalog.local_day(test.at))
            assert entry is not None  # or it would not have been judged
            key = (test.protocol, meaning(entry))
            entries[key] = entry
            groups.setdefault(key, []).append(
                {"survived": number(test.survived), "failed": number(test.failed)}
                | {"damaged": test.damaged, "drawn": test.drawn}
            )
    rows = [row for key in sorted(groups, key=str) for row in _protocol(entries[key], groups[key])]
    return rows or [("Impact", NOTHING)]


def _protocol(entry: Protocol, tests: list[dict[str, Any]]) -> list[tuple[str, ...]]:
    required = float(entry.required_multiple)
    at_random = [test for test in tests if test["drawn"] in AT_RANDOM]
    shown = outcomes_of(at_random)
    how = "hits of the standard energy" if entry.method == "repeat" else "rungs of rising energy"
    many = f"{len(tests)} part{'' if len(tests) == 1 else 's'} of this batch struck as"
    energy = amount(number(entry.standard_energy_j), "J")
    rows: list[tuple[str, ...]] = [
        (f"{entry.code}, what was struck",
         f"{many} {stage_name(entry.stage)}, {how}, one standard impact being {energy}."),
        (f"{entry.code}, required", words.statement(shown_at(shown, required), "required")),
        (f"{entry.code}, standard", words.statement(shown_at(shown, 1.0), "standard")),
    ]  # fmt: skip
    for kind in ("chosen", "reject"):
        own = [test for test in tests if test["drawn"] == kind]
        if own:
            said = words.drawn(kind, shown_at(outcomes_of(own), required))
            rows.append((f"{entry.code}, {kind}", said))
    return rows
