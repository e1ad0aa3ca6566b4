"""(edge) paho's client, reading and acknowledging in large pieces: a system call for many messages, not four for each.

paho reads a packet's first byte, its length and its rest singly, and sends each acknowledgement singly. Both go through
two functions of its client, `_sock_recv` and `_sock_send`; here they take from, and put into, a buffer. Where a later
paho no longer asks them, it works as if this file were not there, only slower (tests/fleet/test_gathered.py notices).
"""

from __future__ import annotations

import paho.mqtt.client as paho

_READ_BYTES = 65536


class GatheredClient(paho.Client):
    """As `paho.Client`, turned by one thread. While `gathering`, what is to be sent waits for `send_gathered`."""

    gathering = False
    _held, _at = b"", 0
    _out = b""

    def __init__(self, *args: object, **named: object) -> None:
        super().__init__(*args, **named)  # type: ignore[arg-type]
        self._parts: list[bytes] = []

    @property
    def unread(self) -> bool:
        """Whether something has been received and not been read: the socket will not say so."""
        return self._at < len(self._held)

    def _sock_recv(self, bufsize: int) -> bytes:
        if not self.unread:
            self._held, self._at = super()._sock_recv(max(bufsize, _READ_BYTES)), 0
        part = self._held[self._at : self._at + bufsize]
        self._at += len(part)
        return part

    def _sock_send(self, buf: bytes | bytearray) -> int:
        if self.gathering:
            self._parts.append(bytes(buf))
            return len(buf)
        if not self.send_gathered():
            raise BlockingIOError
        return super()._sock_send(buf)

    def send_gathered(self) -> bool:
        """Send what was gathered, as much as the socket takes; whether all of it went. Raises OSError."""
        if self._parts:
            self._out, self._parts = self._out + b"".join(self._parts), []
        while self._out:
            try:
                self._out = self._out[super()._sock_send(self._out) :]
            except BlockingIOError:
                return False
        return True
