"""Who may do what, over every route, kind of record, decision and table of the catalog."""

import datetime as dt
import itertools
import json
import re
from decimal import Decimal

import pytest
from starlette.routing import Mount

from qc.catalog.entries import TABLES
from qc.people.roles import ACTIONS, ROLES, entry_action
from qc.people.who import Person, may
from qc.records.kinds import KINDS, Disposition
from qc.records.parsing import FIELDS
from qc.stations.app import routes
from qc.stations.desk import submit, submit_entries
from tests.maker import answer
from tests.stations.shop import PEOPLE, browser, gated, line, now, opened, station_token

# written down once more by hand: what the work of each role is
TECHNICIANS = {"see", "record", "undo"}
ENGINEERS = TECHNICIANS | {
    *("correct", "accept-suspect", "hold", "dispose", "set-limits", "freeze-baseline"),
}
MAY = {
    "technician": TECHNICIANS,
    "engineer": ENGINEERS,
    "owner": ENGINEERS | {"set-claims", "concede", "manage-people"},
}
DECISIONS = next(f for f in FIELDS["disposition"] if f.name == "decision").rule.schema["enum"]
MORE = {"regrade": {"grade": "B"}, "concession": {"quantity": 1}}


@pytest.fixture
def here(sqlite, tmp_path):
    with opened(sqlite.new(), tmp_path) as found:
        yield found


def person(role):
    return Person(f"p-{role}", role.title(), role, session="s")


def test_each_role_may_do_its_work_and_nothing_else():
    assert {role: {a for a in ACTIONS if may(person(role), a)} for role in ROLES} == MAY


def test_an_action_that_nobody_knows_is_a_fault_and_no_permission():
    with pytest.raises(ValueError, match="no such action"):
        may(person("owner"), "everything")


@pytest.mark.parametrize("role", ROLES)
def test_every_kind_of_reading_may_be_recorded_by_every_role(here, role):
    kinds = [kind for kind in KINDS if kind not in ("correction", "disposition", "shipment")]
    said = submit(here.ledger, here.writer, person(role), [line(kind) for kind in kinds])
    assert (said["accepted"], said["refusals"]) == (len(kinds), [])


@pytest.mark.parametrize(("role", "decision"), list(itertools.product(ROLES, DECISIONS)))
def test_decisions_are_for_those_entitled(here, role, decision):
    sent = line("disposition", decision=decision, **MORE.get(decision, {}))
    said = submit(here.ledger, here.writer, person(role), [sent])
    action = {"hold": "hold", "concession": "concede"}.get(decision, "dispose")
    assert said["accepted"] == (action in MAY[role])
    if not said["accepted"]:
        (refusal,) = said["refusals"]
        assert (refusal["field"], refusal["value"]) == ("decision", decision)
        assert f"a {role} may not" in refusal["reason"]


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("how", ["void", "replacement", "accept"])
def test_corrections_of_what_others_entered_are_for_engineers(here, role, how):
    first = line()
    submit(here.ledger, here.writer, person("owner")._replace(code="other"), [first])
    what = {"void": True, "accept": True, "replacement": first | {"inspector": "other"}}[how]
    mend = line("correction", of=first["record_id"], reason="a slip", **{how: what})
    said = submit(here.ledger, here.writer, person(role), [mend])
    assert said["accepted"] == (role != "technician"), said


@pytest.mark.parametrize(("role", "table"), list(itertools.product(ROLES, TABLES)))
def test_catalog_tables_are_changed_by_those_entitled(here, role, table):
    entry = ENTRIES[table]
    said = submit_entries(here.ledger, person(role), [entry])
    allowed = entry_action(entry) in MAY[role]
    assert (said["accepted"] + said["already_held"] == 1) == allowed, said
    owners = {"claim", "site"}
    assert allowed == (role == "owner" if table in owners else role != "technician")


def test_a_baseline_and_a_claim_are_their_own_actions():
    assert entry_action(ENTRIES["baseline"]) == "freeze-baseline"
    assert entry_action(ENTRIES["claim"]) == "set-claims"


def test_an_engineer_cannot_take_back_or_write_in_what_only_an_owner_grants(here):
    granted = line("disposition", decision="concession", quantity=1)
    submit(here.ledger, here.writer, person("owner"), [granted])
    void = line("correction", of=granted["record_id"], reason="no", void=True)
    held = line("disposition", decision="hold")
    own = submit(here.ledger, here.writer, person("engineer"), [held])
    slipped = granted | {"record_id": held["record_id"], "inspector": "p-engineer"}
    swap = line("correction", of=held["record_id"], reason="no", replacement=slipped)
    said = submit(here.ledger, here.writer, person("engineer"), [void, swap])
    assert own["accepted"] == 1
    assert said["accepted"] == 0
    assert all("grant concessions" in refusal["reason"] for refusal in said["refusals"])


def test_a_technician_takes_back_their_own_last_record_for_a_while(here, monkeypatch):
    first, second = line(), line()
    submit(here.ledger, here.writer, person("technician"), [first, second])
    undo = line("correction", of=first["record_id"], reason="wrong rim", void=True)
    assert submit(here.ledger, here.writer, person("technician"), [undo])["accepted"] == 1
    monkeypatch.setattr("qc.stations.rights.now", lambda: now().replace(year=now().year + 1))
    late = line("correction", of=second["record_id"], reason="wrong rim", void=True)
    (refusal,) = submit(here.ledger, here.writer, person("technician"), [late])["refusals"]
    assert "a technician may not correct" in refusal["reason"]


def test_a_clock_set_back_does_not_prolong_taking_back(here, monkeypatch):
    mine = line()
    submit(here.ledger, here.writer, person("technician"), [mine])
    monkeypatch.setattr("qc.stations.rights.now", lambda: now() - dt.timedelta(days=365))
    undo = line("correction", of=mine["record_id"], reason="wrong rim", void=True)
    (refusal,) = submit(here.ledger, here.writer, person("technician"), [undo])["refusals"]
    assert "a technician may not correct" in refusal["reason"]


def test_the_time_a_record_claims_does_not_prolong_taking_it_back(here, monkeypatch):
    ahead = line(taken_at=now().replace(year=now().year + 1).isoformat())
    submit(here.ledger, here.writer, person("technician"), [ahead])
    monkeypatch.setattr("qc.stations.rights.now", lambda: now().replace(year=now().year + 1))
    undo = line("correction", of=ahead["record_id"], reason="wrong rim", void=True)
    assert submit(here.ledger, here.writer, person("technician"), [undo])["refused"] == 1


def test_undoing_takes_nothing_back_but_ones_own_and_never_an_undoing(here):
    theirs, mine = line(), line()
    submit(here.ledger, here.writer, person("technician")._replace(code="other"), [theirs])
    submit(here.ledger, here.writer, person("technician"), [mine])
    undo = line("correction", of=mine["record_id"], reason="x", void=True)
    submit(here.ledger, here.writer, person("technician"), [undo])
    tried = [
        line("correction", of=theirs["record_id"], reason="x", void=True),
        line("correction", of=undo["record_id"], reason="x", void=True),
        line("correction", of=mine["record_id"], reason="x", replacement=mine | {"inspector": "x"}),
        line("correction", of="00000000-0000-4000-8000-000000000000", reason="x", void=True),
    ]
    assert submit(here.ledger, here.writer, person("technician"), tried)["refused"] == len(tried)


def test_a_gauge_that_people_are_named_for_is_for_them_alone(here):
    from qc.people.accounts import grant_gauge

    with here.ledger.writing() as connection:
        grant_gauge(connection, "RIG", ["tom"])
        grant_gauge(connection, "S1", ["tom"])
    eva, tom = (Person(code, code, PEOPLE[code], session="s") for code in ("eva", "tom"))
    lines = [line("drop"), line("weighing"), line("gauge-check"), line("runout")]
    said = submit(here.ledger, here.writer, eva, lines)
    assert [refusal["line"] for refusal in said["refusals"]] == [1, 2, 3]
    assert "may use this rig" in said["refusals"][0]["reason"]
    assert submit(here.ledger, here.writer, tom, lines[:3])["accepted"] == 3
    # a rig's token does not use the rig: whoever logged the reading does
    app, token = gated(here), station_token(here)
    sent = [line("drop", drop_no=2) | {"inspector": code} for code in ("eva", "tom")]
    said = (
        browser(app)
        .post("/station/records", json=sent, headers={"authorization": f"Bearer {token}"})
        .json()
    )
    assert (said["accepted"], [r["field"] for r in said["refusals"]]) == (1, ["gauge"])


def test_a_station_records_and_decides_nothing_unless_its_token_says_so(here):
    sent = [line() | {"inspector": "ann"}, line("disposition") | {"inspector": "ann"}]
    first, app = station_token(here), gated(here)
    said = _handed_in(app, first, sent)
    assert (said["accepted"], said["refused"]) == (1, 1)
    assert said["refusals"][0]["reason"].startswith("a technician may not")
    said = _handed_in(app, station_token(here, "W2", "engineer"), sent)
    assert (said["accepted"], said["already_held"], said["refused"]) == (1, 1, 0)


def _handed_in(app, token, sent):
    head = {"authorization": f"Bearer {token}"}
    return browser(app).post("/station/records", json=sent, headers=head).json()


def _paths(found):
    """Every path a request can ask for, with something in its holes."""
    for route in found:
        if isinstance(route, Mount):
            yield f"{route.path}/desk.js", {"GET"}
        else:
            yield re.sub(r"\{[^}]*\}", "x.jpg", route.path), route.methods


def test_nobody_comes_in_by_any_route_without_signing_in(here):
    found = [*_paths(routes(here, secure=False)), ("/", {"GET"}), ("/media/log.csv", {"GET"})]
    client = browser(gated(here))
    tried = 0
    for path, methods in found:
        for method in methods - {"HEAD"}:
            said = client.request(method, path, headers={"accept": "*/*"})
            if path.startswith("/sign-in"):
                assert said.status_code in (200, 403)
            else:
                assert said.status_code == 401, (method, path)
                tried += 1
    assert tried > 12


def test_only_an_owner_names_a_station_by_route(here):
    app = gated(here)
    for code, role in PEOPLE.items():
        client = browser(app, here, code)
        said = client.post("/account/station", data={"station": "W9"})
        assert said.status_code == (303 if role == "owner" else 403)
        assert ("rimqc-station" in said.cookies) == (role == "owner")


@pytest.mark.parametrize("code", PEOPLE)
def test_the_entry_route_asks_the_same_table(here, code):
    client, role = browser(gated(here), here, code), PEOPLE[code]
    sent = [line(), *(line("disposition", decision=one, **MORE.get(one, {})) for one in DECISIONS)]
    said = client.post("/entry/records", json={"records": sent}).json()
    held = 1 + sum(
        {"hold": "hold", "concession": "concede"}.get(one, "dispose") in MAY[role]
        for one in DECISIONS
    )
    assert (said["accepted"], said["refused"]) == (held, len(sent) - held)


def test_what_is_recorded_says_who_entered_it_and_the_seal_holds_it(here):
    tom = Person("tom", "Tom", "technician", station="W1", session="s")
    sent = {name: value for name, value in line().items() if name != "station"}
    submit(here.ledger, here.writer, tom, [sent])
    db = here.ledger.url.render_as_string()
    (found,) = [r for r in answer(db, "trace", "R1")["records"] if r["kind"] == "weighing"]
    assert (found["inspector"], found["entered_by"], found["station"]) == ("tom", "tom", "W1")
    assert answer(db, "verify")["ok"]
    with here.ledger.engine.begin() as connection:
        connection.exec_driver_sql("DROP TRIGGER IF EXISTS journal_no_update")
        names = connection.exec_driver_sql(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        ).scalars()
        for name in list(names):
            connection.exec_driver_sql(f"DROP TRIGGER {name}")
        connection.exec_driver_sql(
            'UPDATE journal SET body = replace(body, \'"entered_by":"tom"\', '
            '\'"entered_by":"eva"\')'
        )
    assert "was changed" in answer(db, "verify")["first_bad"]


def test_nobody_says_in_a_line_who_entered_it(here):
    sent = line() | {"entered_by": "olga"}
    said = submit(here.ledger, here.writer, person("technician"), [sent])
    assert said["unknown_columns"] == ["entered_by"]
    db = here.ledger.url.render_as_string()
    (found,) = [r for r in answer(db, "trace", "R1")["records"] if r["kind"] == "weighing"]
    assert found["entered_by"] == "p-technician"


def test_a_line_under_another_name_is_refused_and_not_rewritten(here):
    said = submit(here.ledger, here.writer, person("engineer"), [line() | {"inspector": "tom"}])
    assert (said["refused"], said["refusals"][0]["field"]) == (1, "inspector")


def test_the_same_record_from_two_people_is_one_record(here):
    sent = line() | {"inspector": "ann"}
    app = gated(here)
    assert _handed_in(app, station_token(here, "W1"), [sent])["accepted"] == 1
    assert _handed_in(app, station_token(here, "W2"), [sent])["already_held"] == 1


def test_a_screens_numbers_are_kept_as_shown(here):
    sent = line(gross_g=Decimal("451.50")), line(gross_g=0.1 + 0.2 + 450)
    submit(here.ledger, here.writer, person("technician"), list(sent))
    db = here.ledger.url.render_as_string()
    kept = [r["gross_g"] for r in answer(db, "trace", "R1")["records"] if "gross_g" in r]
    assert sorted(kept) == [450.3, 451.5]


def test_an_account_becomes_an_inspector_of_a_catalog_that_lists_them(here):
    from qc.catalog.entries import Inspector

    listed = [Inspector(code="ann", name="Ann")]
    submit_entries(here.ledger, person("engineer"), listed)
    assert submit(here.ledger, here.writer, person("technician"), [line()])["accepted"] == 1
    assert set(here.ledger.catalog().codes(Inspector)) == {"ann", "p-technician"}


def test_decisions_are_known_by_the_table_of_actions():
    assert Disposition.__struct_config__.tag == "disposition"
    assert set(DECISIONS) >= {"hold", "concession", "release"}


def _entries():
    from qc.catalog.toml_file import read_entry

    given = json.loads(ENTRIES_JSON, parse_float=Decimal)
    assert given.keys() == TABLES.keys()
    return {table: read_entry(table, item)[0] for table, item in given.items()}


ENTRIES_JSON = """{
 "site": {"code": "HQ", "time_zone": "Europe/Berlin"},
 "model": {"code": "D60", "depth_mm": 60, "brake": "disc", "tyre": "tubeless", "spokes": 24},
 "claim": {"model": "D50", "stage": "rim", "claimed_g": 440, "over_g": 9, "under_g": 9,
           "from": "2026-10-01"},
 "fitted_part": {"code": "tape-2", "mass_g": 12, "u_g": 0.2},
 "gauge": {"code": "S9", "measures": "mass", "unit": "g", "resolution": 0.1, "u": 0.2},
 "characteristic": {"code": "hole", "unit": "mm", "name": "Spoke hole"},
 "limit": {"characteristic": "bore", "lower": 6.3},
 "runout_limit": {"direction": "radial", "stage": "rim", "limit_mm": 0.5},
 "finding_limit": {"zone": "hook", "defect": "void", "size_mm": 3, "severity": "minor"},
 "balance_limit": {"stage": "rear-wheel", "limit_gmm": 2900},
 "protocol": {"code": "P50", "stage": "rim", "standard_energy_j": 50, "required_multiple": 2,
              "method": "repeat", "positions_deg": [0], "fails_at": "crack"},
 "plan": {"model": "R30", "stage": "rim", "requires": ["weighing"]},
 "batch": {"code": "B9", "model": "D50", "made_on": "2026-03-01", "quantity": 5},
 "baseline": {"model": "D50", "characteristic": "bare-mass", "stage": "rim", "name": "first",
              "batches": ["B1", "B2"], "reason": "the year's start"},
 "station": {"code": "ST-1", "name": "First"},
 "inspector": {"code": "ann", "name": "Ann"},
 "readout": {"gauge": "S1", "pattern": "(?P<value>[0-9.]+) g", "unit": "g", "baud": 9600}
}"""
ENTRIES = _entries()
