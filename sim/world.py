"""Everything outside the monitor, joined and moved through virtual time: weather, house, thermostat, unit, causes.

`World.advance(until_s)` is the only way time passes; it takes as long steps as the unit's patience allows and
stops at every change of a cause. Same description and seed, same world to the last bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, inf, pi
from random import Random
from typing import NamedTuple

import msgspec

from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import DESIGNS, Design
from condenser_monitor.sim.house import (
    House,
    HouseDesign,
    Thermostat,
    ThermostatDesign,
    house_for,
)
from condenser_monitor.sim.senses import SimulatedPresence
from condenser_monitor.sim.timeline import Planned, ScenarioTimeline
from condenser_monitor.sim.unit import CondensingUnit, Surroundings
from condenser_monitor.sim.weather import (
    DAY_S,
    HOUR_S,
    Weather,
    design_days,
)

_NEVER_SHORTER_S = 1e-6
_POWERED_V = 10.0  # ours: a thermostat's regulator works down to about this
DEFROST_BELOW_C = 4.0  # ours: frost grows on the outdoor coil below this outdoor temperature
DEFROST_EVERY_S = 3600.0  # common practice: boards defrost after 30 to 90 min of run
DEFROST_S = 420.0  # common practice: 5 to 10 min, fan stopped


class Happening(NamedTuple):
    """One line of the world's own log: what truly happened, for benches and tests."""

    t_s: float
    what: str


class WorldPlan(msgspec.Struct, frozen=True, kw_only=True):
    """All that a world is made from. `start_hour` is the solar time of day at time 0; `calls` replaces house and
    thermostat by a fixed table of (from s, until s) calls."""

    design: Design = DESIGNS["three-ton"]
    house: HouseDesign | None = None
    thermostat: ThermostatDesign = ThermostatDesign()
    start_hour: float = 6.0
    causes: tuple[Planned, ...] = ()
    calls: tuple[tuple[float, float], ...] | None = None
    line_swing: float = 0.01
    seed: int = 1


class World:
    """One unit in its house. `t_s` is now; the unit's attributes are what senses are wired to."""

    def __init__(self, plan: WorldPlan, weather: Weather | None = None) -> None:
        self.plan = plan
        self.weather = weather or design_days([(36.0, 12.0)], plan.start_hour)
        self.t_s = 0.0
        self.condition = Condition()
        self.timeline = ScenarioTimeline(plan.causes, plan.seed)
        hour = self.weather.at(0.0)
        self.outdoor_c = hour.outdoor_c
        self.unit = CondensingUnit(plan.design, self.condition, hour.outdoor_c)
        self.house = House(plan.house or house_for(plan.design))
        self.thermostat = Thermostat(plan.thermostat, self.condition, self.house.air_c)
        self.around = Surroundings(service_v=plan.design.line_v, outdoor_c=hour.outdoor_c, indoor_c=self.house.air_c)
        self.around.heating = plan.thermostat.mode == "heat"
        self.log: list[Happening] = []
        self.presence = SimulatedPresence()
        self._swing = Random(f"{plan.seed}/line").uniform(0.0, 2 * pi)
        self._defrost_run_s = 0.0
        self._defrost_left_s = 0.0
        self._stepped_s = 0.0
        self._calls = plan.calls

    # ------------------------------------------------------------ time

    def advance(self, until_s: float, *, stop_at_events: bool = False) -> float:
        """Let time pass until `until_s`, or to the first abrupt change if asked to stop there; returns the time."""
        unit = self.unit
        while self.t_s < until_s:
            events = unit.events
            if self.timeline.due(self.t_s):
                self._write_causes()
            self._call()
            self._mind_defrost()
            step_s = min(until_s, self.timeline.next_s) - self.t_s
            step_s = max(_NEVER_SHORTER_S, min(step_s, unit.patience_s(), self._calls_left_s()))
            self._step(step_s)
            if stop_at_events and unit.events != events:
                break
        return self.t_s

    def poke(self) -> None:
        """Causes were switched by hand: take them in at once."""
        self._write_causes()

    def _write_causes(self) -> None:
        if self.timeline.write(self.t_s, self.condition):
            self.unit.control.fuse.replace()
        self.unit.poke()
        names = " ".join(sorted(self.timeline.levels))
        if not self.log or self.log[-1].what != f"causes: {names}":
            self._note(f"causes: {names}")

    def _step(self, dt: float) -> None:
        around, unit = self.around, self.unit
        hour = self.weather.at(self.t_s)
        self.outdoor_c = around.outdoor_c = hour.outdoor_c
        around.service_v = self._service_v()
        around.indoor_c = self.house.air_c
        unit.step(dt, self.t_s, around)
        self.presence.update(self.t_s + dt, unit)
        cooling_w = unit.gas.cooling_w()
        self.house.step(
            dt,
            outdoor_c=hour.outdoor_c,
            sun_w_m2=hour.sun_w_m2,
            cooling_w=-cooling_w if unit.gas.heating else cooling_w,
        )
        self.t_s += dt
        self._stepped_s = dt

    def _service_v(self) -> float:
        day = 2 * pi * self.t_s / DAY_S + self._swing
        return self.plan.design.line_v * (1.0 + self.plan.line_swing * cos(day))

    # ------------------------------------------------------------ what calls

    def _call(self) -> None:
        """Ask the thermostat before each step, so that a step never spans a change of its wish."""
        thermostat = self.thermostat
        day_s = self.t_s + self.plan.start_hour * HOUR_S
        if self._calls is not None:
            changed = self._called(self._calls)
        else:
            powered = self.unit.thermostat_r_v > _POWERED_V or self.t_s <= 0.0
            changed = thermostat.step(
                self._stepped_s,
                self.t_s,
                day_s,
                air_c=self.house.air_c,
                supply_share=self.unit.gas.cooling_share,
                powered=powered,
            )
        self.around.thermostat_ohm = thermostat.contact_ohm
        self.around.demand, self.around.second = thermostat.demand, thermostat.second
        if changed:
            self.unit.poke()
            self._note("call" if thermostat.calls else "no call")

    def _called(self, calls: tuple[tuple[float, float], ...]) -> bool:
        was = self.thermostat.calls
        began = [from_s for from_s, until_s in calls if from_s <= self.t_s < until_s]
        self.thermostat.calls = bool(began)
        self.thermostat.ask(self.t_s - max(began, default=self.t_s), 0.0)
        return was is not self.thermostat.calls

    def call_by_hand(self, call: bool) -> None:
        """Hold the thermostat's contact closed or open from now on, whatever the house wants."""
        self._calls = ((self.t_s, inf),) if call else ()

    def play(self, causes: Sequence[Planned], calls: Sequence[tuple[float, float]]) -> None:
        """From now on these causes and these calls for cooling; their times count from now."""
        begun_s = self.t_s
        shifted = [
            msgspec.structs.replace(cause, at_s=cause.at_s + begun_s, until_s=cause.until_s + begun_s)
            for cause in causes
        ]
        self.timeline = ScenarioTimeline(shifted, self.plan.seed)
        self._calls = tuple((from_s + begun_s, until_s + begun_s) for from_s, until_s in calls)
        self.poke()

    def live_on(self) -> None:
        """Have everything repaired, and leave the calls to house and thermostat from now on."""
        self.timeline.mend_all()
        self._calls = None
        self.poke()

    def _calls_left_s(self) -> float:
        if self._calls is None:
            return 60.0
        edges = [edge - self.t_s for call in self._calls for edge in call if edge > self.t_s]
        return min(edges, default=60.0)

    # ------------------------------------------------------------ defrost of a heat pump

    def _mind_defrost(self) -> None:
        dt = self._stepped_s
        if not (self.plan.design.heat_pump and self.around.heating):
            return
        if self._defrost_left_s > 0.0:
            self._defrost_left_s -= dt
        elif self.unit.compressor.turning and self.outdoor_c < DEFROST_BELOW_C:
            self._defrost_run_s += dt
            if self._defrost_run_s >= DEFROST_EVERY_S:
                self._defrost_run_s, self._defrost_left_s = 0.0, DEFROST_S
                self._note("defrost")
        held = self._defrost_left_s > 0.0
        if held is not self.around.fan_held_off:
            self.around.fan_held_off = held
            self.unit.poke()

    def _note(self, what: str) -> None:
        self.log.append(Happening(self.t_s, what))
