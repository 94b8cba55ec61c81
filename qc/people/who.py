"""A person as the server knows them at this moment."""

from typing import NamedTuple

from qc.people.roles import ACTIONS


class Person(NamedTuple):
    """Someone signed in: `code` is the inspector's code, `station` where they signed in, if named.

    `session` tells this sign-in from others; it is no secret and opens nothing.
    """

    code: str
    name: str
    role: str
    station: str | None = None
    session: str = ""


def may(person: Person, action: str) -> bool:
    """Whether a person's role allows an action; ValueError for an action nobody knows."""
    if action not in ACTIONS:
        raise ValueError(f"no such action: {action!r}")
    return person.role in ACTIONS[action]
