"""What the screens ask: answers are as new as the records, and long lists come in pages."""

import shutil
import sys
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from sqlalchemy import insert

from qc.ledger.ledger import Ledger
from qc.ledger.tables import Head
from qc.views.flags import flags
from qc.views.trace import nearest_serials
from tests.conftest import Databases
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


@pytest.mark.postgres
def test_screens_read_from_the_replica_that_is_named(
    screen: Any, postgresql: Databases, monkeypatch: pytest.MonkeyPatch
) -> None:
    db, copy = postgresql.new(), postgresql.new()
    with Ledger(copy) as ledger, ledger.writing() as connection:
        nothing_sealed = {"seal": 0, "seal_digest": "", "catalog_position": 0, "checks_position": 0}
        connection.execute(insert(Head).values(id=1, position=7, **nothing_sealed))
    assert "Nothing has been recorded yet" in text(screen(db, "today"))
    monkeypatch.setenv("RIMQC_READ_DB", copy)
    st.cache_data.clear()
    assert "7 records" in text(screen(db, "today"))
    for replica in (None, copy):
        reads = sys.modules["cached"]._reads(db, replica)
        reads.close()
        reads.ledger.close()
    st.cache_resource.clear()
