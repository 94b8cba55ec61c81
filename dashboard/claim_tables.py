"""What is claimed and what was weighed, as rows of tables that people read."""

from collections.abc import Callable
from typing import Any

import words

from qc.figures.words import amount, stage_name


def claim_row(row: dict[str, Any]) -> dict[str, str]:
    """Claimed and measured mass of a model at a stage, as a row of a table."""
    band = (
        f"{amount(row['claimed_g'])}\u00a0(+{amount(row['over_g'])}/−{amount(row['under_g'])})"
        if row["claimed_g"] is not None
        else "none"
    )
    return {
        "Model": words.plain(row["model"]),
        "Stage": stage_name(row["stage"]),
        "Claimed, g": band,
        "Supported claim, g": tenths(row["supported_claim_g"], "none yet"),
        "Off the claim, g": "–" if row["bias_g"] is None else signed_tenths(row["bias_g"]),
        "Parts": f"{row['n']:,}",
        "Batches": str(row["batches"]),
        "Mean, g": tenths(row["mean_g"]),
        "Spread, g": tenths(row["sd_g"]),
        "Least to most, g": f"{tenths(row['least_g'])} to {tenths(row['most_g'])}",
        "Share above": share(row["over_share"]),
        "Share outside": share(row["outside_share"]),
    }


def publishable(row: dict[str, Any]) -> str:
    """What may be published of a model at a stage, in one line."""
    claimed, supported = row["claimed_g"], row["supported_claim_g"]
    if supported is None:
        return "No claim is supported yet"
    if claimed >= supported:
        return f"✓ The claim of {amount(claimed)} g is supported; the lowest is {supported:.1f} g"
    return (
        f"✕ The claim of {amount(claimed)} g is too low; the lowest supported is {supported:.1f} g"
    )


def claim_facts(row: dict[str, Any]) -> list[dict[str, str]]:
    """Where a model at a stage stands against its claim, a line for each question."""
    facts: list[tuple[str, str, str]] = []
    if row["bias_g"] is not None:
        limits = _from_to(row["bias_lower_g"], row["bias_upper_g"], signed_tenths)
        facts.append(("Level against the claim", f"{signed_tenths(row['bias_g'])} g", limits))
    for name, said in (("between", "Spread between batches"), ("within", "Spread within a batch")):
        if row[f"{name}_sd_g"] is not None:
            limits = _from_to(row[f"{name}_lower_g"], row[f"{name}_upper_g"], tenths)
            if name == "between" and row["between_var_g2"] < 0:
                limits += "; batches differ less than their parts explain"
            facts.append((said, f"{row[f'{name}_sd_g']:.2f} g", limits))
    if row["n"] and row["claimed_g"] is not None:
        limits = _from_to(row["outside_share_lower"], row["outside_share_upper"], share)
        facts.append(("Outside the band so far", share(row["outside_share"]), limits))
    if row["over_predicted"] is not None:
        for name, said in (("over", "above"), ("under", "below")):
            facts.append(
                (
                    f"A part to come {said} the band",
                    share(row[f"{name}_predicted"]),
                    _at_most(row[f"{name}_predicted_upper"]),
                )
            )
        facts.append(
            (
                f"A part to come {row['far_over_g']} g over its claim",
                share(row["far_over_chance"]),
                _at_most(row["far_over_upper"]),
            )
        )
    if row["u_common_g"] is not None:
        sources = ", ".join(
            f"{words.plain(one['source'].replace(':', ' '))} {amount(one['u_g'], 'g', 2)}"
            for one in row["common"]
        )
        facts.append(("Measuring: common to all parts", f"{row['u_common_g']:.2f} g", sources))
        facts.append(
            (
                "Measuring: of each part by itself",
                f"{row['measuring_sd_g']:.2f} g",
                ""
                if row["part_sd_g"] is None
                else f"without it parts of a batch spread by {row['part_sd_g']:.2f} g",
            )
        )
    return [
        {"Question": said, "Answer": answer, "With 95 % confidence, and why": why}
        for said, answer, why in facts
    ]


def pair_row(pair: dict[str, Any]) -> dict[str, str]:
    """What a pair of wheels to come will weigh, as a row of a table."""
    built = "–"
    if pair.get("weighed_mean_g") is not None:
        spread = pair.get("weighed_sd_g")
        built = f"{pair['weighed_mean_g']:.1f}" + (f", spread {spread:.1f}" if spread else "")
    return {
        "Front": words.plain(pair["front"]),
        "Rear": words.plain(pair["rear"]),
        "Predicted, g": f"{pair['mean_g']:.1f}",
        "19 of 20 pairs, g": f"{pair['lower_g']:.0f} to {pair['upper_g']:.0f}",
        "Spread, g": f"{pair['sd_g']:.1f}",
        "Scale and catalog, g": f"{pair['u_common_g']:.2f}",
        "Pairs built, g": built,
    }


def _at_most(value: float) -> str:
    return share(value) if value < 0.001 else f"at most {share(value)}"


def _from_to(lower: float, upper: float, told: Callable[[float], str]) -> str:
    return f"{told(lower)} to {told(upper)}"


def tenths(value: float | None, none: str = "–") -> str:
    """Grams to a tenth, as a scale shows them."""
    return none if value is None else f"{value:.1f}"


def signed_tenths(value: float) -> str:
    """A difference in grams to a tenth, with its sign."""
    return "±0.0" if abs(value) < 0.05 else f"{value:+.1f}".replace("-", "−")


def share(value: float | None) -> str:
    """A share in per cent; a small one is never shown as none."""
    if value is None:
        return "–"
    return "0 %" if value == 0 else f"{100 * value:.1f} %" if value >= 0.001 else "under 0.1 %"
