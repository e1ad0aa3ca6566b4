"""Which minutes of a run may teach what is normal: settled, sound, and with like minutes before and after.

At a scan a minute the minute in which a run stops holds the scan of the stop, 0 A and 0 V, while the run is still
believed to last; a minute in which the stage changes is of neither stage. So each minute is held back until the next
one has shown that the run went on and that the current stayed where it was.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.inputs import lasted


class MinuteMeans(msgspec.Struct, frozen=True, kw_only=True):
    """The means of the scans of one minute, by reading (A, V, °C); None where nothing was read.

    `running_since_s` is since when the compressor has been believed to run without a break, None while it does not;
    `sound`: no finding stands that would make a run unlike the unit's others; `blower`: the indoor blower is sensed to
    run.
    """

    began_s: float
    ended_s: float
    wall_s: float | None
    running_since_s: float | None
    sound: bool
    readings: Mapping[str, float | None]
    blower: bool | None = None

    @property
    def settled(self) -> bool:
        """Whether pressures, and with them the current, had settled before this minute began."""
        since_s = self.running_since_s
        return since_s is not None and lasted(since_s, self.began_s, limits.SETTLE_S.value)

    @property
    def early(self) -> bool:
        """Whether this minute began after the start was over, and before the run had settled."""
        since_s = self.running_since_s
        over = since_s is not None and lasted(since_s, self.began_s, limits.BASELINES.early_s.value)
        return over and not self.settled

    @property
    def compressor_a(self) -> float | None:
        """The compressor's mean current, A RMS."""
        return self.readings.get("compressor_a")


class CleanMinutes:
    """Lets a settled minute through once the one after it bears it out."""

    def __init__(self) -> None:
        self._last: deque[MinuteMeans] = deque(maxlen=3)

    def add(self, minute: MinuteMeans) -> MinuteMeans | None:
        """Add the minute that has just ended; return the one before it if that is clean."""
        if not (minute.settled and minute.sound and minute.compressor_a):
            self._last.clear()
            return None
        if self._last and self._last[-1].running_since_s != minute.running_since_s:
            self._last.clear()
        self._last.append(minute)
        if len(self._last) < 3:
            return None
        before_a, amps, after_a = (found.compressor_a or 0.0 for found in self._last)
        most = limits.BASELINES.steady_ratio.value * amps
        return self._last[1] if max(abs(before_a - amps), abs(after_a - amps)) <= most else None


class EarlyMinutes:
    """Lets a minute of a run that has not settled yet through, once the one after it shows that the run went on and
    that nothing in it changed."""

    def __init__(self) -> None:
        self._last: MinuteMeans | None = None

    def add(self, minute: MinuteMeans) -> MinuteMeans | None:
        """Add the minute that has just ended; return the one before it if that is early and borne out."""
        last, self._last = self._last, minute if minute.sound and minute.compressor_a else None
        if last is None or self._last is None or last.running_since_s != minute.running_since_s or not last.early:
            return None
        apart_a = abs((minute.compressor_a or 0.0) - (last.compressor_a or 0.0))
        return last if apart_a <= limits.BASELINES.early_steady_ratio.value * (last.compressor_a or 0.0) else None


def heats(unit: Unit, readings: Mapping[str, float | None]) -> bool:
    """Return whether a heat pump heats: the indoor air tells, else the season does."""
    if not unit.heat_pump:
        return False
    before, after, outdoor_c = (readings.get(name) for name in ("return_air_c", "supply_air_c", "outdoor_c"))
    if before is not None and after is not None and abs(before - after) >= limits.BASELINES.split_least_k.value:
        return before < after
    return outdoor_c is not None and outdoor_c < limits.BASELINES.heat_pump_from_c.value
