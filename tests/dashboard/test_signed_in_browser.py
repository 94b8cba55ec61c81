"""A technician at a named station, behind the real gate: in with a PIN, a rim with a turn taken
from the indicator, not shipped while its batch is held, out again."""

import datetime as dt
import math
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from qc.commands import main
from qc.ledger.ledger import Ledger
from qc.people import accounts, tokens
from qc.physics.runout import form_mm
from qc.records.kinds import Correction, Receipt, Runout, Weighing
from tests.dashboard import entering
from tests.dashboard.served import rimqc, started
from tests.devices.served import asked

pytestmark = pytest.mark.browser

PIN = "480617"
SHIPS = {"kept.shipment.order": "O-1", "kept.shipment.to": "C-1"}
READOUT = """
[[readout]]
gauge = "D1"
pattern = '(?P<value>[ +-]*[0-9.]+)(?P<stable> S)?'
unit = "mm"
baud = 4800
"""
# eight equal steps of a turn that is 0.10 mm out once a turn, with a bump of 0.08 mm at 90 degrees
TURN = [round(0.05 * math.cos(2 * math.pi * i / 8) + 0.08 * (i == 2), 3) for i in range(8)]


class Bench(NamedTuple):
    address: str
    db: str
    screen: str  # what makes the tablet a station
    token: str  # of the indicator's program


@pytest.fixture
def bench(shop_db: str, tmp_path: Path) -> Iterator[Bench]:
    shutil.copy(shop_db.removeprefix("sqlite:///"), tmp_path / "a.sqlite")
    db = f"sqlite:///{tmp_path}/a.sqlite"
    (tmp_path / "catalog.toml").write_text(READOUT)
    assert main(["--db", db, "import", str(tmp_path / "catalog.toml")]) == 0
    now = dt.datetime.now(dt.UTC)
    with Ledger(db) as ledger, ledger.writing() as connection:
        accounts.add_person(connection, "tom", "Tom", "technician", now)
        accounts.set_pin(connection, "tom", PIN)
        screen = tokens.name_screen(connection, "bench", now)
        token = tokens.add_station(connection, "D1-PC", now)
    with started(rimqc("--db", db, "serve", "--port", "0"), tmp_path) as address:
        yield Bench(address, db, screen, token)


def test_in_with_a_pin_a_rim_with_its_turn_and_out(browser: Any, bench: Bench) -> None:
    context = browser.new_context(viewport={"width": 1024, "height": 800})
    context.add_cookies([{"name": "rimqc-station", "value": bench.screen, "url": bench.address}])
    page = context.new_page()
    page.add_init_script(f"({entering.REMEMBER})({entering.KEPT | SHIPS!r})")
    page.goto(f"{bench.address}/intake")
    page.get_by_label("Your code").fill("tom")
    page.get_by_label("PIN at station bench").fill(PIN)
    page.get_by_role("button", name="Sign in").click()
    entering.wait_for_desk(page)
    page.locator(".desk .kept").get_by_text("Tom").wait_for()

    at_once = entering.Rhythm("at once", lambda: 0)
    shows(bench, 0.0, 0)
    entering.type_at(page, "N1\n439.2\n", at_once)
    taken_turn(page, bench)
    form = form_mm(TURN)  # as the server judges it
    page.get_by_text(f"8 readings: TIR 0.130 mm, form {form:.3f} mm").wait_for()
    entering.type_at(page, "\n", at_once)
    page.locator(".verdict").get_by_text(f"{form:.2f} mm").wait_for()
    entering.wait_until_sent(page)
    with Ledger(bench.db) as ledger:
        held = [one for one in entering.held(ledger, "N1") if not isinstance(one, Correction)]
    assert [type(record) for record in held] == [Receipt, Weighing, Runout]
    assert {(record.inspector, record.station, record.entered_by) for record in held} == {
        ("tom", "bench", "tom")
    }
    assert [float(reading) for reading in held[2].readings_mm] == TURN

    page.goto(f"{bench.address}/enter?record=Ship+a+part")
    entering.wait_for_desk(page)
    entering.type_at(page, "N1\n", at_once)
    page.locator(".verdict").get_by_text("its batch is held").wait_for()
    page.keyboard.press("s")
    page.locator(".wrong").get_by_text("N1 may not leave: its batch is held").wait_for()
    assert page.locator(".unsent").get_attribute("data-unsent") == "0"

    page.goto(f"{bench.address}/account")
    page.get_by_role("button", name="Sign out").click()
    page.goto(f"{bench.address}/intake")
    page.get_by_label("PIN at station bench").wait_for()
    context.close()


def taken_turn(page: Any, bench: Bench) -> None:
    """Half of it by the pedal, half as each reading comes to rest; a start alone is no run-out."""
    field = page.locator("[data-step=lateral] [data-field=turn]")
    for number, value in enumerate(TURN[:4]):
        shows(bench, value, number)
        page.locator("[data-step=lateral]").get_by_text(f"{value} mm still").wait_for()
        page.keyboard.press(" ")
        shows_until(bench, value, lambda n=number: len(field.input_value().split()) > n)
    page.keyboard.press("Enter")
    page.get_by_text("4 taken: a turn wants 8 or more").wait_for()
    page.get_by_role("button", name="Take each at rest").click()
    for number, value in enumerate(TURN[4:], 4):
        shows(bench, 0.5, number, stable=False)
        shows_until(bench, value, lambda n=number: len(field.input_value().split()) > n)


def shows(bench: Bench, value: float, number: int, *, stable: bool = True) -> None:
    """What the indicator's program offers."""
    at = f"2026-05-05T10:00:{number:02}Z"
    body = f'{{"gauge":"D1","value":{value},"unit":"mm","stable":{str(stable).lower()},'
    body += f'"taken_at":"{at}"}}'
    headers = {"Authorization": f"Bearer {bench.token}"}
    assert asked(bench.address, "POST", "/station/reading", body, headers)[0] == 204


def shows_until(bench: Bench, value: float, seen: Any) -> None:
    """It speaks on and on, as indicators do."""
    for _ in range(200):
        shows(bench, value, 0)
        if seen():
            return
    raise AssertionError(f"{value} was not taken")
