"""Seconds that go on over restarts, made of monotonic time, with the wall clock only to bridge what was not lived.

Durations that must outlive a process (a shelving, service mode, days of learning) are counted in `x`: it runs with the
process's own `t_s`, so a jump of the wall clock does not touch it. At a restart `x` goes on where it was saved; the
time in between is added once the wall clock is known, if it was known when saving, and never less than nothing. So a
wall clock that is wrong by a jump can end a shelving early by no more than that jump, and cannot lose it; without a
wall clock the time switched off is not counted.
"""

from __future__ import annotations

import msgspec


class Saved(msgspec.Struct, frozen=True, kw_only=True):
    """A timeline as it is kept: `x_s` and the wall time of the same moment, None when it was not known."""

    x_s: float = 0.0
    wall_s: float | None = None


class MonotonicTime:
    """Maps the process's `t_s` to `x` and back, and to wall time."""

    def __init__(self, saved: Saved | None = None) -> None:
        self._saved = saved
        self._base_s: float | None = 0.0 if saved is None else None
        self._wall_less_x_s: float | None = None
        self.now_x = 0.0 if saved is None else saved.x_s

    def advance(self, now_s: float, wall_s: float | None) -> float:
        """It is `now_s`. Returns the seconds switched off that have become known by it, mostly 0."""
        if self._base_s is None:
            self._base_s = self.now_x - now_s
        skipped_s = 0.0
        if wall_s is not None:
            skipped_s = self._bridge(now_s + self._base_s, wall_s)
            self._base_s += skipped_s
            self._wall_less_x_s = wall_s - (now_s + self._base_s)
        self.now_x = max(self.now_x, now_s + self._base_s)
        return skipped_s

    def _bridge(self, x_s: float, wall_s: float) -> float:
        saved, self._saved = self._saved, None
        if saved is None or saved.wall_s is None:
            return 0.0
        return max(0.0, saved.x_s + (wall_s - saved.wall_s) - x_s)

    @property
    def begun(self) -> bool:
        """False after a restart until the first time is known."""
        return self._base_s is not None

    def x(self, t_s: float) -> float:
        """The lasting time of a moment of this process."""
        return t_s + (self._base_s if self._base_s is not None else self.now_x)

    def t_s(self, x_s: float) -> float:
        """The moment of this process, before its start below 0."""
        return x_s - (self._base_s if self._base_s is not None else self.now_x)

    def wall_s(self, x_s: float) -> float | None:
        """The wall time of `x_s` by the clock as last heard, None while that is not known."""
        return None if self._wall_less_x_s is None else x_s + self._wall_less_x_s

    def save(self) -> Saved:
        """What to keep. While the wall clock is not yet known, its last known reading is carried on."""
        wall_s = self.wall_s(self.now_x)
        if wall_s is None and self._saved is not None and self._saved.wall_s is not None:
            wall_s = self._saved.wall_s + (self.now_x - self._saved.x_s)
        return Saved(x_s=self.now_x, wall_s=wall_s)
