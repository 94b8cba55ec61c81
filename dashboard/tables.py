"""Rows of the views as rows of a table that people read: names with units, one line a record."""

from typing import Any
from urllib.parse import quote

import words

from qc.figures.words import STAGES, amount, characteristic_name, stage_name


def sentence(record: dict[str, Any]) -> str:
    """What a record says, without when and who."""
    r = {
        name: words.plain(value) if isinstance(value, str) else value
        for name, value in record.items()
    }
    said = _said(r)
    note = f" Note: {r['note']}" if r.get("note") else ""
    return f"{said}.{note}"


def _said(r: dict[str, Any]) -> str:
    match r["kind"]:
        case "receipt":
            return f"Received: model {r['model']}, batch {r['batch']}"
        case "weighing":
            fitted = ", ".join(
                f"{n} × {words.plain(part)}" for part, n in r.get("fitted", {}).items()
            )
            with_what = f"with {fitted}" if fitted else "bare"
            return f"Weighed {amount(r['gross_g'], 'g', 6)} {with_what}, on {r['gauge']}"
        case "runout":
            side = f", {r['side']} side" if r.get("side") else ""
            how = (
                f"TIR {r['tir_mm']} mm"
                if "tir_mm" in r
                else f"{len(r['readings_mm'])} readings round a turn"
            )
            return f"Run-out, {r['direction']}{side}: {how}, on {r['gauge']}"
        case "measurement":
            return f"Measured {r['characteristic']}: {r['value']}, with {r['gauge']}"
        case "inspection":
            return f"Looked at ({r['method']}): {r['result']}; {', '.join(r['zones'])}"
        case "finding":
            place = f"{r['zone']} at {r['angle_deg']}°"
            return f"Found {r['defect']}, {r['size_mm']} mm, {place}"
        case "balance":
            heavy = f"{r['residual_g']} g at {r['radius_mm']} mm, heavy at {r['heavy_deg']}°"
            return f"Balance {r['state']}: {heavy}"
        case "drop":
            blow = f"{r['striker_kg']} kg from {r['height_mm']} mm at {r['position_deg']}°"
            return f"Drop {r['drop_no']} of test {r['test']}: {blow}; damage: {r['damage']}"
        case "build":
            pair = f", pair {r['pair']}" if r.get("pair") else ""
            return f"Built with {r['hub']} by {r['builder']}{pair}"
        case "disposition":
            whole = f" on batch {r['batch']}" if r.get("batch") else ""
            return f"Decision{whole}: **{r['decision']}**, {r['reason']}"
        case "shipment":
            return f"Shipped, order {r['order']}, to {r['to']}"
        case "customer-return":
            far = f" after {r['distance_km']} km" if "distance_km" in r else ""
            return f"Returned by the customer{far}: {r['reason']}"
        case "correction":
            what = "void" if r.get("void") else "accepted" if r.get("accept") else "replaced"
            return f"Correction, an earlier record is {what}: {r['reason']}"
    return str(r["kind"])


def history(part: dict[str, Any], zone: str | None) -> list[dict[str, str]]:
    """A part's records, and the decisions on its batch, as the rows of a table in order of time;
    what no longer holds is struck through."""
    of_batch = [decision for decision in part["dispositions"] if "batch" in decision]
    rows = []
    for record in sorted([*part["records"], *of_batch], key=lambda r: str(r["taken_at"])):
        said = sentence(record)
        if record.get("standing") == "void":
            said = f"~~{said}~~ Void, see the correction."
        elif record.get("standing") == "corrected":
            said = f"~~{said}~~ Corrected: {sentence(record['now'])}"
        if "suspect" in record:
            still = "still in doubt" if record["suspect"] else "was in doubt, settled"
            said += f" ✕ {still}: the gauge was found off."
        rows.append(
            {
                "When": words.plain(words.when(record["taken_at"], zone)),
                "Stage": stage_name(record["stage"]) if record.get("stage") else "–",
                "What": said,
                "Who, where": words.plain(f"{record['inspector']}, {record['station']}"),
            }
        )
    return rows


def stage_order(stage: str) -> int:
    """Rim, wheels, pair: in the order of making."""
    return list(STAGES).index(stage) if stage in STAGES else len(STAGES)


def test_row(test: dict[str, Any]) -> dict[str, str]:
    """An impact test as a row of a table."""
    return {
        "Part": part_link(test["serial"]),
        "Test": words.plain(test["test"]),
        "Batch": words.plain(test["batch"]),
        "Survived, × standard": amount(test["survived"]),
        "Failed by, × standard": amount(test["failed"]) if test["failed"] else "not failed",
        "Damage at drop": str(test["first_damage"] or "–"),
        "Chosen": test["drawn"] or "–",
        "Remarks": ", ".join(test["marks"]).replace("-", " ") or "–",
    }


def conditions(group: dict[str, Any]) -> str:
    """How the parts of a group of impact tests were struck."""
    strikes = {"spoke": "in line with a spoke", "between": "between spokes"}
    methods = {"repeat": "hits of the standard energy", "step": "rungs of rising energy"}
    said = [
        f"Struck as {stage_name(group['stage'])}",
        methods.get(group["method"], group["method"]),
        f"standard {amount(group['standard_energy_j'], 'J')}",
        strikes.get(group["strike"], "place not stated"),
        f"tyre {group['tyre'] or 'not stated'}",
        f"striker {group['striker'] or 'not stated'}",
    ]
    return words.plain("; ".join(said))


def margin_row(batch: dict[str, Any]) -> dict[str, str]:
    """What a batch's own impact tests show, as a row of a table."""
    required, standard = batch["statements"]
    picked = batch["picked"]
    return {
        "Batch": words.plain(batch["batch"]),
        "Made on": batch["made_on"] or "–",
        "Required multiple": required["brief"],
        "Standard": standard["brief"],
        "Chosen or reject": f"{picked['survived']} of {picked['tests']} survived the required"
        if picked
        else "–",
        "Early failures": f"✕ {batch['early']}" if batch["early"] else "–",
    }


def early_row(row: dict[str, Any]) -> dict[str, str]:
    """An early failure and what makes it one, as a row of a table."""
    return {
        "Part": part_link(row["serial"]),
        "Test": words.plain(row["test"]),
        "Batch": words.plain(row["batch"]),
        "Chosen": row["drawn"] or "–",
        "What makes it early": row["words"],
    }


def stream_row(stream: dict[str, Any]) -> dict[str, str]:
    """A quiet stream as a row of a table."""
    unit = stream["unit"]
    return {
        "Model": words.plain(stream["model"]),
        "Stage": stage_name(stream["stage"]),
        "What": characteristic_name(stream["characteristic"])
        + (f" ({words.plain(stream['protocol'])})" if stream.get("protocol") else ""),
        "Batches": str(len(stream["batches"])),
        "Baseline mean": amount(stream["centre"], unit),
        "Newest batch mean": amount(stream["batches"][-1]["mean"], unit),
    }


def factor_row(row: dict[str, Any]) -> dict[str, str]:
    """A factor that was searched as the cause of a move, as a row of a table."""
    return {
        "Factor": words.plain(row["factor"]),
        "Level": words.plain(row["level"]),
        "Batches lie off by": f"{row['effect']:+.3g}",
        "p, search paid for": f"{row['p']:.2g}",
        "p beyond a mere step in time": f"{row['p_beyond_step']:.2g}",
        "Changed together with": ", ".join(map(words.plain, row["with"])) or "–",
        "Follows time": "yes" if row["follows_time"] else "no",
    }


def quantity_row(row: dict[str, Any]) -> dict[str, str]:
    """What a part comes to in one characteristic, as a row of a table."""
    verdicts = {
        "conforms": "✓ within",
        "does-not-conform": "✕ outside",
        "undecided": "? too near the limit to tell",
    }
    verdict = verdicts.get(row["verdict"], "–")
    of = f" ({words.plain(row['protocol'])})" if row["protocol"] else ""
    return {
        "Stage": stage_name(row["stage"]),
        "What": characteristic_name(row["characteristic"]) + of,
        "Value": amount(row["value"], row["unit"]),
        "Standard uncertainty": amount(row["u"], row["unit"], 2),
        "Against its limit": verdict,
        "Remark": "✕ in doubt: the gauge was found off" if row["suspect"] else "–",
    }


def closed_row(row: dict[str, Any], zone: str | None) -> dict[str, str]:
    """A closed flag as a row of a table."""
    meaning, _ = words.FLAGS.get(row["flag"], (row["flag"], ""))
    return {
        "Flag": f"{words.mark(row['severity'])} {meaning}",
        "Why": words.plain(row["message"]),
        "Raised": words.plain(words.when(row["raised_at"], zone)),
        "Closed": words.plain(words.when(row["closed_at"], zone)),
        "By": words.plain(row.get("closed_by") or "–"),
    }


def part_link(serial: str) -> str:
    """A link to the part's screen, as Markdown."""
    return f"[{words.plain(serial)}](/part?serial={quote(serial, safe='')})"
