"""A server in a thread, on a free port of this machine."""

import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import urlsplit

import uvicorn


@contextmanager
def serving(app, **tls: str) -> Iterator[str]:
    """The address at which an application is served; with TLS where a certificate is given."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", 0))
    listener.listen()
    server = uvicorn.Server(
        uvicorn.Config(app, log_level="error", timeout_graceful_shutdown=1, ws="none", **tls)
    )
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    while not server.started:
        assert thread.is_alive()
        time.sleep(0.01)
    try:
        yield f"{'https' if tls else 'http'}://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(20)
        listener.close()


def asked(url: str, method: str, path: str, body: str | bytes | None = None, headers=None):
    """One request: the status and the answer's JSON (None where it has no body)."""
    address = urlsplit(url)
    connection = http.client.HTTPConnection(address.hostname, address.port, timeout=20)
    try:
        data = body.encode("latin-1") if isinstance(body, str) else body
        connection.request(method, path, data, headers or {})
        answer = connection.getresponse()
        said = answer.read()
    finally:
        connection.close()
    return answer.status, json.loads(said) if said else None
