"""`rimqc`: one module per command, each with `arguments` (its options) and `run` (its work).

Nothing heavy is imported here or at the top of a command's module, so that `--help` is quick.
"""

import argparse
import gc
import os
import sys
from collections.abc import Sequence
from importlib import import_module

from qc.errors import RimqcError

COMMANDS = {
    "demo": "show the program on invented logs",
    "import": "take in logs and the catalog",
    "flags": "list what needs attention",
    "claims": "compare claimed with measured mass",
    "margins": "show what parts bore in impact tests",
    "drift": "show where the level of a batch mean moved",
    "plan": "say how many parts to test, which ones, and what that proves",
    "study": "say how good a gauge is, from repeated readings of the same parts",
    "trace": "tell everything about a part, or find parts by a factor",
    "catalog": "give the catalog out as a file, or tell the history of an entry",
    "report": "print records of parts, release sheets, audits, lists and labels as PDF",
    "export": "give the data out as CSV, XLSX or Parquet, with a description of its fields",
    "verify": "prove that no record was changed since it was taken in",
    "backup": "write the records, their seals and the accounts to one file",
    "restore": "fill an empty database from a backup",
    "rebuild": "derive all answers from the journal anew",
    "listen": "read a scale or an indicator on a serial port",
    "watch": "take in logs as rigs drop them into a folder",
    "send": "send logs or records to the server of the shop",
    "serve": "serve the screens and the stations of the shop",
    "person": "say who signs in, and what they may do",
    "station": "give a station the token with which it sends",
    "upgrade": "bring a database up to this program's schema",
}
DEFAULT_DB = "sqlite:///rimqc.sqlite"

CAUTION = (
    "rimqc records and compares; it certifies nothing. Hidden damage in carbon parts can be "
    "invisible, and a struck part never ships."
)


def build_parser(words: Sequence[str] | None = None) -> argparse.ArgumentParser:
    """The whole command line; where its words are known, with the options of what they name only:
    reading every command's module would take longer than most of them do."""
    parser = argparse.ArgumentParser(
        prog="rimqc",
        formatter_class=_Lines,
        description="Quality records and judgement for makers of carbon rims and wheels.",
        epilog=CAUTION + " `rimqc COMMAND --help` shows an example of each.",
    )
    common(parser, os.environ.get("RIMQC_DB", DEFAULT_DB), "table")
    commands = parser.add_subparsers(  # a function serves as well as a class
        dest="command",
        metavar="COMMAND",
        required=True,
        parser_class=_parser_of,  # type: ignore[call-overload]
    )
    for name, summary in COMMANDS.items():
        if words is not None and name not in words:
            commands.add_parser(name, help=summary)
            continue
        module = import_module(f"qc.commands.{name}_")
        sub = commands.add_parser(
            name,
            help=summary,
            description=module.__doc__,
            epilog=f"Example: {module.EXAMPLE}",
            formatter_class=_AsWritten,
        )
        # given before or after the command's name; what comes after wins
        common(sub)
        module.arguments(sub)
        sub.set_defaults(run=module.run)
    return parser


def _parser_of(**how: object) -> argparse.ArgumentParser | None:
    """The parser of a command; none for one that is only listed, which takes a third of a help."""
    return argparse.ArgumentParser(**how) if "description" in how else None  # type: ignore[arg-type]


class _Lines(argparse.HelpFormatter):
    """Lines as wide as the terminal; to ask through `shutil` loads every kind of archive."""

    def __init__(self, prog: str) -> None:
        try:
            columns = int(os.environ.get("COLUMNS", "")) or os.get_terminal_size().columns
        except (ValueError, OSError):
            columns = 80
        super().__init__(prog, width=max(columns, 40) - 2)


class _AsWritten(_Lines, argparse.RawDescriptionHelpFormatter):
    """The same, descriptions as they stand."""


def common(
    parser: argparse.ArgumentParser,
    db: str = argparse.SUPPRESS,
    form: str = argparse.SUPPRESS,
) -> None:
    """The options of every command; without defaults where they may stand later in the line."""
    parser.add_argument(
        "--db", metavar="URL", default=db,
        help="the database (default: RIMQC_DB, else sqlite:///rimqc.sqlite)",
    )  # fmt: skip
    parser.add_argument(
        "--format", choices=("table", "json", "csv"), default=form, help="how to print the answer"
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; the exit code is 0 done, 1 refused or not so, 2 wrong usage, 3 our fault."""
    # our matrices are small: threads of a numerical library would only wait for each other
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # many small records come and go, and hardly a cycle: looking for those took a fifth of the time
    gc.set_threshold(20_000, 10, 3)
    words = sys.argv[1:] if argv is None else argv
    arguments = build_parser(words).parse_args(words)
    _warn_of_password(arguments.db, words)
    try:
        code: int = arguments.run(arguments)
        sys.stdout.flush()
        return code
    except RimqcError as error:
        from qc.commands.output import visible

        print(visible(f"rimqc: {error}"), file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("rimqc: stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:  # whoever read our output has gone
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        print(f"rimqc: a fault of the program: {error!r}{_note(error)}", file=sys.stderr)
        return 3


def _warn_of_password(db: str, words: Sequence[str]) -> None:
    """Everybody on a machine can read the command lines of its programs."""
    if "://" not in db or not any(db in word for word in words):
        return
    from qc.ledger.engine import without_password

    if without_password(db) != db:
        print(
            "rimqc: the password in --db can be read by everybody on this machine; put the address "
            "into the environment variable RIMQC_DB, or the password into ~/.pgpass or the file "
            "that PGPASSFILE names",
            file=sys.stderr,
        )


def _note(error: Exception) -> str:
    """Write the traceback aside, for whoever mends the program."""
    import tempfile
    import traceback

    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="rimqc-fault-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            traceback.print_exception(error, file=file)
        return f"; please send the file {file.name} to whoever maintains it"
    except OSError:
        return ""
