"""Give the data out as tables for other programs, each with a description of its fields beside it.

records   every record as it was taken in, corrections among them
parts     every part and where it stands
values    what each part comes to: one row per stage and characteristic
flags     every flag, open or closed
claims    claimed and measured mass per model and stage
drift     the mean of every batch, with its limits and signals
margins   every impact test

The description is a Table Schema (Frictionless) of the same name, ending in .schema.json. Text that
a spreadsheet would take for a formula stands behind an apostrophe in CSV, unless --as-recorded;
numbers stay numbers, and XLSX and Parquet keep all text as it is.
"""

import argparse
from pathlib import Path

EXAMPLE = "rimqc export values flags --as parquet --to data"

TABLES = ("records", "parts", "values", "flags", "claims", "drift", "margins")


def arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("what", metavar="TABLE", nargs="+", choices=TABLES, help=", ".join(TABLES))
    add("--as", dest="form", choices=("csv", "xlsx", "parquet"), default="csv",
        help="kind of file (default csv)")  # fmt: skip
    add("--to", metavar="FOLDER", type=Path, default=Path(), help="default: the current folder")
    add("--as-recorded", action="store_true", help="CSV without apostrophes, for programs only")
    add("--force", action="store_true", help="write over files that are there")


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import print_json
    from qc.ledger.ledger import Ledger
    from qc.reports.data_files import write_table
    from qc.views.export import tables

    known = tables()
    written = []
    with Ledger(args.db) as ledger, ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
        for name in dict.fromkeys(args.what):
            table = known[name]
            file = args.to / f"{name}.{args.form}"
            rows = table.rows(connection, catalog)
            count, schema = write_table(
                table, rows, file, over=args.force, guarded=not args.as_recorded
            )
            written.append({"table": name, "file": str(file), "schema": str(schema), "rows": count})
    if args.format == "table":
        for row in written:
            print(f"{row['rows']:,} rows of {row['table']} written to {row['file']}")
    else:
        print_json(written)
    return 0
