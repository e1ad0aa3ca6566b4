"""What only shows over several cycles: counts and rows of starts, stops and openings, each a small pure counter.

A counter is told what was *seen* to happen (a start that was not seen is not told), and answers True while its pattern
stands, at any time it is asked; `ends_s()` are the times at which the answer may change by time alone.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from math import inf
from statistics import median
from typing import NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import OFFERED, Settings
from condenser_monitor.monitor.core.drives import DriveWatch
from condenser_monitor.monitor.core.inputs import lasted
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.readings import READINGS, compressor_bands
from condenser_monitor.monitor.core.records import Change, ChangeKind, Evidence, Finding, Offer, Scan


class Chatter:
    """Openings and closings of the contacts, scan by scan, within a short window while the call is present."""

    def __init__(self, changes: float, window_s: float) -> None:
        self.changes, self.window_s = int(changes), window_s
        self.times_s: deque[float] = deque(maxlen=self.changes)
        self._was: bool | None = None

    def update(self, *, load: bool | None, call: bool | None, now_s: float) -> None:
        """One scan, as read: chatter is faster than belief."""
        if load is None:
            return
        if self.turns(load) and call is not False:
            self.times_s.append(now_s)
        self._was = load

    def turns(self, load: bool | None) -> bool:
        """Whether the contacts are read otherwise than they last were."""
        return load is not None and self._was is not None and load is not self._was

    def stands(self, now_s: float) -> bool:
        full = len(self.times_s) == self.changes
        if not full or lasted(self.times_s[-1], now_s, self.window_s):
            return False
        return self.times_s[-1] - self.times_s[0] <= self.window_s + limits.MOMENT_S.value

    def ends_s(self) -> list[float]:
        return [self.times_s[-1] + self.window_s] if self.times_s else []

    def forget(self) -> None:
        self.times_s.clear()
        self._was = None


class ShortCycling:
    """Restarts too soon after a stop, runs too short, starts too many an hour."""

    def __init__(self, *, off_s: float, run_s: float, in_a_row: float, starts: float, window_s: float) -> None:
        self.off_s, self.run_s, self.in_a_row = off_s, run_s, int(in_a_row)
        self.starts, self.window_s = int(starts), window_s
        self.forget()

    def forget(self) -> None:
        self.soon = self.short = 0
        self._stopped_s: float | None = None
        self._started_s: float | None = None
        self.starts_s: deque[float] = deque(maxlen=self.starts + 1)

    def started(self, now_s: float) -> None:
        if self._stopped_s is not None:
            self.soon = 0 if lasted(self._stopped_s, now_s, self.off_s) else self.soon + 1
        self._started_s, self._stopped_s = now_s, None
        self.starts_s.append(now_s)

    def stopped(self, now_s: float) -> None:
        if self._started_s is not None:
            self.short = 0 if lasted(self._started_s, now_s, self.run_s) else self.short + 1
        self._stopped_s, self._started_s = now_s, None

    def excuse(self) -> None:
        """The stop had a reason outside the unit (the supply went): neither this run nor this pause is judged."""
        self._stopped_s = self._started_s = None

    def stands(self, now_s: float) -> bool:
        # A pause or a run that has already lasted long enough ends its row before the next event.
        if self._stopped_s is not None and lasted(self._stopped_s, now_s, self.off_s):
            self.soon = 0
        if self._started_s is not None and lasted(self._started_s, now_s, self.run_s):
            self.short = 0
        return bool(self.reasons(now_s))

    def seen(self) -> dict[str, str]:
        """What the restarts tell, where they have been soon so often."""
        return {"called-again": "soon"} if self.soon >= self.in_a_row else {}

    def reasons(self, now_s: float) -> list[str]:
        """Which of the three patterns stand, in plain words."""
        found = []
        if self.soon >= self.in_a_row:
            found.append(f"{self.soon} restarts in a row within {self.off_s:g} s of stopping")
        if self.short >= self.in_a_row:
            found.append(f"{self.short} runs in a row shorter than {self.run_s:g} s")
        if len(self.starts_s) > self.starts and now_s < self.starts_s[0] + self.window_s:
            found.append(f"more than {self.starts} starts within {self.window_s / 60:g} min")
        return found

    def ends_s(self) -> list[float]:
        times = []
        if self.soon and self._stopped_s is not None:
            times.append(self._stopped_s + self.off_s)
        if self.short and self._started_s is not None:
            times.append(self._started_s + self.run_s)
        if len(self.starts_s) > self.starts:
            times.append(self.starts_s[0] + self.window_s)
        return times


class SelfRestarts:
    """Times the compressor stopped and started again by itself while the contacts stayed closed. `called_off_s`: how
    long it must have been off where only the call tells that they are closed."""

    def __init__(self, restarts: float, window_s: float, least_off_s: float = 0.0, called_off_s: float = 0.0) -> None:
        self.restarts, self.window_s = int(restarts), window_s
        self.least_off_s, self.called_off_s = least_off_s, called_off_s
        self.times_s: deque[float] = deque(maxlen=self.restarts)
        self._stopped_s: float | None = None
        self.read_open_s = -inf  # a single scan that finds the contacts open moves no belief, but tells of this stop

    def forget(self) -> None:
        self.times_s.clear()
        self._stopped_s = None

    def stopped(self, now_s: float) -> None:
        """The compressor stopped with the contacts closed."""
        self._stopped_s = now_s

    def opened(self) -> None:
        """The contacts opened, or it is no longer known that they are closed."""
        self._stopped_s = None

    def started(self, now_s: float, *, by_call: bool = False) -> None:
        """The compressor runs again; `by_call`: only the call tells that the contacts were closed."""
        # What is back within seconds was a blink of the line: no protector closes so soon.
        by_itself = self._stopped_s is not None and self.read_open_s < self._stopped_s
        if by_itself and lasted(self._stopped_s or 0.0, now_s, self.called_off_s if by_call else self.least_off_s):
            self.times_s.append(now_s)
        self._stopped_s = None

    def stands(self, now_s: float) -> bool:
        return len(self.times_s) == self.restarts and now_s < self.times_s[0] + self.window_s

    def ends_s(self) -> list[float]:
        return [self.times_s[0] + self.window_s] if len(self.times_s) == self.restarts else []


class HeatWatch:
    """How long it has been hot since the last call, and whether this unit has called in like heat on an earlier day."""

    HOUR_S = 3600.0

    def __init__(self, *, hot_c: float, hot_s: float, earlier_s: float) -> None:
        self.hot_c, self.hot_s, self.earlier_s = hot_c, hot_s, earlier_s
        self.since_call_s = 0.0
        self.days: deque[tuple[int, float]] = deque(maxlen=24)
        self.called_s: deque[float] = deque(maxlen=64)
        self._last: tuple[float, bool] | None = None

    def update(self, *, outdoor_c: float | None, call: bool | None, now_s: float, longest_s: float) -> None:
        """One scan. A pause longer than `longest_s`, or a missing temperature, counts no heat."""
        if self._last is not None and self._last[1] and now_s - self._last[0] <= longest_s:
            self._add(self._last[0], now_s - self._last[0])
        self._last = None if outdoor_c is None else (now_s, outdoor_c > self.hot_c)
        if call:
            self.since_call_s = 0.0
            if self._hot_day_s(now_s) >= self.hot_s and (not self.called_s or now_s - self.called_s[-1] > self.HOUR_S):
                self.called_s.append(now_s)

    def _add(self, at_s: float, held_s: float) -> None:
        self.since_call_s += held_s
        hour = int(at_s // self.HOUR_S)
        if self.days and self.days[-1][0] == hour:
            held_s += self.days.pop()[1]
        self.days.append((hour, held_s))

    def _hot_day_s(self, now_s: float) -> float:
        first = int(now_s // self.HOUR_S) - 23
        return sum(held_s for hour, held_s in self.days if hour >= first)

    def stands(self, now_s: float) -> bool:
        earlier = any(lasted(at_s, now_s, self.earlier_s) for at_s in self.called_s)
        return earlier and self.since_call_s >= self.hot_s


class InRun:
    """Whether a number has risen to its highest band while the compressor runs; it has not once a run has gone on for
    `settled_s` without it. At rest nothing is known of it."""

    def __init__(self, settings: Settings, reading: str, settled_s: float) -> None:
        row = READINGS[reading]
        assert row.inputs is not None
        self._reading, self._settled_s = reading, settled_s
        self._running, self._bands = compressor_bands(settings.unit), row.inputs(settings)[reading]
        self._ran: int | None = None
        self._band: int | None = None
        self._usual_since_s: float | None = None

    def update(self, scan: Scan) -> bool | None:
        """Hear a scan; return the answer after it."""
        value: float | None = getattr(scan, self._reading)
        if scan.compressor_a is None or value is None:
            return None
        self._ran = self._running.place(scan.compressor_a, self._ran)
        self._band = self._bands.place(value, self._band)
        if not self._ran or self._band == len(self._bands.edges):
            self._usual_since_s = None
            return True if self._ran else None
        if self._usual_since_s is None:
            self._usual_since_s = scan.t_s
        return False if scan.t_s - self._usual_since_s >= self._settled_s else None


class FanlessRuns:
    """What the compressor drew, by which runs without their fan's current are judged: in the first whole minute of this
    one (`early_a`), at the end of the last run with its fan (`fan_run`: A, at °C outdoors); and how many such runs in a
    row drew no more than usual (`steady_runs`). Of runs that are too short to settle: how long the last one with its
    fan was, and what it drew at its end (`short_run`: s, A, at °C outdoors), and how many without in a row were no
    longer and drew no more (`short_runs`)."""

    def __init__(self) -> None:
        self.early_a: float | None = None
        self.fan_run: tuple[float, float] | None = None
        self.steady_runs = 0
        self.short_run: tuple[float, float, float] | None = None
        self.short_runs = 0

    def as_short(self, ran_s: float, drew_a: float | None, outdoor_c: float | None) -> bool:
        """Return whether a run was as short as the last short one with its fan, and drew no more."""
        if self.short_run is None or drew_a is None or outdoor_c is None:
            return False
        with_fan_s, with_fan_a, at_c = self.short_run
        known_a = with_fan_a * (1.0 + limits.BASELINES.slope_per_k.value * (outdoor_c - at_c))
        as_long = ran_s <= with_fan_s * limits.TRUST.as_long_ratio.value
        return as_long and drew_a <= known_a * limits.TRUST.steady_ratio.value

    def with_fan_a(self, outdoor_c: float | None) -> float | None:
        """Return what it drew with its fan, moved to this temperature, A RMS; None where that is not known."""
        if self.fan_run is None or outdoor_c is None:
            return None
        drew_a, at_c = self.fan_run
        return drew_a * (1.0 + limits.BASELINES.slope_per_k.value * (outdoor_c - at_c))


class Stops:
    """Where the chain broke when the last runs ended, and whether the fan ran in them; in the words of
    predictions.HISTORY."""

    def __init__(self, in_a_row: float) -> None:
        self.places: deque[str | None] = deque(maxlen=int(in_a_row))
        # One less: in the run in which the fan failed it had been running before.
        self.fans: deque[str | None] = deque(maxlen=max(int(in_a_row) - 1, 1))
        self._fan: str | None = None
        self._stopped_s = -inf

    def started(self) -> None:
        self._fan = None

    def runs(self, facts: Facts) -> None:
        """The compressor runs."""
        if facts.fan is not None and self._fan != "ran" and not (self._fan == "stalled" and not facts.fan):
            self._fan = ("stalled" if facts.stalled else "ran") if facts.fan else "still"

    def stopped(self, facts: Facts, at_s: float, *, fan_stood: bool = False) -> None:
        """The compressor stopped; `fan_stood`: its fan had stood still beside it until then, whatever it did before."""
        self.places.append(stop_place(facts))
        self.fans.append("still" if fan_stood and self._fan == "ran" else self._fan)
        self._stopped_s = at_s

    def within(self, running: Facts, stopped: Facts) -> None:
        """Count a run that a single scan showed, and the next one found the contacts open again."""
        self.started()
        self.runs(running)
        self.places.append(stop_place(stopped))
        self.fans.append(self._fan)

    def changed(self, facts: Facts, at_s: float) -> None:
        """Readings need not be of one instant: what changes just after a stop still belongs to it."""
        if self.places and at_s - self._stopped_s <= limits.STALE_S.value and not facts.runs:
            self.places[-1] = stop_place(facts)

    def seen(self) -> dict[str, str]:
        """What all the last runs have in common, where they agree and it is known."""
        found: dict[str, str] = {}
        for name, last in (("stopped-at", self.places), ("fan-in-runs", self.fans)):
            if len(last) == last.maxlen and len(set(last)) == 1 and last[0] is not None:
                found[name] = last[0]
        if len(self.fans) == self.fans.maxlen and set(self.fans) == {"stalled", "still"}:
            # A motor that stalls trips its own protector, and stands still in the next run while that is hot.
            found["fan-in-runs"] = "stalled"
        return found


def stop_place(facts: Facts) -> str | None:
    """The first dead link of a unit that has just stopped."""
    if facts.thermostat is False and not (facts.call and facts.contacts is False):
        return "thermostat"  # a call that stands without it, as over wires that touch, is let go by what is behind
    if facts.call is False:
        return "safety" if facts.thermostat else "call"
    if facts.call is None or facts.contacts is None:
        return None
    return "compressor" if facts.contacts else "contacts"


class Patterns:
    """All counters of one unit, fed with what is believed to change."""

    def __init__(self, settings: Settings) -> None:
        limit = settings.limit
        chatter, short, overload = limits.CONTACTOR_CHATTER, limits.SHORT_CYCLING, limits.OVERLOAD_CYCLING
        heat = limits.NO_CALL_IN_HEAT
        self.chatter = Chatter(limit(chatter.changes), limit(chatter.window_s))
        self.short = ShortCycling(
            off_s=limit(short.off_s),
            run_s=limit(short.run_s),
            in_a_row=limit(short.in_a_row),
            starts=limit(short.starts),
            window_s=limit(short.window_s),
        )
        self.overload = SelfRestarts(
            limit(overload.restarts),
            limit(overload.window_s),
            limit(overload.least_off_s),
            limit(overload.called_off_s),
        )
        self.stops = Stops(limit(short.in_a_row))
        self._fan_off_s = -inf  # when the fan stopped, while it stands
        self._fan_dead_s = limit(limits.FAN_NOT_RUNNING.hold_s)
        self._stopped_s = inf  # when the compressor last did
        self.heat = HeatWatch(hot_c=limit(heat.hot_c), hot_s=limit(heat.hot_s), earlier_s=limits.EARLIER_DAY_S.value)
        self.no_call_s = limit(heat.hold_s)

    def changed(self, was: Facts, facts: Facts, at_s: float) -> None:
        """What is believed went from `was` to `facts` at `at_s`. Only what was seen counts: unknown to known is not."""
        if facts.fan or facts.fan_may_rest:
            self._fan_off_s = -inf
        elif was.fan and facts.fan is False:
            self._fan_off_s = at_s
        if not self._held_closed(facts):
            self.overload.opened()
        if facts.supply is False and was.supply is not False:
            self.short.excuse()
        before, after = _ran(was), _ran(facts)
        if sensed_by(was) != sensed_by(facts):
            # What differs need not have changed: another sense tells it now.
            before = None
            self.short.excuse()
            self.overload.opened()
        if before is False and after:
            self.short.started(at_s)
            self.overload.started(at_s, by_call=was.load is None and not was.fan)
            self.stops.started()
        elif before and after is False:
            self._stopped(facts, at_s)
        elif after is None:
            self.short.excuse()
            self.overload.opened()
        else:
            self.stops.changed(facts, at_s)
        if after:
            self.stops.runs(facts)  # also where the contacts alone tell: one that is called runs its fan

    def _stopped(self, facts: Facts, at_s: float) -> None:
        self._stopped_s = at_s
        self.short.stopped(at_s)
        fan_stood = self._fan_off_s > -inf and lasted(self._fan_off_s, at_s, self._fan_dead_s)
        self.stops.stopped(facts, at_s, fan_stood=fan_stood)
        if facts.supply is False:
            self.short.excuse()
        if self._held_closed(facts):
            self.overload.stopped(at_s)

    def _held_closed(self, facts: Facts) -> bool:
        return held_closed(facts, fan_off=self._fan_off_s >= self._stopped_s - limits.STALE_S.value)

    def stopped_within(self, facts: Facts, within: Facts, at_s: float, now_s: float) -> None:
        """Count a stop in a run that a single scan showed at `at_s`; by `now_s` it ran again as before."""
        self.changed(facts, within, at_s)
        self.changed(within, facts, now_s)

    def follow(self, standing: Collection[str]) -> None:
        """What a standing parent causes is not counted again as a pattern of its own."""
        if "contacts-stuck-closed" in standing:
            self.short.forget()
        if "contactor-chatter" in standing:
            self.short.forget()
            self.overload.forget()
        elif "line-supply-lost" in standing:
            self.chatter.forget()

    def gap(self) -> None:
        """Nothing was seen for a while."""
        self.chatter.forget()
        self.short.excuse()
        self.overload.opened()

    def deadline(self, now_s: float) -> float:
        """When after `now_s` an answer may next change by time alone, s."""
        ends_s = (*self.chatter.ends_s(), *self.short.ends_s(), *self.overload.ends_s())
        return min((at_s for at_s in ends_s if at_s > now_s), default=inf)


def held_closed(facts: Facts, *, fan_off: bool) -> bool:
    """The contacts stay closed as far as is known: sensed, or shown by the fan, or, with neither, by the call.
    `fan_off`: the fan has stopped with the compressor or since. One that had stood before tells nothing of them."""
    if facts.supply is False or facts.call is False:
        return False
    if facts.load is not None:
        return facts.load
    return bool(facts.fan or (facts.call and not fan_off))


def sensed_by(facts: Facts) -> str:
    """The sense that tells whether the unit runs: the contacts stand in for a compressor whose current is not known."""
    return "compressor" if facts.compressor is not None else "load"


def _ran(facts: Facts) -> bool | None:
    return facts.compressor if facts.compressor is not None else facts.load


# ---------------------------------------------------------------- what comes and goes

# The budget for it: a finding that flaps is told once with its counts, then once an hour. The findings themselves stay
# as quick as they are; this step stands behind the diagnosis and decides which of their changes go on to alarms, disk
# and broker. While a finding flaps it counts as standing: it is over when it has been quiet for an hour, and no longer
# flaps when it has stood for an hour.

_FLAPS = limits.FLAPPING


class _Budget(NamedTuple):
    """More often than `raises` times within `window_s` is coming and going; over when quiet, or standing, for
    `settled_s`."""

    raises: int
    window_s: float
    settled_s: float


_BUDGET = _Budget(int(_FLAPS.raises.value), _FLAPS.window_s.value, _FLAPS.settled_s.value)
# A joint of a sensor that barely holds is found and believed again by the hour: one visit mends it, and no one waits
# for the news of it.
_OF_A_SENSOR = _Budget(int(_FLAPS.sensor_raises.value), _FLAPS.sensor_s.value, _FLAPS.sensor_s.value)
_BUDGETS = dict.fromkeys(("sensing-disagrees", "sensor-silent"), _OF_A_SENSOR)


class FlapMemory(msgspec.Struct, frozen=True, kw_only=True):
    """One finding that flaps, as ages in s at the time of writing."""

    finding: Finding
    raised_ages_s: list[float]
    since_age_s: float
    told_age_s: float
    count: int


@dataclass(slots=True)
class Flaps:
    """One finding's comings and goings: when it was raised of late, and, while it flaps, since when, how often, when
    that was last told, and when it was last seen to come or go."""

    budget: _Budget
    raised_s: deque[float] = field(init=False)
    revised_s: deque[float] = field(init=False)
    since_s: float = inf
    told_s: float = inf
    changed_s: float = -inf
    count: int = 0
    stands: bool = False
    flapping: bool = False  # its changes are held back
    finding: Finding | None = None
    sensors: frozenset[str] = frozenset()  # those that it has named

    def __post_init__(self) -> None:
        self.raised_s = deque(maxlen=self.budget.raises + 1)
        self.revised_s = deque(maxlen=_BUDGET.raises)


class FlapFilter:
    """Lets changes through, or holds them back. `memory` is what `memory()` of an earlier process gave."""

    def __init__(self, memory: Iterable[FlapMemory] = ()) -> None:
        self._flaps: dict[str, Flaps] = {}
        for row in memory:
            flaps = self._flaps[row.finding.name] = Flaps(_BUDGETS.get(row.finding.name, _BUDGET))
            flaps.raised_s.extend(-age_s for age_s in row.raised_ages_s)
            flaps.since_s, flaps.told_s, flaps.count = -row.since_age_s, -row.told_age_s, row.count
            flaps.changed_s, flaps.finding, flaps.flapping = flaps.told_s, row.finding, True
            flaps.sensors = _sensors(row.finding.evidence)

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
        told = []
        for change in changes:
            flaps = self._flaps.setdefault(change.finding, Flaps(_BUDGETS.get(change.finding, _BUDGET)))
            now_s = change.t_s
            flaps.finding = standing.get(change.finding) or gone.get(change.finding)
            revised = change.change is ChangeKind.REVISED
            if not revised:
                flaps.changed_s, flaps.stands = now_s, change.change is ChangeKind.RAISED
                if flaps.stands:
                    flaps.raised_s.append(now_s)
                    flaps.count += flaps.flapping
            sensors, named = flaps.sensors, _sensors(change.evidence)
            flaps.sensors |= named
            if flaps.flapping:
                if named - sensors and change.change is not ChangeKind.CLEARED:
                    told.append(change)  # another one
                continue
            times_s = flaps.revised_s if revised else flaps.raised_s
            window_s = _BUDGET.window_s if revised else flaps.budget.window_s
            often = len(times_s) == times_s.maxlen and now_s - times_s[0] <= window_s
            if revised:
                if not often:
                    times_s.append(now_s)
                    told.append(change)
            elif flaps.stands and often:
                # Told as raised, with its counts; what it does from now on is told by the hour.
                flaps.flapping, flaps.count = True, len(times_s)
                flaps.since_s, flaps.told_s = times_s[0], now_s
                told.append(_counted(change, flaps, ChangeKind.RAISED, now_s))
            else:
                told.append(change)
        return told

    def tick(self, now_s: float, wall_s: float | None) -> list[Change]:
        """Return what is due by time: the counts of an hour, and the end of the flapping."""
        told = []
        for flaps in self._flaps.values():
            if not flaps.flapping or flaps.finding is None:
                continue
            settled = lasted(flaps.changed_s, now_s, flaps.budget.settled_s)
            over = settled and not flaps.stands
            if over or lasted(flaps.told_s, now_s, flaps.budget.window_s):
                kind = ChangeKind.CLEARED if over else ChangeKind.REVISED
                told.append(_counted(Change.of(flaps.finding, ChangeKind.REVISED, now_s, wall_s), flaps, kind, now_s))
                flaps.told_s = now_s
            if settled:
                flaps.flapping, flaps.count, flaps.sensors = False, 0, frozenset()
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


def _sensors(evidence: Evidence) -> frozenset[str]:
    """The sensors that a finding names: those that lie, or are silent."""
    named = (evidence.get(name) for name in ("distrusted", "silent"))
    return frozenset(one for names in named if isinstance(names, list) for one in names)


def _counted(change: Change, flaps: Flaps, kind: ChangeKind, now_s: float) -> Change:
    counts = {"comes_and_goes": True, "times": float(flaps.count), "over_s": round(now_s - flaps.since_s, 1)}
    return msgspec.structs.replace(change, change=kind, evidence=change.evidence | counts)


# ---------------------------------------------------------------- habits: what a unit does by design

# It must not be taken for a fault: as declared in the site file, or as learned. A delay that holds the contactor off,
# the utility's switch that cuts the call: both look like a fault at first, end by themselves, and last as long each
# time. What has lasted equally long several times in a row is learned and *offered* ("it looks as if ...?"):
# nothing is raised for it as long as it keeps to its time, and the site file settles it. A fault does not keep time.

_HABIT = limits.HABITS


class HabitMemory(msgspec.Struct, frozen=True, kw_only=True):
    """The last durations of one habit, s, the oldest first."""

    name: str
    lasted_s: list[float]


def _to_a_scan_s(usual_step_s: float) -> float:
    """How much a timer that keeps time to the second may seem to differ, at scans so far apart."""
    return max(_HABIT.slack_s.value, usual_step_s)


class Durations:
    """How long something lasted, the last few times. `two`: two that are equal to the second are a timer's already;
    `late`: its begin may be read as late as scans are apart, so that one time may seem shorter than the least."""

    def __init__(self, least: limits.Limit, most: limits.Limit, *, two: bool = False, late: bool = False) -> None:
        self.least_s, self.most_s, self.two, self.late = least.value, most.value, two, late
        self.lasted_s: deque[float] = deque(maxlen=int(_HABIT.times.value))

    def learned_s(self, usual_step_s: float) -> float | None:
        """The common duration, None while there is none; scans that are far apart see it no more exactly."""
        if len(self.lasted_s) >= (self.lasted_s.maxlen or 0):
            return self.common_s(usual_step_s)
        timed = self.two and len(self.lasted_s) >= 2 and 2.0 * usual_step_s <= _HABIT.slack_s.value
        return self.common_s() if timed else None

    def alike(self, usual_step_s: float) -> bool:
        """Whether the last two were as long as each other, as far as scans so far apart can tell."""
        if len(self.lasted_s) < 2:
            return False
        slack_s = _to_a_scan_s(usual_step_s)
        within = all(self.least_s <= one <= self.most_s for one in self.lasted_s)
        return within and abs(self.lasted_s[-1] - self.lasted_s[-2]) <= slack_s

    def so_far_s(self, usual_step_s: float) -> float | None:
        """The common duration of the first times of all, of which there may be one; None once there are enough to learn
        from."""
        return None if len(self.lasted_s) == self.lasted_s.maxlen else self.common_s(usual_step_s)

    def common_s(self, usual_step_s: float | None = None) -> float | None:
        """What they all lasted, as exactly as scans so far apart can tell; None: to the second, as a timer keeps it."""
        if not self.lasted_s:
            return None
        low, high = min(self.lasted_s), max(self.lasted_s)
        slack_s = _HABIT.slack_s.value
        if usual_step_s is not None and self.two:
            slack_s = _to_a_scan_s(usual_step_s)
        elif usual_step_s is not None:
            slack_s = max(slack_s, _HABIT.slack_ratio.value * high, 2.0 * usual_step_s)
        least_s = self.least_s
        if self.late and usual_step_s is not None and low > 0.0 and median(self.lasted_s) >= least_s:
            least_s -= usual_step_s
        return high if least_s <= low and high <= self.most_s and high - low <= slack_s else None


# Findings whose condition may hold longer by what a unit does by design.
GRACED = (
    *("call-without-pull-in", "call-without-run", "call-not-reaching-unit"),
    *("fan-not-running", "compressor-not-running", "pull-in-without-run", "contacts-stuck-closed"),
)
# Those that come where a compressor is called and draws nothing, or too little for a run.
FINDINGS_OF_NO_CURRENT = ("call-without-run", "compressor-not-running", "pull-in-without-run")
_MODULATES, _AT_ONCE = "variable-speed", "starts-at-once"  # their names in the memory
_HEATS = "heat_pump"
# habit -> its name in `[unit] not_by_design`
_OFFERED_AS = {
    "delay-on-make": "delay_on_make_s",
    "delay-on-break": "delay_on_break_s",
    "load-shed": "load_shed",
    "fan-run-on": "board",
}
_SCANS_APART = 1.5  # scans that are far apart may see fan and compressor change at different ones


def _coil_fed(facts: Facts) -> bool:
    """Whether the coil's current or its volts tell that the call has passed what sits ahead of the coil."""
    return facts.coil not in (None, "none") or facts.others.get("coil_v") in ("normal", "high")


class _Slowing(NamedTuple):
    """How far one run's compressor and fan have slowed down: when it began, the minute of the compressor's highest
    current, whether the last minute was slow, and whether the run has been counted."""

    started_s: float = -inf
    compressor_a: float = 0.0
    fan_a: float = 0.0
    seen: bool = False
    counted: bool = False


def _offer(name: str, key: str, value: float | bool | str, lasted: float = 0.0) -> Offer:
    question = OFFERED[name].format(lasted=round(lasted))
    return Offer(setting=f"unit.{key}", value=value, question=question, lasted=round(lasted))


class Habits:
    """Follows one unit. `memory` is what `memory()` of an earlier process gave."""

    def __init__(self, settings: Settings, memory: Iterable[HabitMemory] = ()) -> None:
        self._unit = settings.unit
        self._frost_s = settings.limit(limits.FAN_NOT_RUNNING.defrost_s)
        self._fan_hold_s = settings.limit(limits.FAN_NOT_RUNNING.hold_s)
        self._frost_s -= self._fan_hold_s
        self.durations = {
            "delay-on-make": Durations(_HABIT.delay_least_s, _HABIT.delay_most_s, late=True),
            "delay-on-break": Durations(_HABIT.delay_least_s, _HABIT.break_most_s),
            "load-shed": Durations(_HABIT.shed_least_s, _HABIT.shed_most_s, two=True),
            "fan-run-on": Durations(_HABIT.delay_least_s, _HABIT.run_on_s),
            "compressor-after-fan": Durations(_HABIT.delay_least_s, _HABIT.ramp_s),
            "fan-after-compressor": Durations(_HABIT.delay_least_s, _HABIT.run_on_s),
            "fan-cycles": Durations(_HABIT.delay_least_s, _HABIT.fan_cycles_most_s),
        }
        self._modulates = False
        self._drive = DriveWatch(self._unit.compressor_rla_a)
        self._slowing = _Slowing()
        self._slowed_runs = 0  # in how many runs compressor and fan slowed down together
        self._cold_runs, self._cold_run_s = 0, -inf  # how many runs in the cold, and when the last of them began
        for row in memory:
            self._modulates |= row.name == _MODULATES
            self._cold_runs += len(row.lasted_s) if row.name == _HEATS else 0
            self._drive.at_once += len(row.lasted_s) if row.name == _AT_ONCE else 0
            if row.name in self.durations:
                self.durations[row.name].lasted_s.extend(row.lasted_s)
        self._waiting_s = self._cut_s = self._fan_alone_s = self._fan_first_s = self._fan_awaited_s = inf
        self._cold = False
        self._fan_rests_s = inf  # since when the fan has rested in the middle of a run in the cold
        self._asked_s = inf  # since when the thermostat calls and no call is at the unit
        self._back_s = inf  # since when the call is back after such a cut, with a thermostat that has not let go
        # For how long it was back before each of the last cuts; inf where the thermostat had let go meanwhile.
        self._between_s: deque[float] = deque(maxlen=int(_HABIT.times.value))
        self._opened_s = self._blinked_s = -inf
        self._held_off_s = inf  # since when the contacts have been open under a call
        self._let_go: tuple[float, str | None] | None = None  # when, in a run, under its call, and what was drawn then
        self._safety_s = -inf  # when such a stop was last over sooner than a utility's switch would have it
        self._coil_cut = False  # whether the coil was seen to get nothing under the call that stands
        self._coil_off_s = self._coil_back_s = inf  # since when, in a run; since when it is fed again after that
        self._was = Facts()

    # ------------------------------------------------------------ in

    def call_blinked(self, at_s: float) -> None:
        """Note a scan that reads no call amid one that stands: believed or not, a delay relay begins anew."""
        self._blinked_s = at_s

    def update(self, facts: Facts, at_s: float, *, cold: bool = False) -> None:
        """Note what is believed since `at_s`; `cold`: it is known to be so cold outdoors that head pressure falls."""
        was, self._cold = self._was, cold
        closed = facts.contacts if facts.contacts is not None else facts.runs
        was_closed = was.contacts if was.contacts is not None else was.runs
        if was_closed and closed is False:
            self._opened_s = at_s
        if facts.compressor and was.compressor is False:
            self._drive.started()
        off = facts.call and closed is False and facts.supply is not False
        self._mind_coil(facts, at_s, off=bool(off), let_go=bool(off and was_closed and was.call), closed=bool(closed))
        if not off or _coil_fed(facts):
            self._coil_cut = False
        elif facts.coil == "none" or facts.others.get("coil_v") in ("dead", "ghost"):
            self._coil_cut = True
        if off and was_closed and was.call:
            self._let_go = (at_s, was.draw)
        elif not off:
            if self._let_go is not None and facts.call and not lasted(self._let_go[0], at_s, _HABIT.shed_least_s.value):
                self._safety_s = at_s
            self._let_go = None
        self._held_off_s = min(self._held_off_s, at_s) if off else inf
        if off:
            # Only a wait whose begin was seen has a length.
            if was.call is False or (was_closed and was.call):
                self._waiting_s = at_s if was.call is False else inf
        elif facts.call and closed:
            self._closed(at_s)
        else:
            self._waiting_s = inf
        self._mind_cut(was, facts, at_s)
        self._mind_run_on(was, facts, at_s)
        self._mind_ramp(was, facts, at_s)
        self._mind_late_fan(was, facts, at_s)
        self._mind_fan_cycles(was, facts, at_s, cold=cold)
        self._was = facts

    def _closed(self, at_s: float) -> None:
        if self._waiting_s < inf:
            self.durations["delay-on-make"].lasted_s.append(at_s - self._waiting_s)
            held = at_s - self._waiting_s >= _HABIT.delay_least_s.value
            if held and self._opened_s > -inf:
                self.durations["delay-on-break"].lasted_s.append(at_s - self._opened_s)
        self._waiting_s = inf

    def _mind_cut(self, was: Facts, facts: Facts, at_s: float) -> None:
        self._asked_s = min(self._asked_s, at_s) if facts.thermostat and facts.call is False else inf
        if facts.thermostat and facts.call is False:
            if was.call and was.thermostat:
                self._cut_s = at_s
                self._between_s.append(at_s - self._back_s if self._back_s < inf else inf)
        else:
            if self._cut_s < inf and facts.thermostat and facts.call:
                self.durations["load-shed"].lasted_s.append(at_s - self._cut_s)
                self._back_s = at_s
            elif not facts.thermostat:
                self._back_s = inf
            self._cut_s = inf

    def _mind_coil(self, facts: Facts, at_s: float, *, off: bool, let_go: bool, closed: bool) -> None:
        """See a switch behind the call's tap, as one on the outdoor unit is: the coil gets nothing, with nothing odd
        drawn before, and is fed again, for longer than any delay of a board."""
        if let_go:
            self._coil_off_s = at_s if self._was.draw not in ("low", "high") else inf
            if self._coil_off_s < inf:
                self._between_s.append(at_s - self._coil_back_s if self._coil_back_s < inf else inf)
        elif not facts.call:
            self._coil_off_s = self._coil_back_s = inf
        elif closed and self._coil_off_s < inf:
            held_s = at_s - self._coil_off_s
            if self._coil_cut and held_s > _HABIT.delay_most_s.value:
                self.durations["load-shed"].lasted_s.append(held_s)
                self._coil_back_s = at_s
            self._coil_off_s = inf
        elif not off:
            self._coil_off_s = inf

    def _mind_run_on(self, was: Facts, facts: Facts, at_s: float) -> None:
        """A fan that runs on after the call and the compressor have ended, and then stops."""
        if facts.call is False and facts.compressor is False and facts.fan:
            if was.compressor or was.call:
                self._fan_alone_s = at_s
            return
        if self._fan_alone_s < inf and facts.fan is False and not facts.compressor:
            self.durations["fan-run-on"].lasted_s.append(at_s - self._fan_alone_s)
        self._fan_alone_s = inf

    def _mind_ramp(self, was: Facts, facts: Facts, at_s: float) -> None:
        """A fan that starts by itself, and the compressor after it: a contactor starts both at once."""
        if facts.fan and facts.compressor is False:
            if was.fan is False and was.compressor is False and facts.call:
                self._fan_first_s = at_s
            return
        if self._fan_first_s < inf and facts.fan and facts.compressor:
            self.durations["compressor-after-fan"].lasted_s.append(at_s - self._fan_first_s)
        self._fan_first_s = inf

    def _mind_late_fan(self, was: Facts, facts: Facts, at_s: float) -> None:
        """A fan that starts by itself in a run, once head pressure is up, as one that a pressure or a board's
        thermistor cycles in cool weather; a dead one does not. One that starts with its compressor counts as 0 s."""
        began = facts.compressor and was.compressor is False
        if began and facts.fan is False:
            self._fan_awaited_s = at_s
        elif began and facts.fan:
            self.durations["fan-after-compressor"].lasted_s.append(0.0)
        elif not facts.compressor or facts.fan is None:
            self._fan_awaited_s = inf
        elif facts.fan and self._fan_awaited_s < inf:
            self.durations["fan-after-compressor"].lasted_s.append(at_s - self._fan_awaited_s)
            self._fan_awaited_s = inf

    def _mind_fan_cycles(self, was: Facts, facts: Facts, at_s: float, *, cold: bool) -> None:
        """A fan that stops in the middle of a run in the cold, and is back in the same run, once head pressure is up: a
        control cycles it. A motor's own protector stays open for longer, and a joint does not mind the weather."""
        ran_on = facts.compressor and was.compressor
        if ran_on and was.fan and facts.fan is False:
            self._fan_rests_s = at_s if cold else inf
            if not cold:
                self.durations["fan-cycles"].lasted_s.clear()
        elif ran_on and facts.fan and self._fan_rests_s < inf:
            rested_s, known = at_s - self._fan_rests_s, self.durations["fan-cycles"]
            if rested_s > known.most_s:
                known.lasted_s.clear()
            elif rested_s >= known.least_s:
                known.lasted_s.append(rested_s)
            self._fan_rests_s = inf
        elif not ran_on or facts.fan is None:
            self._fan_rests_s = inf

    def _cycled_fan_s(self) -> float:
        """How long the fan has rested in its last runs in the cold, at the most; 0 where it is not known to do so."""
        known = self.durations["fan-cycles"].lasted_s
        return max(known) if len(known) == known.maxlen else 0.0

    def _late_fan_s(self) -> float:
        """How late this unit's fan has started by itself in most of its last runs; 0 where it has not."""
        known = self.durations["fan-after-compressor"]
        late = [one for one in known.lasted_s if known.least_s <= one <= known.most_s]
        return max(late) if 2 * len(late) > len(known.lasted_s) else 0.0

    def modulates(self, usual_step_s: float) -> bool:
        """Whether this unit, declared or not, starts as one whose board sets the compressor's speed; once it has been
        seen it stays so, as its current is then read as that of such a unit."""
        if "variable-speed" in self._unit.not_by_design:
            return False
        if not self._modulates and self._unit.delay_learned:
            ramp_s = self.durations["compressor-after-fan"].learned_s(usual_step_s)
            self._modulates = ramp_s is not None and ramp_s > _SCANS_APART * usual_step_s
            self._modulates |= self._slowed_runs >= _HABIT.times.value or self._drive.known
        return self._modulates

    def mind_speed(self, started_s: float, compressor_a: float | None, fan_a: float | None) -> None:
        """Add a minute of the run that began then: whether the fan slowed down with a compressor that did, more than
        any second stage slows them. It counts once they stay slow: the minute of a stop holds less of both, and so does
        the one in which a defrost stops the fan or starts it again."""
        slowing = self._slowing
        if started_s != slowing.started_s:
            self._slowing = slowing = _Slowing(started_s=started_s)
        if compressor_a is None or fan_a is None:
            return
        if compressor_a >= slowing.compressor_a:
            self._slowing = slowing._replace(compressor_a=compressor_a, fan_a=fan_a, seen=False)
            return
        fan_ran = slowing.fan_a >= self._unit.fan_fla_a * limits.SLOW_FAN_ON_RATIO.value
        least_a = slowing.fan_a * _HABIT.slowest_fan_ratio.value
        slow = fan_ran and compressor_a <= slowing.compressor_a * _HABIT.slowed_ratio.value
        slow = slow and least_a <= fan_a <= slowing.fan_a * _HABIT.slowed_fan_ratio.value
        counts = slow and slowing.seen and not slowing.counted
        self._slowed_runs += counts
        self._slowing = slowing._replace(seen=slow, counted=slowing.counted or counts)

    def mind_current(self, amps: float | None, *, called: bool) -> None:
        """Add what the compressor draws by now, A RMS (None: not read, or not believed), once a minute."""
        self._drive.minute(amps, called=called)

    def may_be_drive(self, amps: float | None) -> bool:
        """Whether so little current may be that of a drive that nobody declared, before it has shown itself."""
        drives = self._unit.kind == "variable-speed" or "variable-speed" in self._unit.not_by_design
        return self._unit.delay_learned and not drives and not self._modulates and self._drive.may_be(amps)

    def glides(self, was_a: float | None, amps: float) -> bool:
        """Whether a compressor that ran has glided to so little current, as a drive slows it, declared or not."""
        return "variable-speed" not in self._unit.not_by_design and self._drive.glides(was_a, amps)

    @property
    def slowed_down(self) -> bool:
        """Whether the last minute showed compressor and fan slowed down together, as a drive slows them."""
        return self._slowing.seen

    def ran_in_the_cold(self, started_s: float) -> None:
        """Note that the run that began then has settled in weather in which nothing is cooled."""
        if started_s != self._cold_run_s:
            self._cold_runs, self._cold_run_s = min(self._cold_runs + 1, int(_HABIT.times.value)), started_s

    def sheds(self, usual_step_s: float) -> bool:
        """Whether a switch cuts this unit's call, as declared or for as long each time; or may do so by the last two
        times: no sensor is blamed for it meanwhile, though it stays an alarm until it is learned."""
        if self._unit.load_shed or not self._unit.delay_learned:
            return self._unit.load_shed
        known = self._learned_s("load-shed", usual_step_s) is not None
        alike = self.durations["load-shed"].alike(usual_step_s) and self._cut_by_the_clock(usual_step_s)
        return known or (not self._denied("load-shed") and alike)

    def waits(self, usual_step_s: float) -> bool:
        """Whether a timer that nobody declared keeps this unit's coil waiting for as long each time."""
        timers = ("delay-on-make", "delay-on-break") if self._unit.delay_learned else ()
        return any(self._learned_s(timer, usual_step_s) is not None for timer in timers)

    def _cut_by_the_clock(self, usual_step_s: float) -> bool:
        """Whether between the last cuts the thermostat let go, or the call was back for as long each time: a sensor of
        it that is stuck reads each pause as a cut, and pauses and runs of a house are not alike."""
        stood_s = [one for one in self._between_s if one < inf]
        return not stood_s or max(stood_s) - min(stood_s) <= _to_a_scan_s(usual_step_s)

    def forget(self) -> None:
        """Nothing was seen for a while: what began is not known to have gone on."""
        self._waiting_s = self._cut_s = self._fan_alone_s = self._fan_first_s = self._held_off_s = inf
        self._fan_awaited_s = self._fan_rests_s = inf
        self._coil_off_s = self._coil_back_s = self._asked_s = inf
        self._back_s, self._opened_s, self._was, self._let_go = inf, -inf, Facts(), None

    # ------------------------------------------------------------ out

    def grace_s(self, finding: str, facts: Facts, now_s: float, usual_step_s: float, apart_s: float = 0.0) -> float:
        """How much longer than its delay a finding's condition may hold, s. `apart_s`: the longest pauses between scans
        of late, by which uneven scans may see a timer's waits differ."""
        if finding == "fan-not-running":
            late = self._fan_awaited_s < inf and self._unit.delay_learned
            late = late and not self._denied("fan-run-on")
            # What head pressure starts comes the later, the colder it is and the shorter the run before it was.
            ratio = (_HABIT.cold_fan_ratio if self._cold and facts.draw != "high" else _HABIT.over_ratio).value
            late_s = ratio * self._late_fan_s() if late else 0.0
            if self._fan_rests_s < inf and self._unit.delay_learned and not self._denied("fan-run-on"):
                late_s = ratio * self._cycled_fan_s() if facts.draw != "high" else 0.0
            if self._fan_awaited_s < inf and self._unit.fan_by_board and facts.draw != "high":
                late_s = max(late_s, _HABIT.board_fan_wait_s.value - self._fan_hold_s)
            return max(self._frost_s if facts.fan_may_rest else 0.0, late_s)
        if finding == "contacts-stuck-closed":
            # A fan alone tells of the contacts once no board lets it run on.
            alone = facts.fan and facts.load is None and facts.compressor is None
            return _HABIT.run_on_s.value if alone else 0.0
        waits = finding in ("call-without-pull-in", "call-without-run")
        anew_s = 0.0
        if waits and self._unit.load_shed and self._unit.call_tap != "coil" and self._may_be_shed(now_s):
            return _HABIT.shed_most_s.value
        if waits and self._held_off_s < inf:
            # A declared delay began once anew where a blink of the call was read.
            began_s = max(self._blinked_s - self._held_off_s, 0.0)
            anew_s = 0.0 if _coil_fed(facts) else min(began_s, self._unit.delay_on_make_s)
        if not self._unit.delay_learned:
            return anew_s
        if waits:
            wide_s = max(usual_step_s, apart_s)
            make_s = self._learned_s("delay-on-make", wide_s)
            first_wait = self._waiting_s < inf and not self._denied("delay-on-make")
            if not make_s and first_wait:
                # A unit that has never closed at once as its call came may have a timer that nobody declared.
                make_s = self.durations["delay-on-make"].so_far_s(wide_s)
            break_s = self._learned_s("delay-on-break", wide_s)
            waited_s = self._waiting_s if self._waiting_s < inf else now_s
            left_s = 0.0 if break_s is None else max(0.0, self._opened_s + break_s - waited_s)
            shed_s = self._learned_s("load-shed", usual_step_s) if self._may_be_shed(now_s) else None
            return max(anew_s, _HABIT.over_ratio.value * max(make_s or 0.0, left_s, shed_s or 0.0))
        if finding == "compressor-not-running":
            starting = self._fan_first_s < inf and self.modulates(usual_step_s)
            return _HABIT.over_ratio.value * _HABIT.ramp_s.value if starting else 0.0
        if finding == "call-not-reaching-unit":
            return _HABIT.over_ratio.value * (self._learned_s("load-shed", usual_step_s) or 0.0)
        return 0.0

    def seen(self, usual_step_s: float) -> dict[str, str]:
        """Return what this unit's calls have in common, as a feature: that its runs wait for as long each time."""
        denied = self._denied("delay-on-make") or not self._unit.delay_learned
        makes = self.durations["delay-on-make"]
        make_s = None if denied else makes.learned_s(usual_step_s) or makes.so_far_s(usual_step_s)
        return {"waits": "yes"} if make_s is not None and make_s > _SCANS_APART * usual_step_s else {}

    def _may_be_shed(self, now_s: float) -> bool:
        """Whether a declared utility's switch, on the outdoor unit and behind the call's tap, may hold the coil off:
        the coil is seen to get nothing, and no pressure switch has shown itself, by what was drawn as it let go or by
        stops that were over sooner, in the last hours."""
        drew = None if self._let_go is None else self._let_go[1]
        recent = not lasted(self._safety_s, now_s, limits.EPISODE_S.value)
        return self._coil_cut and drew not in ("low", "high") and not recent

    def shed_unseen(self, facts: Facts, now_s: float) -> bool:
        """Whether such a switch may have let the contactor go in the middle of this call's run, where neither the
        coil's current nor its volts are sensed: for as long as one cuts at the most it is told, as not urgent."""
        unit, let_go = self._unit, self._let_go
        if not unit.load_shed or unit.call_tap == "coil" or let_go is None or let_go[1] in ("low", "high"):
            return False
        if facts.coil is not None or facts.others.get("coil_v") is not None:
            return False
        recent = not lasted(self._safety_s, now_s, limits.EPISODE_S.value)
        return not recent and not lasted(let_go[0], now_s, _HABIT.shed_most_s.value)

    def shed_as_before(self, finding: str, now_s: float, usual_step_s: float) -> bool:
        """Whether a switch that nobody declared may cut the call, or the coil, for no longer by now than it did the
        last time: that once came back by itself after as long as a utility cuts. One cut may have been a float's, and
        two that differ were none of a timer: it is told each time until it is learned, and as urgent once it outlasts
        the one before."""
        of_call = finding == "call-not-reaching-unit"
        since_s = self._asked_s if of_call else self._coil_off_s if self._coil_cut else inf
        if since_s == inf or self._denied("load-shed") or not self._unit.delay_learned:
            return False
        cut_s = self.durations["load-shed"].common_s(usual_step_s)
        return cut_s is not None and not lasted(since_s, now_s, _HABIT.over_ratio.value * cut_s)

    def _denied(self, habit: str) -> bool:
        """Whether a person has said that it is not so."""
        return _OFFERED_AS[habit] in self._unit.not_by_design

    def _learned_s(self, habit: str, usual_step_s: float) -> float | None:
        """The common duration of a habit; None while there is none, or where a person has said that it is not so."""
        denied = self._denied(habit)
        denied |= habit == "load-shed" and not self._cut_by_the_clock(usual_step_s)
        return None if denied else self.durations[habit].learned_s(usual_step_s)

    def offers(self, usual_step_s: float, *, stages: int = 0) -> tuple[Offer, ...]:
        """What has been learned and is not declared, for somebody to confirm. `stages`: at how many levels the
        compressor was found to run."""
        unit, found = self._unit, []
        if not unit.delay_learned:
            return ()
        make_s = self._learned_s("delay-on-make", usual_step_s)
        break_s = self._learned_s("delay-on-break", usual_step_s)
        shed_s = self._learned_s("load-shed", usual_step_s)
        if make_s is not None and unit.delay_on_make_s < make_s * 0.8:
            found.append(_offer("delay_on_make_s", "delay_on_make_s", round(make_s), make_s))
        elif make_s is None and break_s is not None and unit.delay_on_break_s < break_s * 0.8:
            found.append(_offer("delay_on_break_s", "delay_on_break_s", round(break_s), break_s))
        if shed_s is not None and not unit.load_shed:
            found.append(_offer("load_shed", "load_shed", True, shed_s / 60))
        run_on_s = self._learned_s("fan-run-on", usual_step_s)
        modulates = self.modulates(usual_step_s) and unit.kind != "variable-speed"
        if modulates:
            found.append(_offer("variable-speed", "kind", "variable-speed"))
        if run_on_s is not None and run_on_s > _SCANS_APART * usual_step_s and not (unit.fan_by_board or modulates):
            found.append(_offer("board", "fan_control", "board", run_on_s))
        heats = self._cold_runs >= _HABIT.times.value
        if heats and not unit.heat_pump and _HEATS not in unit.not_by_design:
            found.append(_offer(_HEATS, _HEATS, True))
        if stages > 1 and unit.kind == "single-stage" and not modulates and "two-stage" not in unit.not_by_design:
            found.append(_offer("two-stage", "kind", "two-stage"))
        return tuple(found)

    def memory(self) -> list[HabitMemory]:
        """Return the last durations, for the next process."""
        found = [
            HabitMemory(name=name, lasted_s=[round(value, 1) for value in row.lasted_s])
            for name, row in self.durations.items()
            if any(row.lasted_s)
        ]
        if self._modulates:
            found.append(HabitMemory(name=_MODULATES, lasted_s=[]))
        if self._drive.at_once:
            found.append(HabitMemory(name=_AT_ONCE, lasted_s=[0.0] * self._drive.at_once))
        if self._cold_runs:  # how many there were is all that is known of them
            found.append(HabitMemory(name=_HEATS, lasted_s=[0.0] * self._cold_runs))
        return found
