"""A server that can be killed and started again at the same address."""

import os
import re
import subprocess
import sys
from pathlib import Path

# as the demo does: nobody signs in, on this machine only
_MAIN = (
    "import sys; from qc.people.who import Person; from qc.stations.server import Place, serve; "
    "serve(sys.argv[1], Place(port=int(sys.argv[2])), anyone=Person('I1', 'Ina', sys.argv[3]))"
)


class Serving:
    """The dashboard as a process of its own, on one port for all its lives."""

    def __init__(self, db: str, folder: Path, role: str = "technician") -> None:
        self.db, self.folder, self.role, self.port = db, folder, role, 0
        self.start()

    def start(self) -> None:
        """Begin to serve; comes back once the address is open."""
        given = [self.db, str(self.port), self.role]
        self.process = subprocess.Popen(
            [sys.executable, "-c", _MAIN, *given], cwd=self.folder, text=True,
            stdout=subprocess.PIPE, env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
        )  # fmt: skip
        assert self.process.stdout
        said = self.process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)", said)
        assert found, f"no address in {said!r}"
        self.address, self.port = found[0], int(found[1])

    def kill(self) -> None:
        """As when the power goes."""
        self.process.kill()
        self._gone()

    def stop(self) -> None:
        """As a person stops it."""
        self.process.terminate()
        self._gone()

    def _gone(self) -> None:
        self.process.wait(30)
        assert self.process.stdout
        self.process.stdout.close()
