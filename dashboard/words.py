"""What the screens say: the caution, marks, terms, and what to do about a flag."""

import datetime as dt
import re
from typing import Any
from zoneinfo import ZoneInfo

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
        "Weigh it again on another scale. If it stands, look at resin and lay-up, then decide.",
    ),
    "weight-under-claim": (
        "lighter than its claim allows",
        "Hold it and weigh it again. A light part may lack material: inspect it before deciding.",
    ),
    "runout-lateral": (
        "lateral run-out above its limit",
        "Measure once more on a clean stand, look at the shape of the turn, then rework or decide.",
    ),
    "runout-radial": (
        "radial run-out above its limit",
        "Measure once more on a clean stand, look at the shape of the turn, then rework or decide.",
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

# what a decision does, in a few words
DECISIONS = {
    "release": "It may leave, if nothing else is in the way. A critical flag is not settled by it, "
    "nor is anything decided on a part by name when a batch is released.",
    "hold": "It may not leave until somebody releases it or grants a concession.",
    "rework": "It is made good again. It wants a new weighing and inspection, then a release.",
    "repair": "It is mended, but not as new. Only a concession lets it leave.",
    "regrade": "It is sold as another grade, which you name. Its open flags are settled.",
    "concession": "It may leave although it does not conform: for so many parts, or until a day. "
    "The bound is written down with the decision; keep to it when you ship.",
    "scrap": "It is given up. Only a correction of this decision undoes it.",
    "return-to-supplier": "It goes back to who made it. Only a correction of this decision undoes "
    "it.",
}

# what a table of the catalog holds
CATALOG = {
    "claim": "The mass that is published for a model at a stage, and what may be above and below.",
    "runout_limit": "How far a rim or wheel may run out. A limit of a model goes before one of any "
    "model.",
    "finding_limit": "From which size a finding counts, and how much. Cracks, delamination and "
    "disbonds count at any size unless a limit says otherwise.",
    "balance_limit": "How much unbalance a wheel may keep.",
    "limit": "Between which values any other measurement must lie. The most specific one counts: "
    "model and stage, then model, then stage.",
    "protocol": "How parts are struck in an impact test, and what they must bear. A setting of the "
    "shop: it proves nothing to an authority.",
    "plan": "What must be recorded of a part before it may be released.",
    "batch": "Parts made together, and what they share.",
    "baseline": "Which batches set the level that later ones are compared with, and why these.",
    "fitted_part": "What may be on a part when it is weighed, and what it weighs itself.",
    "gauge": "What is measured with, how fine it reads, how sure it is, when it is due.",
    "readout": "How a gauge speaks on a serial line.",
    "model": "What is made.",
    "characteristic": "What is measured besides mass, run-out, balance and impact.",
    "station": "Where records are made.",
    "inspector": "Who makes records. Who signs in is listed by `rimqc person list`.",
    "site": "The shop and its clock.",
}

# said instead of a form, by the action that it would be
WHO_MAY = {
    "set-claims": "Claims are set by the owner.",
    "set-limits": "This table is changed by an engineer or the owner.",
    "freeze-baseline": "Baselines are frozen by an engineer or the owner.",
}

TERMS = {
    "role": "A technician records and sees. An engineer also corrects, holds, decides on parts, "
    "sets limits and baselines, and accepts readings in doubt. An owner also sets claims, grants "
    "concessions and manages people.",
    "one-time code": "Sets a password once, within three days, at /sign-in/code of this server.",
    "station": "A place in the shop that records: a rig that sends by itself, or a tablet where "
    "people sign in with a PIN.",
    "version": "A change never overwrites: it is a version of its own, with who entered it and "
    "when. Every earlier one stays readable.",
    "holds from": "The first day on which it counts. Verdicts are made by what was in force on "
    "the day of the reading, so a day that is past changes verdicts, and today's or a later day "
    "leaves those of earlier days alone.",
    "guarded": "A rule that wants a value inside its limit by 1.645 standard uncertainties; the "
    "simple rule lets it be anywhere inside.",
    "source": "Where a limit comes from: a drawing, a standard, a rule of the shop. Limits are "
    "settings; confirm them for your shop.",
    "bare mass": "What the part weighs without what was fitted to it (tape, weights, hub), in g.",
    "claim": "The mass that is published for a model at a stage, with the band allowed above and "
    "below it.",
    "share above": "Share of the parts that lie above the claim's band; a part exactly on its edge "
    "does not.",
    "undecided": "So near to the band's edge that the scale cannot tell on which side it lies.",
    "supported claim": "The lowest claim that the batches so far support: with 95 % confidence, "
    "95 % of parts to come stay at or below it plus the band allowed above. A batch counts once, "
    "however many parts it has. Needs six batches and a steady level. It is no promise.",
    "off the claim": "How far the mean of the batches lies above (+) or below (−) the claim.",
    "bars": "Where parts are few, a bar shows ± 2 standard uncertainties of a part's mass.",
    "common to all parts": "What an error of the scale, or of a fitted part's mass in the catalog, "
    "may add to every part alike: standard uncertainty. More weighing does not lessen it.",
    "spread": "Standard deviation, part to part.",
    "in doubt": "Measured with a gauge that was later found off. Such readings count for nothing "
    "until they are measured again or accepted with a reason.",
    "survived multiple": "How many times the standard impact a part bore at every position and "
    "was found undamaged. Protocols differ, so multiples of two protocols are never compared.",
    "failed by": "The multiple at which damage was found; open where the test stopped before any.",
    "at least … survive": "Exact binomial bound (Clopper and Pearson): if fewer parts survived, "
    "tests would turn out so well in at most 5 of 100 such cases. It needs parts drawn at random, "
    "and speaks of parts like those tested: of one batch where they are of one.",
    "unfinished": "Stopped below the multiple without damage. It counts neither way there, and in "
    "the survival curve for what it bore.",
    "survival curve": "Share of parts that survive a multiple, from all tests, each taken as the "
    "interval it is. The band holds the true share at one multiple in about 95 of 100 such cases.",
    "p": "How often tests of equal batches would differ this much, adjusted for the number of "
    "comparisons (Holm). At 0.05 and below a difference is called.",
    "struck before": "The part had been struck, repaired or returned before the test. It is shown "
    "and does not count.",
    "drift": "The level of a batch mean has moved against the baseline by more than batches "
    "scatter by themselves.",
    "baseline": "The batches up to the first move (all of them while nothing has moved; odd ones "
    "are left out), or those that an engineer froze. Later ones are compared with them.",
    "limits": "What a batch mean may be while nothing has moved. They are no tolerance: a part "
    "within its tolerance may well be a sign of drift.",
    "interval": "The shift lies within it in 95 of 100 such cases. A move that was just found "
    "looks larger than it is.",
    "TIR": "Total indicator reading: largest less smallest reading of one turn, in mm.",
    "form": "What is left of a turn without the once-per-turn part: on a bare rim that part comes "
    "from how it sits on the stand.",
    "once a turn, twice a turn": "A wave round the rim with one high place, or two. Once a turn is "
    "off centre or set-up, twice is oval or a saddle. One is named as the cause when it holds half "
    "of the mean square of the turn, more than all else together, and more than scatter would.",
    "bump, flat spot": "One place that stands out of everything round it, named as the cause when "
    "it alone makes half of the swing.",
    "impact map": "The rim seen from the drive side, valve hole on top. A mark stands the further "
    "out the higher its multiple at that place: the number of the hit, or the rung.",
    "required position": "Where the protocol wants the striker to fall. A drop further off than "
    "its tolerance counts for none.",
    "first damage": "The first drop of a test with damage that fails its protocol. What comes "
    "after it is not used.",
    "passed first time": "Something of the part has been measured or looked at, no major or "
    "critical flag was ever raised on it, and it was never held, reworked, repaired, regraded, "
    "scrapped, sent back or let through by a concession, by name or (a hold excepted) with its "
    "batch; all that before it first left for a customer. A flag from a slip that was corrected "
    "later counts; scrapping a struck part does not, nor does a hold of the whole batch, which is "
    "shown. So far: parts still to be judged may lower it.",
    "95 % limits": "Exact limits for a share (Clopper and Pearson): they hold the true share in at "
    "least 95 of 100 such cases. Wholly below all together is a batch to look at; with many "
    "batches one or two of a hundred lie there by chance.",
    "cumulative share": "How much of all findings those of this line and the lines above it make.",
    "in the laminate, on the surface, parted": "How the picture sorts findings. Parted: crack, "
    "delamination, disbond. On the surface: crazing, blister, pinhole, sharp edge, scratch, "
    "cosmetic. In the laminate: all others, such as void, porosity, dry fibre, wrinkle.",
    "finding": "A defect that a look found, whatever its size; a flag is raised only from the "
    "limit of its zone on.",
    "shared turn": "The mean of the turns of a batch, each begun at its valve hole. How a part "
    "sits on the stand differs from part to part and cancels; what the mould prints stays. A bare "
    "rim's is without its once-per-turn part.",
    "strip": "What batches share, below the chart: a band is a stretch of batches of one level. "
    "◆ marks what changed with the level.",
    "flag": "Something that wants attention. Critical holds the part at once, major wants a "
    "decision before release, minor is for the record.",
    "held": "May not leave until somebody decides: release, rework, concession or scrap.",
    "factor": "What parts of a batch share: mould, resin lot, fibre lot, crew.",
    "hold, release, rework, repair": "Decisions on a part or a batch (ISO 9000). Rework makes it "
    "conform, repair makes it usable without conforming.",
    "concession, regrade, scrap": "To let it go although it does not conform, to sell it as "
    "another grade, to give it up (ISO 9000).",
    "correction, void": "A record that mends an earlier one. Void: the earlier one counts for "
    "nothing. Both stay readable for ever.",
    "as found, as left": "A check before and after adjusting. Only what was read as found says "
    "what the gauge did until then.",
    "master rim": "A rim of known run-out, spun on the stand from time to time: a check like any "
    "other, with the rim as its reference.",
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


STATIONS = (
    "A rig or a script sends with a token of its own, kept in a file that only its program can "
    "read. A tablet becomes a station under *Your password, your PIN, signing out*, opened by an "
    "owner on that tablet."
)
