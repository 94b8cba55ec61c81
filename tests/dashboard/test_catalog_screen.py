"""The catalog on the screen: everybody looks things up, some change them, in two steps."""

from pathlib import Path
from typing import Any

import msgspec
import pytest

from qc.ledger.ledger import Ledger
from qc.people.who import Person
from tests.dashboard.using import field, press, tables, text

OWNER = Person("O1", "Olga", "owner")
ENGINEER = Person("E1", "Eva", "engineer")
TECHNICIAN = Person("T1", "Tom", "technician")
CLAIM = {"what": "Claimed masses", "entry": "K40, rim"}


def claims(db: str) -> list[Any]:
    with Ledger(db) as ledger:
        return ledger.catalog().claims_at("rim")


def test_an_entry_shows_its_versions_and_who_entered_them(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "catalog", **CLAIM)
    assert "Claim K40, rim" in text(app)
    assert "430 g,12 g,12 g,simple,a file" in tables(app)


def test_the_source_of_a_limit_stands_in_the_list(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "catalog", what="Run-out limits")
    assert "none given" in tables(app)
    assert "Source" in tables(app).splitlines()[0]


def test_an_owner_sees_what_a_claim_would_do_and_keeps_it(screen: Any, own_db: str) -> None:
    app = screen(own_db, "catalog", OWNER, **CLAIM)
    field(app, "Claimed mass").input("441,5")
    field(app, "Holds from").input("2099-01-01")
    press(app, "See what it does")
    assert (
        "From 2099-01-01 the claim for K40 rim says: claimed mass 441.5 g instead of 430 g."
        in text(app)
    )
    assert "Verdicts of earlier days stay." in text(app)
    assert len(claims(own_db)) == 1
    press(app, "Keep it")
    assert "Kept. From 2099-01-01" in text_of_success(app)
    assert "from 2099-01-01,441.5 g,12 g,12 g,simple,O1" in tables(app)
    assert [str(claim.claimed_g) for claim in claims(own_db)] == ["430", "441.5"]


def text_of_success(app: Any) -> str:
    return "\n".join(box.value.replace("\\", "") for box in app.success)


def test_what_was_typed_stays_when_it_is_refused_and_when_one_goes_back(
    screen: Any, own_db: str
) -> None:
    app = screen(own_db, "catalog", OWNER, **CLAIM)
    field(app, "Claimed mass").input("heavy")
    field(app, "Allowed above").input("15")
    press(app, "See what it does")
    assert "Claimed mass: heavy was given; expected a number above 0." in text(app)
    assert field(app, "Claimed mass").value == "heavy"
    field(app, "Claimed mass").input("441")
    press(app, "See what it does")
    press(app, "Back to the form")
    assert (field(app, "Claimed mass").value, field(app, "Allowed above").value) == ("441", "15")
    assert len(claims(own_db)) == 1


@pytest.mark.parametrize(
    ("who", "table", "may"),
    [
        (OWNER, "Claimed masses", True),
        (OWNER, "Plans", True),
        (ENGINEER, "Claimed masses", False),
        (ENGINEER, "Run-out limits", True),
        (ENGINEER, "Frozen baselines", True),
        (TECHNICIAN, "Run-out limits", False),
        (TECHNICIAN, "Batches", False),
        (TECHNICIAN, "Frozen baselines", False),
    ],
)
def test_a_form_is_shown_to_who_may_and_the_others_are_told_who(
    screen: Any, shop_db: str, who: Person, table: str, may: bool
) -> None:
    app = screen(shop_db, "catalog", who, what=table, entry="a new one")
    offered = [button.label for button in app.button]
    assert ("See what it does" in offered) == may
    told = "set by the owner" in text(app) or "by an engineer or the owner" in text(app)
    assert told != may


def test_who_lost_the_right_meanwhile_is_refused_and_loses_nothing(
    screen: Any, own_db: str
) -> None:
    from qc.stations import here

    app = screen(own_db, "catalog", OWNER, **CLAIM)
    field(app, "Claimed mass").input("441")
    press(app, "See what it does")
    here.opened(own_db, ENGINEER)
    app.run()
    assert "Claims are set by the owner." in text(app)
    assert len(claims(own_db)) == 1


def test_a_change_by_somebody_else_is_shown_before_mine_is_kept(screen: Any, own_db: str) -> None:
    from qc.stations import desk, here

    app = screen(own_db, "catalog", OWNER, **CLAIM)
    field(app, "Claimed mass").input("441")
    field(app, "Holds from").input("2099-01-01")
    press(app, "See what it does")
    (held,) = claims(own_db)
    other = msgspec.structs.replace(held, claimed_g=held.claimed_g + 5)
    assert desk.submit_entries(here.opened(own_db).ledger, OWNER, [other])["accepted"] == 1
    press(app, "Keep it")
    assert "has changed meanwhile" in text(app)
    press(app, "Show it")
    assert "claimed mass 441 g instead of 435 g" in text(app)
    press(app, "Keep it")
    assert "Kept." in text_of_success(app)


def test_a_new_batch_comes_with_its_factors(screen: Any, own_db: str) -> None:
    app = screen(own_db, "catalog", ENGINEER, what="Batches", entry="a new one")
    field(app, "Code").input("B99")
    field(app, "Model").select("K40")
    field(app, "Made on").input("2026-05-02")
    field(app, "Quantity").input("12")
    field(app, "Its value, resin").input("R9")
    press(app, "See what it does")
    assert "No record names it yet, so no verdict changes." in text(app)
    press(app, "Keep it")
    with Ledger(own_db) as ledger:
        batch = ledger.catalog().batch("B99")
    assert batch is not None
    assert (batch.quantity, batch.factors) == (12, {"resin_lot": "R9"})


def test_a_shop_without_a_catalog_enters_its_first_model_here(screen: Any, tmp_path: Path) -> None:
    from qc.commands import main

    db = f"sqlite:///{tmp_path}/new.sqlite"
    assert main(["--db", db, "upgrade"]) == 0
    app = screen(db, "catalog", OWNER, what="Models", entry="a new one")
    field(app, "Code").input("K40")
    field(app, "Depth").input("40")
    field(app, "Brake").select("disc")
    field(app, "Tyre").select("tubeless")
    field(app, "Spokes").input("24")
    press(app, "See what it does")
    press(app, "Keep it")
    with Ledger(db) as ledger:
        model = ledger.catalog().model("K40")
    assert model is not None
    assert model.spokes == 24


# as the drift screen would, for one of its streams
FREEZE = """
import sys
from qc.resources import folder
sys.path.insert(0, str(folder("dashboard")))
import cached, catalog_form
catalog_form.say_what_was_kept()
stream = next(s for s in cached.levels() if s["characteristic"] == "bare-mass")
catalog_form.freeze(stream)
"""


def test_a_baseline_is_frozen_from_the_batches_of_a_stream(
    own_db: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from streamlit.testing.v1 import AppTest

    from qc.stations import here

    monkeypatch.setenv("RIMQC_DB", own_db)
    here.opened(own_db, ENGINEER)
    app = AppTest.from_string(FREEZE, default_timeout=60).run()
    assert not app.exception
    assert [one.label for one in app.selectbox] == []  # what it is of is known
    batches = field(app, "Batches that set the level")
    assert batches.options[0].startswith("B26")
    for batch in ("B20", "B21", "B22"):
        batches.select(batch)
    field(app, "Name").input("new resin")
    field(app, "Reason").input("the change is meant to stay")
    press(app, "See what it does")
    assert "Batches of K40 from the first of these on are compared with them anew" in text(app)
    press(app, "Keep it")
    assert "Kept." in text_of_success(app)
    with Ledger(own_db) as ledger:
        (frozen,) = ledger.catalog().baselines("K40", "rim", "bare-mass", "")
    here.close()
    assert (frozen.name, frozen.batches) == ("new resin", ("B20", "B21", "B22"))
