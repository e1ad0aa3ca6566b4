"""Whether a compressor that should start draws nothing from the first moment on, not even a stalled motor's current.

A rested compressor that is fed and cannot turn draws locked-rotor current until its protector opens, 2 to 10 s (UL
60335-2-34 and field practice), again at each start and each time the protector has closed. Scans a second apart read
that, and scans ten seconds apart read every other one: where start after start shows nothing, its lead was never fed,
or is open. It tells only of a protector that is closed: after a run that the thermostat has ended, or a long rest.
"""

from __future__ import annotations

from math import inf

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.inputs import lasted
from condenser_monitor.monitor.core.links import Facts


class SilentStarts:
    """Counts the starts of one unit at which its compressor's clamp has read nothing; `delay_s`: how long a declared
    timer holds a call back."""

    def __init__(self, delay_s: float) -> None:
        self._delay_s = delay_s
        self.gap()

    def gap(self) -> None:
        """Nothing was seen for a while."""
        self._called_s = self._rested_s = inf  # since when it is called, and stands
        self._silent = 0  # calls before this one in which it drew nothing
        self._closed = False  # its protector must be closed by now

    def drew(self) -> None:
        """A scan reads its current, be it a run's or a stall's."""
        self._silent, self._closed = 0, False
        self._called_s = self._rested_s = inf

    def changed(self, was: Facts, facts: Facts, at_s: float) -> None:
        """What is believed went from `was` to `facts` at `at_s`."""
        stopped_s = self._rested_s
        if facts.compressor is False and stopped_s == inf:
            self._rested_s = at_s
        if was.call and facts.call is False:
            # It ran until the thermostat ended the call, whose end may be read a moment later. What was read in a
            # single scan may have been a stall, and its protector is open.
            at_once = stopped_s < inf and not lasted(stopped_s, at_s, limits.STALE_S.value)
            self._closed |= bool(was.compressor) or at_once
            self._silent += self._waited(facts, at_s)
            self._called_s = inf
        elif facts.call and was.call is False and facts.compressor is False:
            self._closed |= lasted(self._rested_s, at_s, limits.OVERLOAD_MOST_S.value)
            self._called_s = at_s
        elif facts.supply is False or facts.compressor is not False:
            self._called_s = inf

    def _waited(self, facts: Facts, now_s: float) -> bool:
        """Whether the call of now would have shown a stall, if it was fed."""
        fed = facts.supply is not False and facts.load is not False
        return fed and self._closed and lasted(self._called_s, now_s, self._delay_s + limits.SILENT_START_S.value)

    def seen(self, facts: Facts, now_s: float, step_s: float) -> bool:
        """Return whether so many starts, scans `step_s` apart, would have shown a stall; while it is called a protector
        that had opened would have closed again within OVERLOAD_MOST_S."""
        if not (facts.call and facts.compressor is False and self._waited(facts, now_s)):
            return False
        tries = self._silent + 1 + int((now_s - self._called_s) / limits.OVERLOAD_MOST_S.value)
        missed = 1.0 - min(limits.STALL_S.value / max(step_s, limits.STALL_S.value), limits.STALL_READ_SHARE.value)
        return missed**tries <= limits.STALL_MISSED.value

    def due_s(self, now_s: float) -> float:
        """When `seen` may next say otherwise by time alone, s."""
        first_s = self._called_s + self._delay_s + limits.SILENT_START_S.value
        again_s = self._called_s + limits.OVERLOAD_MOST_S.value
        return min((at_s for at_s in (first_s, again_s) if at_s > now_s), default=inf)
