"""Whether a rest and the run after it may be this thermostat's own, as its earlier ones show.

Theory. A room between two temperatures a band apart warms through the band while the unit rests and cools through it
while it runs: rest = band / gain, run = band / (capacity - gain), so that 1/rest + 1/run = capacity / band, whatever
the weather. That is the parabola by which thermostats are rated, N = 4 Nmax d (1 - d) cycles an hour at the duty d
(common practice, NEMA DC 3), and rest * run / (rest + run) = 1 / (4 Nmax) is one number of house and thermostat. More
heat makes rests shorter and runs longer, less heat the other way round; nothing makes both short, or both long. What
cuts the call and gives it back (a float over a pan that fills again, a joint that opens hot) keeps times of its own.
Where both are shorter or longer than the thermostat's, the runs between cuts are none that it has ended; where a cut
and the run after it lie on its law, they are most likely its own, and what says that they are not lies.

A thermostat may also keep a fixed number of cycles an hour, at which that number is no constant: then rest and run
together are as long as they have lately been.
"""

from __future__ import annotations

from collections import deque
from math import inf
from statistics import median

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.records import Cycle


def band_s(rest_s: float, run_s: float) -> float:
    """Return rest times run over their sum, s: the time constant of the thermostat's cycles."""
    return rest_s * run_s / (rest_s + run_s)


class OwnCycles:
    """Remembers the last rests and runs between which the thermostat was seen to be satisfied."""

    def __init__(self) -> None:
        self._cycles: deque[tuple[float, float]] = deque(maxlen=int(limits.TRUST.own_cycles.value))
        self._stopped_s = -inf  # when the last run ended
        # From when until when the thermostat's sensor, believed, last said that it does not call.
        self._satisfied: deque[tuple[float, float]] = deque(maxlen=2)

    def thermostat(self, calls: bool | None, now_s: float) -> None:
        """Hear what its sensor says from now on; None: nothing that is believed."""
        if self._satisfied and self._satisfied[-1][1] == inf:
            if calls is not False:
                self._satisfied[-1] = self._satisfied[-1][0], now_s
        elif calls is False:
            self._satisfied.append((now_s, inf))

    def ran(self, cycle: Cycle) -> None:
        """Note a finished cycle; one whose rest did not end a call is none of the thermostat's."""
        rest_s = cycle.started_s - self._stopped_s
        ended = any(until_s > self._stopped_s and since_s < cycle.started_s for since_s, until_s in self._satisfied)
        if cycle.start_seen and cycle.run_s > 0.0 and 0.0 < rest_s < inf and ended:
            self._cycles.append((rest_s, cycle.run_s))
        self._stopped_s = cycle.stopped_s if cycle.compressor_starts else -inf

    def _usual_s(self) -> float | None:
        """The thermostat's band, s; None while it is not known."""
        if len(self._cycles) < limits.TRUST.own_cycles_least.value:
            return None
        return median(band_s(*one) for one in self._cycles)

    def unlike(self, rest_s: float, run_s: float) -> bool:
        """Return whether a rest and the run after it are both shorter, or both longer, than this thermostat makes
        them."""
        usual_s = self._usual_s()
        if usual_s is None or not 0.0 < rest_s < inf:
            return False
        ratio, whole_s = band_s(rest_s, run_s) / usual_s, rest_s + run_s
        spans_s = [sum(one) for one in self._cycles]
        period = limits.TRUST.own_period_ratio.value
        shorter = ratio < limits.TRUST.own_short_ratio.value and whole_s < period * min(spans_s)
        longer = ratio > limits.TRUST.own_long_ratio.value and period * whole_s > max(spans_s)
        return shorter or longer

    def alike(self, rest_s: float, run_s: float) -> bool:
        """Return whether they lie on this thermostat's own law, and each beside its last own one, as what cuts the call
        would by chance alone: weather moves slowly, and what a utility cuts for as long may lie on the law too."""
        usual_s = self._usual_s()
        if usual_s is None or not 0.0 < rest_s < inf:
            return False
        near = limits.TRUST.alike_ratio.value
        last_rest_s, last_run_s = self._cycles[-1]
        pairs = ((band_s(rest_s, run_s), usual_s), (rest_s, last_rest_s), (run_s, last_run_s))
        return all(1.0 / near <= one / other <= near for one, other in pairs)
