"""Small shops whose answers were worked out by hand must come out as they were worked out."""

import json
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from qc.ledger.importing import import_paths
from qc.ledger.ledger import Ledger
from qc.views.claim_parts import masses
from qc.views.claims import claims
from qc.views.flags import flags
from qc.views.margins import margins
from qc.views.trace import trace

HERE = Path(__file__).parent
SHOPS = sorted(path.parent.name for path in HERE.glob("*/expected.json"))
NAMES = ("serial", "batch", "gauge", "stage", "test", "characteristic", "severity")


class Shop:
    """A shop taken in, its expected answers, and ours."""

    def __init__(self, name: str, folder: Path) -> None:
        self.expected = json.loads((HERE / name / "expected.json").read_text(encoding="utf-8"))
        self.ledger = Ledger(f"sqlite:///{folder / 'shop.sqlite'}", create=True)
        self.root = HERE / name
        self.report = import_paths(self.ledger, [self.root / "logs"], refused_folder=None)
        with self.ledger.reading() as connection:
            catalog = self.ledger.known(connection).catalog
            self.flags = flags(connection, everything=True)
            self.claims = claims(connection, catalog)
            self.margins = margins(connection, catalog)
            self.masses = {
                (row["serial"], key): row
                for key in ("rim", "front-wheel", "rear-wheel", "pair")
                for model in {row["model"] for row in self.claims}
                for row in masses(connection, catalog, model, key)
            }

    def trace(self, serial: str) -> dict[str, Any]:
        with self.ledger.reading() as connection:
            return trace(connection, self.ledger.known(connection).catalog, serial)


@pytest.fixture(scope="module", params=SHOPS)
def shop(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Shop:
    return Shop(request.param, tmp_path_factory.mktemp(request.param))


def fits(flag: dict[str, Any], wanted: dict[str, Any]) -> bool:
    """Whether a flag of ours is the one that is stated."""
    if flag["flag"] != wanted["flag"] or flag["state"] != wanted.get("state", flag["state"]):
        return False
    return all(name not in wanted or flag.get(name) == wanted[name] for name in NAMES)


def test_every_stated_line_is_taken_in_or_refused(shop: Shop) -> None:
    stated = shop.expected["import"]
    ours = {str(Path(f.file).relative_to(shop.root / "logs")): f for f in shop.report.files}
    for file in stated.get("files", []):
        found = ours[file["file"]]
        counts = (found.accepted, found.already_held, found.refused)
        assert counts == (file["accepted"], file["already_held"], file["refused"]), file
        if "unknown_columns" in file:
            assert sorted(found.unknown_columns) == sorted(file["unknown_columns"]), file
    totals = (shop.report.accepted, shop.report.already_held, shop.report.refused)
    assert totals == (stated["accepted"], stated["already_held"], stated["refused"])


def test_every_refusal_names_its_line_and_field(shop: Shop) -> None:
    ours = {
        (str(Path(f.file).relative_to(shop.root / "logs")), r["line"]): r
        for f in shop.report.files
        for r in f.refusals
    }
    for stated in shop.expected["refusals"]:
        found = ours[stated["file"], stated["line"]]
        if "field" in stated:
            assert found["field"] == stated["field"], stated


def test_the_open_flags_are_those_worked_out_and_no_others(shop: Shop) -> None:
    ours = [flag for flag in shop.flags if flag["state"] == "open"]
    for wanted in shop.expected["open_flags"]:
        found = [flag for flag in ours if fits(flag, wanted)]
        assert found, f"missing: {wanted}"
        ours.remove(found[0])
    assert not ours, "not worked out: " + "; ".join(
        f"{f['flag']} {f.get('serial') or f.get('batch') or f.get('gauge')} {f['message']}"
        for f in ours
    )


def test_flags_carry_the_values_worked_out(shop: Shop) -> None:
    for wanted in shop.expected["open_flags"]:
        found = next((flag for flag in shop.flags if fits(flag, wanted)), None)
        assert found is not None, wanted
        for name in ("value", "limit"):
            if name in wanted:
                assert found[name] == pytest.approx(wanted[name], rel=1e-6), wanted
        if "probability" in wanted:
            assert found["probability"] == pytest.approx(wanted["probability"], abs=6e-5), wanted
        if "unit" in wanted and wanted["flag"] != "unbalance":
            assert found["unit"] == wanted["unit"], wanted
        if "records" in wanted:
            assert set(found["records"]) == set(wanted["records"]), wanted


def test_closed_flags_are_kept_and_no_others_appear(shop: Shop) -> None:
    ours = [flag for flag in shop.flags if flag["state"] == "closed"]
    stated = [flag for flag in shop.expected["all_flags"] if flag.get("state") == "closed"]
    for wanted in stated:
        found = [flag for flag in ours if fits(flag, wanted)]
        assert found, f"missing: {wanted}"
        ours.remove(found[0])
    tolerated = shop.expected.get("tolerated_closed", [])
    extra = [flag for flag in ours if not any(fits(flag, wanted) for wanted in tolerated)]
    assert not extra


def test_margins_are_those_worked_out(shop: Shop) -> None:
    ours = {(m["protocol"], m["model"]): m for m in shop.margins}
    for stated in shop.expected["margins"]:
        found = ours[stated["protocol"], stated["model"]]
        assert found["required_multiple"] == stated["required_multiple"]
        tests = {(t["test"], t["serial"]): t for t in found["tests"]}
        for test in stated["tests"]:
            mine = tests.pop((test["test"], test["serial"]))
            for name in ("batch", "first_damage"):
                if name in test:
                    assert mine[name] == test[name], test
            for name in ("survived", "failed"):
                if name in test:
                    wanted = test[name]
                    assert mine[name] == (wanted if wanted is None else pytest.approx(wanted)), test
            if "marks" in test:
                assert Counter(mine["marks"]) == Counter(test["marks"]), test
        left_out = {(t["test"], t["serial"]) for t in stated.get("left_out", [])}
        uncounted = {key for key, test in tests.items() if key not in left_out or not test["marks"]}
        assert not uncounted


def test_claims_are_those_worked_out(shop: Shop) -> None:
    ours = {(row["model"], row["stage"]): row for row in shop.claims}
    for stated in shop.expected["claims"]:
        found = ours[stated["model"], stated["stage"]]
        for name, value in stated.items():
            if name in found and name not in ("model", "stage"):
                wanted = value if value is None else pytest.approx(value, rel=2e-6)
                assert found[name] == wanted, (name, stated)


def test_masses_and_verdicts_are_those_worked_out(shop: Shop) -> None:
    for stated in (*shop.expected.get("masses", []), *shop.expected.get("verdicts", [])):
        found = shop.masses[stated["serial"], stated["stage"]]
        assert found["bare_g"] == pytest.approx(stated["mass_g"], rel=1e-6), stated
        if "u_g" in stated:
            assert found["u_g"] == pytest.approx(stated["u_g"], rel=2e-6), stated
        if "verdict" in stated:
            assert found["verdict"] == stated["verdict"], stated


def test_what_is_missing_and_who_may_leave_are_as_worked_out(shop: Shop) -> None:
    for serial, missing in shop.expected.get("missing", {}).items():
        assert set(shop.trace(serial)["missing"]) == set(missing), serial
    for stated in shop.expected.get("may_leave", []):
        found = shop.trace(stated["serial"])
        assert found["may_leave"] == stated["may_leave"], (stated, found["reasons"])


def test_later_imports_end_as_worked_out(shop: Shop) -> None:
    for later in shop.expected.get("later_imports", []):
        report = import_paths(shop.ledger, [shop.root / later["path"]], refused_folder=None)
        if "accepted" in later:
            counts = (report.accepted, report.already_held, report.refused)
            wanted = (later["accepted"], later["already_held"], later["refused"])
            assert counts == wanted, (later, [(f.file, f.refusals) for f in report.files])
        else:
            assert report.refused >= 1, later
