"""(edge) One durable session at the broker: MQTT 5, messages acknowledged by hand, turned by the caller's own loop.

Unlike a site's publisher (monitor/publishers/broker.py) it must read as fast as the broker can send, and acknowledge
only what the database has committed. It therefore uses paho's public hooks for a foreign loop: `turn` reads whatever
has arrived without a wait for each packet, and nothing happens between.
"""

from __future__ import annotations

import select
import ssl
import time
from collections.abc import Callable, Iterable
from typing import Any, NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from condenser_monitor.monitor.core.errors import BrokerError
from condenser_monitor.monitor.fleet.setup import Broker
from condenser_monitor.monitor.limits import FLEET, PUBLISHERS
from condenser_monitor.monitor.publishers.broker import read_password, session_id, tls_context

_KEPT_S = int(FLEET.session_kept_s.value)
_IN_FLIGHT = int(FLEET.in_flight.value)
_CONNECT_S = PUBLISHERS.connect_s.value
_OK = MQTTErrorCode.MQTT_ERR_SUCCESS


class Arrived(NamedTuple):
    """One message, not yet acknowledged."""

    mid: int
    topic: str
    payload: bytes


class IngestSession:
    """A connection under the lasting name `name`. Everything is called from one thread.

    `resumed` says whether the broker had kept the session. Raises BrokerError when the broker cannot be reached,
    refuses us, or the connection breaks: the session is then of no more use, and what was not acknowledged comes again.
    """

    def __init__(self, broker: Broker, name: str) -> None:
        self._broker, self.name = broker, name
        self.resumed = False
        self.heard_s = 0.0  # monotonic, of the last message
        self._refused = ""
        self._connected = False
        self._writes = False
        self._inbox: list[Arrived] = []
        self._granted: set[int] = set()
        self._sent: dict[int, Callable[[], None]] = {}
        self._client = self._made()
        try:
            self._connect()
        except BrokerError:
            self.drop()
            raise

    # ------------------------------------------------------------ the loop

    def fileno(self) -> int:
        """The socket, for `select`. Raises BrokerError when there is none any more."""
        sock = self._client.socket()
        if sock is None:
            raise self._error("the connection is closed")
        return sock.fileno()

    def turn(self, most: int) -> list[Arrived]:
        """Read what has arrived, `most` messages at the most, without waiting; send what is queued."""
        self._flush()
        inbox = self._inbox
        while len(inbox) < most:
            before = len(inbox)
            self._try(self._client.loop_read())
            if len(inbox) == before:  # nothing there, half a packet, or an answer: the caller comes back anyway
                break
        self._try(self._client.loop_misc())
        self._inbox = []
        if inbox:
            self.heard_s = time.monotonic()
        return inbox

    def acknowledge(self, mids: Iterable[int]) -> None:
        """Tell the broker that these need not come again, in the order in which they came (MQTT 5, 4.6)."""
        for mid in mids:
            self._try(self._client.ack(mid, 1))
        self._flush()

    @property
    def unread(self) -> bool:
        """Whether `turn` would find something that the socket does not tell of: TLS has deciphered it already."""
        sock = self._client.socket()
        return isinstance(sock, ssl.SSLSocket) and sock.pending() > 0

    def _flush(self) -> None:
        if self._writes:
            self._try(self._client.loop_write())

    def _try(self, code: MQTTErrorCode) -> None:
        if self._refused:
            raise self._error(self._refused)
        if code != _OK:
            raise self._error(paho.error_string(code))

    def _error(self, given: str) -> BrokerError:
        place = f"broker {self._broker.host}:{self._broker.port}, session {self.name}"
        return BrokerError(place, given, "a broker that takes the fleet's name, password and topics")

    # ------------------------------------------------------------ what goes out

    def subscribe(self, *topics: str, retained: bool = False) -> None:
        """Subscribe at QoS 1 and wait for the broker's word. `retained`: have what the broker keeps sent too, if the
        subscription is a new one."""
        handling = SubscribeOptions.RETAIN_SEND_IF_NEW_SUB if retained else SubscribeOptions.RETAIN_DO_NOT_SEND
        options = SubscribeOptions(qos=1, retainHandling=handling)
        code, mid = self._client.subscribe([(topic, options) for topic in topics])
        self._try(code)
        self._await(lambda: mid in self._granted)

    def unsubscribe(self, *topics: str) -> None:
        """End subscriptions; what the broker has queued for them still comes."""
        self._try(self._client.unsubscribe(list(topics))[0])

    def publish(self, topic: str, payload: bytes, delivered: Callable[[], None]) -> None:
        """Send at QoS 1; `delivered` is called from a later `turn`, when the broker has taken the message."""
        info = self._client.publish(topic, payload, qos=1)
        self._try(info.rc)
        self._sent[info.mid] = delivered

    # ------------------------------------------------------------ beginning and end

    def _made(self) -> paho.Client:
        password = read_password(self._broker.password_file)
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=session_id(self.name, password),
            protocol=paho.MQTTv5,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.connect_timeout = _CONNECT_S
        client.on_connect, client.on_subscribe = self._on_connect, self._on_subscribe
        client.on_message, client.on_publish = self._on_message, self._on_publish
        client.on_socket_register_write = lambda *_: self._want(True)
        client.on_socket_unregister_write = lambda *_: self._want(False)
        client.username_pw_set(self._broker.username, password)
        if self._broker.tls:
            client.tls_set_context(tls_context(self._broker.ca_file))
        return client

    def _want(self, writes: bool) -> None:
        self._writes = writes

    def _connect(self) -> None:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = _KEPT_S
        properties.ReceiveMaximum = _IN_FLIGHT
        where = (self._broker.host, self._broker.port, self._broker.keepalive_s)
        try:
            self._client.connect(*where, clean_start=False, properties=properties)
        except (OSError, ValueError) as error:
            raise self._error(str(error)) from None
        self._await(lambda: self._connected)

    def _await(self, done: Callable[[], bool]) -> None:
        """Turn the loop until the broker has answered; messages that come meanwhile wait in the inbox. After an outage
        thousands come before the answer: only silence is none."""
        until_s, before = time.monotonic() + _CONNECT_S, len(self._inbox)
        while not done():
            if len(self._inbox) != before:
                until_s, before = time.monotonic() + _CONNECT_S, len(self._inbox)
            if time.monotonic() > until_s:
                raise self._error("no answer")
            self._flush()
            if not self.unread:
                select.select([self.fileno()], [], [], 0.1)
            self._try(self._client.loop_read())
            self._try(self._client.loop_misc())  # says that we are there: on a busy machine the answer may take minutes

    def _on_connect(
        self, _client: paho.Client, _data: Any, flags: paho.ConnectFlags, code: ReasonCode, _properties: Any
    ) -> None:
        if code.is_failure:
            self._refused = str(code)
        else:
            self._connected, self.resumed = True, flags.session_present

    def _on_subscribe(
        self, _client: paho.Client, _data: Any, mid: int, codes: list[ReasonCode], _properties: Any
    ) -> None:
        refused = [str(code) for code in codes if code.is_failure]
        self._refused = "; ".join(refused)
        self._granted.add(mid)

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        if message.qos:  # at QoS 0 it bears no number, and is nothing that the fleet asks for
            self._inbox.append(Arrived(message.mid, message.topic, bytes(message.payload)))

    def _on_publish(self, _client: paho.Client, _data: Any, mid: int, code: ReasonCode, _properties: Any) -> None:
        delivered = self._sent.pop(mid, None)
        if delivered is not None and not code.is_failure:
            delivered()

    def end(self) -> None:
        """Close in good order and have the broker forget the session."""
        properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 0
        self._client.disconnect(properties=properties)
        self._flush()
        self.drop()

    def drop(self) -> None:
        """Close the socket; the broker keeps the session and everything not acknowledged."""
        client = self._client
        client.on_connect = client.on_subscribe = client.on_message = client.on_publish = None
        sock = client.socket()
        if sock is not None:
            sock.close()
