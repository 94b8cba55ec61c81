import json
import subprocess
import sys

import pytest

from qc.ledger.ledger import Ledger
from qc.ledger.writer import Writer
from tests.devices.served import serving
from tests.devices.shop_server import app, new_token
from tests.maker import answer, fields, run, take_catalog, write_csv, write_jsonl


@pytest.fixture
def shop(sqlite, tmp_path):
    db = sqlite.new()
    with Ledger(db) as ledger:
        take_catalog(ledger, tmp_path)
        (tmp_path / "token").write_text(new_token(ledger))
        with Writer(ledger) as writer, serving(app(ledger, writer)) as url:
            yield db, url


@pytest.fixture
def send(shop, tmp_path):
    to = ["--to", shop[1], "--token-file", tmp_path / "token", "--spool", tmp_path / "spool"]
    return lambda *words: run("send", *words, *to)


def weighings(*serials, **more):
    return [fields("weighing", serial=serial, **more) for serial in serials]


def test_a_log_sent_and_then_imported_is_held_once(shop, send, tmp_path):
    log = write_csv(tmp_path / "weighing_1.csv", weighings("W1", "W2"), ";")
    code, out, err = send(log)
    assert (code, err) == (0, "")
    assert out == "2 accepted, 0 already held, 0 refused, 0 waiting.\n"
    assert send(log)[1].startswith("0 accepted, 2 already held")
    assert answer(shop[0], "import", log)["already_held"] == 2


def test_refused_lines_can_be_mended_and_sent(send, tmp_path):
    bad = weighings("W2", gross_g="heavy")
    log = write_jsonl(tmp_path / "x.jsonl", [*weighings("W1"), *bad])
    with log.open("a") as file:
        file.write('{"kind": "weigh\n')
    code, out, err = send(log)
    assert code == 1
    assert "1 accepted, 0 already held, 2 refused (see" in out
    assert "line 3: " in err
    for path in (tmp_path / "spool" / "refused").iterdir():
        text = path.read_text().replace("heavy", "451")
        path.unlink()
        mended = tmp_path / path.name
        mended.write_text(text)
    assert sorted(p.name for p in tmp_path.glob("*.refused.*")) == [
        "000000000001.refused.jsonl", "x.refused.jsonl",
    ]  # fmt: skip
    assert send(tmp_path / "000000000001.refused.jsonl")[1].startswith("1 accepted")


def test_records_of_a_program_are_acknowledged_when_they_are_kept(shop, tmp_path):
    words = [sys.executable, "-m", "qc", "send", "-", "--to", shop[1], "--token-file", "token",
             "--spool", "spool", "--format", "json"]  # fmt: skip
    sender = subprocess.Popen(
        words, cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    told = []
    for rows in (weighings("W1"), weighings("W2", "W3")):
        sender.stdin.write("".join(json.dumps(row) + "\n" for row in rows).encode())
        sender.stdin.flush()
        while sum(1 for _ in rows) and (not told or told[-1] < int(rows[-1]["serial"][1:])):
            told.append(json.loads(sender.stdout.readline())["kept"])
    out, err = sender.communicate(json.dumps(weighings("W4")[0]).encode(), timeout=60)
    assert (sender.returncode, err) == (0, b"")
    assert told[-1] == 3
    assert json.loads(out) == {"accepted": 4, "already_held": 0, "refused": 0, "waiting": 0}


def test_the_token_stands_in_no_message_and_no_file_of_the_spool(shop, send, tmp_path):
    token = (tmp_path / "token").read_text()
    log = write_jsonl(tmp_path / "x.jsonl", weighings("W1", gross_g="heavy"))
    said = "".join(map(str, send(log)))
    (tmp_path / "token").write_text(token[:-1] + "x")
    code, out, err = send(log)
    assert code == 1
    assert "refuses the token (401)" in err
    said += out + err
    kept = [path.read_text() for path in (tmp_path / "spool").rglob("*") if path.is_file()]
    assert all(token[:-1] not in text for text in [said, *kept])


def test_without_the_server_all_waits_in_the_spool(send, tmp_path):
    log = write_jsonl(tmp_path / "x.jsonl", weighings("W1", "W2"))
    away = ["--to", "http://127.0.0.1:9", "--token-file", tmp_path / "token", "--spool",
            tmp_path / "spool", "--wait", "0.2"]  # fmt: skip
    code, out, err = run("send", log, *away)
    assert (code, out) == (1, "0 accepted, 0 already held, 0 refused, 2 waiting.\n")
    assert "Connection refused; it is tried again" in err
    code, out, _ = send()
    assert (code, out) == (0, "2 accepted, 0 already held, 0 refused, 0 waiting.\n")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["nowhere.csv"], "cannot be opened"),
        (["photo.jpg"], "is not a log"),
        (["--ca", "nowhere.pem", "--to", "https://127.0.0.1:9"], "--ca nowhere.pem: No such file"),
        (["--to", "127.0.0.1:9"], "write https://host:port"),
    ],
)
def test_wrong_usage_is_told_in_a_line(shop, tmp_path, monkeypatch, words, told):
    monkeypatch.chdir(tmp_path)
    code, out, err = run("send", "--to", shop[1], "--token-file", "token", *words)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert told in err


def test_a_token_over_an_unprotected_network_is_told(shop, tmp_path):
    _, _, err = run("send", "--to", "http://192.0.2.1:9", "--token-file", tmp_path / "token",
                    "--spool", tmp_path / "spool")  # fmt: skip
    assert "whoever is on this network can read the token" in err
