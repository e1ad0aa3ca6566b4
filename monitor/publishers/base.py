"""(edge) What the service tells others through: the broker, the phone, and whatever comes later.

A publisher runs in a thread of its own and may hang or fail without the monitor noticing more than an error to show.
What must not be lost it reads from the history's outbox, beyond a cursor that the history keeps for it on disk: the
cursor moves when a row has been delivered, so that a row is delivered again after a failure or a kill, never passed
over. What is only of the moment (the status) is offered, and the newest replaces the one before.
"""

from __future__ import annotations

import logging
import select
import socket
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, Protocol

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.records import Event, UnitStatus
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.models import StoredEvent

_log = logging.getLogger(__name__)
_ROWS = 100  # taken from the outbox at a time
STUCK = "has not come back for a minute"


class Publisher(Protocol):
    """What the service asks of a publisher. `name` is also its cursor's in the history: never used for another one."""

    name: str

    def start(self, history: History) -> None:
        """Begin; called once, before anything is offered."""

    def offer(self, events: Sequence[Event], status: UnitStatus) -> None:
        """News of one step, already in the history. Must come back at once and never raise."""

    def close(self) -> None:
        """End; must come back within a few seconds whatever hangs."""


class Backoff:
    """Pauses after failures: doubled each time up to a bound; begun again after a success."""

    def __init__(self) -> None:
        self._next_s = limits.PUBLISHERS.backoff_first_s.value

    def failed(self) -> float:
        """The pause after one more failure, s."""
        pause_s, self._next_s = self._next_s, min(2 * self._next_s, limits.PUBLISHERS.backoff_most_s.value)
        return pause_s

    def went_well(self) -> None:
        """The next failure is a first one again."""
        self._next_s = limits.PUBLISHERS.backoff_first_s.value


class ThreadedPublisher(ABC):
    """A publisher with its thread: `poll` is called over and over, what it raises is noted and tried again later."""

    name: str
    begin = False  # a new publisher starts with what comes next, not with what has long been known

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._stop, self._news = threading.Event(), threading.Event()
        self._status: UnitStatus | None = None
        self._offered_s = clock()
        self._poll_began_s = clock()
        self._backoff = Backoff()
        self._error: str | None = None  # as it is shown; None: nothing has been said in this life
        self._waker: Waker | None = None  # of one that waits for the network
        self._thread: threading.Thread | None = None
        self.history: History

    def start(self, history: History) -> None:
        """Begin the thread."""
        self.history = history
        history.register(self.name, begin=self.begin)
        self._thread = threading.Thread(target=self._run, name=f"publisher {self.name}", daemon=True)
        self._thread.start()

    def offer(self, events: Sequence[Event], status: UnitStatus) -> None:
        """Take the newest status and wake the thread when there is something new to deliver."""
        self._status, self._offered_s = status, self._clock()
        if events:
            self._news.set()
            if self._waker is not None:  # an alert waits for nothing
                self._waker.wake()
        if self._clock() - self._poll_began_s > limits.GAP_MIN_S.value and not self._stop.is_set():
            self.history.note_error(self.name, STUCK)
            self._error = STUCK  # after it is shown: the other thread takes back what stands here

    def close(self) -> None:
        """End the thread; one that hangs is left behind and dies with the program."""
        self._stop.set()
        self._news.set()
        if self._thread is not None:
            self._thread.join(limits.PUBLISHERS.close_s.value)

    def _run(self) -> None:
        while not self._stop.is_set():
            self._poll_began_s = self._clock()
            try:
                wait_s = self.poll()
                if self._error != "":
                    self._error = ""
                    self.history.note_error(self.name, "")
            except Exception as error:  # a publisher's failure, whatever it is, must not end its thread
                self._failed(error)
                wait_s = self._backoff.failed()
                self._pause(wait_s, self._stop)
                continue
            self._pause(wait_s, self._news)
        try:
            self.finish()
        except Exception as error:
            self._failed(error)

    def _failed(self, error: Exception) -> None:
        """Log and show a failure. What nobody foresaw is a fault of the program and is counted; a network or a service
        that fails is logged once for each thing it says."""
        words = f"{type(error).__name__}: {error}"[:500]
        if not isinstance(error, OSError):  # so are the errors of ours that a broker or a phone service brings about
            self.history.fault(self.name, error)
        elif words != self._error:
            _log.warning("%s: %s", self.name, error, exc_info=error)
        self._error = words
        self.history.note_error(self.name, words)

    def _pause(self, wait_s: float, until: threading.Event) -> None:
        while wait_s > 0 and not until.is_set():
            self._poll_began_s = self._clock()
            until.wait(min(wait_s, 10.0))
            wait_s -= 10.0

    @abstractmethod
    def poll(self) -> float:
        """Do a little; the time to the next poll, s (cut short by news). Raises to be called again after a pause.

        Clears `_news` before it looks for rows."""

    def finish(self) -> None:  # noqa: B027 - most have nothing to say
        """Say good-bye, before the thread ends."""


class EventPublisher(ThreadedPublisher):
    """A publisher that delivers each row of the outbox in order; one that fails is tried again, none is passed over."""

    def poll(self) -> float:
        """Deliver what is waiting; raises what `deliver` raises."""
        self._news.clear()
        full = True
        while full:  # there may be more
            self._poll_began_s = self._clock()
            rows = self.history.outbox(self.name, begin=self.begin, limit=_ROWS)
            for row in rows:
                if self._stop.is_set():
                    return 0.0
                self.deliver(row, self._status)
                self.history.delivered(self.name, row.offset)
                self._backoff.went_well()
            full = len(rows) == _ROWS
        self.idle(self._status)  # in the same poll: rows taken in do not say that what was failing has ended
        return limits.PUBLISHERS.poll_s.value * 5

    @abstractmethod
    def deliver(self, row: StoredEvent, status: UnitStatus | None) -> None:
        """Deliver one row; what it raises is shown, and the row is tried again after a pause."""

    def idle(self, status: UnitStatus | None) -> None:
        """Called when nothing is waiting, about once a second: repeats, quiet hours, a daily word. Raises as `deliver`
        does."""


# ---------------------------------------------------------------- a thread that waits for the network is woken


class Connected(Protocol):
    """What a broker's client tells of its connection."""

    def socket(self) -> Any:
        """The connection; None while there is none."""

    def want_write(self) -> bool:
        """Something waits to be sent."""


class Waker:
    """A pair of sockets: who waits for the network waits for its end too."""

    def __init__(self) -> None:
        self._receiver, self._sender = socket.socketpair()
        self._receiver.setblocking(False)
        self._sender.setblocking(False)

    def wake(self) -> None:
        """Wake who waits, now or at the next wait. Never blocks; one that is awake stays so."""
        with suppress(OSError):
            self._sender.send(b"!")

    def wait(self, client: Connected, timeout_s: float) -> None:
        """Wait until the client's connection has something to read (or can be written, where that is wanted), until
        somebody calls `wake`, or until the time is over."""
        connection = client.socket()
        if connection is None:
            return
        pending = getattr(connection, "pending", None)
        if pending is not None and pending() > 0:
            return  # TLS has bytes that it has decrypted already: the socket itself may stay silent
        writing = [connection] if client.want_write() else []
        with suppress(OSError, ValueError):  # a connection that has just gone is for the client to find out
            select.select([connection, self._receiver], writing, [], timeout_s)
        with suppress(OSError):
            self._receiver.recv(4096)

    def close(self) -> None:
        """Let go of both ends."""
        self._receiver.close()
        self._sender.close()
