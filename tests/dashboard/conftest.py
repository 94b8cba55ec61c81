"""Databases for the screens: nothing yet, one record, a small shop. Screens only read."""

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from qc.commands import main
from qc.errors import RimqcError
from qc.people.who import Person
from qc.resources import folder
from qc.stations import here
from qc.stations.here import VISITOR
from tests.dashboard import shop
from tests.dashboard.served import BROWSER_OPTIONS, browser_path

Open = Callable[..., Any]


@pytest.fixture(scope="session")
def empty_db(tmp_path_factory: pytest.TempPathFactory) -> str:
    url = f"sqlite:///{tmp_path_factory.mktemp('empty')}/a.sqlite"
    assert main(["--db", url, "upgrade"]) == 0
    return url


@pytest.fixture(scope="session")
def one_record_db(tmp_path_factory: pytest.TempPathFactory) -> str:
    place = tmp_path_factory.mktemp("one")
    logs = place / "logs"
    logs.mkdir()
    (logs / "inspection_a.csv").write_text(
        "taken_at,station,inspector,serial,stage,method,zones,result\n"
        "2026-03-01T08:00:00Z,bench,I1,A-1,rim,visual,hook,clean\n"
    )
    url = f"sqlite:///{place}/a.sqlite"
    shop.take_in(url, logs)
    return url


@pytest.fixture(scope="session")
def shop_db(tmp_path_factory: pytest.TempPathFactory) -> str:
    place = tmp_path_factory.mktemp("shop")
    url = f"sqlite:///{place}/a.sqlite"
    shop.take_in(url, shop.files(place / "logs"))
    return url


@pytest.fixture
def own_db(shop_db: str, tmp_path: Path) -> str:
    """The small shop, to be changed."""
    file = tmp_path / "a.sqlite"
    shutil.copy(shop_db.removeprefix("sqlite:///"), file)
    return f"sqlite:///{file}"


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Iterator[Open]:
    """Opens a screen from the entry script, as a person does: `screen(db, "part", serial=…)`.

    `who` is signed in there, by default somebody who may do everything.
    """
    from streamlit.testing.v1 import AppTest

    def opened(db: str, name: str, who: Person = VISITOR, **query: str) -> Any:
        monkeypatch.setenv("RIMQC_DB", db)
        with suppress(RimqcError):  # the screen says it
            here.opened(db, who)
        app = AppTest.from_file(str(Path(folder("dashboard")) / "app.py"), default_timeout=60)
        app.query_params.update(query)
        app.run()
        if name == "today":  # where the entry leads
            return app
        app.query_params.update(query)
        return app.switch_page(f"screens/{name}.py").run()

    yield opened
    here.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    path = browser_path()
    if path is None:
        if "CI" in os.environ:
            pytest.fail("no Chromium on this machine")
        pytest.skip("no Chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=BROWSER_OPTIONS)
        yield opened
        opened.close()
