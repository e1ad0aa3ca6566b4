"""What every picture over time has in common: how long a lane was on, its words, and the step between points. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import inf
from operator import sub
from typing import Protocol

from condenser_monitor.monitor.core.records import LinkState
from condenser_monitor.monitor.storage.models import LANES, Lane, StoredPoint
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.strings.lookup import plain


class Stretch(Protocol):
    """A stretch of wall time, s since 1970."""

    @property
    def from_s(self) -> float: ...

    @property
    def to_s(self) -> float: ...


def lane_title(lane: str) -> str:
    """Return the words over a lane."""
    return plain(f"lane-{lane}")


def held(lane: Lane, span: Stretch) -> float:
    """Return how much of a lane's stretch lies in the span, s."""
    end_s = span.to_s if lane.to_wall_s is None else min(lane.to_wall_s, span.to_s)
    return max(0.0, end_s - max(lane.from_wall_s, span.from_s))


def summary(lanes: Sequence[Lane], span: Stretch) -> str:
    """Return the lanes in words: how long and how often each was on."""
    parts = []
    for name in LANES:
        on = [held(row, span) for row in lanes if row.name == name and row.state is LinkState.LIVE]
        unknown = sum(held(row, span) for row in lanes if row.name == name and row.state is LinkState.UNKNOWN)
        words = plain("lane-on" if on else "lane-never", lane=lane_title(name), span=texts.span(sum(on)), count=len(on))
        parts.append(words + (", " + plain("lane-unknown", span=texts.span(unknown)) if unknown else ""))
    return ". ".join(parts) + "."


def at_edges(points: Sequence[StoredPoint], lanes: Iterable[Lane], step: float) -> list[StoredPoint]:
    """Return points of `step` s whose means are divided where their lane went on or off, so that a run draws its own
    edges: on, what the mean over the time on comes to; off, the lowest. A stretch that is not known, and one that no
    other follows, stays as it is."""
    rows = sorted(lanes, key=lambda row: row.from_wall_s)
    ends = [inf if row.to_wall_s is None else row.to_wall_s for row in rows]
    made: list[StoredPoint] = []
    first = 0
    nexts = [*(point.wall_s for point in points[1:]), inf]
    for point, next_s in zip(points, nexts, strict=False):
        begin_s, end_s = point.wall_s, point.wall_s + step
        while first < len(rows) and ends[first] <= begin_s:
            first += 1
        parts: list[tuple[float, float, LinkState]] = []
        place = first
        while place < len(rows) and rows[place].from_wall_s < end_s:
            parts.append((max(begin_s, rows[place].from_wall_s), min(end_s, ends[place]), rows[place].state))
            place += 1
        on_s = sum(to_s - from_s for from_s, to_s, state in parts if state is LinkState.LIVE)
        known_s = sum(to_s - from_s for from_s, to_s, state in parts if state is not LinkState.UNKNOWN)
        if len(parts) < 2 or known_s < step - 1e-6 or not 0.0 < on_s < step or next_s > end_s + 0.01 * step:
            made.append(point)
            continue
        on = min(point.high, (point.mean - point.low * (1.0 - on_s / step)) * step / on_s)
        for from_s, _, state in parts:
            made.append(point._replace(wall_s=from_s, mean=on if state is LinkState.LIVE else point.low))
    return made


def step_s(points: Sequence[StoredPoint]) -> float:
    """Return the usual distance between points, s; a longer one is a gap."""
    begun = [point.wall_s for point in points]
    gaps = sorted(map(sub, begun[1:], begun))
    return gaps[len(gaps) // 2] if gaps else 0.0
