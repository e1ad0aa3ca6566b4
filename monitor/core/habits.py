"""What a unit does by design and must not be taken for a fault: as declared in the site file, or as learned.

A delay that holds the contactor off, the utility's switch that cuts the call: both look like a fault at first, end by
themselves, and last as long each time. What has lasted equally long several times in a row is learned and *offered*
("it looks as if ...; is that so?"): nothing is raised for it as long as it keeps to its time, and the site file settles
it. A fault does not keep time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from math import inf

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.records import Offer

_HABIT = limits.HABITS


class HabitMemory(msgspec.Struct, frozen=True, kw_only=True):
    """The last durations of one habit, s, the oldest first."""

    name: str
    lasted_s: list[float]


class Durations:
    """How long something lasted, the last few times."""

    def __init__(self, least: limits.Limit, most: limits.Limit) -> None:
        self.least_s, self.most_s = least.value, most.value
        self.lasted_s: deque[float] = deque(maxlen=int(_HABIT.times.value))

    def learned_s(self, usual_step_s: float) -> float | None:
        """The common duration, None while there is none; scans that are far apart see it no more exactly."""
        if len(self.lasted_s) < (self.lasted_s.maxlen or 0):
            return None
        low, high = min(self.lasted_s), max(self.lasted_s)
        slack_s = max(_HABIT.slack_s.value, _HABIT.slack_ratio.value * high, 2.0 * usual_step_s)
        return high if self.least_s <= low and high <= self.most_s and high - low <= slack_s else None


class Habits:
    """Follows one unit. `memory` is what `memory()` of an earlier process gave."""

    def __init__(self, settings: Settings, memory: Iterable[HabitMemory] = ()) -> None:
        self._unit = settings.unit
        self._frost_s = settings.limit(limits.FAN_NOT_RUNNING.defrost_s)
        self._frost_s -= settings.limit(limits.FAN_NOT_RUNNING.hold_s)
        self.durations = {
            "delay-on-make": Durations(_HABIT.delay_least_s, _HABIT.delay_most_s),
            "delay-on-break": Durations(_HABIT.delay_least_s, _HABIT.break_most_s),
            "load-shed": Durations(_HABIT.shed_least_s, _HABIT.shed_most_s),
        }
        for row in memory:
            if row.name in self.durations:
                self.durations[row.name].lasted_s.extend(row.lasted_s)
        self._waiting_s = self._cut_s = inf
        self._opened_s = -inf
        self._was = Facts()

    # ------------------------------------------------------------ in

    def update(self, facts: Facts, at_s: float) -> None:
        """Note what is believed since `at_s`."""
        was, self._was = self._was, facts
        closed = facts.contacts if facts.contacts is not None else facts.runs
        was_closed = was.contacts if was.contacts is not None else was.runs
        if was_closed and closed is False:
            self._opened_s = at_s
        if facts.call and closed is False and facts.supply is not False:
            # Only a wait whose begin was seen has a length.
            if was.call is False or (was_closed and was.call):
                self._waiting_s = at_s if was.call is False else inf
        elif facts.call and closed:
            self._closed(at_s)
        else:
            self._waiting_s = inf
        self._mind_cut(was, facts, at_s)

    def _closed(self, at_s: float) -> None:
        if self._waiting_s < inf:
            self.durations["delay-on-make"].lasted_s.append(at_s - self._waiting_s)
            held = at_s - self._waiting_s >= _HABIT.delay_least_s.value
            if held and self._opened_s > -inf:
                self.durations["delay-on-break"].lasted_s.append(at_s - self._opened_s)
        self._waiting_s = inf

    def _mind_cut(self, was: Facts, facts: Facts, at_s: float) -> None:
        if facts.thermostat and facts.call is False:
            if was.call and was.thermostat:
                self._cut_s = at_s
        else:
            if self._cut_s < inf and facts.thermostat and facts.call:
                self.durations["load-shed"].lasted_s.append(at_s - self._cut_s)
            self._cut_s = inf

    def forget(self) -> None:
        """Nothing was seen for a while: what began is not known to have gone on."""
        self._waiting_s, self._cut_s, self._opened_s, self._was = inf, inf, -inf, Facts()

    # ------------------------------------------------------------ out

    def grace_s(self, finding: str, facts: Facts, now_s: float, usual_step_s: float) -> float:
        """How much longer than its delay a finding's condition may hold, s."""
        if finding == "fan-not-running":
            return self._frost_s if facts.fan_may_rest else 0.0
        if not self._unit.delay_learned:
            return 0.0
        if finding in ("call-without-pull-in", "call-without-run"):
            make_s = self.durations["delay-on-make"].learned_s(usual_step_s) or 0.0
            break_s = self.durations["delay-on-break"].learned_s(usual_step_s)
            waited_s = self._waiting_s if self._waiting_s < inf else now_s
            left_s = 0.0 if break_s is None else max(0.0, self._opened_s + break_s - waited_s)
            return _HABIT.over_ratio.value * max(make_s, left_s)
        if finding == "call-not-reaching-unit":
            return _HABIT.over_ratio.value * (self.durations["load-shed"].learned_s(usual_step_s) or 0.0)
        return 0.0

    def offers(self, usual_step_s: float) -> tuple[Offer, ...]:
        """What has been learned and is not declared, for somebody to confirm."""
        unit, found = self._unit, []
        if not unit.delay_learned:
            return ()
        make_s = self.durations["delay-on-make"].learned_s(usual_step_s)
        break_s = self.durations["delay-on-break"].learned_s(usual_step_s)
        shed_s = self.durations["load-shed"].learned_s(usual_step_s)
        if make_s is not None and unit.delay_on_make_s < make_s * 0.8:
            found.append(
                Offer(
                    setting="unit.delay_on_make_s",
                    value=round(make_s),
                    question=f"It looks as if a timer holds this unit off for {make_s:.0f} s after each call. "
                    "Is that so?",
                )
            )
        elif make_s is None and break_s is not None and unit.delay_on_break_s < break_s * 0.8:
            found.append(
                Offer(
                    setting="unit.delay_on_break_s",
                    value=round(break_s),
                    question=f"It looks as if a timer holds this unit off for {break_s:.0f} s after each stop. "
                    "Is that so?",
                )
            )
        if shed_s is not None and not unit.load_shed:
            found.append(
                Offer(
                    setting="unit.load_shed",
                    value=True,
                    question=f"It looks as if the utility cuts this unit's call for {shed_s / 60:.0f} minutes at a "
                    "time. Is that so?",
                )
            )
        return tuple(found)

    def memory(self) -> list[HabitMemory]:
        """Return the last durations, for the next process."""
        return [
            HabitMemory(name=name, lasted_s=[round(value, 1) for value in row.lasted_s])
            for name, row in self.durations.items()
            if row.lasted_s
        ]
