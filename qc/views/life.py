"""One part's life in order of time: what happened to it, and which flags stood meanwhile."""

import datetime as dt
from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

Row = dict[str, Any]

# which line an event stands on, from a part's beginning to its end
LANES = ("came in", "measured", "looked at", "built", "struck", "decided", "left or back")
_LANE = {
    "receipt": "came in",
    "weighing": "measured",
    "runout": "measured",
    "measurement": "measured",
    "balance": "measured",
    "inspection": "looked at",
    "finding": "looked at",
    "build": "built",
    "drop": "struck",
    "disposition": "decided",
    "shipment": "left or back",
    "customer-return": "left or back",
}


def life(part: Row, zone: str | None = None) -> Row:
    """From an answer of `trace`: its `events` and `flags`, by the clock of the site's `zone`.

    An event has a `lane` of LANES, `at`, the words `what`, and the `kind` of its record; drops of
    one test are one event, from `at` to `until`. Records stand as corrected, void ones are left
    out. A flag has `name`, `severity`, `message`, `raised_at`, `closed_at` (None: open), and what
    closed it.
    """
    clock = ZoneInfo(zone or "UTC")
    of_batch = [row for row in part["dispositions"] if "batch" in row]
    events = [*_events(part), *map(_event, of_batch)]
    flags = [
        {
            "name": flag["flag"].replace("-", " "),
            "severity": flag["severity"],
            "message": flag["message"],
            "raised_at": _local(flag["raised_at"], clock),
            "closed_at": _local(flag.get("closed_at"), clock),
            "closed_by": flag.get("closed_by"),
        }
        for flag in part["flags"]
    ]
    return {
        "serial": part["serial"],
        "status": part["status"],
        "zone": zone or "UTC",
        "events": sorted(
            (e | {name: _local(e[name], clock) for name in ("at", "until")} for e in events),
            key=lambda event: str(event["at"]),
        ),
        "flags": sorted(flags, key=lambda flag: str(flag["raised_at"])),
    }


def _local(moment: str | None, clock: ZoneInfo) -> str | None:
    """A moment by the clock on the wall, without its offset, to the second."""
    if moment is None:
        return None
    at = dt.datetime.fromisoformat(moment).astimezone(clock)
    return at.replace(tzinfo=None).isoformat(timespec="seconds")


def _events(part: Row) -> Iterator[Row]:
    tests: dict[str, Row] = {}
    for record in part["records"]:
        held = record.get("now", record)
        if record.get("standing") == "void" or held["kind"] not in _LANE:
            continue
        event = _event(held)
        if held["kind"] != "drop":
            yield event
            continue
        test = tests.setdefault(held["test"], event | {"drops": 0})
        test["drops"] += 1
        test["until"] = max(event["at"], test["until"] or event["at"])
    for name, test in tests.items():
        count = test.pop("drops")
        yield test | {"what": f"test {name}: {count} drop{'' if count == 1 else 's'}"}


def _event(record: Row) -> Row:
    return {
        "lane": _LANE[record["kind"]],
        "at": record["taken_at"],
        "until": None,
        "what": _what(record),
        "kind": record.get("decision") or record["kind"],
    }


def _what(r: Row) -> str:
    match r["kind"]:
        case "receipt":
            return f"received: model {r['model']}, batch {r['batch']}"
        case "weighing":
            return f"weighed as {r['stage']}: {r['gross_g']} g gross"
        case "runout":
            return f"run-out measured as {r['stage']}, {r['direction']}"
        case "measurement":
            return f"{r['characteristic']} measured: {r['value']}"
        case "balance":
            return f"balance {r['state']}: {r['residual_g']} g at {r['radius_mm']} mm"
        case "inspection":
            return f"looked at ({r['method']}): {r['result']}"
        case "finding":
            return f"{r['defect']} of {r['size_mm']} mm, {r['zone']} at {r['angle_deg']}°"
        case "build":
            return f"built as {r['stage']} with {r['hub']}"
        case "drop":
            return f"test {r['test']}"
        case "disposition":
            on = f"batch {r['batch']}: " if "batch" in r else ""
            return f"{on}{r['decision']}, {r['reason']}"
        case "shipment":
            return f"shipped, order {r['order']}"
    return f"returned by the customer: {r['reason']}"
