"""Impact margins: what tests show, said exactly first, then as a curve.

Never pooled over stage, tyre, strike or striker; parts drawn as `chosen` or `reject` are kept
apart, a part struck before its test is shown and does not count.
"""

from collections import Counter
from typing import Any

import numpy as np
from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.ledger.tables import Test
from qc.statistics.margins.bearing import (
    Fitted,
    Refusal,
    any_distribution_bears,
    fitted,
    never_easier_bears,
)
from qc.statistics.margins.curve import survival_curve
from qc.statistics.margins.outcomes import Shown, shown_at
from qc.statistics.survival.censoring import Censored
from qc.views import margin_words as words
from qc.views.margin_comparisons import batch_comparisons, strike_comparisons
from qc.views.margin_groups import AT_RANDOM, Group, groups, outcomes_of
from qc.views.plain import rounded

Row = dict[str, Any]

SHARE, CONFIDENCES = 0.9, (0.9, 0.95)
_CURVE_POINTS = 10


def margins(
    connection: Connection,
    catalog: Catalog,
    *,
    protocol: str | None = None,
    model: str | None = None,
) -> list[Row]:
    """What impact tests show, one row for tests that may be pooled.

    A row is of one protocol and one model; where the protocol's versions differ in what a multiple
    means there are several. `survived`, `failed` and every `multiple` are multiples of the
    standard impact, shares are between 0 and 1.
    """
    found = groups(connection, catalog, model)
    return [
        _shown(group, catalog) | _worked_out(group, found)
        for group in found
        if protocol in (None, group.protocol)
    ]


def margin_statements(
    connection: Connection,
    catalog: Catalog,
    *,
    protocol: str | None = None,
    model: str | None = None,
) -> list[Row]:
    """The same without curves and comparisons, which take their time."""
    return [
        _shown(group, catalog)
        for group in groups(connection, catalog, model)
        if protocol in (None, group.protocol)
    ]


def kinds_tested(connection: Connection) -> list[Row]:
    """Which protocols and models there are tests of, and nothing about them."""
    query = select(Test.protocol, Test.model).where(Test.suspect.is_(False)).distinct()
    found = connection.execute(query.order_by(Test.protocol, Test.model))
    return [{"protocol": protocol, "model": model} for protocol, model in found]


def _shown(group: Group, catalog: Catalog) -> Row:
    at_random = group.at_random
    batches = {test["batch"] for test in at_random}
    return {
        "protocol": group.protocol,
        "model": group.model,
        **group.head,
        "counted": len(group.counted),
        "struck_before": len(group.tests) - len(group.counted),
        "statements": _statements(at_random, group.required),
        "scope": words.scope(len(batches), len(at_random)),
        "drawn": _drawn(group),
        "batches": _batches(group, catalog),
        "early": _early(group),
        "tests": group.tests,
    }


def _worked_out(group: Group, found: list[Group]) -> Row:
    comparisons, said = batch_comparisons(group)
    return {
        **_curves(group),
        "comparisons": comparisons,
        "comparisons_words": said,
        "strike_comparison": strike_comparisons(group, found),
    }


def _statements(tests: list[Row], required: float) -> list[Row]:
    """The exact statements, at the required multiple first, then at the standard."""
    found = outcomes_of(tests)
    return [
        _counts(shown := shown_at(found, at))
        | {"at": name, "survive_at_least": rounded(shown.lower), "confidence": shown.confidence}
        | {"words": words.statement(shown, name), "brief": words.brief(shown)}
        for name, at in (("required", required), ("standard", 1.0))
    ]


def _counts(shown: Shown) -> Row:
    return {
        "multiple": shown.multiple,
        "tests": shown.tests,
        "survived": shown.survived,
        "failed": shown.failed,
        "unfinished": shown.unfinished,
    }


def _curves(group: Group) -> Row:
    """The survival curve, the fitted one, and what 90 % survive."""
    found = group.outcomes()
    if not found.tests:
        return {"survival": [], "fit": None, "bears_90": []}
    data = found.censored()
    curve = survival_curve(data, marks=(1.0, group.required))
    fit = fitted(data)
    return {
        "survival": [
            {name: rounded(value) for name, value in point._asdict().items()} for point in curve
        ],
        "fit": _fit(fit, max(point.multiple for point in curve)),
        "bears_90": [_bears(data, fit, confidence) for confidence in CONFIDENCES],
    }


def _fit(fit: Fitted | Refusal, most: float) -> Row:
    if not isinstance(fit, Fitted):
        said = words.fit(None, fit)
        return {"family": None, "refused": fit, "words": said, "curve": []}
    core = fit.likelier.core
    return {
        "family": fit.family,
        "refused": None,
        "log_location": rounded(core.location),
        "log_sigma": rounded(core.sigma),
        "words": words.fit(fit.family, None),
        "curve": [
            {
                "multiple": rounded(at),
                "survive": rounded(fit.likelier.survival(at)),
                "lower": rounded(fit.survival_lower_bound(at, confidence=0.95)),
            }
            for at in np.linspace(most / _CURVE_POINTS, most, _CURVE_POINTS).tolist()
        ],
    }


def _bears(data: Censored, fit: Fitted | Refusal, confidence: float) -> Row:
    whatever = any_distribution_bears(data, SHARE, confidence=confidence)
    by_curve = fit.bears(SHARE, confidence=confidence) if isinstance(fit, Fitted) else None
    multiple = whatever if by_curve is None else by_curve
    row = {
        "confidence": confidence,
        "multiple": rounded(multiple),
        "basis": "fitted" if by_curve else "any-distribution" if whatever else None,
        "any_distribution": rounded(whatever),
        "never_easier": (
            rounded(never_easier_bears(data, SHARE, confidence=confidence))
            if multiple is None
            else None
        ),
    }
    why_not = words.REFUSALS[fit] if not isinstance(fit, Fitted) else ""
    return row | {"words": words.bears(SHARE, row, why_not)}


def _batches(group: Group, catalog: Catalog) -> list[Row]:
    """The statements batch by batch, in order of making."""
    tests: dict[str, list[Row]] = {}
    for test in group.counted:
        tests.setdefault(test["batch"], []).append(test)
    rows = []
    # of thousands of batches with a test each, most say the same
    said: dict[tuple[tuple[Any, ...], ...], list[Row]] = {}
    for name, own in tests.items():
        at_random = [test for test in own if test["drawn"] in AT_RANDOM]
        shown = tuple((test["survived"], test["failed"], test["damaged"]) for test in at_random)
        if shown not in said:
            said[shown] = _statements(at_random, group.required)
        entry = catalog.batch(name)
        rows.append(
            {
                "batch": name,
                "made_on": entry.made_on.isoformat() if entry else None,
                "tests": len(at_random),
                "picked": _picked(own, group.required),
                "early": sum(_kind(test, group.required) is not None for test in own),
                "statements": said[shown],
            }
        )
    return sorted(rows, key=lambda row: (row["made_on"] or "9999", row["batch"]))


def _picked(own: list[Row], required: float) -> Row | None:
    """What parts of a batch bore that were not drawn at random."""
    picked = [test for test in own if test["drawn"] not in AT_RANDOM]
    return _counts(shown_at(outcomes_of(picked), required)) if picked else None


def _drawn(group: Group) -> list[Row]:
    """How the parts were drawn, and what each kind bore at the required multiple."""
    rows = []
    for kind in ("random", "not-stated", "chosen", "reject"):
        own = [test for test in group.counted if (test["drawn"] or "not-stated") == kind]
        if own:
            shown = shown_at(outcomes_of(own), group.required)
            row = {"drawn": kind, "pooled": kind in ("random", "not-stated")} | _counts(shown)
            rows.append(row | {"words": words.drawn(kind, shown)})
    return rows


def _early(group: Group) -> list[Row]:
    """Early failures, however drawn, the earliest first, with what makes them early."""
    early = Counter(t["batch"] for t in group.counted if _kind(t, group.required))
    tests = Counter(t["batch"] for t in group.counted)
    rows = []
    for test in group.counted:
        kind = _kind(test, group.required)
        if kind is None:
            continue
        row = {name: test[name] for name in ("test", "serial", "batch", "survived", "failed")}
        row |= {"drawn": test["drawn"], "kind": kind, "batch_tests": tests[test["batch"]]}
        row |= {"batch_early": early[test["batch"]]}
        said = words.early(row, group.required)
        rows.append(
            row | {"words": f"{said} {words.siblings(row['batch_early'], row['batch_tests'])}"}
        )
    return sorted(rows, key=lambda row: (row["survived"], row["serial"]))


def _kind(test: Row, required: float) -> str | None:
    if not test["damaged"]:
        return None
    if test["failed"] is not None and test["failed"] <= 1:
        return "below-standard"
    if test["survived"] >= required:
        return None
    return "standard-not-shown" if test["survived"] < 1 else "before-required"
