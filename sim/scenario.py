"""Scenarios: TOML files that describe a unit, its weather, causes on a time line, and what must be found.

A scenario without `[[expect]]` must stay silent. Times are seconds or texts such as "2d 6h 30m 15s", counted from the
start.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from datetime import UTC, datetime
from math import inf
from pathlib import Path
from random import Random
from typing import Any, Literal, TypeVar

import msgspec

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import (
    OUTDOOR_SENSES,
    SensorSettings,
    Settings,
    Site,
)
from condenser_monitor.monitor.core.errors import ScenarioError, SiteError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.limits import FINDINGS
from condenser_monitor.sim.causes import cause_named
from condenser_monitor.sim.designs import DESIGNS, Design
from condenser_monitor.sim.house import HouseDesign, ThermostatDesign, house_for
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.weather import (
    Hour,
    Weather,
    design_days,
    synthetic_year,
    typical_year,
)
from condenser_monitor.sim.world import World, WorldPlan

_Kind = TypeVar("_Kind", bound=msgspec.Struct)
FOLDER = Path(__file__).parent / "scenarios"
Span = float | str
_UNIT_S = {"d": 86400.0, "h": 3600.0, "m": 60.0, "s": 1.0}
_SPAN = re.compile(r"\s*(?:(\d+(?:\.\d+)?)\s*([dhms])\s*)+")


class WeatherTable(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`days`: one [maximum C, daily range K] a day, the last going on. `synthetic`: a made-up year from `first_day`.
    `typical`: the TMY3 file `file` from `first_day`. `steady`: `steady_c` always, no sun."""

    kind: Literal["days", "synthetic", "typical", "steady"] = "days"
    days: tuple[tuple[float, float], ...] = ((36.0, 12.0),)
    first_day: int = 180
    warmest_c: float = 31.0
    file: str = ""
    steady_c: float = 30.0


class CauseTable(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One cause on the time line. `grow` is the time it takes to its level; `on` and `off` make it come and go."""

    name: str
    at: Span = 0.0
    until: Span | None = None
    level: float | None = None
    sense: str = ""
    grow: Span = 0.0
    on: Span = 0.0
    off: Span = 0.0
    regular: bool = False


class ExpectTable(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A finding that must be raised between `after` and `before`; `suspects` must be among those named at the end of
    its standing, `first` must stand first, `absent` must not be named; `cleared_by` is when it must be gone again."""

    finding: str
    after: Span = 0.0
    before: Span | None = None
    suspects: tuple[str, ...] = ()
    first: str = ""
    absent: tuple[str, ...] = ()
    cleared_by: Span | None = None


EVERY_SENSE = "all"  # among a scenario's senses: whatever there is


class ScenarioTable(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A scenario's own keys. Scans are `scan_s` apart; where nothing happens, `quiet_scan_s` if that is more.
    `starts` captures the compressor's starts; `register` marks one that the tests always play at both levels;
    `start_hour` is the solar hour at the start; `calls` are [from, until] times that replace the thermostat; `unit` and
    `house` change single keys of the design and of the usual house, `declared` what the site file says of the unit
    otherwise than it is; `senses` names what is fitted, or "all"; `allow` lists findings that may come as well."""

    claim: str
    hours: float
    seed: int = 1
    start: datetime = datetime(2026, 7, 14, 12, 0, tzinfo=UTC)
    start_hour: float = 6.0
    design: str = "three-ton"
    senses: tuple[str, ...] = OUTDOOR_SENSES
    scan_s: float = 1.0
    quiet_scan_s: float = 0.0
    starts: bool = False
    register: bool = False
    unit: dict[str, Any] = {}
    weather: WeatherTable = WeatherTable()
    house: dict[str, Any] = {}
    declared: dict[str, Any] = {}
    thermostat: ThermostatDesign = ThermostatDesign()
    calls: tuple[tuple[Span, Span], ...] | None = None
    cause: tuple[CauseTable, ...] = ()
    expect: tuple[ExpectTable, ...] = ()
    allow: tuple[str, ...] = ()
    limits: dict[str, dict[str, float]] = {}


class Expectation(msgspec.Struct, frozen=True, kw_only=True):
    """ExpectTable with its times in seconds."""

    finding: str
    after_s: float
    before_s: float
    suspects: tuple[str, ...]
    first: str
    absent: tuple[str, ...]
    cleared_by_s: float | None


class Scenario(msgspec.Struct, frozen=True, kw_only=True):
    """A scenario ready to run. `world()` makes a fresh world each time: the same one."""

    name: str
    claim: str
    duration_s: float
    start_wall_s: float
    plan: WorldPlan
    weather: WeatherTable
    settings: Settings
    scan_s: float
    quiet_scan_s: float
    starts: bool
    register: bool
    expect: tuple[Expectation, ...]
    allow: tuple[str, ...]

    def world(self, seed: int | None = None) -> World:
        """A fresh world of this scenario, with another seed if one is given."""
        plan = self.plan if seed is None else msgspec.structs.replace(self.plan, seed=seed)
        return World(plan, make_weather(self.weather, plan))


def span_s(value: Span, place: str) -> float:
    """Seconds of a time in a scenario. Raises ScenarioError."""
    allowed = 'seconds from 0 up, or a text such as "2d 6h 30m 15s"'
    if isinstance(value, str):
        if not _SPAN.fullmatch(value):
            raise ScenarioError(place, value, allowed)
        return sum(float(n) * _UNIT_S[u] for n, u in re.findall(r"(\d+(?:\.\d+)?)\s*([dhms])", value))
    if not 0 <= value < inf:
        raise ScenarioError(place, value, allowed)
    return float(value)


def make_weather(table: WeatherTable, plan: WorldPlan) -> Weather:
    """The weather of a scenario. Raises ScenarioError for a file that cannot be used."""
    if table.kind == "days":
        return design_days(table.days, plan.start_hour)
    if table.kind == "steady":
        return Weather([Hour(table.steady_c, 0.0)])
    if table.kind == "synthetic":
        hours = synthetic_year(Random(f"{plan.seed}/weather"), warmest_c=table.warmest_c)
    else:
        hours = typical_year(table.file)
    return Weather(hours, table.first_day * 24 + plan.start_hour)


# ---------------------------------------------------------------- reading


def names() -> tuple[str, ...]:
    """The scenarios that come with the program."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


def load(name: str | Path) -> Scenario:
    """A scenario from a file, or by the name of one that comes along. Raises ScenarioError."""
    path = Path(name)
    if path.suffix != ".toml" and (os.path.isdir(path) or not os.path.exists(path)):
        path = FOLDER / f"{name}.toml"
        if not os.path.isfile(path):  # Path.is_file raises for a name that is too long
            raise ScenarioError("scenario", str(name), "a TOML file or one of " + ", ".join(names()))
    try:
        return parse(config.text_of(path), path.stem)
    except SiteError as error:
        raise ScenarioError(error.place, error.given, error.allowed) from None


def parse(text: str, name: str = "scenario") -> Scenario:
    """A scenario from its text. Raises ScenarioError naming the file and the key."""
    try:
        return _build(config.convert(text, ScenarioTable, name), name)
    except SiteError as error:
        raise ScenarioError(error.place, error.given, error.allowed) from None


def _build(table: ScenarioTable, name: str) -> Scenario:
    _check(table, name)
    design = _design(table, name)
    return Scenario(
        name=name,
        claim=table.claim,
        duration_s=table.hours * 3600.0,
        start_wall_s=table.start.timestamp(),
        plan=WorldPlan(
            design=design,
            house=_house(table, design, name),
            thermostat=table.thermostat,
            start_hour=table.start_hour,
            causes=tuple(_planned(cause, f"{name}: cause[{i}]") for i, cause in enumerate(table.cause)),
            calls=_calls(table, name),
            seed=table.seed,
        ),
        weather=table.weather,
        settings=_settings(table, design, name),
        scan_s=table.scan_s,
        quiet_scan_s=table.quiet_scan_s,
        starts=table.starts,
        register=table.register,
        expect=tuple(_expectation(row, f"{name}: expect[{i}]") for i, row in enumerate(table.expect)),
        allow=table.allow,
    )


def _check(table: ScenarioTable, name: str) -> None:
    bounds = {"hours": (0.001, 9000.0), "scan_s": (0.1, 60.0), "quiet_scan_s": (0.0, 60.0), "start_hour": (0.0, 24.0)}
    for key, (low, high) in bounds.items():
        value = getattr(table, key)
        if not low <= value <= high:
            raise ScenarioError(f"{name}: {key}", value, f"{low:g} to {high:g}")
    _one_of(table.design, DESIGNS, f"{name}: design")
    for sense in table.senses:
        _one_of(sense, (*READINGS, EVERY_SENSE), f"{name}: senses")
    for finding in (*table.allow, *(row.finding for row in table.expect)):
        _one_of(finding, FINDINGS, f"{name}: finding")
    if table.start.tzinfo is None:
        raise ScenarioError(f"{name}: start", str(table.start), "a time with its offset, 2026-07-14T06:00:00-05:00")


def _one_of(value: str, allowed: Iterable[str], place: str) -> None:
    if value not in allowed:
        raise ScenarioError(place, value, "one of " + ", ".join(allowed))


def _design(table: ScenarioTable, name: str) -> Design:
    return _overlaid(DESIGNS[table.design], table.unit, f"{name}: unit")


def _house(table: ScenarioTable, design: Design, name: str) -> HouseDesign:
    return _overlaid(house_for(design), table.house, f"{name}: house")


def _overlaid(base: _Kind, changes: dict[str, Any], place: str) -> _Kind:
    known = msgspec.structs.asdict(base)
    for key in changes:
        _one_of(key, known, place)
    try:
        return msgspec.convert({**known, **changes}, type(base))
    except msgspec.ValidationError as error:
        raise ScenarioError(place, changes, str(error)) from None


def _planned(table: CauseTable, place: str) -> Planned:
    cause_named(table.name, place, table.sense, table.level)
    return Planned(
        name=table.name,
        at_s=span_s(table.at, f"{place}.at"),
        until_s=inf if table.until is None else span_s(table.until, f"{place}.until"),
        level=table.level,
        sense=table.sense,
        grow_s=span_s(table.grow, f"{place}.grow"),
        on_s=span_s(table.on, f"{place}.on"),
        off_s=span_s(table.off, f"{place}.off"),
        regular=table.regular,
    )


def _calls(table: ScenarioTable, name: str) -> tuple[tuple[float, float], ...] | None:
    if table.calls is None:
        return None
    return tuple((span_s(one, f"{name}: calls"), span_s(two, f"{name}: calls")) for one, two in table.calls)


def _expectation(row: ExpectTable, place: str) -> Expectation:
    return Expectation(
        finding=row.finding,
        after_s=span_s(row.after, f"{place}.after"),
        before_s=inf if row.before is None else span_s(row.before, f"{place}.before"),
        suspects=row.suspects,
        first=row.first,
        absent=row.absent,
        cleared_by_s=None if row.cleared_by is None else span_s(row.cleared_by, f"{place}.cleared_by"),
    )


def _settings(table: ScenarioTable, design: Design, name: str) -> Settings:
    site = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:64] or "scenario"
    settings = Settings(
        site=Site(name=table.claim[:80], id=site),
        unit=_overlaid(design.nameplate(), table.declared, f"{name}: declared"),
        senses=SensorSettings(fitted=tuple(READINGS) if EVERY_SENSE in table.senses else table.senses),
        limits=table.limits,
    )
    return config.checked(settings, name)
