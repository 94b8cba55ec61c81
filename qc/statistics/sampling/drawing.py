"""Which parts of a lot are drawn: at random from a seed, repeatable by anybody for ever.

Every serial is given the SHA-256 digest of the seed, a colon and the serial; the parts with the
smallest digests are drawn. So the draw hangs neither on the order of the list nor on any library's
generator, and a larger sample from the same seed begins with the smaller one.
"""

import hashlib
import secrets
from collections.abc import Iterable


def new_seed() -> str:
    """A seed that nobody chose: eight hexadecimal digits, to be written down with the draw."""
    return secrets.token_hex(4)


def draw(serials: Iterable[str], n: int, seed: str) -> list[str]:
    """`n` serials drawn without replacement, in the order of the draw.

    ValueError for a serial listed twice, and where there are fewer than `n`.

    >>> draw(["R1", "R2", "R3", "R4"], 2, seed="7") == draw(["R4", "R3", "R2", "R1"], 2, seed="7")
    True
    """
    lot = list(serials)
    if len(set(lot)) < len(lot):
        double = next(serial for at, serial in enumerate(lot) if serial in lot[:at])
        raise ValueError(f"serials must be different: {double!r} is listed twice")
    if n != int(n) or not 0 <= n <= len(lot):
        raise ValueError(f"n must be a whole number from 0 to the {len(lot)} serials: {n}")
    return sorted(lot, key=lambda serial: (_digest(seed, serial), serial))[:n]


def _digest(seed: str, serial: str) -> bytes:
    return hashlib.sha256(f"{seed}:{serial}".encode()).digest()
