"""An import that is killed, and imports that run at once."""

import contextlib
import json
import random
import sqlite3
import threading
import time

import pytest
from sqlalchemy import select

from qc.ledger.ledger import Ledger
from qc.ledger.migrate import newest
from qc.ledger.rebuild import rebuild
from qc.ledger.tables import Seal
from qc.ledger.verify import verify
from tests.killing import ended, start
from tests.maker import all_answers, answer, follows, write_shop

# each is held against a rebuild
pytestmark = pytest.mark.owner


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    return write_shop(tmp_path_factory.mktemp("logs"), 24)


@pytest.fixture(scope="module")
def expected(logs, tmp_path_factory):
    db = f"sqlite:///{tmp_path_factory.mktemp('clean')}/clean.sqlite"
    report = answer(db, "import", logs)
    return report, all_answers(db)


@pytest.fixture
def importer(tmp_path):
    """Starts imports into a database; each with a file of its own for what it said."""
    count = 0

    def begin(db, *paths, last=0):
        nonlocal count
        count += 1
        words = ["import", *map(str, paths), "--db", db, "--format", "json"]
        told = tmp_path / f"told-{count}.json"
        return start(told, [*words, "--refused", str(tmp_path / "refused")], last), told

    return begin


def report_of(started):
    found = ended(*started)
    assert (found.code, found.err) == (1, "")  # one line is refused
    return json.loads(found.out)


def seals(db):
    with Ledger(db, create=True) as ledger, ledger.reading() as connection:
        return len(connection.execute(select(Seal.number)).all())


def holds(db, expected):
    """Nothing lost, nothing double, all as derived anew."""
    report, answers = expected
    with Ledger(db) as ledger:
        with ledger.reading() as connection:
            assert verify(connection) == (report["accepted"], None)
            found = follows(connection)
        with ledger.writing() as connection:
            rebuild(connection)
            assert follows(connection) == found
    assert all_answers(db) == answers


def test_an_import_killed_at_any_statement_and_run_again_ends_as_one_clean_run(
    databases, importer, logs, expected
):
    statements = ended(*importer(databases.new(), logs)).statements
    chance = random.Random(20)
    lasts = [chance.randint(2, statements) for _ in range(5 if databases.kind == "sqlite" else 3)]
    held_at_the_end = set()
    for last in lasts:
        db = databases.new()
        killed, _ = importer(db, logs, last=last)
        killed.join(120)
        assert killed.exitcode == -9
        held_at_the_end.add(seals(db))
        report_of(importer(db, logs))
        holds(db, expected)
    assert len(held_at_the_end) > 1  # some were killed sooner, some later


def test_an_import_killed_at_any_moment_and_run_again_ends_as_one_clean_run(
    databases, importer, logs, expected
):
    began = time.monotonic()
    report_of(importer(databases.empty(), logs))
    whole = time.monotonic() - began
    chance = random.Random(21)
    for _ in range(3 if databases.kind == "sqlite" else 2):
        db = databases.empty()
        killed, _ = importer(db, logs)
        time.sleep(chance.uniform(0.05, 1) * whole)
        killed.kill()
        killed.join(120)
        report_of(importer(db, logs))
        holds(db, expected)


@pytest.mark.parametrize("how_many", [2, 4])
def test_importers_of_one_folder_at_once_lose_nothing_and_count_nothing_twice(
    databases, importer, logs, expected, how_many
):
    db = databases.empty() if how_many == 2 else databases.new()
    running = [importer(db, logs) for _ in range(how_many)]
    reports = [report_of(one) for one in running]
    assert sum(report["accepted"] for report in reports) == expected[0]["accepted"]
    for report in reports:
        assert report["accepted"] + report["already_held"] == expected[0]["accepted"]
    holds(db, expected)


def test_a_new_file_that_another_program_is_just_making_is_waited_for(tmp_path):
    other = sqlite3.connect(tmp_path / "new.sqlite", isolation_level=None, check_same_thread=False)
    with contextlib.closing(other):
        other.execute("BEGIN IMMEDIATE")
        made = threading.Timer(0.3, other.execute, ["ROLLBACK"])
        made.start()
        with Ledger(f"sqlite:///{tmp_path}/new.sqlite", create=True) as ledger:
            assert ledger.catalog().recorded == []
        made.join()


def test_importers_of_overlapping_folders_at_once_end_as_one(databases, importer, logs, expected):
    db = databases.new()
    running = [
        importer(db, *paths)
        for paths in (
            [logs / "catalog.toml", logs / "bench"],
            [logs / "catalog.toml", logs / "bench" / "weighing-typed.csv", logs / "rig"],
            [logs],
            [logs / "desk", logs],
        )
    ]
    reports = [report_of(one) for one in running]
    assert sum(report["accepted"] for report in reports) == expected[0]["accepted"]
    holds(db, expected)


def test_upgrades_at_once_all_end_well(databases, tmp_path):
    db = databases.empty()
    tolds = [tmp_path / f"told-{n}.json" for n in range(4)]
    running = [start(told, ["upgrade", "--db", db]) for told in tolds]
    for process, told in zip(running, tolds, strict=True):
        found = ended(process, told)
        assert (found.code, found.err) == (0, "")
        assert newest() in found.out
    with Ledger(db) as ledger, ledger.reading() as connection:
        assert verify(connection) == (0, None)
