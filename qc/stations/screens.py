"""The screens as an ASGI application: Streamlit with our options and no others that matter."""

import secrets
import tomllib
from importlib.resources import files
from typing import Any

from qc.resources import folder
from qc.stations.answers import FAULTS
from qc.stations.app import routes
from qc.stations.gate import SESSION_HEADER, Gate
from qc.stations.headers import screens_policy
from qc.stations.here import Here

# A `.streamlit/config.toml` in the current folder is read before these, so whatever touches who
# may see or send what is said here, even where it is Streamlit's own default.
PINNED: dict[str, Any] = {
    "server.enableCORS": True,
    "server.corsAllowedOrigins": [],
    # the gate in front looks at Host
    "server.allowedHosts": [],
    "server.enableXsrfProtection": True,
    "server.xsrfCookieSameSite": "lax",
    # set by the gate alone: nobody goes on with the screens of another sign-in
    "server.trustedUserHeaders": {SESSION_HEADER: "session"},
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
    "global.developmentMode": False,
    "secrets.files": [],
    "runner.magicEnabled": False,
    "logger.level": "error",
    "logger.hideWelcomeMessage": True,
}


def application(here: Here, host: str, port: int, **gate: Any) -> Gate:
    """The whole server behind its gate."""
    import streamlit as st
    from streamlit.web import bootstrap

    # the application first: it fixes the script whose folder Streamlit looks into for settings
    own = routes(here, secure=bool(gate.get("secure")))
    app = st.App(folder("dashboard") / "app.py", routes=own, exception_handlers=FAULTS)
    bootstrap.load_config_options(options(host, port))
    page = (files("streamlit") / "static" / "index.html").read_text("utf-8")
    return Gate(app, here, policy=screens_policy(page), **gate)


def options(host: str, port: int) -> dict[str, Any]:
    """Everything Streamlit is told: what is pinned, where it is, and our light and dark theme."""
    told = PINNED | {"server.address": host, "server.port": port}
    told |= {"browser.serverAddress": host, "browser.serverPort": port}
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
