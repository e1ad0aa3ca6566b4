"""Telling a drive by its current: a compressor whose board sets its speed, though nobody declared it.

Theory. A motor that a contactor feeds draws several times its rated current for a part of a second and then its run's;
with nothing to do a single-phase one still draws a third and more of what is rated (its magnetizing current; common
practice), and it stops within one scan. One whose winding is open, or that hums, draws what its impedance lets
through: as it warms, a fifth less at the most (copper, 0.4 % a K), and never more. A drive feeds its motor gently: the
current begins at a tenth of what is rated, and moves on from minute to minute, up and down, far below a third. So a
little current under a call that rises by a quarter, or to which a run's has glided down, is a drive's.
"""

from __future__ import annotations

from collections import deque

from condenser_monitor.monitor import limits

_HABIT = limits.HABITS


class DriveWatch:
    """Follows the compressor's current under each call, once a minute. `known`: it has moved as only a drive's does;
    `at_once`: so many starts, up to as many as tell, went to a run's current at once, as a contactor's do."""

    def __init__(self, rated_a: float) -> None:
        self.known = False
        self.at_once = 0
        self._on_a = rated_a * limits.RUNNING_ON_RATIO.value
        self._off_a = rated_a * limits.RUNNING_OFF_RATIO.value
        self._least_a = rated_a * limits.DRIVE_ON_RATIO.value
        self._drew: deque[float] = deque(maxlen=int(_HABIT.drive_kept.value))

    def started(self) -> None:
        """The compressor has come to draw a run's current."""
        if not any(amps < self._on_a for amps in self._drew):
            self.at_once = min(self.at_once + 1, int(_HABIT.times.value))

    def minute(self, amps: float | None, *, called: bool) -> None:
        """Add what it draws by now, A RMS (None: not read, or not believed); `called`: called by what is
        believed or by the last scan, and not seen unfed."""
        if not called:
            self._drew.clear()
        if not called or amps is None or self.known:
            return
        step = _HABIT.drive_step.value
        if amps < self._least_a or (self._drew and not self._drew[-1] / step <= amps <= self._drew[-1] * step):
            self._drew.clear()  # it began, stopped or changed its stage
        if amps >= self._least_a:
            self._drew.append(amps)
        if len(self._drew) < _HABIT.drive_minutes.value:
            return
        *before, last, now = self._drew
        low, high = min(last, now), max(last, now)
        rises = min(before) < self._on_a and low >= _HABIT.drive_rise.value * min(before)
        falls = high < self._on_a and max(before) >= _HABIT.drive_fall.value * high
        self.known = rises or falls

    def may_be(self, amps: float | None) -> bool:
        """Whether so little current may be a drive's, of which nothing is known yet; it will have shown itself within
        `drive_shows_s`."""
        unknown = not self.known and self.at_once < _HABIT.times.value
        return unknown and amps is not None and self._least_a <= amps < self._on_a

    def glides(self, was_a: float | None, amps: float) -> bool:
        """Whether a current that has just come below a run's has glided there from `was_a`, A RMS (None: not read):
        what stops, or loses a winding, falls at once."""
        if was_a is None or not self._least_a <= amps < self._off_a <= was_a:
            return False
        return amps >= was_a * _HABIT.drive_glide.value
