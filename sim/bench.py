"""The accuracy bench: many seeded units, each broken in one known way or not at all, judged by the real engine.

Five classes for a unit:

    correct       the right finding, the true cause among its suspects, and none named that the fitted senses rule out;
                  or silence about a sound unit
    false alarm   a finding that nothing explains: about a sound unit, before the break, or unrelated to it
    missed        the break could be seen with the fitted senses, and no right finding came
    misdiagnosed  the right finding, but the true cause is not named, or one that the senses rule out is
    no answer     the right finding with no suspect at all

Sound units run through outages, brown-outs, delays, glitches and lost scans (`each_year`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from random import Random
from typing import NamedTuple

import msgspec

from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.records import Change, ChangeKind
from condenser_monitor.sim.bench_cases import (
    CASES,
    DAY_S,
    HOUR_S,
    SENSE_SETS,
    BenchCase,
)
from condenser_monitor.sim.causes import CAUSES
from condenser_monitor.sim.control import coil_impedance
from condenser_monitor.sim.designs import DESIGNS, Design, varied
from condenser_monitor.sim.house import ThermostatDesign
from condenser_monitor.sim.rig import Pace, ReadingsRig
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.weather import Weather, design_days, synthetic_year
from condenser_monitor.sim.world import World, WorldPlan

CLASSES = ("correct", "false alarm", "missed", "misdiagnosed", "no answer")
SHORT_PACE = Pace(1.0, 15.0, 60.0)
LONG_PACE = Pace(1.0, 30.0, 45.0)
_LONG_S = 2 * DAY_S
_PER_SEED = 100_000


class BenchScore(NamedTuple):
    """One unit's outcome. `named` is the first suspect of the right finding, `-` where there was none."""

    case: str
    suspect: str
    senses: str
    seed: int
    outcome: str
    named: str
    finding: str
    detail: str
    watched_s: float = 0.0


class BenchUnit(NamedTuple):
    """One unit of the bench, ready to run. Its `seed` is its number as well: see `unit_of`."""

    case: BenchCase | None
    senses: str
    seed: int


# ---------------------------------------------------------------- the units


def units(
    count: int, seed: int = 1, cases: Sequence[BenchCase] = CASES, healthy_share: float = 0.15
) -> list[BenchUnit]:
    """`count` units: the cases in turn, with sets of senses that can see them in turn, and sound ones among them."""
    rng = Random(f"{seed}/bench")
    made: list[BenchUnit] = []
    for index in range(count):
        if rng.random() < healthy_share:
            made.append(BenchUnit(None, rng.choice(list(SENSE_SETS)), seed * _PER_SEED + index))
            continue
        case = cases[(index + seed) % len(cases)]
        seeing = [name for name, fitted in SENSE_SETS.items() if case.visible(fitted)]
        made.append(BenchUnit(case, rng.choice(seeing), seed * _PER_SEED + index))
    return made


def unit_of(number: int) -> BenchUnit:
    """The unit with this number (the `seed` of its score), to play it again."""
    seed, index = divmod(number, _PER_SEED)
    return units(index + 1, seed)[index]


def _design(case: BenchCase | None, rng: Random) -> Design:
    name = case.design if case is not None and case.design else rng.choice(list(DESIGNS))
    design = varied(DESIGNS[name], rng)
    while case is not None and case.fits is not None and not case.fits(design):
        design = varied(DESIGNS[name], rng)
    delay_s = case.delay_on_make_s if case is not None else rng.choice((0.0, 0.0, 180.0))
    return msgspec.structs.replace(design, delay_on_make_s=delay_s)


def _plan(case: BenchCase | None, design: Design, rng: Random) -> tuple[Planned, ...]:
    if case is None:
        return ()
    level = None if case.level is None else rng.uniform(*case.level)
    if level is not None and case.of_coil:
        level *= abs(coil_impedance(design, armature_in=False))
    on_s, off_s = case.on_off_s or (0.0, 0.0)
    at_s = case.at_s + rng.uniform(0.0, 1800.0)
    plan = Planned(
        name=case.cause, at_s=at_s, level=level, sense=case.sense, grow_s=case.grow_s, on_s=on_s, off_s=off_s
    )
    return (plan,)


def watched_s(case: BenchCase | None) -> float:
    """How long a unit of this case is watched, s."""
    return DAY_S if case is None else case.length_s


def _weather(case: BenchCase | None, rng: Random) -> Weather:
    days = 3 if case is None else int(case.length_s // DAY_S) + 1
    start_hour = 12.0 if case is not None and case.length_s < DAY_S else 0.0
    return design_days([(rng.uniform(33.0, 37.5), rng.uniform(9.0, 14.0)) for _ in range(days)], start_hour)


def rig_of(unit: BenchUnit) -> tuple[ReadingsRig, float, float]:
    """A rig for a unit of the bench: (rig, when its break begins, how long it is watched), s."""
    case, rng = unit.case, Random(f"{unit.seed}/unit")
    design = _design(case, rng)
    length_s = watched_s(case)
    causes = _plan(case, design, rng)
    plan = WorldPlan(
        design=design,
        causes=causes,
        seed=unit.seed,
        calls=case.calls if case is not None else None,
        start_hour=12.0 if case is not None and length_s < DAY_S else 0.0,
        thermostat=ThermostatDesign(steal_ohm=_steal_ohm(design, rng), set_c=rng.uniform(24.0, 25.5)),
    )
    fitted = SENSE_SETS[unit.senses]
    settings = Settings(unit=design.nameplate(), senses=SensorSettings(fitted=fitted))
    pace = SHORT_PACE if length_s <= _LONG_S else LONG_PACE
    starts = case.starts if case is not None else True
    rig = ReadingsRig(World(plan, _weather(case, rng)), settings, pace=pace, starts=starts)
    return rig, causes[0].at_s if causes else length_s, length_s


def _steal_ohm(design: Design, rng: Random) -> float | None:
    """A thermostat that powers itself through the coil cannot do so behind a relay that keeps it from the coil."""
    steal_ohm = rng.choice((None, 900.0, 1500.0))
    return None if design.delay_on_make_s else steal_ohm


# ---------------------------------------------------------------- scoring


def judge(unit: BenchUnit) -> BenchScore:
    """Run one unit and put it into its class."""
    rig, at_s, length_s = rig_of(unit)
    return score(unit, rig.changes(length_s), at_s)


def score(unit: BenchUnit, changes: Sequence[Change], at_s: float) -> BenchScore:
    """The class of a unit, given the engine's changes and when its break began."""
    case = unit.case
    raised = [change for change in changes if change.change is ChangeKind.RAISED]
    if case is None:
        odd = [f"{change.finding} at {change.t_s:g} s {change.evidence}" for change in raised]
        return _score(unit, "false alarm" if odd else "correct", "-", "-", "; ".join(odd))
    known = {*case.right, *case.follows}
    odd = [
        f"{change.finding} at {change.t_s:g} s {change.evidence}"
        for change in raised
        if change.finding not in known or change.t_s < at_s
    ]
    if odd:
        return _score(unit, "false alarm", "-", "-", "; ".join(odd))
    right = [change for change in raised if change.finding in case.visible(SENSE_SETS[unit.senses])]
    if not right:
        return _score(unit, "missed", "-", "-", ", ".join(sorted({change.finding for change in raised})) or "silence")
    return _suspects(unit, case, right[0], changes)


def _suspects(unit: BenchUnit, case: BenchCase, raised: Change, changes: Sequence[Change]) -> BenchScore:
    named = _last_suspects(raised, changes)
    true = CAUSES[case.cause].suspects
    if not named:
        return _score(unit, "no answer", "-", raised.finding, "")
    if not set(true) & set(named):
        return _score(unit, "misdiagnosed", named[0], raised.finding, f"named {', '.join(named)}")
    wrong = case.told_apart(SENSE_SETS[unit.senses]) & set(named)
    if wrong:
        detail = f"still names {', '.join(sorted(wrong))} in {', '.join(named)}"
        return _score(unit, "misdiagnosed", named[0], raised.finding, detail)
    return _score(unit, "correct", named[0], raised.finding, ", ".join(named))


def _last_suspects(raised: Change, changes: Sequence[Change]) -> tuple[str, ...]:
    suspects = raised.suspects
    for change in changes:
        if change.finding != raised.finding or change.t_s < raised.t_s:
            continue
        if change.change is ChangeKind.CLEARED:
            break
        suspects = change.suspects
    return suspects


def _score(unit: BenchUnit, outcome: str, named: str, finding: str, detail: str) -> BenchScore:
    cause = "sound" if unit.case is None else unit.case.cause
    suspect = "-" if unit.case is None else CAUSES[unit.case.cause].suspects[0]
    return BenchScore(cause, suspect, unit.senses, unit.seed, outcome, named, finding, detail, watched_s(unit.case))


def run(count: int = 300, *, seed: int = 1, jobs: int = 1, cases: Sequence[BenchCase] = CASES) -> list[BenchScore]:
    """Score `count` units on `jobs` processes; in the order of the units, whatever the jobs."""
    return list(each(units(count, seed, cases), jobs))


def each(todo: Sequence[BenchUnit], jobs: int = 1) -> Iterator[BenchScore]:
    """The scores of the units as they come, in the units' order."""
    if jobs <= 1:
        yield from map(judge, todo)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(judge, todo, chunksize=4)


# ---------------------------------------------------------------- sound unit-years


class Year(NamedTuple):
    """A sound unit through `days` days of trouble that is none: what was raised about it that nothing explains."""

    seed: int
    days: float
    raised: tuple[str, ...]
    explained: int


def trouble(seed: int, days: float) -> tuple[Planned, ...]:
    """Outages, brown-outs, sags, glitches, lost scans and failed transfers over so many days.

    Rates of single misses are set for scans half a minute apart: two or three in a row, a moment at one scan a second,
    are a minute or more there, and must stay as rare as they are on a real board. Two spikes in a row at one sense are,
    half a minute apart, a current that flows for a minute, which nothing tells from a real one: at a ten thousandth of
    the readings that came once in ten unit-years, at a hundred thousandth (dozens of spikes a year) it is not to
    be expected.
    """
    rng = Random(f"{seed}/trouble")
    planned = [
        Planned(name="senses-glitch", at_s=0.0, level=0.00001),
        Planned(name="scans-lost", at_s=0.0, level=0.02),
        Planned(name="bus-errors", at_s=0.0, level=0.00002),  # of transfers: 0.07 % of readings
        Planned(name="line-sag", at_s=0.0, level=rng.uniform(0.1, 0.25), on_s=0.5, off_s=2 * DAY_S),
    ]
    for _ in range(round(days / 20) + 1):
        at_s = rng.uniform(0.0, days) * DAY_S
        gone_s = rng.choice((0.2, 1.0, 3.0, 8.0, 600.0, 7200.0))
        planned.append(Planned(name="outage", at_s=at_s, until_s=at_s + gone_s))
    for _ in range(round(days / 30) + 1):
        at_s = rng.uniform(0.0, days) * DAY_S
        planned.append(Planned(name="line-sag", at_s=at_s, until_s=at_s + 4 * HOUR_S, level=rng.uniform(0.05, 0.1)))
    return tuple(sorted(planned, key=lambda cause: cause.at_s))


def unit_year(seed: int, days: float = 365.0) -> Year:
    """One sound unit through `days` days from April on. An outage explains lost supply and control power; a run that
    truly lasts for hours, as in a heat wave, explains long-run."""
    rng = Random(f"{seed}/unit-year")
    design = _design(None, rng)
    causes = trouble(seed, days)
    plan = WorldPlan(design=design, causes=causes, seed=seed, start_hour=0.0)
    weather = Weather(synthetic_year(rng, warmest_c=rng.uniform(26.0, 31.0)), 90 * 24.0)
    settings = Settings(unit=design.nameplate(), senses=SensorSettings(fitted=SENSE_SETS[rng.choice(list(SENSE_SETS))]))
    rig = ReadingsRig(World(plan, weather), settings, pace=LONG_PACE, starts=True)
    outages = [(cause.at_s, cause.until_s) for cause in causes if cause.name == "outage"]
    raised: list[str] = []
    explained = 0
    for change in rig.run(days * DAY_S):
        if not isinstance(change, Change) or change.change is not ChangeKind.RAISED:
            continue
        if _explained(change, rig.world, outages):
            explained += 1
        else:
            raised.append(f"{change.finding} at {change.t_s:.0f} s {change.evidence}")
    return Year(seed, days, tuple(raised), explained)


def _explained(change: Change, world: World, outages: Iterable[tuple[float, float]]) -> bool:
    if change.finding == "long-run":
        return _calls_since(world, change.t_s - 6 * HOUR_S + 60.0)
    lost = change.finding in ("line-supply-lost", "control-power-lost")
    return lost and any(from_s <= change.t_s <= until_s + 60.0 for from_s, until_s in outages)


def _calls_since(world: World, t_s: float) -> bool:
    """The house has called without a break since `t_s`."""
    last = next((row for row in reversed(world.log) if row.what in ("call", "no call")), None)
    return last is not None and last.what == "call" and last.t_s <= t_s


def each_year(seeds: Sequence[int], days: float = 365.0, jobs: int = 1) -> Iterator[Year]:
    """The sound unit-years as they come, in the order of the seeds."""
    if jobs <= 1:
        yield from (unit_year(seed, days) for seed in seeds)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(unit_year, seeds, [days] * len(seeds))
