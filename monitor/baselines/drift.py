"""Slow drift: EWMA and tabular CUSUM, as in the handbooks of statistical process control.

EWMA: z = w x + (1 - w) z, a level that follows slowly (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4).
Tabular CUSUM: high = max(0, high + x - target - k), low = max(0, low + target - k - x); a sum above h signals a shift
of more than k that has lasted (the same, 6.3.2.3; D. C. Montgomery, Introduction to Statistical Quality Control,
chapter 9). A single wild value adds up once; a small one that stays adds up for as long as it stays.
"""

from __future__ import annotations

from typing import Literal

import msgspec

DriftState = Literal["steady", "rising", "falling"]


class Ewma(msgspec.Struct, forbid_unknown_fields=True):
    """An exponentially weighted moving average. `level` begins at the target."""

    weight: float
    level: float = 0.0

    def add(self, value: float) -> float:
        """Add a value and return the level after it."""
        self.level = self.weight * value + (1.0 - self.weight) * self.level
        return self.level


class Cusum(msgspec.Struct, forbid_unknown_fields=True):
    """A two-sided tabular CUSUM; `allow` is k, in the unit of the values."""

    allow: float
    target: float = 0.0
    high: float = 0.0
    low: float = 0.0

    def add(self, value: float) -> tuple[float, float]:
        """Add a value and return both sums after it."""
        self.high = max(0.0, self.high + value - self.target - self.allow)
        self.low = max(0.0, self.low + self.target - self.allow - value)
        return self.high, self.low


class Drift(msgspec.Struct, forbid_unknown_fields=True):
    """Watches the daily mean deviation from the unit's normal, as a ratio (0.05 = 5 % above).

    A signal stays until the level is back within the allowance. The sums are held at twice the limit, so that a long
    fault does not take as long to be forgotten.
    """

    cusum: Cusum
    ewma: Ewma
    limit: float
    state: DriftState = "steady"
    days: int = 0
    since_x: float | None = None

    def carry_on(self, old: Drift) -> None:
        """Go on from where an earlier watch stood, with this one's own numbers."""
        self.cusum.high, self.cusum.low, self.ewma.level = old.cusum.high, old.cusum.low, old.ewma.level
        self.state, self.days, self.since_x = old.state, old.days, old.since_x

    def add(self, ratio: float, x_s: float) -> None:
        """Add one day's mean deviation; `x_s` is the time of it."""
        self.days += 1
        self.ewma.add(ratio)
        self.cusum.add(ratio)
        self.cusum.high = min(self.cusum.high, 2 * self.limit)
        self.cusum.low = min(self.cusum.low, 2 * self.limit)
        if self.state != "steady" and abs(self.ewma.level) <= self.cusum.allow:
            self._settle()
        was = self.state
        if self.cusum.high > self.limit:
            self.state = "rising"
        elif self.cusum.low > self.limit:
            self.state = "falling"
        if self.state != was:
            self.since_x = None if self.state == "steady" else x_s

    def _settle(self) -> None:
        self.state, self.since_x = "steady", None
        self.cusum.high = self.cusum.low = 0.0
