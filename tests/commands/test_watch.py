import json
import subprocess
import sys
import time

import pytest

from tests.maker import answer, fields, run, write_catalog, write_csv


@pytest.fixture
def inbox(tmp_path):
    folder = tmp_path / "inbox"
    folder.mkdir()
    write_catalog(folder)
    return folder


@pytest.fixture
def db(tmp_path):
    return f"sqlite:///{tmp_path}/a.sqlite"


def weighing(serial, **more):
    return fields("weighing", serial=serial, **more)


def test_once_takes_what_is_there_and_says_where_it_went(inbox, db):
    write_csv(inbox / "rig" / "weighing_1.csv", [weighing("W1"), weighing("W2", gross_g=-1)])
    code, out, err = run("watch", inbox, "--once", "--settle", "0", "--db", db)
    assert (code, err) == (1, "")
    assert out.splitlines()[0].endswith("0 refused; now done/catalog.toml")
    assert out.splitlines()[1] == ("rig/weighing_1.csv: 1 accepted, 0 already held, 1 refused; "
                                   "now refused/rig/weighing_1.csv")  # fmt: skip
    assert run("watch", inbox, "--once", "--settle", "0", "--db", db) == (0, "", "")


def test_once_leaves_what_is_still_written_and_says_so(inbox, db):
    with (inbox / "weighing_1.csv").open("w") as rig:
        rig.write("serial")
        rig.flush()
        code, _, err = run("watch", inbox, "--once", "--settle", "0", "--db", db)
    assert code == 1
    assert "weighing_1.csv: left where it is: still written" in err
    assert (inbox / "weighing_1.csv").exists()


def test_programs_read_a_line_of_json_for_each_log(inbox, db):
    _, out, _ = run("watch", inbox, "--once", "--settle", "0", "--db", db, "--format", "json")
    told = json.loads(out)
    assert (told["file"], told["refused"], told["moved_to"]) == (
        "catalog.toml", 0, "done/catalog.toml",
    )  # fmt: skip


def test_a_folder_that_is_not_there_is_told_in_a_line(tmp_path, db):
    code, out, err = run("watch", tmp_path / "nowhere", "--db", db)
    assert (code, out, err.count("\n")) == (1, "", 1)


def test_logs_dropped_while_it_watches_are_taken_as_they_come(inbox, db):
    words = [sys.executable, "-m", "qc", "watch", str(inbox), "--settle", "0.2", "--db", db]
    watch = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert watch.stdout.readline().endswith("now done/catalog.toml\n")
        for n in range(3):
            write_csv(inbox / "rig" / f"weighing_{n}.csv", [weighing(f"W{n}")])
            assert watch.stdout.readline().startswith(f"rig/weighing_{n}.csv: 1 accepted")
        time.sleep(0.1)
    finally:
        watch.terminate()
        watch.communicate(timeout=60)
    assert answer(db, "verify")["ok"]
    assert len(list((inbox / "done" / "rig").iterdir())) == 3
