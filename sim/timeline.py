"""Causes on a time line: from when until when, growing, or coming and going; each with a random stream of its own."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from random import Random

import msgspec

from condenser_monitor.sim.causes import PhysicalCause, cause_named
from condenser_monitor.sim.condition import Condition, reset

GROWTH_STEPS = 200
_SHORTEST_STEP_S = 60.0


class Planned(msgspec.Struct, frozen=True, kw_only=True):
    """One cause on the time line. Seconds since the start; `grow_s` is how long it takes to its level; with `on_s` and
    `off_s` it comes and goes, for as long on average (exactly as long, if `regular`)."""

    name: str
    at_s: float
    until_s: float = inf
    level: float | None = None
    sense: str = ""
    grow_s: float = 0.0
    on_s: float = 0.0
    off_s: float = 0.0
    regular: bool = False


class Course:
    """One planned cause as it runs; `level_at` must be asked at rising times."""

    def __init__(self, plan: Planned, rng: Random, place: str) -> None:
        self.plan = plan
        self.cause: PhysicalCause = cause_named(plan.name, place, plan.sense, plan.level)
        self.full = self.cause.level if plan.level is None else plan.level
        self._rng = rng
        self._on = True
        self._flip_s = plan.at_s + self._stretch_s(plan.on_s) if self.intermittent else inf
        self._grow_step_s = max(plan.grow_s / GROWTH_STEPS, _SHORTEST_STEP_S)

    @property
    def intermittent(self) -> bool:
        """It comes and goes."""
        return self.plan.on_s > 0 and self.plan.off_s > 0

    def _stretch_s(self, mean_s: float) -> float:
        return mean_s if self.plan.regular else max(0.02, self._rng.expovariate(1.0 / mean_s))

    def level_at(self, t_s: float) -> float:
        """The level now: 0 before, after and between."""
        plan = self.plan
        if not plan.at_s <= t_s < plan.until_s:
            return 0.0
        while self._flip_s <= t_s:
            self._on = not self._on
            self._flip_s += self._stretch_s(plan.on_s if self._on else plan.off_s)
        if not self._on:
            return 0.0
        if plan.grow_s <= 0.0:
            return self.full
        steps = (t_s - plan.at_s) // self._grow_step_s
        return self.full * min(1.0, steps * self._grow_step_s / plan.grow_s)

    def next_change_s(self, t_s: float) -> float:
        """When the level changes next, after `t_s`."""
        plan = self.plan
        if t_s < plan.at_s:
            return plan.at_s
        if t_s >= plan.until_s:
            return inf
        due_s = min(plan.until_s, self._flip_s)
        if plan.grow_s > 0 and t_s < plan.at_s + plan.grow_s:
            steps = (t_s - plan.at_s) // self._grow_step_s + 1
            due_s = min(due_s, plan.at_s + steps * self._grow_step_s)
        return due_s

    def ended_at(self, t_s: float) -> bool:
        """Somebody has mended it at this very time."""
        return t_s == self.plan.until_s


class ScenarioTimeline:
    """All planned causes of a world, and those switched by hand; writes the condition when anything changes."""

    def __init__(self, plans: Sequence[Planned], seed: int) -> None:
        self._courses = [
            Course(plan, Random(f"{seed}/cause/{index}"), f"cause[{index}]") for index, plan in enumerate(plans)
        ]
        self._by_hand: dict[tuple[str, str], tuple[PhysicalCause, float]] = {}
        self._hand_news = False
        self.next_s = 0.0
        self.levels: dict[str, float] = {}

    def switch(self, name: str, level: float | None = None, sense: str = "") -> None:
        """Break by hand (bench page): at once, and until mended; `level` 0 mends."""
        if level == 0:
            self._by_hand.pop((name, sense), None)
        else:
            cause = cause_named(name, "switch", sense, level)
            self._by_hand[name, sense] = (cause, cause.level if level is None else level)
        self._hand_news = True

    def by_hand(self) -> frozenset[tuple[str, str]]:
        """What is broken by hand: name of the cause and of the sense, "" where it is none of one."""
        return frozenset(self._by_hand)

    def mend_all(self) -> None:
        """Everything sound again: nothing planned will come either."""
        self._courses.clear()
        self._by_hand.clear()
        self._hand_news = True

    def due(self, t_s: float) -> bool:
        """Something changes now."""
        return self._hand_news or t_s >= self.next_s

    def write(self, t_s: float, condition: Condition) -> bool:
        """Bring the condition up to date; True when a technician has just mended something."""
        reset(condition)
        self.levels.clear()
        mended = self._hand_news
        for course in self._courses:
            level = course.level_at(t_s)
            mended = mended or course.ended_at(t_s)
            if level != 0.0:
                course.cause.write(condition, level, course.plan.sense)
                self.levels[course.plan.name] = level
        for (name, sense), (cause, level) in self._by_hand.items():
            cause.write(condition, level, sense)
            self.levels[name] = level
        self._hand_news = False
        self.next_s = min((course.next_change_s(t_s) for course in self._courses), default=inf)
        return mended
