import os

import pytest

from qc.devices.arrivals import Arrivals, is_written

SETTLE = 5.0


@pytest.fixture
def inbox(tmp_path):
    return tmp_path


def looker(folder):
    arrivals = Arrivals(folder, SETTLE, frozenset({"done", "refused"}))

    def look(now):
        found = arrivals.look(now)
        return [str(path.relative_to(folder)) for path in found.ready]

    return look


def test_a_log_is_ready_once_it_was_left_alone(inbox):
    look = looker(inbox)
    log = inbox / "weighing.csv"
    log.write_text("a\n")
    assert look(0) == []
    assert look(4.9) == []
    assert look(5) == ["weighing.csv"]


def test_a_log_that_grows_or_is_touched_is_waited_for(inbox):
    look = looker(inbox)
    log = inbox / "weighing.csv"
    log.write_text("a\n")
    look(0)
    log.write_text("a\nb\n")
    assert look(5) == []
    os.utime(log, (1, 1))
    assert look(9) == []
    assert look(14) == ["weighing.csv"]


def test_a_log_put_in_the_place_of_another_is_another(inbox):
    look = looker(inbox)
    log = inbox / "weighing.csv"
    log.write_text("a\n")
    look(0)
    aside = inbox / "weighing.csv.part"
    aside.write_text("b\n")
    os.utime(aside, ns=(log.stat().st_atime_ns, log.stat().st_mtime_ns))
    aside.rename(log)
    assert look(5) == []
    assert look(10) == ["weighing.csv"]


def test_a_log_that_a_rig_has_open_is_never_ready(inbox):
    look = looker(inbox)
    log = inbox / "weighing.csv"
    with log.open("w") as rig:
        rig.write("a\n")
        rig.flush()
        if not is_written(log):
            pytest.skip("this file system gives no leases")
        look(0)
        assert look(1000) == []
    assert look(1005) == ["weighing.csv"]


def test_whoever_only_reads_a_log_keeps_nobody_waiting(inbox):
    log = inbox / "weighing.csv"
    log.write_text("a\n")
    with log.open():
        assert not is_written(log)


def test_an_empty_log_has_not_come_yet(inbox):
    look = looker(inbox)
    (inbox / "weighing.csv").touch()
    look(0)
    assert look(100) == []


def test_rigs_have_their_folders_and_what_is_no_log_is_passed_over(inbox):
    look = looker(inbox)
    for name in ("rig/deep/drop.jsonl.gz", "bench/weighing.csv", "done/old.csv", "refused/bad.csv",
                 ".rimqc/refused/x.csv", ".hidden.csv", "photo.jpg", "weighing.csv.part",
                 "rig/done/kept.csv"):  # fmt: skip
        path = inbox / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("a\n")
    look(0)
    assert look(5) == ["bench/weighing.csv", "rig/deep/drop.jsonl.gz", "rig/done/kept.csv"]


def test_catalogs_come_first_and_logs_wait_for_one_that_is_coming(inbox):
    look = looker(inbox)
    (inbox / "a.csv").write_text("a\n")
    look(0)
    (inbox / "rig").mkdir()
    (inbox / "rig" / "catalog.toml").write_text("a")
    assert look(5) == []
    assert look(10) == ["rig/catalog.toml", "a.csv"]


def test_what_cannot_be_looked_at_is_told_and_the_rest_is_found(inbox):
    (inbox / "weighing.csv").write_text("a\n")
    (inbox / "loop").mkdir()
    arrivals = Arrivals(inbox, 0, frozenset())
    assert arrivals.look(0).faults == []
    gone = Arrivals(inbox / "nowhere", 0, frozenset()).look(0)
    assert gone.ready == []
    assert "No such file" in gone.faults[0]
