"""A database of a few parts, for papers."""

import pytest

from qc.ledger.ledger import Ledger
from tests.reports.shop import fill


@pytest.fixture
def shop(sqlite, tmp_path):
    with Ledger(sqlite.new()) as opened:
        fill(opened, tmp_path)
        yield opened
