"""A figure as one file that opens anywhere, without a network."""

from pathlib import Path
from typing import Any

from qc.errors import RimqcError


def write_figure(figure: Any, path: Path) -> None:
    """Write it with everything it needs inside (about 5 MB); RimqcError where that fails."""
    if path.suffix.lower() not in {".html", ".htm"}:
        raise RimqcError(f"--plot {path}: the figure is a web page; name it FILE.html", 2)
    try:
        figure.write_html(path, include_plotlyjs=True, full_html=True)
    except OSError as error:
        raise RimqcError(
            f"--plot {path}: cannot be written ({error.strerror}); check the folder",
            2,
        ) from None
