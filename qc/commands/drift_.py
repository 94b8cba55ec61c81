"""Show where the level of a batch mean moved against its baseline, per model, stage and
characteristic."""

import argparse

EXAMPLE = "rimqc drift --characteristic bare-mass --stage rim"

COLUMNS = {
    "model": "Model", "stage": "Stage", "characteristic": "Characteristic",
    "n_batches": "Batches", "n_baseline": "Baseline", "centre": "Centre", "sigma": "Spread",
    "first_signal": "First signal", "rule": "Rule", "since": "Moved since", "shift": "By",
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


def _short(stream: dict[str, object]) -> dict[str, object]:
    """One stream in a line."""
    batches, baseline = stream["batches"], stream["baseline"]
    signals, change = stream["signals"], stream["change"]
    assert isinstance(batches, list)
    assert isinstance(baseline, list)
    assert isinstance(signals, list)
    first = signals[0] if signals else {}
    moved = change if isinstance(change, dict) else {}
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
    }
