"""Seasons: one summer of one unit in seconds, or a fleet of units, each with its own seed, as recordings.

A season is scanned sparsely while nothing happens and densely around each change, which the recording format allows
(steps need not be equal). In a fleet every unit is a neighbour of one of the designs, and a share of them break in one
of the usual ways at some time.
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable, Iterable, Iterator
from math import ceil
from multiprocessing import get_context
from pathlib import Path
from random import Random
from typing import TypeVar

import msgspec

from condenser_monitor.monitor.core.config import (
    OUTDOOR_SENSES,
    SensorSettings,
    Settings,
    Site,
    Unit,
)
from condenser_monitor.monitor.core.errors import CommandError, RecordingError
from condenser_monitor.monitor.core.records import Scan, StartTransient
from condenser_monitor.monitor.recording.csv_file import RecordingWriter
from condenser_monitor.sim.causes import CAUSES
from condenser_monitor.sim.designs import DESIGNS, Design, varied
from condenser_monitor.sim.house import ThermostatDesign
from condenser_monitor.sim.rig import Pace, ReadingsRig
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.weather import (
    DAY_S,
    Hour,
    Weather,
    synthetic_year,
    typical_year,
)
from condenser_monitor.sim.world import World, WorldPlan

_Done = TypeVar("_Done")
_UNITS_MOST = 1_000_000  # ours
_JOBS_MOST = 256  # ours: more processes than any machine for this has cores
SUMMER_DAYS = 122.0  # June to September
FIRST_DAY = 151  # 1 June
SUMMER_START_WALL_S = 1780290000.0  # 2026-06-01T00:00:00-05:00
OTHER_KINDS = ("three-ton-two-stage", "three-ton-variable", "three-ton-board-fan")
_OTHER_SHARE = 0.25  # ours: about a quarter of units sold are no plain single-stage ones
SEASON_PACE = Pace(scan_s=2.0, quiet_s=60.0, dense_after_s=20.0)

# How a fleet's units break: cause, level, days it takes to grow; weights are common practice put into figures by us.
USUAL: tuple[tuple[str, float, float, float], ...] = (
    ("run-capacitor-fades", 6.0, 0.95, 20.0),
    ("condenser-fouls", 4.0, 0.5, 25.0),
    ("contacts-fouled", 3.0, 1.0, 0.0),
    ("float-switch-open", 3.0, 1.0, 0.0),
    ("charge-leaks", 3.0, 0.8, 30.0),
    ("control-fuse-open", 2.0, 1.0, 0.0),
    ("fan-capacitor-fades", 2.0, 1.0, 15.0),
    ("coil-burnt-open", 1.0, 1.0, 0.0),
    ("contacts-weld", 1.0, 1.0, 0.0),
    ("fan-winding-opens", 1.0, 1.0, 0.0),
    ("compressor-seizes", 0.5, 1.0, 0.0),
)


class UnitSeason(msgspec.Struct, frozen=True, kw_only=True):
    """One unit's season, ready to be run: `causes` is what truly breaks."""

    site_id: str
    design: Design
    seed: int
    days: float
    first_day: int
    causes: tuple[Planned, ...]
    weather_file: str = ""
    starts: bool = True
    thermostat: ThermostatDesign = ThermostatDesign()
    later_days: int = 0  # the dates are so many days later than the season's own: told as if it had been just now

    @property
    def settings(self) -> Settings:
        """The unit's site file as settings."""
        return Settings(
            site=Site(name=self.site_id.replace("-", " ").title(), id=self.site_id),
            unit=self.design.nameplate(),
            senses=SensorSettings(fitted=OUTDOOR_SENSES),
        )

    @property
    def wall_0_s(self) -> float:
        """The season's first midnight, seconds since 1970."""
        return SUMMER_START_WALL_S + (self.first_day - FIRST_DAY + self.later_days) * DAY_S

    def until(self, wall_s: float) -> UnitSeason:
        """The same season as if its last day were that of an instant, and as far as then."""
        day = int((wall_s - self.wall_0_s) // DAY_S)
        moved = msgspec.structs.replace(self, later_days=self.later_days + day - (ceil(self.days) - 1))
        return msgspec.structs.replace(moved, days=min(self.days, (wall_s - moved.wall_0_s) / DAY_S))

    def rig(self, pace: Pace = SEASON_PACE) -> ReadingsRig:
        """A rig at the season's first midnight, with an engine that nobody need use."""
        plan = WorldPlan(
            design=self.design, start_hour=0.0, causes=self.causes, seed=self.seed, thermostat=self.thermostat
        )
        return ReadingsRig(
            World(plan, self._weather()),
            self.settings,
            pace=pace,
            starts=self.starts,
            wall_0_s=self.wall_0_s,
        )

    def items(self, pace: Pace = SEASON_PACE) -> Iterator[Scan | StartTransient]:
        """All that its senses say in the season."""
        return self.rig(pace).scans(self.days * DAY_S)

    def _weather(self) -> Weather:
        hours: list[Hour]
        if self.weather_file:
            hours = typical_year(self.weather_file)
        else:
            rng = Random(f"{self.seed}/weather")
            hours = synthetic_year(rng, warmest_c=rng.uniform(27.0, 33.0))
        return Weather(hours, self.first_day * 24.0)


class SeasonFacts(msgspec.Struct, frozen=True, kw_only=True):
    """What a written season holds."""

    site_id: str
    recording: str
    rows: int
    starts: int
    causes: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.recording}: {self.rows} rows, {self.starts} starts, breaks: {', '.join(self.causes) or 'none'}"


def fleet(
    units: int,
    *,
    seed: int = 1,
    days: float = SUMMER_DAYS,
    broken_share: float = 0.3,
    first_day: int = FIRST_DAY,
    weather_file: str = "",
) -> Iterator[UnitSeason]:
    """Units with seeds `seed`, `seed` + 1, ..., in the weather of a TMY3 file, or each in a made-up year of its own.
    Raises CommandError."""
    if not 1 <= units <= _UNITS_MOST:
        raise CommandError("units", units, f"1 to {_UNITS_MOST}")
    if not 0.0 <= broken_share <= 1.0:
        raise CommandError("broken_share", broken_share, "0 to 1")
    if not 0.0 < days <= 366.0:
        raise CommandError("days", days, "above 0 and up to 366")
    return (_unit(seed + index, float(days), broken_share, first_day, weather_file) for index in range(units))


def _unit(seed: int, days: float, broken_share: float, first_day: int, weather_file: str) -> UnitSeason:
    rng = Random(f"{seed}/fleet")
    usual = rng.choice(("three-ton", "three-ton", "two-ton-heat-pump", "five-ton"))
    ways = Random(f"{seed}/ways")  # of its own: causes stay those of the seed
    other = ways.choice(OTHER_KINDS) if ways.random() < _OTHER_SHARE else usual
    design = varied(DESIGNS[other], rng)
    causes = (_breakage(rng, days, design),) if rng.random() < broken_share else ()
    return UnitSeason(
        site_id=f"unit-{seed:04d}",
        design=design,
        seed=seed,
        days=days,
        first_day=first_day,
        causes=causes,
        weather_file=weather_file,
        thermostat=household(ways, days),
    )


def household(rng: Random, days: float) -> ThermostatDesign:
    """The set points of some household: constant, set back by day or by night, other hours on weekends, trips. Shares
    and set points are ours."""
    set_c = rng.uniform(23.0, 26.0)
    away_c, asleep_c = set_c + rng.uniform(2.0, 4.0), set_c + rng.uniform(-1.5, 1.5)
    leaves, returns = rng.uniform(7.0, 9.0), rng.uniform(15.5, 18.5)
    night = ((0.0, asleep_c), (6.5, set_c), (22.5, asleep_c))
    by_day = ((0.0, set_c), (leaves, away_c), (returns, set_c))
    both = ((0.0, asleep_c), (6.0, set_c), (leaves, away_c), (returns, set_c), (22.5, asleep_c))
    kind = rng.choice(("constant", "constant", "night", "day", "both"))
    schedule: tuple[tuple[float, float], ...] = {"constant": (), "night": night, "day": by_day, "both": both}[kind]
    weekend = ((0.0, set_c),) if kind in ("day", "both") and rng.random() < 0.8 else ()
    trips = []
    for _ in range(int(days // 60) + (rng.random() < days % 60 / 60)):
        from_day = rng.randrange(max(1, int(days) - 3))
        trips.append((float(from_day), float(from_day + rng.randint(2, 9)), set_c + rng.uniform(3.0, 6.0)))
    return ThermostatDesign(set_c=set_c, schedule=schedule, weekend=weekend, away=tuple(trips))


def _breakage(rng: Random, days: float, design: Design) -> Planned:
    # Behind a drive there is no capacitor that could fail.
    rows = [row for row in USUAL if design.kind != "variable-speed" or "capacitor" not in row[0]]
    name, _, level, grow_days = rng.choices(rows, weights=[row[1] for row in rows])[0]
    grow_s = min(grow_days, days / 2) * DAY_S
    at_s = rng.uniform(0.2, 0.6) * days * DAY_S
    return Planned(name=name, at_s=round(at_s, 1), level=min(level, CAUSES[name].most), grow_s=grow_s)


def each(units: Iterable[UnitSeason], work: Callable[[UnitSeason], _Done], jobs: int = 1) -> Iterator[_Done]:
    """What `work` makes of each unit, in their order; with several jobs in so many processes (`work` must then be of
    the top level of a module, or a partial of such). Raises CommandError, and what `work` raises."""
    if not 1 <= jobs <= _JOBS_MOST:
        raise CommandError("jobs", jobs, f"1 to {_JOBS_MOST}")
    if jobs == 1 or not _others_can_start():
        yield from map(work, units)
        return
    with get_context("spawn").Pool(jobs, _only_the_parent_is_interrupted) as pool:
        yield from pool.imap(work, units)


def _others_can_start() -> bool:
    """Return whether another process may enter the present folder, as a new one does first: `sudo -u` may leave a user
    in somebody else's home. A pool would start processes that end at once, for ever."""
    try:
        os.chdir(os.getcwd())
    except OSError:
        return False
    return True


def _only_the_parent_is_interrupted() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def write(unit: UnitSeason, folder: str | Path, pace: Pace = SEASON_PACE) -> SeasonFacts:
    """Write a season: SITE-ID.csv and its site file SITE-ID.toml. Raises RecordingError."""
    path = Path(folder, f"{unit.site_id}.csv")
    rows = starts = 0
    rig = unit.rig(pace)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.with_suffix(".toml").write_text(site_file(unit.settings), encoding="utf-8")
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = RecordingWriter(file, unit.settings.fitted, rig.wall_0_s)
            for item in rig.scans(unit.days * DAY_S):
                writer.write(item)
                rows += isinstance(item, Scan)
                starts += isinstance(item, StartTransient)
    except OSError as error:
        raise RecordingError(str(path), error.strerror or str(error), "a folder that can be written") from None
    names = tuple(cause.name for cause in unit.causes)
    return SeasonFacts(site_id=unit.site_id, recording=str(path), rows=rows, starts=starts, causes=names)


def site_file(settings: Settings) -> str:
    """Site, nameplate and senses as the text of a site file."""
    fitted = ", ".join(f'"{name}"' for name in settings.fitted)
    return (
        f"[site]\nname = {json.dumps(settings.site.name)}\nid = {json.dumps(settings.site.id)}\n\n"
        f"[unit]\n{_nameplate(settings.unit)}\n\n[senses]\nfitted = [{fitted}]\n"
    )


def _nameplate(unit: Unit) -> str:
    rows = msgspec.structs.asdict(unit).items()
    return "\n".join(f"{key} = {json.dumps(value)}" for key, value in rows)  # TOML writes these as JSON does
