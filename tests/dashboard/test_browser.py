"""The dashboard in a real browser: every screen, light and dark, on a desk, a tablet, a phone."""

from collections.abc import Iterator
from typing import Any

import pytest

from tests.dashboard.served import DRAWN, FITS, serious_faults, served
from tests.dashboard.shop import LATE

pytestmark = pytest.mark.browser

ADDRESSES = {
    "today": "/",
    "claims": "/claims?model=K40&stage=rim",
    "margins": "/margins?protocol=hits&model=K40",
    "drift": "/drift?characteristic=bare-mass",
    "part": f"/part?serial={LATE}",
    "touched": "/touched?factor=resin_lot&level=R2",
    "decide": "/decide?on=B26",
    "mend": f"/mend?code={LATE}",
    "gauges": "/gauges?gauge=S2",
    "findings": "/findings?model=K40",
}


@pytest.fixture(scope="module")
def address(shop_db: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(shop_db, tmp_path_factory.mktemp("served")) as found:
        yield found


class Visit:
    """A page, with what it complained about and what it asked of other machines."""

    def __init__(self, browser: Any, address: str, width: int = 1440, look: str = "light") -> None:
        size = {"width": width, "height": 900}
        self.context = browser.new_context(viewport=size, color_scheme=look)
        self.page, self.address = self.context.new_page(), address
        self.complaints: list[str] = []
        self.elsewhere: list[str] = []
        self.page.on("console", self._said)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", self._asked)

    def _said(self, message: Any) -> None:
        # on a deep address the page first looks for its server beneath that address: not ours
        if message.type == "error" and "/_stcore/" not in message.location["url"]:
            self.complaints.append(message.text)

    def _asked(self, request: Any) -> None:
        if not request.url.startswith((self.address, "data:", "blob:")):
            self.elsewhere.append(request.url)

    def open(self, path: str, until: str = "What these words mean") -> Any:
        """The page, once its last words are there: by default those below every screen."""
        self.page.goto(self.address + path)
        self.page.get_by_text(until).first.wait_for()
        self.page.wait_for_function(DRAWN)
        return self.page


@pytest.fixture
def visit(browser: Any, address: str) -> Iterator[Any]:
    made: list[Visit] = []

    def new(width: int = 1440, look: str = "light") -> Visit:
        made.append(Visit(browser, address, width, look))
        return made[-1]

    yield new
    for one in made:
        one.context.close()


@pytest.mark.parametrize("look", ["light", "dark"])
@pytest.mark.parametrize("screen", ADDRESSES)
def test_a_screen_opens_without_complaint_fits_and_is_there_for_everybody(
    visit: Any, screen: str, look: str
) -> None:
    seen = visit(1440, look)
    page = seen.open(ADDRESSES[screen])
    assert page.locator("h1").count() == 1
    assert page.locator("[data-testid=stException]").count() == 0
    for width in (1440, 1024, 390):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_function(FITS, arg=width)
    for more in page.locator("[data-testid=stExpander] summary").all():
        more.click()
    assert serious_faults(page) == []
    assert seen.complaints == []
    assert seen.elsewhere == []


@pytest.mark.parametrize(("look", "ground"), [("light", "251, 250, 246"), ("dark", "18, 24, 30")])
def test_page_and_figures_share_our_light_and_dark(visit: Any, look: str, ground: str) -> None:
    page = visit(1440, look).open(ADDRESSES["claims"])
    page.locator(".js-plotly-plot .main-svg").first.wait_for()
    grounds = page.evaluate(
        "['[data-testid=stApp]', '.js-plotly-plot .main-svg'].map("
        "at => getComputedStyle(document.querySelector(at)).backgroundColor)"
    )
    assert grounds[0] == f"rgb({ground})"
    assert grounds[1] in (f"rgb({ground})", "rgba(0, 0, 0, 0)")


def test_from_a_flag_to_its_part_and_its_turn(visit: Any) -> None:
    seen = visit()
    page = seen.open("/")
    page.get_by_role("link", name=f"Open part {LATE}").click()
    page.get_by_role("heading", name=LATE).wait_for()
    assert page.url.endswith(f"/part?serial={LATE}")
    page.get_by_text("Status: held. ✕ May not leave.").wait_for()
    page.locator(".js-plotly-plot").first.wait_for()
    assert seen.complaints == []


def test_a_serial_is_scanned_with_keys_alone(visit: Any) -> None:
    page = visit().open("/part", until="Scan or type a serial")
    page.get_by_label("Serial").focus()
    page.keyboard.type("K_01-2\n", delay=5)
    page.get_by_role("heading", name="K_01-2").wait_for()
    assert page.url.endswith("/part?serial=K_01-2")


def test_an_address_with_filters_opens_what_it_says(visit: Any) -> None:
    page = visit().open("/drift?model=K40&stage=rim&characteristic=tir-lateral")
    page.get_by_text("no sign of a move").first.wait_for()
    assert "characteristic=tir-lateral" in page.url


def test_figures_are_named_for_who_cannot_see_them(visit: Any) -> None:
    page = visit().open(ADDRESSES["claims"])
    page.get_by_label("Bare mass of K40 rims: 1 of 74 parts").first.wait_for()


def test_a_mark_of_a_figure_leads_to_its_part(visit: Any) -> None:
    page = visit().open(ADDRESSES["claims"])
    page.locator("path.point").first.wait_for(state="attached")
    kinds = [kind.locator("path.point") for kind in page.locator(".scatterlayer .trace").all()]
    (over,) = [points for points in kinds if points.count() == 1]  # the one part over its claim
    box = over.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.get_by_text(f"{LATE}, batch B26").wait_for()  # what the hover says
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.get_by_role("link", name=f"Open part {LATE}").click()
    page.get_by_role("heading", name=LATE).wait_for()
    assert page.url.endswith(f"/part?serial={LATE}")
