"""Show where the level of a batch mean moved against its baseline, per model, stage and
characteristic."""

import argparse
from typing import Any

EXAMPLE = "rimqc drift --characteristic bare-mass --stage rim"

COLUMNS = {
    "model": "Model", "stage": "Stage", "characteristic": "Characteristic",
    "n_batches": "Batches", "n_baseline": "Baseline", "centre": "Centre", "sigma": "Spread",
    "first_signal": "First signal", "rule": "Rule", "since": "Moved since", "shift": "By",
    "with": "Changed with it", "source": "Rims or gauge",
}  # fmt: skip


def arguments(parser: argparse.ArgumentParser) -> None:
    for name in ("model", "stage", "characteristic"):
        parser.add_argument(f"--{name}", help=f"only this {name}")


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import show
    from qc.ledger.ledger import Ledger
    from qc.views.drift import drift

    only = {name: getattr(args, name) for name in ("model", "stage", "characteristic")}
    with Ledger(args.db) as ledger, ledger.reading() as connection:
        found = drift(connection, ledger.known(connection).catalog, **only)
    rows = found if args.format == "json" else [_short(stream) for stream in found]
    show(rows, args.format, COLUMNS, "There are no batches to compare yet.")
    return 0


def best_group(stream: dict[str, Any]) -> list[dict[str, Any]]:
    """The factors that changed with the move most plausibly; none that chance gives as well."""
    from qc.views.drift_words import NAMED_UP_TO

    best = [row for row in stream["factors"] if row["group"] == 1]
    return best if min((row["p"] for row in best), default=1.0) <= NAMED_UP_TO else []


def _short(stream: dict[str, Any]) -> dict[str, Any]:
    """One stream in a line."""
    batches, baseline = stream["batches"], stream["baseline"]
    first = stream["signals"][0] if stream["signals"] else {}
    moved = stream["change"] or {}
    head = {name: stream.get(name) for name in ("model", "stage", "characteristic", "protocol")}
    return head | {
        "n_batches": len(batches),
        "n_baseline": len(baseline),
        "centre": stream["centre"],
        "sigma": stream["sigma"],
        "first_signal": first.get("batch"),
        "rule": first.get("rule"),
        "since": moved.get("first_batch"),
        "shift": moved.get("shift"),
        "with": [f"{row['factor']} {row['level']}" for row in best_group(stream)],
        "source": stream["source"] and stream["source"]["answer"],
    }
