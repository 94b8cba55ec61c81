"""What the screens say: marks, terms, next steps, and a record as a sentence. No screen here."""

import datetime as dt
import re
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from qc.figures.words import STAGES, amount, characteristic_name, stage_name

CAUTION = (
    "This tool records and compares; it certifies nothing. Hidden damage in carbon parts can be "
    "invisible. A part that was struck never ships. Limits are settings with a source and a date: "
    "confirm them for your shop."
)

# mark, colour of the theme, and what it means
SEVERITIES = {
    "critical": ("◆", "violet", "holds the part at once"),
    "major": ("▲", "orange", "wants a decision before release"),
    "minor": ("●", "blue", "for the record"),
}

# what a flag means in a few words, and what to do about it
FLAGS = {
    "weight-over-claim": (
        "heavier than its claim allows",
        "Weigh it again on another scale. If it stands, look at resin and lay-up of the batch, "
        "then decide: concession, regrade or scrap.",
    ),
    "weight-under-claim": (
        "lighter than its claim allows",
        "Hold it and weigh it again. A light part may lack material: inspect it before deciding.",
    ),
    "runout-lateral": (
        "lateral run-out above its limit",
        "Measure once more on a clean stand; see the turn below its records, then rework or "
        "decide.",
    ),
    "runout-radial": (
        "radial run-out above its limit",
        "Measure once more on a clean stand; see the turn below its records, then rework or "
        "decide.",
    ),
    "measurement-out": (
        "a measured value outside its limits",
        "Measure again with another gauge if you can, then decide on the part or the batch.",
    ),
    "finding": (
        "a finding at or above its limit",
        "Look at the place again and note a second opinion; then rework, concession or scrap.",
    ),
    "unbalance": ("unbalance above its limit", "Balance the wheel again and record the result."),
    "impact-below-standard": (
        "does not bear the standard impact",
        "Hold the batch now. Test more parts of it, drawn at random, before any decision.",
    ),
    "impact-early": (
        "failed before the required multiple",
        "Hold the batch, test more parts of it, and look what it shares with others.",
    ),
    "impact-incomplete": (
        "test stopped before the required multiple",
        "Go on with the test, or note why it ended.",
    ),
    "not-judged": (
        "a reading that no limit or claim covers",
        "Add the limit or the claim to the catalog and import it.",
    ),
    "not-received": (
        "readings before any receipt",
        "Record the receipt with model and batch, or correct the serial.",
    ),
    "gauge-overdue": (
        "gauge used after its calibration fell due",
        "Calibrate the gauge before it is used again.",
    ),
    "gauge-suspect": (
        "gauge was found off",
        "Measure the parts again on a sound gauge, or accept each reading with a reason.",
    ),
    "drift": (
        "level has moved against its baseline",
        "See the chart, then look what changed with that batch: mould, resin, fibre, crew.",
    ),
}

STATUSES = {
    "may-leave": "complete",
    "incomplete": "not complete yet",
    "held": "held",
    "in-rework": "in rework",
    "scrapped": "scrapped",
    "struck": "struck in an impact test",
    "shipped": "shipped",
    "returned-by-customer": "returned by a customer",
    "returned-to-supplier": "returned to the supplier",
    "not-received": "not received",
}

TERMS = {
    "bare mass": "What the part weighs without what was fitted to it (tape, weights, hub), in g.",
    "claim": "The mass that is published for a model at a stage, with the band allowed above and "
    "below it.",
    "share above": "Share of the parts that lie above the claim's band; a part exactly on its edge "
    "does not.",
    "supported claim": "The lowest claim that the batches so far support: with 95 % confidence, "
    "95 % of parts to come stay at or below it plus the band allowed above. Needs six batches.",
    "spread": "Standard deviation, part to part.",
    "in doubt": "Measured with a gauge that was later found off. Such readings count for nothing "
    "until they are measured again or accepted with a reason.",
    "survived multiple": "How many times the standard impact a part bore at every position and "
    "was found undamaged. Protocols differ, so multiples of two protocols are never compared.",
    "failed by": "The multiple at which damage was found; open where the test stopped before any.",
    "struck before": "The part had been struck, repaired or returned before the test. It is shown "
    "and does not count.",
    "drift": "The level of a batch mean has moved against the baseline by more than batches "
    "scatter by themselves.",
    "baseline": "The first batches (12 unless some are left out), against which later ones are "
    "compared.",
    "limits": "What a batch mean may be while nothing has moved. They are no tolerance: a part "
    "within its tolerance may well be a sign of drift.",
    "EWMA": "Exponentially weighted moving average: a smoothed mean that sees small, lasting moves "
    "sooner.",
    "interval": "The shift lies within it in 95 of 100 such cases. A move that was just found "
    "looks larger than it is.",
    "TIR": "Total indicator reading: largest less smallest reading of one turn, in mm.",
    "form": "What is left of a turn without the once-per-turn part: on a bare rim that part comes "
    "from how it sits on the stand.",
    "flag": "Something that wants attention. Critical holds the part at once, major wants a "
    "decision before release, minor is for the record.",
    "held": "May not leave until somebody decides: release, rework, concession or scrap.",
    "factor": "What parts of a batch share: mould, resin lot, fibre lot, crew.",
}

_SPECIAL = re.compile(r"([\\`*_\[\]<>$~#|{}:!])")


def plain(text: object) -> str:
    """Text of a person as it was typed: no mark-up in it is followed."""
    return _SPECIAL.sub(r"\\\1", str(text).replace("\n", " "))


def when(moment: str, zone: str | None) -> str:
    """A moment as the shop's clock shows it; in UTC where the catalog has no time zone."""
    at = dt.datetime.fromisoformat(moment).astimezone(ZoneInfo(zone or "UTC"))
    return f"{at:%Y-%m-%d %H:%M}" + ("" if zone else " UTC")


def mark(severity: str) -> str:
    """Shape, word and colour of a severity, as Markdown."""
    shape, color, _ = SEVERITIES[severity]
    return f":{color}[{shape} **{severity}**]"


def subject(flag: dict[str, Any]) -> str:
    """What a flag is about."""
    if "serial" in flag:
        return str(flag["serial"])
    return f"batch {flag['batch']}" if "batch" in flag else f"gauge {flag.get('gauge', '–')}"


def sentence(record: dict[str, Any]) -> str:
    """What a record says, without when and who."""
    r = {name: plain(value) if isinstance(value, str) else value for name, value in record.items()}
    said = _said(r)
    note = f" Note: {r['note']}" if r.get("note") else ""
    return f"{said}.{note}"


def _said(r: dict[str, Any]) -> str:
    match r["kind"]:
        case "receipt":
            return f"Received: model {r['model']}, batch {r['batch']}"
        case "weighing":
            fitted = ", ".join(f"{n} × {plain(part)}" for part, n in r.get("fitted", {}).items())
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
            return f"Decision **{r['decision']}**: {r['reason']}"
        case "shipment":
            return f"Shipped, order {r['order']}, to {r['to']}"
        case "customer-return":
            far = f" after {r['distance_km']} km" if "distance_km" in r else ""
            return f"Returned by the customer{far}: {r['reason']}"
        case "correction":
            what = "void" if r.get("void") else "accepted" if r.get("accept") else "replaced"
            return f"Correction, an earlier record is {what}: {r['reason']}"
    return str(r["kind"])


def history(records: list[dict[str, Any]], zone: str | None) -> list[dict[str, str]]:
    """A part's records as the rows of a table; what no longer holds is struck through."""
    rows = []
    for record in records:
        said = sentence(record)
        if record.get("state") == "void":
            said = f"~~{said}~~ Void, see the correction."
        elif record.get("state") == "corrected":
            said = f"~~{said}~~ Corrected: {sentence(record['now'])}"
        if "suspect" in record:
            still = "still in doubt" if record["suspect"] else "was in doubt, settled"
            said += f" ✕ {still}: the gauge was found off."
        rows.append(
            {
                "When": plain(when(record["taken_at"], zone)),
                "Stage": stage_name(record["stage"]) if record.get("stage") else "–",
                "What": said,
                "Who, where": f"{plain(record['inspector'])}, {plain(record['station'])}",
            }
        )
    return rows


def stage_order(stage: str) -> int:
    """Rim, wheels, pair: in the order of making."""
    return list(STAGES).index(stage) if stage in STAGES else len(STAGES)


def claim_row(row: dict[str, Any]) -> dict[str, str]:
    """Claimed and measured mass of a model at a stage, as a row of a table."""
    band = (
        f"{amount(row['claimed_g'])}\u00a0(+{amount(row['over_g'])}/−{amount(row['under_g'])})"
        if row["claimed_g"] is not None
        else "none"
    )
    return {
        "Model": plain(row["model"]),
        "Stage": stage_name(row["stage"]),
        "Claimed, g": band,
        "Parts": f"{row['n']:,}",
        "Batches": str(row["batches"]),
        "Mean, g": tenths(row["mean_g"]),
        "Spread, g": tenths(row["sd_g"]),
        "Least to most, g": f"{tenths(row['least_g'])} to {tenths(row['most_g'])}",
        "Share above": share(row["over_share"]),
        "Share outside": share(row["outside_share"]),
        "Supported claim, g": tenths(row["supported_claim_g"], "not yet: too few batches"),
    }


def tenths(value: float | None, none: str = "–") -> str:
    """Grams to a tenth, as a scale shows them."""
    return none if value is None else f"{value:.1f}"


def share(value: float | None) -> str:
    """A share in per cent; a small one is never shown as none."""
    if value is None:
        return "–"
    return "0 %" if value == 0 else f"{100 * value:.1f} %" if value >= 0.001 else "under 0.1 %"


def test_row(test: dict[str, Any]) -> dict[str, str]:
    """An impact test as a row of a table."""
    return {
        "Part": part_link(test["serial"]),
        "Test": plain(test["test"]),
        "Batch": plain(test["batch"]),
        "Survived, × standard": amount(test["survived"]),
        "Failed by, × standard": amount(test["failed"]) if test["failed"] else "not failed",
        "Damage at drop": str(test["first_damage"] or "–"),
        "Chosen": test["drawn"] or "–",
        "Remarks": ", ".join(test["marks"]).replace("-", " ") or "–",
    }


def stream_row(stream: dict[str, Any]) -> dict[str, str]:
    """A quiet stream as a row of a table."""
    unit = stream["unit"]
    return {
        "Model": plain(stream["model"]),
        "Stage": stage_name(stream["stage"]),
        "What": characteristic_name(stream["characteristic"])
        + (f" ({plain(stream['protocol'])})" if stream.get("protocol") else ""),
        "Batches": str(len(stream["batches"])),
        "Baseline mean": amount(stream["centre"], unit),
        "Newest batch mean": amount(stream["batches"][-1]["mean"], unit),
    }


def quantity_row(row: dict[str, Any]) -> dict[str, str]:
    """What a part comes to in one characteristic, as a row of a table."""
    verdicts = {
        "conforms": "✓ within",
        "does-not-conform": "✕ outside",
        "undecided": "? too near the limit to tell",
    }
    verdict = verdicts.get(row["verdict"], "–")
    of = f" ({plain(row['protocol'])})" if row["protocol"] else ""
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
    meaning, _ = FLAGS.get(row["flag"], (row["flag"], ""))
    return {
        "Flag": f"{mark(row['severity'])} {meaning}",
        "Why": plain(row["message"]),
        "Raised": plain(when(row["raised_at"], zone)),
        "Closed": plain(when(row["closed_at"], zone)),
        "By": plain(row.get("closed_by") or "–"),
    }


def place_row(row: dict[str, Any]) -> dict[str, str]:
    """A part and where it is, as a row of a table."""
    went = f", order {plain(row['order'])} to {plain(row['to'])}" if row["order"] else ""
    return {
        "Part": part_link(row["serial"]),
        "Model": plain(row["model"] or "–"),
        "Batch": plain(row["batch"] or "–"),
        "Where it is": STATUSES.get(row["status"], row["status"]) + went,
    }


def part_link(serial: str) -> str:
    """A link to the part's screen, as Markdown."""
    return f"[{plain(serial)}](/part?serial={quote(serial, safe='')})"
