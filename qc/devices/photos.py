"""Photos of findings: taken in by what they are, kept under one name, shown as pictures."""

import hashlib
import os
import re
import tempfile
from pathlib import Path

from sqlalchemy.engine import make_url

from qc.errors import RimqcError

MOST_BYTES = 15 * 2**20
# how a picture begins, its suffix and its media type
_KINDS = (
    (re.compile(rb"\xff\xd8\xff"), "jpg", "image/jpeg"),
    (re.compile(rb"\x89PNG\r\n\x1a\n"), "png", "image/png"),
    (re.compile(rb"RIFF....WEBP", re.DOTALL), "webp", "image/webp"),
    (re.compile(rb"....ftyp(?:heic|heix|mif1|msf1)", re.DOTALL), "heic", "image/heic"),
)
_NAME = re.compile(
    r"[^./\\:\x00-\x1f][^/\\:\x00-\x1f]{0,199}\.(jpe?g|png|webp|heic)", re.IGNORECASE
)
# a picture stays one, whatever is hidden in it
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "default-src 'none'; sandbox",
    "Cache-Control": "private, max-age=86400",
}


def photo_folder(url: str) -> Path:
    """Where photos are kept: beside an SQLite file, else in the folder the program runs in."""
    parsed = make_url(url)
    if parsed.get_backend_name() == "sqlite" and parsed.database:
        file = Path(parsed.database)
        return file.with_name(f"{file.stem}_photos")
    return Path("rimqc_photos")


def keep(folder: Path, serial: str, content: bytes) -> str:
    """Keep a photo; its name is made of the serial and its content, so that a second sending is
    the same photo. RimqcError where it is no picture of a known kind, or too large."""
    part = re.sub(r"[^A-Za-z0-9_-]", "_", serial)[:60] or "part"
    name = f"{part}-{hashlib.sha256(content).hexdigest()[:20]}.{_kind(content)}"
    _put(folder / name, content)
    return name


def keep_named(folder: Path, name: str, content: bytes) -> None:
    """Keep a photo under the name that a finding gives it.

    RimqcError where it is no such picture, or another one has that name.
    """
    _kind(content)
    if _NAME.fullmatch(name) is None:
        raise RimqcError("its name must end in .jpg, .png, .webp or .heic")
    target = folder / name
    if target.exists() and target.read_bytes() != content:
        raise RimqcError("another photo of that name is kept already; name photos by their part")
    _put(target, content)


def _kind(content: bytes) -> str:
    if len(content) > MOST_BYTES:
        raise RimqcError(f"the photo has more than {MOST_BYTES // 2**20} MB; take a smaller one")
    kind = next((suffix for start, suffix, _ in _KINDS if start.match(content)), None)
    if kind is None:
        raise RimqcError("this is no JPEG, PNG, WebP or HEIC picture; take the photo again")
    return kind


def _put(target: Path, content: bytes) -> None:
    """Whole or not at all, and on the disk before it is answered."""
    if target.exists():
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, aside = tempfile.mkstemp(dir=target.parent, prefix=".")
    with os.fdopen(handle, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    Path(aside).replace(target)


def find(folder: Path, name: str) -> tuple[Path, str] | None:
    """A kept photo and its media type; None for any other name."""
    named = _NAME.fullmatch(name)
    path = folder / name
    if named is None or not path.is_file():
        return None
    suffix = named[1].lower().replace("jpeg", "jpg")
    return path, next(media for _, ending, media in _KINDS if ending == suffix)
