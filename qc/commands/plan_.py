"""Say how many parts of a lot to strike or weigh, which ones, and what that proves.

By an acceptance quality limit (--lot and --aql), or by reliability and confidence. --batch takes
the lot from the database and draws the serials at random; the printed seed draws them again.
--staircase tells the next drop of an up-and-down test, where each part is struck once.
"""

import argparse
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

EXAMPLE = (
    "rimqc plan --reliability 0.9 --confidence 0.95 --batch B12\n"
    "         rimqc plan --lot 60 --aql 1.0\n"
    "         rimqc plan --staircase P40 --model D50 --step 0.25 --start 2 --striker 10.4"
)

CURVE = {"bad": "Bad parts", "bad_percent": "Bad, %", "accepted_percent": "Lots accepted, %"}
DRAWN = {"place": "Drawn", "serial": "Serial"}
RESULTS = {"at": "When", "serial": "Serial", "multiple": "× standard", "height_mm": "Height, mm",
           "striker_kg": "Striker, kg", "failed": "Failed"}  # fmt: skip
STANDARDS = ("iso-2859-1", "mil-std-105e", "iso-3951-1", "mil-std-414")


def arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("--lot", metavar="N", type=int, help="how many parts the lot holds")
    add("--batch", metavar="CODE", help="the lot is what is in the shop of this batch")
    add("--serials", metavar="SERIAL", nargs="+", help="the lot is these parts")
    add("--seed", help="draw the same serials again (default: a new seed, printed)")
    add(
        "--test",
        choices=("strike", "weigh", "inspect"),
        help="what is done to a part (default: strike for --reliability, weigh for --aql)",
    )
    add("--plot", metavar="FILE.html", type=Path, help="write the risks on both sides as a figure")
    add("--reliability", metavar="R", type=_share, help="share that must survive, such as 0.9")
    add("--confidence", metavar="C", type=_share, default=0.95, help="such as 0.95, the default")
    add("--failures", metavar="N", type=int, default=0, help="how many may fail (default: none)")
    add("--aql", metavar="PERCENT", type=_decimal, help="acceptance quality limit, such as 1.0")
    add("--level", help="inspection level (default: II, for mil-std-414 IV)")
    add("--severity", choices=("normal", "tightened", "reduced"), default="normal")
    add(
        "--standard",
        choices=STANDARDS,
        default=STANDARDS[0],
        help="the last two judge measured values, not counts",
    )
    add("--staircase", metavar="PROTOCOL", help="the next drop of an up-and-down test")
    add("--model", metavar="CODE", help="whose parts the staircase goes by")
    add("--step", type=float, help="of the staircase, in multiples of the standard impact")
    add("--start", metavar="MULTIPLE", type=float, help="the staircase's first drop")
    add("--striker", metavar="KG", type=_decimal, help="its mass (default: the last drop's)")


def run(args: argparse.Namespace) -> int:
    from qc.errors import RimqcError

    questions = [name for name in ("reliability", "aql", "staircase") if _given(args, name)]
    if len(questions) != 1:
        raise RimqcError("plan wants one of --reliability, --aql or --staircase", 2)
    try:
        return _staircase(args) if questions == ["staircase"] else _sample(args)
    except ValueError as fault:
        raise RimqcError(f"no such plan: {fault}", 2) from None


def _given(args: argparse.Namespace, name: str) -> bool:
    return getattr(args, name) is not None


def _decimal(text: str) -> Decimal:
    try:
        value = Decimal(text)
    except InvalidOperation:
        raise argparse.ArgumentTypeError(f"expected a number: {text!r}") from None
    if not 0 < value < 10**6:
        raise argparse.ArgumentTypeError(f"expected a number above 0: {text!r}")
    return value


def _share(text: str) -> float:
    """A share between 0 and 1."""
    value = float(_decimal(text))
    if value >= 1:
        raise argparse.ArgumentTypeError(f"expected a share below 1, such as 0.9: {text!r}")
    return value


def _sample(args: argparse.Namespace) -> int:
    from qc.errors import RimqcError
    from qc.views import plan as plans
    from qc.views.lot import drawn

    if sum(_given(args, name) for name in ("lot", "batch", "serials")) > 1:
        raise RimqcError("the lot is one of --lot, --batch or --serials", 2)
    serials, elsewhere = _lot(args)
    lot_size = len(serials) if serials is not None else args.lot
    if args.reliability is not None:
        found = plans.reliability_plan(
            reliability=args.reliability, confidence=args.confidence, failures=args.failures,
            lot_size=lot_size, test=args.test or "strike",
        )  # fmt: skip
    elif lot_size is None:
        raise RimqcError("--aql wants a lot: give --lot N, --batch or --serials", 2)
    else:
        level = args.level or ("IV" if args.standard == "mil-std-414" else "II")
        found = plans.aql_plan(
            lot_size=lot_size, aql=args.aql, level=level, severity=args.severity,
            standard=args.standard, test=args.test or "weigh",
        )  # fmt: skip
    if serials is not None:
        from qc.statistics.sampling.drawing import new_seed

        found |= drawn(serials, found["n"], args.seed or new_seed())
        found |= {"batch": args.batch, "not_in_lot": elsewhere}
    if args.plot:
        from qc.commands.html import write_figure
        from qc.figures.plan import figure

        write_figure(figure(found), args.plot)
    _print(found, args.format)
    return 0


def _lot(args: argparse.Namespace) -> tuple[list[str] | None, dict[str, int]]:
    if args.batch is None:
        return args.serials, {}
    from qc.ledger.ledger import Ledger
    from qc.views.lot import lot_of

    with Ledger(args.db) as ledger, ledger.reading() as connection:
        return lot_of(connection, ledger.known(connection).catalog, args.batch)


def _print(found: Mapping[str, Any], form: str) -> None:
    from qc.commands.output import print_csv, print_json, print_table

    if form == "json":
        print_json(found)
        return
    curve = [
        {"bad": point["bad"], "bad_percent": 100 * point["bad_share"],
         "accepted_percent": 100 * point["accepted"]}
        for point in found["curve"]
    ]  # fmt: skip
    serials = [
        {"place": place, "serial": serial}
        for place, serial in enumerate(found.get("serials", ()), 1)
    ]
    if form == "csv":
        print_csv(serials or curve)
        return
    print(found["sentence"])
    if serials:
        others = ", ".join(f"{count} {status}" for status, count in found["not_in_lot"].items())
        print(f"\nSeed {found['seed']}" + (f"; not in the lot: {others}" if others else "") + ".")
        print_table(serials, DRAWN, "")
    print()
    columns = CURVE if found["curve"][0]["bad"] is not None else dict(list(CURVE.items())[1:])
    print_table(curve, columns, "")


def _staircase(args: argparse.Namespace) -> int:
    from qc.commands.output import print_json, show, tell
    from qc.errors import RimqcError
    from qc.ledger.ledger import Ledger
    from qc.statistics.sampling.drawing import new_seed
    from qc.views.lot import drawn, lot_of
    from qc.views.staircase import staircase

    if args.model is None:
        raise RimqcError("--staircase wants --model: parts of one model make one staircase", 2)
    for name in ("step", "start"):
        if _given(args, name) and not getattr(args, name) > 0:
            raise RimqcError(f"--{name} must be above 0: {getattr(args, name)}", 2)
    with Ledger(args.db) as ledger, ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
        found = staircase(
            connection, catalog, protocol=args.staircase, model=args.model, batch=args.batch,
            step=args.step, start=args.start, striker_kg=args.striker,
        )  # fmt: skip
        if args.batch is not None:
            serials, _ = lot_of(connection, catalog, args.batch)
            found |= drawn(serials, 1, args.seed or new_seed())
    if args.format == "json":
        print_json(found)
        return 0
    if args.format == "table":
        print(found["sentence"])
        if args.batch is not None:
            print(f"The next part is {found['serials'][0]} (seed {found['seed']}).")
        for row in found["left_out"]:
            tell(f"Left out: {row['serial']}, {row['reason']}.")
        print()
    show(found["results"], args.format, RESULTS, "No first drop counts yet.")
    return 0
