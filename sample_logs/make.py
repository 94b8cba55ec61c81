"""Writes the invented half year: `python make.py [FOLDER]`, by default beside this file.

Standard library only; the same bytes every time.
"""

import sys
from pathlib import Path

from generator import catalog_file, checks, files, listing, manifest
from generator.half_year import lived


def main(folder: Path) -> None:
    """Live through the half year, check that only the planted faults are in it, write it."""
    half_year = lived()
    expected = manifest.expected_flags(half_year)
    checks.hold(half_year, expected)
    files.write(folder / "catalog.toml", catalog_file.text(half_year.batches))
    number_of_files = files.written(folder, half_year.records)
    plants = manifest.plants(half_year, expected, number_of_files)
    files.write(folder / "plants.json", manifest.text(plants))
    files.write(folder / "README.md", listing.text(plants))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
