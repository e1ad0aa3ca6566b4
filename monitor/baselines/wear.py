"""Use and wear: cycles and hours a day, operations of the contacts against their rated life, the first and the last of
something that should not change."""

from __future__ import annotations

from math import inf
from statistics import median
from typing import Any

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.records import Cycle

DAY_S = 86400.0


class FirstAndLast(msgspec.Struct, forbid_unknown_fields=True):
    """The first values ever and the latest ones, to compare. None among the latest: it never came to an end."""

    first: list[float] = []
    last: list[float | None] = []
    count: int = 0

    def add(self, value: float | None, *, first: float, last: float) -> None:
        """Add a value; the `first` of them are kept for good, then the latest `last`."""
        self.count += 1
        if value is not None and len(self.first) < first:
            self.first.append(value)
        self.last.append(value)
        del self.last[: -int(last)]

    def usual(self, first: float) -> float | None:
        """The median of the first values; None until there are all of them."""
        return median(self.first) if len(self.first) >= first else None

    def now(self, last: float) -> float | None:
        """The median of the latest values, inf when most never came to an end; None until there are all of them."""
        latest = [inf if value is None else value for value in self.last[-int(last) :]]
        return median(latest) if len(latest) >= last else None

    def report(self, *, first: float, last: float, step: float = 0.0) -> dict[str, Any]:
        """Both medians and their ratio, rounded; None where not known. Values that are apart by no more than the `step`
        in which they are read are the same."""
        usual, now = self.usual(first), self.now(last)
        now = None if now == inf else now
        ratio = None if usual is None or now is None or usual <= 0 else round(now / usual, 3)
        if ratio is not None and usual is not None and now is not None and abs(now - usual) <= step + 1e-9:
            ratio = 1.0
        return {
            "first": None if usual is None else round(usual, 4),
            "last": None if now is None else round(now, 4),
            "ratio": ratio,
            "count": self.count,
        }


class DayUse(msgspec.Struct, forbid_unknown_fields=True):
    """Sums of the cycles that ended on one day (24 h of the monitor's own lasting time)."""

    day: int
    cycles: int = 0
    starts: int = 0
    run_s: float = 0.0


class Wear(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """Totals since the monitor was installed, or since the contactor was replaced."""

    operations: int = 0
    since_x: float = 0.0
    run_s: float = 0.0
    cycles: int = 0
    days: list[DayUse] = []

    def add(self, cycle: Cycle, x_s: float) -> None:
        """Count one finished cycle, at `x_s`."""
        # Where the contacts are not sensed, each start of the compressor is at least one closing.
        self.operations += cycle.closings or cycle.compressor_starts
        self.run_s += cycle.run_s
        self.cycles += 1
        day = self._day(int(x_s // DAY_S))
        day.cycles += 1
        day.starts += cycle.compressor_starts
        day.run_s += cycle.run_s

    def _day(self, number_: int) -> DayUse:
        if not self.days or self.days[-1].day < number_:
            self.days.append(DayUse(number_))
            self.days[:] = [day for day in self.days if day.day > number_ - limits.BASELINES.use_days.value]
        return self.days[-1]

    def reset_contactor(self, x_s: float) -> None:
        """Count a new contactor's operations from here on."""
        self.operations, self.since_x = 0, x_s

    def contactor(self, x_s: float) -> dict[str, Any]:
        """Operations against the rated life, and the years left at the pace so far (None before a day is over)."""
        rated = limits.BASELINES.contact_life.value
        days = (x_s - self.since_x) / DAY_S
        pace = self.operations / days if days >= 1.0 else None
        left = (rated - self.operations) / pace / 365.25 if pace else None
        return {
            "operations": self.operations,
            "rated": rated,
            "share": round(self.operations / rated, 6),
            "days_counted": round(days, 2),
            "years_left": None if left is None else round(max(left, 0.0), 1),
        }

    def use(self, x_s: float) -> dict[str, Any]:
        """Cycles and hours a day over the last 7 and 30 days, and each day that is kept."""
        return {
            "cycles": self.cycles,
            "hours": round(self.run_s / 3600.0, 2),
            "last_7_days": self._mean(x_s, 7),
            "last_30_days": self._mean(x_s, 30),
            "days": [
                {"days_ago": int(x_s // DAY_S) - day.day, "cycles": day.cycles, "hours": round(day.run_s / 3600.0, 2)}
                for day in self.days
            ],
        }

    def _mean(self, x_s: float, span: int) -> dict[str, float | None]:
        first = max(int(x_s // DAY_S) - span + 1, 0)
        days = [day for day in self.days if day.day >= first]
        seen = x_s / DAY_S - first
        if seen < 1.0:
            return {"cycles_per_day": None, "hours_per_day": None}
        return {
            "cycles_per_day": round(sum(day.cycles for day in days) / seen, 2),
            "hours_per_day": round(sum(day.run_s for day in days) / seen / 3600.0, 2),
        }
