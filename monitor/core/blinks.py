"""Presence sensors that come and go while the unit rests.

Under a call much else shows whether the supply or the control power is there: current, contacts, coil. At rest nothing
does, as nothing is fed. What comes back by itself there, again and again, is a joint that barely holds, mostly the
sensor's own, and nothing has been missed by it. So once it has come back twice it has to stay away for longer than it
did before, until it is told.
"""

from __future__ import annotations

from collections import deque
from math import inf

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.inputs import lasted
from condenser_monitor.monitor.core.records import Scan

# finding -> the sensor that raises it at rest
_TOLD_BY = {"line-supply-lost": "supply", "control-power-lost": "control_power"}
FINDINGS = tuple(_TOLD_BY)


class _Blinks:
    """One sensor's of the last hours: when it came back the last times, and, newest last, for how long it had been away
    at those times after which it has not been away for as long again."""

    def __init__(self) -> None:
        self.away_s = inf  # since when it has been; inf: it is not, or was not seen to begin
        self.here = False  # it has been seen in this rest
        self._back_s: deque[float] = deque(maxlen=int(limits.BLINKS.times.value))
        self._longest: deque[tuple[float, float]] = deque()

    def read(self, said: bool, now_s: float) -> None:
        if not said:
            if self.here:
                self.away_s = min(self.away_s, now_s)
            return
        self.here = True
        held_s, self.away_s = now_s - self.away_s, inf
        if 0.0 < held_s <= limits.BLINKS.most_s.value:
            self._back_s.append(now_s)
            while self._longest and self._longest[-1][1] <= held_s:
                self._longest.pop()
            self._longest.append((now_s, held_s))

    def longest_s(self, now_s: float) -> float:
        """For how long it has been away at the most; 0 where it has not come back so often of late."""
        while self._longest and lasted(self._longest[0][0], now_s, limits.EPISODE_S.value):
            self._longest.popleft()
        often = len(self._back_s) == self._back_s.maxlen
        often = often and not lasted(self._back_s[0], now_s, limits.EPISODE_S.value)
        return self._longest[0][1] if often else 0.0

    def forget(self) -> None:
        self.away_s, self.here = inf, False


class RestBlinks:
    """How often, and for how long, each of these sensors has been away at rest, scan by scan, believed or not."""

    def __init__(self) -> None:
        self._blinks = {name: _Blinks() for name in _TOLD_BY.values()}

    def update(self, scan: Scan) -> None:
        """Add a scan that does not say what the one before said."""
        if scan.call is not False:
            self.forget()
            return
        for name, blinks in self._blinks.items():
            said = getattr(scan, name)
            if said is not None:
                blinks.read(said, scan.t_s)

    def forget(self) -> None:
        """It is called, or nothing was seen for a while: nobody knows how long what is away has been so at rest."""
        for one in self._blinks.values():
            one.forget()

    def grace_s(self, finding: str, now_s: float) -> float:
        """How much longer than its delay such a finding's condition may hold at rest, s."""
        longest_s = self._blinks[_TOLD_BY[finding]].longest_s(now_s)
        return min(limits.BLINKS.longer_ratio.value * longest_s, limits.BLINKS.most_s.value)
