"""Where the folders that are no package lie: inside the wheel, or beside `qc` in a checkout."""

from importlib.resources import files
from pathlib import Path


def folder(name: str) -> Path:
    """The folder `dashboard`, `schemas` or `sample_logs`."""
    inside = Path(str(files("qc"))) / f"_{name}"
    return inside if inside.is_dir() else Path(str(files("qc"))).parent / name
