"""Databases for the screens: nothing yet, one record, a small shop. Screens only read."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from qc.commands import main
from qc.resources import folder
from tests.dashboard import shop

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
def screen(monkeypatch: pytest.MonkeyPatch) -> Open:
    """Opens a screen from the entry script, as a person does: `screen(db, "part", serial=…)`."""
    from streamlit.testing.v1 import AppTest

    def opened(db: str, name: str, **query: str) -> Any:
        monkeypatch.setenv("RIMQC_DB", db)
        app = AppTest.from_file(str(Path(folder("dashboard")) / "app.py"), default_timeout=60)
        app.query_params.update(query)
        app.run()
        if name == "today":  # where the entry leads
            return app
        app.query_params.update(query)
        return app.switch_page(f"screens/{name}.py").run()

    return opened
