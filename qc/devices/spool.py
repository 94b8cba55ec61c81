"""Records on disk until the server has them: a folder of batches, sent in the order of their names.

A batch is a file of JSON Lines that appears under its name complete and on the disk, or not at
all. It goes when the server has answered for it. What the server refused stands in `refused`, one
file a batch, each line with its reason, to be mended and sent again.
"""

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from qc.devices.files import hold, write_durably
from qc.readers.refusal import encoded
from qc.readers.refused import refused_object

_NUMBER, _ENDING = "[0-9]" * 12, ".jsonl"


class Spool:
    """A folder of waiting batches. Several processes may put into one.

    OSError where the disk takes nothing.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.refused = folder / "refused"
        self.refused.mkdir(parents=True, exist_ok=True)
        # a power cut may have taken the last number back; no file here is overwritten for that
        taken = [*self.waiting(), *self.refused.glob(f"{_NUMBER}.refused{_ENDING}")]
        self._least = max((int(path.name[:12]) for path in taken), default=0)

    def put(self, lines: Sequence[bytes]) -> None:
        """Keep a batch; when this returns it is on the disk."""
        if not lines:
            return
        with hold(self.folder / ".number") as last:
            last.seek(0)
            text = last.read()
            number = max(int(text) if text.isdigit() else 0, self._least) + 1
            write_durably(self.folder / f"{number:012}{_ENDING}", b"\n".join(lines) + b"\n")
            last.truncate(0)
            last.write(str(number).encode())

    def waiting(self) -> list[Path]:
        """The batches that are not sent yet, the oldest first."""
        return sorted(self.folder.glob(_NUMBER + _ENDING))

    def lines(self, batch: Path) -> list[bytes]:
        """The records of a batch."""
        return [line for line in batch.read_bytes().split(b"\n") if line.strip()]

    def records_waiting(self) -> int:
        """How many records are not sent yet."""
        count = 0
        for batch in self.waiting():
            with suppress(FileNotFoundError):  # another program has just sent it
                count += len(self.lines(batch))
        return count

    def done(self, batch: Path, refused: Sequence[tuple[bytes, str]] = ()) -> None:
        """The server has answered for a batch; keep what it refused, each with its reason."""
        if refused:
            text = "".join(
                refused_object(line.decode("utf-8", "surrogateescape").strip(), reason)
                for line, reason in refused
            )
            write_durably(self.refused / f"{batch.stem}.refused{_ENDING}", encoded(text))
        batch.unlink(missing_ok=True)
