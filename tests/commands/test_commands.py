import csv
import io
import json
import re
import subprocess
import sys
import tempfile

import pytest

from qc.commands import COMMANDS
from qc.ledger.ledger import Ledger
from qc.resources import folder
from tests.maker import accept, answer, fields, record, run, take_catalog, write_catalog, write_shop


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """The address of a database that holds a few weeks."""
    folder = tmp_path_factory.mktemp("shop")
    (folder / "logs").mkdir()
    db = f"sqlite:///{folder}/shop.sqlite"
    assert run("import", write_shop(folder / "logs"), "--db", db)[0] == 1
    return db


REPORTING = ["flags", "claims", "margins", "drift", "verify"]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself_with_an_example(name):
    code, out, err = run(name, "--help")
    assert (code, err) == (0, "")
    assert f"Example: rimqc {name}" in out
    assert "--db URL" in out
    assert "--format" in out


def test_the_program_lists_its_commands_and_says_that_it_certifies_nothing():
    code, out, _ = run("--help")
    assert code == 0
    assert all(re.search(rf"^\s+{name}\s", out, re.MULTILINE) for name in COMMANDS)
    assert "certifies nothing" in " ".join(out.split())


def test_help_loads_nothing_heavy():
    heavy = ("pandas", "numpy", "scipy", "streamlit", "plotly", "sqlalchemy", "alembic", "msgspec")
    program = (
        "import sys\n"
        "from qc.commands import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        f"print('loaded:', [name for name in {heavy} if name in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.endswith("loaded: []\n")


@pytest.mark.parametrize("words", [["flags"], ["verify"], ["trace", "D50-001"]])
def test_a_command_that_needs_no_tables_of_numbers_loads_no_pandas(shop, words):
    program = (
        "import sys\n"
        "from qc.commands import main\n"
        f"main({[*words, '--db', shop]})\n"
        "print('loaded:', [n for n in ('pandas', 'scipy', 'plotly', 'streamlit') "
        "if n in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.endswith("loaded: []\n")


@pytest.mark.parametrize("name", REPORTING)
def test_database_and_format_are_taken_before_and_after_the_name(shop, name):
    after = run(name, "--db", shop, "--format", "json")
    assert after[0] == 0
    assert run("--db", shop, "--format", "json", name) == after
    assert run("--db", shop, name, "--format", "json") == after
    assert run("--format", "csv", "--db", "sqlite:///no", name, "--format", "json",
               "--db", shop) == after  # fmt: skip
    json.loads(after[1])


def test_the_database_is_taken_from_the_environment(shop, monkeypatch):
    monkeypatch.setenv("RIMQC_DB", shop)
    assert run("flags") == run("flags", "--db", shop)


def test_without_an_address_a_file_in_the_current_folder_is_used(tmp_path, monkeypatch):
    monkeypatch.delenv("RIMQC_DB", raising=False)
    monkeypatch.chdir(tmp_path)
    write_catalog(tmp_path)
    assert run("import", "catalog.toml")[0] == 0
    assert (tmp_path / "rimqc.sqlite").is_file()
    assert run("flags") == (0, "Nothing is flagged.\n", "")


def test_open_flags_are_no_failure(shop):
    assert answer(shop, "flags") != []
    assert run("flags", "--db", shop)[0] == 0


@pytest.mark.parametrize(
    "words", [[], ["nonsense"], ["flags", "--colour"], ["import"], ["flags", "--format", "xml"],
              ["trace"], ["trace", "A", "--where", "b=c"], ["trace", "--where", "b"],
              ["trace", "--where", "colour=red"], ["trace", "A", "--from", "2026-01-01"],
              ["trace", "--where", "model=D50", "--to", "2026-01-01"],
              ["trace", "--where", "gauge=S1", "--from", "yesterday"]],
)  # fmt: skip
def test_wrong_usage_ends_with_two(shop, words):
    code, out, err = run(*words, *(["--db", shop] if words else []))
    assert (code, out) == (2, "")
    assert err


def test_a_refused_line_ends_with_one_and_the_rest_is_done(tmp_path):
    write_catalog(tmp_path)
    rows = [fields("weighing"), fields("weighing", serial="R2", gross_g=-1)]
    (tmp_path / "x.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows))
    code, out, err = run("import", tmp_path, "--db", f"sqlite:///{tmp_path}/a.sqlite")
    assert (code, err) == (1, "")
    assert "x.jsonl: 1 accepted, 0 already held, 1 refused" in out
    assert "line 2, gross_g '-1': expected a number above 0" in out


def test_a_mistyped_path_leaves_no_database_behind(tmp_path):
    db = tmp_path / "new.sqlite"
    code, _, err = run("import", tmp_path / "nowhere", "--db", f"sqlite:///{db}")
    assert (code, err.count("\n")) == (2, 1)
    assert not db.exists()


@pytest.mark.parametrize("name", [*REPORTING, "rebuild"])
def test_a_fault_of_the_program_ends_with_three_and_one_line(shop, name, tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))

    def fails(*_, **__):
        raise ZeroDivisionError("two\nlines")

    monkeypatch.setattr("qc.ledger.ledger.Ledger.__init__", fails)
    code, out, err = run(name, "--db", shop)
    assert (code, out, err.count("\n")) == (3, "", 1)
    assert "Traceback" not in err
    (note,) = tmp_path.glob("rimqc-fault-*.txt")
    assert str(note) in err
    assert "ZeroDivisionError" in note.read_text()


def test_a_reader_that_has_gone_is_no_fault(shop):
    words = [sys.executable, "-m", "qc", "flags", "--all", "--db", shop, "--format", "json"]
    begun = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert begun.stdout is not None
    begun.stdout.close()
    _, err = b"", begun.stderr.read()
    begun.stderr.close()
    assert (begun.wait(60), err) == (0, b"")


FLAG = {"flag": str, "severity": str, "value": (int, float, type(None)),
        "limit": (int, float, type(None)), "unit": str, "raised_at": str, "state": str,
        "message": str}  # fmt: skip
FLAG_MORE = {"serial": str, "batch": str, "gauge": str, "model": str, "stage": str,
             "characteristic": str, "test": str, "probability": float, "records": list,
             "closed_at": str, "closed_by": str}  # fmt: skip


def shaped(item, members, more=None):
    for name, kinds in members.items():
        assert isinstance(item[name], kinds), (name, item[name])
    for name in item.keys() - members.keys() if more is not None else ():
        assert isinstance(item[name], more[name]), (name, item[name])


def test_flags_as_programs_read_them(shop):
    found = answer(shop, "flags", "--all")
    for flag in found:
        shaped(flag, FLAG, FLAG_MORE)
        assert flag["severity"] in ("critical", "major", "minor")
        assert flag["state"] in ("open", "closed")
        assert ("closed_at" in flag) == (flag["state"] == "closed")
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", flag["raised_at"])
        if flag["flag"].startswith("weight-"):
            assert 0 <= flag["probability"] <= 1
    assert any("test" in flag for flag in found)
    assert [f for f in found if f["state"] == "open"] == answer(shop, "flags")
    ranks = [("critical", "major", "minor").index(flag["severity"]) for flag in found]
    assert ranks == sorted(ranks)
    assert any(flag["records"] for flag in found if flag["flag"] == "gauge-suspect")


@pytest.mark.parametrize(
    ("option", "value"), [("severity", "critical"), ("flag", "finding"), ("serial", "D50-002"),
                          ("batch", "B1"), ("gauge", "S1"), ("model", "D50"), ("stage", "rim")],
)  # fmt: skip
def test_flags_can_be_narrowed(shop, option, value):
    narrowed = answer(shop, "flags", "--all", f"--{option}", value)
    assert narrowed
    assert narrowed == [f for f in answer(shop, "flags", "--all") if f.get(option) == value]


def test_claims_as_programs_read_them(shop):
    shares = "mean_g sd_g least_g most_g over_share outside_share supported_claim_g"
    members = dict.fromkeys(shares.split(), (int, float, type(None)))
    members |= {"model": str, "stage": str, "claimed_g": (int, float), "n": int, "batches": int}
    found = answer(shop, "claims")
    for row in found:
        shaped(row, members)
    assert [(row["model"], row["stage"]) for row in found] == [
        ("D50", "front-wheel"), ("D50", "pair"), ("D50", "rear-wheel"), ("D50", "rim"),
    ]  # fmt: skip


def test_margins_as_programs_read_them(shop):
    (found,) = answer(shop, "margins")
    shaped(found, {"protocol": str, "model": str, "required_multiple": (int, float)})
    for test in found["tests"]:
        shaped(test, {"test": str, "serial": str, "batch": str, "survived": (int, float),
                      "failed": (int, float, type(None)), "first_damage": (int, type(None)),
                      "marks": list})  # fmt: skip
    failed = [test for test in found["tests"] if test["failed"] is not None]
    assert [(t["survived"], t["failed"], t["first_damage"]) for t in failed] == [(1, 2, 4)] * 3
    assert answer(shop, "margins", "--protocol", "P40") == [found]
    assert answer(shop, "margins", "--model", "R30") == []


def test_margins_are_told_batch_by_batch_and_test_by_test(shop):
    found = answer(shop, "margins")[0]
    code, out, err = run("margins", "--db", shop)
    assert (code, err) == (0, "")
    lines = [line for line in out.splitlines()[1:] if line.strip()]
    assert len(lines) == 1 + len(found["batches"])
    assert found["statements"][0]["brief"] in lines[0]
    code, out, err = run("margins", "--tests", "--db", shop)
    assert (code, err, len(out.splitlines())) == (0, "", 1 + len(found["tests"]))
    assert "Failed by" in out


def test_drift_as_programs_read_it(shop):
    found = answer(shop, "drift")
    for stream in found:
        shaped(stream, {"model": str, "stage": str, "characteristic": str, "batches": list,
                        "baseline": list, "signals": list, "change": (dict, type(None)),
                        "factors": list})  # fmt: skip
        assert [batch["batch"] for batch in stream["batches"]] == ["B1", "B2"]
    names = {(stream["stage"], stream["characteristic"]) for stream in found}
    assert names >= {
        ("rim", "bare-mass"), ("rim", "tir-lateral"), ("rim", "form-lateral"),
        ("rim", "findings-per-part"), ("rim", "survived-multiple"), ("front-wheel", "unbalance"),
        ("", "bore"),
    }  # fmt: skip
    only = answer(shop, "drift", "--characteristic", "bare-mass", "--stage", "rim")
    assert [(s["stage"], s["characteristic"]) for s in only] == [("rim", "bare-mass")]


def test_a_trace_as_programs_read_it(shop):
    found = answer(shop, "trace", "D50-009")
    shaped(found, {"serial": str, "model": str, "batch": str, "status": str, "missing": list,
                   "records": list, "flags": list, "dispositions": list})  # fmt: skip
    times = [row["taken_at"] for row in found["records"]]
    assert times == sorted(times)
    (weighing,) = [r for r in found["records"] if r["kind"] == "weighing" and r["stage"] == "rim"]
    assert (weighing["standing"], weighing["now"]["gross_g"]) == ("corrected", 451)
    assert [r["of"] for r in found["records"] if r["kind"] == "correction"] == [
        weighing["record_id"]
    ]
    assert found["flags"] == answer(shop, "flags", "--all", "--serial", "D50-009")
    assert len(answer(shop, "trace", "D50-006")["dispositions"]) == 1


@pytest.mark.parametrize("word", ["D50-0001", "D50_001", "D5O-001", "d50-001"])
def test_an_unknown_serial_is_answered_with_the_nearest(shop, word):
    code, out, err = run("trace", word, "--db", shop)
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert f"no record of serial {word}; nearest known: D50-001" in err


def test_parts_are_found_by_a_factor_of_their_batch(shop):
    rows = answer(shop, "trace", "--where", "resin_lot=R7")
    assert rows
    for row in rows:
        assert (row["batch"], answer(shop, "trace", row["serial"])["status"]) == (
            "B1",
            row["status"],
        )
    everywhere = {level: answer(shop, "trace", "--where", f"resin_lot={level}")
                  for level in ("R7", "R8", "R9")}  # fmt: skip
    assert everywhere["R9"] == []
    parts = sum(len(found) for found in everywhere.values())
    assert parts == len(answer(shop, "trace", "--where", "model=D50")) == 40
    (gone,) = [row for row in everywhere["R8"] if row["serial"] == "D50-001"]
    assert (gone["order"], gone["to"]) == ("O-1", "C-1")


def test_parts_are_found_by_a_gauge_and_the_days_of_its_use(shop):
    every = answer(shop, "trace", "--where", "gauge=S1")
    some = answer(
        shop, "trace", "--where", "gauge=S1", "--from", "2026-02-15", "--to", "2026-02-16"
    )
    assert some
    assert {row["serial"] for row in some} < {row["serial"] for row in every}
    for row in some:
        weighings = [r for r in answer(shop, "trace", row["serial"])["records"]
                     if r["kind"] == "weighing" and r["gauge"] == "S1"]  # fmt: skip
        assert any("2026-02-15" <= r["taken_at"] < "2026-02-17" for r in weighings)


def test_verify_as_programs_read_it(shop):
    assert answer(shop, "verify").keys() == {"records", "ok"}
    code, out, _ = run("verify", "--seal", "0" * 64, "--db", shop, "--format", "json")
    found = json.loads(out)
    assert (code, found["ok"]) == (1, False)
    assert "noted seal" in found["first_bad"]


@pytest.mark.parametrize("name", ["flags", "claims", "margins", "drift", "verify", "rebuild",
                                  "upgrade"])  # fmt: skip
def test_every_answer_comes_as_csv_too(shop, name):
    code, out, err = run(name, "--db", shop, "--format", "csv")
    assert (code, err) == (0, "")
    rows = list(csv.DictReader(io.StringIO(out)))
    found = answer(shop, name)
    assert len(rows) >= (len(found) if isinstance(found, list) else 1)
    assert None not in rows[0]


def test_a_spreadsheet_finds_no_formula_in_a_csv(tmp_path):
    db = f"sqlite:///{tmp_path}/a.sqlite"
    with Ledger(db, create=True) as ledger:
        take_catalog(ledger, tmp_path)
        sent = {"order": "=1+1", "to": "@me"}
        accept(ledger, [record("receipt"), record("shipment", **sent)])
    _, out, _ = run("trace", "--where", "batch=B1", "--db", db, "--format", "csv")
    (row,) = csv.DictReader(io.StringIO(out))
    assert (row["order"], row["to"]) == ("'=1+1", "'@me")
    bad = tmp_path / "logs" / "weighing-x.csv"
    bad.parent.mkdir()
    bad.write_text("serial,stage,gauge,gross_g,taken_at,station,inspector\n"
                   "=HYPERLINK(1),rim,S1,450,2026-02-02T10:00:00,ST,ann\n")  # fmt: skip
    _, out, _ = run("import", bad, "--db", db, "--format", "csv")
    (row,) = csv.DictReader(io.StringIO(out))
    assert row["value"] == "'=HYPERLINK(1)"


def test_tables_for_people_name_their_units(shop):
    for name, words in {"claims": "Claimed, g", "flags": "Severity", "margins": "Required multiple",
                        "drift": "First signal"}.items():  # fmt: skip
        code, out, _ = run(name, "--db", shop)
        assert (code, words in out) == (0, True)
    code, out, _ = run("trace", "D50-002", "--db", shop)
    assert code == 0
    assert out.startswith("D50-002: model D50, batch B1, held\nMay not leave: ")


def test_a_note_gives_the_terminal_no_orders(usual, tmp_path):
    orders = "\x1b]0;all is well\x07\x1b[8m \u202e\x9b2J"
    log = tmp_path / "log.jsonl"
    said = {
        "record_id": "5c9b5b0a-3f57-4c5e-9d3c-5f0e0b1f7a11", "kind": "receipt", "serial": "A1",
        "model": "D50", "batch": "B1", "taken_at": "2026-02-02T10:00:00Z", "station": "IN",
        "inspector": "ann", "note": orders, f"paint{orders}": "black",
    }  # fmt: skip
    log.write_text(json.dumps(said) + "\n")
    spelt = r"\x1b]0;all is well\x07\x1b[8m \u202e\x9b2J"
    code, out, _ = run("import", str(log), "--db", usual)
    assert (code, f"columns kept but not known: paint{spelt}\n" in out) == (0, True)
    shown = "".join(run("trace", "A1", "--db", usual)[1].split("\n"))
    assert f"note {spelt}, " in shown
    assert not set(orders).difference(" ]0;al iswe[8m2J").intersection(shown)
    assert answer(usual, "trace", "A1")["records"][0]["note"] == orders
    with Ledger(usual) as ledger:
        hold = {"serial": "A1", "decision": "hold", "reason": orders}
        accept(ledger, [record("disposition", **hold, taken_at="2026-02-03T10:00:00")])
    assert f"held by name: {spelt}; " in run("trace", "A1", "--db", usual)[1]
    unknown = run("trace", "A\x1b[8m", "--db", usual)
    assert unknown == (1, "", "rimqc: no record of serial A\\x1b[8m\n")


def test_an_empty_ledger_is_answered_in_words(tmp_path):
    db = f"sqlite:///{tmp_path}/a.sqlite"
    assert run("upgrade", "--db", db)[0] == 0
    for name in ("flags", "claims", "margins", "drift"):
        code, out, err = run(name, "--db", db)
        assert (code, err, out.count("\n")) == (0, "", 1)
        assert out.endswith(".\n")
        assert answer(db, name) == []
        assert run(name, "--db", db, "--format", "csv")[1] == ""
    assert answer(db, "verify") == {"records": 0, "ok": True}


def test_the_program_runs_as_a_module_and_as_a_command(shop):
    by_module = subprocess.run(
        [sys.executable, "-m", "qc", "verify", "--db", shop], capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    assert by_module.stdout == run("verify", "--db", shop)[1]


def test_the_demo_ends_after_its_findings(tmp_path, monkeypatch):
    """On a few files only: the whole sample has its own test."""
    samples = tmp_path / "sample_logs"
    (samples / "logs").mkdir(parents=True)
    write_shop(samples / "logs", 8)
    schemas = folder("schemas")
    monkeypatch.setattr(
        "qc.resources.folder", lambda name: samples if name == "sample_logs" else schemas
    )
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("RIMQC_DB", raising=False)
    code, out, err = run("demo", "--once")
    assert (code, err) == (0, "")
    assert "kept in sqlite:///rimqc-demo.sqlite" in out
    assert "8 parts" in out
    assert (tmp_path / "rimqc-demo.sqlite").is_file()
