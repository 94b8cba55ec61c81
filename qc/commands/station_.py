"""Stations that hand records in over the network: each shows a token of its own.

add NAME      prints a token, once; an earlier one of that station ends
list          shows the tokens that were given, without what is secret
revoke NAME   ends a station's token, and the naming of its tablets

A token hands in every kind of record, decisions and corrections too. A rig needs no such rights:
give it --role technician, and only what a technician may record is taken from it.
"""

import argparse

EXAMPLE = "rimqc station add WEIGH-1 --role technician"


def arguments(parser: argparse.ArgumentParser) -> None:
    from qc.commands import common

    does = parser.add_subparsers(dest="does", metavar="WHAT", required=True)
    add = does.add_parser("add", help="print a token for a station, once")
    add.add_argument("name", metavar="NAME", help="the station's code")
    add.add_argument(
        "--role", default="owner", help="whose rights it has: technician for a rig (default owner)"
    )
    does.add_parser("list", help="show the tokens that were given")
    does.add_parser("revoke", help="end a station's tokens").add_argument("name", metavar="NAME")
    for one in does.choices.values():
        common(one)


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import print_json
    from qc.ledger.ledger import Ledger, now
    from qc.people import tokens

    with Ledger(args.db) as ledger:
        if args.does == "list":
            with ledger.reading() as connection:
                _show(tokens.stations(connection), args.format)
            return 0
        with ledger.writing() as connection:
            if args.does == "revoke":
                tokens.revoke_station(connection, args.name, now())
                print(f"{args.name} can no longer send, and its tablets are no station any more.")
                return 0
            token = tokens.add_station(connection, args.name, now(), args.role)
    if args.format == "json":
        print_json({"station": args.name, "token": token})
    else:
        print(f"Token of {args.name}, shown this once: {token}")
        print("Put it into a file that only the station's program can read.")
    return 0


def _show(stations: list[dict[str, object]], form: str) -> None:
    from qc.commands.output import show
    from qc.views.plain import moment

    rows = [
        {
            "station": one["station"],
            "use": one["use"],
            "role": one["role"],
            "made_at": moment(one["made_at"]),  # type: ignore[arg-type]
            "ended": one["revoked_at"] is not None,
        }
        for one in stations
    ]
    heads = {"station": "Station", "use": "Used to", "role": "With the rights of",
             "made_at": "Made at", "ended": "Ended"}  # fmt: skip
    show(rows, form, heads, "No station has a token yet; `rimqc station add NAME` prints one.")
