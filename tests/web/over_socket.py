"""The page over a real socket, for tests written for Flask's client: the shipped server, real requests, real headers.

Who asks from afar (an address that is not of this machine) comes from an address of this machine that is no loopback.
"""

from __future__ import annotations

import http.client
import socket
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from ipaddress import ip_address
from typing import Any

from flask.testing import FlaskClient

from condenser_monitor.web.serve import Serving, serve

_SKIPPED = ("connection", "keep-alive", "transfer-encoding", "server", "date")


def own_address() -> str | None:
    """An address of this machine that is no loopback; None where it has none. Nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        try:
            sock.connect(("192.0.2.1", 9))  # RFC 5737: an address for documentation
        except OSError:
            return None
        found = str(sock.getsockname()[0])
    return None if found.startswith("127.") or found == "0.0.0.0" else found


class SocketClient(FlaskClient):
    """A client whose requests go through the shipped server."""

    def run_wsgi_app(self, environ: Any, buffered: bool = False) -> Any:
        """Instead of calling the application: send the request to where it is served."""
        application = self.application
        serving = application.extensions["serving"]
        self.application = _Wire(serving.get(environ.get("REMOTE_ADDR"), serving["127.0.0.1"]))  # type: ignore[assignment]
        try:
            return super().run_wsgi_app(environ, buffered)
        finally:
            self.application = application


class _Wire:
    """As an application: it sends what it is asked to the server and gives back the answer."""

    def __init__(self, serving: Serving) -> None:
        self.serving = serving

    def __call__(self, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        peer = environ.get("REMOTE_ADDR", "127.0.0.1")
        host = peer if ip_address(peer).is_loopback else own_address()
        assert host is not None
        connection = http.client.HTTPConnection(host, self.serving.port, timeout=30)
        if environ.get("SERVER_PROTOCOL") == "HTTP/1.0":
            connection._http_vsn, connection._http_vsn_str = 10, "HTTP/1.0"  # type: ignore[attr-defined]
        path = environ["PATH_INFO"] + ("?" + environ["QUERY_STRING"] if environ.get("QUERY_STRING") else "")
        connection.putrequest(environ["REQUEST_METHOD"], path, skip_host=True, skip_accept_encoding=True)
        length = int(environ.get("CONTENT_LENGTH") or 0)
        for name, value in _headers(environ):
            connection.putheader(name, value.encode("latin-1"))
        connection.endheaders(environ["wsgi.input"].read(length) if length else None)
        answer = connection.getresponse()
        body = answer.read()
        connection.close()
        headers = [(name, value) for name, value in answer.getheaders() if name.lower() not in _SKIPPED]
        start_response(f"{answer.status} {answer.reason}", headers)
        return [body]


def _headers(environ: dict[str, Any]) -> Iterable[tuple[str, str]]:
    for key, value in environ.items():
        if key.startswith("HTTP_"):
            yield key[5:].replace("_", "-").title(), str(value)
    for key in ("CONTENT_TYPE", "CONTENT_LENGTH"):
        if environ.get(key):
            yield key.replace("_", "-").title(), str(environ[key])


@contextmanager
def served(app: Any) -> Iterator[None]:
    """Serve an app on every address, and have its clients go there."""
    with serve(app, "0.0.0.0") as four, serve(app, "::1") as six:
        app.extensions["serving"] = {"127.0.0.1": four, "::1": six}
        app.test_client_class = SocketClient
        yield
