"""Tell everything about a part: its records in order of time, its flags, where it stands.

With --where, list every part touched by a factor of its batch, or measured with a gauge in a
stretch of time, and where each is now: what has been shipped first.
"""

import argparse

EXAMPLE = (
    "rimqc trace D50-B07-003\n         rimqc trace --where resin_lot=R7\n"
    "         rimqc trace --where gauge=SC-2 --from 2026-07-15 --to 2026-07-20"
)

RECORDS = {"taken_at": "When", "kind": "Kind", "stage": "Stage", "inspector": "Who",
           "says": "What"}  # fmt: skip
PARTS = {"serial": "Serial", "model": "Model", "batch": "Batch", "status": "Status",
         "order": "Order", "to": "To", "shipped_on": "Shipped"}  # fmt: skip
_HEAD = {"kind", "stage", "inspector", "taken_at", "record_id", "serial", "station", "now"}


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("serial", nargs="?", help="the serial, exactly as it is written")
    parser.add_argument(
        "--where", metavar="FACTOR=LEVEL", help="parts by a factor of their batch, or gauge=CODE"
    )
    for name, meant in (("from", "since"), ("to", "until")):
        parser.add_argument(
            f"--{name}", dest=meant, metavar="DATE",
            help=f"with gauge=CODE: {meant} when it was used; a date or a moment, inclusive",
        )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import print_json, show
    from qc.errors import RimqcError
    from qc.ledger.ledger import Ledger
    from qc.views.touched import stretch_of, where
    from qc.views.trace import trace

    if (args.serial is None) == (args.where is None):
        raise RimqcError("trace wants a serial or --where FACTOR=LEVEL", 2)
    if args.where is None and (args.since or args.until):
        raise RimqcError("--from and --to go with --where gauge=CODE", 2)
    with Ledger(args.db) as ledger, ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
        if args.where is not None:
            factor, equals, level = args.where.partition("=")
            if not equals:
                raise RimqcError(f"--where {args.where!r}: write FACTOR=LEVEL", 2)
            stretch = stretch_of(catalog.zone, args.since, args.until)
            rows = where(connection, catalog, factor.strip(), level.strip(), stretch)
            show(rows, args.format, PARTS, f"No part has {args.where}.")
            return 0
        found = trace(connection, catalog, args.serial)
    if args.format == "json":
        print_json(found)
        return 0
    rows = [_line(record) for record in found["records"]]
    if args.format == "table":
        _print_head(found)
    show(rows, args.format, RECORDS, "No record.")
    return 0


def _line(record: dict[str, object]) -> dict[str, object]:
    """A record in a line."""
    rest = {name: value for name, value in record.items() if name not in _HEAD}
    return {n: record.get(n) for n in ("taken_at", "kind", "stage", "inspector")} | {
        "says": ", ".join(f"{name} {value}" for name, value in rest.items())
    }


def _print_head(found: dict[str, object]) -> None:
    from qc.commands.output import tell

    tell(f"{found['serial']}: model {found['model']}, batch {found['batch']}, {found['status']}")
    reasons, flags = found["reasons"], found["flags"]
    assert isinstance(reasons, list)
    assert isinstance(flags, list)
    tell("May leave." if not reasons else "May not leave: " + "; ".join(reasons) + ".")
    for flag in flags:
        tell(f"  {flag['state']}: {flag['flag']} ({flag['severity']}): {flag['message']}")
