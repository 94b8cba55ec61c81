"""Files that a command writes: whole or not at all, and over nothing unless that is meant."""

from pathlib import Path

from qc.errors import RimqcError


def write_file(file: Path, content: bytes, *, over: bool) -> None:
    """The whole file or nothing of it: what stood there stays until the new one is on disk."""
    beside = file.with_name(f".{file.name}.new")
    try:
        if over:
            beside.write_bytes(content)
            beside.replace(file)
        else:
            with file.open("xb") as new:
                new.write(content)
    except FileExistsError:
        raise RimqcError(f"{file} is there already; name another, or say --force") from None
    except OSError as fault:
        raise RimqcError(f"{file} cannot be written: {fault.strerror}") from None
