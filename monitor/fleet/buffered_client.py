"""(edge) paho's client, reading and acknowledging in large pieces: a system call for many messages, not four for each.

paho reads a packet's first byte, its length and its rest singly, sends each acknowledgement singly, and makes a table
of all properties for each message. Three functions of its client are replaced here: `_sock_recv` and `_sock_send` take
from, and put into, a buffer, and `_handle_publish` hands on a message without properties at once. Where a later paho no
longer asks them, it works as if this file were not there, only slower (tests/fleet/test_buffered_client.py notices).
"""

from __future__ import annotations

from collections.abc import Callable

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

_READ_BYTES = 65536
_QOS, _QOS_1 = 0b110, 0b010  # bits of a PUBLISH packet's first byte (MQTT 5, 3.3.1)

Taken = Callable[[int, str, bytes], None]


class GatheredClient(paho.Client):
    """As `paho.Client`, for MQTT 5 with acknowledgement by hand, turned by one thread. `taken` is given the number,
    topic and payload of each message at QoS 1. While `gathering`, what is to be sent waits for `send_gathered`."""

    gathering = False
    _held, _at = b"", 0
    _out = b""

    def __init__(self, name: str, taken: Taken) -> None:
        super().__init__(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            protocol=paho.MQTTv5,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        self._taken = taken
        self._parts: list[bytes] = []
        self.on_message = self._message

    @property
    def unread(self) -> bool:
        """Whether something has been received and not been read: the socket will not say so."""
        return self._at < len(self._held)

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

    def _handle_publish(self) -> MQTTErrorCode:
        packet = self._in_packet["packet"]
        number_at = 2 + int.from_bytes(packet[:2], "big")  # after the topic and its length
        payload_at = number_at + 3  # after the number and the length of the properties, none
        if self._in_packet["command"] & _QOS != _QOS_1 or packet[payload_at - 1 : payload_at] != b"\x00":
            return super()._handle_publish()
        number = int.from_bytes(packet[number_at : number_at + 2], "big")
        self._taken(number, packet[2:number_at].decode("utf-8", "replace"), bytes(packet[payload_at:]))
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _message(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if message.qos == 1:
            self._taken(message.mid, message.topic, bytes(message.payload))
