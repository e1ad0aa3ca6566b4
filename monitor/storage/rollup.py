"""Scans -> means, lows and highs of a few seconds; links -> stretches of one state. Pure: every input carries its time.

While the wall clock is not known, what was finished is held (bounded) and dated when the clock becomes known.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    LinkState,
    LinkView,
    Scan,
)
from condenser_monitor.monitor.storage.models import LANES, Lane

STEP_S = int(limits.HISTORY.fine_step_s.value)
SCALE = 1000  # readings are kept as whole thousandths of their unit
_HELD_MOST = 2160  # six hours of 10 s without a clock


class Bucket(NamedTuple):
    """One finished stretch of STEP_S from `wall_s`: for each reading mean, low, high in thousandths, or None thrice."""

    wall_s: int
    values: tuple[int | None, ...]


class Rollup:
    """Collects scans; `take` gives the stretches that are finished."""

    def __init__(self) -> None:
        self._began_s: float | None = None
        self._wall = False
        self._sums: list[list[float] | None] = [None] * len(READINGS)
        self._held: deque[tuple[float, tuple[int | None, ...]]] = deque(maxlen=_HELD_MOST)

    def add(self, scan: Scan) -> list[Bucket]:
        """Enter a scan; the stretches it finished, dated (none while the wall clock is not known)."""
        axis_s = scan.t_s if scan.wall_s is None else scan.wall_s
        began_s = axis_s // STEP_S * STEP_S
        done: list[Bucket] = []
        if self._began_s is not None and (began_s != self._began_s or self._wall != (scan.wall_s is not None)):
            done = self._close()
        self._began_s, self._wall = began_s, scan.wall_s is not None
        if scan.wall_s is not None and self._held:
            offset_s = scan.wall_s - scan.t_s
            done = [Bucket(int((t + offset_s) // STEP_S * STEP_S), values) for t, values in self._held] + done
            self._held.clear()
        self._add(scan)
        return done

    def flush(self) -> list[Bucket]:
        """End the stretch under way (at a stop of the program)."""
        return self._close() if self._began_s is not None else []

    def _add(self, scan: Scan) -> None:
        for index, name in enumerate(READINGS):
            value = getattr(scan, name)
            if value is None:
                continue
            sums = self._sums[index]
            if sums is None:
                self._sums[index] = [1, value, value, value]
            else:
                sums[0] += 1
                sums[1] += value
                sums[2] = min(sums[2], value)
                sums[3] = max(sums[3], value)

    def _close(self) -> list[Bucket]:
        values: list[int | None] = []
        for sums in self._sums:
            if sums is None:
                values += (None, None, None)
            else:
                values += (round(sums[1] / sums[0] * SCALE), round(sums[2] * SCALE), round(sums[3] * SCALE))
        began_s, self._began_s = self._began_s, None
        self._sums = [None] * len(READINGS)
        assert began_s is not None
        if not self._wall:
            self._held.append((began_s, tuple(values)))
            return []
        return [Bucket(int(began_s), tuple(values))]


class _Stretch:
    __slots__ = ("from_t_s", "from_wall_s", "state")

    def __init__(self, state: LinkState, from_t_s: float, from_wall_s: float | None) -> None:
        self.state, self.from_t_s, self.from_wall_s = state, from_t_s, from_wall_s


class LaneTrack:
    """Follows the links in LANES; `take` gives each stretch that began or ended, dated.

    A stretch that began before the clock was known is dated backwards once it is.
    """

    def __init__(self) -> None:
        self._open: dict[str, _Stretch] = {}
        self._held: deque[tuple[str, LinkState, float, float]] = deque(maxlen=_HELD_MOST)

    def add(self, links: Sequence[LinkView], t_s: float, wall_s: float | None) -> list[Lane]:
        """Enter the links as they stand."""
        changed: list[Lane] = []
        if wall_s is not None:
            changed += self._date(t_s, wall_s)
        for link in links:
            if link.name in LANES:
                changed += self._one(link, t_s, wall_s)
        return changed

    def _one(self, link: LinkView, t_s: float, wall_s: float | None) -> list[Lane]:
        now = self._open.get(link.name)
        if now is not None and now.state == link.state:
            return []
        changed = []
        if now is not None:
            if now.from_wall_s is not None:
                to_s = max(now.from_wall_s, now.from_wall_s + (t_s - now.from_t_s) if wall_s is None else wall_s)
                changed.append(Lane(name=link.name, state=now.state, from_wall_s=now.from_wall_s, to_wall_s=to_s))
            else:
                self._held.append((link.name, now.state, now.from_t_s, t_s))
        self._open[link.name] = _Stretch(link.state, t_s, wall_s)
        if wall_s is not None:
            changed.append(Lane(name=link.name, state=link.state, from_wall_s=wall_s, to_wall_s=None))
        return changed

    def _date(self, t_s: float, wall_s: float) -> list[Lane]:
        offset_s = wall_s - t_s
        dated = [
            Lane(name=name, state=state, from_wall_s=from_s + offset_s, to_wall_s=to_s + offset_s)
            for name, state, from_s, to_s in self._held
        ]
        self._held.clear()
        for name, stretch in self._open.items():
            if stretch.from_wall_s is None:
                stretch.from_wall_s = stretch.from_t_s + offset_s
                dated.append(Lane(name=name, state=stretch.state, from_wall_s=stretch.from_wall_s, to_wall_s=None))
        return dated

    def open(self, wall_s: float) -> list[Lane]:
        """The stretches under way, ended at `wall_s` for keeping; they go on."""
        return [
            Lane(name=name, state=s.state, from_wall_s=s.from_wall_s, to_wall_s=max(s.from_wall_s, wall_s))
            for name, s in self._open.items()
            if s.from_wall_s is not None
        ]
