"""Every screen in a real browser under our policy: nothing is refused, nothing complains, and no
answer comes without its headers."""

import datetime as dt
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import pytest

from qc.ledger.ledger import Ledger
from qc.people import accounts
from qc.resources import folder
from qc.stations.headers import HEADERS
from qc.views import entry_forms
from tests.dashboard import entering
from tests.dashboard.served import DRAWN, rimqc, started
from tests.dashboard.shop import LATE

pytestmark = pytest.mark.browser

QUERIES = {
    "today": "", "claims": "model=K40&stage=rim", "margins": "protocol=hits&model=K40",
    "drift": "characteristic=bare-mass", "part": f"serial={LATE}", "scale": f"serial={LATE}",
    "touched": "factor=resin_lot&level=R2", "decide": "on=B26", "mend": f"code={LATE}",
    "gauges": "gauge=S2", "findings": "model=K40", "catalog": "", "people": "",
    "intake": "", "strike": "", "enter": "",
}  # fmt: skip
SCREENS = sorted(file.stem for file in (folder("dashboard") / "screens").glob("*.py"))
ENTERED = [f"/enter?record={quote(form['title'])}" for form in entry_forms.others()]
# a browser tells a page what its policy refused
TELL = """addEventListener('securitypolicyviolation', refused => console.error(
  'refused', refused.effectiveDirective, refused.blockedURI, refused.sample))"""
SAME_FOR_ALL = re.compile(r"/static/|/favicon\.png$")
PASSWORD = "a long enough one"


class Visit:
    """A page, what it complained about, and answers that lack what every answer has."""

    def __init__(self, context: Any, address: str) -> None:
        context.add_init_script(TELL)
        context.add_init_script(f"({entering.REMEMBER})({entering.KEPT!r})")
        self.page, self.address = context.new_page(), address
        self.complaints: list[str] = []
        self.lacking: list[str] = []
        self.page.on("console", self._said)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("response", self._answered)

    def _said(self, message: Any) -> None:
        # on a deep address the page first looks for its server beneath that address: not ours
        if message.type in ("error", "warning") and "/_stcore/" not in message.location["url"]:
            self.complaints.append(f"{urlsplit(self.page.url).path}: {message.text[:300]}")

    def _answered(self, answer: Any) -> None:
        if not answer.url.startswith(self.address):
            return
        path, given = urlsplit(answer.url).path, answer.headers
        for name, value in HEADERS.items():
            own = name in ("content-security-policy", "cache-control")
            if given.get(name) != value and not (own and name in given):
                self.lacking.append(f"{path}: {name}")
        policy = given.get("content-security-policy", "")
        if "default-src 'none'" not in policy or "'unsafe-eval'" in policy:
            self.lacking.append(f"{path}: a strict policy, not {policy}")
        # only what is the same for everybody may be kept
        if "public" in given.get("cache-control", "") and not SAME_FOR_ALL.search(path):
            self.lacking.append(f"{path}: no-store")

    def open(self, path: str) -> Any:
        self.page.goto(self.address + path)
        return self.drawn()

    def drawn(self) -> Any:
        """The page, once its screen is there."""
        self.page.locator("[data-testid=stApp]").wait_for()
        self.page.wait_for_function(DRAWN)
        return self.page


@pytest.fixture(scope="module")
def shop(shop_db: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A server as a shop runs it, with sign-in, and an owner."""
    place = tmp_path_factory.mktemp("policy")
    shutil.copy(shop_db.removeprefix("sqlite:///"), place / "a.sqlite")
    db = f"sqlite:///{place}/a.sqlite"
    now = dt.datetime.now(dt.UTC)
    with Ledger(db) as ledger, ledger.writing() as connection:
        accounts.add_person(connection, "olga", "Olga", "owner", now)
        accounts.set_password(connection, "olga", PASSWORD, now)
    with started(rimqc("--db", db, "serve", "--port", "0"), Path(place)) as address:
        yield address


@pytest.fixture
def visit(browser: Any, shop: str) -> Iterator[Visit]:
    context = browser.new_context(viewport={"width": 1200, "height": 900})
    made = Visit(context, shop)
    made.page.goto(f"{shop}/sign-in")
    made.page.get_by_label("Your code").fill("olga")
    made.page.get_by_label("Password").fill(PASSWORD)
    made.page.get_by_role("button", name="Sign in").click()
    made.drawn()
    yield made
    context.close()


def fine(visit: Visit) -> None:
    assert visit.complaints == []
    assert visit.lacking == []


def test_every_screen_is_walked_through() -> None:
    assert sorted(QUERIES) == SCREENS
    assert len(ENTERED) > 5


def test_screens_run_under_the_policy_without_a_complaint(visit: Visit) -> None:
    for name in sorted(set(QUERIES) - {"intake", "strike", "enter"}):
        page = visit.open("/" if name == "today" else f"/{name}?{QUERIES[name]}")
        for more in page.locator("[data-testid=stExpander] summary").all():
            more.click()
        visit.drawn()
    fine(visit)


def test_entry_screens_run_under_the_policy_without_a_complaint(visit: Visit) -> None:
    for path in ("/intake", "/strike", *ENTERED):
        entering.wait_for_desk(visit.open(path))
    visit.page.goto(f"{visit.address}/intake")
    entering.wait_for_desk(visit.page)
    entering.type_at(visit.page, "N1\n439.2\n", entering.Rhythm("at once", lambda: 0))
    visit.page.locator(".verdict").get_by_text("439.2").first.wait_for()
    fine(visit)


def test_our_own_pages_run_under_theirs_without_a_complaint(visit: Visit) -> None:
    visit.page.goto(f"{visit.address}/account")
    visit.page.get_by_role("button", name="Sign out").click()
    visit.page.get_by_label("Your code").wait_for()
    visit.page.goto(f"{visit.address}/sign-in/code")
    visit.page.get_by_label("One-time code").fill("AAAA-BBBB")
    fine(visit)


def test_a_script_that_gets_into_a_screen_does_not_run(visit: Visit) -> None:
    """The policy is no word only: what somebody smuggles into a page is refused."""
    page = visit.open("/")
    page.evaluate("""() => {
      const script = document.createElement('script');
      script.textContent = 'window.smuggled = 1';
      document.body.append(script);
      const image = document.createElement('img');
      image.setAttribute('onerror', 'window.smuggled = 2');
      image.src = 'data:,';
      document.body.append(image);
    }""")
    page.evaluate("fetch('http://127.0.0.1:1/').catch(() => null)")
    for _ in range(200):
        refused = [
            one.split("refused ")[1].split()[0] for one in visit.complaints if "refused " in one
        ]
        if len(refused) == 3:
            break
        page.wait_for_timeout(50)
    assert sorted(refused) == ["connect-src", "script-src-attr", "script-src-elem"]
    assert page.evaluate("window.smuggled === undefined")
