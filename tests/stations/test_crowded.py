"""A server with few files to spare, and more lines than it has files for."""

import socket

import pytest

from tests.stations.raw_server import goes_on, held, served_shop

FILES, LINES = 512, 700
FEW = ("bash", "-c", f'ulimit -n {FILES}; exec "$@"', "serve")


@pytest.fixture
def shop(sqlite_template, tmp_path):
    with served_shop(sqlite_template, tmp_path, FEW) as shop:
        yield shop


@pytest.mark.parametrize("begun", [b"", b"POST /station/records HTTP/1.1\r\nHo"])
def test_more_idle_lines_than_files_keep_nobody_else_waiting(shop, begun):
    before, idle = held(shop), []
    try:
        for _ in range(LINES):
            line = socket.create_connection(("127.0.0.1", shop.port), 20)
            idle.append(line)
            line.sendall(begun)
        for _ in range(3):
            goes_on(shop, before)
            before += 1
        assert shop.log.read_text() == ""
    finally:
        for line in idle:
            line.close()
