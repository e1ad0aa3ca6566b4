"""Bytes on the page's own port, as a scanner of the network sends them: the server goes on, and says nothing of its
inside."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.web.serve import Serving, serve
from tests.fuzz.damage import damaged
from tests.fuzz.refusals import fuzzed, soon
from tests.monitor import units
from tests.web.conftest import app_of
from tests.web.filled import from_scans

_GOOD = (
    b"POST /api/v1/requests HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
    b"Content-Length: 2\r\n\r\n{}"
)
_ODD = st.sampled_from(
    [
        *(
            b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(200),
            b"\x00" * 300,
            b"GET",
            b"GET / HTTP/9.9\r\n\r\n",
        ),
        *(b"GET /%ff%fe%00 HTTP/1.1\r\nHost: \xff\r\n\r\n", b"GET //\\\\../..//etc/passwd HTTP/1.0\r\n\r\n"),
        *(b"GET / HTTP/1.1\r\nHost: localhost\r\nCookie: " + b"a=b; " * 2000 + b"\r\n\r\n",),
        *(b"GET / HTTP/1.1\r\n" + b"X: y\r\n" * 20_000 + b"\r\n", b"GET /" + b"a" * 300_000 + b" HTTP/1.1\r\n\r\n"),
        *(
            b"POST /login HTTP/1.1\r\nContent-Length: -1\r\n\r\n",
            b"POST / HTTP/1.1\r\nContent-Length: 99999999999999999\r\n\r\n",
        ),
        *(
            b"POST / HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\nffffffffffffffffff\r\n",
            b"POST / HTTP/1.1\r\nTransfer-Encoding: x\r\n\r\n",
        ),
        *(
            b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
            b"\xe2\x80\xae / HTTP/1.1\r\n\r\n",
            b"FLY / HTTP/1.1\r\nHost: localhost\r\n\r\n",
        ),
        *(b"GET / HTTP/1.1\r\nHost: localhost\r\nRange: bytes=9-1,-,x\r\nIf-Modified-Since: yesterday\r\n\r\n",),
    ]
)


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    """The unit's page on a port of its own."""
    kept = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    site = from_scans(tmp_path_factory.mktemp("served"), kept, units.scans((30, units.REST)), end_s=29.0)
    with serve(app_of(site)) as serving:
        yield serving
    site.history.close()


def _answer(page: Serving, data: bytes) -> bytes:
    """What comes back before the end of it, or within a second."""
    with socket.create_connection(("127.0.0.1", page.port), timeout=1.0) as caller:
        found = b""
        with suppress(OSError):
            caller.sendall(data)
            caller.shutdown(socket.SHUT_WR)
            while piece := caller.recv(65536):
                found += piece
        return found


@fuzzed(40)
@given(data=st.one_of(_ODD, damaged(_GOOD), st.binary(min_size=1, max_size=100)))
def test_the_port_bears_whatever_is_sent(page: Serving, data: bytes) -> None:
    """After any bytes a plain caller is answered; no error of the server, nothing of its inside."""
    with soon(30):
        said = _answer(page, data)
        assert not said.startswith((b"HTTP/1.1 500", b"HTTP/1.0 500")), (data[:100], said[:200])
        assert b"Traceback" not in said
        plain = _answer(page, b"GET /api/v1/openapi.json HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
    assert plain.startswith(b"HTTP/1.1 200"), plain[:200]
