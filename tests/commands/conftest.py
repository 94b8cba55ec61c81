"""A database with a catalog, for commands."""

import pytest

from qc.ledger.ledger import Ledger
from tests.maker import take_catalog


@pytest.fixture
def usual(sqlite, tmp_path):
    """The address of a database with a catalog; for questions where its kind does not matter."""
    url = sqlite.new()
    with Ledger(url) as opened:
        take_catalog(opened, tmp_path)
    return url
