"""Trying again, ever more slowly."""

import random
from collections.abc import Iterator


def waits(first_s: float, most_s: float) -> Iterator[float]:
    """Seconds to wait before each next try: twice as long each time up to a limit.

    Each is drawn between half and the whole, so that benches that lost one server together do not
    come back together.
    """
    whole = first_s
    while True:
        yield whole * random.uniform(0.5, 1)  # noqa: S311 - no secret
        whole = min(2 * whole, most_s)
