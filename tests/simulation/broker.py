"""A broker played by hand in virtual time, at the other end of a real socket: MQTT 5 and 3.1.1 as one client and one
office need it, with the bad moods that brokers and networks have. It reads and writes the standard's bytes itself
(OASIS, MQTT Version 5.0, chapters 2 and 3; MQTT Version 3.1.1); of the client's library it takes only how properties
and lengths are read and written.

Moods: `sound`; `down` (nobody listens), `unreachable` (no answer to the dialling), `refusing` (no such account),
`throwing` (takes the client and throws it out again), `silent` (the line is up, no byte comes or goes: half-open,
from the first or in the middle of a connection), `slow` (each way takes seconds), `stingy` (from some row on refuses
all), `forgetful` (takes a row and breaks the line before its receipt), `withholding` (receipts come later or never,
until the line breaks), `torn` (breaks the line in the middle of a packet of its own).
"""

from __future__ import annotations

import random
import socket
import struct
from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties, VariableByteIntegers

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK, UNSUBSCRIBE, UNSUBACK = 1, 2, 3, 4, 8, 9, 10, 11
PINGREQ, PINGRESP, DISCONNECT = 12, 13, 14
SLOWEST_S = 3.0  # that a slow line takes for a message, each way
MOODS = (
    *("down", "unreachable", "refusing", "throwing", "silent", "slow"),
    *("stingy", "forgetful", "withholding", "torn"),
)
_NOT_AUTHORISED, _QUOTA, _BUSY = {5: 0x87, 4: 5}, 0x97, 0x89  # MQTT 5 section 2.4; 3.1.1 section 3.2.2.3


class Message(NamedTuple):
    """What the broker took from the monitor, and when."""

    at_s: float
    channel: str
    payload: bytes
    retained: bool
    qos: int


class Packet(NamedTuple):
    """A control packet: its kind, the flags beside it, what follows the fixed header."""

    kind: int
    flags: int
    body: bytes


class _Reader:
    """Takes a packet's body apart."""

    def __init__(self, body: bytes, version: int) -> None:
        self.body, self.place, self.version = body, 0, version

    def number(self, size: int) -> int:
        self.place += size
        return int.from_bytes(self.body[self.place - size : self.place], "big")

    def field(self) -> bytes:
        size = self.number(2)
        self.place += size
        return self.body[self.place - size : self.place]

    def properties(self, packet: int) -> None:
        """Over the properties, which must be as the standard has them; of a will's as well."""
        if self.version == 5:
            _, size = Properties(packet).unpack(self.body[self.place :])
            self.place += size

    def rest(self) -> bytes:
        return self.body[self.place :]


def packet(kind: int, body: bytes, flags: int = 0) -> bytes:
    """A packet as it goes over the line."""
    length: bytes = VariableByteIntegers.encode(len(body))
    return bytes((kind << 4 | flags,)) + length + body


def packets(data: bytearray) -> list[Packet]:
    """The whole packets at the beginning of what has come; they are taken away from it."""
    found: list[Packet] = []
    while len(data) >= 2:
        length = shift = 0
        for place in range(1, min(len(data), 5)):
            length |= (data[place] & 127) << shift
            shift += 7
            if data[place] < 128:
                break
        else:
            return found
        if len(data) < place + 1 + length:
            return found
        found.append(Packet(data[0] >> 4, data[0] & 15, bytes(data[place + 1 : place + 1 + length])))
        del data[: place + 1 + length]
    return found


def text(value: str) -> bytes:
    """A string as the standard has it."""
    return struct.pack(">H", len(value)) + value.encode()


class Line:
    """One connection. What is on its way waits here for its time."""

    def __init__(self, now_s: float) -> None:
        self.theirs, self.ours = socket.socketpair()
        self.ours.setblocking(False)
        self.coming, self.going = bytearray(), bytearray()
        self.came: deque[tuple[float, Packet]] = deque()
        self.leaving: deque[tuple[float, bytes]] = deque()
        self.version, self.keepalive_s, self.heard_s = 5, 0.0, now_s
        self.will: Message | None = None
        self.known = self.listening = self.closing = False
        self.full = False  # no row is taken any more
        self.gone = False  # the other machine has no power: nobody tells us


class Broker:
    """One broker. `heard` is what a subscriber at it was given, in order; `retained` what a new one would be given.

    `acked` are the payloads' tags of requests that the monitor has confirmed (see `ask`).
    """

    def __init__(self, clock: Callable[[], float], rng: random.Random, note: Callable[[str], None]) -> None:
        self.clock, self.rng, self.note = clock, rng, note
        self.mood, self.mood_s = "sound", clock()
        self.heard: list[Message] = []
        self.retained: dict[str, Message] = {}
        self.line: Line | None = None
        self.dark = False  # the monitor's machine has no power: what it still does never happened
        self.acked: list[str] = []
        self._asks: deque[tuple[str, str, bytes, bool]] = deque()
        self._asked: dict[int, tuple[str, str, bytes, bool]] = {}
        self._number = 0

    # ------------------------------------------------------------ what the storm does

    def turn(self, mood: str) -> None:
        """Change the mood. A broker that goes down breaks the line; one that falls silent does not. After a silence the
        net brings what it held, or the line has long been gone at this end."""
        if self.mood == "silent" and mood != "silent" and self.rng.random() < 0.5:
            self.cut()
        self.mood, self.mood_s = mood, self.clock()
        if mood in ("down", "refusing"):
            self.cut()

    def ask(self, tag: str, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """A request of the office, QoS 1: kept for the monitor, sent again until it confirms it; then `acked`."""
        self._asks.append((tag, topic, payload, retain))

    def cut(self) -> None:
        """The line breaks. Whoever was there is gone without a word: the last will is sent."""
        line, self.line = self.line, None
        if line is not None:
            line.ours.close()
            self._requeue()
            if line.will is not None:
                self._publish(line.will)

    # ------------------------------------------------------------ dialling

    def dial(self) -> socket.socket:
        """A new connection's other end. Raises OSError where nobody listens."""
        if self.dark or self.mood == "down":
            raise ConnectionRefusedError(111, "Connection refused")
        self.cut()  # the same client again: section 3.1.4
        self.line = Line(self.clock())
        return self.line.theirs

    # ------------------------------------------------------------ turning

    def pump(self, now_s: float) -> None:
        """Take and give what is due. Nothing moves while the monitor's machine is dark."""
        if self.line is None or self.dark:
            return
        if not self._read(self.line, now_s):
            return
        for at in range(2):  # what is answered at once leaves at once
            line = self.line
            if line is None:
                return
            if at == 0:
                self._take(line, now_s)
                self._give(line, now_s)
            else:
                self._write(line, now_s)
        if self.line is not None and self.line.keepalive_s and now_s - self.line.heard_s > 1.5 * self.line.keepalive_s:
            self.note("broker: nothing heard for long")
            self.cut()  # section 3.1.2.10

    def _delay_s(self) -> float:
        return self.rng.uniform(0.5, SLOWEST_S) if self.mood == "slow" else 0.0

    def _read(self, line: Line, now_s: float) -> bool:
        """What has come; False when the other side has closed."""
        while self.mood != "silent":  # then the net holds it, both ways
            try:
                data = line.ours.recv(65536)
            except BlockingIOError:
                break
            except OSError:
                data = b""
            if not data and line.gone:
                break
            if not data:
                self.note("broker: the line is gone")
                self.cut()
                return False
            line.coming += data
        for one in packets(line.coming):
            earliest_s = line.came[-1][0] if line.came else 0.0
            line.came.append((max(earliest_s, now_s + self._delay_s()), one))
        return True

    def _take(self, line: Line, now_s: float) -> None:
        while line.came and line.came[0][0] <= now_s and self.line is line and not line.closing:
            _, one = line.came.popleft()
            line.heard_s = now_s
            {
                CONNECT: self._on_connect,
                PUBLISH: self._on_publish,
                PUBACK: self._on_puback,
                SUBSCRIBE: self._on_subscribe,
                UNSUBSCRIBE: self._on_unsubscribe,
                PINGREQ: self._on_ping,
                DISCONNECT: self._on_disconnect,
            }[one.kind](line, one)

    def _give(self, line: Line, now_s: float) -> None:
        """Requests to the monitor, a window of them at a time."""
        if self.line is not line or not line.listening:
            return
        while self._asks and len(self._asked) < 20:  # section 3.3.4 allows a window
            self._number = self._number % 65535 + 1
            self._asked[self._number] = one = self._asks.popleft()
            body = text(one[1]) + struct.pack(">H", self._number) + self._none(line) + one[2]
            self._send(line, packet(PUBLISH, body, flags=2 | int(one[3])))

    def _write(self, line: Line, now_s: float) -> None:
        while line.leaving and line.leaving[0][0] <= now_s:
            line.going += line.leaving.popleft()[1]
        if self.mood == "silent":
            return
        if self.mood == "torn" and len(line.going) > 1:
            del line.going[self.rng.randrange(1, len(line.going)) :]
            line.closing = True
        try:
            del line.going[: line.ours.send(line.going)]
        except BlockingIOError:
            pass
        except OSError:
            line.closing = True
        if line.closing and self.line is line:
            self.cut()

    def _send(self, line: Line, data: bytes, after_s: float = 0.0) -> None:
        earliest_s = line.leaving[-1][0] if line.leaving else 0.0
        line.leaving.append((max(earliest_s, self.clock() + self._delay_s() + after_s), data))

    def _requeue(self) -> None:
        """What was not confirmed is sent again in the next connection, in its order."""
        self._asks.extendleft(reversed(self._asked.values()))
        self._asked.clear()

    @staticmethod
    def _none(line: Line) -> bytes:
        """No properties."""
        return b"\0" if line.version == 5 else b""

    # ------------------------------------------------------------ packets

    def _on_connect(self, line: Line, one: Packet) -> None:
        reader = _Reader(one.body, 5)
        assert reader.field() == b"MQTT"
        reader.version = line.version = reader.number(1)
        flags = reader.number(1)
        line.keepalive_s = reader.number(2)
        reader.properties(PacketTypes.CONNECT)
        reader.field()
        if flags & 4:
            reader.properties(PacketTypes.WILLMESSAGE)
            topic, payload = reader.field().decode(), reader.field()
            line.will = Message(0.0, topic, payload, bool(flags & 32), flags >> 3 & 3)
        code = _NOT_AUTHORISED[line.version] if self.mood == "refusing" else 0
        line.known = code == 0
        if code:
            line.will = None
        self._send(line, packet(CONNACK, bytes((0, code)) + self._none(line)))
        self.note(f"broker: connected, version {line.version}, code {code:#x}")
        if self.mood == "throwing":
            if line.version == 5:
                self._send(line, packet(DISCONNECT, bytes((_BUSY, 0))))
            line.closing = True
        line.closing |= bool(code)

    def _on_publish(self, line: Line, one: Packet) -> None:
        reader = _Reader(one.body, line.version)
        topic, qos = reader.field().decode(), one.flags >> 1 & 3
        number = reader.number(2) if qos else 0
        reader.properties(PacketTypes.PUBLISH)
        row = qos > 0 and topic.rpartition("/")[2] in ("events", "cycles", "answers")
        line.full |= self.mood == "stingy" and row and self.rng.random() < 0.3
        if line.full and row and line.version == 5:
            self._send(line, packet(PUBACK, struct.pack(">HB", number, _QUOTA)))
            return
        self._publish(Message(self.clock(), topic, reader.rest(), bool(one.flags & 1), qos))
        if not qos:
            return
        if self.mood == "forgetful" and row and self.rng.random() < 0.3:
            self.note("broker: took a row, lost the receipt")
            line.closing = True
            return
        late_s = self.rng.choice((0.0, 5.0, 1e9)) if self.mood == "withholding" else 0.0
        self._send(line, packet(PUBACK, struct.pack(">H", number)), late_s)

    def _publish(self, message: Message) -> None:
        message = message._replace(at_s=self.clock(), channel=message.channel.rpartition("/")[2])
        self.heard.append(message)
        if message.retained:
            self.retained[message.channel] = message

    def _on_puback(self, line: Line, one: Packet) -> None:
        found = self._asked.pop(int.from_bytes(one.body[:2], "big"), None)
        if found is not None:
            self.acked.append(found[0])

    def _on_subscribe(self, line: Line, one: Packet) -> None:
        reader = _Reader(one.body, line.version)
        reader.number(2)
        reader.properties(PacketTypes.SUBSCRIBE)
        topic = reader.field().decode()
        channel = topic.rpartition("/")[2]
        line.listening |= channel == "requests"
        self._send(line, packet(SUBACK, one.body[:2] + self._none(line) + b"\1"))
        if channel in self.retained:  # section 3.3.1.3: with the flag, to a new subscription
            self._send(line, packet(PUBLISH, text(topic) + self._none(line) + self.retained[channel].payload, flags=1))

    def _on_unsubscribe(self, line: Line, one: Packet) -> None:
        self._send(line, packet(UNSUBACK, one.body[:2] + (b"\0\0" if line.version == 5 else b"")))

    def _on_ping(self, line: Line, one: Packet) -> None:
        self._send(line, packet(PINGRESP, b""))

    def _on_disconnect(self, line: Line, one: Packet) -> None:
        if one.body[:1] in (b"", b"\0"):
            line.will = None  # in good order: section 3.14.4
        line.closing = True
