"""What only shows over several cycles: counts and rows of starts, stops and openings, each a small pure counter.

A counter is told what was *seen* to happen (a start that was not seen is not told), and answers True while its pattern
stands, at any time it is asked; `ends_s()` are the times at which the answer may change by time alone.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection
from math import inf

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.inputs import lasted
from condenser_monitor.monitor.core.links import Facts


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
        if self._was is not None and load is not self._was and call is not False:
            self.times_s.append(now_s)
        self._was = load

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
        self._expire(now_s)
        return bool(self.reasons(now_s))

    def reasons(self, now_s: float) -> list[str]:
        """Which of the three patterns stand, in plain words."""
        found = []
        if self.soon >= self.in_a_row:
            found.append(f"{self.soon} restarts in a row within {self.off_s:g} s of stopping")
        if self.short >= self.in_a_row:
            found.append(f"{self.short} runs in a row shorter than {self.run_s:g} s")
        if self._crowded(now_s):
            found.append(f"more than {self.starts} starts within {self.window_s / 60:g} min")
        return found

    def _crowded(self, now_s: float) -> bool:
        return len(self.starts_s) > self.starts and now_s < self.starts_s[0] + self.window_s

    def _expire(self, now_s: float) -> None:
        # A pause or a run that has already lasted long enough ends its row before the next event.
        if self._stopped_s is not None and lasted(self._stopped_s, now_s, self.off_s):
            self.soon = 0
        if self._started_s is not None and lasted(self._started_s, now_s, self.run_s):
            self.short = 0

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
    """Times the compressor stopped and started again by itself while the contacts stayed closed."""

    def __init__(self, restarts: float, window_s: float, least_off_s: float = 0.0) -> None:
        self.restarts, self.window_s, self.least_off_s = int(restarts), window_s, least_off_s
        self.times_s: deque[float] = deque(maxlen=self.restarts)
        self._stopped_s: float | None = None

    def forget(self) -> None:
        self.times_s.clear()
        self._stopped_s = None

    def stopped(self, now_s: float) -> None:
        """The compressor stopped with the contacts closed."""
        self._stopped_s = now_s

    def opened(self) -> None:
        """The contacts opened, or it is no longer known that they are closed."""
        self._stopped_s = None

    def started(self, now_s: float) -> None:
        # What is back within seconds was a blink of the line: no protector closes so soon.
        if self._stopped_s is not None and lasted(self._stopped_s, now_s, self.least_off_s):
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

    def stopped(self, facts: Facts, at_s: float) -> None:
        self.places.append(stop_place(facts))
        self.fans.append(self._fan)
        self._stopped_s = at_s

    def changed(self, facts: Facts, at_s: float) -> None:
        """Readings need not be of one instant: what changes just after a stop still belongs to it."""
        if self.places and at_s - self._stopped_s <= limits.STALE_S.value and not facts.runs:
            self.places[-1] = stop_place(facts)

    def seen(self) -> dict[str, str]:
        """What all the last runs have in common, where they agree and it is known."""
        found = {"stopped-at": _common(self.places), "fan-in-runs": _common(self.fans)}
        return {name: symbol for name, symbol in found.items() if symbol is not None}


def _common(last: deque[str | None]) -> str | None:
    return last[0] if len(last) == last.maxlen and len(set(last)) == 1 else None


def stop_place(facts: Facts) -> str | None:
    """The first dead link of a unit that has just stopped."""
    if facts.thermostat is False:
        return "thermostat"
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
        self.overload = SelfRestarts(limit(overload.restarts), limit(overload.window_s), limit(overload.least_off_s))
        self.stops = Stops(limit(short.in_a_row))
        self.heat = HeatWatch(hot_c=limit(heat.hot_c), hot_s=limit(heat.hot_s), earlier_s=limits.EARLIER_DAY_S.value)
        self.no_call_s = limit(heat.hold_s)

    def changed(self, was: Facts, facts: Facts, at_s: float) -> None:
        """What is believed went from `was` to `facts` at `at_s`. Only what was seen counts: unknown to known is not."""
        closed = held_closed(facts)
        if not closed:
            self.overload.opened()
        if facts.supply is False and was.supply is not False:
            self.short.excuse()
        before, after = _ran(was), _ran(facts)
        if told_by(was) != told_by(facts):
            # What differs need not have changed: another sense tells it now.
            before = None
            self.short.excuse()
            self.overload.opened()
        if before is False and after:
            self.short.started(at_s)
            self.overload.started(at_s)
            self.stops.started()
        elif before and after is False:
            self._stopped(facts, at_s)
        elif after is None:
            self.short.excuse()
            self.overload.opened()
        else:
            self.stops.changed(facts, at_s)
        if facts.compressor:
            self.stops.runs(facts)

    def _stopped(self, facts: Facts, at_s: float) -> None:
        self.short.stopped(at_s)
        self.stops.stopped(facts, at_s)
        if facts.supply is False:
            self.short.excuse()
        if held_closed(facts):
            self.overload.stopped(at_s)

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


def held_closed(facts: Facts) -> bool:
    """The contacts stay closed as far as is known: sensed, or shown by the fan, or, with neither, by the call."""
    if facts.supply is False or facts.call is False:
        return False
    if facts.load is not None:
        return facts.load
    return bool(facts.fan or facts.call)


def told_by(facts: Facts) -> str:
    """The sense that tells whether the unit runs: the contacts stand in for a compressor whose current is not known."""
    return "compressor" if facts.compressor is not None else "load"


def _ran(facts: Facts) -> bool | None:
    return facts.compressor if facts.compressor is not None else facts.load
