"""Give the catalog out as a file, or tell how an entry of it came to be what it is.

export [FILE]         writes `catalog.toml`; taken in again, it changes nothing
history TABLE CODE…   every version of an entry: what it says, when it holds, who entered it
"""

import argparse
from pathlib import Path

EXAMPLE = (
    "rimqc catalog export catalog.toml\n         rimqc catalog export --at 2026-08-01\n"
    "         rimqc catalog history claim 45D rim"
)
# the one name under which a catalog is taken in
NAME = "catalog.toml"
COLUMNS = {"entry": "Entry", "holds": "Holds", "what": "Says", "recorded_at": "Recorded",
           "entered_by": "By"}  # fmt: skip


def arguments(parser: argparse.ArgumentParser) -> None:
    from qc.commands import common

    does = parser.add_subparsers(dest="does", metavar="WHAT", required=True)
    export = does.add_parser("export", help="write the catalog in the form that import takes")
    export.add_argument(
        "file", metavar="FILE", nargs="?", type=Path, help="a file or a folder (default: print it)"
    )
    export.add_argument(
        "--at", metavar="DATE", help="only what was in force on a day, such as 2026-08-01"
    )
    export.add_argument("--force", action="store_true", help="write over a file that is there")
    history = does.add_parser("history", help="tell every version of an entry")
    history.add_argument("table", metavar="TABLE", help="as in the file: claim, runout_limit, …")
    history.add_argument(
        "codes", metavar="CODE", nargs="*", help="what names it: a model, a stage, a code"
    )
    for one in does.choices.values():
        common(one)


def run(args: argparse.Namespace) -> int:
    return _export(args) if args.does == "export" else _history(args)


def _export(args: argparse.Namespace) -> int:
    from qc.catalog.toml_out import toml_text
    from qc.commands.files import write_file
    from qc.commands.output import print_json
    from qc.errors import RimqcError
    from qc.ledger.ledger import Ledger
    from qc.records.moments import read_day
    from qc.views.catalog import everything, in_force

    try:
        day = read_day(args.at) if args.at else None
    except ValueError:
        raise RimqcError(f"--at {args.at!r}: expected a date such as 2026-08-01", 2) from None
    with Ledger(args.db) as ledger:
        catalog = ledger.catalog()
    entries = in_force(catalog, day) if day else everything(catalog)
    heading = f"What was in force on {day}." if day else "The whole catalog, all days."
    text = toml_text(entries, f"{heading} `rimqc import` takes it in under the name {NAME}.")
    if args.file is None:
        print(text, end="")
        return 0
    file = args.file / NAME if args.file.is_dir() else args.file
    write_file(file, text.encode(), over=args.force)
    if args.format == "json":
        print_json({"file": str(file), "entries": len(entries)})
    else:
        print(f"{len(entries)} entries written to {file}")
    return 0


def _history(args: argparse.Namespace) -> int:
    from qc.commands.output import show
    from qc.ledger.ledger import Ledger
    from qc.views.catalog import history

    with Ledger(args.db) as ledger, ledger.reading() as connection:
        rows = history(connection, ledger.known(connection).catalog, args.table, args.codes)
    if args.format == "table":
        rows = [_line(row) for row in rows]
    show(rows, args.format, COLUMNS, f"No {args.table} is in the catalog.")
    return 0


def _line(row: dict[str, object]) -> dict[str, object]:
    """A version in a line."""
    from qc.views.catalog_words import held_words

    assert isinstance(row["says"], dict)
    said = "; ".join(f"{name} {value}" for name, value in row["says"].items())
    by = row["entered_by"] or "a file"
    return row | {"holds": held_words(row), "what": said, "entered_by": by}
