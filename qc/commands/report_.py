"""Print a paper as PDF.

part SERIAL     the record of a part that may be handed on with it; certifies nothing
batch CODE      the release sheet of a batch: what each part has and misses, who decided
claims          what is claimed and what was weighed in a period, with every number's origin
impact CODE     what the impact tests of a protocol show
gauges          what falls due, the last checks, what is in doubt
labels          labels with Code 128 and QR, for a batch or some serials
struck SERIAL…  labels for struck parts: not for use

A part that may not leave gets a record that says so; a struck one gets none.
"""

import argparse
import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from qc.catalog.catalog import Catalog
    from qc.reports.labels import Form
    from qc.reports.page import Printing

EXAMPLE = (
    "rimqc report part D50-B07-003\n"
    "         rimqc report claims --from 2026-07-01 --to 2026-09-30 --paper letter\n"
    "         rimqc report labels --batch B07 --columns 3 --rows 8 --margins 7 13 --start 5\n"
    "         rimqc report labels D50-B07-003 --roll 62 29"
)


def arguments(parser: argparse.ArgumentParser) -> None:
    from qc.commands import common

    does = parser.add_subparsers(dest="does", metavar="PAPER", required=True)
    part = does.add_parser("part", help="the record of a part")
    part.add_argument("serial", metavar="SERIAL")
    batch = does.add_parser("batch", help="the release sheet of a batch")
    batch.add_argument("batch", metavar="CODE")
    claims = does.add_parser("claims", help="the claims audit of a period")
    for name, meant, words in (
        ("from", "since", "first day of weighing (default: from the beginning)"),
        ("to", "until", "last day, and as known at its end (default: today)"),
    ):
        claims.add_argument(f"--{name}", dest=meant, metavar="DATE", type=_day, help=words)
    impact = does.add_parser("impact", help="the impact report of a protocol")
    impact.add_argument("protocol", metavar="PROTOCOL")
    impact.add_argument("--model", metavar="CODE", help="of this model only")
    does.add_parser("gauges", help="the list of gauges")
    labels = does.add_parser("labels", help="labels on sheets or a roll")
    labels.add_argument("serials", metavar="SERIAL", nargs="*")
    labels.add_argument("--batch", metavar="CODE", help="every part of this batch")
    _sheet(labels)
    struck = does.add_parser("struck", help="labels for struck parts")
    struck.add_argument("serials", metavar="SERIAL", nargs="+")
    for one in does.choices.values():
        one.add_argument(
            "--paper", choices=("a4", "letter"), default="a4", help="size of a page (default a4)"
        )
        one.add_argument("--out", metavar="FILE", type=Path, help="default: named after the paper")
        one.add_argument("--force", action="store_true", help="write over a file that is there")
        common(one)
    for one in (labels, struck):
        one.add_argument(
            "--roll", metavar=("WIDTH", "HEIGHT"), nargs=2, type=_millimetres,
            help="a roll of single labels, in mm",
        )  # fmt: skip


def _sheet(labels: argparse.ArgumentParser) -> None:
    add = labels.add_argument
    add("--columns", metavar="N", type=_count, default=3, help="labels side by side (default 3)")
    add("--rows", metavar="N", type=_count, default=8, help="labels one below another (default 8)")
    add("--margins", metavar=("SIDE", "TOP"), nargs=2, type=_millimetres, default=(7, 13),
        help="of the sheet, in mm (default 7 13)")  # fmt: skip
    add("--gaps", metavar=("ACROSS", "DOWN"), nargs=2, type=_millimetres, default=(2.5, 0),
        help="between labels, in mm (default 2.5 0)")  # fmt: skip
    add("--start", metavar="N", type=_count, default=1,
        help="the first place to print, row by row, on a sheet used in part")  # fmt: skip


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"a day as YYYY-MM-DD is needed: {text!r}") from None


def _count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 100:
        raise argparse.ArgumentTypeError(f"a whole number from 1 to 100 is needed: {text!r}")
    return int(text)


def _millimetres(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value <= 1000:
        raise argparse.ArgumentTypeError(f"millimetres from 0 to 1000 are needed: {text!r}")
    return value


def run(args: argparse.Namespace) -> int:
    from qc.commands.files import write_file
    from qc.commands.output import print_json
    from qc.ledger.ledger import Ledger
    from qc.reports.page import printing

    with Ledger(args.db) as ledger, ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
        name, content = _paper(args, connection, catalog, printing(connection, catalog, args.paper))
    file = args.out or Path(f"{name.replace('/', '-')}.pdf")
    write_file(file, content, over=args.force)
    if args.format == "table":
        print(f"Written to {file}")
    else:
        print_json({"paper": args.does, "file": str(file), "bytes": len(content)})
    return 0


def _paper(
    args: argparse.Namespace, connection: "Connection", catalog: "Catalog", printed: "Printing"
) -> tuple[str, bytes]:
    """The name of the file and its content."""
    about = (connection, catalog, printed)
    match args.does:
        case "part":
            from qc.reports.part import record

            return f"record-of-part_{args.serial}", record(*about, args.serial)
        case "batch":
            from qc.reports.batch import release

            return f"release-sheet_{args.batch}", release(*about, args.batch)
        case "claims":
            from qc.reports.claims import audit

            until = args.until or catalog.local_day(printed.at)
            period = f"{args.since}_{until}" if args.since else f"until_{until}"
            return f"claims-audit_{period}", audit(*about, args.since, until)
        case "impact":
            from qc.reports.impact import report

            name = f"impact-tests_{args.protocol}" + (f"_{args.model}" if args.model else "")
            return name, report(*about, args.protocol, args.model)
        case "gauges":
            from qc.reports.gauges import listing

            return f"gauges_{catalog.local_day(printed.at)}", listing(*about)
    return _labels(args, connection, catalog)


def _labels(
    args: argparse.Namespace, connection: "Connection", catalog: "Catalog"
) -> tuple[str, bytes]:
    from qc.errors import RimqcError
    from qc.reports.labels import STRUCK_MM, labels, not_struck, roll, serials_of, tags

    if args.does == "struck":
        found = tags(connection, args.serials)
        if sound := not_struck(found):
            raise RimqcError(f"{', '.join(sound[:5])}: not struck in any impact test on record")
        form = roll(*(args.roll or STRUCK_MM))
        return f"struck_{args.serials[0]}", labels(found, form)
    if bool(args.serials) == bool(args.batch):
        raise RimqcError("labels wants serials or --batch CODE", 2)
    serials = args.serials or serials_of(connection, catalog, args.batch)
    name = f"labels_{args.batch or args.serials[0]}"
    return name, labels(tags(connection, serials), _form(args), args.start)


def _form(args: argparse.Namespace) -> "Form":
    from qc.reports.labels import roll, sheet

    if args.roll:
        return roll(*args.roll)
    side, top = args.margins
    across, down = args.gaps
    return sheet(args.paper, args.columns, args.rows, side=side, top=top, gap_x=across, gap_y=down)
