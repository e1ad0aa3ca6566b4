"""House and thermostat: what calls for cooling.

The house is two temperatures, the air and what it touches at once, and the heavy mass behind; the thermostat feels the
air with a lag, switches with a swing, waits between runs, and may take its own power from the call wire when it is off.
"""

from __future__ import annotations

from math import exp, inf
from typing import Literal

import msgspec

from condenser_monitor.sim import constants
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import Design
from condenser_monitor.sim.weather import DAY_S, HOUR_S


class HouseDesign(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A house for a 3 ton unit; `scaled` fits it to another. Conductances in W/K, heat capacities in J/K, ours."""

    ua_w_k: float = 330.0
    air_j_k: float = 3.0e6
    mass_j_k: float = 4.0e7
    mass_w_k: float = 800.0
    sun_m2: float = 7.0
    inside_w: float = 1000.0
    indoor_c: float = 25.0

    def scaled(self, share: float) -> HouseDesign:
        """The same house, `share` times as large."""
        return msgspec.structs.replace(
            self,
            ua_w_k=self.ua_w_k * share,
            air_j_k=self.air_j_k * share,
            mass_j_k=self.mass_j_k * share,
            mass_w_k=self.mass_w_k * share,
            sun_m2=self.sun_m2 * share,
            inside_w=self.inside_w * share,
        )


class ThermostatDesign(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`schedule` holds [hour of day, set point C] rows, each in force until the next; empty: `set_c` always. `weekend`
    are the rows of the sixth and seventh day of each week, `away` [from day, until day, set point C] of trips.

    `steal_ohm` is the path through which it powers itself when off (none: it does not); `short_cycle_s` the wait
    after a stop or after its power has returned; `battery` keeps it calling through an outage.
    """

    mode: Literal["cool", "heat"] = "cool"
    set_c: float = 24.5
    swing_k: float = 0.6
    lag_s: float = 120.0
    short_cycle_s: float = 300.0
    steal_ohm: float | None = None
    battery: bool = False
    schedule: tuple[tuple[float, float], ...] = ()
    weekend: tuple[tuple[float, float], ...] = ()
    away: tuple[tuple[float, float, float], ...] = ()


class House:
    """Temperatures of one house, C."""

    __slots__ = ("air_c", "design", "mass_c")

    def __init__(self, design: HouseDesign) -> None:
        self.design = design
        self.air_c = self.mass_c = design.indoor_c

    def step(self, dt: float, *, outdoor_c: float, sun_w_m2: float, cooling_w: float) -> None:
        """Let `dt` seconds (up to a minute) pass; `cooling_w` below zero heats."""
        d = self.design
        into_air = (
            d.ua_w_k * (outdoor_c - self.air_c)
            + d.mass_w_k * (self.mass_c - self.air_c)
            + d.inside_w
            + 0.4 * d.sun_m2 * sun_w_m2
            - cooling_w
        )
        into_mass = d.mass_w_k * (self.air_c - self.mass_c) + 0.6 * d.sun_m2 * sun_w_m2
        self.air_c += into_air * dt / d.air_j_k
        self.mass_c += into_mass * dt / d.mass_j_k


class AirHandler:
    """The indoor unit's blower and coil: `blower` runs, `return_c` before and `supply_c` after the coil, C."""

    __slots__ = ("after_s", "blower", "condition", "design", "return_c", "supply_c")

    def __init__(self, design: Design, condition: Condition, air_c: float) -> None:
        self.design, self.condition = design, condition
        self.blower = False
        self.return_c = self.supply_c = air_c
        self.after_s = constants.BLOWER_AFTER_S.value

    def step(self, dt: float, *, called: bool, room_c: float, coil_c: float, cooling_w: float) -> None:
        """Let `dt` seconds pass with the coil at `coil_c`, which takes `cooling_w` from the air (negative: heats)."""
        self.after_s = 0.0 if called else self.after_s + dt
        self.blower = not self.condition.blower_dead and self.after_s < constants.BLOWER_AFTER_S.value
        share = 1.0 - exp(-dt / constants.DUCT_TAU_S.value)
        flow = constants.AIRFLOW_M3_S_TON.value * self.design.tons * max(0.02, self.condition.indoor_air())
        fall_k = constants.SENSIBLE_SHARE.value * cooling_w / (constants.AIR_J_M3_K.value * flow)
        if cooling_w > 0.0:
            fall_k = min(fall_k, max(0.0, room_c - coil_c - 1.0))
        target_c = room_c - fall_k if self.blower else room_c
        self.return_c += (room_c - self.return_c) * share
        self.supply_c += (target_c - self.supply_c) * (share if self.blower else share / 8)

    def left_s(self) -> float:
        """Seconds until the blower stops."""
        return max(1.0, constants.BLOWER_AFTER_S.value - self.after_s) if self.blower and self.after_s > 0 else inf


class Thermostat:
    """One thermostat; `calls` is its wish, `contact_ohm` what it puts between R and Y."""

    __slots__ = ("_began_s", "_powered", "_ready_s", "calls", "condition", "demand", "design", "felt_c", "second")

    def __init__(self, design: ThermostatDesign, condition: Condition, air_c: float) -> None:
        self.design, self.condition = design, condition
        self.felt_c = air_c
        self.calls = False
        self.demand, self.second = 1.0, False
        self._began_s = 0.0
        self._ready_s = 0.0
        self._powered = True

    def set_point_c(self, t_s: float) -> float:
        """The set point in force at a time, with what somebody has changed."""
        day, set_c = t_s / DAY_S, self.design.set_c
        rows = self.design.weekend if self.design.weekend and int(day) % 7 >= 5 else self.design.schedule
        trip = next((row[2] for row in self.design.away if row[0] <= day < row[1]), None)
        if trip is not None:
            set_c = trip
        elif rows:
            hour = (t_s % DAY_S) / HOUR_S
            past = [row for row in rows if row[0] <= hour]
            set_c = (past or [rows[-1]])[-1][1]
        sign = 1.0 if self.design.mode == "cool" else -1.0
        return set_c + sign * self.condition.set_offset_k

    def step(self, dt: float, now_s: float, day_s: float, *, air_c: float, supply_share: float, powered: bool) -> bool:
        """Let `dt` seconds pass; True when its wish has changed. `day_s` is the time of day, s; `supply_share` how cold
        the supply air is, of full."""
        air_c -= self.condition.draught_k * supply_share
        self.felt_c += (air_c - self.felt_c) * (1.0 - exp(-dt / self.design.lag_s))
        was = self.calls
        self._mind_power(now_s, powered=powered)
        if not self._powered and not self.design.battery:
            self.calls = False
        else:
            self.calls = self._wish(now_s, day_s)
        if self.calls and not was:
            self._began_s = now_s
        over_k = self.felt_c - self.set_point_c(day_s)
        self.ask(now_s - self._began_s, over_k if self.design.mode == "cool" else -over_k)
        if was and not self.calls:
            self._ready_s = max(self._ready_s, now_s + self._wait_s())
        return was is not self.calls

    def ask(self, called_s: float, over_k: float) -> None:
        """Ask a unit with stages for its `second` one, `called_s` into a call and `over_k` from the set point, and one
        with a drive for `demand`, of its capacity."""
        self.second = over_k >= constants.SECOND_STAGE_K.value or called_s >= constants.SECOND_STAGE_S.value
        share = constants.SLOWEST_SHARE.value + over_k / constants.DRIVE_FULL_K.value
        self.demand = max(0.0, min(1.0, share + called_s / constants.DRIVE_FULL_S.value))

    def _mind_power(self, now_s: float, *, powered: bool) -> None:
        if powered and not self._powered and not self.design.battery:
            self._ready_s = now_s + self._wait_s()
        self._powered = powered

    def _wait_s(self) -> float:
        return 0.0 if self.condition.no_short_cycle_delay else self.design.short_cycle_s

    def _wish(self, now_s: float, day_s: float) -> bool:
        half = 0.5 * self.design.swing_k * self.condition.swing_share
        over = self.felt_c - self.set_point_c(day_s)
        if self.design.mode == "heat":
            over = -over
        if self.calls:
            return over > -half
        return over > half and now_s >= self._ready_s

    @property
    def contact_ohm(self) -> float:
        """Between R and Y: closed, open, or open and stealing power."""
        if self.condition.thermostat_dead:
            return inf
        if self.calls or self.condition.thermostat_stuck_on:
            return constants.THERMOSTAT_OHM.value
        return inf if self.design.steal_ohm is None else self.design.steal_ohm


def house_for(design: Design) -> HouseDesign:
    """The usual house for a unit of this size."""
    return HouseDesign().scaled(design.tons / 3.0)
