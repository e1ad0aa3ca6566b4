"""The budget for what comes and goes: a finding that flaps is told once with its counts, then once an hour.

The findings themselves stay as quick as they are; this step stands behind the diagnosis and decides which of their
changes go on to alarms, disk and broker. While a finding flaps it counts as standing: it is over when it has been quiet
for an hour, and no longer flaps when it has stood for an hour.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from math import inf

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.inputs import lasted
from condenser_monitor.monitor.core.records import Change, ChangeKind, Finding

_FLAPS = limits.FLAPPING


class FlapMemory(msgspec.Struct, frozen=True, kw_only=True):
    """One finding that flaps, as ages in s at the time of writing."""

    finding: Finding
    raised_ages_s: list[float]
    since_age_s: float
    told_age_s: float
    count: int


class Flaps:
    """One finding's comings and goings: when it was raised of late, and, while it flaps, since when, how often, when
    that was last told, and when it was last seen to come or go."""

    __slots__ = ("changed_s", "count", "finding", "raised_s", "revised_s", "since_s", "stands", "told_s")

    def __init__(self) -> None:
        self.raised_s: deque[float] = deque(maxlen=int(_FLAPS.raises.value) + 1)
        self.revised_s: deque[float] = deque(maxlen=int(_FLAPS.raises.value))
        self.since_s = self.told_s = inf
        self.changed_s = -inf
        self.count = 0
        self.stands = False
        self.finding: Finding | None = None

    @property
    def flapping(self) -> bool:
        """Its changes are held back."""
        return self.since_s < inf

    def crowded(self, now_s: float) -> bool:
        """It has been raised too often within the hour."""
        full = len(self.raised_s) == self.raised_s.maxlen
        return full and now_s - self.raised_s[0] <= _FLAPS.window_s.value


class FlapFilter:
    """Lets changes through, or holds them back. `memory` is what `memory()` of an earlier process gave."""

    def __init__(self, memory: Iterable[FlapMemory] = ()) -> None:
        self._flaps: dict[str, Flaps] = {}
        for row in memory:
            flaps = self._flaps[row.finding.name] = Flaps()
            flaps.raised_s.extend(-age_s for age_s in row.raised_ages_s)
            flaps.since_s, flaps.told_s, flaps.count = -row.since_age_s, -row.told_age_s, row.count
            flaps.changed_s, flaps.finding = flaps.told_s, row.finding

    def held(self, standing: Mapping[str, Finding]) -> dict[str, Finding]:
        """The findings that count as standing although they are gone for the moment."""
        return {
            name: flaps.finding
            for name, flaps in self._flaps.items()
            if flaps.flapping and flaps.finding is not None and name not in standing
        }

    def update(
        self, changes: Iterable[Change], standing: Mapping[str, Finding], gone: Mapping[str, Finding]
    ) -> list[Change]:
        """Return those of the changes that are told. `standing` are the findings as they stand now, `gone` as they
        stood before."""
        return [
            told
            for change in changes
            for told in self._one(change, standing.get(change.finding) or gone.get(change.finding))
        ]

    def _one(self, change: Change, finding: Finding | None) -> list[Change]:
        flaps = self._flaps.setdefault(change.finding, Flaps())
        flaps.finding, now_s = finding, change.t_s
        if change.change is ChangeKind.REVISED:
            return self._revised(flaps, change)
        flaps.changed_s, flaps.stands = now_s, change.change is ChangeKind.RAISED
        if flaps.stands:
            flaps.raised_s.append(now_s)
            flaps.count += flaps.flapping
        if flaps.flapping:
            return []
        if flaps.stands and flaps.crowded(now_s):
            # Told as raised, with its counts; what it does from now on is told by the hour.
            flaps.since_s, flaps.told_s, flaps.count = flaps.raised_s[0], now_s, len(flaps.raised_s)
            return [_counted(change, flaps, ChangeKind.RAISED, now_s)]
        return [change]

    def _revised(self, flaps: Flaps, change: Change) -> list[Change]:
        full = len(flaps.revised_s) == flaps.revised_s.maxlen
        if flaps.flapping or (full and change.t_s - flaps.revised_s[0] <= _FLAPS.window_s.value):
            return []
        flaps.revised_s.append(change.t_s)
        return [change]

    def tick(self, now_s: float, wall_s: float | None) -> list[Change]:
        """Return what is due by time: the counts of an hour, and the end of the flapping."""
        told = []
        for flaps in self._flaps.values():
            if not flaps.flapping or flaps.finding is None:
                continue
            settled = lasted(flaps.changed_s, now_s, _FLAPS.settled_s.value)
            if not settled and not lasted(flaps.told_s, now_s, _FLAPS.window_s.value):
                continue
            over = settled and not flaps.stands
            if over or lasted(flaps.told_s, now_s, _FLAPS.window_s.value):
                kind = ChangeKind.CLEARED if over else ChangeKind.REVISED
                told.append(_counted(_change(flaps.finding, now_s, wall_s), flaps, kind, now_s))
                flaps.told_s = now_s
            if settled:
                flaps.since_s, flaps.count = inf, 0
        return told

    def memory(self, now_s: float) -> list[FlapMemory]:
        """Return the findings that flap, for the next process."""
        return [
            FlapMemory(
                finding=flaps.finding,
                raised_ages_s=[now_s - at_s for at_s in flaps.raised_s],
                since_age_s=now_s - flaps.since_s,
                told_age_s=now_s - flaps.told_s,
                count=flaps.count,
            )
            for flaps in self._flaps.values()
            if flaps.flapping and flaps.finding is not None
        ]


def _change(finding: Finding, now_s: float, wall_s: float | None) -> Change:
    return Change(
        t_s=now_s,
        wall_s=wall_s,
        change=ChangeKind.REVISED,
        finding=finding.name,
        severity=finding.severity,
        suspects=finding.suspects,
        evidence=finding.evidence,
        summary=finding.summary,
        wanted_senses=finding.wanted_senses,
    )


def _counted(change: Change, flaps: Flaps, kind: ChangeKind, now_s: float) -> Change:
    counts = {"comes_and_goes": True, "times": float(flaps.count), "over_s": round(now_s - flaps.since_s, 1)}
    return msgspec.structs.replace(change, change=kind, evidence=change.evidence | counts)
