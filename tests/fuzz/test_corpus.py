"""What coverage found worth keeping is answered or refused, never more than that."""

from pathlib import Path

import pytest

from tests.fuzz import targets, with_database

TARGETS = targets.TARGETS | with_database.TARGETS
KEPT = sorted((Path(__file__).parent / "corpus").glob("*/*"))


@pytest.mark.parametrize("file", KEPT, ids=lambda file: f"{file.parent.name}-{file.name[:12]}")
def test_an_input_that_once_reached_something_new_breaks_no_promise(file):
    TARGETS[file.parent.name](file.read_bytes())
