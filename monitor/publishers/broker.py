"""(edge) The broker: outbox -> topics, requests <- topic (contract.md, Broker). The only importer of paho.

Everything happens in the publisher's one thread, which also turns paho's network loop. Nothing is left to paho's queue,
which is in memory only: rows are read from the outbox beyond the cursor, a few are in flight, and the cursor moves when
the broker has acknowledged them in order. After any failure a new client begins again at the cursor; a row that was
acknowledged but not yet entered is sent twice with the same id (at least once, MQTT 5 section 4.3.2).
"""

from __future__ import annotations

import hashlib
import ssl
import time
from abc import abstractmethod
from collections.abc import Callable
from typing import Any

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import BrokerError
from condenser_monitor.monitor.core.records import Request, UnitStatus
from condenser_monitor.monitor.private_file import read_private
from condenser_monitor.monitor.publishers import senml
from condenser_monitor.monitor.publishers.base import ThreadedPublisher, Waker
from condenser_monitor.monitor.publishers.messages import (
    CHANNELS,
    OFFLINE,
    ONLINE,
    AnswerMessage,
    NumbersGiven,
    ResendRequest,
    out_message,
    read_request,
    request_id,
    topic,
    unit_mark,
    unit_message,
)
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.schema import decoded, id_origin

JSON_TYPE, SENML_TYPE = "application/json", "application/senml+json"
_PACKET_MOST = 65536


class BrokerConnection(ThreadedPublisher):
    """A thread with a connection of its own to the site's broker: connects, turns paho's network loop, begins again.

    A subclass names its client, its last will and what it subscribes to, and sends what is due in `_send_due`."""

    _client_name: str
    _will: tuple[str, str] | None  # topic and payload
    _subscriptions: tuple[str, ...] = ()

    def __init__(self, settings: Settings, *, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__(clock=clock)
        self._settings, self._site = settings.mqtt, settings.site.id
        self._newest = settings.mqtt.version == "5"
        self._client: paho.Client | None = None
        self._reset()

    def _reset(self) -> None:
        """Nothing of an earlier connection counts."""
        self._connected_s: float | None = None
        self._subscribed_s: float | None = None  # when the last subscription was acknowledged
        self._refused = ""

    @abstractmethod
    def _send_due(self, client: paho.Client) -> None:
        """Send what is due."""

    def _on_publish(self, client: paho.Client, data: Any, mid: int, code: ReasonCode, properties: Any) -> None:
        """Hear that the broker has, or has refused, a message."""

    def _on_message(self, client: paho.Client, data: Any, message: paho.MQTTMessage) -> None:
        """Hear a message of a topic subscribed to."""

    def poll(self) -> float:
        """Turn the network loop once and send what is due."""
        try:
            if self._client is None:
                self._client = self._connect()
            self._loop(limits.PUBLISHERS.poll_s.value)
            self._send_due(self._client)
        except Exception:
            self._disconnect()
            raise
        if self._connected_s is not None and self._clock() - self._connected_s > limits.PUBLISHERS.backoff_most_s.value:
            self._backoff.went_well()  # not at once: a broker that takes us and throws us out again is still failing
        return 0.0

    def start(self, history: History) -> None:
        """Begin the thread, with what wakes it beside the network."""
        self._waker = Waker()
        super().start(history)

    def close(self) -> None:
        """End the thread, which need not wait for the network either."""
        self._stop.set()
        if self._waker is not None:
            self._waker.wake()
        super().close()
        if self._waker is not None and not (self._thread and self._thread.is_alive()):
            self._waker.close()

    def _loop(self, timeout_s: float) -> None:
        assert self._client is not None
        if self._waker is not None:
            self._waker.wait(self._client, timeout_s)
        code = self._client.loop(0.0)
        if self._refused:
            raise BrokerError(self._place, self._refused, "a broker that takes this site's name, password and topics")
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise BrokerError(self._place, paho.error_string(code), "a broker that answers")

    def _disconnect(self) -> None:
        client, self._client = self._client, None
        self._reset()
        if client is not None:
            _drop(client)

    # ------------------------------------------------------------ connecting

    @property
    def _place(self) -> str:
        return f"broker {self._settings.host}:{self._settings.port}"

    def _connect(self) -> paho.Client:
        client = self._made()
        where = (self._settings.host, self._settings.port, self._settings.keepalive_s)
        try:
            if self._newest:
                properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
                properties.SessionExpiryInterval = int(limits.PUBLISHERS.session_s.value)
                properties.MaximumPacketSize = _PACKET_MOST
                client.connect(*where, clean_start=False, properties=properties)
            else:
                client.connect(*where)
            self._await_answer(client)
        except (OSError, ValueError) as error:
            _drop(client)
            if isinstance(error, BrokerError):
                raise
            raise BrokerError(self._place, str(error), "a broker that can be reached") from None
        return client

    def _made(self) -> paho.Client:
        password = read_password(self._settings.password_file) if self._settings.username else None
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=session_id(f"condenser-monitor-{self._client_name}", password),
            clean_session=None if self._newest else False,
            protocol=paho.MQTTv5 if self._newest else paho.MQTTv311,
            reconnect_on_failure=False,
        )
        client.suppress_exceptions = True
        client.connect_timeout = limits.PUBLISHERS.connect_s.value
        client.on_connect, client.on_publish, client.on_message = self._on_connect, self._on_publish, self._on_message
        client.on_subscribe = self._on_subscribe
        if self._will is not None:
            client.will_set(*self._will, qos=1, retain=True)
        if self._settings.username:
            client.username_pw_set(self._settings.username, password)
        if self._settings.tls:
            client.tls_set_context(tls_context(self._settings.ca_file))
        return client

    def _await_answer(self, client: paho.Client) -> None:
        until_s = self._clock() + limits.PUBLISHERS.connect_s.value
        while self._connected_s is None and not self._refused:
            code = client.loop(limits.PUBLISHERS.poll_s.value)
            late = self._clock() > until_s
            if not self._refused and (code != MQTTErrorCode.MQTT_ERR_SUCCESS or late):
                given = "no answer to the connection" if late else paho.error_string(code)
                raise BrokerError(self._place, given, "a broker that answers")
        if self._refused:
            raise BrokerError(self._place, self._refused, "a broker that takes this site's name and password")

    def _on_connect(
        self, client: paho.Client, _data: Any, _flags: paho.ConnectFlags, code: ReasonCode, _properties: Any
    ) -> None:
        if code.is_failure:
            self._refused = str(code)
            return
        self._connected_s = self._clock()
        for filter_ in self._subscriptions:
            client.subscribe(filter_, qos=1)

    def _on_subscribe(self, *_: object) -> None:
        self._subscribed_s = self._clock()


class BrokerPublisher(BrokerConnection):
    """The connection of one site to its broker.

    A disk may lose what it said it had written, when the power goes: the monitor then knows nothing of its last
    messages, and would give their numbers out again, which an office takes for repeats. The broker is the witness: the
    `unit` message that it keeps says how far numbers went, and is sent before any message that bears a new one. It is
    read once in a life, before anything is sent.
    """

    name = "mqtt"
    begin = True  # a broker is told the whole history, so that its numbers begin at 1

    def __init__(self, settings: Settings, *, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__(settings, clock=clock)
        self._client_name = self._site
        self._topics = {name: topic(self._site, name) for name in CHANNELS}
        self._will = (self._topics["availability"], OFFLINE)
        # The first until it is known how far numbers went.
        self._subscriptions = (self._topics["unit"], self._topics["requests"])
        self._witness_heard = False
        self._refusals: list[float] = []

    def _reset(self) -> None:
        super()._reset()
        self._in_flight: dict[int, str] = {}  # paho's message number -> id of the row
        self._acked: set[str] = set()
        self._resent: set[int] = set()  # paho's numbers of what was sent from memory and is not acknowledged
        self._announced: str | None = None
        self._announced_mid: int | None = None  # paho's number of that, until it is acknowledged
        self._unit: tuple[object, ...] | None = None
        self._sent: dict[str, int] | None = None
        self._numbered: dict[str, int] = {}  # as the last `unit` message said
        self._own_faults: dict[str, int] = {}
        self._faults = 0  # all that is wrong with the monitor itself
        self._unit_s = self._readings_s = self._looked_s = self._faults_s = -1e9
        self._readings_t_s: float | None = None

    def finish(self) -> None:
        """Send what is left, say offline, and go in good order, which keeps the last will from being sent."""
        if self._client is None:
            return
        try:
            self._farewell(self._client)
        finally:
            self._disconnect()

    def _farewell(self, client: paho.Client) -> None:
        until_s = self._clock() + limits.PUBLISHERS.close_s.value / 2
        if self._witness_heard:
            self._send_rows(client)
        if self._announced != OFFLINE:
            self._announce(client, OFFLINE)
        # Until "offline" is acknowledged too: a broker that finds us gone first may drop what it has not read yet.
        while (self._in_flight or self._announced_mid is not None) and self._clock() < until_s:
            self._loop(0.05)
        self._commit_offset()
        client.disconnect()
        client.loop(0.05)

    # ------------------------------------------------------------ out

    def _send_due(self, client: paho.Client) -> None:
        now_s = self._clock()
        blind = now_s - self._offered_s >= limits.PUBLISHERS.blind_s.value
        # Before the first scan of a life nothing is said: it may be blind as well.
        availability = OFFLINE if blind else ONLINE
        if self._announced != availability and (blind or self._status is not None):
            self._announce(client, availability)
        if not self._witness_heard:
            assert self._connected_s is not None
            told_s = self._connected_s + limits.PUBLISHERS.connect_s.value
            if self._subscribed_s is not None:
                told_s = min(told_s, self._subscribed_s + limits.PUBLISHERS.witness_s.value)
            if now_s < told_s:
                self._news.clear()  # what is new is looked for then
                return
            self._hear_witness(client, b"")  # the broker has had the time to say how far numbers went
        moved = self._commit_offset()
        if moved or self._news.is_set() or now_s - self._looked_s > 1.0:
            self._looked_s = now_s
            self._news.clear()
            self._send_rows(client)
        self._send_unit(client, now_s)
        if self._status is not None and now_s - self._readings_s >= self._settings.readings_s:
            self._send_readings(client, self._status, now_s)

    def _hear_witness(self, client: paho.Client, payload: bytes) -> None:
        self._witness_heard, self._subscriptions = True, self._subscriptions[1:]
        client.unsubscribe(self._topics["unit"])
        given = decoded(payload, NumbersGiven)
        if given is not None:
            self.history.numbers_given(given.origin, given.numbered)

    def _announce(self, client: paho.Client, availability: str) -> None:
        self._announced = availability
        self._announced_mid = self._publish(client, "availability", availability.encode(), "text/plain")

    def _publish(self, client: paho.Client, channel: str, payload: bytes, kind: str = JSON_TYPE) -> int:
        row = CHANNELS[channel]
        properties = None
        if self._newest:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.ContentType = kind
        info = client.publish(self._topics[channel], payload, qos=row.qos, retain=row.retained, properties=properties)
        return info.mid

    def _send_rows(self, client: paho.Client) -> None:
        sent = {*self._in_flight.values(), *self._acked}
        for row in self.history.outbox(self.name, begin=self.begin, limit=int(limits.PUBLISHERS.in_flight.value)):
            if row.id not in sent:
                if row.seq > self._numbered.get(row.topic, 0):
                    self._send_unit(client, self._clock(), numbers=True)
                message = msgspec.json.encode(out_message(row, self._site))
                self._in_flight[self._publish(client, row.topic, message)] = row.id

    def _on_publish(self, _client: paho.Client, _data: Any, mid: int, code: ReasonCode, _properties: Any) -> None:
        self._resent.discard(mid)
        if mid == self._announced_mid:
            self._announced_mid = None
        name = self._in_flight.pop(mid, None)
        if code.is_failure:
            self._refused = str(code)  # not delivered: the broker said no, and will be asked again
        elif name is not None:
            self._acked.add(name)

    def _commit_offset(self) -> bool:
        """Move the cursor over the rows acknowledged without a gap; whether it moved."""
        if not self._acked:
            return False
        offset = None
        for row in self.history.outbox(self.name, begin=self.begin, limit=int(limits.PUBLISHERS.in_flight.value)):
            if row.id not in self._acked:
                break
            self._acked.remove(row.id)
            offset = row.offset
        if offset is not None:
            self.history.delivered(self.name, offset)
            self._sent = None
        return offset is not None

    def _send_unit(self, client: paho.Client, now_s: float, *, numbers: bool = False) -> None:
        """The retained status: when it says something new, when rows were delivered, and now and then; at once before
        a message with a new number (`numbers`). A monitor whose own program fails sends the last one there is, with its
        faults."""
        if now_s - self._unit_s < 1.0 and not numbers:
            return
        if now_s - self._faults_s >= limits.PUBLISHERS.own_faults_s.value:
            self._faults_s = now_s
            self._own_faults = {one.part: one.times for one in self.history.own_faults()}
            self._faults = self.history.fault_count()
        status = self._status or (self.history.status() if self._own_faults or numbers else None)
        if status is None:
            return
        if self._sent is None:
            self._sent = self.history.sent(self.name)
        sent, faults = self._sent, self._faults
        mark = (unit_mark(status), tuple(sent.items()), tuple(self._own_faults), faults)
        if numbers or mark != self._unit or now_s - self._unit_s >= limits.PUBLISHERS.unit_s.value:
            self._unit, self._unit_s, self._numbered = mark, now_s, self.history.numbered()
            message = unit_message(
                status, self.history.origin, sent, self._own_faults, faults=faults, numbered=self._numbered
            )
            self._publish(client, "unit", msgspec.json.encode(message))

    def _send_readings(self, client: paho.Client, status: UnitStatus, now_s: float) -> None:
        if status.t_s == self._readings_t_s or all(value is None for value in status.readings.values()):
            return
        self._readings_s, self._readings_t_s = now_s, status.t_s
        self._publish(client, "readings", senml.pack(status.readings, self._site, status.wall_s), SENML_TYPE)

    # ------------------------------------------------------------ in

    def _on_message(self, client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        """A request. It is on disk when this comes back; only then does paho acknowledge it.

        Refusals and resends are answered from memory: should the connection break just then, the sender asks again.
        """
        if message.topic == self._topics["unit"]:
            if message.retain and not self._witness_heard:
                self._hear_witness(client, bytes(message.payload))
            return
        try:
            answer = self._accept(client, message)
        except ValueError as error:
            answer = self._refuse(bytes(message.payload), str(error))
        except Exception as error:  # ours: told to the sender and on the health page, and the connection goes on
            self.history.fault("requests", error)
            answer = self._refuse(bytes(message.payload), f"the monitor could not take it: {type(error).__name__}")
        if (
            answer is not None and len(self._resent) < limits.PUBLISHERS.resend_most.value
        ):  # in paho's queue, in memory: bounded
            self._resent.add(self._publish(client, "answers", msgspec.json.encode(answer)))

    def _accept(self, client: paho.Client, message: paho.MQTTMessage) -> AnswerMessage | None:
        if message.retain:
            raise ValueError("a retained request is not taken: it would come again at every connection")
        if len(message.payload) > limits.PUBLISHERS.request_most.value:
            raise ValueError(f"{len(message.payload)} bytes; at most {limits.PUBLISHERS.request_most.value:g}")
        request = read_request(bytes(message.payload))
        if isinstance(request, ResendRequest):
            return self._resend(client, request)
        answer = self.history.add_request(Request(**msgspec.structs.asdict(request)), source="broker")
        return None if answer is None else AnswerMessage(**msgspec.structs.asdict(answer), site=self._site)

    def _refuse(self, payload: bytes, why: str) -> AnswerMessage | None:
        """Why a request cannot be taken; nothing for a flood of them."""
        now_s = self._clock()
        self._refusals = [at_s for at_s in self._refusals if now_s - at_s < 60.0]
        if len(self._refusals) >= limits.PUBLISHERS.refusals_per_min.value:
            return None
        self._refusals.append(now_s)
        return AnswerMessage(id=request_id(payload), done=False, why=why, site=self._site)

    def _resend(self, client: paho.Client, request: ResendRequest) -> AnswerMessage | None:
        """Send old numbers again, as they were; the rest of a long span is to be asked for again. While many are still
        on their way (in paho's queue, in memory) there is no answer: who hears none asks again."""
        if len(self._resent) >= limits.PUBLISHERS.resend_most.value:
            return None
        most = min(request.to_seq - request.from_seq + 1, int(limits.PUBLISHERS.resend_most.value))
        rows = self.history.events(request.from_seq - 1, max(most, 0), request.topic)
        rows = [row for row in rows if row.seq <= request.to_seq]
        if request.origin:
            rows = [row for row in rows if id_origin(row.id, row.seq) == request.origin]
        ahead = self.history.outbox(self.name, begin=self.begin, limit=1)
        for row in rows:
            if ahead and row.offset >= ahead[0].offset:
                break  # not delivered yet: it comes by itself, in its turn, and nothing may overtake it
            self._resent.add(self._publish(client, row.topic, msgspec.json.encode(out_message(row, self._site))))
        first_seq = self.history.first_seq(request.topic)
        if not rows:
            why = "none of these numbers is kept here"
            return AnswerMessage(id=request.id, done=False, why=why, site=self._site, first_seq=first_seq)
        return AnswerMessage(id=request.id, done=True, site=self._site, first_seq=first_seq)


class _Socket(ssl.SSLSocket):
    """paho lets go of a socket whose handshake failed without closing it."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _drop(client: paho.Client) -> None:
    """Close a client's socket without a word: the broker then sends the last will."""
    client.on_connect = client.on_publish = client.on_message = None
    sock = client.socket()
    if sock is not None:
        sock.close()


def tls_context(ca_file: str) -> ssl.SSLContext:
    """TLS with the broker's certificate checked against the system's authorities, or those in `ca_file`.

    Raises BrokerError when the file cannot be used.
    """
    try:
        context = ssl.create_default_context(cafile=ca_file or None)
    except OSError as error:  # ssl.SSLError is one
        raise BrokerError(ca_file, str(error), "a file of certificates (PEM)") from None
    context.sslsocket_class = _Socket
    return context


def session_id(name: str, password: str | None) -> str:
    """The name of a client at the broker. It stays the same, or what waits there would be lost; and it is not to be
    guessed, or another account of the broker could end the session and what waits in it (MQTT 5, 3.1.4)."""
    if not password:
        return name
    # Brokers write it into their logs: from a weak password too, nobody shall find the way back.
    end = hashlib.scrypt(password.encode(), salt=name.encode(), n=1 << 12, r=8, p=1, dklen=8)
    return f"{name}-{end.hex()}"


def read_password(path: str) -> str | None:
    """The password in a file, its line end taken off; None where no file is named.

    Raises BrokerError when the file cannot be read, or others than its owner may read it.
    """
    if not path:
        return None
    allowed = "a file with the broker's password"
    try:
        return read_private(path, BrokerError, allowed).decode("utf-8").rstrip("\r\n")
    except UnicodeDecodeError as error:
        raise BrokerError(path, str(error), allowed) from None
