"""What a household lives through: the shipped engine and phone policy over simulated units, in virtual time.

    python -m tests.benchmarks household [DAYS] [CAUSE ...] [--into FILE]

Every cause of the accuracy bench, in hot and in mild weather, with a house that ignores its messages, answers them,
obeys them (thermostat or breaker off), is away, or has the unit repaired the next day. Who switched off, or was away,
tries again after a day. For each: time from the cause to the first message, messages, those at night, "over" while
the cause was in the world, and no cooling untold. One house is played for DAYS after its cause (three where nobody was
told and nobody was too warm; what breaks slowly, from its full size on); each other branches off from it where it does
something else, and is watched for as long as its story takes. A house in which something changes every few seconds is
left after as many scans as others take in a week. FILE keeps each house as a line of JSON: what stands in it is not
played again, so that a run goes on where it was ended; without a cause's lines that cause is played again.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from itertools import groupby
from math import inf
from pathlib import Path
from random import Random
from statistics import median
from typing import Literal, NamedTuple

import msgspec

from condenser_monitor.monitor.core.config import Notify, SensorSettings, Settings
from condenser_monitor.monitor.core.records import EpisodeState, Request, RequestKind
from condenser_monitor.monitor.publishers.notification_policy import NotificationPolicy
from condenser_monitor.sim.bench import design_of, plan_of, steal_ohm
from condenser_monitor.sim.bench_cases import CASES, DAY_S, HOUR_S, SENSE_SETS, BenchCase
from condenser_monitor.sim.house import ThermostatDesign
from condenser_monitor.sim.rig import Pace, ReadingsRig
from condenser_monitor.sim.weather import design_days
from condenser_monitor.sim.world import World, WorldPlan

House = Literal["ignores", "answers", "thermostat-off", "breaker-off", "away", "repairs"]
HOUSES: tuple[House, ...] = ("ignores", "answers", "thermostat-off", "breaker-off", "away", "repairs")
WEATHERS = {"hot": (36.0, 12.0), "mild": (24.0, 10.0)}
WALL_0_S = datetime(2026, 7, 13, tzinfo=UTC).timestamp()  # a Monday, midnight
_FITTED = (*SENSE_SETS["indoor"], "return_air_c", "supply_air_c")  # what both outdoor boards and the indoor one read
_STEP_S = 600.0
_PACE = Pace(1.0, 60.0, 20.0, 180.0)  # every second after each change, every minute, three once an hour has been quiet
_RUNS = 0.9  # share of its speed from which a compressor moves heat
_WARM_K = 1.5  # above what the people want: nobody notices less
_OLD_DAYS = 0.625  # the fault comes at three in the afternoon of the unit's first day, so that little is learned yet
_NEVER_C = 60.0  # a set point at which no house is ever cooled
_ACTS_S, _AWAY_S, _REPAIR_S = 1800.0, 4 * HOUR_S, 18 * HOUR_S  # after the message; after the cause; after the message
_BACK_S = DAY_S  # who switched off, or was away, tries again
# How long each house is watched after the cause, days: as long as its story takes.
_WATCHED_DAYS: dict[House, float] = {
    "answers": 1.5,
    "thermostat-off": 1.5,
    "breaker-off": 1.5,
    "away": 1.7,
    "repairs": 1.75,
}
# What is true of a house that has switched off, and over when it is back.
_OWN_DOING = {
    **dict.fromkeys(("thermostat-off", "away"), ("no-call-in-heat", "overdue-call")),
    "breaker-off": ("line-supply-lost",),
}
_CALM_DAYS = 3.0  # nobody told, nobody too warm
_SCANS_MOST, _BRANCH_SCANS_MOST = 30_000, 10_000  # where something changes every few seconds


class Lived(NamedTuple):
    """One house over some days. `messages` are (hours since the start, kind, finding); `false_over` the episodes that
    were told and ended while the cause was in the world; `uncooled_h` the hours in which it was too warm for the
    people and nothing ran; `untold`: a day of that, and nothing told; `threads` how many episodes were told."""

    cause: str
    weather: str
    house: House
    messages: tuple[tuple[float, str, str], ...]
    first_h: float | None
    false_over: tuple[str, ...]
    over_after_repair: bool
    uncooled_h: float
    days: float
    threads: int = 0

    @property
    def nights(self) -> int:
        """Messages between 20:00 and 08:00."""
        return sum(not 8 <= hour % 24 < 20 for hour, _, _ in self.messages)

    @property
    def untold(self) -> bool:
        """A day too warm without cooling, and no message."""
        return self.uncooled_h >= 24.0 and not self.messages


def live(case: BenchCase, weather: str, house: House, days: float, seed: int = 1) -> Lived:
    """Play one house."""
    one = _household(case, weather, days, seed)
    while not one.acts(house) and one.now_s < days * DAY_S:
        one.go_on(one.now_s + _STEP_S)
    return one.play(house, days)


def lives(
    case: BenchCase, weather: str, houses: Iterable[House], days: float, *, old_days: float = _OLD_DAYS, seed: int = 1
) -> Iterator[Lived]:
    """Play several houses with the same cause, `days` after it: one that ignores its messages, and each other from
    where it does something else, in a process forked there. Who is told nothing does nothing else."""
    one, left = _household(case, weather, old_days + days, seed, old_days), [*houses]
    grown_s = one.began_s + case.grow_s
    while one.now_s < one.days * DAY_S and one.rig.scan_count < _SCANS_MOST:
        if one.now_s >= grown_s + _CALM_DAYS * DAY_S and not one.messages and not one.uncooled_s:
            break
        one.go_on(one.now_s + _STEP_S)
        for house in [house for house in left if one.acts(house)]:
            left.remove(house)
            until_s = max(grown_s, one.now_s - _REPAIR_S) + _WATCHED_DAYS[house] * DAY_S
            yield _forked(one, house, min(one.days, until_s / DAY_S))
    one.days = one.now_s / DAY_S
    yield from (one.lived(house) for house in left if house == "ignores" or one.told_s is None)


def _forked(one: _Household, house: House, days: float) -> Lived:
    """Play a house on from where it is, in a process of its own."""
    read, write = os.pipe()
    child = os.fork()
    if not child:
        try:
            os.write(write, msgspec.json.encode(one.play(house, days, _BRANCH_SCANS_MOST)))
        finally:
            os._exit(0)
    os.close(write)
    with open(read, "rb") as told:
        found = msgspec.json.decode(told.read(), type=Lived)
    os.waitpid(child, 0)
    return found


def _household(case: BenchCase, weather: str, days: float, seed: int = 1, old_days: float = _OLD_DAYS) -> _Household:
    rng = Random(f"{seed}/{case.cause}/household")
    design = design_of(case, rng)
    causes = tuple(msgspec.structs.replace(one, at_s=old_days * DAY_S) for one in plan_of(case, design, rng))
    thermostat = ThermostatDesign(steal_ohm=steal_ohm(design, rng), set_c=24.0 if weather == "hot" else 21.0)
    plan = WorldPlan(design=design, causes=causes, seed=seed, start_hour=0.0, thermostat=thermostat)
    world = World(plan, design_days([WEATHERS[weather]]))
    settings = Settings(unit=design.nameplate(), senses=SensorSettings(fitted=_FITTED))
    rig = ReadingsRig(world, settings, pace=_PACE, starts=True, wall_0_s=WALL_0_S)
    return _Household(rig, case, weather, days)


class _Household:
    """One house on its way through the days."""

    def __init__(self, rig: ReadingsRig, case: BenchCase, weather: str, days: float) -> None:
        self.rig, self.case, self.weather, self.days = rig, case, weather, days
        self.now_s = 0.0
        self.policy = NotificationPolicy(Notify(proof_of_life="off"), zone=UTC)
        self.began_s = rig.world.plan.causes[0].at_s
        self.messages: list[tuple[float, str, str]] = []
        self.false_over: list[str] = []
        self.ended: set[str] = set()
        self.uncooled_s = 0.0
        self.told_s: float | None = None
        self.repaired_s: float | None = None
        self.threads: set[str] = set()
        self.own_doing: tuple[str, ...] = ()
        self.known: set[str] = set()  # the episodes that there were before these people did something
        self.base = rig.world.thermostat.design

    def go_on(self, end_s: float) -> None:
        """Live until then."""
        while self.now_s < end_s:
            self.now_s = now_s = self.now_s + _STEP_S
            for _ in self.rig.run(now_s):
                pass
            self.rig.engine.tick(now_s, WALL_0_S + now_s)
            self._look(now_s)

    def acts(self, house: House) -> bool:
        """Whether this house now does what sets it apart."""
        if house == "ignores":
            return False
        if house == "away":
            return self.now_s >= self.began_s + _AWAY_S
        return self.told_s is not None and self.now_s >= self.told_s + (_REPAIR_S if house == "repairs" else _ACTS_S)

    def play(self, house: House, days: float, scans: float = inf) -> Lived:
        """Live to the end as this house does, or for so many scans more."""
        self.days, most = days, self.rig.scan_count + scans
        acted_s = self.now_s
        if self.acts(house):
            self._act(house, back=False)
        while self.now_s < days * DAY_S and self.rig.scan_count < most:
            self.go_on(self.now_s + _STEP_S)
            if self.now_s - _STEP_S < acted_s + _BACK_S <= self.now_s:
                self._act(house, back=True)
        self.days = self.now_s / DAY_S
        return self.lived(house)

    def lived(self, house: House) -> Lived:
        """What a house lived through until now."""
        over = any(kind in ("over", "missed") for _, kind, _ in self.messages)
        return Lived(
            self.case.cause,
            self.weather,
            house,
            tuple(self.messages),
            None if self.told_s is None else (self.told_s - self.began_s) / HOUR_S,
            tuple(self.false_over),
            over and self.repaired_s is not None,
            self.uncooled_s / HOUR_S,
            self.days,
            len(self.threads),
        )

    def _look(self, now_s: float) -> None:
        status = self.rig.engine.status()
        wall_s = WALL_0_S + now_s
        items = self.policy.due(status.episodes, wall_s)
        self.policy.sent(items, wall_s)
        self.messages += [(now_s / HOUR_S, item.kind, item.episode.heading) for item in items]
        self.threads |= {item.episode.id for item in items}
        if items and self.told_s is None and now_s >= self.began_s:
            self.told_s = now_s
        for episode in status.episodes:
            if episode.state is EpisodeState.OVER and episode.id not in self.ended:
                self.ended.add(episode.id)
                told = episode.id in self.policy.memory.notified
                own = episode.lead in self.own_doing and episode.id not in self.known
                if told and self.repaired_s is None and now_s >= self.began_s and not own:
                    self.false_over.append(episode.lead)
        unit = self.rig.world
        warm = unit.house.air_c > unit.thermostat.design.set_c + _WARM_K  # the cause may move the thermostat's own mark
        if now_s > self.began_s and self.repaired_s is None and warm:
            self.uncooled_s += _STEP_S * (unit.unit.compressor.speed < _RUNS)

    def _act(self, house: House, *, back: bool) -> None:
        """What the people of this house do half an hour after their first message, and `back` to it a day later."""
        world = self.rig.world
        if not back:
            self.own_doing = _OWN_DOING.get(house, ())
            self.known = {episode.id for episode in self.rig.engine.status().episodes}
        if house in ("thermostat-off", "away"):
            world.thermostat.design = msgspec.structs.replace(self.base, set_c=self.base.set_c if back else _NEVER_C)
        elif house == "breaker-off":
            world.timeline.switch("disconnect-pulled", 0 if back else None)
            world.poke()
        elif house == "answers" and not back:
            self._ask(RequestKind.ACKNOWLEDGE, self.now_s)
        elif house == "repairs" and not back:
            self.repaired_s = self.now_s
            world.timeline.mend_all()
            world.poke()

    def _ask(self, kind: RequestKind, now_s: float) -> None:
        open_ones = [one.id for one in self.rig.engine.status().episodes if one.state is not EpisodeState.OVER]
        for name in open_ones:
            request = Request(id=f"{name}-{now_s}", request=kind, by="house", finding=name)
            self.rig.engine.request(request, now_s, WALL_0_S + now_s)


def cases(causes: Iterable[str] = ()) -> Iterator[BenchCase]:
    """The first case of every cause, or of those named."""
    seen: set[str] = set()
    wanted = set(causes)
    for case in CASES:
        if case.cause not in seen and (not wanted or case.cause in wanted):
            seen.add(case.cause)
            yield case


def stories(
    days: float, causes: Iterable[str] = (), into: Path | None = None, houses: Sequence[House] = HOUSES
) -> Iterator[Lived]:
    """Every cause once, in each weather and each house; those that FILE holds already are read from it."""
    kept: dict[tuple[str, str, str], Lived] = {}
    if into is not None and into.exists():
        found = [msgspec.json.decode(line, type=Lived) for line in into.read_bytes().splitlines()]
        kept = {(one.cause, one.weather, one.house): one for one in found}
    for case in cases(causes):
        for weather in WEATHERS:
            left = [house for house in houses if (case.cause, weather, house) not in kept]
            for one in lives(case, weather, left, days + case.grow_s / DAY_S) if left else ():
                kept[case.cause, weather, one.house] = one
                if into is not None:
                    with into.open("ab") as file:
                        file.write(msgspec.json.encode(one) + b"\n")
            yield from (kept[at] for house in houses if (at := (case.cause, weather, house)) in kept)


def _line(name: str, houses: Sequence[Lived]) -> str:
    """What some houses lived through, in a line."""
    told = [one.first_h for one in houses if one.first_h is not None]
    often = [len(one.messages) / (one.days / 7) for one in houses]
    late = sum(
        kind in ("reminder", "check") and not 8 <= hour % 24 < 20 for one in houses for hour, kind, _ in one.messages
    )
    first = f"{median(told):.1f} to {max(told):.1f} h" if told else "none"
    return (
        f"{name:28} told {len(told)} of {len(houses)}, first {first}; {sum(often) / len(often):.1f} a week, "
        f"at most {max(often):.1f}; at night {sum(one.nights for one in houses)} (reminders {late}); "
        f"false over {sum(len(one.false_over) for one in houses)}; untold {sum(one.untold for one in houses)}; "
        f"{sum(len(one.messages) for one in houses) / max(1, sum(one.threads for one in houses)):.1f} an episode"
    )


def lines(words: Sequence[str]) -> Iterator[str]:
    """The table: a line a cause and weather, and their sums at the end."""
    words = list(words)
    into = None
    if "--into" in words:
        at = words.index("--into")
        into = Path(words[at + 1])
        del words[at : at + 2]
    days = float(words[0]) if words else 8.0
    wrong = set(words[1:]) - {case.cause for case in CASES}
    if wrong:
        raise SystemExit(f"got {min(wrong)!r}; allowed: {', '.join(sorted({case.cause for case in CASES}))}")
    found: list[Lived] = []
    for (cause, weather), group in groupby(stories(days, words[1:], into), lambda one: (one.cause, one.weather)):
        found += (houses := list(group))
        yield _line(f"{cause}, {weather}", houses)
    for weather in WEATHERS:
        yield _line(f"all, {weather}", [one for one in found if one.weather == weather])
    for house in HOUSES:
        yield _line(f"all, {house}", [one for one in found if one.house == house])
