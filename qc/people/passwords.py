"""Passwords and PINs: argon2id (RFC 9106) with the library's defaults."""

import hashlib
import secrets
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from qc.errors import RimqcError

LEAST_PASSWORD, LEAST_PIN = 10, 6
_hasher = PasswordHasher()


def hashed_password(password: str) -> str:
    """The hash to keep. RimqcError where the password is too short or too long."""
    if not LEAST_PASSWORD <= len(password) <= 200:
        raise RimqcError(
            f"a password has {LEAST_PASSWORD} to 200 characters: {len(password)} given"
        )
    return _hasher.hash(password)


def hashed_pin(pin: str) -> str:
    """The hash to keep. A PIN works only at a named station, so it may be short."""
    if not pin.isascii() or not pin.isdigit() or not LEAST_PIN <= len(pin) <= 12:
        raise RimqcError(f"a PIN has {LEAST_PIN} to 12 digits")
    if len(set(pin)) < 3:
        raise RimqcError("a PIN needs at least three different digits")
    return _hasher.hash(pin)


@cache
def _nobody() -> str:
    """A hash that nothing fits, so that a try against no account takes as long as another."""
    return _hasher.hash(secrets.token_hex())


def matches(kept: str | None, given: str) -> bool:
    """Whether what was given is what was hashed; without a hash as slow, and never."""
    try:
        return _hasher.verify(kept or _nobody(), given) and kept is not None
    except (VerificationError, InvalidHashError):
        return False


def new_secret() -> str:
    """A token nobody can guess: 256 bits, safe in a URL or header."""
    return secrets.token_urlsafe(32)


def new_code() -> str:
    """A one-time code that a person can type: 80 bits in groups of four."""
    letters = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
    drawn = "".join(secrets.choice(letters) for _ in range(16))
    return "-".join(drawn[i : i + 4] for i in range(0, 16, 4))


def digest(secret: str) -> str:
    """What is kept of a token: its SHA-256. It has all its bits, so it needs no slow hash."""
    return hashlib.sha256(secret.encode()).hexdigest()
