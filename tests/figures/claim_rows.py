"""Rows that the claim figure draws: parts, their batches, and the answer about their claim."""

from collections.abc import Iterable
from typing import Any

Row = dict[str, Any]


def rim(number: int, bare_g: float, **other: Any) -> Row:
    """A rim in the order of making, ten a batch."""
    row = {
        "serial": f"K-{number}", "batch": f"B{number // 10:04}", "made_on": "2026-03-01",
        "bare_g": bare_g, "u_g": 0.1, "taken_at": "2026-03-02T08:00:00Z", "verdict": "conforms",
        "beyond": "", "suspect": False, "claimed_g": 430, "over_g": 10, "under_g": 10,
    }  # fmt: skip
    return row | other


def batches_of(rows: Iterable[Row]) -> list[Row]:
    """The batches of these rims."""
    found: dict[str, list[Row]] = {}
    for row in rows:
        if not row["suspect"]:
            found.setdefault(row["batch"], []).append(row)
    return [
        {
            "batch": batch, "made_on": "2026-03-01", "n": len(members),
            "mean_g": sum(m["bare_g"] for m in members) / len(members),
            "least_g": min(m["bare_g"] for m in members),
            "most_g": max(m["bare_g"] for m in members),
            "over": sum(m["beyond"] == "over" for m in members),
            "under": sum(m["beyond"] == "under" for m in members),
            "claimed_g": members[-1]["claimed_g"], "over_g": members[-1]["over_g"],
            "under_g": members[-1]["under_g"],
        }
        for batch, members in found.items()
    ]  # fmt: skip


def answer(**other: Any) -> Row:
    """What `claims` says of these rims, as far as the figure needs it."""
    row = {"model": "K40", "stage": "rim", "claimed_g": 430, "supported_claim_g": None,
           "supported_from": None}  # fmt: skip
    return row | other
