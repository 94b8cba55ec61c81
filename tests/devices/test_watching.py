"""Logs dropped into a folder: taken in, moved aside, their reasons beside them."""

import csv
import json
import threading
from pathlib import Path

import pytest

from qc.devices import watching
from qc.devices.arrivals import is_written
from qc.devices.watching import Watch
from qc.errors import RimqcError
from qc.ledger.ledger import Ledger
from qc.ledger.verify import verify
from qc.readers import lines as readers
from tests.maker import CATALOG, fields, write_catalog, write_csv, write_jsonl


@pytest.fixture
def shop(db):
    with Ledger(db) as ledger:
        yield ledger


class Inbox:
    """The folder, what was said, and what was taken."""

    def __init__(self, path: Path, ledger: Ledger) -> None:
        self.path, self.ledger = path, ledger
        self.said: list[str] = []
        self.taken: list[watching.Taken] = []

    def drop(self, name, *rows):
        write = write_csv if name.endswith(".csv") else write_jsonl
        return write(self.path / name, list(rows))

    def watch(self):
        return Watch(self.ledger, self.path, self.taken.append, self.said.append, settle_s=0)

    def take(self):
        """One program that takes what is there."""
        with self.watch() as watch:
            watch.look()

    def files(self):
        return sorted(
            str(path.relative_to(self.path))
            for path in self.path.rglob("*")
            if path.is_file() and ".rimqc" not in path.parts
        )

    def held(self):
        with self.ledger.reading() as connection:
            proof = verify(connection)
        assert proof.first_bad is None
        return proof.records - len(self.ledger.catalog().recorded)


@pytest.fixture
def inbox(tmp_path, shop):
    made = Inbox(tmp_path / "inbox", shop)
    made.path.mkdir()
    write_catalog(made.path)
    made.take()
    (made.path / "done" / "catalog.toml").unlink()
    made.taken.clear()
    return made


def weighing(serial="W1", **more):
    return fields("weighing", serial=serial, **more)


def test_a_good_log_is_taken_in_and_moved_to_done_in_the_folder_of_its_rig(inbox):
    inbox.drop("bench/weighing_1.csv", weighing("W1"), weighing("W2"))
    inbox.take()
    assert inbox.files() == ["done/bench/weighing_1.csv"]
    assert inbox.held() == 2
    (taken,) = inbox.taken
    assert (taken.file, taken.moved_to) == ("bench/weighing_1.csv", "done/bench/weighing_1.csv")
    assert (taken.accepted, taken.already_held, taken.refused) == (2, 0, 0)


def test_a_log_with_bad_lines_goes_to_refused_with_them_and_the_reasons_and_the_rest_is_kept(inbox):
    inbox.drop("rig/weighing_1.csv", weighing("W1"), weighing("W2", gross_g="heavy"),
               weighing("W3", gauge="S9"))  # fmt: skip
    inbox.take()
    assert inbox.files() == [
        "refused/rig/weighing_1.csv", "refused/rig/weighing_1.reasons.txt",
        "refused/rig/weighing_1.refused.csv",
    ]  # fmt: skip
    assert inbox.held() == 1
    reasons = (inbox.path / "refused/rig/weighing_1.reasons.txt").read_text()
    assert reasons.startswith("weighing_1.csv: 2 refused, 1 kept.\n")
    assert "Mend the lines in weighing_1.refused.csv and put that file into" in reasons
    assert "line 3, gross_g 'heavy': expected a number above 0\n" in reasons
    assert "line 4, gauge 'S9': not a gauge of the catalog" in reasons


def test_mended_lines_put_into_the_folder_again_are_taken_in(inbox):
    inbox.drop("rig/weighing_1.csv", weighing("W1"), weighing("W2", gross_g="heavy"))
    inbox.take()
    mended = inbox.path / "refused/rig/weighing_1.refused.csv"
    back = inbox.path / "rig/weighing_1.refused.csv"
    back.write_text(mended.read_text().replace("heavy", "450"))
    mended.unlink()
    inbox.take()
    assert inbox.held() == 2
    assert "done/rig/weighing_1.refused.csv" in inbox.files()


def test_mended_lines_with_a_fault_left_come_back_with_the_reason(inbox):
    inbox.drop("weighing_1.csv", weighing("W1", gross_g="heavy"), weighing("W2", gross_g="light"))
    inbox.take()
    mended = inbox.path / "refused/weighing_1.refused.csv"
    text = mended.read_text().replace("heavy", "450")
    mended.unlink()
    (inbox.path / "weighing_1.refused.csv").write_text(text)
    inbox.take()
    assert inbox.held() == 1
    reasons = (inbox.path / "refused/weighing_1.refused.reasons.txt").read_text()
    assert reasons.startswith("weighing_1.refused.csv: 1 refused, 1 kept.\n")
    assert "Mend weighing_1.refused.csv and put it into the watched folder again." in reasons


def test_nothing_that_lies_aside_is_ever_overwritten(inbox):
    for n in range(3):
        inbox.drop("weighing_1.csv", weighing(f"W{n}"))
        inbox.take()
    for n in range(3):
        inbox.drop("weighing_2.csv", weighing("W9", gross_g="heavy" + "!" * n))
        inbox.take()
    done = [name for name in inbox.files() if name.startswith("done/")]
    assert len(done) == 3
    assert "done/weighing_1.csv" in done
    texts = [(inbox.path / name).read_text() for name in done]
    assert all(any(f"W{n}" in text for text in texts) for n in range(3))
    refused = [name for name in inbox.files() if name.startswith("refused/")]
    assert len(refused) == 9
    for taken in inbox.taken[3:]:
        log = inbox.path / taken.moved_to
        mark = taken.refusals[0]["value"]
        beside = log.with_name(log.name.replace(".csv", ".refused.csv"))
        with beside.open(newline="") as file:
            (row,) = csv.DictReader(file)
        assert mark == row["gross_g"]
        assert f"'{mark}'" in log.with_name(log.name.replace(".csv", ".reasons.txt")).read_text()


def test_a_persons_mending_is_not_overwritten_where_only_it_is_left(inbox):
    mending = inbox.path / "refused" / "weighing_1.refused.csv"
    mending.write_text("half mended")
    inbox.drop("weighing_1.csv", weighing("W1", gross_g="heavy"))
    inbox.take()
    assert mending.read_text() == "half mended"
    assert len(inbox.files()) == 4


def test_what_a_killed_run_left_beside_is_taken_up_again(inbox, monkeypatch):
    inbox.drop("weighing_1.csv", weighing("W1"), weighing("W2", gross_g="heavy"))
    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            inbox.take()
    assert "weighing_1.csv" in inbox.files()
    assert "refused/weighing_1.refused.csv" in inbox.files()
    inbox.take()
    assert inbox.files() == [
        "refused/weighing_1.csv", "refused/weighing_1.reasons.txt",
        "refused/weighing_1.refused.csv",
    ]  # fmt: skip
    assert inbox.held() == 1


def test_a_catalog_is_taken_in_before_the_logs_that_need_it(tmp_path, shop):
    inbox = Inbox(tmp_path / "inbox", shop)
    inbox.drop("a/weighing.csv", weighing("W1"))
    write_catalog(inbox.path)
    inbox.take()
    assert [taken.moved_to for taken in inbox.taken] == ["done/catalog.toml",
                                                         "done/a/weighing.csv"]  # fmt: skip
    (inbox.path / "catalog.toml").write_text(CATALOG + '\n[[model]]\ncode = "X"\n')
    inbox.take()
    assert "refused/catalog.reasons.txt" in inbox.files()
    assert "needs this key" in (inbox.path / "refused/catalog.reasons.txt").read_text()
    write_catalog(inbox.path)
    inbox.take()
    assert len(list((inbox.path / "done").glob("catalog_*.toml"))) == 1


def test_a_log_that_is_written_into_meanwhile_stays_until_it_is_whole(inbox, monkeypatch):
    log = inbox.drop("weighing_1.jsonl", weighing("W1"))
    plain = watching.import_paths

    def slow(*words, **more):
        report = plain(*words, **more)
        with log.open("a") as rig:
            rig.write(json.dumps(weighing("W2")) + "\n")
        return report

    monkeypatch.setattr(watching, "import_paths", slow)
    inbox.take()
    assert inbox.files() == ["weighing_1.jsonl"]
    monkeypatch.undo()
    inbox.take()
    assert inbox.files() == ["done/weighing_1.jsonl"]
    assert inbox.held() == 2


def test_lines_that_a_rig_adds_to_a_log_that_was_moved_are_taken_in_too(inbox, monkeypatch):
    """Where the system does not tell that a file is open, as on a network share."""
    monkeypatch.setattr(watching, "is_written", lambda _: False)
    monkeypatch.setattr("qc.devices.arrivals.is_written", lambda _: False)
    log = inbox.path / "weighing_1.jsonl"
    with log.open("w") as rig, inbox.watch() as watch:
        rig.write(json.dumps(weighing("W1")) + "\n")
        rig.flush()
        watch.look()
        assert inbox.files() == ["done/weighing_1.jsonl"]
        rig.write(json.dumps(weighing("W2")) + "\n")
        rig.flush()
        watch.look()
        assert inbox.held() == 2
        rig.write(json.dumps(weighing("W3", gross_g="heavy")) + "\n")
        rig.flush()
        watch.look()
        watch.look()
    assert inbox.held() == 2
    assert "refused/weighing_1.reasons.txt" in inbox.files()
    assert [taken.accepted for taken in inbox.taken] == [1, 1, 0]


def test_a_log_that_cannot_be_moved_is_told_once_and_taken_when_it_can(inbox, monkeypatch):
    monkeypatch.setattr(watching, "FIRST_WAIT_S", 0.0)
    monkeypatch.setattr(watching, "MOST_WAIT_S", 0.0)
    log = inbox.drop("weighing_1.csv", weighing("W1"))
    inbox.drop("weighing_2.csv", weighing("W2"))
    plain = Path.rename

    def denied(path, target):
        if path == log:
            raise PermissionError(13, "Permission denied", str(path))
        return plain(path, target)

    with inbox.watch() as watch:
        with monkeypatch.context() as patch:
            patch.setattr(Path, "rename", denied)
            for _ in range(3):
                watch.look()
        assert inbox.files() == ["done/weighing_2.csv", "weighing_1.csv"]
        (said,) = inbox.said
        assert said.startswith(f"{log}: Permission denied; give this user the rights to move it")
        watch.look()
    assert inbox.held() == 2
    assert "done/weighing_1.csv" in inbox.files()


def test_a_log_that_may_not_be_read_is_told_and_keeps_no_other_waiting(inbox, monkeypatch):
    log = inbox.drop("weighing_1.csv", weighing("W1"))
    inbox.drop("weighing_2.csv", weighing("W2"))
    plain = readers.FileIO

    def opened(path, mode):
        if path == log:  # root, who runs the tests here and there, may read everything
            raise PermissionError(13, "Permission denied", str(path))
        return plain(path, mode)

    monkeypatch.setattr(readers, "FileIO", opened)
    inbox.take()
    (said,) = inbox.said
    assert said.startswith(f"{log}: cannot be opened (Permission denied); check path and rights")
    assert inbox.files() == ["done/weighing_2.csv", "weighing_1.csv"]


def test_a_database_that_is_away_is_told_once_and_no_log_is_touched(inbox, monkeypatch):
    monkeypatch.setattr(watching, "FIRST_WAIT_S", 0.0)
    monkeypatch.setattr(watching, "MOST_WAIT_S", 0.0)
    for n in range(3):
        inbox.drop(f"weighing_{n}.csv", weighing(f"W{n}"))

    def away(*_, **__):
        raise RimqcError("database: the server closed the connection")

    with inbox.watch() as watch:
        with monkeypatch.context() as patch:
            patch.setattr(watching, "import_paths", away)
            watch.look()
            watch.look()
        assert len(inbox.said) == 1
        assert len(inbox.files()) == 3
        watch.look()
    assert inbox.held() == 3


def test_a_log_that_the_program_fails_on_keeps_no_other_waiting(inbox, monkeypatch):
    log = inbox.drop("weighing_1.csv", weighing("W1"))
    inbox.drop("weighing_2.csv", weighing("W2"))
    plain = watching.import_paths

    def fails(ledger, paths, **more):
        if paths == [log]:
            raise ZeroDivisionError
        return plain(ledger, paths, **more)

    monkeypatch.setattr(watching, "import_paths", fails)
    inbox.take()
    assert "weighing_1.csv: a fault of the program: ZeroDivisionError()" in inbox.said[0]
    assert inbox.files() == ["done/weighing_2.csv", "weighing_1.csv"]


def test_one_program_watches_a_folder(inbox):
    with inbox.watch(), pytest.raises(RimqcError, match="watched by another program already"):
        inbox.take()
    inbox.take()


def test_a_folder_that_is_not_there_is_told(tmp_path, shop):
    nowhere = Inbox(tmp_path / "nowhere", shop)
    with pytest.raises(RimqcError, match="No such file or directory; the folder must be there"):
        nowhere.take()


def test_many_rigs_that_write_line_by_line_lose_no_line(inbox):
    """Each rig renames its log into place when it is full; one keeps a log open throughout."""
    stop = threading.Event()
    written = 0

    def rig(name):
        for part in range(6):
            aside = inbox.path / name / f"weighing_{part}.part"
            aside.parent.mkdir(exist_ok=True)
            with aside.open("w") as log:
                for line in range(5):
                    log.write(json.dumps(weighing(f"{name}-{part}-{line}")) + "\n")
            aside.rename(aside.with_suffix(".jsonl"))

    rigs = [threading.Thread(target=rig, args=(f"R{n}",)) for n in range(3)]
    with (inbox.path / "open.jsonl").open("w") as kept_open, inbox.watch() as watch:
        for thread in rigs:
            thread.start()
        while any(thread.is_alive() for thread in rigs) or not stop.is_set():
            if not any(thread.is_alive() for thread in rigs):
                stop.set()
            kept_open.write(json.dumps(weighing(f"open-{written}")) + "\n")
            kept_open.flush()
            written += 1
            watch.look()
        if is_written(inbox.path / "open.jsonl"):
            assert (inbox.path / "open.jsonl").exists()
        kept_open.close()
        watch.look()
        watch.look()
    assert inbox.held() == 3 * 6 * 5 + written
    assert all(name.startswith("done/") for name in inbox.files())
