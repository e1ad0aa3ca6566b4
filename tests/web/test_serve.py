"""Serving: what ends it may come while a request ends."""

from __future__ import annotations

import socket
import threading
from urllib.request import urlopen

import pytest
from flask import Flask
from waitress.trigger import trigger

from condenser_monitor.web.serve import serve


def test_closing_survives_a_loop_that_somebody_else_has_woken(monkeypatch: pytest.MonkeyPatch) -> None:
    """A request that ends wakes the server's loop: it may run what closes the pipe before the pipe is written to."""
    pull, closed = trigger._physical_pull, threading.Event()
    close = trigger._close

    def told(self: trigger) -> None:
        close(self)
        closed.set()

    def woken_first(self: trigger) -> None:
        pull(self)
        closed.wait(timeout=0.3)
        pull(self)

    app = Flask("served")
    app.route("/")(lambda: "here")
    serving = serve(app)
    assert urlopen(serving.url).read() == b"here"
    monkeypatch.setattr(trigger, "_close", told)
    monkeypatch.setattr(trigger, "_physical_pull", woken_first)
    serving.close()
    assert closed.is_set()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", serving.port))
