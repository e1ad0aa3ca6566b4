"""The refrigerant side at a glance: evaporating and condensing temperature, compressor power, cooling capacity.

Power and mass flow are AHRI 540 maps of a 3 ton compressor, scaled to the unit's size. Condensing temperature is
outdoor temperature plus an approach that grows with the heat to be given off and shrinks with the condenser's share
left; it follows with a lag. Below the map's range (little charge left) power tapers to an idle share; at the top a
relief valve holds the pressure.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, sqrt

from condenser_monitor.sim import constants
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import Design


def fahrenheit(celsius: float) -> float:
    """Degrees C to F."""
    return celsius * 1.8 + 32.0


def celsius(fahrenheits: float) -> float:
    """Degrees F to C."""
    return (fahrenheits - 32.0) / 1.8


def ahri_540(c: Sequence[float], s: float, d: float) -> float:
    """The ten-coefficient polynomial of AHRI 540 at suction and discharge dew point `s`, `d`, in the map's own
    units."""
    return (
        c[0]
        + s * (c[1] + s * (c[3] + s * c[6]))
        + d * (c[2] + d * (c[5] + d * c[9]))
        + s * d * (c[4] + s * c[7] + d * c[8])
    )


def _taper(s_f: float) -> float:
    """1 within the map, falling to 0 at the evaporating temperature where nothing is pumped any more."""
    low, starved = constants.MAP_LOW_F.value, constants.STARVED_F.value
    return max(0.0, min(1.0, (s_f - starved) / (low - starved)))


_RATING_D_F = constants.RATING_OUTDOOR_F.value + constants.APPROACH_F.value
_RATING_S_F = constants.RATING_EVAPORATING_F.value
RATING_POWER_W = ahri_540(constants.AHRI_POWER_W, _RATING_S_F, _RATING_D_F)
RATING_FLOW = ahri_540(constants.AHRI_FLOW_LB_H, _RATING_S_F, _RATING_D_F)


def power_share(s_f: float, d_f: float) -> float:
    """Compressor power, of its power at rating A."""
    s = max(s_f, constants.MAP_LOW_F.value)
    mapped = ahri_540(constants.AHRI_POWER_W, s, min(d_f, constants.MAP_HIGH_F.value)) / RATING_POWER_W
    taper, idle = _taper(s_f), constants.IDLE_POWER_SHARE.value
    return mapped if taper >= 1.0 else idle + (max(mapped, idle) - idle) * taper


def flow_share(s_f: float, d_f: float) -> float:
    """Refrigerant mass flow, of the flow at rating A; never below zero."""
    s = max(s_f, constants.MAP_LOW_F.value)
    mapped = ahri_540(constants.AHRI_FLOW_LB_H, s, min(d_f, constants.MAP_HIGH_F.value)) / RATING_FLOW
    return max(0.0, mapped) * _taper(s_f)


def capacity_share(s_f: float, d_f: float) -> float:
    """Cooling capacity, of the capacity at rating A."""
    return flow_share(s_f, d_f) * max(0.1, 1.0 + constants.CAPACITY_PER_F.value * (d_f - _RATING_D_F))


def target_superheat_f(outdoor_c: float, indoor_c: float) -> float:
    """Return the field's target behind a fixed orifice, (3 x indoor wet bulb - 80 - outdoor dry bulb) / 2, °F, at the
    humidity of the rating's indoor air."""
    apart_f = fahrenheit(indoor_c) - constants.RATING_INDOOR_F.value
    wet_bulb_f = constants.WET_BULB_F.value + constants.WET_BULB_PER_F.value * apart_f
    return max(constants.SUPERHEAT_LEAST_F.value, (3.0 * wet_bulb_f - 80.0 - fahrenheit(outdoor_c)) / 2.0)


def stage_power(design: Design, stage: float) -> float:
    """Compressor power at `stage` of its capacity, of the full one at the same temperatures: two stages at one speed
    lose by the unloading, a drive slows the motor down."""
    if design.kind == "variable-speed":
        return stage
    low, power = constants.LOW_STAGE_CAPACITY.value, constants.LOW_STAGE_POWER.value
    return 1.0 - (1.0 - stage) * (1.0 - power) / (1.0 - low)


class Refrigeration:
    """Temperatures of one unit; `power_share`, `flow_share` and `cooling_w` are what the compressor now does; `stage`
    is the share of its capacity that is asked of it."""

    __slots__ = (
        "condensing_f",
        "condition",
        "cooling_share",
        "design",
        "discharge_c",
        "evaporating_f",
        "flow",
        "heating",
        "liquid_c",
        "power",
        "stage",
        "suction_c",
    )

    def __init__(self, design: Design, condition: Condition, outdoor_c: float) -> None:
        self.design, self.condition = design, condition
        self.condensing_f = fahrenheit(outdoor_c)
        self.evaporating_f = self.condensing_f
        self.power = self.flow = self.cooling_share = 0.0
        self.heating = False
        self.stage = 1.0
        self.suction_c = self.liquid_c = self.discharge_c = outdoor_c

    @property
    def condensing_c(self) -> float:
        """Saturation temperature on the high side, C."""
        return celsius(self.condensing_f)

    @property
    def evaporating_c(self) -> float:
        """Saturation temperature on the low side, C."""
        return celsius(self.evaporating_f)

    def step(self, dt: float, *, turning: bool, air_share: float, outdoor_c: float, indoor_c: float) -> None:
        """Let `dt` seconds pass with the compressor turning or not, and `air_share` of the condenser's air moving."""
        outdoor_f, indoor_f = fahrenheit(outdoor_c), fahrenheit(indoor_c)
        if not turning:
            self._rest(dt, outdoor_f, indoor_f)
            return
        source_f, sink_f = (outdoor_f, indoor_f) if self.heating else (indoor_f, outdoor_f)
        self._follow(dt, self._evaporating_target(source_f), self._condensing_target(sink_f, air_share))
        self.power = power_share(self.evaporating_f, self.condensing_f)
        self.flow = flow_share(self.evaporating_f, self.condensing_f)
        self.power *= stage_power(self.design, self.stage)
        self.flow *= self.stage
        pump, idle = self.condition.pump_share, constants.IDLE_POWER_SHARE.value
        if pump < 1.0:
            self.flow *= pump
            self.power = min(self.power, idle + (self.power - idle) * pump)
        self._warm_pipes(dt, outdoor_c, indoor_c)
        lag = 1.0 - exp(-dt / constants.COOLING_TAU_S.value)
        full = capacity_share(self.evaporating_f, self.condensing_f) * self.condition.capacity_share * pump
        full *= self.stage
        self.cooling_share += (full - self.cooling_share) * lag

    def _rest(self, dt: float, outdoor_f: float, indoor_f: float) -> None:
        share = 1.0 - exp(-dt / constants.REST_TAU_S.value)
        self.condensing_f += (outdoor_f - self.condensing_f) * share
        rest_f = min(outdoor_f, indoor_f)
        self.evaporating_f += (rest_f - self.evaporating_f) * share
        self.power = self.flow = 0.0
        self.cooling_share *= 1.0 - share
        self.suction_c += (celsius(outdoor_f) - self.suction_c) * share
        self.liquid_c += (celsius(outdoor_f) - self.liquid_c) * share
        self.discharge_c += (celsius(outdoor_f) - self.discharge_c) * share

    def _warm_pipes(self, dt: float, outdoor_c: float, indoor_c: float) -> None:
        """What a probe on each pipe at the unit follows: gas over evaporating, liquid under condensing temperature."""
        condition = self.condition
        lost, over = max(0.0, 1.0 - condition.charge), max(0.0, condition.charge - 1.0)
        starved = min(1.0, lost + condition.metering_shut)
        gas_c = min(self.evaporating_c + self.superheat_k(outdoor_c, indoor_c), max(indoor_c, outdoor_c))
        # A starved coil boils all of its liquid early; the gas then warms towards the air that goes over it.
        gas_c += max(0.0, indoor_c - gas_c) * min(1.0, constants.STARVED_GAS_SHARE.value * starved)
        subcooling_k = (
            constants.SUBCOOLING_K.value * max(0.0, 1.0 - 2.5 * lost)
            + constants.SUBCOOLING_OVER_K.value * over
            + constants.SUBCOOLING_HELD_K.value * condition.metering_shut
        )
        liquid_c = max(outdoor_c + 0.5, self.condensing_c - subcooling_k)
        share = 1.0 - exp(-dt / constants.PIPE_TAU_S.value)
        self.suction_c += (gas_c - self.suction_c) * share
        self.liquid_c += (liquid_c - self.liquid_c) * share
        hot_c = self._hot_gas_c()
        hot_c -= constants.DISCHARGE_LOSS.value * (hot_c - outdoor_c)
        share = 1.0 - exp(-dt / constants.DISCHARGE_TAU_S.value)
        self.discharge_c += (hot_c - self.discharge_c) * share

    def _hot_gas_c(self) -> float:
        """Gas at the compressor's outlet: what is not lost by the shell of the work on each kilogram, and the gas's own
        superheat, over the condensing temperature."""
        at = (max(self.evaporating_f, constants.MAP_LOW_F.value), min(self.condensing_f, constants.MAP_HIGH_F.value))
        flow_kg_s = ahri_540(constants.AHRI_FLOW_LB_H, *at) * constants.KG_S_PER_LB_H.value
        work_j_kg = ahri_540(constants.AHRI_POWER_W, *at) * (1.0 - constants.SHELL_LOSS.value) / flow_kg_s
        superheat_k = max(0.0, self.suction_c - self.evaporating_c)
        gained = work_j_kg * self.condition.pump_share + constants.COLD_GAS_J_KG_K.value * superheat_k
        return min(constants.RELIEF_C.value, self.condensing_c + gained / constants.HOT_GAS_J_KG_K.value)

    def superheat_k(self, outdoor_c: float, indoor_c: float) -> float:
        """What the metering device leaves at the unit with a full coil, K: a valve holds it; behind a fixed orifice it
        is the field's target, less where the coil is flooded."""
        if self.design.metering == "txv" or self.heating:
            return constants.SUPERHEAT_K.value
        over = max(0.0, self.condition.charge - 1.0) + max(0.0, 1.0 - self.condition.indoor_air())
        return max(0.0, target_superheat_f(outdoor_c, indoor_c) - constants.FLOODED_F.value * over) / 1.8

    def _follow(self, dt: float, evaporating_f: float, condensing_f: float) -> None:
        share = 1.0 - exp(-dt / constants.CONDENSING_TAU_S.value)
        top = constants.MAP_HIGH_F.value
        self.condensing_f = min(top, self.condensing_f + (condensing_f - self.condensing_f) * share)
        self.evaporating_f += (evaporating_f - self.evaporating_f) * share

    def _evaporating_target(self, source_f: float) -> float:
        rating_f = constants.RATING_OUTDOOR_F.value if self.heating else constants.RATING_INDOOR_F.value
        # In heating the outdoor coil runs some 12 F under the air; in cooling 35 F under the return air.
        base = source_f - 12.0 if self.heating else _RATING_S_F + 0.9 * (source_f - rating_f)
        lost = max(0.0, 1.0 - self.condition.charge)
        starved_f = constants.CHARGE_SUCTION_F.value * lost * sqrt(lost)
        starved_f += constants.RESTRICTION_F.value * self.condition.metering_shut
        if not self.heating:
            starved_f += constants.AIRFLOW_F.value * (1.0 - self.condition.indoor_air())
        target_f = base - starved_f
        # Valves that leak hold no pressure difference: both sides go to the temperature of what surrounds them.
        return target_f + (source_f - target_f) * (1.0 - self.condition.pump_share)

    def _condensing_target(self, sink_f: float, air_share: float) -> float:
        cooling = constants.MAP_TONS.value * constants.TON_W.value
        at = (self.evaporating_f, self.condensing_f)
        power, capacity = power_share(*at), capacity_share(*at)
        power *= stage_power(self.design, self.stage)
        rejected = (power * RATING_POWER_W + capacity * self.stage * cooling) / (RATING_POWER_W + cooling)
        share = max(0.02, self.condition.condenser_share * air_share)
        over = constants.OVERCHARGE_F.value * max(0.0, self.condition.charge - 1.0)
        over += constants.NON_CONDENSABLES_F.value * self.condition.non_condensables
        return sink_f + (constants.APPROACH_F.value * rejected / share + over) * self.condition.pump_share

    def cooling_w(self) -> float:
        """Heat taken from the house, W; given to it when heating."""
        return self.design.tons * constants.TON_W.value * self.cooling_share
