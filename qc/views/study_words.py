"""The answer to a gauge study in sentences, the most important first."""

from typing import Any

from qc.statistics.gauges.crossed import Component
from qc.views.study import BAD, GOOD, GROUPS, NAMES, SHOWN_SIGNIFICANT

_VERDICTS = {
    "good-enough": "The gauge is good enough",
    "depends": "The gauge may do, depending on what hangs on the verdict,",
    "not-good-enough": "The gauge is not good enough",
}
_PLAIN: dict[Component, str] = {
    "operator": "inspectors differ less than the repeats scatter",
    "interaction": "inspectors differ by the part less than the repeats scatter",
    "part": "parts differ less than the gauge scatters",
}


def answers(found: dict[str, Any]) -> list[str]:
    """Sentences from an answer of `qc.views.study`."""
    said = [_verdict(found), _share(found), _groups(found), _inspectors(found)]
    said += [_negative(name, value, found) for name, value in found["negative"].items()]
    if wide := found["wide_cells"]:
        named = ", ".join(f"part {cell['part']} by {cell['inspector']}" for cell in wide[:5])
        more = f" and {len(wide) - 5} more" if len(wide) > 5 else ""
        limit = _number(found["by_ranges"]["range_limit"], found["unit"])
        said.append(
            f"Look again at {named}{more}: the repeats lie further apart than {limit}, which "
            "chance hardly explains."
        )
    ranges = found["by_ranges"]
    said.append(
        f"By ranges instead of variances: gauge {_number(ranges['gauge_sd'], found['unit'])}, "
        f"{_percent(ranges['gauge_share_of_spread_percent'])} of the spread."
    )
    return said


def _verdict(found: dict[str, Any]) -> str:
    head = _VERDICTS[found["verdict"]]
    bands = f"(good below {GOOD:.0f} %, not enough above {BAD:.0f} %)"
    taken, tolerance, unit = (
        found["gauge_share_of_tolerance_percent"], found["tolerance"], found["unit"],
    )  # fmt: skip
    if taken is None:
        return (
            f"{head} to tell these parts apart: it makes "
            f"{_percent(found['gauge_share_of_spread_percent'])} of their spread {bands}. No limit "
            "was given, so nothing is said about judging by one."
        )
    both = None not in (tolerance["lower"], tolerance["upper"])
    how = "" if both else f", {tolerance['of']}"
    gauge = next(row for row in found["components"] if row["component"] == "gauge")
    low, high = (600 * gauge[name] / tolerance["width"] for name in ("sd_lower", "sd_upper"))
    return (
        f"{head} for {tolerance['source']} ({_limits(tolerance, unit)}): six of its standard "
        f"deviations take up {_percent(taken)} (95 %: {_percent(low)} to {_percent(high)}) of the "
        f"tolerance of {_number(tolerance['width'], unit)}{how} {bands}."
    )


def _limits(tolerance: dict[str, Any], unit: str) -> str:
    lower, upper = tolerance["lower"], tolerance["upper"]
    if lower is None:
        return f"at most {_number(upper, unit)}"
    if upper is None:
        return f"at least {_number(lower, unit)}"
    return f"{lower:g} to {_number(upper, unit)}"


def _share(found: dict[str, Any]) -> str:
    low, high = found["gauge_share_of_spread_limits"]
    gauge = next(row for row in found["components"] if row["component"] == "gauge")
    total = next(row for row in found["components"] if row["component"] == "total")
    limits = f" (95 %: {_percent(low)} to {_percent(high)})" if None not in (low, high) else ""
    return (
        f"Of the spread of {_number(total['sd'], found['unit'])} the gauge makes "
        f"{_number(gauge['sd'], found['unit'])}, which is "
        f"{_percent(found['gauge_share_of_spread_percent'])}{limits}, or "
        f"{_percent(found['gauge_share_of_variance_percent'])} of the variance."
    )


def _groups(found: dict[str, Any]) -> str:
    groups = found["groups"]
    if groups is None:
        return "All repeats agree: the readout is too coarse to show the gauge's own spread."
    low, high = found["groups_limits"]
    top = "any number" if high is None else f"{max(int(high), 1)}"
    enough = "" if groups >= GROUPS else f"; to follow a process it should be {GROUPS} or more"
    return (
        f"It tells {groups:.0f} group{'' if groups == 1 else 's'} of parts apart "
        f"(95 %: {max(int(low or 0), 1)} to {top}){enough}."
    )


def _inspectors(found: dict[str, Any]) -> str:
    means, unit, p = found["inspector_means"], found["unit"], found["inspectors_p"]
    highest, lowest = max(means, key=means.get), min(means, key=means.get)
    apart = _number(means[highest] - means[lowest], unit)
    by_part = found["interaction_p"]
    if not found["interaction_pooled"] and by_part is not None and by_part < SHOWN_SIGNIFICANT:
        more = f" They differ by the part, too ({_chance(by_part)})."
    elif found["interaction_pooled"]:
        more = f" Nothing shows that they differ by the part ({_chance(by_part)})."
    else:
        more = f" That they differ by the part is not ruled out ({_chance(by_part)})."
    if p is not None and p < SHOWN_SIGNIFICANT:
        return (
            f"Inspectors differ: {highest} reads {apart} more than {lowest} ({_chance(p)}).{more}"
        )
    return f"No difference between inspectors is shown; the most is {apart} ({_chance(p)}).{more}"


def _negative(name: Component, value: float, found: dict[str, Any]) -> str:
    squared = f" {found['unit']}²" if found["unit"] else ""
    pooled = name == "interaction" and found["interaction_pooled"]
    then = "It is counted with the repeats" if pooled else "It counts as 0"
    return (
        f"The variance “{NAMES[name]}” came out negative, {value:.3g}{squared}: {_PLAIN[name]}. "
        f"{then} and lowers no total."
    )


def _chance(p: float | None) -> str:
    if p is None:
        return "no p"
    return "p < 0.001" if p < 0.001 else f"p = {p:.3f}" if p < 0.1 else f"p = {p:.2f}"


def _percent(value: float | None) -> str:
    return "an unknown share" if value is None else f"{value:.3g} %"


def _number(value: float, unit: str) -> str:
    return f"{value:.4g} {unit}".rstrip()
