"""What the screens ask: answers are as new as the records, and long lists come in pages."""

import shutil
from pathlib import Path
from typing import Any

from qc.ledger.ledger import Ledger
from qc.views.flags import flags
from qc.views.trace import nearest_serials
from tests.dashboard import shop
from tests.dashboard.using import text


def test_a_record_is_on_the_screens_as_soon_as_it_is_taken_in(
    screen: Any, shop_db: str, tmp_path: Path
) -> None:
    copy = tmp_path / "copy.sqlite"
    shutil.copy(shop_db.removeprefix("sqlite:///"), copy)
    db = f"sqlite:///{copy}"
    assert "Status: complete" in text(screen(db, "part", serial="K_01-1"))
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "disposition_x.csv").write_text(
        "taken_at,station,inspector,serial,decision,reason\n"
        "2026-06-01T08:00:00Z,desk,I1,K_01-1,hold,odd sound\n"
    )
    shop.take_in(db, logs)
    said = text(screen(db, "part", serial="K_01-1"))
    assert "Status: held" in said
    assert "odd sound" in said


def test_pages_of_flags_make_up_the_whole_list(shop_db: str) -> None:
    with Ledger(shop_db) as ledger, ledger.reading() as connection:
        every = flags(connection)
        pages = [flags(connection, most=2, skip=skip) for skip in (0, 2, 4)]
    assert len(every) == 4
    assert [row for page in pages for row in page] == every


def test_the_likest_serial_comes_first_whatever_the_case(shop_db: str) -> None:
    with Ledger(shop_db) as ledger, ledger.reading() as connection:
        assert nearest_serials(connection, "k_14-2")[0] == "K_14-2"
        assert nearest_serials(connection, "K_142")[0] == "K_14-2"
        assert nearest_serials(connection, "something else") == []
