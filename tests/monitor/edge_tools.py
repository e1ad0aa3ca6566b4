"""Parts for the tests of the edges: statuses and events of a plain unit, boards that replay scans, clocks one turns by
hand, and a waiter that gives up."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import (
    AlertChange,
    AlertState,
    Change,
    ChangeKind,
    Cycle,
    CycleState,
    LinkState,
    LinkView,
    Scan,
    Severity,
    StartTransient,
    UnitStatus,
)

WALL_S = 1_780_000_020.0  # 2026-05-28T20:27:00Z
MEMORY = b'{"version": 1}'


def status(t_s: float = 0.0, wall_s: float | None = WALL_S, *, live: Sequence[str] = (), **more: Any) -> UnitStatus:
    """A unit at rest but for the links that are live."""
    links = tuple(
        LinkView(name=name, state=LinkState.LIVE if name in live else LinkState.DEAD, since_s=t_s, sense=name)
        for name in ("call", "contacts", "compressor", "fan")
    )
    given: dict[str, Any] = {
        "site": "site-1",
        "name": "Unit",
        "t_s": t_s,
        "wall_s": None if wall_s is None else wall_s + t_s,
        "cycle": CycleState.RUNNING if live else CycleState.IDLE,
        "cycle_since_s": t_s,
        "links": links,
        "readings": {"call": bool(live), "compressor_a": 9.5 if live else 0.0, "outdoor_c": 33.0},
        "findings": (),
        "alerts": (),
        "break_at": None,
    }
    return UnitStatus(**(given | more))


def change(t_s: float = 1.0, kind: str = "raised", finding: str = "call-without-pull-in") -> Change:
    """One change of a finding."""
    return Change(
        t_s=t_s,
        change=ChangeKind(kind),
        finding=finding,
        severity=Severity.URGENT,
        suspects=("coil-open", "loose-connection"),
        evidence={"control_v": 26.4, "coil_a": 0.0},
        summary="The call is there and the contacts stay open.",
    )


def alert(t_s: float = 1.0, finding: str = "call-without-pull-in") -> AlertChange:
    """The alert of that finding going up."""
    return AlertChange(
        t_s=t_s,
        wall_s=None,
        finding=finding,
        state_was=AlertState.NORMAL,
        state=AlertState.UNACKED,
        severity=Severity.URGENT,
        tell="alarm",
        summary="The call is there and the contacts stay open.",
        suspects=("coil-open",),
    )


def cycle(t_s: float = 900.0) -> Cycle:
    """A cycle that ended at `t_s`."""
    return Cycle(
        started_s=t_s - 600.0,
        stopped_s=t_s,
        started_wall_s=None,
        start_seen=True,
        pull_in_s=0.1,
        run_delay_s=0.2,
        run_s=600.0,
        compressor_a=9.5,
        compressor_max_a=41.0,
        fan_a=1.0,
        control_v=25.6,
        coil_a=0.25,
        outdoor_c=33.0,
        closings=1,
        compressor_starts=1,
    )


def forget_held(keep: config.HistorySettings) -> None:
    """Take away what a life left at its orderly end and a killed one does not: what it held in memory."""
    for path in Path(keep.live_dir).glob("*.held"):
        path.unlink()


class Hand:
    """A clock turned by hand: call it for the time; `sleep` turns it."""

    def __init__(self, now_s: float = 0.0) -> None:
        self.now_s = now_s

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


class ReplayBoards:
    """Boards that give scans one after the other, then the last one again with the clock's time."""

    def __init__(self, scans: Iterable[Scan], starts: Iterable[StartTransient] = ()) -> None:
        self._scans: Iterator[Scan] = iter(scans)
        self._starts = list(starts)
        self.trouble: dict[str, str] = {}
        self.closed = False

    def scan(self) -> Scan:
        return next(self._scans)

    def changes(self) -> list[Scan]:
        return []

    def idle(self, seconds: float, stop: Callable[[], bool] = lambda: False) -> None:
        until_s = time.monotonic() + seconds
        while not stop() and (left_s := until_s - time.monotonic()) > 0:
            time.sleep(min(left_s, 0.02))

    def starts(self) -> list[StartTransient]:
        found, self._starts = self._starts, []
        return found

    def faults(self) -> dict[str, str]:
        return self.trouble

    def close(self) -> None:
        self.closed = True


def until(true: Callable[[], object], within_s: float = 10.0) -> None:
    """Wait until something is true. Fails after a bounded time, so that no test hangs."""
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        if true():
            return
        time.sleep(0.01)
    raise AssertionError(f"not true within {within_s} s")
