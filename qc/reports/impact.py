"""The impact report of a protocol: what was struck, what each part bore, what may be said of it."""

from collections.abc import Iterator
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import Flowable
from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Protocol
from qc.errors import RimqcError
from qc.figures.words import amount, stage_name
from qc.records.parsing import nearest
from qc.reports import page, pictures
from qc.reports.page import Printing
from qc.views.margins import margins

Row = dict[str, Any]

_MOST_DRAWN = 60


def report(
    connection: Connection,
    catalog: Catalog,
    printed: Printing,
    protocol: str,
    model: str | None = None,
) -> bytes:
    """The PDF; RimqcError where no test of the protocol (and model) was recorded."""
    groups = margins(connection, catalog, protocol=protocol, model=model)
    if not groups:
        of = f" on model {model}" if model else ""
        near = nearest(protocol, catalog.codes(Protocol))
        raise RimqcError(f"no impact test of protocol {protocol}{of} is recorded{near}")
    title = f"Impact tests by {protocol}" + (f" on {model}" if model else "")

    def story() -> list[Flowable]:
        told: list[Flowable] = [page.text(title, page.TITLE)]
        for group in groups:
            told += _group(printed, group)
        return told

    return page.build(title, printed, story)


def _group(printed: Printing, group: Row) -> Iterator[Flowable]:
    width = printed.width
    yield from page.heading(f"{group['model']}, {stage_name(group['stage'])}")
    yield page.table((), _conditions(group), (1, 4), width)
    for row in group["statements"]:
        yield page.text(row["words"])
    yield page.text(group["scope"])
    for row in group["drawn"]:
        yield page.text(f"– {row['words']}")
    if group["survival"]:
        yield from page.heading("Share that survives, parts drawn at random", room=80)
        yield pictures.survival(group, width)
        for row in group["bears_90"]:
            yield page.text(row["words"])
        yield page.text(group["fit"]["words"])
    yield from page.heading("Batch by batch, with 95 % confidence, of parts drawn at random")
    batches = [
        (b["batch"], b["made_on"] or "–", b["statements"][0]["brief"], b["statements"][1]["brief"],
         b["early"] or "–")
        for b in group["batches"]
    ]  # fmt: skip
    heads = ("Batch", "Made on", f"Required {amount(group['required_multiple'])} ×", "Standard 1 ×",
             "Early failures")  # fmt: skip
    yield page.table(heads, batches, (3, 2, 5, 5, 2), width)
    if group["early"]:
        yield from page.heading("Early failures")
        early = [(e["serial"], e["test"], e["batch"], e["words"]) for e in group["early"]]
        yield page.table(
            ("Part", "Test", "Batch", "What makes it early"), early, (3, 2, 2, 9), width
        )
    yield from _tests(width, group)


def _conditions(group: Row) -> list[tuple[str, str]]:
    strikes = {"spoke": "in line with a spoke", "between": "between spokes"}
    methods = {"repeat": "hits of the standard energy", "step": "rungs of rising energy"}
    return [
        ("Method", methods[group["method"]]),
        ("One standard impact", amount(group["standard_energy_j"], "J")),
        ("Required", f"{amount(group['required_multiple'])} × the standard impact"),
        ("Struck", strikes.get(group["strike"], "place not stated")),
        ("Striker", group["striker"] or "not stated"),
        ("Tyre", group["tyre"] or "not stated"),
        ("Tested", f"{group['first_test'][:10]} to {group['last_test'][:10]}"),
        ("Tests", f"{group['counted']} that count"),
        ("Parts struck before", str(group["struck_before"] or "none")),
    ]  # fmt: skip


def _tests(width: float, group: Row) -> Iterator[Flowable]:
    counted = [test for test in group["tests"] if "struck-before" not in test["marks"]]
    weakest = sorted(counted, key=lambda test: (test["survived"], test["serial"]))[:_MOST_DRAWN]
    if weakest:
        left = (
            f", the {_MOST_DRAWN} weakest of {len(counted)}" if len(counted) > len(weakest) else ""
        )
        picture = pictures.intervals(weakest, group, width)
        room = picture.height / mm + 14
        yield from page.heading(f"What each part bore{left}, the weakest first", room)
        yield picture
    yield from page.heading("All tests")
    heads = ("Part", "Test", "Batch", "Day", "Survived", "Failed by", "Drop", "Drawn", "Remarks")
    rows = [
        (t["serial"], t["test"], t["batch"], t["started_at"][:10], f"{amount(t['survived'])} ×",
         _failed(t), t["first_damage"] or "–", t["drawn"] or "not stated",
         ", ".join(t["marks"]).replace("-", " ") or "–")
        for t in group["tests"]
    ]  # fmt: skip
    yield page.table(heads, rows, (16, 10, 12, 12, 10, 12, 6, 10, 14), width, (4, 5, 6))


def _failed(test: Row) -> str:
    if not test["damaged"]:
        return "not failed"
    return f"{amount(test['failed'])} ×" if test["failed"] is not None else "unknown"
