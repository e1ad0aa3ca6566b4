"""The client that reads and acknowledges in large pieces, on a real socket pair, with paho's own packets."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest
from paho.mqtt.enums import MQTTErrorCode

from condenser_monitor.monitor.fleet.buffered_client import GatheredClient


class Counted:
    """A socket that counts the system calls made on it."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock, self.reads, self.writes = sock, 0, 0

    def recv(self, size: int) -> bytes:
        self.reads += 1
        return self._sock.recv(size)

    def send(self, data: bytes) -> int:
        self.writes += 1
        return self._sock.send(data)

    def close(self) -> None:
        self._sock.close()

    def fileno(self) -> int:
        return self._sock.fileno()


Wired = tuple[GatheredClient, Counted, socket.socket, list[tuple[int, bytes]]]


@pytest.fixture
def wired() -> Iterator[Wired]:
    """A client wired to a socket whose other end we hold, and what it hands on."""
    got = list[tuple[int, bytes]]()
    client = GatheredClient("test", lambda mid, _topic, payload: got.append((mid, payload)))
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    counted = Counted(ours)
    client._sock = counted  # type: ignore[assignment]
    client.on_socket_register_write = lambda *_: None
    yield client, counted, theirs, got
    client._sock = None
    ours.close()
    theirs.close()


def _publish(mid: int, payload: bytes) -> bytes:
    """A PUBLISH at QoS 1 with no properties (MQTT 5, 3.3)."""
    rest = b"\x00\x01t" + mid.to_bytes(2, "big") + b"\x00" + payload
    assert len(rest) < 128
    return b"\x32" + bytes([len(rest)]) + rest


def test_many_messages_are_read_by_one_call_and_in_order(wired: Wired) -> None:
    """Two hundred packets of the broker cost one read of the socket; `unread` tells what waits in the buffer."""
    client, counted, theirs, got = wired
    sent = [(mid, b"%d" % mid) for mid in range(1, 201)]
    theirs.sendall(b"".join(_publish(*one) for one in sent))
    client.loop_read()
    assert client.unread
    while client.unread:
        client.loop_read()
    assert got == sent
    assert counted.reads == 1


@pytest.mark.parametrize(
    ("first", "properties", "taken"),
    [
        (0x32, b"", True),
        (0x3B, b"", True),  # sent before, and retained
        (0x32, b"\x01\x01", True),  # payload format indicator (MQTT 5, 3.3.2.3.2): paho's own way
        (0x32, b"\x26\x00\x01a\x00\x01b", True),  # a user property
        (0x30, b"", False),  # QoS 0 carries no number, and is nothing that the fleet asks for
    ],
)
def test_messages_of_every_make_are_read_as_the_standard_has_them(
    wired: Wired, first: int, properties: bytes, taken: bool
) -> None:
    """Flags and properties change nothing of number, topic and payload."""
    client, _, theirs, got = wired
    number = (300).to_bytes(2, "big") if first & 0b110 else b""
    rest = b"\x00\x03a/b" + number + bytes([len(properties)]) + properties + b"\x00 payload"
    theirs.sendall(bytes([first, len(rest)]) + rest + _publish(301, b"next"))
    for _ in range(4):
        client.loop_read()
    assert got == [*([(300, b"\x00 payload")] if taken else []), (301, b"next")]


@pytest.mark.parametrize("rest", [b"", b"\x00", b"\x00\x09t", b"\x00\x01t\x00", b"\x00\x01t\x00\x01"])
def test_a_packet_too_short_for_what_it_says_is_an_error(wired: Wired, rest: bytes) -> None:
    """Never a message made up of what is missing."""
    client, _, theirs, got = wired
    theirs.sendall(bytes([0x32, len(rest)]) + rest)
    codes = [client.loop_read()]
    assert got == []
    assert codes != [MQTTErrorCode.MQTT_ERR_SUCCESS]


@pytest.mark.parametrize("cut", [1, 2, 3, 5, 9, 14])
def test_a_packet_cut_anywhere_is_joined(wired: Wired, cut: int) -> None:
    """Nothing is lost where a read ends in the middle of a packet."""
    client, _, theirs, got = wired
    whole = _publish(7, b"seven") + _publish(8, b"eight")
    for part in (whole[:cut], whole[cut:]):
        theirs.sendall(part)
        for _ in range(4):
            client.loop_read()
    assert got == [(7, b"seven"), (8, b"eight")]


def test_acknowledgements_leave_together_and_in_order(wired: Wired) -> None:
    """Two hundred PUBACKs (MQTT 5, 3.4) go by one call, after what was sent before and before what is sent next."""
    client, counted, theirs, _ = wired
    client.gathering = True
    for mid in range(1, 201):
        client.ack(mid, 1)
    client.loop_write()
    assert counted.writes == 0
    client.gathering = False
    assert client.send_gathered()
    assert counted.writes == 1
    client._send_pingreq()
    client.loop_write()
    assert theirs.recv(10_000) == b"".join(b"\x40\x02" + mid.to_bytes(2, "big") for mid in range(1, 201)) + b"\xc0\x00"


def test_what_the_socket_does_not_take_waits_its_turn(wired: Wired) -> None:
    """A full socket: nothing is lost, and nothing overtakes."""
    client, _, theirs, _ = wired
    client.gathering = True
    for mid in range(1, 60_001):
        client.ack(mid, 1)
    client.loop_write()
    client.gathering = False
    assert not client.send_gathered()
    client._send_pingreq()
    client.loop_write()
    theirs.settimeout(5)
    got = b""
    while len(got) < 4 * 60_000 + 2:
        got += theirs.recv(65_536)
        client.loop_write()
    assert got == b"".join(b"\x40\x02" + mid.to_bytes(2, "big") for mid in range(1, 60_001)) + b"\xc0\x00"


def test_a_socket_closed_by_the_broker_is_told(wired: Wired) -> None:
    """An end of the connection is an error of the loop, as with paho alone."""
    client, _, theirs, _ = wired
    theirs.close()
    assert client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS
