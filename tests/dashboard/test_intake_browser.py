"""The entry screens in a real browser: keys in any rhythm, faults, undo, passes, drops."""

import random
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from qc.ledger.ledger import Ledger
from qc.records.kinds import Correction, Drop, Finding, Inspection, Receipt, Weighing
from tests.dashboard import entering
from tests.dashboard.entering import Rhythm, enter_part, open_intake, plan, wait_until_sent
from tests.dashboard.served import FITS, serious_faults
from tests.dashboard.serving_again import Serving

pytestmark = pytest.mark.browser

AT_ONCE = Rhythm("at once", lambda: 0)
PNG = b"\x89PNG\r\n\x1a\n" + bytes(40)
SHADOW = """[...document.querySelectorAll('*')].find(
  e => e.shadowRoot?.querySelector('.desk')).shadowRoot"""
# every button and input that can be seen and is lower or narrower than a gloved finger wants
SMALL = f"""() => [...({SHADOW}).querySelectorAll(
    'button, summary, select, input:not([type=checkbox])')]
    .filter(e => e.offsetParent && !e.classList.contains('unseen'))
    .map(e => [e.textContent || e.dataset.field, e.getBoundingClientRect()])
    .filter(([, box]) => box.height < 48 || box.width < 48).map(([name]) => name)"""


@pytest.fixture(scope="module")
def serving(shop_db: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    place = tmp_path_factory.mktemp("entering")
    shutil.copy(shop_db.removeprefix("sqlite:///"), place / "a.sqlite")
    started = Serving(f"sqlite:///{place}/a.sqlite", place)
    yield started
    started.stop()


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 1024, "height": 800})
    yield context.new_page()
    context.close()


@pytest.fixture
def ledger(serving: Serving) -> Iterator[Ledger]:
    with Ledger(serving.db) as opened:
        yield opened


def shown(page: Any, words: str) -> None:
    page.locator(".verdict").get_by_text(words).first.wait_for()


def scan(page: Any, text: str) -> None:
    entering.type_at(page, text, AT_ONCE)


def of(ledger: Ledger, kind: type, serial: str) -> list[Any]:
    """The records of a kind about a serial, corrections of them aside."""
    return [r for r in entering.held(ledger, serial) if isinstance(r, kind)]


def test_twelve_rims_in_three_rhythms_are_each_there_once_whatever_fails(
    page: Any, serving: Serving, ledger: Ledger
) -> None:
    chance = random.Random(30)
    planned = plan(12, chance)
    open_intake(page, serving.address)
    beats = entering.rhythms(chance)
    for number, part in enumerate(planned):
        if number == 1:
            page.context.set_offline(True)
        if number == 3:
            page.context.set_offline(False)
        if number == 5:
            serving.kill()
        if number == 7:
            serving.start()
        if number == 9:
            wait_until_sent(page)
            page.reload()
            entering.wait_for_desk(page)
        enter_part(page, part, beats[number // 4])
    wait_until_sent(page)
    assert max(count for beat in beats for count in beat.typed) <= 25
    assert entering.faults(ledger, planned) == []


def test_an_answer_that_never_arrives_makes_no_second_record(
    page: Any, serving: Serving, ledger: Ledger
) -> None:
    lost: list[str] = []

    def lose(route: Any) -> None:
        route.fetch()
        lost.append(route.request.url)
        route.abort()

    open_intake(page, serving.address)
    page.route("**/entry/records", lose, times=3)
    part = plan(1, random.Random(1), start="A")[0]
    enter_part(page, part, AT_ONCE)
    wait_until_sent(page)
    assert lost
    assert entering.faults(ledger, [part], start="A") == []


def test_what_is_half_typed_survives_a_reload(page: Any, serving: Serving) -> None:
    open_intake(page, serving.address)
    scan(page, "H1\n439.")
    page.reload()
    entering.wait_for_desk(page)
    assert page.evaluate(entering.FOCUS) == "gross_g"
    assert page.locator("[data-field=gross_g]").input_value() == "439."


def test_a_weight_far_off_is_asked_about_once_and_kept_at_the_second_enter(
    page: Any, serving: Serving, ledger: Ledger
) -> None:
    open_intake(page, serving.address)
    scan(page, "F1\n520.0\n")
    page.get_by_text("Enter once more keeps it").wait_for()
    assert of(ledger, Weighing, "F1") == []
    scan(page, "\n")
    shown(page, "above its band")
    assert [str(w.gross_g) for w in of(ledger, Weighing, "F1")] == ["520"]


def test_a_weight_that_cannot_be_one_is_not_kept(page: Any, serving: Serving) -> None:
    open_intake(page, serving.address)
    scan(page, "F2\n0.439\n\n")
    page.get_by_text("0.439 g cannot be such a part").wait_for()
    assert page.locator(".unsent").get_attribute("data-unsent") == "0"


def test_undo_takes_back_the_reading_and_the_receipt_with_it(
    page: Any, serving: Serving, ledger: Ledger
) -> None:
    open_intake(page, serving.address)
    scan(page, "U1\n439.1\n")
    shown(page, "439.1")
    page.keyboard.press("Control+z")
    page.get_by_text("Undone: weigh of U1").wait_for()
    assert page.evaluate(entering.FOCUS) == "gross_g"
    scan(page, "438.2\n")  # the old value is selected, so typing replaces it
    shown(page, "438.2")
    wait_until_sent(page)
    taken_back = {r.of for r in entering.held(ledger, "U1") if isinstance(r, Correction)}
    for kind in (Receipt, Weighing):
        first, second = of(ledger, kind, "U1")
        assert first.record_id in taken_back
        assert second.record_id not in taken_back


def test_a_part_received_before_is_not_received_again(
    page: Any, serving: Serving, ledger: Ledger
) -> None:
    open_intake(page, serving.address)
    page.route("**/entry/part?*", lambda route: route.abort())  # the screen cannot know it
    scan(page, "K_26-2\n439.5\n")
    shown(page, "K_26-2")
    wait_until_sent(page)
    assert len(of(ledger, Receipt, "K_26-2")) == 1
    assert str(of(ledger, Weighing, "K_26-2")[-1].gross_g) == "439.5"


def test_a_pass_over_the_batch_asks_for_its_reading_only_and_shows_who_is_left(
    page: Any, serving: Serving
) -> None:
    open_intake(page, serving.address)
    page.get_by_role("button", name="Look at the batch").click()
    left = page.get_by_label("Who is left")
    left.get_by_text("K_26-3").wait_for()
    assert page.locator(".step:visible").count() == 1
    scan(page, "K_26-3\nc")
    left.get_by_text("K_26-3").wait_for(state="detached")
    assert page.evaluate(entering.FOCUS) == "serial"


def test_a_finding_is_noted_by_keys_with_its_photo(
    page: Any, serving: Serving, ledger: Ledger
) -> None:
    open_intake(page, serving.address)
    page.get_by_role("button", name="Look at the batch").click()
    scan(page, "P1\nfs")
    page.locator("[data-field=defect]").select_option("void")
    page.locator("#camera").set_input_files(
        {"name": "../../<b>.png", "mimeType": "image/png", "buffer": PNG}
    )
    page.get_by_text("photo kept").wait_for()
    page.locator("[data-field=angle_deg]").focus()
    scan(page, "90\n4\n")
    page.get_by_text("void, 4 mm, sidewall at 90°, with photo").wait_for()
    page.get_by_role("button", name="All findings noted").click()
    wait_until_sent(page)
    (finding,) = of(ledger, Finding, "P1")
    assert finding.photo is not None
    kept = Path(serving.folder) / "a_photos" / finding.photo
    assert kept.read_bytes() == PNG
    assert of(ledger, Inspection, "P1")[0].result == "findings"


def test_what_the_server_refuses_stays_in_view_until_somebody_decides(
    page: Any, serving: Serving
) -> None:
    open_intake(page, serving.address)
    page.evaluate("localStorage.setItem('rimqc.kept.station', JSON.stringify('no good'))")
    page.reload()
    entering.wait_for_desk(page)
    # a code that was typed wrongly on another day, past the check of the field itself
    page.evaluate(
        """localStorage.setItem('rimqc.unsent.0', JSON.stringify({who: 'I1', form: 'intake',
        about: 'X1', step: 'weigh', records: [{kind: 'weighing', serial: 'X1', stage: 'rim',
        gauge: 'NONE', gross_g: '439', station: 'bench', taken_at: new Date().toISOString(),
        record_id: '00000000-0000-4000-8000-0000000000ff'}]}))"""
    )
    page.evaluate("dispatchEvent(new Event('online'))")
    page.get_by_text("Not kept: the server refused this").wait_for()
    page.get_by_text("not a gauge of the catalog").wait_for()
    page.get_by_role("button", name="Drop it").click()
    page.get_by_text("Not kept: the server refused this").wait_for(state="hidden")


def test_what_another_person_entered_waits_for_them(page: Any, serving: Serving) -> None:
    open_intake(page, serving.address)
    page.evaluate(
        """localStorage.setItem('rimqc.unsent.0', JSON.stringify({who: 'I2', form: 'intake',
        about: 'X2', step: 'weigh', records: []}))"""
    )
    page.reload()
    page.get_by_text("Entered here by I2 and not sent yet").wait_for()


def test_a_struck_part_says_so_from_the_first_drop_and_the_test_counts_on(
    page: Any, serving: Serving, ledger: Ledger
) -> None:
    open_intake(page, serving.address)
    scan(page, "D1\n439.0\n")
    shown(page, "D1")
    page.evaluate("localStorage.removeItem('rimqc.draft.intake')")
    page.goto(f"{serving.address}/strike")
    entering.wait_for_desk(page)
    scan(page, "D1\n")
    page.get_by_text("Drop 1: strike at 0°").wait_for()
    scan(page, "n\n\n")  # the protocol limits the change, so one of the two is demanded
    page.get_by_text("this is needed").wait_for()
    scan(page, "0.1\n")
    page.get_by_text("STRUCK: this part can never be released").wait_for()
    page.get_by_text("Drop 2: strike at 180°").wait_for()
    page.get_by_text("Still needed: 5 drops").wait_for()
    scan(page, "c0\n0\n")
    page.get_by_text("Test ended").wait_for()
    wait_until_sent(page)
    first, second = sorted(of(ledger, Drop, "D1"), key=lambda drop: drop.drop_no)
    assert (first.drop_no, str(first.position_deg), first.damage) == (1, "0", "none")
    assert (second.drop_no, str(second.position_deg), second.damage) == (2, "180", "crack")
    assert first.test == second.test


def test_a_gauge_check_says_at_once_whether_it_passed(page: Any, serving: Serving) -> None:
    open_intake(page, serving.address)
    for name, value in (("reference", "500 g weight"), ("nominal", "500"), ("limit", "0.3")):
        page.evaluate(
            "([n, v]) => localStorage.setItem('rimqc.kept.gauge-check.' + n, JSON.stringify(v))",
            [name, value],
        )
    page.goto(f"{serving.address}/enter?record=Check+a+gauge")
    entering.wait_for_desk(page)
    scan(page, "S1\n500.2\n")
    shown(page, "passes")
    shown(page, "Off by 0.2 g, 0.3 g allowed")


@pytest.mark.parametrize("look", ["light", "dark"])
@pytest.mark.parametrize("path", ["/intake", "/strike", "/enter?record=Balance+a+wheel"])
def test_an_entry_screen_fits_and_every_target_suits_a_glove(
    browser: Any, serving: Serving, path: str, look: str
) -> None:
    context = browser.new_context(color_scheme=look)
    page = context.new_page()
    page.goto(serving.address + path)
    entering.wait_for_desk(page)
    for more in page.locator(".desk details:not([open]) > summary:visible").all():
        more.click()
    for width in (1440, 1024, 390):
        page.set_viewport_size({"width": width, "height": 800})
        page.wait_for_function(FITS, arg=width)
        assert page.evaluate(SMALL) == []
    assert serious_faults(page) == []
    context.close()
