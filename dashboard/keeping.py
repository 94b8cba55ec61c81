"""Rows and sentences of the screens on decisions, corrections, parts touched and gauges."""

import re
from typing import Any
from urllib.parse import quote

import streamlit as st
import tables
import words

from qc.figures.words import amount, parts, signed

DUE = {
    "overdue": "✕ overdue since",
    "this-month": "▲ due this month, on",
    "later": "✓ due on",
    "undated": "no date set",
}


def shipped_first(count: int) -> None:
    """What is out there already, before anything else is said."""
    if count:
        verb, stand = ("was", "It stands") if count == 1 else ("were", "They stand")
        st.error(
            f"**✕ {parts(count)} {verb} shipped already.** {stand} first in the list, with order "
            "and date. What is decided here brings nothing back: if it matters, tell the customer."
        )


def places(found: dict[str, Any]) -> str:
    """How many parts are where, in a sentence."""
    if not found["count"]:
        return "No part has been received."
    counts = ", ".join(f"{n} {words.STATUSES.get(p, p)}" for p, n in found["places"].items())
    return f"{parts(found['count']).capitalize()}: {counts}."


def touched_row(row: dict[str, Any], zone: str | None) -> dict[str, str]:
    """A part and where it is; what is out there says so in red."""
    place = words.STATUSES.get(row["status"], row["status"])
    if row["status"] == "shipped":
        day = words.when(row["shipped_on"], zone)[:10] if row["shipped_on"] else "date unknown"
        place = f":red[✕ **shipped**] {day}, order {words.plain(row['order'])}, to " + words.plain(
            row["to"]
        )
    return {
        "Part": tables.part_link(row["serial"]),
        "Model": words.plain(row["model"] or "–"),
        "Batch": batch_link(row["batch"]),
        "Where it is": place,
        "What keeps it": "; ".join(map(words.plain, row["reasons"])) or "–",
    }


def batch_part_row(row: dict[str, Any], zone: str | None) -> dict[str, str]:
    """The same on the screen of its batch: its link leads to the decisions on the part."""
    shown = touched_row(row, zone)
    return {
        "Part": decide_link(row["serial"]),
        "Where it is": shown["Where it is"],
        "What keeps it, beside the batch": shown["What keeps it"],
    }


def part_row(row: dict[str, Any]) -> dict[str, str]:
    """A part that waits for a decision."""
    return {
        "Part": decide_link(row["serial"]),
        "Batch": batch_link(row["batch"]),
        "Where it is": words.STATUSES.get(row["status"], row["status"]),
        "Why it waits": "; ".join(map(words.plain, row["reasons"])),
    }


def batch_row(row: dict[str, Any]) -> dict[str, str]:
    """A batch that waits for a decision."""
    return {
        "Batch": batch_link(row["batch"]),
        "Why it waits": "; ".join(map(words.plain, row["reasons"])),
    }


def decision_row(row: dict[str, Any], zone: str | None) -> dict[str, str]:
    """A decision, with its bounds, as a row of a table."""
    bounds = [
        f"grade {row['grade']}" if row.get("grade") else "",
        f"{row['quantity']} parts" if row.get("quantity") else "",
        f"until {row['until']}" if row.get("until") else "",
    ]
    return {
        "When": words.plain(words.when(row["taken_at"], zone)),
        "On": words.plain(f"batch {row['batch']}" if row.get("batch") else row["serial"]),
        "Decision": row["decision"].replace("-", " "),
        "Bounds": words.plain(", ".join(filter(None, bounds))) or "–",
        "Reason": words.plain(row["reason"]),
        "Who": words.plain(row["inspector"]),
    }


def decide_link(code: str) -> str:
    """A link to the decisions on a part, as Markdown."""
    return f"[{words.plain(code)}](/decide?on={quote(code, safe='')})"


def batch_link(batch: str | None) -> str:
    """A link to the decisions on a batch, as Markdown."""
    if batch is None:
        return "–"
    return f"[{words.plain(batch)}](/decide?on={quote(batch, safe='')}&as=batch)"


def mend_link(record_id: str, said: str) -> str:
    """A link to one record, to correct it, as Markdown."""
    return f"[{said}](/mend?of={record_id})"


def record_row(record: dict[str, Any], zone: str | None) -> dict[str, str]:
    """A record with what became of it: the original stays in view, struck through."""
    said = tables.sentence(record)
    if record.get("standing") == "void":
        said = f"~~{said}~~ Void."
    elif record.get("standing") == "corrected":
        said = f"~~{said}~~ Corrected: {tables.sentence(record['now'])}"
    if record.get("suspect"):
        said += " ✕ In doubt: the gauge was found off."
    return {
        "When": words.plain(words.when(record["taken_at"], zone)),
        "What": said,
        "Who, where": words.plain(f"{record['inspector']}, {record['station']}"),
        "Correct": mend_link(record["record_id"], "correct"),
    }


def record_name(record: dict[str, Any], zone: str | None) -> str:
    """A record in a line without mark-up, to choose it by."""
    said = re.sub(r"\\(.)", r"\1", tables.sentence(record)).replace("**", "")
    subject = record.get("serial") or record.get("batch") or record.get("gauge") or ""
    return f"{words.when(record['taken_at'], zone)} {subject}: {said}"


def gauge_row(row: dict[str, Any], zone: str | None) -> dict[str, str]:
    """A gauge with what it wants, as a row of a table."""
    doubt = row["in_doubt"]
    newest = row["newest_check"]
    said = "none yet"
    if newest:
        mark = "✓ passed" if newest["passes"] else "✕ failed"
        said = f"{words.when(newest['at'], zone)[:10]}: {mark}, {newest['found'].replace('-', ' ')}"
    return {
        "Gauge": f"[{words.plain(row['gauge'])}](/gauges?gauge={quote(row['gauge'], safe='')})",
        "Measures": row["measures"],
        "Calibration": f"{DUE[row['when']]} {row['due'] or ''}".strip(),
        "Readings in doubt": f"✕ {doubt}" if doubt else "–",
        "Newest check": said,
    }


def check_row(check: dict[str, Any], unit: str, zone: str | None) -> dict[str, str]:
    """A check as a row of a table: what it read as found apart from what it read as left."""
    error = f"{signed(check['error'], unit)} {'✓' if check['passes'] else '✕ failed'}"
    found = check["found"] == "as-found"
    return {
        "When": words.plain(words.when(check["at"], zone)),
        "Check": check["check"],
        "Reference": words.plain(check["reference"]),
        "True value": amount(check["nominal"], unit, 7),
        "Error as found": error if found else "–",
        "Error as left": "–" if found else error,
        "Error allowed": amount(check["limit"], unit),
        "Who": words.plain(check["inspector"]),
    }


def doubt_row(row: dict[str, Any], zone: str | None) -> dict[str, str]:
    """A reading that a failed check put in doubt, and where its part is."""
    place = row["place"]
    about = tables.part_link(row["serial"]) if "serial" in row else batch_link(row["batch"])
    where = touched_row(place, zone)["Where it is"] if place else "–"
    last = words.when(row["settled_at"], zone) if row["settled_at"] else ""
    return {
        "Part": about,
        "Where it is": where,
        "Reading": tables.sentence(row["record"]),
        "Taken": words.plain(words.when(row["record"]["taken_at"], zone)),
        **({"Cleared": words.plain(last)} if last else {}),
        "Record": mend_link(row["record"]["record_id"], "see or accept"),
    }
