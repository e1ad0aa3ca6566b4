"""(edge) Wakes a thread that waits for the network, from another thread."""

from __future__ import annotations

import select
import socket
from contextlib import suppress
from typing import Any, Protocol


class Connected(Protocol):
    """What a broker's client tells of its connection."""

    def socket(self) -> Any:
        """The connection; None while there is none."""

    def want_write(self) -> bool:
        """Something waits to be sent."""


class Waker:
    """A pair of sockets: who waits for the network waits for its end too."""

    def __init__(self) -> None:
        self._ear, self._hand = socket.socketpair()
        self._ear.setblocking(False)
        self._hand.setblocking(False)

    def ring(self) -> None:
        """Wake who waits, now or at the next wait. Never blocks; a bell that rings already rings on."""
        with suppress(OSError):
            self._hand.send(b"!")

    def wait(self, client: Connected, timeout_s: float) -> None:
        """Wait until the client's connection has something to read (or can be written, where that is wanted), until
        the bell rings, or until the time is over."""
        connection = client.socket()
        if connection is None or _unread(connection):
            return
        writing = [connection] if client.want_write() else []
        with suppress(OSError, ValueError):  # a connection that has just gone is for the client to find out
            select.select([connection, self._ear], writing, [], timeout_s)
        with suppress(OSError):
            self._ear.recv(4096)

    def close(self) -> None:
        """Let go of both ends."""
        self._ear.close()
        self._hand.close()


def _unread(connection: object) -> bool:
    """TLS has bytes that it has decrypted already: the socket itself may stay silent."""
    pending = getattr(connection, "pending", None)
    return pending is not None and pending() > 0
