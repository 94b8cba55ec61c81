"""People who sign in: who they are, what they may do, which gauges and rigs are kept for them.

add CODE      makes an account and prints a one-time code, with which its owner sets a password
list          shows every account
role CODE R   gives another role: technician, engineer or owner
reset CODE    prints a new one-time code, and signs the person out everywhere
revoke CODE   ends an account and signs the person out everywhere; what they entered stays
allow CODE    opens an account again that was ended
link CODE N   says what the OpenID Connect provider calls a person (nothing: it vouches no more)
gauge GAUGE   names who may use a gauge or rig (nobody named: open to all)
"""

import argparse

EXAMPLE = "rimqc person add ana --name 'Ana P' --role technician"


def arguments(parser: argparse.ArgumentParser) -> None:
    from qc.commands import common

    does = parser.add_subparsers(dest="does", metavar="WHAT", required=True)
    add = does.add_parser("add", help="make an account")
    add.add_argument("code", metavar="CODE", help="stands as inspector in what they record")
    add.add_argument("--name", required=True, help="what people call them")
    add.add_argument("--role", default="technician", help="technician, engineer or owner")
    does.add_parser("list", help="show every account")
    role = does.add_parser("role", help="give another role")
    role.add_argument("code", metavar="CODE")
    role.add_argument("role", metavar="ROLE", help="technician, engineer or owner")
    for name, words in (
        ("reset", "print a new one-time code"),
        ("revoke", "end an account"),
        ("allow", "open an ended account again"),
    ):
        does.add_parser(name, help=words).add_argument("code", metavar="CODE")
    link = does.add_parser("link", help="say what the provider calls a person")
    link.add_argument("code", metavar="CODE")
    link.add_argument("name", metavar="NAME", nargs="?", default="",
                      help="value of the claim that `rimqc serve --oidc` names")  # fmt: skip
    gauge = does.add_parser("gauge", help="name who may use a gauge or rig")
    gauge.add_argument("gauge", metavar="GAUGE")
    gauge.add_argument("codes", metavar="CODE", nargs="*", help="none: open to all")
    for one in does.choices.values():
        common(one)


def run(args: argparse.Namespace) -> int:
    from qc.ledger.ledger import Ledger, now
    from qc.people import accounts

    with Ledger(args.db) as ledger:
        if args.does == "list":
            with ledger.reading() as connection:
                _show(accounts.people(connection), args.format)
            return 0
        with ledger.writing() as connection:
            if args.does == "add":
                code = accounts.add_person(connection, args.code, args.name, args.role, now())
                _give(args, code)
            elif args.does == "reset":
                _give(args, accounts.reset(connection, args.code, now()))
            elif args.does == "role":
                accounts.set_role(connection, args.code, args.role)
                print(f"{args.code} is {args.role} from now on.")
            elif args.does == "revoke":
                accounts.revoke(connection, args.code, now())
                print(f"{args.code} can no longer sign in, and is signed out.")
            elif args.does == "allow":
                accounts.reinstate(connection, args.code)
                print(f"{args.code} can sign in again.")
            elif args.does == "link":
                accounts.link(connection, args.code, args.name, now())
                vouched = f"is {args.name} to" if args.name else "is not known any more to"
                print(f"{args.code} {vouched} the provider, and is signed out.")
            else:
                catalog = ledger.known(connection).catalog
                accounts.check_gauge(catalog, args.gauge)
                accounts.grant_gauge(connection, args.gauge, args.codes)
                print(f"{args.gauge} may be used by {', '.join(args.codes) or 'everybody'}.")
    return 0


def _give(args: argparse.Namespace, code: str) -> None:
    from qc.commands.output import print_json

    if args.format == "json":
        print_json({"person": args.code, "code": code})
        return
    print(
        f"One-time code for {args.code}: {code}\n"
        "With it a password is set at /sign-in/code of the server, once, within three days."
    )


def _show(people: list[dict[str, object]], form: str) -> None:
    from qc.commands.output import show
    from qc.people.accounts import means

    rows = [
        {
            "person": one["code"],
            "name": one["name"],
            "role": one["role"],
            "signs_in_with": means(one),
            "ended": one["revoked_at"] is not None,
        }
        for one in people
    ]
    heads = {"person": "Person", "name": "Name", "role": "Role", "signs_in_with": "Signs in with",
             "ended": "Ended"}  # fmt: skip
    show(rows, form, heads, "Nobody has an account yet; `rimqc serve` prints the owner's code.")
