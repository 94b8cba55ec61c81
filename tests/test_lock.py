"""What CI installs is what users may install: the lock lies within the ranges."""

import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parent.parent


def locked():
    lines = (ROOT / ".ci" / "constraints.txt").read_text().splitlines()
    pins = [Requirement(line) for line in lines if line and not line.startswith("#")]
    return {canonicalize_name(pin.name): str(pin.specifier).removeprefix("==") for pin in pins}


def wanted():
    told = tomllib.loads((ROOT / "pyproject.toml").read_text())
    extras = told["project"]["optional-dependencies"].values()
    groups = told["dependency-groups"].values()
    return [
        Requirement(line)
        for some in (told["project"]["dependencies"], *extras, *groups)
        for line in some
    ]


def test_every_library_is_locked_at_a_version_that_its_range_allows():
    pins = locked()
    outside = {
        str(one): pins.get(canonicalize_name(one.name))
        for one in wanted()
        if not one.specifier.contains(pins.get(canonicalize_name(one.name), "0"), prereleases=True)
        or canonicalize_name(one.name) not in pins
    }
    assert outside == {}


def test_a_lock_is_one_version_each_and_names_no_place_to_fetch_it_from():
    text = (ROOT / ".ci" / "constraints.txt").read_text()
    assert "://" not in text
    assert all(version and version[0].isdigit() for version in locked().values())
