"""The catalog in a real browser: changed by keys alone, and taken home as a file."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from qc.ledger.ledger import Ledger
from tests.dashboard.served import DRAWN
from tests.dashboard.serving_again import Serving
from tests.maker import answer

pytestmark = pytest.mark.browser
CLAIM = "/catalog?what=Claimed%20masses&entry=K40,%20rim"


@pytest.fixture
def serving(shop_db: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Serving]:
    file = tmp_path / "a.sqlite"
    shutil.copy(shop_db.removeprefix("sqlite:///"), file)
    server = Serving(f"sqlite:///{file}", tmp_path, role=request.param)
    yield server
    server.kill()


def opened(browser: Any, address: str) -> Any:
    page = browser.new_page(viewport={"width": 1024, "height": 900})
    page.goto(address)
    page.get_by_text("What these words mean").wait_for()
    page.wait_for_function(DRAWN)
    return page


@pytest.mark.parametrize("serving", ["owner"], indirect=True)
def test_a_claim_is_changed_by_keys_alone(browser: Any, serving: Serving) -> None:
    page = opened(browser, serving.address + CLAIM)
    page.get_by_role("textbox", name="Claimed mass, in g").focus()
    for text, key in (("441,5", "Tab"), ("", "Tab"), ("15", "Enter")):
        if text:
            page.keyboard.press("Control+A")
            page.keyboard.type(text)
        page.keyboard.press(key)
    page.get_by_text("What this does").wait_for()
    page.wait_for_function(DRAWN)
    assert page.get_by_text("instead of 430 g; allowed above 15 g instead of 12 g").is_visible()
    page.keyboard.press("Control+Enter")
    page.get_by_text("Kept. From").wait_for()
    with Ledger(serving.db) as ledger:
        first, second = ledger.catalog().claims_at("rim")
    assert [str(c.claimed_g) for c in (first, second)] == ["430", "441.5"]
    assert str(second.over_g) == "15"


@pytest.mark.parametrize("serving", ["engineer"], indirect=True)
def test_the_file_that_an_engineer_takes_home_goes_in_again(
    browser: Any, serving: Serving, tmp_path: Path
) -> None:
    page = opened(browser, serving.address + "/catalog")
    assert page.get_by_text("Enter a new claim").count() == 0
    with page.expect_download() as waiting:
        page.get_by_text("The whole catalog as a file").click()
    file = tmp_path / waiting.value.suggested_filename
    waiting.value.save_as(file)
    report = answer(serving.db, "import", file)
    assert (report["accepted"], report["refused"]) == (0, 0)
    assert report["already_held"] > 30


@pytest.mark.parametrize("serving", ["technician"], indirect=True)
def test_a_technician_reads_and_is_offered_nothing_to_change(
    browser: Any, serving: Serving
) -> None:
    page = opened(browser, serving.address + "/catalog?what=Run-out%20limits&entry=a%20new%20one")
    assert page.get_by_text("changed by an engineer or the owner").is_visible()
    assert page.get_by_text("See what it does").count() == 0
