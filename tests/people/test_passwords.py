"""Passwords and PINs: argon2id, and nothing that can be read again."""

import pytest

from qc.errors import RimqcError
from qc.people.passwords import digest, hashed_password, hashed_pin, matches, new_code, new_secret


def test_a_password_is_kept_as_argon2id_with_a_salt_of_its_own():
    one, two = hashed_password("a long enough one"), hashed_password("a long enough one")
    assert one.startswith("$argon2id$")
    assert one != two
    assert matches(one, "a long enough one")
    assert not matches(one, "a long enough On")


@pytest.mark.parametrize("kept", [None, "", "no hash", "$argon2id$v=19$broken"])
def test_what_is_no_hash_fits_nothing(kept):
    assert not matches(kept, "")


@pytest.mark.parametrize(
    "pin", ["12345", "1" * 13, "111111", "121212", "12345a", "１２３４５６", ""]
)
def test_a_weak_pin_is_refused(pin):
    with pytest.raises(RimqcError, match="PIN"):
        hashed_pin(pin)


def test_secrets_are_long_and_differ():
    assert len({new_secret() for _ in range(100)}) == 100
    assert len(new_secret()) >= 43
    code = new_code()
    assert [len(part) for part in code.split("-")] == [4, 4, 4, 4]
    assert not set(code) & set("01IO")


def test_the_digest_is_sha_256():
    # FIPS 180-2, appendix B.1
    assert digest("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
