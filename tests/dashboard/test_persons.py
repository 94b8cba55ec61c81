"""Today as each person sees it, and the scale that a visitor looks at."""

from typing import Any

from qc.people.who import Person
from tests.dashboard.shop import LATE
from tests.dashboard.using import tables, text


def test_a_technician_is_told_what_waits(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "today", who=Person("t", "Tina", "technician"))
    assert "What waits to be done" in text(app)
    assert "No part of the newest batches lacks a reading" in text(app)


def test_an_engineer_sees_what_changed_since_a_day(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "today", who=Person("e", "Eva", "engineer"), since="2026-01-01")
    assert "What changed, and what waits for a decision" in text(app)
    assert "weight-over-claim" in tables(app)
    late = screen(shop_db, "today", who=Person("e", "Eva", "engineer"))
    assert "No flag was raised or closed since" in text(late)


def test_an_owner_sees_what_can_be_published_and_what_failures_cost(
    screen: Any, shop_db: str
) -> None:
    app = screen(shop_db, "today", who=Person("o", "Olga", "owner"))
    assert "What can be stood behind" in text(app)
    assert "Tests failed early" in tables(app)


def test_the_scale_shows_one_part_in_large_figures(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "scale", serial=LATE)
    said = "".join(part.body for part in app.get("html"))
    assert f"rim {LATE}" in said
    assert "claimed 430 g (+12 −12 g)" in said


def test_a_serial_that_was_never_weighed_says_so_on_the_scale(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "scale", serial="nobody")
    assert "No weighing of nobody is held." in text(app)
