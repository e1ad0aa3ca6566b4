"""When this unit is overdue for a call: a learned model of its own calls against outdoor temperature and hour.

Theory. A thermostat calls when heat has come into the house, so over a summer the share of each hour that a unit is
called rises with the temperature outdoors, in a way of its own for each part of the day (sun, people, setbacks). It is
learned as an exposure table: for each stretch of the day and each degree the hours watched and the hours called, whose
ratio is the rate; that is the piecewise-constant rate of survival analysis (T. R. Holford, The analysis of rates and
of survivorship using log-linear models, Biometrics 36 (1980) 299-305). Along the temperature the rates may only rise:
they are smoothed by isotonic regression, pool adjacent violators (M. Ayer et al., An empirical distribution function
for sampling with incomplete information, Ann. Math. Stat. 26 (1955) 641-647), which needs no formula of a curve, and
says of a day hotter than any before what it says of the hottest one. The temperature is the mean of that of now and
that of the last day, because a house is slow.

A silence is the time since the last call. The rates of its hours, summed, are the run time that is *owed*: the
cumulated hazard, by which silences in different weather become comparable (time rescaling: F. Papangelou, Trans. Am.
Math. Soc. 165 (1972) 483-506). A unit is overdue when it owes more than chance, its own habits and a changed set point
explain:

- Chance and habits: well more than the most it has owed in any silence of the last months that ended by itself.
  Setbacks and weekends away are in there.
- A set point that was raised, as before a journey, is like cooler weather. So the same sum is made for weather some
  degrees cooler, and it is enough that the unit is overdue even by that; or, in mild weather, overdue by hours.

Silences that were told as overdue teach nothing: a fault must not become a habit. Where the unit has not been called
for many days anyway, it is out of season, and nothing is said: somebody switches it on when it is needed.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from math import exp, floor
from typing import NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.load_state import MemoryPart, MonotonicTime, Saved

_B = limits.CALLS
HOUR_S, DAY_S = 3600.0, 86400.0


class Exposure(msgspec.Struct, array_like=True):
    """Hours watched and hours called, of one stretch of the day at one degree."""

    watched_h: float = 0.0
    called_h: float = 0.0


class Silence(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """The time since the last call. `owed_h` and `cooler_h` are the run time owed in this weather and in cooler
    weather; `exposure` what it would teach. `overdue` stays until the next call, or a person's word (`excused`)."""

    since_x: float
    owed_h: float = 0.0
    cooler_h: float = 0.0
    exposure: dict[str, float] = {}
    overdue: bool = False
    excused: bool = False


class CallsMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """All that is kept of a unit's calls. Keys of `table` are "stretch of the day/degree"; `most` has, by day, the most
    that was owed in a silence that ended by itself. `clock_s` is the time of day at x = 0, as far as it is known."""

    table: dict[str, Exposure] = {}
    days: int = 0
    day: int = -1
    last_day_c: float | None = None
    clock_s: float = 0.0
    most: dict[int, tuple[float, float]] = {}
    silence: Silence | None = None
    timeline: Saved = Saved()


CALLS_MEMORY = MemoryPart("calls", 1, CallsMemory, what="calls", then="learning begins afresh")


class Owed(NamedTuple):
    """What a silence owes, and what would be overdue: hours of run in this weather, and in weather that is cooler."""

    silent_h: float
    owed_h: float
    limit_h: float
    cooler_h: float
    cooler_limit_h: float

    @property
    def overdue(self) -> bool:
        """Whether chance, habit and a raised set point no longer explain it."""
        return self.owed_h >= self.limit_h or self.cooler_h >= self.cooler_limit_h


def rising(values: Sequence[float], weights: Sequence[float]) -> list[float]:
    """The sequence that never falls and is nearest to the values by weighted squares: pool adjacent violators."""
    pools: list[tuple[float, float, int]] = []
    for value, weight in zip(values, weights, strict=True):
        pool = (value, weight, 1)
        while pools and pools[-1][0] > pool[0]:
            before = pools.pop()
            total = before[1] + pool[1]
            pool = ((before[0] * before[1] + pool[0] * pool[1]) / total, total, before[2] + pool[2])
        pools.append(pool)
    return [value for value, _, count in pools for _ in range(count)]


class _Rates(NamedTuple):
    """Share of an hour called at each known degree of one stretch of the day, rising."""

    degrees: list[int]
    shares: list[float]

    def at(self, celsius: float) -> float:
        """The share at a temperature: that of the degree, or of the next cooler one that is known; below all of them
        less for each degree."""
        place = bisect_right(self.degrees, floor(celsius)) - 1
        if place >= 0:
            return self.shares[place]
        lowest = self.shares[0] - _B.share_per_k.value * (self.degrees[0] - celsius) if self.shares else 0.0
        return max(lowest, 0.0)


class Calls:
    """Learns how a unit is called, and says when it is overdue."""

    def __init__(self, settings: Settings, memory: CallsMemory | None = None) -> None:
        self.kept = memory or CallsMemory()
        heats = settings.unit.heat_pump
        self._from_c = limits.BASELINES.heat_pump_from_c.value if heats else _B.from_c.value
        self._owed_h = settings.limit(limits.OVERDUE_CALL.owed_h)
        self._cooler_h = settings.limit(limits.OVERDUE_CALL.cooler_h)
        self._line = MonotonicTime(None if memory is None else memory.timeline)
        self._last_x: float | None = None if memory is None else memory.timeline.x_s
        self._rates: dict[int, _Rates] = {}
        self._lately_c: tuple[float | None, float | None] = (None, None)

    # ------------------------------------------------------------ in

    def update(self, t_s: float, *, wall_s: float | None, call: bool | None, outdoor_c: float | None) -> None:
        """Add the time since the last update: whether the unit is called, and the temperature outdoors. None: not
        known, or of no matter because the unit could not have been called."""
        self._line.advance(t_s, wall_s)
        x_s = self._line.now_x
        last_x, self._last_x = self._last_x, x_s
        self._set_clock(x_s, wall_s)
        self._lately_c = self._lately_c[1], outdoor_c
        day = int((x_s + self.kept.clock_s) // DAY_S)
        if day != self.kept.day:
            self._begin_day(day)
        held_s = 0.0 if last_x is None else x_s - last_x
        if call is None or held_s > _B.gap_s.value:
            self._forget_silence(x_s)
            return
        if outdoor_c is not None:
            self._pass(x_s, held_s / HOUR_S, call, outdoor_c)
        if call:
            self._end_silence()
        elif self.kept.silence is None:
            self.kept.silence = Silence(since_x=x_s)

    def excuse(self) -> None:
        """A person says that the unit was not to be called: nothing is overdue until the next call."""
        if self.kept.silence is not None:
            self.kept.silence.overdue, self.kept.silence.excused = False, True

    def memory(self) -> CallsMemory:
        """Return what must survive a restart."""
        return msgspec.structs.replace(self.kept, timeline=self._line.save())

    # ------------------------------------------------------------ answers

    @property
    def learned(self) -> bool:
        """Whether there is enough to judge by."""
        return self.kept.days >= _B.days.value and self._called_h >= _B.called_h.value

    @property
    def _called_h(self) -> float:
        return sum(cell.called_h for cell in self.kept.table.values())

    @property
    def in_season(self) -> bool:
        """Whether the model speaks at all: learned, and called within the last days."""
        silence = self.kept.silence
        recent = silence is None or self._last_x is None or self._last_x - silence.since_x <= _B.season_s.value
        return self.learned and (recent or (silence is not None and silence.overdue))

    @property
    def outdoor_c(self) -> float | None:
        """The outdoor temperature that the last two updates bear out."""
        known = [celsius for celsius in self._lately_c if celsius is not None]
        return min(known, default=None)

    @property
    def overdue(self) -> bool | None:
        """Whether this unit should have been called; None while it is not known well enough, or out of season."""
        silence = self.kept.silence
        if silence is None:
            return False if self.learned else None
        if silence.overdue:
            return True
        return False if self.in_season or silence.excused else None

    def owed(self) -> Owed | None:
        """What the present silence owes; None while there is none."""
        silence = self.kept.silence
        if silence is None or self._last_x is None:
            return None
        most_h = max((owed_h for owed_h, _ in self.kept.most.values()), default=0.0)
        most_cooler_h = max((cooler_h for _, cooler_h in self.kept.most.values()), default=0.0)
        return Owed(
            silent_h=(self._last_x - silence.since_x) / HOUR_S,
            owed_h=silence.owed_h,
            limit_h=max(self._owed_h, _B.habit_ratio.value * most_h),
            cooler_h=silence.cooler_h,
            cooler_limit_h=max(self._cooler_h, _B.habit_ratio.value * most_cooler_h),
        )

    # ------------------------------------------------------------ inside

    def _set_clock(self, x_s: float, wall_s: float | None) -> None:
        """Keep the time of day; where it becomes known only now, or jumps by hours, what was learned moves along."""
        if wall_s is None:
            return
        clock_s = (wall_s - x_s) % DAY_S
        stretch_s = _B.stretch_h.value * HOUR_S
        moved_s = (clock_s - self.kept.clock_s + DAY_S / 2) % DAY_S - DAY_S / 2
        steps = round(moved_s / stretch_s)
        if steps:
            count = round(DAY_S / stretch_s)
            table = {}
            for key, cell in self.kept.table.items():
                stretch, degree = key.split("/")
                table[f"{(int(stretch) + steps) % count}/{degree}"] = cell
            self.kept.table = table
            self._rates.clear()
        if steps or not self.kept.table:
            self.kept.clock_s = clock_s

    def _begin_day(self, day: int) -> None:
        kept = self.kept
        if kept.day >= 0:
            kept.days += 1
            passed = max(day - kept.day, 1)
            share = 0.5 ** (passed / _B.half_life_days.value)
            for cell in kept.table.values():
                cell.watched_h *= share
                cell.called_h *= share
        kept.day = day
        kept.table = {key: cell for key, cell in kept.table.items() if cell.watched_h > _B.least_h.value}
        kept.most = {old: most for old, most in kept.most.items() if day - old < _B.habit_days.value}
        self._rates.clear()

    def _pass(self, x_s: float, hours: float, call: bool, outdoor_c: float) -> None:
        kept = self.kept
        if kept.last_day_c is None:
            kept.last_day_c = outdoor_c
        kept.last_day_c += (outdoor_c - kept.last_day_c) * (1.0 - exp(-hours / 24.0))
        if outdoor_c < self._from_c:
            return
        felt_c = (outdoor_c + kept.last_day_c) / 2.0
        stretch = int((x_s + kept.clock_s) % DAY_S // (_B.stretch_h.value * HOUR_S))
        key = f"{stretch}/{floor(felt_c)}"
        silence = kept.silence
        if call or silence is None:
            self._teach(key, hours, hours if call else 0.0)
            return
        if silence.overdue or silence.excused or (self.learned and not self.in_season):
            return
        silence.exposure[key] = silence.exposure.get(key, 0.0) + hours
        rates = self._rates.get(stretch)
        if rates is None:
            rates = self._rates[stretch] = self._fit(stretch)
        silence.owed_h += hours * rates.at(felt_c)
        silence.cooler_h += hours * rates.at(felt_c - _B.cooler_k.value)
        owed = self.owed()
        silence.overdue = self.learned and owed is not None and owed.overdue

    def _teach(self, key: str, watched_h: float, called_h: float) -> None:
        cell = self.kept.table.setdefault(key, Exposure())
        cell.watched_h += watched_h
        cell.called_h += called_h

    def _fit(self, stretch: int) -> _Rates:
        cells = sorted(
            (int(key.split("/")[1]), cell)
            for key, cell in self.kept.table.items()
            if key.startswith(f"{stretch}/") and cell.watched_h > 0
        )
        shares = rising([cell.called_h / cell.watched_h for _, cell in cells], [cell.watched_h for _, cell in cells])
        # What was seen for a few hours only is believed in part.
        trusted = []
        for place, share in enumerate(shares):
            seen_h = sum(cell.watched_h for _, cell in cells[max(0, place - 1) : place + 1])
            trusted.append(share * seen_h / (seen_h + _B.doubt_h.value))
        return _Rates([degree for degree, _ in cells], trusted)

    def _end_silence(self) -> None:
        silence, self.kept.silence = self.kept.silence, None
        if silence is None or silence.overdue or silence.excused:
            return
        for key, hours in silence.exposure.items():
            self._teach(key, hours, 0.0)
        if self.learned:
            most = self.kept.most.get(self.kept.day, (0.0, 0.0))
            self.kept.most[self.kept.day] = max(most[0], silence.owed_h), max(most[1], silence.cooler_h)

    def _forget_silence(self, x_s: float) -> None:
        """Nobody knows whether the unit was called: begin to count again. What is overdue stays so until a call."""
        silence = self.kept.silence
        if silence is not None and not silence.overdue:
            self.kept.silence = Silence(since_x=x_s, excused=silence.excused)
