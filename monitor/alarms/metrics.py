"""Figures of the alarm system: rate, flood, chatter, stale, priorities, top contributors (ISA-18.2 / IEC 62682).

They are kept as sums a day and a few latest times, so that thirty days of them stay small. Days here are spans of 24 h
of the monitor's own lasting time, not of the calendar: a clock that jumps does not move them. "Told" alarms are those
announced to people; chatter is counted on the findings themselves, where it arises.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.records import Severity

DAY_S = 86400.0


class AlarmDay(msgspec.Struct, forbid_unknown_fields=True):
    """Sums of one day: told alarms and chatter by finding, told alarms by severity, the fullest window."""

    day: int
    alarms: dict[str, int] = msgspec.field(default_factory=dict, name="told")
    severity: dict[Severity, int] = {}
    chatter: dict[str, int] = {}
    peak: int = 0


class MetricsMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """All that is kept; times in the timeline's `x`."""

    days: list[AlarmDay] = []
    alarms_x: list[float] = msgspec.field(default_factory=list, name="told_x")
    raised_x: dict[str, list[float]] = {}
    floods: list[tuple[float, float]] = []
    flood_since_x: float | None = None


_SHARES = {
    Severity.URGENT: limits.ALARMS.share_urgent,
    Severity.SOON: limits.ALARMS.share_soon,
    Severity.WATCH: limits.ALARMS.share_watch,
}


class AlertMetrics:
    """Fed with what was raised and told, in order of time; asked for a report. `memory` must survive a restart."""

    def __init__(self, memory: MetricsMemory | None = None) -> None:
        self.memory = memory or MetricsMemory()

    def raised(self, finding: str, x_s: float) -> None:
        """A finding was raised. Chatter: raised three times or more within a minute; each such minute counts once."""
        times = self.memory.raised_x.setdefault(finding, [])
        times.append(x_s)
        del times[: -int(limits.ALARMS.chatter_times.value)]
        if len(times) == limits.ALARMS.chatter_times.value and x_s - times[0] <= limits.ALARMS.chatter_s.value:
            chatter = self._day(x_s).chatter
            chatter[finding] = chatter.get(finding, 0) + 1
            times.clear()

    def count_alarm(self, finding: str, severity: Severity, x_s: float) -> None:
        """Count an alarm that people were notified of."""
        self._settle_flood(x_s)
        self.memory.alarms_x.append(x_s)
        del self.memory.alarms_x[: -int(limits.ALARMS.times_kept.value)]
        day, recent = self._day(x_s), self._recent(x_s)
        day.alarms[finding] = day.alarms.get(finding, 0) + 1
        day.severity[severity] = day.severity.get(severity, 0) + 1
        day.peak = max(day.peak, recent)
        if self.memory.flood_since_x is None and recent > limits.ALARMS.flood_from.value:
            self.memory.flood_since_x = x_s

    def _recent(self, x_s: float) -> int:
        return sum(x_s - at_x < limits.ALARMS.window_s.value for at_x in self.memory.alarms_x)

    def _day(self, x_s: float) -> AlarmDay:
        number, days = int(x_s // DAY_S), self.memory.days
        if not days or days[-1].day < number:
            days.append(AlarmDay(number))
            days[:] = [day for day in days if day.day > number - limits.ALARMS.days.value]
        return days[-1]

    def _settle_flood(self, x_s: float) -> None:
        """A flood ends when fewer than five alarms are left in the window: as the fifth latest leaves it."""
        since_x, latest = self.memory.flood_since_x, self.memory.alarms_x[-int(limits.ALARMS.flood_until.value) :]
        if since_x is None:
            return
        end_x = latest[0] + limits.ALARMS.window_s.value if latest else since_x
        if end_x <= x_s:
            self.memory.floods.append((since_x, end_x))
            del self.memory.floods[: -int(limits.ALARMS.times_kept.value)]
            self.memory.flood_since_x = None

    def report(self, x_s: float, lasting: Mapping[str, float]) -> dict[str, Any]:
        """All figures at `x_s`. `lasting` maps the alarms whose condition stands to since when (`x`)."""
        self._settle_flood(x_s)
        first_day = int(x_s // DAY_S) - int(limits.ALARMS.days.value)
        days = [day for day in self.memory.days if day.day > first_day]
        seen_s = max(min(x_s, limits.ALARMS.days.value * DAY_S), 1.0)
        total = sum(sum(day.alarms.values()) for day in days)
        per_day = total / max(seen_s / DAY_S, 1.0)
        return {
            "days": round(seen_s / DAY_S, 2),
            "told": total,
            "per_day": round(per_day, 2),
            "per_day_allowed": limits.ALARMS.per_day.value,
            "in_10_min": self._recent(x_s),
            "most_in_10_min": max((day.peak for day in days), default=0),
            "flood": self._floods(x_s, seen_s),
            "chatter": _sums(day.chatter for day in days),
            "stale": {
                name: round(x_s - at_x) for name, at_x in lasting.items() if x_s - at_x > limits.ALARMS.stale_s.value
            },
            "severity": _split(days, total),
            "top": _top(_sums(day.alarms for day in days), total),
        }

    def _floods(self, x_s: float, seen_s: float) -> dict[str, Any]:
        spans = [(max(begin_x, x_s - seen_s), end_x) for begin_x, end_x in self.memory.floods if end_x > x_s - seen_s]
        if self.memory.flood_since_x is not None:
            spans.append((self.memory.flood_since_x, x_s))
        share = sum(end_x - begin_x for begin_x, end_x in spans) / seen_s
        now = self.memory.flood_since_x is not None
        return {
            "now": now,
            "floods": len(spans),
            "share_of_time": round(share, 6),
            "aim": limits.ALARMS.flood_share.value,
        }


def _sums(counts: Any) -> dict[str, int]:
    sums: dict[str, int] = {}
    for table in counts:
        for name, count in table.items():
            sums[name] = sums.get(name, 0) + count
    return sums


def _split(days: list[AlarmDay], total: int) -> dict[str, dict[str, float]]:
    sums = _sums(day.severity for day in days)
    return {
        str(severity): {
            "told": sums.get(severity, 0),
            "share": round(sums.get(severity, 0) / total, 4) if total else 0.0,
            "aim": _SHARES[severity].value,
        }
        for severity in Severity
    }


def _top(sums: Mapping[str, int], total: int) -> list[dict[str, Any]]:
    ranked = sorted(sums.items(), key=lambda pair: (-pair[1], pair[0]))[: int(limits.ALARMS.top.value)]
    return [{"finding": name, "told": count, "share": round(count / total, 4)} for name, count in ranked]
