"""What is normal for this unit, and slow drift from it.

Running current against outdoor temperature (baseline.py), cooling and heating apart, the fan's current and the split
of the indoor air likewise; the current's daily deviation through an EWMA and a CUSUM (drift.py), start times, pull-in
delay and coil current against the unit's own first ones, use and wear (wear.py). Only clean minutes teach (minutes.py).
Everything that must be learned says what it still needs before it speaks, and is silent until then.
"""

from __future__ import annotations

from math import inf
from statistics import median
from typing import Any, NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.baseline import (
    ANY,
    Baseline,
    BaselineMemory,
    NormalRange,
    Quantity,
    Stage,
    cooling_amps,
    fan_amps,
    heating_amps,
    split_k,
)
from condenser_monitor.monitor.baselines.drift import Cusum, Drift, Ewma
from condenser_monitor.monitor.baselines.minutes import CleanMinutes, EarlyMinutes, MinuteMeans, heats
from condenser_monitor.monitor.baselines.performance import air_split_k
from condenser_monitor.monitor.baselines.wear import DAY_S, FirstAndLast, Wear
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.load_state import MemoryPart, MonotonicTime, Saved
from condenser_monitor.monitor.core.records import Cycle, StartTransient

MEMORY_VERSION = 2
PARTS = ("compressor", "contactor", "call")  # what a person may reset; calls are baselines/calls.py


class DayMean(msgspec.Struct, forbid_unknown_fields=True):
    """The deviations of one day, being gathered."""

    day: int = -1
    total: float = 0.0
    count: int = 0


class TrendsMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """All that is learned, kept as it is learned."""

    version: int
    timeline: Saved
    baseline: BaselineMemory
    heating: BaselineMemory = msgspec.field(default_factory=BaselineMemory)
    fan: BaselineMemory = msgspec.field(default_factory=BaselineMemory)
    split: BaselineMemory = msgspec.field(default_factory=BaselineMemory)
    early: BaselineMemory = msgspec.field(default_factory=BaselineMemory)
    drift: Drift
    today: DayMean
    starts: FirstAndLast
    pull_in: FirstAndLast
    coil: FirstAndLast
    wear: Wear


def from_version_1(found: dict[str, Any]) -> dict[str, Any]:
    """The memory of version 0.1.0, which knew one line and kept its wings apart. Raises KeyError for one without."""
    baseline = dict(found["baseline"])
    line, wings = baseline.pop("line", None), baseline.pop("wings", {})
    stages = [] if line is None else [{"line": line, "low": wings["low"], "high": wings["high"]}]
    return found | {"version": 2, "baseline": baseline | {"stages": stages}}


def _new_drift() -> Drift:
    return Drift(
        Cusum(limits.BASELINES.drift_allow.value),
        Ewma(limits.BASELINES.ewma_weight.value),
        limits.BASELINES.drift_limit.value,
    )


TRENDS_MEMORY = MemoryPart(
    "trends",
    MEMORY_VERSION,
    TrendsMemory,
    what="trends",
    then="learning begins afresh",
    upgrades={1: from_version_1},
)


class Normal(NamedTuple):
    """What is normal, and how sure that is: the standard deviation of one minute about it."""

    value: float
    sd: float


class EarlierMinutes:
    """What the compressor drew in the first settled minutes of its last ordinary run, and of the unit's first ones,
    while nothing is learned yet; where no run settles, in the minutes before."""

    def __init__(self) -> None:
        self._run_s: float | None = None
        self._amps: list[float] = []
        self._last_a: float | None = None
        self._early_a: float | None = None
        self._first: list[tuple[float, float]] = []  # A, at °C
        self._now: tuple[float, float] | None = None  # of the run that has not ended yet

    def add(self, run_s: float | None, amps: float, outdoor_c: float | None) -> None:
        """Add a settled minute of the run that began at `run_s`. A run that begins at about half is no ordinary one."""
        if run_s != self._run_s:
            self._run_s, self._amps = run_s, []
        if len(self._amps) < limits.BASELINES.earlier_minutes.value:
            self._amps.append(amps)
            # Slow scans leave a short run few settled minutes: some will do to hold others against roughly.
            if len(self._amps) == limits.BASELINES.rough_minutes.value and outdoor_c is not None:
                self._now = (median(self._amps), outdoor_c)
            if len(self._amps) == limits.BASELINES.earlier_minutes.value:
                found = median(self._amps)
                low = self._last_a is not None and found < limits.BASELINES.earlier_ratio.value * self._last_a
                self._last_a = self._last_a if low else found
                self._now = None if low or outdoor_c is None else (found, outdoor_c)

    def add_early(self, amps: float) -> None:
        """Add a minute of a run that has not settled yet; one at about half is of no ordinary run."""
        if self._early_a is None or amps >= limits.BASELINES.earlier_ratio.value * self._early_a:
            self._early_a = amps

    def lowest_a(self, ratio: float) -> float | None:
        """Return the lowest normal current, such that `ratio` of it is too low; None where no run has gone on yet."""
        drew_a = self._early_a if self._last_a is None else self._last_a
        return None if drew_a is None else drew_a * limits.BASELINES.earlier_ratio.value / ratio

    def end(self, cycle: Cycle) -> None:
        """Count the run that has ended among the first ones, unless it broke off or was begun again."""
        broke_off_s = cycle.stopped_s - cycle.started_s - cycle.run_s
        once = cycle.closings <= 1 and cycle.compressor_starts <= 1 and broke_off_s <= limits.SETTLE_S.value
        if self._now is not None and once and len(self._first) < limits.BASELINES.rough_runs.value:
            self._first.append(self._now)
        self._now = None

    def roughly_a(self, outdoor_c: float, per_k: float) -> tuple[float, float] | None:
        """Return the least and the most that the first runs would have drawn at this temperature, A RMS, where the
        current changes by `per_k` of itself a K; None where too few were at any like it."""
        near = [
            amps * (1.0 + per_k * (outdoor_c - at_c))
            for amps, at_c in self._first
            if abs(outdoor_c - at_c) <= limits.BASELINES.rough_k.value
        ]
        return (min(near), max(near)) if len(near) >= limits.BASELINES.rough_least.value else None


class Baselines:
    """Learns the unit's own normal. `memory` is what `kept` of an earlier one held.

    `slow_start`: whether the last starts (their median) take 1.5 times as long as this unit's own first ones, or over
    0.4 s (contract.md, Findings; each number a setting); None: too few captured. `modulates`: a board sets the
    compressor's speed, as declared or as this unit has shown: no current of it is normal.
    """

    def __init__(self, settings: Settings, memory: TrendsMemory | None = None) -> None:
        unit = settings.unit
        self._settings = settings
        self.modulates = unit.kind == "variable-speed"
        self._senses_load = "load" in settings.fitted
        self._first_starts = settings.limit(limits.SLOW_START.first)
        self._last_starts = settings.limit(limits.SLOW_START.last)
        self._line = MonotonicTime(memory.timeline if memory else None)
        self._baseline = self._new_baseline(cooling_amps(unit), memory.baseline if memory else None)
        self._heating = self._new_baseline(heating_amps(unit), memory.heating if memory else None)
        self._fan = self._new_baseline(fan_amps(unit), memory.fan if memory else None)
        self._split = self._new_baseline(split_k(), memory.split if memory else None)
        self._early = self._new_baseline(cooling_amps(unit), memory.early if memory else None)
        drift = _new_drift()
        if memory:
            drift.carry_on(memory.drift)
        self.kept = TrendsMemory(
            version=MEMORY_VERSION,
            timeline=self._line.save(),
            baseline=self._baseline.kept,
            heating=self._heating.kept,
            fan=self._fan.kept,
            split=self._split.kept,
            early=self._early.kept,
            drift=drift,
            today=memory.today if memory else DayMean(),
            starts=memory.starts if memory else FirstAndLast(),
            pull_in=memory.pull_in if memory else FirstAndLast(),
            coil=memory.coil if memory else FirstAndLast(),
            wear=memory.wear if memory else Wear(),
        )
        self._clean, self._before = CleanMinutes(), EarlyMinutes()
        self._earlier = EarlierMinutes()
        self._heats = False
        self.slow_start: bool | None = None
        self._judge_starts()

    def _new_baseline(self, quantity: Quantity, memory: BaselineMemory | None = None) -> Baseline:
        # A unit of one stage is what an undeclared one looks like.
        stages = 2 if self._settings.unit.kind == "two-stage" else None
        baseline = Baseline(quantity, memory, expected_stages=stages)
        if any(not baseline.sane(stage.line.at_a) for stage in baseline.kept.stages):
            # Learned by an earlier version, which asked no nameplate; or the nameplate was corrected since.
            return Baseline(quantity, expected_stages=stages)
        return baseline

    # ------------------------------------------------------------ in

    def add_minute(self, minute: MinuteMeans) -> None:
        """Add the minute that has just ended, running or not; it teaches once the next one shows that it was clean."""
        readings, amps = minute.readings, minute.compressor_a
        if minute.settled and amps is not None:
            self._heats = heats(self._settings.unit, readings)
            self._current.look(readings.get("outdoor_c"), amps)
            if self._cools(readings.get("outdoor_c")) and (minute.sound or not self.stages):
                self._earlier.add(minute.running_since_s, amps, readings.get("outdoor_c") if minute.sound else None)
        early = self._before.add(minute)
        if early is not None and not self.stages:
            self._learn_early(early)
        clean = self._clean.add(minute)
        if clean is not None:
            self.learn_minute(t_s=clean.ended_s, wall_s=clean.wall_s, **clean.readings)

    def _learn_early(self, minute: MinuteMeans) -> None:
        """Learn from a minute of a run that has not settled yet: an oversized unit's seldom do."""
        self._advance(minute.ended_s, minute.wall_s)
        amps, outdoor_c = minute.compressor_a, minute.readings.get("outdoor_c")
        if amps is None or not self._early.sane(amps) or not self._cools(outdoor_c):
            return
        self._earlier.add_early(amps)
        if outdoor_c is not None:
            x_s = self._line.x(minute.ended_s)
            volts = minute.readings.get("line_v") or minute.readings.get("control_v")
            self._early.learn(outdoor_c, amps, volts, x_s, int(x_s // DAY_S), steady=True)

    def learn_minute(self, *, t_s: float, wall_s: float | None, **readings: float | None) -> None:
        """Learn from the means of one clean minute of settled run, by reading (A RMS, °C, V RMS)."""
        self._advance(t_s, wall_s)
        amps, outdoor_c = readings.get("compressor_a"), readings.get("outdoor_c")
        if amps is None or outdoor_c is None or amps <= 0:
            return
        x_s = self._line.x(t_s)
        day = int(x_s // DAY_S)
        steady = self.kept.drift.state == "steady"
        volts = readings.get("line_v") or readings.get("control_v")
        if heats(self._settings.unit, readings):
            self._heating.learn(outdoor_c, amps, volts, x_s, day, steady=True)
            return
        if not self.modulates:
            self._deviate(amps, outdoor_c, volts, x_s, day)
        self._baseline.learn(outdoor_c, amps, volts, x_s, day, steady=steady)
        fan_a, split = readings.get("fan_a"), air_split_k(readings)
        if fan_a is not None:
            self._fan.learn(outdoor_c, fan_a, volts, x_s, day, steady=steady)
        if split is not None:
            self._split.learn(outdoor_c, split, readings["return_air_c"], x_s, day, steady=steady)

    @property
    def _current(self) -> Baseline:
        return self._heating if self._heats else self._baseline

    def add_cycle(self, cycle: Cycle) -> None:
        """Add one finished cooling cycle: counts, hours, pull-in delay, coil current."""
        wall_s = None if cycle.started_wall_s is None else cycle.started_wall_s + cycle.stopped_s - cycle.started_s
        self._advance(cycle.stopped_s, wall_s)
        self.kept.wear.add(cycle, self._line.x(cycle.stopped_s))
        self._earlier.end(cycle)
        for kept, value in ((self.kept.pull_in, cycle.pull_in_s), (self.kept.coil, cycle.coil_a)):
            if value is not None:
                kept.add(value, first=limits.BASELINES.first.value, last=limits.BASELINES.last.value)

    def add_start(self, start: StartTransient) -> None:
        """Add one captured start; one captured too slowly to be timed is passed over."""
        self._advance(start.t_s, None)
        if start.rate_hz >= limits.BASELINES.start_rate_hz.value:
            self.kept.starts.add(start.duration_s, first=self._first_starts, last=self._last_starts)
            self._judge_starts()

    def _advance(self, now_s: float, wall_s: float | None) -> None:
        self._line.advance(now_s, wall_s)
        self.kept.timeline = self._line.save()

    def reset(self, part: str | None) -> None:
        """Forget what was normal for a part that was replaced or repaired ("compressor": also refrigerant, capacitor,
        fan, coil cleaned; "contactor"). Raises CommandError for any other part."""
        kept = self.kept
        if part == "compressor":
            learned = self._baseline, self._heating, self._fan, self._split, self._early
            self._baseline, self._heating, self._fan, self._split, self._early = anew = [
                self._new_baseline(old.quantity) for old in learned
            ]
            kept.baseline, kept.heating, kept.fan, kept.split, kept.early = (one.kept for one in anew)
            kept.drift, kept.today, kept.starts = _new_drift(), DayMean(), FirstAndLast()
            self._earlier = EarlierMinutes()
            self._judge_starts()
        elif part == "contactor":
            kept.wear.reset_contactor(self._line.now_x)
            kept.pull_in, kept.coil = FirstAndLast(), FirstAndLast()
        else:
            raise CommandError("renew", part, " or ".join(PARTS))

    # ------------------------------------------------------------ answers

    @property
    def stages(self) -> int:
        """At how many levels the compressor was found to run while it cools; 0 while learning."""
        return len(self._baseline.kept.stages)

    def normal_a(
        self, outdoor_c: float | None, volts: float | None = None, *, near_a: float | None = None
    ) -> float | None:
        """Return what the compressor normally draws at this outdoor temperature, in A RMS, in the stage nearest to
        `near_a`; None until learned, and outside the temperatures seen. With `volts` (the line's where they are sensed,
        else those of the 24 V side) at that voltage, where its effect could be learned."""
        return self._current.amps(outdoor_c, volts, near_a=near_a)

    def roughly_a(self, outdoor_c: float | None) -> tuple[float, float] | None:
        """Return the least and the most that the compressor draws at this temperature as its first runs have it, in A
        RMS, for the time in which nothing better is known; None where they do not tell. A run of two stages begins in
        its low one (common practice), so that its first minutes tell nothing of the most: that is infinite then."""
        if outdoor_c is None or self.modulates or self._heats:
            return None
        found = self._earlier.roughly_a(outdoor_c, limits.BASELINES.slope_per_k.value)
        two_stages = self._settings.unit.kind == "two-stage"
        return (found[0], inf) if found is not None and two_stages else found

    def normal_range(self, outdoor_c: float | None) -> NormalRange:
        """Return the lowest and the highest current that is normal now, over all stages; None on a side of which
        nothing is known, or where a new level may be a stage."""
        if self.modulates:
            return ANY
        if not self._current.kept.stages and self._cools(outdoor_c) and self._senses_load:
            # Until it is learned, what it drew at first is normal enough to tell that about half of it is not; or what
            # runs that never settle have taught. A drive that nobody declared has no contactor to be sensed.
            half_a = self._earlier.lowest_a(self._settings.limit(limits.LOW_RUNNING_CURRENT.ratio))
            early_a = self._early.range(outdoor_c).low_a
            lows_a = [half_a, None if early_a is None else early_a * limits.BASELINES.early_ratio.value]
            return NormalRange(max((low_a for low_a in lows_a if low_a is not None), default=None), None)
        return self._current.range(outdoor_c)

    def _cools(self, outdoor_c: float | None) -> bool:
        """Whether a run in this weather cools: a heat pump may draw half as much while it heats."""
        if not self._settings.unit.heat_pump:
            return True
        return outdoor_c is not None and outdoor_c >= limits.BASELINES.heat_pump_from_c.value

    def normal(self, name: str, outdoor_c: float | None, second: float | None = None) -> Normal | None:
        """Return what is normal of `fan_a` or `split_k` while the unit cools; `second` is the line's voltage for the
        fan's current, the return air's temperature for the split. None until learned. Raises KeyError for another
        name."""
        baseline = {"fan_a": self._fan, "split_k": self._split}[name]
        value = baseline.amps(outdoor_c, second)
        if outdoor_c is None or value is None:
            return None
        return Normal(value, baseline.sd_a(outdoor_c) or 0.0)

    def report(self) -> dict[str, Any]:
        """What is normal, drift, days still needed, use and wear: JSON-able, for the page and the contractor."""
        x_s, kept = self._line.now_x, self.kept
        counts = {"first": limits.BASELINES.first.value, "last": limits.BASELINES.last.value}
        return {
            "normal": self._report_normal(),
            "drift": self._report_drift(),
            "starts": kept.starts.report(first=self._first_starts, last=self._last_starts)
            | {"slow": self.slow_start, "needed": int(self._first_starts + self._last_starts)},
            "pull_in_s": kept.pull_in.report(**counts, step=limits.BASELINES.pull_in_step_s.value),
            "coil_a": kept.coil.report(**counts),
            "use": kept.wear.use(x_s),
            "contactor": kept.wear.contactor(x_s),
        }

    # ------------------------------------------------------------ inside

    def _judge_starts(self) -> None:
        """Say whether starts are slow by now."""
        starts = self.kept.starts
        now, usual = starts.now(self._last_starts), starts.usual(self._first_starts)
        if now is None:
            self.slow_start = None
        elif now > self._settings.limit(limits.SLOW_START.slow_s):
            self.slow_start = True
        else:
            apart = starts.count >= self._first_starts + self._last_starts
            # A hair less, for a ratio of floats that is meant to be exact.
            ratio = self._settings.limit(limits.SLOW_START.ratio) * (1 - 1e-9)
            self.slow_start = usual is not None and apart and now >= ratio * usual

    def _deviate(self, amps: float, outdoor_c: float, volts: float | None, x_s: float, day: int) -> None:
        """Gather the day's deviations; when a day is over, its mean goes to the drift watch."""
        today = self.kept.today
        if day != today.day:
            if today.count >= limits.BASELINES.day_minutes.value:
                self.kept.drift.add(today.total / today.count, x_s)
            self.kept.today = today = DayMean(day)
        normal_a = self._baseline.amps(outdoor_c, volts, near_a=amps)
        if normal_a is not None:
            today.total += amps / normal_a - 1.0
            today.count += 1

    def _report_normal(self) -> dict[str, Any]:
        kept, stages = self._baseline.kept, self._baseline.kept.stages
        if not stages:
            says = "Without the outdoor temperature, what is normal for this unit cannot be learned."
            days, minutes = int(limits.BASELINES.days.value), int(limits.BASELINES.minutes.value)
            seen, done = min(self._baseline.days_seen, days), min(kept.minutes, minutes)
            if "outdoor_c" in self._settings.fitted:
                so_far = f"{seen} of {days} days, {done} of {minutes} settled minutes"
                says = f"Learning what is normal for this unit: {so_far}."
            return {
                "state": "learning",
                "days": seen,
                "days_needed": days - seen,
                "minutes": kept.minutes,
                "minutes_needed": max(minutes - kept.minutes, 0),
                "says": says,
            }
        low_c = min(stage.low.reach_c for stage in stages)
        high_c = max(stage.high.reach_c for stage in stages)
        known = f"The normal current of this unit is known from {low_c:.0f} to {high_c:.0f} °C outdoors"
        return {
            "state": "learned",
            "days_needed": 0,
            "minutes_needed": 0,
            "from_c": round(low_c, 1),
            "to_c": round(high_c, 1),
            "a_per_k": round(stages[0].line.slope_a_per_k, 4),
            "sd_a": round(stages[0].line.sd_a, 3),
            "points": stages[0].line.points,
            "curve": _curve(stages[0]),
            "stages": [_curve(stage) for stage in stages],
            "says": f"{known}, at two stages." if len(stages) > 1 else f"{known}.",
        }

    def _report_drift(self) -> dict[str, Any]:
        drift = self.kept.drift
        since = drift.since_x
        return {
            "state": drift.state if drift.days else "unknown",
            "level": round(drift.ewma.level, 4),
            "days": drift.days,
            "sum_high": round(drift.cusum.high, 4),
            "sum_low": round(drift.cusum.low, 4),
            "limit": drift.limit,
            "since_wall_s": None if since is None else self._line.wall_s(since),
            "days_since": None if since is None else round((self._line.now_x - since) / DAY_S, 1),
        }


def _curve(stage: Stage, steps: int = 8) -> list[tuple[float, float | None]]:
    """Return (outdoor °C, A) along what was seen of one stage."""
    low_c, high_c = stage.low.reach_c, stage.high.reach_c
    at = [low_c + (high_c - low_c) * step / steps for step in range(steps + 1)]
    return [(round(c, 2), round(stage.amps(c), 3)) for c in at]
