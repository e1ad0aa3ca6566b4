"""The shipped publishers of a storm, each in the thread that it starts itself, moved in virtual time (instep.py): the
broker's on a real socket to the broker of broker.py, the phone's with a service that takes, refuses or hangs.

They may be killed like the process they are in: their threads end where they stand, and say nothing to anybody.
"""

from __future__ import annotations

import threading
import weakref
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any
from zoneinfo import ZoneInfo

import paho.mqtt.client as paho

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import NotifyError
from condenser_monitor.monitor.core.records import UnitStatus
from condenser_monitor.monitor.publishers import broker
from condenser_monitor.monitor.publishers.notification_policy import NotificationItem
from condenser_monitor.monitor.publishers.phone import Target, _in_service
from condenser_monitor.monitor.publishers.phone_text import PhoneMessage
from tests.simulation.broker import Broker
from tests.simulation.in_step import InStep

ZONE = ZoneInfo("America/Chicago")
SEND_S = limits.NOTIFY.send_s.value
CONNECT_S = limits.PUBLISHERS.connect_s.value


class Killed(BaseException):
    """The process is gone: no handler of the program's sees it."""


class Baton:
    """Hands over between two threads that never run together: a semaphore for one, at a tenth of its price."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._lock.acquire()

    def release(self) -> None:
        """The other one's turn."""
        if self._lock.locked():
            self._lock.release()

    def acquire(self, timeout: float = -1) -> bool:
        """Wait for one's own."""
        return self._lock.acquire(timeout=timeout)


class Killable(InStep):
    """An publisher whose process may be killed."""

    _killed = False

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._go, self._handed = Baton(), Baton()  # type: ignore[assignment]

    def kill(self) -> None:
        """Its thread ends at once, wherever it waits."""
        self._killed = True
        self._stop.set()
        self._go.release()
        if self._thread is not None:
            self._thread.join(60.0)

    def _hand_over(self, wait_s: float, until: Any) -> None:
        super()._hand_over(wait_s, until)
        if self._killed:
            raise Killed

    def _run(self) -> None:
        with suppress(Killed):
            super()._run()

    def move(self, most: int = 100) -> None:
        """Turns, until none is due at this moment of the clock."""
        for _ in range(most):
            if self._clock() < self._due_s and not self._until.is_set():
                break
            self.pump()
        else:
            raise RuntimeError(f"publisher {self.name} turns and turns at one moment")
        self.pump()


class SteppedBroker(Killable, broker.BrokerPublisher):
    """The broker's publisher."""

    def __init__(self, settings: Settings, clock: Callable[[], float], broker: Broker) -> None:
        self._broker, self._virtual, self._beyond_s = broker, clock, 0.0
        super().__init__(settings, clock=self._time)

    def _time(self) -> float:
        """The plant's clock; where the thread ends on its own, it goes on by what it waits."""
        return self._virtual() + self._beyond_s

    def _made(self) -> paho.Client:
        client = super()._made()
        held = weakref.ref(client)  # a client that is dropped is gone at once, with its sockets

        def loop(timeout: float = 1.0) -> Any:
            if self._connected_s is None and timeout > 0.0:
                self._wait(timeout)
            self._broker.pump(self._time())
            here = held()
            assert here is not None
            code = paho.Client.loop(here, 0.0)
            self._broker.pump(self._time())
            return code

        client.loop = loop  # type: ignore[method-assign]
        client._create_socket_connection = self._dial  # type: ignore[method-assign]
        return client

    def _dial(self) -> Any:
        if self._broker.mood == "unreachable":
            self._wait(CONNECT_S)
            raise TimeoutError("timed out")
        return self._broker.dial()

    def _loop(self, timeout_s: float) -> None:
        if self._stop.is_set():
            self._wait(timeout_s)
        super()._loop(0.0)

    def _wait(self, seconds: float) -> None:
        if self._stop.is_set():
            self._beyond_s += seconds
        else:
            self._hand_over(seconds, self._stop)

    def kill(self) -> None:
        """As every publisher; the machine closes its sockets."""
        super().kill()
        client, self._client = self._client, None
        if client is not None:
            broker._drop(client)
        if self._waker is not None:
            self._waker.close()

    def queue(self) -> int:
        """What is held in memory for the broker, in items; the library's own queues among them."""
        held = len(self._in_flight) + len(self._acked)
        client = self._client
        return held if client is None else held + len(client._out_messages) + len(client._out_packet)


class SteppedPhone(Killable, Target):
    """The phone's publisher. `storm.told` gets what its service took; `down` and `hanging` are the service's moods."""

    begin = True

    def __init__(self, settings: Settings, storm: Any) -> None:
        super().__init__(settings, "played://phone", send=self._take, wall=storm.wall, clock=storm.clock, zone=ZONE)
        self.storm = storm
        self._items: Sequence[NotificationItem] = ()

    def _notify(self, items: Sequence[NotificationItem], status: UnitStatus | None, now: float | None) -> None:
        self._items = items
        try:
            super()._notify(items, status, now)
        finally:
            self._items = ()

    def _take(self, message: PhoneMessage) -> None:
        service = self.storm.service_of_phones
        if service.hanging:
            self._sending = True
            try:
                self._hand_over(SEND_S, self._stop)
            finally:
                self._sending = False
            raise NotifyError("played", f"no answer within {SEND_S:g} s", "a service that answers")
        if service.down:
            raise NotifyError("played", "down", "up")
        self.storm.take_message(message, [(item.kind, item.episode.id) for item in self._items])

    def settled(self) -> bool:
        """Nothing is due that has not been told."""
        status, now = self._status, self.storm.wall()
        return not self._plan.due(() if status is None else status.episodes, now, paused=_in_service(status, now))

    def believed(self) -> list[str]:
        """The episodes that the plan takes the phone to have been told of."""
        return [name for name, told in self._plan.memory.notified.items() if not told.silent]

    def queue(self) -> int:
        """Alarms that the plan holds."""
        return len(self._plan.memory.notified)


class PhoneService:
    """The moods of a phone's service; they outlive the program."""

    down = hanging = False


def closed(*publishers: InStep) -> None:
    """Let go of publishers of which some may have failed."""
    for publisher in publishers:
        with suppress(Exception):
            publisher.close()
