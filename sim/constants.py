"""Physical constants of the simulated world, each once: value, unit, basis and where it comes from.

`basis` is one of monitor.limits.BASES. What differs from unit to unit is in sim/designs.py; what a fault changes is in
sim/condition.py.
"""

from __future__ import annotations

from typing import NamedTuple

from condenser_monitor.monitor import sources


class Constant(NamedTuple):
    value: float
    unit: str
    basis: str
    source: str


def _ours(value: float, unit: str, why: str) -> Constant:
    return Constant(value, unit, "ours", why)


# ---------------------------------------------------------------- copper and wire

COPPER_OHM_MM2_M = Constant(0.017241, "ohm mm2/m", sources.COPPER.basis, sources.COPPER.text)
COPPER_PER_K = Constant(0.00393, "1/K", sources.COPPER.basis, sources.COPPER.text)
AWG_36_MM = Constant(0.127, "mm", sources.AWG.basis, sources.AWG.text)
AWG_RATIO = Constant(92.0, "1", sources.AWG.basis, sources.AWG.text)

# ---------------------------------------------------------------- 24 V control circuit

CONTROL_RATED_V = Constant(24.0, "V", "common practice", "residential control circuits are 24 V AC")
LEAKAGE_SHARE = _ours(0.3, "1", "share of a small transformer's drop that is leakage reactance, the rest is copper")
THERMOSTAT_OHM = _ours(0.1, "ohm", "a closed thermostat relay with its terminals")
SENSE_24V_OHM = _ours(3300.0, "ohm", "what one 24 V presence sense draws: some 7 mA, as an optocoupler's input does")
CABLE_SHORT_OHM = _ours(0.3, "ohm", "two bare conductors that touch, and half of the cable to them")
COUPLING_OHM = _ours(
    12000.0,
    "ohm",
    "an open call wire beside a live one in a damp cable; a dry one of 30 m couples by some 3 nF, 0.9 megohm",
)
FUSE_POINTS = (
    # times the rating, seconds to open: geometric middle of the published band
    (1.10, 360000.0),
    (1.35, 21.2),
    (1.60, 3.54),
    (2.00, 0.866),
    (3.50, 0.141),
    (6.00, 0.0447),
)
FUSE_SOURCE = Constant(0.0, "", sources.BLADE_FUSE.basis, sources.BLADE_FUSE.text)

# ---------------------------------------------------------------- line

TRIP_FREE_V = _ours(1.0, "V", "below this an induction motor's windings carry no current worth a reading")
LEG_SHARE = Constant(0.5, "1", sources.SERVICE_NOMINAL.basis, sources.SERVICE_NOMINAL.text)
LEG_OHM = _ours(60.0, "ohm", "a lost leg still hangs on a kilowatt of the house's other 240 V loads")

# ---------------------------------------------------------------- refrigerant side

AHRI_POWER_W = (
    # c1..c10 of AHRI 540's X = c1 + c2 S + c3 D + c4 S2 + c5 SD + c6 D2 + c7 S3 + c8 D S2 + c9 S D2 + c10 D3, F and W
    -561.3615705,
    -15.62601841,
    46.92506685,
    -0.217949552,
    0.435062616,
    -0.442400826,
    2.25e-4,
    2.37e-3,
    -3.32e-3,
    2.50e-3,
)
AHRI_FLOW_LB_H = (
    217.3163128,
    5.094492028,
    -0.593170311,
    4.38e-2,
    -2.14e-2,
    1.04e-2,
    7.90e-5,
    -5.73e-5,
    1.79e-4,
    -8.08e-5,
)
MAP_TONS = _ours(
    3.0,
    "ton",
    "one set of coefficients for 3 tons of R-410A that open academic code prints; the form is that of "
    + sources.COMPRESSOR_MAP.cite,
)
MAP_LOW_F = _ours(-10.0, "F", "the map is used down to this evaporating temperature, then tapers to the idle share")
MAP_HIGH_F = _ours(
    170.0,
    "F",
    "an internal relief valve opens by then: condensing temperature rises no further; over R-410A's critical 160 °F the"
    " map is stretched",
)
IDLE_POWER_SHARE = _ours(0.40, "1", "power of a compressor that pumps almost nothing, of its power at rating A")
STARVED_F = _ours(-60.0, "F", "evaporating temperature at which almost nothing is pumped")
RATING_OUTDOOR_F = Constant(95.0, "F", sources.RATING_A.basis, sources.RATING_A.text)
RATING_EVAPORATING_F = _ours(45.0, "F", "evaporating temperature at rating A; AHRI 540's rating point as well")
APPROACH_F = Constant(
    27.0, "F", "common practice", "condensing over outdoor temperature: 25 to 30 F, clean and at rating A"
)
RATING_INDOOR_F = Constant(80.0, "F", sources.RATING_A.basis, sources.RATING_A.text)
CAPACITY_PER_F = _ours(-0.006, "1/F", "evaporator enthalpy difference against condensing temperature (warmer liquid)")
TON_W = Constant(3516.9, "W", sources.CONVERSIONS.basis, sources.CONVERSIONS.text)
POWER_FACTOR = Constant(0.95, "1", "common practice", "running power factor of a capacitor-run compressor at rating A")
CONDENSING_TAU_S = _ours(75.0, "s", "head pressure has settled some five minutes into a run")
REST_TAU_S = _ours(150.0, "s", "condenser back to outdoor temperature after a stop")
COOLING_TAU_S = _ours(60.0, "s", "the evaporator coil is cold after a minute or two")
STILL_AIR_SHARE = _ours(0.12, "1", "heat a condenser gives to air that no fan moves, of what it gives with the fan")
CHARGE_SUCTION_F = _ours(
    110.0, "F", "fall of evaporating temperature with the lost share of the charge to the power 1.5"
)
OVERCHARGE_F = _ours(90.0, "F", "rise of condensing temperature per share of overcharge: flooded condenser")

SUPERHEAT_K = Constant(7.0, "K", "common practice", "gas over evaporating temperature behind a valve: 5 to 10 K")
SUPERHEAT_LEAST_F = Constant(
    5.0, "F", "common practice", "behind a fixed orifice in dry heat; charging charts stop there"
)
WET_BULB_F = Constant(67.0, "F", sources.RATING_A.basis, sources.RATING_A.text)
WET_BULB_PER_F = Constant(0.86, "1", sources.WET_BULB.basis, sources.WET_BULB.text)
FLOODED_F = _ours(25.0, "F", "fall of a fixed orifice's superheat per share of overcharge, or of indoor air lost")
STARVED_GAS_SHARE = _ours(2.0, "1", "of the way to the return air that gas warms, per share of charge or metering lost")
SUBCOOLING_K = Constant(5.5, "K", "common practice", "liquid under condensing temperature: 10 F, clean and full")
SUBCOOLING_OVER_K = _ours(30.0, "K", "more of it per share of overcharge: liquid backs up in the condenser")
SUBCOOLING_HELD_K = _ours(6.0, "K", "more of it with a metering device that is shut")
RESTRICTION_F = _ours(70.0, "F", "fall of evaporating temperature with a metering device that is shut")
AIRFLOW_F = _ours(32.0, "F", "fall of evaporating temperature with no air over the indoor coil")
NON_CONDENSABLES_F = _ours(30.0, "F", "rise of condensing temperature with a condenser half full of air")
LOW_STAGE_CAPACITY = _ours(0.60, "1", "at equal temperatures; gives the 0.64 measured of a two-stage heat pump (NIST)")
LOW_STAGE_POWER = _ours(0.78, "1", "at equal temperatures; gives the 0.71 measured of its outdoor power, fan included")
SECOND_STAGE_K = Constant(1.0, "K", "common practice", "over the set point: a thermostat calls its second stage")
SECOND_STAGE_S = Constant(600.0, "s", "common practice", "or after so long in the first")
SLOWEST_SHARE = Constant(0.3, "1", "common practice", "a variable-speed compressor slows to 25 to 40 % of its capacity")
DRIVE_TAU_S = _ours(90.0, "s", "a drive takes minutes to the speed that is asked of it")
DRIVE_REACTIVE_SHARE = _ours(0.25, "1", "reactive over active current of a drive with a filter")
DRIVE_FULL_K = _ours(2.0, "K", "over the set point at which a variable-speed unit is asked for all it has")
DRIVE_FULL_S = _ours(5400.0, "s", "into a call, at the latest, at which it is")
PIPE_TAU_S = _ours(60.0, "s", "copper, insulation and probe strapped to it")
KG_S_PER_LB_H = Constant(1.25998e-4, "kg/s per lb/h", sources.POUND.basis, sources.POUND.text)
SHELL_LOSS = _ours(0.10, "1", "of the compressor's power that leaves by its shell")
COLD_GAS_J_KG_K = Constant(1000.0, "J/kg/K", sources.REFRIGERANT_GAS.basis, sources.REFRIGERANT_GAS.text)
HOT_GAS_J_KG_K = Constant(1300.0, "J/kg/K", sources.REFRIGERANT_GAS.basis, sources.REFRIGERANT_GAS.text)
RELIEF_C = _ours(150.0, "°C", "gas hotter than this opens what protects the compressor")
DISCHARGE_LOSS = _ours(0.06, "1", "of the gas's warmth over outdoors that a probe strapped to the line does not see")
DISCHARGE_TAU_S = _ours(240.0, "s", "the compressor's shell and oil warm up before the line does")
AIRFLOW_M3_S_TON = Constant(0.1888, "m3/s", "common practice", "400 cubic feet a minute for each ton")
AIR_J_M3_K = Constant(1206.0, "J/m3/K", sources.DRY_AIR.basis, sources.DRY_AIR.text)
SENSIBLE_SHARE = Constant(0.75, "1", "common practice", "of the cooling that lowers the temperature; the rest dries")
BLOWER_AFTER_S = Constant(60.0, "s", "common practice", "a blower runs on for 30 to 90 s after the call")
DUCT_TAU_S = _ours(40.0, "s", "coil, duct and probe")

# ---------------------------------------------------------------- compressor motor

MOTOR_MAIN_OHM = _ours(
    0.12, "1", "main winding's copper, of the impedance that gives the nameplate's locked-rotor amps"
)
MOTOR_LEAK = _ours(
    0.24, "1", "leakage reactance of each winding, of it: 0.43 of the rotor's, as IEEE 112 has it of design C"
)
MOTOR_ROTOR_LEAK = _ours(0.56, "1", "the rotor's, of it: deep bars, for starting torque")
MOTOR_ROTOR_OHM = _ours(0.32, "1", "rotor's resistance at speed, of it; some 2.5 % slip at rating A")
MOTOR_START_OHM = _ours(0.60, "1", "start winding's copper, of it by the square of its turns: a thinner wire")
MOTOR_DEEP_BAR = _ours(1.4, "1", "more of the rotor's resistance at standstill, in the upper part of its bars")
CAPACITOR_VOLTS_RATIO = _ours(
    1.5, "1", "volts across the run capacitor over the line's at rating A; 370 and 440 V parts are sold for 240 V units"
)
FRICTION_PU = _ours(0.06, "of rated torque", "bearings and rings")
RUNNING_TORQUE_PU = _ours(0.77, "of rated torque", "gas torque at rating A")
BUILD_TAU_S = _ours(45.0, "s", "pressure difference builds after a start")
COAST_S = _ours(0.25, "s", "a rotor under pressure without volts stands still after this")
WINDING_REACTANCE_SHARE = _ours(0.04, "1", "start winding's reactance, of the capacitor's, in the trickle path")

# ---------------------------------------------------------------- internal protector

TRIP_C = Constant(120.0, "C", "common practice", "line-break protectors open at 107 to 121 C")
CLOSE_C = Constant(68.0, "C", "common practice", "and close at 65 to 71 C")
WINDING_K_S = _ours(0.385, "K/s", "adiabatic heating at rated load; at five times rated load about 10 K/s")
GAS_COOLING_PER_S = _ours(0.0072, "1/s", "suction gas cools the winding, at rating A's mass flow")
SHELL_TAU_S = _ours(3000.0, "s", "a standing compressor cools; protectors reset after 15 min to 2 h")
DISC_K_S = _ours(0.6, "K/s", "the protector's own heater at rated load; trips cold in 2 to 10 s locked")
DISC_TAU_S = _ours(20.0, "s", "disc to winding")
GAS_OVER_SUCTION_C = _ours(18.0, "K", "superheat and pick-up in the shell")

# ---------------------------------------------------------------- fan

FAN_RUN_SHARE = Constant(0.85, "of FLA", "common practice", "a condenser fan runs somewhat under its full-load amps")
FAN_LOCKED_SHARE = Constant(
    2.0, "of FLA", "common practice", "a stalled capacitor-run fan motor draws about twice full load"
)
FAN_CAPACITOR_MIN = _ours(0.35, "1", "with less of its capacitor a fan motor does not start")
FAN_HOLD_SHARE = _ours(1.25, "of FLA", "a fan motor's own protector holds this current for good, and opens above it")
FAN_TRIP_S = _ours(45.0, "s", "a stalled fan motor's protector opens, from cold at rated volts")
FAN_RESET_S = _ours(300.0, "s", "and closes again")
