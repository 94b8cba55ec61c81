"""Serving the dashboard: Streamlit's app under our own uvicorn call, on this machine only."""

import os
import secrets
import socket
import tomllib
from contextlib import suppress
from typing import Any

from qc.errors import RimqcError
from qc.resources import folder

HOST = "127.0.0.1"

# A `.streamlit/config.toml` in the current folder is read before these, so whatever touches who
# may see or send what is said here, even where it is Streamlit's own default.
PINNED: dict[str, Any] = {
    "server.address": HOST,
    "server.enableCORS": True,
    "server.corsAllowedOrigins": [],
    "server.allowedHosts": [HOST, "localhost"],
    "server.enableXsrfProtection": True,
    "server.xsrfCookieSameSite": "lax",
    "server.trustedUserHeaders": {},
    "server.unsafeMetricsUserAttributes": [],
    "server.enableStaticServing": False,
    "server.enableAgentApi": False,
    "server.scriptHealthCheckEnabled": False,
    "server.baseUrlPath": "",
    "server.customComponentBaseUrlPath": "",
    "server.maxUploadSize": 1,
    "server.headless": True,
    "server.fileWatcherType": "none",
    "server.runOnSave": False,
    "server.allowRunOnSave": False,
    "server.showEmailPrompt": False,
    "client.allowedOrigins": [],
    "client.showErrorDetails": "none",
    "client.showErrorLinks": False,
    "client.toolbarMode": "viewer",
    "client.disableDataExport": False,
    "browser.gatherUsageStats": False,
    "browser.serverAddress": HOST,
    "global.developmentMode": False,
    "secrets.files": [],
    "runner.magicEnabled": False,
    "logger.level": "error",
    "logger.hideWelcomeMessage": True,
}


def serve(db: str, port: int) -> int:
    """Serve on 127.0.0.1 until interrupted; port 0 takes a free one.

    RimqcError where the port is taken or no port.
    """
    listener = _listen(port)
    port = listener.getsockname()[1]
    os.environ["RIMQC_DB"] = db  # the screens open it themselves
    import uvicorn

    server = uvicorn.Server(
        uvicorn.Config(
            application(port),
            ws="websockets-sansio",
            log_level="error",
            timeout_graceful_shutdown=1,  # an open page would hold the end back
        )
    )
    print(f"The dashboard is at http://{HOST}:{port} (stop with Ctrl-C)", flush=True)
    with suppress(KeyboardInterrupt):
        server.run(sockets=[listener])
    return 0


def application(port: int) -> Any:
    """The dashboard as an ASGI application, with our options and no others that matter."""
    import streamlit as st
    from streamlit.web import bootstrap

    # the application first: it fixes the script whose folder Streamlit looks into for settings
    app = st.App(folder("dashboard") / "app.py")
    bootstrap.load_config_options(options(port))
    return app


def options(port: int) -> dict[str, Any]:
    """Everything Streamlit is told: what is pinned, where it is, and our light and dark theme."""
    told = PINNED | {"server.port": port, "browser.serverPort": port}
    told["server.cookieSecret"] = secrets.token_hex(32)
    with (folder("dashboard") / "theme.toml").open("rb") as file:
        told |= _dotted(tomllib.load(file))
    return told


def _dotted(table: dict[str, Any], before: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for name, value in table.items():
        if isinstance(value, dict):
            flat |= _dotted(value, f"{before}{name}.")
        else:
            flat[before + name] = value
    return flat


def _listen(port: int) -> socket.socket:
    """A listening socket. The protocol is named so that answers are not held back to be bundled:
    the event loop switches that off only for sockets that say they are TCP."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    if os.name != "nt":  # there it would let two programs share a port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((HOST, port))
        listener.listen()
    except OverflowError:
        listener.close()
        raise RimqcError(f"--port {port} is no port: choose one from 1024 to 65535", 2) from None
    except PermissionError:
        listener.close()
        raise RimqcError(f"port {port} may not be opened: choose --port 1024 or above") from None
    except OSError:
        listener.close()
        raise RimqcError(
            f"port {port} is taken, perhaps by a dashboard that still runs: "
            f"stop that, or choose another with --port {port + 1}"
        ) from None
    return listener
