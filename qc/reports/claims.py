"""The claims audit of a period: what is claimed, what was weighed, where each number is from."""

import datetime as dt
from collections.abc import Iterator, Sequence
from typing import Any

from reportlab.platypus import Flowable
from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.figures.words import STAGES, amount, parts, stage_name
from qc.reports import page
from qc.reports.page import Printing
from qc.views.claim_facts import BatchMass, made
from qc.views.claim_past import facts_at
from qc.views.claims import claims_from

Row = dict[str, Any]

METHOD = """\
Bare mass is the gross mass less the catalog mass of what was fitted, as weighed in air. Its
standard uncertainty combines the gauge, its readout step and what was fitted (JCGM 100:2008). A
part weighed several times counts once, with the mean.

What was measured with a gauge found off, and neither measured again nor accepted with a reason,
does not count. Each part is judged by the claim in force on the day of its weighing.

Limits of a share are those of Clopper and Pearson (1934). Limits of the level are Student's, over
the means of batches. The supported claim is the lowest for which, with 95 % confidence, 95 % of
parts to come weigh no more than it and its tolerance; the batch is the unit, it takes six of them
and a steady level. It is no promise: it holds as long as parts are made so.
"""


def audit(
    connection: Connection,
    catalog: Catalog,
    printed: Printing,
    since: dt.date | None,
    until: dt.date,
) -> bytes:
    """The PDF: parts weighed from `since` to `until`, as known at the end of `until`.

    Both days are the site's own and count. It costs a replay of every part.
    """
    facts = facts_at(connection, catalog, until, since)
    stages = list(STAGES)
    rows = claims_from(facts, catalog, until)
    rows.sort(key=lambda row: (row["model"], stages.index(row["stage"])))
    period = f"{since} to {until}" if since else f"up to {until}"
    title = f"Claims audit, {period}"

    def story() -> list[Flowable]:
        told: list[Flowable] = [
            page.text(title, page.TITLE),
            page.text(
                f"Parts whose last weighing is of this period, as known at the end of {until}: "
                "later records and corrections are not in it. `rimqc report claims` with the same "
                "days draws the same numbers again from the same records."
            ),
            *page.heading("In short"),
            _short(printed.width, rows),
        ]
        for row in rows:
            batches = facts.batches.get((row["model"], row["stage"]), [])
            told += _stream(printed.width, catalog, row, batches, until)
        told += page.heading("Method")
        return [*told, *map(page.text, METHOD.split("\n\n"))]

    return page.build(title, printed, story)


def _short(width: float, rows: Sequence[Row]) -> Flowable:
    heads = ("Model", "Stage", "Claimed", "Supported", "Off the claim", "Parts", "Outside the band")
    cells = [
        (r["model"], stage_name(r["stage"]), _band(r), _grams(r["supported_claim_g"], "none yet"),
         _signed(r["bias_g"]), r["n"], _share(r["outside_share"]))
        for r in rows
    ]  # fmt: skip
    return page.table(heads, cells, (3, 3, 4, 3, 3, 2, 3), width, (3, 4, 5, 6))


def _stream(
    width: float, catalog: Catalog, row: Row, batches: Sequence[BatchMass], until: dt.date
) -> Iterator[Flowable]:
    yield from page.heading(f"{row['model']}, {stage_name(row['stage'])}")
    yield page.text(_verdict(row))
    yield page.text(row["supported_reason"])
    facts = [*_claim(catalog, row, until), *_observed(row), *_judged(row)]
    heads = ("Number", "Value", "95 % limits", "Where it comes from")
    yield page.table(heads, facts, (5, 4, 5, 11), width, (1,))
    if batches:
        of_batch = ("Batch", "Made on", "Parts", "Mean, g", "Least, g", "Most, g", "Over", "Under")
        cells = [
            (b.batch, made(catalog, b.batch)[0] or "–", b.sums.n, _tenths(b.sums.mean),
             _tenths(b.least), _tenths(b.most), b.over or "–", b.under or "–")
            for b in batches
        ]  # fmt: skip
        yield page.table(of_batch, cells, (4, 3, 2, 3, 3, 3, 2, 2), width, range(2, 8))


def _verdict(row: Row) -> str:
    claimed, supported = row["claimed_g"], row["supported_claim_g"]
    if claimed is None:
        return "Nothing is claimed."
    if supported is None:
        return (
            f"Whether the claim of {amount(claimed)} g holds for parts to come cannot be said yet."
        )
    if claimed >= supported:
        return f"✓ The claim of {amount(claimed)} g is supported; the lowest is {supported:.1f} g."
    return f"✕ The claim of {amount(claimed)} g is too low; the lowest is {supported:.1f} g."


def _claim(catalog: Catalog, row: Row, until: dt.date) -> Iterator[tuple[str, str, str, str]]:
    claim = catalog.claim(row["model"], row["stage"], until)
    if claim:
        since = f", holding from {claim.since}" if claim.since else ""
        yield ("Claimed", _band(row), "–", f"catalog{since}; rule {claim.rule}")


def _observed(row: Row) -> Iterator[tuple[str, str, str, str]]:
    if not row["n"]:
        yield ("Parts", "none", "–", "no part of it was weighed in the period")
        return
    yield ("Parts", f"{row['n']:,}", "–", f"weighed parts of {row['batches']} batches listed below")
    yield (
        "Mean",
        _grams(row["mean_g"]),
        "–",
        f"sum of the masses of {parts(row['n'])} by their number",
    )
    if row["sd_g"] is not None:
        yield (
            "Spread",
            f"{row['sd_g']:.2f} g",
            "–",
            "standard deviation, part to part, all batches",
        )
    yield (
        "Least, most",
        f"{_tenths(row['least_g'])}, {_grams(row['most_g'])}",
        "–",
        "single parts",
    )
    for name, said in (("over", "Above the band"), ("outside", "Outside the band")):
        if row["claimed_g"] is not None:
            limits = f"{_share(row[f'{name}_share_lower'])} to {_share(row[f'{name}_share_upper'])}"
            yield (said, _share(row[f"{name}_share"]), limits, "parts counted")


def _judged(row: Row) -> Iterator[tuple[str, str, str, str]]:
    """What batches say of parts to come."""
    stand = f"{row['supported_batches']} batches" + (
        f" since the level moved with {row['moved_at']}" if row["moved_at"] else ""
    )
    if row["bias_g"] is not None:
        limits = f"{_signed(row['bias_lower_g'])} to {_signed(row['bias_upper_g'])}"
        yield ("Off the claim", _signed(row["bias_g"]), limits, f"mean of the means of {stand}")
    for name, said in (("between", "Spread between batches"), ("within", "Spread within a batch")):
        if row[f"{name}_sd_g"] is not None:
            limits = f"{row[f'{name}_lower_g']:.2f} to {row[f'{name}_upper_g']:.2f} g"
            yield (said, f"{row[f'{name}_sd_g']:.2f} g", limits, f"analysis of variance, {stand}")
    if row["over_predicted"] is not None:
        for name, said in (("over", "above"), ("under", "below")):
            upper = _share(row[f"{name}_predicted_upper"])
            most = upper if upper.startswith("under") else f"at most {upper}"
            value = _share(row[f"{name}_predicted"])
            yield (
                f"A part to come {said} the band",
                value,
                most,
                f"normal parts and batches, {stand}",
            )
    if row["u_common_g"] is not None:
        sources = ", ".join(
            f"{c['source'].replace(':', ' ')} {amount(c['u_g'], 'g', 2)}" for c in row["common"]
        )
        yield (
            "Uncertainty common to all",
            f"{row['u_common_g']:.2f} g",
            "–",
            f"catalog: {sources}",
        )
        yield ("Uncertainty of each part", f"{row['measuring_sd_g']:.2f} g", "–",
               "readout steps, and pieces fitted that differ among themselves")  # fmt: skip


def _band(row: Row) -> str:
    if row["claimed_g"] is None:
        return "none"
    return f"{amount(row['claimed_g'], 'g')} +{amount(row['over_g'])}/−{amount(row['under_g'])}"


def _tenths(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"


def _grams(value: float | None, none: str = "–") -> str:
    return none if value is None else f"{value:.1f} g"


def _signed(value: float | None) -> str:
    if value is None:
        return "–"
    return "±0.0 g" if abs(value) < 0.05 else f"{value:+.1f} g".replace("-", "−")


def _share(value: float | None) -> str:
    """A share in per cent; a small one is never shown as none."""
    if value is None:
        return "–"
    return "0 %" if value == 0 else f"{100 * value:.1f} %" if value >= 0.001 else "under 0.1 %"
