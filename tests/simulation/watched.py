"""What a soak watches, hour by hour, and the verdict over it, computed from the figures alone.

A figure that only goes up is a leak, whatever its size: after the warm-up each figure's straight line by least squares
over all hours must rise by no more than is allowed for its noise and for each day. What is a queue has a highest value
besides. Bounds are ours, from runs without a leak: several times what such a run shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from statistics import linear_regression, median
from typing import NamedTuple


class Hour(NamedTuple):
    """The state at the end of a simulated hour. Sizes in bytes; `cpu_s` processor time of the process so far.

    objects: Python's objects that the collector knows. blocks: all blocks of Python's own allocator, strings and
    numbers too. history, wal, live: the files of the history; backups: its two daily ones; redo: its two redo logs;
    files: all others that are kept, together. rows: of the outbox; waiting: of those not yet delivered by the slowest
    publisher. memory: the engine's, with that of the desk of alerts; alerts: the desk's alone. queue: everything that
    waits in the process's memory, in items. told: messages that the phone took so far.
    """

    hour: int
    cpu_s: float
    scans: int
    rss: int
    objects: int
    blocks: int
    threads: int
    descriptors: int
    history: int
    wal: int
    live: int
    backups: int
    redo: int
    files: int
    rows: int
    waiting: int
    memory: int
    alerts: int
    queue: int
    told: int


class Bound(NamedTuple):
    """What a figure may rise after the warm-up: `noise`, and `per_day` for each day; and its `most` at any hour."""

    noise: float
    per_day: float
    most: float | None = None


# The engine keeps sums of the last days (thirty of alarms, sixty of wear) and the times of 256 alarms: its memory grows
# by those until it has them all, and no longer (a test of the soak's goes on to the 75th day). A broker that is away
# leaves four descriptors fewer and rows that wait.
# The two redo logs hold what came since the backup before last, with the engine's memory in each entry: some megabytes.
# SQLite's log grows to 1000 pages of 4096 bytes, and stays that long until the program ends.
BOUNDS: dict[str, Bound] = {
    "rss": Bound(1e6, 30e3),
    "objects": Bound(200, 5),
    "blocks": Bound(500, 20),
    "threads": Bound(0.5, 0),
    "descriptors": Bound(6, 0),
    "history": Bound(500e3, 10e3),
    "wal": Bound(2e6, 10e3, 8e6),
    "live": Bound(500e3, 10e3, 8e6),
    "backups": Bound(2e6, 20e3),
    "redo": Bound(6e6, 50e3, 32e6),
    "files": Bound(4e3, 100, 64e3),
    "rows": Bound(100, 5),
    "waiting": Bound(60, 0.5, 1000),
    "memory": Bound(4e3, 1000, 64e3),
    "alerts": Bound(4e3, 1000, 48e3),
    "queue": Bound(10, 0.2, 500),
}


class Judged(NamedTuple):
    """The verdict on one figure: how much it rose from the warm-up to the end, by its line, and what was allowed."""

    name: str
    first: float
    last: float
    highest: float
    rose: float
    allowed: float
    most: float | None

    @property
    def broken(self) -> bool:
        """A bound is."""
        return self.rose > self.allowed or (self.most is not None and self.highest > self.most)

    def line(self) -> str:
        """One row of the verdict."""
        most = "" if self.most is None else f" of {self.most:,.0f}"
        return (
            f"{self.name:12} {self.first:12,.0f} -> {self.last:12,.0f}  rose {self.rose:+12,.1f} "
            f"of {self.allowed:10,.1f} allowed; highest {self.highest:,.0f}{most}{'   BROKEN' if self.broken else ''}"
        )


HEAD = ",".join(Hour._fields) + "\n"


def written(hour: Hour) -> str:
    """A row of a file of figures (CSV)."""
    return ",".join(f"{value:.10g}" for value in hour) + "\n"


def read(path: Path) -> list[Hour]:
    """The figures of a file, also of a soak that is under way or was broken off. Raises ValueError for other files."""
    head, *rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
    if head != HEAD:
        raise ValueError(f"{path}: got the columns {head.strip()}; allowed: {HEAD.strip()}")
    return [Hour(*map(float, row.split(","))) for row in rows if row.endswith("\n")]  # type: ignore[arg-type]


def verdict(hours: Sequence[Hour], warm_hours: int) -> list[Judged]:
    """Each figure against its bound, over the hours after the warm-up. Raises ValueError for fewer than three."""
    seen = [hour for hour in hours if hour.hour >= warm_hours]
    if len(seen) < 3:
        raise ValueError(f"{len(seen)} hours after the warm-up: at least 3 are needed")
    return [_judged(name, bound, seen, hours) for name, bound in BOUNDS.items()]


def _judged(name: str, bound: Bound, seen: Sequence[Hour], hours: Sequence[Hour]) -> Judged:
    values = [float(getattr(hour, name)) for hour in seen]
    days = [hour.hour / 24 for hour in seen]
    span = days[-1] - days[0]
    part = max(1, len(values) // 8)
    return Judged(
        name=name,
        first=median(values[:part]),
        last=median(values[-part:]),
        highest=max(float(getattr(hour, name)) for hour in hours),
        rose=linear_regression(days, values).slope * span,
        allowed=bound.noise + bound.per_day * span,
        most=bound.most,
    )


def day_line(hours: Sequence[Hour]) -> str:
    """One day: the middle of memory and objects, the highest of the rest."""

    def middle(name: str) -> float:
        return float(median(getattr(hour, name) for hour in hours))

    def most(name: str) -> int:
        return int(max(getattr(hour, name) for hour in hours))

    return (
        f"day {hours[-1].hour // 24 + 1:3}: {hours[-1].scans:7} scans, RSS {middle('rss') / 1e6:5.1f} MB, "
        f"{middle('objects'):6.0f} objects, {middle('blocks'):7.0f} blocks, {most('threads')} threads, "
        f"{most('descriptors')} descriptors, history {most('history') / 1e6:5.2f} MB, wal {most('wal') / 1e6:4.2f}, "
        f"live {most('live') / 1e6:4.2f}, backups {most('backups') / 1e6:.2f}, redo {most('redo') / 1e6:.2f}, "
        f"others {most('files') / 1e3:.1f} kB, {most('rows')} rows, "
        f"{most('waiting')} waiting, memory {most('memory') / 1e3:.1f} kB, alerts {most('alerts') / 1e3:.1f} kB, "
        f"queue {most('queue')}, {hours[-1].cpu_s:.0f} s of processor"
    )
