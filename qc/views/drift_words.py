"""What is known of a move of the level, in sentences for whoever has to act on it."""

from collections.abc import Iterator, Mapping
from itertools import groupby
from typing import Any

Row = Mapping[str, Any]

# factors with a larger p are not named: as good ones turn up where nothing is behind it
NAMED_UP_TO = 0.1


def sentences(stream: Row) -> list[str]:
    """From one row of `drift`; none for a quiet stream."""
    if not stream["events"]:
        return []
    return [*_moves(stream), *_changed_with(stream), *_within(stream), *_rims_or_gauge(stream)]


def _moves(stream: Row) -> Iterator[str]:
    for event in stream["events"]:
        way = "rose" if event["shift"] > 0 else "fell"
        lower, upper = sorted((abs(event["lower"]), abs(event["upper"])))
        size = f"{_size(event['shift'], stream)} ({lower:.3g} to {upper:.3g})"
        if event["rule"] == "beyond-limits":
            yield f"Batch {event['first_batch']} by itself lies {size} off the level before it."
        else:
            yield (
                f"The level {way} by {size} with batch {event['first_batch']}; "
                f"batch {event['known_from']} showed it."
            )
    among = stream["p_among_all"]
    if among > 0.05:
        yield (
            f"Among {stream['streams']} levels watched at once a move as plain as this is no "
            f"wonder (adjusted p {among:.2g}): look, but do not stop the shop for it."
        )


def _changed_with(stream: Row) -> Iterator[str]:
    groups = [list(rows) for _, rows in groupby(stream["factors"], lambda row: row["group"])]
    good = [group for group in groups if min(row["p"] for row in group) <= NAMED_UP_TO]
    if not good:
        if groups:
            yield "No factor of the batches stands out as the cause."
        return
    first = good[0]
    named = " and ".join(_factor(row) for row in first)
    together = " changed together; the readings cannot say which" if len(first) > 1 else ""
    yield f"What changed with it: {named}{together} (p {min(row['p'] for row in first):.2g})."
    if any(row["follows_time"] for row in first):
        yield (
            "It follows time: anything else that changed at that moment would look the same, "
            "so ask the shop what did."
        )
    if len(good) > 1:
        others = ", ".join(dict.fromkeys(_name(row) for g in good[1:] for row in g))
        yield f"Less likely, but not ruled out: {others}."


def _factor(row: Row) -> str:
    if row["form"] == "number":
        return f"{_name(row)} over {row['level']}"
    since = f" since {row['first_batch']}" if row["form"] == "level-since" else ""
    return f"{_name(row)} {row['level']}{since}"


def _name(row: Row) -> str:
    """A factor as a person says it: `resin lot`."""
    return str(row["factor"]).replace("_", " ")


def _within(stream: Row) -> Iterator[str]:
    for row in stream["within"]:
        if row["p"] <= 0.05:
            yield (
                f"Within batches {_name(row)} {row['level']} reads "
                f"{row['effect']:+.3g} {stream['unit']} against the others "
                f"({row['lower']:+.3g} to {row['upper']:+.3g}).".replace("  ", " ")
            )


def _rims_or_gauge(stream: Row) -> Iterator[str]:
    source = stream["source"]
    if source is None:
        return
    gauge = source["gauge"]["gauge"] if source["gauge"] else None
    since = source["gauge"]["since"][:10] if source["gauge"] else None
    why = sorted({_EVIDENCE[one["kind"]] for one in source["evidence"] if one["says"] == "rims"})
    against = sorted(
        {_EVIDENCE[one["kind"]] for one in source["evidence"] if one["says"] == "gauge"}
    )
    match source["answer"]:
        case "rims":
            yield "The rims moved, not the gauge" + (f": so say {_and(why)}." if why else ".")
        case "gauge":
            told = f": so say {_and(against)}" if against else ""
            yield f"Gauge {gauge} moved about {since}, not the rims{told}. Check the gauge first."
        case "both":
            yield f"The rims moved, and gauge {gauge} moved too, about {since}."
        case _:
            yield (
                "Whether the rims or the gauge moved cannot be told: check the gauge, or measure "
                "a few parts of an earlier batch again."
            )


_EVIDENCE = {
    "other-gauge": "the readings of other gauges",
    "made-before": "earlier batches measured later",
    "other-models": "other models on the same gauge",
    "check": "the gauge's checks",
    "repeat": "parts measured again",
}


def _and(words: list[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def _size(shift: float, stream: Row) -> str:
    return f"{abs(shift):.3g} {stream['unit']}".strip()
