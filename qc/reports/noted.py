"""The note on a part's record, and what the ledger says to it.

The note is one line of text, in the QR code and in the file: `rimqc 1 SERIAL SEAL DIGEST FIGURES`.
SEAL and DIGEST are the number and digest of the seal under which the record was printed, FIGURES is
SHA-256 over every row of it as printed (JSON, UTF-8). The 1 stands for how that is done: whoever
changes a word or a rounding of `stated` changes it too.
"""

import json
import re
from hashlib import sha256
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.errors import RimqcError
from qc.ledger.tables import Head, Seal
from qc.reports.as_of import AsOf
from qc.reports.page import shown
from qc.reports.stated import Stated, stated

FORM = 1
_NOTE = re.compile(
    r"rimqc ([0-9]{1,9}) ([A-Za-z0-9._/-]{1,64}) ([0-9]{1,18}) ([0-9a-f]{64}) ([0-9a-f]{64})"
)


class Note(NamedTuple):
    """What a note says."""

    serial: str
    seal: int
    digest: str
    figures: str


def write_note(said: Stated, seal: int, digest: str) -> str:
    return f"rimqc {FORM} {said.serial} {seal} {digest} {digest_of(said)}"


def read_note(text: str) -> Note:
    """A note as scanned or typed; RimqcError for any other text."""
    found = _NOTE.fullmatch(" ".join(text.split()))
    if not found:
        raise RimqcError(
            "not the note of a part's record: expected `rimqc 1 SERIAL SEAL DIGEST FIGURES`, "
            f"as its QR code reads, got {text[:60]!r}",
            2,
        )
    form, serial, seal, digest, figures = found.groups()
    if int(form) != FORM:
        raise RimqcError(
            f"a note of form {form}; this program reads form {FORM}: check it with the version of "
            "rimqc that printed it",
            2,
        )
    return Note(serial, int(seal), digest, figures)


def digest_of(said: Stated) -> str:
    """SHA-256 over all rows of a record, in the order of printing."""
    rows = [[name, *row] for name, section in said.sections.items() for row in section]
    text = json.dumps(rows, ensure_ascii=False, separators=(",", ":"))
    return sha256(text.encode()).hexdigest()


def check(
    connection: Connection, catalog: Catalog, note: Note, words: str | None = None
) -> dict[str, Any]:
    """Whether a record is as this ledger stated it, and what became of it since.

    `words`: the text of the whole paper, where it was handed in as a file. `outcome` is
    `unchanged`, `changed-since` (`changes` says what), `altered` (what stands on the paper was
    never stated) or `not-ours` (another ledger, or one whose end was cut off).
    """
    answer: dict[str, Any] = {"serial": note.serial, "seal": note.seal, "changes": []}
    position = _position(connection, note)
    if position is None:
        return answer | {
            "outcome": "not-ours",
            "says": f"This database holds no seal {note.seal} with the digest on the paper: the "
            "paper is of another database, or the end of this one was cut off.",
        }
    try:
        then = stated(AsOf(connection, catalog, position), note.serial)
    except RimqcError:
        return answer | {
            "outcome": "altered",
            "says": f"Under seal {note.seal} nothing could be stated of a part {note.serial}: the "
            "serial on the paper was changed.",
        }
    if digest_of(then) != note.figures:
        return answer | {
            "outcome": "altered",
            "says": "The digest of the figures is not that of what was stated under this seal: "
            "serial, seal or figures were changed, or a version of rimqc that judges otherwise "
            "printed it.",
        }
    if lacking := _lacking(then, words):
        return answer | {
            "outcome": "altered",
            "changes": [{"what": row[0], "stated": list(row[1:]), "now": None} for row in lacking],
            "says": "What was stated under this seal does not stand on the paper.",
        }
    end = connection.execute(select(Head.position)).scalar_one()
    now = stated(AsOf(connection, catalog, end), note.serial)
    changes = _changes(then, now)
    said = "Since then the ledger has come to say something else." if changes else (
        "As the ledger stated it, and it still says so."
    )  # fmt: skip
    return answer | {
        "outcome": "changed-since" if changes else "unchanged",
        "says": said,
        "changes": changes,
        "stated": [list(row) for rows in then.sections.values() for row in rows],
        "may_leave": not now.reasons,
    }


def _position(connection: Connection, note: Note) -> int | None:
    """Where the journal ended under the note's seal, if it is a seal of this journal."""
    query = select(Seal.first_position, Seal.records).where(
        Seal.number == note.seal, Seal.digest == note.digest
    )
    row = connection.execute(query).one_or_none()
    return row[0] + row[1] - 1 if row else None


def _lacking(said: Stated, words: str | None) -> list[tuple[str, ...]]:
    """The rows that do not stand on the paper; where lines are broken does not matter."""
    if words is None:
        return []
    paper = "".join(words.split())
    rows = (row for section in said.sections.values() for row in section)
    return [row for row in rows if "".join(shown("".join(row)).split()) not in paper]


def _changes(then: Stated, now: Stated) -> list[dict[str, Any]]:
    """Rows that read otherwise now, came or went."""
    before, after = _by_name(then), _by_name(now)
    return [
        {"what": name, "stated": before.get(name), "now": after.get(name)}
        for name in dict.fromkeys([*before, *after])
        if before.get(name) != after.get(name)
    ]


def _by_name(said: Stated) -> dict[str, list[str]]:
    how = {"measured": "how measured: "}
    return {
        how.get(section, "") + row[0]: list(row[1:])
        for section, rows in said.sections.items()
        for row in rows
    }
