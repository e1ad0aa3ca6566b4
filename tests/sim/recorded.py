"""A wave measured elsewhere, as a source on an input of the simulated converter."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise


class Recorded:
    """A recorded wave on one input, played over and over, linear between its points; other inputs lie at 0 V.

    `points` are volts at `rate_hz`; the mean over any stretch is exact for the straight lines between them.
    """

    def __init__(self, points: Sequence[float], rate_hz: float, pin: int = 0, bias_v: float = 0.0) -> None:
        self.pin, self.bias_v = pin, bias_v
        self._step_s = 1 / rate_hz
        self._points = [*points, points[0]]
        self._areas = list(accumulate(((a + b) / 2 * self._step_s for a, b in pairwise(self._points)), initial=0.0))
        self._length_s = len(points) * self._step_s

    def mean_v(self, pin: int, start_s: float, end_s: float) -> float:
        if pin != self.pin:
            return self.bias_v
        return self.bias_v + (self._area(end_s) - self._area(start_s)) / (end_s - start_s)

    def _area(self, t_s: float) -> float:
        turns, left_s = divmod(t_s, self._length_s)
        place = min(int(left_s / self._step_s), len(self._points) - 2)
        part_s = left_s - place * self._step_s
        a, b = self._points[place], self._points[place + 1]
        inside = part_s * (a + (b - a) * part_s / self._step_s / 2)
        return turns * self._areas[-1] + self._areas[place] + inside
