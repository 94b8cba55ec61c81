import pytest

from tests.stations.raw_server import served_shop


@pytest.fixture(scope="session")
def shop(sqlite_template, tmp_path_factory):
    """One served shop for all that is sent to it over a bare line."""
    with served_shop(sqlite_template, tmp_path_factory.mktemp("shop")) as shop:
        yield shop
