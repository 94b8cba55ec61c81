"""Say how good a gauge is, from a CSV of repeated readings: part, inspector, repeat, value.

Every inspector reads every part equally often, at least twice. Nothing is written, unless an
engineer says so: --gauge shows the catalog entry with the uncertainty found, and --accept with
--by and --reason records it.
"""

import argparse
from decimal import Decimal
from pathlib import Path
from typing import Any

EXAMPLE = (
    "rimqc study scale.csv --limit 440:460 --unit g --plot scale.html\n"
    "         rimqc study scale.csv --characteristic bare-mass --model D50 --gauge SC-1\n"
    '         rimqc study scale.csv --gauge SC-1 --accept --by ann --reason "new table"'
)

COMPONENTS = {"is": "Standard deviation", "sd": "Value", "sd_lower": "95 % from", "sd_upper": "to",
              "share_of_variance_percent": "Of variance, %", "share_of_spread_percent":
              "Of spread, %", "share_of_tolerance_percent": "Of tolerance, %"}  # fmt: skip


_RECORDED = (
    "Recorded; it holds from today. Put it into your catalog.toml as well, or the next import of "
    "the old entry sets the old value back."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("file", metavar="FILE", type=Path, help="the readings as CSV")
    add(
        "--limit",
        metavar="LOWER:UPPER",
        help="what parts are judged by: 440:460, :0.4, --limit=-0.1:0.1",
    )
    add("--characteristic", metavar="CODE", help="its limit of the catalog instead, with --model")
    add("--model", metavar="CODE", help="whose limit")
    add("--stage", default="rim", help="of which stage (default: rim)")
    add("--unit", help="of the readings, for the answer")
    add("--plot", metavar="FILE.html", type=Path, help="write the readings as a figure")
    add("--gauge", metavar="CODE", help="show its catalog entry with the uncertainty found")
    add("--calibration", metavar="U", default="0",
        help="standard uncertainty of its calibration, which no study sees")  # fmt: skip
    add("--accept", action="store_true", help="record that entry")
    add("--by", metavar="CODE", help="who decides, with --accept")
    add("--reason", metavar="TEXT", help="why, with --accept")


def run(args: argparse.Namespace) -> int:
    from qc.views.study import study
    from qc.views.study_file import read_study
    from qc.views.study_words import answers

    _check(args)
    readings = read_study(args.file)
    needs_catalog = args.gauge is not None or args.characteristic is not None
    catalog = _catalog(args.db) if needs_catalog else None
    unit, tolerance = args.unit or "", _tolerance(args, catalog)
    if catalog is not None:
        from qc.catalog.units import unit as unit_of
        from qc.views.study_gauge import gauge_of

        of_gauge = gauge_of(catalog, args.gauge).unit if args.gauge else ""
        unit = unit or of_gauge or unit_of(catalog, args.characteristic)
    found = study(readings, tolerance, unit)
    found["answers"] = answers(found)
    if args.plot:
        from qc.commands.html import write_figure
        from qc.figures.study import figure

        write_figure(figure(found), args.plot)
    if args.gauge:
        found |= _entry(args, found)
    _print(args, found)
    return 0


def _check(args: argparse.Namespace) -> None:
    from qc.errors import RimqcError

    if args.limit is not None and args.characteristic is not None:
        raise RimqcError("give --limit or --characteristic, not both", 2)
    if args.characteristic is not None and args.model is None:
        raise RimqcError("--characteristic wants --model, whose limit counts", 2)
    if args.accept and not (args.gauge and args.by and args.reason):
        raise RimqcError("--accept wants --gauge CODE, --by CODE and --reason TEXT", 2)
    if not args.accept and (args.by or args.reason):
        raise RimqcError("--by and --reason go with --accept; without it nothing is recorded", 2)
    if _number(args.calibration, "--calibration") < 0:
        raise RimqcError(f"--calibration {args.calibration}: must be 0 or more", 2)


def _number(text: str, name: str) -> Decimal:
    from qc.errors import RimqcError
    from qc.records.rules import read_number

    try:
        return read_number(text.strip())
    except (ValueError, ArithmeticError):
        raise RimqcError(f"{name} {text!r}: expected a number", 2) from None


def _catalog(db: str) -> Any:
    from qc.ledger.ledger import Ledger

    with Ledger(db) as ledger:
        return ledger.catalog()


def _tolerance(args: argparse.Namespace, catalog: Any) -> Any:
    from qc.errors import RimqcError
    from qc.ledger.ledger import now
    from qc.views.study import Tolerance, tolerance_of

    if args.characteristic is not None:
        day = catalog.local_day(now())
        return tolerance_of(catalog, args.characteristic, args.model, args.stage, day)
    if args.limit is None:
        return None
    lower, _, upper = args.limit.rpartition(":")
    bounds = [float(_number(text, "--limit")) if text.strip() else None for text in (lower, upper)]
    if bounds == [None, None]:
        raise RimqcError(f"--limit {args.limit!r}: write LOWER:UPPER, :UPPER or LOWER:", 2)
    return Tolerance(bounds[0], bounds[1], "the limit given")


def _entry(args: argparse.Namespace, found: dict[str, Any]) -> dict[str, Any]:
    """The gauge's entry as it would be, recorded where that was asked for."""
    from qc.ledger.ledger import ACCEPTED, Ledger
    from qc.views.study_gauge import as_toml, check_person, entry_from, gauge_of

    with Ledger(args.db) as ledger, ledger.writing() if args.accept else ledger.reading() as held:
        catalog = ledger.known(held).catalog
        if args.accept:
            check_person(catalog, args.by)
        before = gauge_of(catalog, args.gauge)
        entry = entry_from(
            before, found, args.file, by=args.by or "", reason=args.reason or "",
            calibration_u=_number(args.calibration, "--calibration"),
        )  # fmt: skip
        recorded = args.accept and ledger.accept_catalog(held, [entry])[0].outcome == ACCEPTED
    return {
        "gauge": args.gauge,
        "u_before": float(before.u),
        "u": float(entry.u),
        "entry": as_toml(entry),
        "recorded": recorded,
    }


def _print(args: argparse.Namespace, found: dict[str, Any]) -> None:
    from qc.commands.output import print_csv, print_json, print_table

    if args.format == "json":
        print_json({name: value for name, value in found.items() if name != "readings"})
        return
    if args.format == "csv":
        print_csv(found["components"])
        return
    for sentence in found["answers"]:
        print(sentence)
    print()
    print_table(found["components"], _columns(found), "")
    if args.gauge:
        print(
            f"\nu of {args.gauge} is {found['u_before']:g}; the study would make it {found['u']:g}:"
        )
        print(f"\n{found['entry']}\n")
        if not args.accept:
            print("Nothing was recorded. An engineer records it with --accept --by --reason.")
        else:
            print(_RECORDED if found["recorded"] else "The catalog says so already.")


def _columns(found: dict[str, Any]) -> dict[str, str]:
    columns = dict(COMPONENTS)
    if found["unit"]:
        columns["sd"] += f", {found['unit']}"
    if found["gauge_share_of_tolerance_percent"] is None:
        del columns["share_of_tolerance_percent"]
    return columns
