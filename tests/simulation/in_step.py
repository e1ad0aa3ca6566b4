"""The shipped publishers, each in its own thread, but in virtual time: a thread moves when the one that plays
the world lets it, and only one moves at a time. What they wait for (a poll, a pause after a failure, a service that
hangs until it is given up) passes on the plant's clock.

The broker is a real one on a socket; the phone's service is played here: it takes messages, or hangs.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import BrokerError, NotifyError
from condenser_monitor.monitor.publishers.base import ThreadedPublisher
from condenser_monitor.monitor.publishers.broker import BrokerPublisher
from condenser_monitor.monitor.publishers.messages import topic
from condenser_monitor.monitor.publishers.phone import Target
from condenser_monitor.monitor.publishers.phone_text import PhoneMessage
from condenser_monitor.monitor.storage.history import History

POLL_S = limits.PUBLISHERS.poll_s.value
SEND_S = limits.NOTIFY.send_s.value
STEP_MOST_S = 60.0  # of real time: an publisher that does not hand over by then hangs in earnest
DAY_S = 86400
ZONE = ZoneInfo("America/Chicago")


class InStep(ThreadedPublisher):
    """Put before a shipped publisher. Its thread is started and ended as shipped; `pump` lets it make one turn."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._go, self._handed = threading.Semaphore(0), threading.Semaphore(0)
        self._due_s, self._until = 0.0, threading.Event()
        self._sending = False
        self._wrong: Exception | None = None
        super().__init__(*args, **kwargs)

    def start(self, history: History) -> None:
        """As shipped, and the first turn is over when this comes back."""
        super().start(history)
        self._await()

    def pump(self) -> None:
        """One turn, where one is due at this moment of the clock."""
        if self._clock() >= self._due_s or self._until.is_set():
            self._go.release()
            self._await()
        elif not self._sending:
            self._poll_began_s = self._clock()  # a pause is no turn that hangs

    def poll(self) -> float:
        """As shipped; what goes wrong that is no failure of broker or service is wrong here, and ends the soak."""
        try:
            return super().poll()  # type: ignore[safe-super]
        except (BrokerError, NotifyError):
            raise
        except Exception as error:
            self._wrong = error
            raise

    def close(self) -> None:
        """As shipped; the thread need not be let go first."""
        self._stop.set()
        self._go.release()
        super().close()

    def _pause(self, wait_s: float, until: threading.Event) -> None:
        self._hand_over(max(wait_s, POLL_S), until)

    def _hand_over(self, wait_s: float, until: threading.Event) -> None:
        """In the publisher's thread: the others' turn, until so much virtual time has passed or `until` is set."""
        if self._stop.is_set():
            return
        self._due_s, self._until = self._clock() + wait_s, until
        self._handed.release()
        self._go.acquire()

    def _await(self) -> None:
        if not self._handed.acquire(timeout=STEP_MOST_S):
            raise RuntimeError(f"publisher {self.name}: its thread has not handed over for {STEP_MOST_S:g} s")
        if self._wrong is not None:
            raise RuntimeError(f"publisher {self.name} failed by itself") from self._wrong


class Broker(InStep, BrokerPublisher):
    """The broker's publisher on a real connection."""

    def _loop(self, timeout_s: float) -> None:
        super()._loop(0.0 if timeout_s >= POLL_S else timeout_s)

    def queue(self) -> int:
        """What is held in memory for the broker: rows on their way, acknowledged ones, and paho's own queue."""
        held = len(self._in_flight) + len(self._acked) + len(self._resent) + len(self._refusals)
        return held if self._client is None else held + len(self._client._out_messages)


class Phone(InStep, Target):
    """The phone's publisher; `hanging()` says whether its service does. `told` counts messages taken."""

    def __init__(
        self, settings: Settings, clock: Callable[[], float], wall: Callable[[], float], hanging: Callable[[], bool]
    ) -> None:
        super().__init__(settings, "played://phone", send=self._take, wall=wall, clock=clock, zone=ZONE)
        self._hanging, self.told = hanging, 0

    def _take(self, message: PhoneMessage) -> None:
        if self._hanging():
            self._sending = True
            self._hand_over(SEND_S, self._stop)
            self._sending = False
            raise NotifyError("played", f"no answer within {SEND_S:g} s", "a service that answers")
        self.told += 1

    def queue(self) -> int:
        """Alarms that the plan holds."""
        return len(self._plan.memory.notified)


class Office:
    """Who listens at the broker and asks for things. Keeps no message: counts them, by their numbers."""

    def __init__(self, site: str) -> None:
        self._site = site
        self.last: dict[str, int] = {}
        self.taken = self.twice = self.missing = self.answers = self._asked = 0
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="office", protocol=paho.MQTTv5, reconnect_on_failure=False
        )
        self._client.on_message = self._on_message
        self._client.on_connect = lambda client, *_: client.subscribe(topic(site, "+"), qos=1)
        self.connected = False

    def connect(self, port: int) -> None:
        """Listen (again) at the broker on this port of the loopback; it keeps what comes while nobody listens."""
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 30 * DAY_S
        self._client.connect("127.0.0.1", port, clean_start=False, properties=properties)
        self.connected = True
        for _ in range(20):
            self._client.loop(0.05)
            if self._client.is_connected():
                return

    def pump(self) -> None:
        """Take what has come."""
        for _ in range(40 if self.connected else 0):
            before = self.taken + self.answers
            self._client.loop(0.0)
            if self.taken + self.answers == before and not self._client.want_write():
                return

    def ask(self, finding: str) -> None:
        """Acknowledge a finding from afar."""
        if self.connected:
            self._asked += 1
            order = {"id": f"office-{self._asked}", "request": "acknowledge", "by": "office", "finding": finding}
            self._client.publish(topic(self._site, "requests"), msgspec.json.encode(order), qos=1)

    def close(self) -> None:
        """Stop listening."""
        self._client.disconnect()
        self.connected = False

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        kind = message.topic.rpartition("/")[2]
        if kind == "answers":
            self.answers += 1
        if kind not in ("events", "cycles"):
            return
        seq, last = msgspec.json.decode(message.payload)["seq"], self.last.get(kind, 0)
        self.twice += seq <= last
        self.missing += max(0, seq - last - 1)
        self.last[kind] = max(last, seq)
        self.taken += 1
