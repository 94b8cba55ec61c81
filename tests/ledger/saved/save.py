"""Saves a database as an earlier program wrote it, so that upgrades are tested with the real thing.

    python tests/ledger/saved/save.py COMMIT [REVISION]

Checks the commit out aside, lets its program import `logs`, takes the schema back to REVISION if
one is given (where no commit ended with it), and keeps the file as REVISION.sqlite.xz. After a new
migration: with the commit before it, and nothing else; `logs` must stay as they are.
"""

import lzma
import os
import sqlite3
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

HERE = Path(__file__).parent
DOWN = (
    "import sys; from sqlalchemy.engine import make_url; from qc.ledger.migrate import downgrade; "
    "downgrade(make_url(sys.argv[1]), sys.argv[2])"
)


def main(commit: str, revision: str | None = None) -> None:
    with TemporaryDirectory() as name:
        code, file, whole = Path(name) / "code", Path(name) / "db.sqlite", Path(name) / "whole"
        subprocess.run(["git", "worktree", "add", "--detach", str(code), commit], check=True)
        try:
            environment = os.environ | {"PYTHONPATH": str(code)}
            words = [sys.executable, "-m", "qc", "import", str(HERE / "logs")]
            words += ["--db", f"sqlite:///{file}", "--refused", f"{name}/refused"]
            subprocess.run(words, check=True, cwd=code, env=environment)
            if revision:
                down = [sys.executable, "-c", DOWN, f"sqlite:///{file}", revision]
                subprocess.run(down, check=True, cwd=code, env=environment)
        finally:
            subprocess.run(["git", "worktree", "remove", "--force", str(code)], check=True)
        with sqlite3.connect(file) as connection:
            (reached,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        connection.execute("VACUUM INTO ?", [str(whole)])
        connection.close()
        kept = HERE / f"{reached}.sqlite.xz"
        kept.write_bytes(lzma.compress(whole.read_bytes(), preset=9 | lzma.PRESET_EXTREME))
        print(f"{kept.name}: {kept.stat().st_size:,} bytes")


if __name__ == "__main__":
    main(*sys.argv[1:3])
