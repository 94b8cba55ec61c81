"""Files that are whole or not there, and one holder at a time."""

import fcntl
import os
from pathlib import Path
from typing import IO


def write_durably(path: Path, data: bytes) -> None:
    """Put a file under its name, complete and on the disk; what stood there is replaced."""
    aside = path.with_name(f".{path.name}.part")
    with aside.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    aside.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def hold(path: Path) -> IO[bytes]:
    """Take the lock that a file stands for, once it is free.

    It is given back when the file is closed, or with the end of the process.
    """
    file = path.open("a+b")
    fcntl.flock(file, fcntl.LOCK_EX)
    return file


def hold_if_free(path: Path) -> IO[bytes] | None:
    """The same, or None where another process has it."""
    file = path.open("ab")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.close()
        return None
    return file
