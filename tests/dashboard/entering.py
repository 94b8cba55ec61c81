"""A technician at the intake screen, scripted: keys at a given rhythm, faults, and what must be
in the ledger afterwards."""

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select

from qc.ledger.ledger import Ledger
from qc.ledger.tables import Journal
from qc.records.canonical import from_body
from qc.records.kinds import Correction, Inspection, Receipt, Record, Runout, Weighing

BATCH = "B26"
KEPT = {
    "kept.station": "bench", "kept.intake.batch": BATCH,
    "kept.intake.scale": "S1", "kept.intake.stand": "D1", "kept.intake.way": "part",
    "kept.strike.protocol": "hits", "kept.strike.rig": "R1", "kept.strike.striker_kg": "10.2",
    "kept.strike.height_mm": "400",
}  # fmt: skip
REMEMBER = """kept => { for (const [name, value] of Object.entries(kept))
  if (localStorage.getItem('rimqc.' + name) === null)
    localStorage.setItem('rimqc.' + name, JSON.stringify(value)); }"""
# when Enter was pressed in the weight's field, and when the verdict stood there: milliseconds
WATCH = """() => {
  window.seen = []; let pressed = null;
  addEventListener('keydown', event => {
    const input = event.composedPath()[0];
    if (event.key == 'Enter' && input.dataset?.field == 'gross_g' && input.value)
      pressed = {at: performance.now(), value: Number(input.value).toFixed(1)};
  }, true);
  const host = [...document.querySelectorAll('*')].find(
    e => e.shadowRoot?.querySelector('.verdict'));
  new MutationObserver(() => {
    const box = host.shadowRoot.querySelector('.verdict');
    if (pressed && box.dataset.verdict != 'waiting' && box.textContent.includes(pressed.value)) {
      window.seen.push(performance.now() - pressed.at); pressed = null;
    }
  }).observe(host.shadowRoot, {subtree: true, childList: true, attributes: true});
}"""
FOCUS = """() => { let e = document.activeElement; while (e?.shadowRoot?.activeElement)
  e = e.shadowRoot.activeElement; return e?.dataset?.field ?? e?.value ?? e?.tagName; }"""


@dataclass(frozen=True)
class Planned:
    """A part as the technician finds it; the texts are what is typed."""

    serial: str
    gross_g: str
    lateral_mm: str
    radial_mm: str

    def fields(self) -> list[str]:
        """What is typed after the scan, field by field."""
        return [f"{self.gross_g}\n", f"{self.lateral_mm}\n", f"{self.radial_mm}\n", "c"]


@dataclass
class Rhythm:
    """How fast keys follow each other, in milliseconds."""

    name: str
    pause: Callable[[], float]
    typed: list[int] = field(default_factory=list)


def rhythms(chance: random.Random) -> list[Rhythm]:
    """Slow, quick (as a scanner), and uneven with long stops."""
    return [
        Rhythm("slow", lambda: chance.uniform(30, 70)),
        Rhythm("quick", lambda: 0),
        Rhythm("uneven", lambda: chance.choice([0, 0, 2, 15, 120])),
    ]


def plan(count: int, chance: random.Random, start: str = "N") -> list[Planned]:
    """Parts that nobody has to ask about: near the mean of their batch."""
    return [
        Planned(
            f"{start}{number:04}",
            f"{chance.gauss(439, 1):.1f}",
            f"{chance.uniform(0.05, 0.3):.2f}",
            f"{chance.uniform(0.05, 0.3):.2f}",
        )
        for number in range(count)
    ]


def type_at(page: Any, text: str, rhythm: Rhythm) -> int:
    """Type a text; returns how many keys that took."""
    for letter in text:
        page.keyboard.press("Enter" if letter == "\n" else letter)
        if pause := rhythm.pause():
            page.wait_for_timeout(pause)
    return len(text)


def enter_part(page: Any, part: Planned, rhythm: Rhythm) -> None:
    """Scan the serial, then type all four readings."""
    type_at(page, f"{part.serial}\n", rhythm)
    rhythm.typed.append(sum(type_at(page, keys, rhythm) for keys in part.fields()))


def open_intake(page: Any, address: str) -> None:
    """The intake screen with everything chosen, ready for the first scan."""
    page.add_init_script(f"({REMEMBER})({KEPT!r})")
    page.goto(f"{address}/intake")
    wait_for_desk(page)


def wait_for_desk(page: Any) -> None:
    page.locator(".desk .first input").wait_for()
    page.wait_for_function(f"() => ({FOCUS})() != 'BODY'")


def wait_until_sent(page: Any, seconds: float = 60) -> None:
    page.locator('.desk .unsent[data-unsent="0"]').wait_for(timeout=1000 * seconds)


def held(ledger: Ledger, start: str = "N") -> Iterator[Record]:
    """Every record in the journal about the planned serials, and every correction."""
    with ledger.reading() as connection:
        query = select(Journal.body).where(Journal.kind != "catalog").order_by(Journal.position)
        for (text,) in connection.execute(query):
            record = from_body(text)
            serial = getattr(record, "serial", None)
            if isinstance(record, Correction) or (serial and serial.startswith(start)):
                assert isinstance(record, Record)
                yield record


def faults(ledger: Ledger, planned: list[Planned], start: str = "N") -> list[str]:
    """What is missing, double or wrong in the journal, in words; empty when all is right."""
    wanted: dict[tuple[str, str], str] = {}
    for part in planned:
        wanted[part.serial, "receipt"] = BATCH
        wanted[part.serial, "weighing"] = part.gross_g
        wanted[part.serial, "lateral"] = part.lateral_mm
        wanted[part.serial, "radial"] = part.radial_mm
        wanted[part.serial, "inspection"] = "clean"
    found: dict[tuple[str, str], list[str]] = {}
    for record in held(ledger, start):
        match record:
            case Receipt():
                found.setdefault((record.serial, "receipt"), []).append(record.batch)
            case Weighing():
                found.setdefault((record.serial, "weighing"), []).append(f"{record.gross_g:.1f}")
            case Runout() if record.tir_mm is not None:
                found.setdefault((record.serial, record.direction), []).append(
                    f"{record.tir_mm:.2f}"
                )
            case Inspection():
                found.setdefault((record.serial, "inspection"), []).append(record.result)
    said = [f"{key}: wanted {value}, held {found.get(key, 'nothing')}"
            for key, value in wanted.items() if found.get(key) != [value]]  # fmt: skip
    return said + [f"{key}: nobody entered this" for key in found.keys() - wanted.keys()]
