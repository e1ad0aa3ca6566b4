"""What every picture over time has in common: how long a lane was on, its words, and the step between points. Pure."""

from __future__ import annotations

from collections.abc import Sequence
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


def step_s(points: Sequence[StoredPoint]) -> float:
    """Return the usual distance between points, s; a longer one is a gap."""
    begun = [point.wall_s for point in points]
    gaps = sorted(map(sub, begun[1:], begun))
    return gaps[len(gaps) // 2] if gaps else 0.0
