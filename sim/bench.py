"""The accuracy bench: many seeded units, broken in known ways or not at all, judged by the real engine.

Outcome classes as in published evaluations of fault detection and diagnosis (Yuill and Braun 2013, from memory):

    correct       something true is found, and the true cause is among its suspects; or silence about a sound unit
    misdiagnosed  something true is found, and the true cause is not among its suspects
    missed        these sensors, read this often, must have shown it, and nothing true was found
    false alarm   something is found that is not so: about a sound unit, before the break, or beside the fault
    no answer     silence where these sensors need not show it, or a finding without a suspect

What is true, and what must have shown, is read from the world itself (sim/truth.py), never from the engine. Units,
sensors and scan rates are drawn as people install them; into some, a sensor of the monitor's own sticks, cells are
missing, two faults come together, or the site file has the label's amperes and nothing of kind, boards and timers. No
unit is dropped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from math import inf
from random import Random
from typing import Literal, NamedTuple, TypeVar

import msgspec

from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import Change, ChangeKind, Diagnosed, Scan, StartTransient
from condenser_monitor.monitor.core.trust import WITNESSES
from condenser_monitor.monitor.diagnosis.evidence import seen_from
from condenser_monitor.monitor.diagnosis.visit.session import VisitSession
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.sim.alike import alike
from condenser_monitor.sim.bench_cases import (
    CASES,
    DAY_S,
    HOUR_S,
    KINDS,
    QUICK,
    RATE_WEIGHTS,
    RATES,
    SENSE_SETS,
    SET_WEIGHTS,
    BenchCase,
)
from condenser_monitor.sim.causes import CAUSES
from condenser_monitor.sim.control import coil_impedance
from condenser_monitor.sim.designs import DESIGNS, Design, varied
from condenser_monitor.sim.house import ThermostatDesign
from condenser_monitor.sim.meter_model import shows
from condenser_monitor.sim.rig import Pace, ReadingsRig
from condenser_monitor.sim.season import household
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.truth import Truth
from condenser_monitor.sim.weather import Weather, design_days, synthetic_year
from condenser_monitor.sim.world import World, WorldPlan

_Unit = TypeVar("_Unit")
_Result = TypeVar("_Result")

CLASSES = ("correct", "misdiagnosed", "missed", "false alarm", "no answer")
Extra = Literal["plain", "stuck sensor", "missing cells", "two faults", "undeclared"]
EXTRAS: tuple[Extra, ...] = ("plain", "stuck sensor", "missing cells", "two faults", "undeclared")
_EXTRA_WEIGHTS = (7, 1, 1, 1, 0)
_UNDECLARED_SHARE = 0.3  # ours: of plain units, those of which the site file has the label's figures alone
SHORT_PACE = Pace(1.0, 10.0, 60.0)
LONG_PACE = Pace(1.0, 30.0, 45.0)
_YEAR_PACE = Pace(1.0, 30.0, 45.0, 60.0)  # a year has many hours in which nothing happens
_LONG_S = 2 * DAY_S
_PER_SEED = 100_000
_UNEVEN_S = (2.0, 60.0)
_CELLS_LOST = 0.03
_CERTAIN, _CHECKS_MOST = 0.9, 15  # a share of belief that nobody asks beyond; more checks than anybody makes
_SOUND_SHARE = 0.15
_STALL_S = 5.0  # scans this far apart miss most of the stalled starts, which last some seconds


class BenchUnit(NamedTuple):
    """One unit of the bench, ready to run. Its `seed` is its number as well: see `unit_of`. `second` is the other one
    of two faults; `without` a reading that is left out of its set."""

    case: BenchCase | None
    senses: str
    seed: int
    rate: str = "1 s"
    extra: Extra = "plain"
    second: BenchCase | None = None
    without: str = ""

    @property
    def fitted(self) -> tuple[str, ...]:
        """The readings that are fitted; power is made of the volts."""
        lost = {self.without, "compressor_w"} if self.without == "line_v" else {self.without}
        return tuple(name for name in SENSE_SETS[self.senses] if name not in lost)


class BenchScore(NamedTuple):
    """One unit's outcome. `place` is where the true cause stands among the suspects (0: nowhere), `alike_place` where
    the first one stands that these sensors cannot tell from it, `split` whether there is no such other one; `listed`
    how many there are, `checks` how many meter readings it took until certain (None: not asked), `sure` whether what
    was then certain was true."""

    case: str
    kind: str
    suspect: str
    senses: str
    rate: str
    extra: str
    seed: int
    outcome: str
    named: str = "-"
    finding: str = "-"
    detail: str = ""
    place: int = 0
    alike_place: int = 0
    split: bool = False
    listed: int = 0
    checks: int | None = None
    sure: bool = False
    watched_s: float = 0.0


# ---------------------------------------------------------------- the units


def units(
    count: int, seed: int = 1, cases: Sequence[BenchCase] = CASES, healthy_share: float = _SOUND_SHARE
) -> list[BenchUnit]:
    """`count` units: the cases in turn and sound ones among them, with sensors and scan rates as they come."""
    rng = Random(f"{seed}/bench")
    made: list[BenchUnit] = []
    for index in range(count):
        number = seed * _PER_SEED + index
        sound = rng.random() < healthy_share
        senses = rng.choices(list(SENSE_SETS), SET_WEIGHTS)[0]
        rate = rng.choices(list(RATES), RATE_WEIGHTS)[0]
        extra = rng.choices(EXTRAS, _EXTRA_WEIGHTS)[0]
        if extra == "plain" and not _declared(number):
            extra = "undeclared"
        other = rng.choice(cases)
        if sound:
            made.append(BenchUnit(None, senses, number, rate, extra if extra != "two faults" else "plain"))
            continue
        case = cases[(index + seed) % len(cases)]
        second = other if extra == "two faults" and other.cause != case.cause else None
        if extra == "two faults" and second is None:
            extra = "plain"
        made.append(BenchUnit(case, senses, number, rate, extra, second))
    return made


def _declared(number: int) -> bool:
    """Whether kind, boards and timers of this unit stand in its site file."""
    return Random(f"{number}/declared").random() >= _UNDECLARED_SHARE


def unit_of(number: int) -> BenchUnit:
    """The unit with this number (the `seed` of its score), to play it again."""
    seed, index = divmod(number, _PER_SEED)
    return units(index + 1, seed)[index]


def design_of(case: BenchCase | None, rng: Random) -> Design:
    """A unit that has the part which breaks."""
    while True:
        name = case.design if case is not None and case.design else rng.choices(list(KINDS), list(KINDS.values()))[0]
        design = varied(DESIGNS[name], rng)
        if case is None or case.fits(design):
            break
    delay_s = case.delay_on_make_s if case is not None else rng.choice((0.0, 0.0, 180.0))
    ways = {"float_in": rng.choice(("y", "r")), "pressure_at": rng.choice(("unit", "unit", "unit", "indoors"))}
    return msgspec.structs.replace(design, delay_on_make_s=delay_s, **ways)


def plan_of(case: BenchCase | None, design: Design, rng: Random) -> tuple[Planned, ...]:
    """The cause on the time line, with its level drawn."""
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


def watched_s(unit: BenchUnit) -> float:
    """How long a unit is watched, s."""
    return DAY_S if unit.case is None else max(unit.case.length_s, 0.0 if unit.second is None else unit.second.length_s)


def steal_ohm(design: Design, rng: Random) -> float | None:
    """A thermostat that powers itself through the coil cannot do so behind a relay that keeps it from the coil."""
    ohm = rng.choice((None, 900.0, 1500.0))
    return None if design.delay_on_make_s else ohm


def _installed(fitted: Sequence[str], design: Design) -> tuple[str, ...]:
    """The readings that this unit has a place for: behind a drive there is no start winding to sense."""
    return tuple(name for name in fitted if name != "start_winding_a" or design.kind != "variable-speed")


class _ScanRate:
    """What is read, at one scan rate, of scans that come every second: all of it, edges between scans too; or, at a
    slower rate, the whole scans that are due."""

    def __init__(self, rate: str, noise: Random) -> None:
        self._rate, self._noise = rate, noise
        self._next_s = -1.0

    def reads(self, scan: Scan, *, whole: bool) -> bool:
        scan_s = RATES[self._rate]
        if scan_s <= 1.0:
            return True
        if not whole or scan.t_s < self._next_s:
            return False
        self._next_s = scan.t_s + (self._noise.uniform(*_UNEVEN_S) if self._rate == "uneven" else scan_s)
        return True


class Played:
    """One unit on its way: the world, what its monitor reads, its engine and what is true of it."""

    def __init__(self, unit: BenchUnit) -> None:
        self.unit, case, rng = unit, unit.case, Random(f"{unit.seed}/unit")
        design = design_of(case, rng)
        self.length_s = watched_s(unit)
        causes = plan_of(case, design, rng)
        if unit.second is not None and unit.second.fits(design):
            causes += plan_of(unit.second, design, rng)
        short = self.length_s < DAY_S
        plan = WorldPlan(
            design=design,
            causes=tuple(sorted(causes, key=lambda one: one.at_s)),
            seed=unit.seed,
            start_hour=12.0 if short else 0.0,
            thermostat=ThermostatDesign(steal_ohm=steal_ohm(design, rng), set_c=rng.uniform(24.0, 25.5)),
        )
        days = int(self.length_s // DAY_S) + 3
        weather = design_days([(rng.uniform(33.0, 37.5), rng.uniform(9.0, 14.0)) for _ in range(days)], plan.start_hour)
        declared = design.label() if unit.extra == "undeclared" else design.nameplate()
        settings = Settings(unit=declared, senses=SensorSettings(fitted=_installed(unit.fitted, design)))
        starts = True if case is None else case.starts
        pace = SHORT_PACE if self.length_s <= _LONG_S else LONG_PACE
        self.rig = ReadingsRig(World(plan, weather), settings, pace=pace, starts=starts)
        self.starts = starts
        self.broken_s = min((cause.at_s for cause in causes), default=inf)
        self._noise = Random(f"{unit.seed}/cells")
        self.lie = self._drawn_lie()
        lying_s = inf if self.lie is None else self.lie[2]
        liar = "" if self.lie is None else self.lie[0]  # distrusted, it counts as missing
        self.truth = Truth(
            self.rig.world,
            self.broken_s,
            lying_s=lying_s,
            fitted=tuple(name for name in settings.fitted if name != liar),
            holes=unit.extra == "missing cells",
        )
        self._lost = dict.fromkeys(name for name in SENSE_SETS[unit.senses] if name not in unit.fitted)
        self.changes: list[Change] = []
        self.untrue: list[Change] = []
        self.true: list[Change] = []
        self.diagnosed: Diagnosed | None = None

    def _drawn_lie(self) -> tuple[str, bool | float, float] | None:
        """A sensor that sticks: which, at what, from when."""
        fitted = [name for name in WITNESSES if name in self.unit.fitted and name not in ("call", "compressor_a")]
        if self.unit.extra != "stuck sensor" or not fitted:
            return None
        rng, unit = self._noise, self.rig.settings.unit
        name = rng.choice(fitted)
        running = {"control_v": 25.4, "coil_a": 0.26, "fan_a": 0.85 * unit.fan_fla_a}
        value: bool | float = rng.random() < 0.5
        if name in running:
            value = running[name] if value else 0.0
        return name, value, rng.uniform(0.0, 0.5 * self.length_s)

    # ------------------------------------------------------------ what the monitor reads

    def read(self) -> Iterator[Scan | StartTransient]:
        """The items as this monitor reads them; what is true is looked at for every one that a dense one would."""
        rate, counted = _ScanRate(self.unit.rate, self._noise), 0
        for item in self.rig.scans(self.length_s):
            self.truth.look()
            if isinstance(item, StartTransient):
                yield item
                continue
            whole, counted = self.rig.scan_count > counted, self.rig.scan_count
            if rate.reads(item, whole=whole):
                yield self._spoilt(item)

    def _spoilt(self, scan: Scan) -> Scan:
        changed: dict[str, bool | float | None] = {}
        if self.lie is not None and scan.t_s >= self.lie[2] and getattr(scan, self.lie[0]) is not None:
            changed[self.lie[0]] = self.lie[1]
        if self.unit.extra == "missing cells":
            changed |= {name: None for name in self.unit.fitted if self._noise.random() < _CELLS_LOST}
        return msgspec.structs.replace(scan, **changed) if changed else scan

    def play(self, others: Sequence[Played] = ()) -> None:
        """Let the engine judge all of it; each change is held against the world as it is raised. `others` are the same
        unit with fewer readings: their engines hear of this one's world."""
        for one in others:
            one.truth = self.truth
        for item in self.read():
            for one in (self, *others):
                one.hear(item)

    def hear(self, item: Scan | StartTransient) -> None:
        """Let the engine judge one item, as far as its readings are fitted."""
        if self._lost and isinstance(item, Scan):
            item = msgspec.structs.replace(item, **self._lost)
        for event in self.rig.feed(item):
            if isinstance(event, Diagnosed):
                if event.suspects and event.t_s >= self.broken_s:
                    self.diagnosed = event
                continue
            if not isinstance(event, Change):
                continue
            self.changes.append(event)
            if event.change is ChangeKind.RAISED:
                if not self.truth.bears_out(event.finding, event.t_s, RATES[self.unit.rate]):
                    self.untrue.append(event)
                elif event.t_s >= min(self.broken_s, self.truth.lying_s) and not self._of_holes(event):
                    self.true.append(event)

    def _of_holes(self, change: Change) -> bool:
        """A cell that is missing is no fault of the unit, and to say so is no untruth; a sensor that is dead is one,
        whatever other cells are missing."""
        named = change.evidence.get("silent")
        dead = isinstance(named, list) and any(self.truth.is_dead(str(name)) for name in named)
        return change.finding == "sensor-silent" and self.truth.holes and not dead

    # ------------------------------------------------------------ a technician comes

    def checks_until_certain(self, causes: frozenset[str]) -> tuple[int, bool]:
        """How many meter readings, offered one by one and answered by the simulated unit, until one suspect is certain
        (at most _CHECKS_MOST), and whether it is a true one."""
        change, world = self.true[-1], self.rig.world
        features = {} if self.diagnosed is None else self.diagnosed.features
        unit = self.rig.settings.unit
        visit = VisitSession(
            (change.finding,),
            unit=unit,
            seen=seen_from(change.evidence, unit),
            fitted=self.rig.settings.fitted,
            features=features,
        )
        world.call_by_hand(True)
        world.advance(world.t_s + 240.0 + world.plan.design.delay_on_make_s)
        made = 0
        while made < _CHECKS_MOST:
            found = visit.verdict()
            if not found.suspects or found.shares[found.suspects[0]] >= _CERTAIN:
                break
            check = visit.next_check()
            if check is None or check.name in visit.answers:
                break
            made += 1
            try:
                visit.enter(check.name, shows(check.name, world))
            except CommandError:
                break
        suspects = visit.verdict().suspects
        return made, bool(suspects) and suspects[0] in causes


# ---------------------------------------------------------------- scoring


def judge(unit: BenchUnit) -> BenchScore:
    """Run one unit and put it into its class."""
    played = Played(unit)
    played.play()
    return score(played)


def score(played: Played) -> BenchScore:
    """The class of a unit that was played."""
    unit = played.unit
    causes = _causes(unit)
    if played.lie is not None:
        causes |= {"monitor-sensing"}
    about = BenchScore(
        case=unit.case.cause if unit.case is not None else "sound",
        kind=played.rig.world.plan.design.name,
        suspect=CAUSES[unit.case.cause].suspects[0] if unit.case is not None else "-",
        senses=unit.senses,
        rate=unit.rate,
        extra=unit.extra,
        seed=unit.seed,
        outcome="correct",
        watched_s=played.length_s,
    )
    if played.untrue:
        first = played.untrue[0]
        detail = "; ".join(f"{one.finding} at {one.t_s:g} s {one.evidence}" for one in played.untrue)
        return about._replace(outcome="false alarm", finding=first.finding, detail=detail)
    due = played.truth.due(unit.fitted, RATES[unit.rate], starts=played.starts)
    if unit.case is None:
        return about
    if not played.true:
        return about._replace(outcome="missed" if due else "no answer", detail=", ".join(due) or "silence")
    named = _named(played)
    if not named:
        return about._replace(outcome="no answer", finding=played.true[0].finding)
    place = _place(named, causes)
    same = _alike(played)
    checks: int | None = None
    sure = False
    if unit.extra in ("plain", "undeclared"):
        checks, sure = played.checks_until_certain(causes)
    return about._replace(
        outcome="correct" if place or causes & _open(played) else "misdiagnosed",
        named=named[0],
        finding=played.true[0].finding,
        detail=", ".join(named),
        place=place,
        alike_place=_place(named, causes | same),
        split=same <= causes,
        listed=len(named),
        checks=checks,
        sure=sure,
    )


def _causes(unit: BenchUnit) -> frozenset[str]:
    """The suspects that are truly at fault."""
    cases = [case for case in (unit.case, unit.second) if case is not None]
    return frozenset(name for case in cases for name in CAUSES[case.cause].suspects)


def _alike(played: Played) -> frozenset[str]:
    """The suspects that these sensors, read this often, cannot tell from those at fault. One that lies tells
    nothing."""
    unit, design = played.unit, played.rig.world.plan.design
    lies = "" if played.lie is None else played.lie[0]
    fitted = [name for name in unit.fitted if name != lies]
    cases = [case for case in (unit.case, unit.second) if case is not None]
    slow = RATES[unit.rate] >= _STALL_S
    return frozenset().union(*(alike(one.cause, fitted, design, slow=slow, sense=one.sense) for one in cases))


def _place(named: Sequence[str], causes: frozenset[str]) -> int:
    """Where the first true cause stands among those named; 0 nowhere."""
    return next((index for index, name in enumerate(named, 1) if name in causes), 0)


def _named(played: Played) -> tuple[str, ...]:
    """The suspects of the unit's one diagnosis as it last was; of the last true finding where there was none."""
    if played.diagnosed is not None:
        return tuple(name for name, _ in played.diagnosed.suspects)
    return next((one.suspects for one in reversed(played.true) if one.suspects), ())


def _open(played: Played) -> set[str]:
    """Whom the true findings, as each last was, leave open: the diagnosis names the likeliest of them only."""
    last = {change.finding: change.suspects for change in played.true}
    return {name for suspects in last.values() for name in suspects}


def each(work: Callable[[_Unit], _Result], todo: Sequence[_Unit], jobs: int = 1) -> Iterator[_Result]:
    """What `work` makes of the units (`judge` or `unit_years`) as it comes, in the units' order."""
    if jobs <= 1:
        yield from map(work, todo)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(work, todo)


# ---------------------------------------------------------------- with and without a sensor


class SensorWorth(NamedTuple):
    """What one optional reading was worth over units that had all: how many were correct, and named first, with it and
    without."""

    reading: str
    units: int
    correct: tuple[int, int]
    first: tuple[int, int]


def sensor_worth(count: int, seed: int, jobs: int = 1, cases: Sequence[BenchCase] = QUICK) -> list[SensorWorth]:
    """Play the same units once, heard by an engine with all readings and by one without each optional one; of what
    shows within a few hours."""
    broken = [
        BenchUnit(case, "all", seed * _PER_SEED + index, "1 s")
        for index, case in enumerate(Random(f"{seed}/worth").sample(list(cases), min(count, len(cases))))
    ]
    rows = list(each(_places, broken, jobs))
    return [
        SensorWorth(name, len(rows), _both(rows, name, 99), _both(rows, name, 1))
        for name in (rows[0] if rows else ())
        if name
    ]


def _places(unit: BenchUnit) -> dict[str, int]:
    """Where the true cause stands with all readings (""), and without each optional one; 0 where something untrue was
    said, or nothing."""
    optional = [name for name in READINGS if name not in SENSE_SETS["least"]]
    every = [Played(unit._replace(without=name)) for name in ("", *optional)]
    every[0].play(every[1:])
    return {one.unit.without: 0 if one.untrue else _place(_named(one), _causes(unit)) for one in every}


def _both(rows: Sequence[Mapping[str, int]], name: str, deepest: int) -> tuple[int, int]:
    with_it, without = (sum(0 < row[key] <= deepest for row in rows) for key in ("", name))
    return with_it, without


# ---------------------------------------------------------------- sound unit-years


class Year(NamedTuple):
    """A sound unit through `days` days of trouble that is none: what was raised about it that is not so."""

    seed: int
    days: float
    raised: tuple[str, ...]
    explained: int
    kind: str = ""
    rate: str = "1 s"


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


class SoundUnit(NamedTuple):
    """A sound unit to be watched: of a kind of design, from 1 April or `first_day` on."""

    seed: int
    days: float
    kind: str
    first_day: int = 90


def sound_units(count: int, seed: int, days: float) -> list[SoundUnit]:
    """`count` units, the kinds in turn; short ones spread over the season."""
    kinds = list(KINDS)
    rng = Random(f"{seed}/sound")
    last = max(91, 300 - int(days))
    return [
        SoundUnit(
            seed * _PER_SEED + index,
            days,
            kinds[index % len(kinds)],
            90 if days > 200 else rng.randint(120, max(121, min(last, 240))),
        )
        for index in range(count)
    ]


class _Listener:
    """An engine that hears a sound unit at one scan rate, and what it raised that was not so."""

    def __init__(self, sound: SoundUnit, rate: str, engine: Engine) -> None:
        self.sound, self.rate, self.engine = sound, rate, engine
        self._scan_rate = _ScanRate(rate, Random(f"{sound.seed}/{rate}"))
        self._raised: list[str] = []
        self._explained = 0

    def hear(self, item: Scan | StartTransient, truth: Truth, *, whole: bool) -> None:
        """Take one item, if it is read at this rate; what is raised is held against what is so."""
        if isinstance(item, Scan) and not self._scan_rate.reads(item, whole=whole):
            return
        for change in self.engine.hear(item):
            if not isinstance(change, Change) or change.change is not ChangeKind.RAISED:
                continue
            if truth.bears_out(change.finding, change.t_s, RATES[self.rate]):
                self._explained += 1
            else:
                self._raised.append(f"{change.finding} at {change.t_s:.0f} s {change.evidence}")

    def year(self) -> Year:
        """What came of it."""
        sound = self.sound
        return Year(sound.seed, sound.days, tuple(self._raised), self._explained, sound.kind, self.rate)


def unit_years(sound: SoundUnit) -> tuple[Year, ...]:
    """One sound unit through its days, in a household with habits and trips, heard at each scan rate at once; what
    truly was so is explained."""
    rng = Random(f"{sound.seed}/unit-year")
    design = varied(DESIGNS[sound.kind], rng)
    causes = trouble(sound.seed, sound.days)
    thermostat = household(Random(f"{sound.seed}/household"), sound.days)
    plan = WorldPlan(design=design, causes=causes, seed=sound.seed, start_hour=0.0, thermostat=thermostat)
    weather = Weather(synthetic_year(rng, warmest_c=rng.uniform(26.0, 31.0)), sound.first_day * 24.0)
    fitted = SENSE_SETS[rng.choices(list(SENSE_SETS), SET_WEIGHTS)[0]]
    declared = design.nameplate() if _declared(sound.seed) else design.label()
    settings = Settings(unit=declared, senses=SensorSettings(fitted=_installed(fitted, design)))
    rig = ReadingsRig(World(plan, weather), settings, pace=_YEAR_PACE, starts=True)
    truth, counted = Truth(rig.world, inf, fitted=settings.fitted), 0
    listeners = [_Listener(sound, rate, Engine(settings)) for rate in RATES]
    for item in rig.scans(sound.days * DAY_S):
        truth.look()
        whole, counted = rig.scan_count > counted, rig.scan_count
        for listener in listeners:
            listener.hear(item, truth, whole=whole)
    return tuple(listener.year() for listener in listeners)
