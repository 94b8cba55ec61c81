"""Impact tests compared: batches with all the others, hits in line with a spoke with hits between.

A difference is called at 5 %, after Holm's correction for all comparisons made beside it. How much
it is, is said by the ratio of multiples under a common shape.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.statistics.margins.against_rest import AgainstRest, each_against_rest
from qc.statistics.margins.outcomes import Outcomes
from qc.statistics.multiple_testing import holm
from qc.statistics.survival.two_batches import scale_ratio_test
from qc.views import margin_words as words
from qc.views.margin_groups import Group, meaning
from qc.views.plain import rounded

Row = dict[str, Any]
_LEVEL = 0.05


def batch_comparisons(group: Group) -> tuple[list[Row], str]:
    """Each batch against all the others, the clearest difference first; and all in a sentence."""
    found = group.outcomes()
    names = np.array([test["batch"] for test in group.at_random])
    lower, upper = found.ends()
    compared = each_against_rest(lower=lower, upper=upper, batches=names.tolist())
    # of two batches one comparison says all
    listed = compared[:1] if len(compared) == 2 else compared
    others = f"those of batch {compared[1].batch}" if len(compared) == 2 else "those of the others"
    rows = []
    for one in sorted(listed, key=lambda one: (one.p, -abs(one.statistic))):
        row = {"batch": one.batch} | _compared(one, found, names == one.batch)
        rows.append(row | {"words": words.compared(row, f"Batch {one.batch}", others)})
    return rows, words.batches(len(compared), [row for row in rows if row["differs"]])


def strike_comparisons(group: Group, found: list[Group]) -> list[Row]:
    """Hits in line with a spoke against hits between spokes, of groups alike in all else."""
    others = [other for other in found if _only_strike_differs(group, other)]
    rows = []
    for other in others:
        pair = (group, other) if group.head["strike"] == "spoke" else (other, group)
        sizes = [len(one.at_random) for one in pair]
        names = np.repeat(["spoke", "between"], sizes)
        tested = pair[0].outcomes(pair[1])
        lower, upper = tested.ends()
        one = each_against_rest(lower=lower, upper=upper, batches=names.tolist())[0]
        rows.append((other.protocol, one, tested, names == "spoke"))
    adjusted = holm([one.p for _, one, _, _ in rows]).adjusted.tolist()
    answers = []
    for (protocol, one, tested, mine), p in zip(rows, adjusted, strict=True):
        row = {"with_protocol": protocol, "first": "spoke", "second": "between"}
        row |= _compared(one._replace(p_adjusted=p), tested, mine)
        said = words.compared(row, "Hits in line with a spoke", "those under hits between spokes")
        answers.append(row | {"words": said})
    return answers


def _compared(one: AgainstRest, found: Outcomes, mine: NDArray[np.bool_]) -> Row:
    differs = one.p_adjusted <= _LEVEL
    ratio, limits = math.nan, (math.nan, math.nan)
    if differs:
        test = scale_ratio_test(found.where(mine).censored(), found.where(~mine).censored())
        ratio, limits = test.ratio, test.interval()
    return {
        "tests": one.tests,
        "others": found.tests - one.tests,
        "p": rounded(one.p),
        "p_adjusted": rounded(one.p_adjusted),
        "differs": differs,
        "weaker": one.statistic > 0,
        "ratio": rounded(ratio),
        "ratio_limits": [rounded(limit) for limit in limits],
    }


def _only_strike_differs(group: Group, other: Group) -> bool:
    """Of one model, both with tests, alike but for the strike."""
    strikes = {group.head["strike"], other.head["strike"]}
    return (
        strikes == {"spoke", "between"}
        and group.model == other.model
        and _but_strike(group) == _but_strike(other)
        and bool(group.at_random and other.at_random)
    )


def _but_strike(group: Group) -> tuple[Any, ...]:
    """What must agree; the angles differ by themselves, their number must not."""
    positions = len(group.entry.positions_deg) if group.entry else 0
    return (*meaning(group.entry, without=("strike", "positions_deg")), positions)
