"""The state machine of one cooling cycle.

Theory. A cycle begins with the call, goes on through closed contacts to running motors, and ends when the call has gone
and everything rests. After every change of what is believed, the machine is fed the standing facts as *signals*, in the
order of the chain: the call, the contacts, the motors. Each signal moves the state by one row of TRANSITIONS; because
the signals are levels and not edges, the state after the feed depends on the facts alone, and a monitor that starts in
the middle of a run finds its place at once. What the state alone does not hold is whether the start was *seen*: that is
so only when the cycle began out of IDLE, under the monitor's eyes.

    UNKNOWN   no sense tells the cycle (start of the program, a gap, silent senses)
    IDLE      no call, nothing closed, nothing runs
    CALLED    a call, the contacts not (yet) closed
    CLOSED    contacts closed under a call, nothing runs (yet)
    RUNNING   contacts closed under a call, a motor runs
    OVERRUN   no call, yet the contacts are closed or a motor runs: an instant at each stop, a fault if it stays

How long a state may last is not written here: delays are the findings' (monitor/core/findings.py, monitor/limits.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum
from math import inf
from operator import attrgetter

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.records import (
    Cycle,
    CycleState,
    Scan,
    StartTransient,
)


class Signal(StrEnum):
    """The facts as levels. LOST: neither call nor contacts nor motors are known."""

    CALL = "call"
    NO_CALL = "no-call"
    CLOSED = "closed"
    OPEN = "open"
    RUN = "run"
    REST = "rest"
    LOST = "lost"


_S = CycleState
TRANSITIONS: dict[CycleState, dict[Signal, CycleState]] = {
    _S.UNKNOWN: {
        Signal.CALL: _S.CALLED,
        Signal.NO_CALL: _S.IDLE,
        Signal.CLOSED: _S.CLOSED,
        Signal.OPEN: _S.UNKNOWN,
        Signal.RUN: _S.RUNNING,
        Signal.REST: _S.UNKNOWN,
        Signal.LOST: _S.UNKNOWN,
    },
    _S.IDLE: {
        Signal.CALL: _S.CALLED,
        Signal.NO_CALL: _S.IDLE,
        Signal.CLOSED: _S.OVERRUN,
        Signal.OPEN: _S.IDLE,
        Signal.RUN: _S.OVERRUN,
        Signal.REST: _S.IDLE,
        Signal.LOST: _S.UNKNOWN,
    },
    _S.CALLED: {
        Signal.CALL: _S.CALLED,
        Signal.NO_CALL: _S.IDLE,
        Signal.CLOSED: _S.CLOSED,
        Signal.OPEN: _S.CALLED,
        Signal.RUN: _S.RUNNING,
        Signal.REST: _S.CALLED,
        Signal.LOST: _S.UNKNOWN,
    },
    _S.CLOSED: {
        Signal.CALL: _S.CALLED,
        Signal.NO_CALL: _S.IDLE,
        Signal.CLOSED: _S.CLOSED,
        Signal.OPEN: _S.CALLED,
        Signal.RUN: _S.RUNNING,
        Signal.REST: _S.CLOSED,
        Signal.LOST: _S.UNKNOWN,
    },
    _S.RUNNING: {
        Signal.CALL: _S.CALLED,
        Signal.NO_CALL: _S.IDLE,
        Signal.CLOSED: _S.CLOSED,
        Signal.OPEN: _S.CALLED,
        Signal.RUN: _S.RUNNING,
        Signal.REST: _S.CALLED,
        Signal.LOST: _S.UNKNOWN,
    },
    _S.OVERRUN: {
        Signal.CALL: _S.CALLED,
        Signal.NO_CALL: _S.IDLE,
        Signal.CLOSED: _S.OVERRUN,
        Signal.OPEN: _S.IDLE,
        Signal.RUN: _S.OVERRUN,
        Signal.REST: _S.OVERRUN,
        Signal.LOST: _S.UNKNOWN,
    },
}
ACTIVE = frozenset({_S.CALLED, _S.CLOSED, _S.RUNNING, _S.OVERRUN})


def signals(facts: Facts) -> list[Signal]:
    """The standing facts in the order of the chain. Where no sense tells the call, running motors stand for it."""
    call = facts.call
    if call is None:
        call = facts.contacts if facts.contacts is not None else facts.runs
    if call is None:
        return [Signal.LOST]
    fed = [Signal.CALL if call else Signal.NO_CALL]
    if facts.contacts is not None:
        fed.append(Signal.CLOSED if facts.contacts else Signal.OPEN)
    if facts.runs is not None and facts.contacts is not False:
        fed.append(Signal.RUN if facts.runs else Signal.REST)
    return fed


def step(state: CycleState, fed: Iterable[Signal]) -> CycleState:
    """The state after the signals."""
    for signal in fed:
        state = TRANSITIONS[state][signal]
    return state


class RunSums:
    """Sum, count and highest of a number over a run: its mean, and None where it was never read."""

    __slots__ = ("count", "highest", "total")

    def __init__(self) -> None:
        self.total, self.count = 0.0, 0
        self.highest: float | None = None

    def add(self, column: Sequence[float | None]) -> None:
        """Some scans' values, None where one had no reading."""
        values = [value for value in column if value is not None]
        if values:
            self.total = sum(values, self.total)
            self.count += len(values)
            highest = max(values)
            self.highest = highest if self.highest is None else max(self.highest, highest)

    def mean(self) -> float | None:
        return self.total / self.count if self.count else None


MEANS = ("compressor_a", "fan_a", "control_v", "coil_a", "outdoor_c")


class CycleWatch:
    """Follows the machine and makes the record of each finished cycle."""

    def __init__(self, numbers: Sequence[str] = MEANS) -> None:
        self._names = (*MEANS, *(name for name in numbers if name not in MEANS))
        self._get_means = attrgetter(*self._names)
        self.state = CycleState.UNKNOWN
        self.since_s = 0.0
        self._open = False
        self._begin(0.0, None, seen=False)

    def __repr__(self) -> str:
        return f"<CycleWatch {self.state} since {self.since_s:g} s>"

    def _begin(self, now_s: float, wall_s: float | None, *, seen: bool) -> None:
        self.started_s, self.started_wall_s, self.start_seen = now_s, wall_s, seen
        self.pull_in_s: float | None = None
        self.run_delay_s: float | None = None
        self.run_s = 0.0
        self._running_s: float | None = None
        # A compressor's sense that is silent or lies from a cycle's begin on leaves the word to the fan.
        self._metered = False
        self._closed: bool | None = None
        self._ran: bool | None = None
        self.closings = self.starts = 0
        self._means = {name: RunSums() for name in self._names}
        self._weighed: list[Scan] = []
        self.transient: StartTransient | None = None

    def update(self, facts: Facts, changed_s: float, wall_s: float | None) -> Cycle | None:
        """What is believed has changed at `changed_s`; the record of the cycle that ended by it, if one did."""
        was, self.state = self.state, step(self.state, signals(facts))
        if self.state is not was:
            self.since_s = changed_s
        if self.state in ACTIVE and not self._open:
            self._begin(changed_s, wall_s, seen=was is CycleState.IDLE)
            self._open = True
        if not self._open:
            return None
        self._count(facts, changed_s)
        if self.state in ACTIVE:
            return None
        self._open = False
        return self._record(changed_s)

    def _count(self, facts: Facts, at_s: float) -> None:
        # In a cycle whose start was not seen, a closing or a start counts only after its opposite was seen.
        if facts.contacts and (self._closed is False or (self._closed is None and self.start_seen)):
            self.closings += 1
            if self.start_seen and self.pull_in_s is None and facts.load is not None:
                self.pull_in_s = at_s - self.started_s
        if facts.contacts is not None:
            self._closed = facts.contacts
        # A compressor's sense that falls silent does not leave the word to the fan in the middle of a run.
        self._metered = self._metered or facts.compressor is not None
        running = facts.compressor if self._metered else facts.runs
        if running and self._running_s is None:
            self._start_run(at_s, seen=self.start_seen or self._ran is False)
        elif running is False and self._running_s is not None:
            self.run_s += at_s - self._running_s
            self._running_s = None
        if running is not None:
            self._ran = running

    def _start_run(self, at_s: float, *, seen: bool) -> None:
        self._running_s = at_s
        if seen:
            self.starts += 1
            if self.start_seen and self.run_delay_s is None:
                self.run_delay_s = at_s - self.started_s

    @property
    def running_since_s(self) -> float | None:
        """Since when the compressor has been running in this cycle; None while it does not."""
        return self._running_s if self._open else None

    def weigh(self, scan: Scan) -> None:
        """Count one scan into the means of the run."""
        # Put aside only: it is the one thing done for every scan of a run. Each minute asks for the means.
        # What is read between the end of a call and the moment that the stop is believed is no part of the run.
        if self._running_s is not None and self._open and (scan.call is not False or scan.load):
            self._weighed.append(scan)

    @property
    def means(self) -> dict[str, RunSums]:
        """Sums over the scans of the run so far."""
        if self._weighed:
            columns = zip(*map(self._get_means, self._weighed), strict=True)
            for sums, column in zip(self._means.values(), columns, strict=True):
                sums.add(column)
            self._weighed.clear()
        return self._means

    def _record(self, now_s: float) -> Cycle:
        if self._running_s is not None:
            self.run_s += now_s - self._running_s
            self._running_s = None
        sums = self.means
        means = {name: column.mean() for name, column in sums.items()}
        further = {name: round(mean, 3) for name in self._names[len(MEANS) :] if (mean := means.pop(name)) is not None}
        return Cycle(
            started_s=self.started_s,
            stopped_s=now_s,
            started_wall_s=self.started_wall_s,
            start_seen=self.start_seen,
            pull_in_s=self.pull_in_s,
            run_delay_s=self.run_delay_s,
            run_s=self.run_s,
            compressor_max_a=sums["compressor_a"].highest,
            closings=self.closings,
            compressor_starts=self.starts,
            transient=self.transient,
            means=further,
            **means,
        )


# ---------------------------------------------------------------- the current minute


class Minute:
    """The current minute: when it began and is due to end, and the sums of the cycle as they were at its begin."""

    def __init__(self) -> None:
        self.began_s = 0.0
        self.deadline_s = -inf
        self._was: dict[str, tuple[float, int]] = {}

    def open(self, now_s: float, cycle: CycleWatch) -> None:
        self.began_s, self.deadline_s = now_s, now_s + limits.MINUTE_S.value
        self._was = {name: (sums.total, sums.count) for name, sums in cycle.means.items()}

    def close(self, now_s: float, cycle: CycleWatch) -> dict[str, float | None]:
        """The means of the minute; None where nothing was read, or where another cycle has begun since."""
        means: dict[str, float | None] = {}
        for name, sums in cycle.means.items():
            total, count = self._was.get(name, (0.0, 0))
            fresh = sums.count - count
            means[name] = (sums.total - total) / fresh if fresh > 0 and count <= sums.count else None
        return means
