"""Tables behind pictures: the rows of a figure as rows that people read."""

from typing import Any
from urllib.parse import quote

import tables
import words

from qc.figures.impact import DAMAGE
from qc.figures.words import amount


def turn_row(row: dict[str, Any]) -> dict[str, str]:
    """A part of a turn of run-out."""
    return {
        "Part of the turn": row["part"],
        "Highest less lowest": f"{row['swing_mm']:.3f} mm",
        "Highest at": "–" if row["at_deg"] is None else f"{row['at_deg']:.0f}°",
        "Share of the mean square": "–" if row["share"] is None else f"{100 * row['share']:.0f} %",
    }


def shared_turn_row(row: dict[str, Any]) -> dict[str, str]:
    """A batch with the turn that its parts share."""
    return {
        "Batch": row["batch"],
        "Mould": row["mould"] or "–",
        "Turns": str(row["turns"]),
        "Mean turn, highest less lowest": f"{row['swing_mm']:.3f} mm",
        "Highest at": f"{row['highest_deg']:.0f}°",
        "Share of the mean square": f"{100 * row['share']:.0f} %",
        "By chance as much": f"{100 * row['p']:.1f} %",
        "Said to be there": "yes" if row["there"] else "no",
    }


def drop_row(drop: dict[str, Any]) -> dict[str, str]:
    """A drop of an impact test."""
    changes = [drop["lateral_change_mm"], drop["radial_change_mm"]]
    remark = "beside its place" if drop["at_deg"] is None else "first damage"
    return {
        "Drop": str(drop["drop_no"]),
        "At": f"{amount(drop['position_deg'])}°",
        "Counts for": "–" if drop["at_deg"] is None else f"{amount(drop['at_deg'])}°",
        "Energy": amount(drop["energy_j"], "J"),
        "× standard there": amount(drop["multiple"]),
        "Damage": DAMAGE[drop["damage"]][2],
        "Change lateral, radial": ", ".join(amount(change, "mm") for change in changes),
        "Remark": "after the first damage: not used"
        if not drop["used"]
        else remark
        if drop["first_damage"] or drop["at_deg"] is None
        else "–",
    }


def place_row(place: dict[str, Any]) -> dict[str, str]:
    """A required position of an impact test, with the damage that began there."""
    kinds = [
        f"{DAMAGE[damage][2].partition(':')[0]} {place['damage'][damage]}"
        for damage in DAMAGE
        if damage in place["damage"]
    ]
    return {
        "Place": f"{amount(place['at_deg'])}°",
        "Drops": str(place["drops"]),
        "Tests": str(place["tests"]),
        "First damage there": str(place["first_damage"] or "–"),
        "Of what kind": ", ".join(kinds) or "–",
    }


def finding_row(one: dict[str, Any]) -> dict[str, str]:
    """A finding."""
    return {
        "Part": tables.part_link(one["serial"]),
        "Batch": words.plain(one["batch"]),
        "Defect": one["defect"].replace("-", " "),
        "Size": amount(one["size_mm"], "mm"),
        "Zone": one["zone"].replace("-", " "),
        "At": f"{amount(one['angle_deg'])}°",
        "Found on": one["taken_at"][:10],
    }


def counted_row(row: dict[str, Any], by: str) -> dict[str, str]:
    """Findings of one kind, counted."""
    name = row["name"] if by == "batch" else row["name"].replace("-", " ")
    return {
        by.capitalize(): words.plain(name),
        "Findings": f"{row['count']:,}",
        "Parts": f"{row['parts']:,}",
        "Share": f"{100 * row['share']:.1f} %",
        "Cumulative share": f"{100 * row['cumulative']:.1f} %",
        "Largest": amount(row["largest_mm"], "mm"),
    }


def passed_row(batch: dict[str, Any]) -> dict[str, str]:
    """A batch with what of it passed the first time."""
    why = ", ".join(f"{name.replace('-', ' ')} {n}" for name, n in batch["why"].items())
    said = [why, f"the whole batch: {batch['whole']}" if batch["whole"] else ""]
    said.append("batch held (not counted)" if batch["held"] else "")
    return {
        "Batch": words.plain(batch["batch"]),
        "Made on": batch["made_on"],
        "Parts judged": f"{batch['parts']:,}",
        "Passed first time": f"{batch['passed']:,}",
        "Share": f"{100 * batch['share']:.1f} %",
        "95 % limits": f"{100 * batch['lower']:.0f} to {100 * batch['upper']:.0f} %",
        "Not passed for": "; ".join(filter(None, said)) or "–",
    }


def run_rows(strip: list[dict[str, Any]], names: list[str]) -> list[dict[str, str]]:
    """What the batches of a drift chart share, stretch by stretch, the newest first."""
    stretches = [(row["factor"], run) for row in strip for run in row["runs"]]
    return [
        {
            "Factor": words.plain(factor.replace("_", " ")),
            "Level": words.plain(run["level"] or "not known"),
            "From batch": words.plain(names[run["start"]]),
            "To batch": words.plain(names[run["end"]]),
            "Batches": str(run["end"] - run["start"] + 1),
        }
        for factor, run in sorted(stretches, key=lambda one: -one[1]["end"])
    ]


def batch_row(batch: dict[str, Any], unit: str) -> dict[str, str]:
    """A batch mean of a drift chart."""
    limits = "–"
    if batch["lower"] is not None:
        limits = f"{amount(batch['lower'])} to {amount(batch['upper'], unit)}"
    code = quote(batch["batch"], safe="")
    return {
        "Batch": f"[{words.plain(batch['batch'])}](/touched?factor=batch&level={code})",
        "Made on": batch["made_on"],
        "Parts": str(batch["n"]),
        "Mean": amount(batch["mean"], unit),
        "Limits": limits,
    }
