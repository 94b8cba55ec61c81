"""CI tests with known versions, and what users may install includes these."""

import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
TEXT = (ROOT / ".ci" / "constraints.txt").read_text("utf-8")
LINES = [line for line in TEXT.splitlines() if not line.startswith("#")]
KEPT = dict(line.split("==") for line in LINES)


def wanted():
    yield from PROJECT["project"]["dependencies"]
    for more in ("optional-dependencies", "dependency-groups"):
        section = PROJECT["project"].get(more) or PROJECT[more]
        for group in section.values():
            yield from group


def test_every_library_of_the_project_is_held_at_a_version_within_its_range():
    outside = [
        one
        for one in map(Requirement, wanted())
        if not one.specifier.contains(KEPT.get(canonicalize_name(one.name), "0"))
        or canonicalize_name(one.name) not in KEPT
    ]
    assert outside == []


def test_a_line_is_a_name_and_a_version_and_says_nothing_of_where_it_comes_from():
    assert [line for line in LINES if not re.fullmatch(r"[a-z0-9-]+==[0-9][0-9a-z.+]*", line)] == []
    assert sorted(LINES) == LINES
    assert "://" not in TEXT


def test_ci_installs_these():
    assert "-c .ci/constraints.txt" in (ROOT / ".ci" / "run").read_text("utf-8")
