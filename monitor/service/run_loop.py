"""(edge) The one loop: boards -> engine -> history -> publishers, with requests coming in and the watchdog kept fed.

Only this loop touches the engine. It scans at a steady pace by a monotonic clock, skips what it is too late for, and
never waits for anybody: publishers have threads of their own, and a failing disk is the history's business. A wall
clock that steps moves nothing here.
"""

from __future__ import annotations

import logging
import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from types import FrameType
from typing import Protocol

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.clock import wall_clock
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import shown
from condenser_monitor.monitor.core.readings import NUMBERS
from condenser_monitor.monitor.core.records import (
    OWN_FAULT,
    Answer,
    Cycle,
    Event,
    Request,
    RequestKind,
    Scan,
    StartTransient,
)
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.publishers.base import Publisher
from condenser_monitor.monitor.storage.history import History

_log = logging.getLogger(__name__)


class BoardReader(Protocol):
    """Where scans come from: hardware.boards.Boards, or a simulated one."""

    def scan(self) -> Scan:
        """One set of readings; the service dates one that is not."""

    def changes(self) -> list[Scan]:
        """Scans of the presence channels alone, one for each change since last asked."""

    def idle(self, seconds: float, stop: Callable[[], bool] = ...) -> None:
        """Wait, with an eye on the contacts; sooner when `stop` says so."""

    def starts(self) -> list[StartTransient]:
        """Captures of starts finished since last asked."""

    def faults(self) -> dict[str, str]:
        """Why a reading is missing."""

    def close(self) -> None:
        """Let go of pins and buses."""


class ServiceWatchdog:
    """Tells the system's service manager how the service does, by its datagram protocol (sd_notify(3)).

    Without NOTIFY_SOCKET in the environment nothing is sent.
    """

    def __init__(self, address: str | None = None) -> None:
        address = os.environ.get("NOTIFY_SOCKET", "") if address is None else address
        self._address = "\0" + address[1:] if address.startswith("@") else address

    def notify(self, *lines: str) -> None:
        """Send assignments such as `READY=1`. A manager that does not listen is no error of ours."""
        if not self._address:
            return
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
            sock.setblocking(False)
            sock.sendto("\n".join(lines).encode(), self._address)


class Service:
    """One site's monitor. `clock` is monotonic s; `sleep` waits that many s (by default the boards do, with an eye on
    the contacts); `wall` gives seconds since 1970 or None. Publishers are started here and closed by `close`.
    `outdated` is asked after each step whether the settings have changed; the loop then ends, `renewed`.
    """

    def __init__(
        self,
        settings: Settings,
        boards: BoardReader,
        history: History,
        publishers: Sequence[Publisher] = (),
        *,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], object] | None = None,
        wall: Callable[[], float | None] = wall_clock,
        watchdog: ServiceWatchdog | None = None,
        uncertainty: Callable[[str, float], float] | None = None,
        outdated: Callable[[], bool] = lambda: False,
    ) -> None:
        self.settings, self.boards, self.history, self.publishers = settings, boards, history, tuple(publishers)
        self._stop = threading.Event()
        self._clock, self._wall = clock, wall
        self._sleep = sleep or (lambda seconds: boards.idle(seconds, self._stop.is_set))
        self._watchdog = watchdog or ServiceWatchdog()
        self._uncertainty = uncertainty
        self._outdated, self.renewed = outdated, False
        self._now_s = 0.0
        self._boards_error = ""
        self.engine = self._engine()
        for publisher in self.publishers:
            publisher.start(history)

    def _engine(self) -> Engine:
        """Return an engine that goes on from the memory of an earlier one; afresh where it cannot."""
        memory, good = self.history.memory(), self.history.last_good_memory()
        try:
            engine = Engine(self.settings, memory=memory, last_good=good)
        except Exception as error:  # a memory no engine can read must not keep the monitor from watching
            self.history.fault("memory", error)
            self.history.note("memory", f"the memory of an earlier run cannot be used ({error}); begun afresh")
            self.history.memory_read(whole=False)
            return Engine(self.settings)
        self.history.note("memory", engine.memory_refused)
        self.history.memory_read(whole=not engine.memory_refused)
        return engine

    # ------------------------------------------------------------ one step

    def step(self) -> bool:
        """Scan, evaluate, store, publish. Whether a scan was taken and judged."""
        scan, quick, starts = self._read_boards()
        wall_s = self._wall() if scan is None or scan.wall_s is None else scan.wall_s
        try:
            events = self._evaluate(scan, quick, starts, wall_s)
            answers: list[Answer] = []
            for request in self.history.requests():
                answer, brought = self._request(request, wall_s)
                answers.append(answer)
                events += brought
            self._keep(scan, events, answers, starts, wall_s)
        except Exception as error:  # ours: counted until somebody has seen it; as after a restart the engine goes on
            self.history.fault("engine", error)
            self.engine = self._engine()
            return False
        return scan is not None

    def _read_boards(self) -> tuple[Scan | None, list[Scan], list[StartTransient]]:
        """A scan, the changes of contacts before it, and the starts captured. Boards promise not to raise; what raises
        all the same must not end the watch, nor keep the rest from being asked for."""
        scan: Scan | None = None
        quick: list[Scan] = []
        starts: list[StartTransient] = []
        try:
            scan = self.boards.scan()
        except Exception as error:
            self._boards_failed(error)
        else:
            self._boards_error = ""
            self.history.note("boards", "")
            self._now_s = scan.t_s
            if scan.wall_s is None:
                scan = msgspec.structs.replace(scan, wall_s=self._wall())
        try:
            quick = self.boards.changes()
        except Exception as error:
            self._boards_failed(error)
        try:
            starts, faults = self.boards.starts(), self.boards.faults()
            self.history.note("faults", msgspec.json.encode(faults, order="sorted").decode())
        except Exception as error:
            self._boards_failed(error)
        return scan, quick, starts

    def _boards_failed(self, error: Exception) -> None:
        """A bus or a pin that the system refuses is shown while it lasts; anything else is a fault of the program."""
        words = f"{type(error).__name__}: {error}"
        if not isinstance(error, OSError):
            self.history.fault("boards", error)
        elif words != self._boards_error:
            _log.warning("boards: %s", error, exc_info=error)
        self._boards_error = words
        self.history.note("boards", words)

    def _evaluate(
        self, scan: Scan | None, quick: Sequence[Scan], starts: Sequence[StartTransient], wall_s: float | None
    ) -> list[Event]:
        events: list[Event] = []
        for item in sorted((*quick, *([] if scan is None else [scan])), key=lambda one: one.t_s):
            timed = item
            if item.wall_s is None or item.t_s < self.engine.now_s:
                # A change that had to stand before it counted may be told after a later scan: it counts from that one.
                at_s = max(item.t_s, self.engine.now_s)
                timed = msgspec.structs.replace(item, t_s=at_s, wall_s=wall_s if item.wall_s is None else item.wall_s)
            events += self.engine.feed(timed)
        # A capture ends after the contacts have closed: the engine must have seen the scan of it first.
        for start in starts:
            events += self.engine.feed_start(start)
        # All but the cycles of a call that flickers: the engine counts them, as rows they would bury the rest.
        least_s = limits.PUBLISHERS.cycle_least_s.value
        worth_keeping = [
            event
            for event in events
            if not isinstance(event, Cycle)
            or event.compressor_starts > 0
            or event.stopped_s - event.started_s >= least_s
        ]
        return [*worth_keeping, *self.engine.tick(self._now_s, wall_s)]

    def _request(self, request: Request, wall_s: float | None) -> tuple[Answer, Sequence[Event]]:
        try:
            if request.request is RequestKind.ACKNOWLEDGE and request.finding == OWN_FAULT:
                return self._acknowledge_faults(request), ()
            return self.engine.request(request, self._now_s, wall_s)
        except Exception as error:  # one request that cannot be taken must not be tried for ever
            self.history.fault("requests", error)
            return Answer(id=request.id, done=False, why=f"{type(error).__name__}: {error}"[:500]), ()

    def _acknowledge_faults(self, request: Request) -> Answer:
        seen = self.history.acknowledge_faults()
        _log.info("faults of the program in %d parts acknowledged by %s", seen, shown(request.by))
        return Answer(id=request.id, done=seen > 0, why="" if seen else "the monitor has no fault of its own")

    def _keep(
        self,
        scan: Scan | None,
        events: Sequence[Event],
        answers: Sequence[Answer],
        starts: Sequence[StartTransient],
        wall_s: float | None,
    ) -> None:
        status = self.engine.status()
        if self._uncertainty is not None:
            known = {name: value for name, value in status.readings.items() if name in NUMBERS and value is not None}
            found = {name: round(self._uncertainty(name, value), 4) for name, value in known.items()}
            status = msgspec.structs.replace(status, uncertainty=found)
        self.history.note("clock", "the time of day is not known yet" if wall_s is None else "")
        memory_came_late = self.history.step(
            now_s=self._now_s,
            wall_s=wall_s,
            status=status,
            memory=self.engine.memory,
            scan=scan,
            events=events,
            answers=answers,
            starts=starts,
            last=self._stop.is_set(),
        )
        for name, error in self.engine.counter_faults:
            self.history.fault(f"finding {name}", error)
        self.engine.counter_faults.clear()
        if memory_came_late:
            self.engine = self._engine()
        faults = "; ".join(f"{name}: {why}" for name, why in sorted(self.engine.memory_faults.items()))
        self.history.note("memory-kept", faults and f"parts of the memory cannot be kept: {faults}")
        if scan is not None:
            for publisher in self.publishers:
                publisher.offer(events, status)

    # ------------------------------------------------------------ the loop

    def run(self, steps: int | None = None) -> None:
        """Step at the pace of the site file until stopped (or for a number of steps). A step that comes too late is
        left out, so that a delay is never followed by a burst."""
        scan_s = self.settings.boards.scan_s
        due_s = self._clock()
        self._watchdog.notify("READY=1", "STATUS=watching")
        while not self._stop.is_set() and steps != 0:
            if self.step():
                self._watchdog.notify("WATCHDOG=1")
            steps = None if steps is None else steps - 1
            due_s += scan_s
            self.renewed = not self._stop.is_set() and self._outdated()
            if self.renewed:
                return
            late_s = self._clock() - due_s
            if late_s > 0:
                due_s += late_s // scan_s * scan_s
            self._sleep(max(0.0, due_s - self._clock()))

    def stop(self, *_: object) -> None:
        """End the loop after the step under way."""
        self._stop.set()

    def close(self) -> None:
        """Keep everything pending; close publishers, history and boards, whatever fails on the way."""
        if not self.renewed:  # else the same process goes on
            self._watchdog.notify("STOPPING=1")
        self._stop.set()
        for close in (self._last_step, *(publisher.close for publisher in self.publishers), self.history.close):
            try:
                close()
            except Exception as error:
                _log.error("at the end", exc_info=error)
        self.boards.close()

    def _last_step(self) -> None:
        self._keep(None, (), (), (), self._wall())


def run_until_signal(service: Service) -> bool:
    """Run a service until SIGTERM or SIGINT, and close it. A second signal ends the program at once.

    Return whether it ended because its settings are outdated, and another one is to go on."""
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}

    def stop(number: int, _frame: FrameType | None) -> None:
        signal.signal(number, signal.SIG_DFL)
        service.stop()

    for number in before:
        signal.signal(number, stop)
    try:
        service.run()
    except Exception as error:
        service.history.fault("service", error)
        raise
    finally:
        service.close()
        for number, handler in before.items():
            signal.signal(number, handler)
    return service.renewed
