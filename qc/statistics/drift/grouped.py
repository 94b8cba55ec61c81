"""Groups of factors that go together, as rows of a table."""

from collections.abc import Sequence
from typing import Any


def grouped_rows(groups: Sequence[Sequence[Any]], *names: str) -> list[dict[str, Any]]:
    """One row a factor with these attributes of it, the best group first.

    `group` counts the groups from 1; `with` names the other factors of the same group.
    """
    return [
        {name: getattr(one, name) for name in names}
        | {"with": [other.factor for other in group if other is not one], "group": place}
        for place, group in enumerate(groups, start=1)
        for one in group
    ]
