"""Databases that earlier programs wrote (`saved/save.py`), brought up to date by this one."""

import datetime as dt
import gzip
import itertools
import json
import lzma
import random
import signal
import sqlite3
from pathlib import Path

import pytest
from sqlalchemy import MetaData, create_engine, insert, select
from sqlalchemy.engine import make_url
from sqlalchemy.pool import NullPool

from qc.ledger import triggers
from qc.ledger.backup import restore
from qc.ledger.ledger import Ledger
from qc.ledger.migrate import newest, revisions, upgrade
from qc.ledger.rebuild import rebuild
from qc.ledger.verify import verify
from tests.killing import ended, start
from tests.maker import accept, all_answers, answer, follows, made, run

SAVED = Path(__file__).parent / "saved"
FILES = sorted(SAVED.glob("*.sqlite.xz"))
# what the seals of earlier programs say stays true for ever
TRUTH = ("journal", "seal", "head")


def revision_of(file):
    return file.name[:4]


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    """One import of the same logs by this program: how many records, and all answers."""
    db = f"sqlite:///{tmp_path_factory.mktemp('clean')}/clean.sqlite"
    return answer(db, "import", SAVED / "logs")["accepted"], all_answers(db)


def unpacked(file, folder):
    path = folder / file.name.removesuffix(".xz")
    path.write_bytes(lzma.decompress(file.read_bytes()))
    return path


def rows_of(db, tables=TRUTH):
    """Rows of a database's own tables, whatever its schema; moments are aware."""
    engine = create_engine(make_url(db), poolclass=NullPool)
    with engine.connect() as connection:
        own = MetaData()
        own.reflect(connection, only=tables)
        found = {}
        for name in tables:
            rows = connection.execute(select(own.tables[name])).mappings()
            found[name] = [
                {
                    column: value.replace(tzinfo=value.tzinfo or dt.UTC)
                    if isinstance(value, dt.datetime)
                    else value
                    for column, value in row.items()
                }
                for row in rows
            ]
        return found


def put(db, rows):
    engine = create_engine(make_url(db), poolclass=NullPool)
    with engine.begin() as connection:
        own = MetaData()
        own.reflect(connection, only=list(rows))
        for name, content in rows.items():
            connection.execute(insert(own.tables[name]), content)


def as_it_was(file, databases, tmp_path):
    """The address of a saved database; on PostgreSQL it is made of the same truth."""
    db = f"sqlite:///{unpacked(file, tmp_path)}"
    if databases.kind == "postgresql":
        truth, db = rows_of(db), databases.empty()
        upgrade(make_url(db), revision_of(file))
        put(db, truth)
    return db


@pytest.fixture(params=FILES, ids=revision_of)
def saved(request, databases, tmp_path):
    return as_it_was(request.param, databases, tmp_path)


@pytest.fixture
def another(request, databases, tmp_path, saved):
    """The same once more."""
    aside = tmp_path / "another"
    aside.mkdir()
    return as_it_was(request.node.callspec.params["saved"], databases, aside)


def state_of(db):
    """The schema and the truth."""
    engine = create_engine(make_url(db), poolclass=NullPool)
    with engine.connect() as connection:
        own = MetaData()
        own.reflect(connection)
        tables = {
            name: [(column.name, str(column.type)) for column in table.columns]
            for name, table in own.tables.items()
        }
        indexes = {index.name for table in own.tables.values() for index in table.indexes}
        made = triggers.present(connection)
    return tables, indexes, made, rows_of(db, [*TRUTH, "alembic_version"])


def test_every_schema_before_the_newest_has_a_saved_database():
    assert [revision_of(file) for file in FILES] == revisions()[:-1]


def holds(db, clean):
    records, answers = clean
    with Ledger(db) as ledger:
        with ledger.reading() as connection:
            assert verify(connection) == (records, None)
            found = follows(connection)
        with ledger.writing() as connection:
            rebuild(connection)
            assert follows(connection) == found
    assert all_answers(db) == answers


def test_a_saved_database_upgrades_to_what_a_clean_import_gives_and_goes_on(saved, clean):
    digests = [row["digest"] for row in rows_of(saved)["seal"]]
    code, out, err = run("upgrade", "--db", saved)
    assert (code, out, err) == (0, f"The database is at schema {newest()}.\n", "")
    assert [row["digest"] for row in rows_of(saved)["seal"]] == digests
    holds(saved, clean)
    report = answer(saved, "import", SAVED / "logs")
    assert (report["accepted"], report["already_held"]) == (0, clean[0])
    line = json.loads((SAVED / "logs" / "records.jsonl").read_text().splitlines()[0])
    with Ledger(saved) as ledger:
        assert accept(ledger, [made(line), made({**line, "repeat": 7})]) == ["held", "accepted"]
        with ledger.reading() as connection:
            assert verify(connection) == (clean[0] + 1, None)


@pytest.fixture
def upgrader(tmp_path):
    """Starts upgrades in processes of their own, each killed at its `last` statement."""
    count = itertools.count()

    def begin(db, last=0):
        told = tmp_path / f"told-{next(count)}.json"
        return start(told, ["upgrade", "--db", db], last), told

    return begin


@pytest.mark.parametrize("saved", [FILES[0], FILES[-1]], ids=revision_of, indirect=True)
def test_programs_that_upgrade_at_once_all_end_well(saved, clean, upgrader):
    running = [upgrader(saved) for _ in range(3)]
    for process, told in running:
        found = ended(process, told)
        assert (found.code, found.err) == (0, "")
    holds(saved, clean)


@pytest.mark.parametrize("saved", [FILES[0], FILES[-1]], ids=revision_of, indirect=True)
def test_an_upgrade_killed_at_any_statement_leaves_the_database_as_it_was(
    saved, another, clean, upgrader
):
    statements = ended(*upgrader(another)).statements
    before = state_of(saved)
    chance = random.Random(statements)
    for last in sorted(chance.randint(2, statements) for _ in range(3)):
        killed, _ = upgrader(saved, last)
        killed.join(120)
        assert killed.exitcode == -signal.SIGKILL
        assert state_of(saved) == before
    assert ended(*upgrader(saved)).code == 0
    holds(saved, clean)


@pytest.mark.parametrize("file", FILES, ids=revision_of)
def test_people_are_who_they_were(file, tmp_path):
    path = unpacked(file, tmp_path)
    if revision_of(file) < "0003":  # there were none
        return
    added = "INSERT INTO account (code, name, role, created_at) VALUES ('eva', 'Eva', 'owner', ?)"
    with sqlite3.connect(path) as connection:
        connection.execute(added, ["2026-01-01 00:00:00.000000"])
    before = rows_of(f"sqlite:///{path}", ["account"])
    run("upgrade", "--db", f"sqlite:///{path}")
    (after,) = rows_of(f"sqlite:///{path}", ["account"])["account"]
    assert before["account"][0].items() <= after.items()


@pytest.mark.parametrize("file", [FILES[0], FILES[-1]], ids=revision_of)
def test_a_backup_of_an_earlier_program_is_restored(file, databases, tmp_path, clean):
    """A backup holds the truth only, so that of each schema is made here from its rows."""
    truth = rows_of(f"sqlite:///{unpacked(file, tmp_path)}")
    kept = tmp_path / "kept.gz"
    lines = [{"rimqc-backup": 1, "schema": revision_of(file), "records": clean[0],
              "seal_digest": truth["head"][0]["seal_digest"]}]  # fmt: skip
    lines += [["seal", *list(row.values())[:5], row["sealed_at"].isoformat()]
              for row in truth["seal"]]  # fmt: skip
    for row in truth["journal"]:
        digest = row["digest"]
        text = digest.hex() if isinstance(digest, bytes) else digest
        lines.append(["record", row["position"], text, row["body"]])
    lines.append({"end": len(lines)})
    kept.write_bytes(gzip.compress("".join(json.dumps(line) + "\n" for line in lines).encode()))
    db = databases.empty()
    with Ledger(db, create=True) as ledger:
        assert restore(ledger, kept).records == clean[0]
    holds(db, clean)
