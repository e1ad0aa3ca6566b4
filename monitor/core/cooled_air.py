"""What the air indoors tells of a compressor whose clamp reads nothing: only a running one goes on cooling it.

Under a call the blower moves the house's air over the coil. Ten minutes after the compressor has stopped the coil has
no cold left; a wet one goes on cooling the air some kelvins as it dries. Air that comes out colder than that by a good
margin is cooled by a compressor that runs. Two things blur it: a probe may lie as well (one whose number does not move
is no witness), and while the blower rests the probes read the warmth of their ducts, so the call must stand.
"""

from __future__ import annotations

from math import inf

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.inputs import lasted


class CooledAir:
    """Watches one unit, minute by minute, whether air is cooled though the compressor is said to stand."""

    def __init__(self) -> None:
        self.cooled = False
        self._since_s = inf
        self._read_c: tuple[set[float], set[float]] = set(), set()  # what each probe has read since

    def update(self, now_s: float, *, stands: bool, return_c: float | None, supply_c: float | None) -> bool:
        """Add a minute: whether the compressor's clamp reads nothing under a standing call, and what both probes read
        at its end, °C (None: not there, or not believed). Return whether the air says that it runs."""
        self.cooled = False
        if not stands:
            self._since_s, self._read_c = inf, (set(), set())
            return False
        self._since_s = min(self._since_s, now_s)
        if return_c is None or supply_c is None:
            return False
        for read_c, number in zip(self._read_c, (return_c, supply_c), strict=True):
            if len(read_c) < 2:
                read_c.add(number)
        late = lasted(self._since_s, now_s, limits.TRUST.coil_warms_s.value)
        move = all(len(read_c) > 1 for read_c in self._read_c)
        self.cooled = late and move and return_c - supply_c >= limits.TRUST.cooled_air_k.value
        return self.cooled
