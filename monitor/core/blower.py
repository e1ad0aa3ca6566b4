"""What the indoor blower tells of the thermostat: it runs while the thermostat calls, and for a while after.

The thermostat drives the blower (G) beside the contactor (Y), or the indoor unit's board starts it with Y. A float
switch, a wire or a safety that cuts the call on its way to the unit leaves it running; a thermostat that is satisfied
stops it, at once or after the run-on that the board has: 30 to 90 s (common practice). Three things blur that. With the
thermostat's fan switch "on" it always runs: it is a witness only while it has been seen to rest. A float switch that
breaks R, or a board that takes the float's contact itself, stops the blower with the call: that it stops is a weak
witness, and no witness where it stops with the call. And the sensor may lie.
"""

from __future__ import annotations

from collections import deque
from math import inf
from statistics import median
from typing import Literal

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.inputs import DebouncedInput, lasted

# "asks": it runs on longer than it does when the thermostat is satisfied; "stopped": it has stopped as it does then.
BlowerSays = Literal["", "asks", "stopped"]


class BlowerWatch:
    """Learns how long the blower of one unit runs on after the call."""

    def __init__(self) -> None:
        self._run_ons_s: deque[float] = deque(maxlen=int(limits.TRUST.run_ons.value))
        self._rested_s = -inf  # when it last stopped by itself
        self._call_ended_s = -inf  # the end of the call that was measured last

    def update(self, call: DebouncedInput, blower: DebouncedInput) -> None:
        """Hear that one of the two has changed."""
        ended = call.symbol is False and call.was and blower.symbol is False and blower.was
        if not ended or call.since_s == self._call_ended_s:
            return
        run_on_s = blower.since_s - call.since_s
        if 0.0 <= run_on_s <= limits.HABITS.run_on_s.value:
            self._run_ons_s.append(run_on_s)
            self._rested_s, self._call_ended_s = blower.since_s, call.since_s

    def usual_s(self, step_s: float) -> tuple[float, float] | None:
        """Return between which spans it runs on, s, at scans `step_s` apart; None while that is not known."""
        if len(self._run_ons_s) < limits.TRUST.run_ons_least.value:
            return None
        usual_s = median(self._run_ons_s)
        slack_s = max(limits.HABITS.slack_s.value, limits.HABITS.slack_ratio.value * usual_s) + 2 * step_s
        return usual_s - slack_s, usual_s + slack_s

    def asks_from_s(self, call: DebouncedInput, step_s: float) -> float:
        """Return when a blower that still runs will say that the thermostat calls; inf with the call at the unit."""
        usual_s = self.usual_s(step_s)
        longest_s = limits.HABITS.run_on_s.value if usual_s is None else usual_s[1]
        return call.since_s + longest_s if call.symbol is False else inf

    def says(
        self, call: DebouncedInput, blower: DebouncedInput, thermostat: DebouncedInput, now_s: float, step_s: float
    ) -> BlowerSays:
        """Return what it says of a thermostat that is said to call on though the call at the unit has ended."""
        if call.symbol is not False or not thermostat.symbol or thermostat.since_s > call.since_s:
            return ""
        if blower.symbol:
            rests = now_s - self._rested_s <= limits.TRUST.rested_most_s.value and blower.since_s <= call.since_s
            return "asks" if rests and lasted(self.asks_from_s(call, step_s), now_s, 0.0) else ""
        run_on_s, usual_s = blower.since_s - call.since_s, self.usual_s(step_s)
        if blower.symbol is None or usual_s is None or run_on_s < max(limits.TRUST.run_on_least_s.value, step_s):
            return ""
        return "stopped" if usual_s[0] <= run_on_s <= usual_s[1] else ""
