"""Decisions, corrections, parts touched and gauges on the screen: what a person sees and may do."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from qc.ledger.ledger import Ledger
from qc.people.who import Person
from qc.views.trace import trace
from tests.dashboard.served import DRAWN, served
from tests.dashboard.shop import CORRECTED, LATE, STRUCK, VOID
from tests.dashboard.using import field, figures, tables, text
from tests.maker import accept, made

OWNER = Person("O1", "Olga", "owner", "bench")
ENGINEER = Person("E1", "Eva", "engineer", "bench")
TECHNICIAN = Person("T1", "Tom", "technician", "bench")


def take_in(db: str, **fields: Any) -> None:
    """One more record, as a log would bring it."""
    with Ledger(db) as ledger:
        head = {"station": "bench", "inspector": "I1"}
        assert accept(ledger, [made(head | fields)]) == ["accepted"]


def part(db: str, serial: str) -> dict[str, Any]:
    with Ledger(db) as ledger, ledger.reading() as connection:
        return trace(connection, ledger.known(connection).catalog, serial)


def press(app: Any, label: str) -> Any:
    (found,) = [button for button in app.button if button.label.startswith(label)]
    return found.click().run()


def errors(app: Any) -> str:
    return "\n".join(element.value for element in app.error)


def decide(app: Any, decision: str, reason: str, **more: Any) -> Any:
    """Choose a decision, fill in the form, hand it in."""
    field(app, "Decision").select(decision).run()
    field(app, "Reason").input(reason)
    for label, value in more.items():
        field(app, label.replace("_", " ")).set_value(value)
    return press(app, decision.capitalize())


# ---- decisions ----


def test_what_waits_for_a_decision_is_listed_before_anything_is_typed(
    screen: Any, own_db: str
) -> None:
    take_in(own_db, kind="disposition", taken_at="2026-05-04T10:00:00", serial="K_01-1",
            decision="hold", reason="look again")  # fmt: skip
    app = screen(own_db, "decide")
    assert "Batches that wait for a decision: 1" in text(app)
    assert "held: all *heavy*, see <b>scale</b>" in tables(app)
    assert "[K_01-1](/decide?on=K_01-1)" in tables(app)


def test_an_engineer_holds_a_part_and_it_may_not_leave(screen: Any, own_db: str) -> None:
    app = screen(own_db, "decide", ENGINEER, on="K_01-1")
    assert "No decision is wanted" in text(app)
    app = decide(app, "hold", "dull spot at the valve hole")
    assert app.success[0].value == "✓ Decided on K\\_01-1\\: hold."
    assert "Status: held. ✕ May not leave." in text(app)
    assert "A release now would let it leave" in text(app)
    found = part(own_db, "K_01-1")
    assert found["reasons"] == ["held by name: dull spot at the valve hole"]
    (held,) = found["dispositions"]
    assert (held["inspector"], held["station"], held["entered_by"]) == ("E1", "bench", "E1")
    assert field(app, "Decision").value is None  # the next one starts anew


def test_a_decision_without_a_reason_is_not_taken(screen: Any, own_db: str) -> None:
    app = decide(screen(own_db, "decide", ENGINEER, on="K_01-1"), "hold", " ")
    assert "needs a reason" in errors(app)
    assert part(own_db, "K_01-1")["dispositions"] == []


def test_a_technician_sees_who_decides_and_is_offered_nothing(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "decide", TECHNICIAN, on="K_01-1")
    assert "Hold: only for the engineer or owner" in text(app)
    assert "Concession: only for the owner" in text(app)
    assert [box.label for box in app.selectbox if box.label == "Decision"] == []


def test_a_concession_is_the_owners_and_needs_a_bound(screen: Any, own_db: str) -> None:
    app = screen(own_db, "decide", ENGINEER, on="K_01-1")
    assert "concession" not in field(app, "Decision").options
    app = decide(screen(own_db, "decide", OWNER, on="K_01-1"), "concession", "shop use only")
    assert "a concession needs a bound" in errors(app)
    app = decide(screen(own_db, "decide", OWNER, on="K_01-1"), "concession", "shop use only",
                 For_how_many_parts=1)  # fmt: skip
    assert not app.error
    (granted,) = part(own_db, "K_01-1")["dispositions"]
    assert (granted["decision"], granted["quantity"]) == ("concession", 1)


def test_a_regrade_needs_its_grade(screen: Any, own_db: str) -> None:
    app = decide(screen(own_db, "decide", ENGINEER, on="K_01-1"), "regrade", "scratch")
    assert "a regrade needs the new grade" in errors(app)
    app = decide(screen(own_db, "decide", ENGINEER, on="K_01-1"), "regrade", "scratch",
                 New_grade="second")  # fmt: skip
    assert part(own_db, "K_01-1")["grade"] == "second"


def test_handing_the_same_decision_in_twice_is_one_record(screen: Any, own_db: str) -> None:
    app = decide(screen(own_db, "decide", ENGINEER, on="K_01-1"), "hold", "dull")
    decide(app, "hold", "dull")
    assert len(part(own_db, "K_01-1")["dispositions"]) == 1


def test_the_gate_of_a_struck_part_stays_shut(screen: Any, shop_db: str) -> None:
    said = text(screen(shop_db, "decide", ENGINEER, on=STRUCK))
    assert "✕ A release now would not let it leave." in said
    assert "it can never be released" in said


def test_a_batch_says_first_what_was_shipped_of_it_and_its_release_frees_it(
    screen: Any, own_db: str
) -> None:
    take_in(own_db, kind="shipment", taken_at="2026-05-02T10:00:00", serial="K_26-2",
            order="O-5", to="C-9")  # fmt: skip
    app = screen(own_db, "decide", ENGINEER, on="B26")
    assert "✕ 1 part was shipped already" in errors(app)
    rows = tables(app)
    assert rows.index("K_26-2") < rows.index("K_26-1")
    assert ":red[✕ **shipped**] 2026-05-02, order O-5, to C-9" in rows
    assert "A release now would free the batch" in text(app)
    decide(app, "release", "weighed again on S2: as made")
    assert not part(own_db, LATE)["reasons"]


def test_what_was_shipped_in_spite_of_a_hold_is_listed_before_all_that_waits(
    screen: Any, own_db: str
) -> None:
    take_in(own_db, kind="shipment", taken_at="2026-05-04T10:00:00", serial="K_26-2",
            order="O-5", to="C-9")  # fmt: skip
    take_in(own_db, kind="shipment", taken_at="2026-05-04T10:00:00", serial=STRUCK,
            order="O-6", to="C-9")  # fmt: skip
    take_in(own_db, kind="shipment", taken_at="2026-05-04T10:00:00", serial="K_01-1",
            order="O-7", to="C-9")  # fmt: skip
    app = screen(own_db, "decide")
    assert "✕ 2 parts were shipped already" in errors(app)
    first = app.table[0].value.to_csv()
    assert "K\\_26-2" in first
    assert "order O-6" in first
    assert "struck in an impact test" in first
    assert "O-7" not in first  # nothing kept it


def test_a_failure_at_the_standard_holds_the_batch_on_every_screen(
    screen: Any, own_db: str
) -> None:
    take_in(own_db, kind="drop", taken_at="2026-05-05T10:00:00", serial="K_07-1", test="T9",
            protocol="hits", gauge="R1", drop_no=1, position_deg=0, striker_kg=10.2,
            height_mm=400, damage="crack")  # fmt: skip
    said = "K_07-1 did not bear the standard impact"
    assert f"held: {said}" in tables(screen(own_db, "decide"))
    assert f"its batch is held: {said}" in text(screen(own_db, "part", serial="K_07-2"))
    app = screen(own_db, "decide", ENGINEER, on="B07")
    assert said in text(app)
    decide(app, "release", "the striker was set too high")
    assert part(own_db, "K_07-2")["may_leave"]


def test_a_code_that_nobody_knows_offers_the_nearest(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "decide", on="k_26-11")
    assert "Neither a part nor a batch" in text(app)
    assert LATE in [button.label for button in app.button]


# ---- corrections ----


def record_of(db: str, serial: str, kind: str) -> str:
    (found,) = [r for r in part(db, serial)["records"] if r["kind"] == kind]
    return str(found["record_id"])


def mend(screen: Any, db: str, way: str, who: Person = ENGINEER, serial: str = "K_01-1") -> Any:
    app = screen(db, "mend", who, of=record_of(db, serial, "weighing"))
    field(app, "What is to be done").set_value(way).run()
    return app


def test_a_weight_is_put_right_and_the_original_stays_struck_through(
    screen: Any, own_db: str
) -> None:
    app = mend(screen, own_db, "replace")
    typed = field(app, "Weight").value
    field(app, "Weight").set_value("433.25")
    field(app, "Reason").input("typed the wrong line")
    app = press(app, "Put it right")
    assert app.success[0].value == "✓ Corrected."
    assert f"~~Weighed {typed} g bare, on S1.~~ Corrected: Weighed 433.25 g" in tables(app)
    assert "typed the wrong line" in tables(app)


def test_a_value_that_is_none_is_refused_in_words(screen: Any, own_db: str) -> None:
    app = mend(screen, own_db, "replace")
    field(app, "Weight").set_value("heavy")
    field(app, "Reason").input("typed the wrong line")
    app = press(app, "Put it right")
    assert re.search(r"gross\\_g\*\*\\?: expected a number above 0", errors(app))
    assert "heavy" in errors(app)


def test_voiding_asks_once_and_a_no_leaves_the_record(screen: Any, own_db: str) -> None:
    app = mend(screen, own_db, "void")
    field(app, "Reason").input("another rim was on the scale")
    app = press(app, "Make it void")
    assert "Void it?" in app.warning[0].value
    app = press(app, "No, leave it")
    assert not app.warning
    app = press(app, "Make it void")
    app = press(app, "Yes, make it void")
    assert "~~ Void." in tables(app)
    assert "missing: weighing" in part(own_db, "K_01-1")["reasons"]


def test_a_correction_without_a_reason_is_not_taken(screen: Any, own_db: str) -> None:
    app = press(mend(screen, own_db, "void"), "Make it void")
    assert "needs a reason" in errors(app)
    assert not app.warning


def test_a_reading_in_doubt_is_accepted_with_a_reason(screen: Any, own_db: str) -> None:
    app = mend(screen, own_db, "accept", serial="K_10-1")
    field(app, "Why the reading can").input("checked against a second scale")
    press(app, "Accept the reading")
    (weighing,) = [r for r in part(own_db, "K_10-1")["records"] if r["kind"] == "weighing"]
    assert weighing["suspect"] is False


def test_a_sound_reading_cannot_be_accepted_in_spite_of_anything(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "mend", of=record_of(shop_db, "K_01-1", "weighing"))
    assert len(field(app, "What is to be done").options) == 2


def test_a_technician_may_not_void_what_others_entered(screen: Any, own_db: str) -> None:
    app = mend(screen, own_db, "void", TECHNICIAN)
    assert "Corrections are for an engineer or the owner" in text(app)
    field(app, "Reason").input("mine")
    app = press(press(app, "Make it void"), "Yes, make it void")
    assert "a technician may not correct" in errors(app)
    assert "void" not in [r.get("standing") for r in part(own_db, "K_01-1")["records"]]


def test_the_records_of_a_part_are_listed_with_what_became_of_them(
    screen: Any, shop_db: str
) -> None:
    assert "~~ Corrected: Weighed 433.3 g" in tables(screen(shop_db, "mend", code=CORRECTED))
    assert "~~ Void." in tables(screen(shop_db, "mend", code=VOID))


# ---- parts touched ----


def test_a_gauge_and_days_lead_to_its_parts_and_to_the_same_command(
    screen: Any, shop_db: str
) -> None:
    query = {"factor": "gauge", "level": "S2", "from": "2026-01-01", "to": "2026-12-31"}
    app = screen(shop_db, "touched", **query)
    assert "3 parts: 3 complete" in text(app)
    assert "K_10-1" in tables(app)
    assert "rimqc trace --where gauge=S2 --from 2026-01-01 --to 2026-12-31" in text(app)
    app = screen(shop_db, "touched", **query | {"from": "2026-06-01"})
    assert "No part was touched" in text(app)


def test_a_day_that_is_none_is_said_in_words(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "touched", factor="gauge", level="S2", to="soon")
    assert "'soon': expected a date" in errors(app)


# ---- gauges ----


def test_a_failed_check_lists_the_parts_to_measure_again(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "gauges", gauge="S2")
    said = text(app)
    assert "✕ Off by 2.5 g, 0.5 g allowed." in said
    assert "**3** readings, **0** cleared, **3** still to measure again" in said
    assert "do not use it" in said
    assert "K_10-2" in tables(app)
    assert len(figures(app)) == 1


def test_readings_are_accepted_together_with_one_reason(screen: Any, own_db: str) -> None:
    app = screen(own_db, "gauges", ENGINEER, gauge="S2")
    both = [record_of(own_db, serial, "weighing") for serial in ("K_10-1", "K_10-2")]
    field(app, "Readings").set_value(both)
    field(app, "Why they can").input("2.5 g is within what this comparison needs")
    app = press(app, "Accept these readings")
    assert app.success[0].value == "✓ 2 accepted with your reason."
    assert "**2** cleared, **1** still to measure again" in text(app)


def test_a_technician_sees_doubts_but_is_not_offered_to_accept_them(
    screen: Any, shop_db: str
) -> None:
    app = screen(shop_db, "gauges", TECHNICIAN, gauge="S2")
    assert "Accepting readings in doubt is for an engineer or the owner" in text(app)
    assert not app.multiselect


def test_as_found_stands_apart_from_as_left(screen: Any, own_db: str) -> None:
    take_in(own_db, kind="gauge-check", taken_at="2026-05-02T09:00:00", gauge="S2",
            check="daily", found="as-left", reference="500 g weight", nominal=500,
            reading=500.1, limit=0.5)  # fmt: skip
    rows = tables(screen(own_db, "gauges", gauge="S2"))
    assert "500 g,–,+0.1 g ✓,0.5 g" in rows
    assert "500 g,+2.5 g ✕ failed,–,0.5 g" in rows


# ---- in a browser ----


@pytest.fixture
def address(own_db: str, tmp_path: Path) -> Iterator[str]:
    with served(own_db, tmp_path) as found:
        yield found


@pytest.mark.browser
def test_by_keyboard_alone_a_part_is_held_and_its_weight_put_right(
    browser: Any, address: str, own_db: str
) -> None:
    page = browser.new_page(viewport={"width": 1024, "height": 900})
    page.goto(f"{address}/decide")
    page.get_by_label("Serial or batch").fill("K_01-1")
    page.keyboard.press("Enter")
    page.get_by_text("No decision is wanted").wait_for()
    page.get_by_role("combobox", name="Decision").focus()
    page.keyboard.type("hold")
    page.keyboard.press("Enter")
    page.wait_for_function(DRAWN)
    page.get_by_label("Reason", exact=True).fill("dull spot")
    page.get_by_label("Entered at station").fill("bench")
    page.get_by_label("Entered at station").press("Enter")
    page.get_by_text("Decided on K_01-1: hold.").wait_for()
    assert part(own_db, "K_01-1")["reasons"] == ["held by name: dull spot"]

    page.goto(f"{address}/mend?of={record_of(own_db, 'K_01-1', 'weighing')}")
    page.get_by_text("It says something wrong").click()
    page.get_by_label("Weight, g").fill("431.5")
    page.get_by_label("Reason for the correction").fill("typing slip")
    page.get_by_label("Entered at station").fill("bench")
    page.get_by_label("Entered at station").press("Enter")
    page.get_by_text("Corrected.", exact=False).first.wait_for()
    page.wait_for_function(DRAWN)
    (weighing,) = [r for r in part(own_db, "K_01-1")["records"] if r["kind"] == "weighing"]
    assert (weighing["standing"], weighing["now"]["gross_g"]) == ("corrected", 431.5)
    page.close()
