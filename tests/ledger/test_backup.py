import gzip
import json
import threading

import pytest

from qc.errors import RimqcError
from qc.ledger.backup import backup, restore
from qc.ledger.ledger import Ledger
from qc.ledger.verify import verify
from tests.maker import accept, correction, flags_of, follows, record, run, take_catalog

HEAVY = record("weighing", gross_g=470)


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    accept(ledger, [record("receipt"), HEAVY, record("drop")])
    accept(ledger, [correction(HEAVY, replacement={"kind": "weighing", "serial": "R1",
                                                   "stage": "rim", "gauge": "S1",
                                                   "gross_g": "450", "station": "ST-1",
                                                   "inspector": "ann",
                                                   "taken_at": "2026-02-02T10:00:00"}),
                    record("gauge-check", gauge="RIG", reading=510)])  # fmt: skip
    return ledger


def everything(ledger):
    with ledger.reading() as connection:
        return follows(connection), verify(connection)


@pytest.mark.parametrize("to", ["sqlite", "postgresql"])
def test_a_restored_database_gives_the_same_answers_on_either_kind(shop, to, tmp_path, request):
    file = tmp_path / "a.rimqc.gz"
    kept = backup(shop, file)
    other = request.getfixturevalue(to).empty()
    with Ledger(other, create=True) as again:
        assert restore(again, file, noted=kept.seal_digest) == kept
        assert everything(again) == everything(shop)
        assert flags_of(again) == flags_of(shop)
        # and goes on where the other one stopped
        assert accept(again, [HEAVY, record("receipt", serial="R2")]) == ["held", "accepted"]
        with again.reading() as connection:
            assert verify(connection).first_bad is None


def test_a_backup_taken_while_stations_write_holds_one_moment(shop, tmp_path):
    stop = threading.Event()

    def write():
        n = 0
        while not stop.is_set():
            accept(shop, [record("receipt", serial=f"W{n}"), record("weighing", serial=f"W{n}")])
            n += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        kept = [backup(shop, tmp_path / f"{i}.rimqc.gz") for i in range(5)]
    finally:
        stop.set()
        writer.join()
    for i, one in enumerate(kept):
        with Ledger(f"sqlite:///{tmp_path}/{i}.sqlite", create=True) as again:
            assert restore(again, tmp_path / f"{i}.rimqc.gz") == one
            with again.reading() as connection:
                assert verify(connection, one.seal_digest) == (one.records, None)


def lines_of(file):
    with gzip.open(file, "rt", encoding="utf-8") as lines:
        return lines.read().splitlines()


def write_lines(file, lines):
    with gzip.open(file, "wt", encoding="utf-8") as out:
        out.write("".join(line + "\n" for line in lines))


def with_a_letter_changed(lines):
    at = next(i for i, line in enumerate(lines) if '\\"gross_g\\":\\"470\\"' in line)
    return [*lines[:at], lines[at].replace('\\"470\\"', '\\"450\\"'), *lines[at + 1 :]]


def without_a_record(lines):
    end = json.loads(lines[-1])
    return [*lines[:-2], json.dumps({"end": end["end"] - 1})]


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (with_a_letter_changed, "was changed"),
        (without_a_record, "does not hold what was sealed"),
        (lambda lines: lines[:-1], "cut short"),
        (lambda lines: lines[:3], "cut short"),
        (lambda _: ["{}"], "no backup that this program can read"),
        (lambda lines: [*lines[:2], '["else"]', *lines[2:]], "of no known kind"),
        (lambda lines: [lines[0], "not json"], "no whole backup"),
    ],
    ids=["a letter", "a record", "its end", "its tail", "another file", "a line", "no JSON"],
)
def test_a_backup_that_was_changed_or_cut_leaves_the_database_empty(shop, tmp_path, change, word):
    file = tmp_path / "a.rimqc.gz"
    backup(shop, file)
    write_lines(file, change(lines_of(file)))
    with Ledger(f"sqlite:///{tmp_path}/b.sqlite", create=True) as again:
        with pytest.raises(RimqcError, match=word):
            restore(again, file)
        with again.reading() as connection:
            assert verify(connection) == (0, None)


def test_a_file_that_is_no_gzip_is_told_in_one_line(db, tmp_path):
    (tmp_path / "x").write_text("hello")
    code, out, err = run("restore", tmp_path / "x", "--db", db)
    assert (code, out, err.count("\n")) == (1, "", 1)


def test_the_commands_keep_and_bring_back(shop, tmp_path):
    file, db = tmp_path / "a.rimqc.gz", f"sqlite:///{tmp_path}/b.sqlite"
    code, out, _ = run("backup", file, "--db", shop.url.render_as_string(hide_password=False))
    seal = out.splitlines()[-1]
    assert code == 0
    assert run("backup", file, "--db", shop.url.render_as_string(hide_password=False))[0] == 2
    assert run("restore", file, "--db", db, "--seal", seal)[0] == 0
    assert "holds records" in run("restore", file, "--db", db)[2]
    other = f"sqlite:///{tmp_path}/c.sqlite"
    code, _, err = run("restore", file, "--db", other, "--seal", "0" * 64)
    assert (code, "noted seal" in err) == (1, True)
