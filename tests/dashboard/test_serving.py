"""`rimqc serve`: one line with the address, this machine only, and settings nobody else changes."""

import json
import os
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from qc.commands import main
from qc.stations.screens import PINNED, options
from qc.stations.server import HOST
from tests.dashboard.served import rimqc, served

HOSTILE = """\
[server]
enableCORS = false
enableXsrfProtection = false
enableStaticServing = true
enableAgentApi = true
corsAllowedOrigins = ["http://elsewhere.example"]
allowedHosts = ["*"]
address = "0.0.0.0"
cookieSecret = "known"
baseUrlPath = "else"
[server.trustedUserHeaders]
X-User = "email"
[browser]
gatherUsageStats = true
[client]
showErrorDetails = "full"
[theme]
base = "dark"
[theme.light]
backgroundColor = "#ff0000"
"""

_TELL = """\
import json
from qc.stations.here import opened
from qc.stations.screens import application, options
application(opened("sqlite:///own.sqlite"), "127.0.0.1", 8600)
from streamlit import config
print(json.dumps({name: config.get_option(name) for name in options("127.0.0.1", 8600)}))
"""


def test_a_settings_file_in_the_current_folder_changes_nothing(tmp_path: Path) -> None:
    (tmp_path / ".streamlit").mkdir()
    (tmp_path / ".streamlit" / "config.toml").write_text(HOSTILE)
    environment = os.environ | {
        "PYTHONPATH": str(Path(__file__).parents[2]),
        "STREAMLIT_SERVER_ENABLE_CORS": "false",
        "STREAMLIT_BROWSER_GATHER_USAGE_STATS": "true",
    }
    said = subprocess.run(
        [sys.executable, "-c", _TELL], cwd=tmp_path, env=environment, text=True, check=True,
        capture_output=True,
    )  # fmt: skip
    in_force = json.loads(said.stdout.splitlines()[-1])
    told = options(HOST, 8600)
    secret, _ = in_force.pop("server.cookieSecret"), told.pop("server.cookieSecret")
    assert in_force == told
    assert secret != "known"
    assert in_force["browser.gatherUsageStats"] is False
    assert in_force["theme.light.backgroundColor"] == "#fbfaf6"


def test_every_setting_that_is_pinned_exists() -> None:
    from streamlit import config

    known = config.get_config_options()
    assert [name for name in PINNED if name not in known] == []


def test_it_serves_on_this_machine_only_and_says_where(shop_db: str, tmp_path: Path) -> None:
    with served(shop_db, tmp_path) as address:
        with urllib.request.urlopen(address) as answer:
            assert answer.status == 200
        assert address.startswith(f"http://{HOST}:")
        port = int(address.rsplit(":", 1)[1])
        with socket.socket() as other, pytest.raises(OSError, match="refused"):
            other.connect(("127.0.0.2", port))


def test_a_web_socket_from_another_origin_is_refused(shop_db: str, tmp_path: Path) -> None:
    with served(shop_db, tmp_path) as address:
        assert _knock(address, {"Origin": address}) == 101
        assert _knock(address, {"Origin": "http://elsewhere.example"}) == 403
        assert _knock(address, {"Origin": address, "Host": "elsewhere.example"}) == 403


def _knock(address: str, headers: dict[str, str]) -> int:
    """The status of a web socket's opening handshake (RFC 6455, section 1.3)."""
    host = address.removeprefix("http://")
    sent = {
        "Host": host, "Upgrade": "websocket", "Connection": "Upgrade",
        "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==", "Sec-WebSocket-Version": "13",
    } | headers  # fmt: skip
    lines = ["GET /_stcore/stream HTTP/1.1", *(f"{name}: {value}" for name, value in sent.items())]
    name, _, port = host.partition(":")
    with socket.create_connection((name, int(port)), 30) as knock:
        knock.sendall("\r\n".join([*lines, "", ""]).encode())
        return int(knock.recv(100).split()[1])


def test_ctrl_c_is_a_normal_end(shop_db: str, tmp_path: Path) -> None:
    process = subprocess.Popen(
        rimqc("--db", shop_db, "serve", "--port", "0"), cwd=tmp_path, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    assert process.stdout
    said = process.stdout.readline()
    assert "stop with Ctrl-C" in said
    with urllib.request.urlopen(said.split()[4] + "/sign-in"):
        pass
    process.send_signal(signal.SIGINT)
    _, faults = process.communicate(timeout=30)
    assert process.returncode == 0
    assert faults == ""


def test_a_port_that_is_taken_is_named_with_the_way_out(
    shop_db: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as taken:
        taken.bind((HOST, 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert main(["--db", shop_db, "serve", "--port", str(port)]) == 1
    said = capsys.readouterr().err
    assert f"port {port} is taken" in said
    assert "--port" in said


def test_a_number_that_is_no_port_is_wrong_usage(
    shop_db: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--db", shop_db, "serve", "--port", "70000"]) == 2
    assert "1024 to 65535" in capsys.readouterr().err
