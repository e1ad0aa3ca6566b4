"""Situations and the list of suspects that an experienced technician would give.

Common practice of the trade, from the circuit: what a part that fails must show, and how usual it is.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.diagnosis.checks.meter import Judged
from condenser_monitor.monitor.diagnosis.features import FEATURES
from condenser_monitor.monitor.diagnosis.predictions import HISTORY
from condenser_monitor.monitor.diagnosis.unit_diagnosis import (
    NOTHING,
    SITUATIONS,
    Diagnosis,
    FindingSeen,
    UnitCase,
    diagnose,
)

PLAIN, DELAYED = Unit(), Unit(delay_on_make_s=300.0)
ALL = tuple(READINGS)
OUTDOOR = ("call", "control_v", "coil_a", "supply", "load", "compressor_a", "fan_a", "outdoor_c")

_INDOOR = {"control_power": "on", "thermostat": "on"}
OPEN = {
    "call": "on",
    "control_v": "normal",
    "coil_a": "none",
    "supply": "on",
    "load": "off",
    "compressor_a": "still",
    "fan_a": "still",
    **_INDOOR,
}
RUN = OPEN | {"coil_a": "sealed", "load": "on", "compressor_a": "running", "fan_a": "running"}
NO_CALL = OPEN | {"call": "off", "control_v": "dead", "thermostat": "off"}
STUCK = NO_CALL | {"load": "on", "compressor_a": "running", "fan_a": "running"}


def judge(
    finding: str,
    seen: Mapping[str, str],
    *,
    unit: Unit,
    fitted: Collection[str],
    meter: Mapping[str, str] = NOTHING,
    traits: Mapping[str, str] = NOTHING,
) -> Diagnosis:
    """Diagnose a single finding: `meter` maps a check to its outcome, `traits` a feature to its symbol."""
    readings = {name: Judged(name, outcome) for name, outcome in meter.items()}
    return diagnose(UnitCase([FindingSeen(finding, seen)], unit, fitted, traits, readings))


def but(base: Mapping[str, str], **changes: str | None) -> dict[str, str]:
    """`base` with some senses changed; None: not known. `recent_x_y` stands for `recent:x-y`."""
    named = {suspects_key(name): symbol for name, symbol in changes.items()}
    return {name: symbol for name, symbol in {**base, **named}.items() if symbol is not None}


def suspects_key(word: str) -> str:
    if word.startswith("recent_"):
        return "recent:" + word.removeprefix("recent_").replace("_", "-")
    named = word.replace("_", "-")
    return named if named in HISTORY or named in FEATURES else word


def only(base: Mapping[str, str], *names: str) -> dict[str, str]:
    """Of `base` no more than these senses."""
    return {name: symbol for name, symbol in base.items() if name in names}


LOCKED = RUN | {"compressor_a": "locked"}
FAN_ONLY = RUN | {"compressor_a": "still"}
NO_FAN = RUN | {"fan_a": "still"}

# finding, what is seen, who is left in order; with the nameplate of a unit without a delay relay
CASES: list[tuple[str, dict[str, str], str]] = [
    # --- the contactor does not close
    ("call-without-pull-in", OPEN, "coil-open loose-connection"),
    ("call-without-pull-in", but(OPEN, comes_and_goes="yes"), "loose-connection pressure-switch"),
    ("call-without-pull-in", but(OPEN, coil_a="sealed"), "contacts-not-making"),
    (
        "call-without-pull-in",
        but(OPEN, coil_a="sealed", supply=None),
        "line-supply-off contacts-not-making loose-connection",
    ),
    ("call-without-pull-in", but(OPEN, coil_a="unsealed"), "armature-blocked coil-shorted"),
    (
        "call-without-pull-in",
        but(OPEN, coil_a="unsealed", control_v="weak"),
        "control-voltage-weak armature-blocked coil-shorted",
    ),
    ("call-without-pull-in", but(OPEN, coil_a="short", control_v="weak"), "coil-shorted"),
    (
        "call-without-pull-in",
        but(OPEN, coil_a=None),
        "contacts-not-making coil-open loose-connection armature-blocked coil-shorted",
    ),
    (
        "call-without-pull-in",
        only(OPEN, "call", "load"),
        "line-supply-off contacts-not-making coil-open loose-connection control-voltage-weak armature-blocked"
        " coil-shorted",
    ),
    # --- nothing runs, contacts not sensed
    (
        "call-without-run",
        only(OPEN, "call", "compressor_a"),
        "line-supply-off run-capacitor contacts-not-making compressor-overload-open coil-open loose-connection"
        " control-voltage-weak armature-blocked coil-shorted compressor-winding-open compressor-locked",
    ),
    ("call-without-run", but(OPEN, load=None), "coil-open loose-connection"),
    ("call-without-run", but(OPEN, load=None, coil_a="sealed"), "contacts-not-making loose-connection"),
    ("call-without-run", but(OPEN, load=None, coil_a="unsealed"), "armature-blocked coil-shorted"),
    (
        "call-without-run",
        only(OPEN, "call", "compressor_a") | {"recent:locked-rotor": "yes"},
        "run-capacitor compressor-locked line-supply-off contacts-not-making compressor-overload-open coil-open"
        " loose-connection control-voltage-weak armature-blocked coil-shorted compressor-winding-open",
    ),
    # --- the contacts close, the motors do not run
    (
        "pull-in-without-run",
        but(RUN, compressor_a="still", fan_a="still"),
        "loose-connection run-capacitor compressor-overload-open fan-capacitor fan-motor",
    ),
    (
        "pull-in-without-run",
        but(RUN, compressor_a="still", fan_a="still", recent_fan_not_running="yes"),
        "fan-capacitor fan-motor loose-connection run-capacitor compressor-overload-open",
    ),
    (
        "pull-in-without-run",
        but(RUN, compressor_a="still", fan_a=None),
        "run-capacitor compressor-overload-open loose-connection compressor-winding-open fan-capacitor fan-motor"
        " compressor-locked",
    ),
    (
        "compressor-not-running",
        FAN_ONLY,
        "compressor-overload-open run-capacitor loose-connection compressor-winding-open compressor-locked",
    ),
    (
        "compressor-not-running",
        but(FAN_ONLY, recent_locked_rotor="yes"),
        "run-capacitor compressor-locked compressor-overload-open loose-connection compressor-winding-open",
    ),
    (
        "compressor-not-running",
        but(FAN_ONLY, recent_high_running_current="yes"),
        "condenser-dirty charge-high compressor-overload-open run-capacitor loose-connection compressor-winding-open"
        " compressor-locked",
    ),
    (
        "compressor-not-running",
        but(FAN_ONLY, recent_low_running_current="yes"),
        "charge-low compressor-overload-open run-capacitor loose-connection compressor-winding-open compressor-locked",
    ),
    (
        "compressor-not-running",
        but(FAN_ONLY, recent_fan_not_running="yes"),
        "fan-motor fan-capacitor compressor-overload-open run-capacitor loose-connection compressor-winding-open"
        " compressor-locked",
    ),
    ("fan-not-running", NO_FAN, "fan-capacitor fan-motor run-capacitor loose-connection"),
    ("locked-rotor", LOCKED, "run-capacitor compressor-locked loose-connection compressor-winding-open"),
    (
        "locked-rotor",
        but(LOCKED, recent_line_supply_lost="yes"),
        "run-capacitor compressor-locked loose-connection line-supply-off compressor-winding-open",
    ),
    (
        "overload-cycling",
        RUN,
        "condenser-dirty run-capacitor charge-low compressor-overload-open loose-connection charge-high fan-capacitor"
        " fan-motor compressor-winding-open compressor-locked",
    ),
    (
        "overload-cycling",
        but(NO_FAN, recent_fan_not_running="yes"),
        "fan-capacitor fan-motor",
    ),
    (
        "overload-cycling",
        but(RUN, recent_locked_rotor="yes"),
        # an open start winding leaves the motor as a dead run capacitor does
        "run-capacitor compressor-locked condenser-dirty compressor-winding-open charge-low compressor-overload-open"
        " loose-connection charge-high fan-capacitor fan-motor",
    ),
    # --- it does not stop, it flutters
    ("contacts-stuck-closed", STUCK, "contacts-welded armature-stuck-in"),
    ("contacts-stuck-closed", only(STUCK, "call", "compressor_a"), "contacts-welded armature-stuck-in"),
    ("contacts-stuck-closed", but(STUCK, control_v="weak", coil_a="sealed"), "thermostat"),
    ("contacts-stuck-closed", but(STUCK, coil_a="sealed"), "monitor-sensing"),
    ("contacts-stuck-closed", but(STUCK, control_v="normal"), "monitor-sensing"),
    (
        "contacts-stuck-closed",
        but(STUCK, compressor_a="still", fan_a="still"),
        "monitor-sensing contacts-welded armature-stuck-in",
    ),
    (
        "pull-in-without-run",
        but(STUCK, compressor_a="still", fan_a="still"),
        "monitor-sensing loose-connection run-capacitor compressor-overload-open fan-capacitor fan-motor",
    ),
    (
        "line-supply-lost",
        but(OPEN, supply="off", recent_sensing_disagrees="yes"),
        "line-supply-off monitor-sensing",
    ),
    (
        "contactor-chatter",
        but(RUN, control_v="weak", coil_a="unsealed"),
        "control-voltage-weak loose-connection",
    ),
    (
        "contactor-chatter",
        RUN,
        "control-voltage-weak loose-connection",
    ),
    ("low-control-voltage", but(RUN, control_v="weak"), "control-voltage-weak loose-connection"),
    (
        "low-control-voltage",
        but(OPEN, control_v="weak", coil_a="unsealed"),
        "control-voltage-weak loose-connection armature-blocked coil-shorted",
    ),
    ("low-control-voltage", but(OPEN, control_v="weak", coil_a="short"), "coil-shorted"),
    # --- supplies and calls that do not arrive
    ("line-supply-lost", but(OPEN, supply="off"), "line-supply-off"),
    ("line-supply-lost", but(RUN, supply="off"), "monitor-sensing"),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off"),
        "control-fuse line-supply-off control-transformer coil-shorted loose-connection",
    ),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off", supply="off"),
        "line-supply-off control-fuse control-transformer coil-shorted loose-connection",
    ),
    ("control-power-lost", but(OPEN, control_power="off"), "monitor-sensing"),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on"),
        "float-switch pressure-switch control-wire-open loose-connection",
    ),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on", fan_in_runs="still"),
        "fan-capacitor fan-motor float-switch pressure-switch control-wire-open loose-connection",
    ),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on", fan_in_runs="ran"),
        "float-switch pressure-switch control-wire-open loose-connection",
    ),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on", recent_low_running_current="yes"),
        "float-switch pressure-switch charge-low control-wire-open loose-connection",
    ),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on", recent_high_running_current="yes"),
        "float-switch pressure-switch condenser-dirty control-wire-open loose-connection charge-high",
    ),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on", control_v="weak", coil_a="unsealed"),
        "control-voltage-weak",
    ),
    ("call-not-reaching-unit", but(NO_CALL, thermostat="on", coil_a="short"), "coil-shorted"),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on", control_power=None),
        "float-switch pressure-switch control-wire-open loose-connection",
    ),
    (
        "no-call-in-heat",
        only(NO_CALL, *OUTDOOR),
        "thermostat-setting thermostat control-fuse float-switch line-supply-off control-transformer control-wire-open"
        " pressure-switch loose-connection",
    ),
    ("no-call-in-heat", NO_CALL, "thermostat-setting thermostat control-wire-open loose-connection"),
    (
        "overdue-call",
        only(NO_CALL, *OUTDOOR),
        "float-switch thermostat-setting control-fuse thermostat control-wire-open loose-connection",
    ),
    ("overdue-call", NO_CALL, "thermostat-setting thermostat control-wire-open loose-connection"),
    # --- how it runs
    (
        "short-cycling",
        RUN,
        "thermostat equipment-oversized pressure-switch thermostat-setting loose-connection charge-low condenser-dirty"
        " float-switch charge-high fan-capacitor fan-motor control-voltage-weak compressor-overload-open run-capacitor",
    ),
    (
        "short-cycling",
        but(RUN, stopped_at="thermostat"),
        "thermostat equipment-oversized thermostat-setting loose-connection",
    ),
    (
        "short-cycling",
        but(RUN, stopped_at="safety"),
        # Pressure switches sit behind the terminal where the call is sensed: what cuts the call itself is indoors.
        "float-switch loose-connection load-shed",
    ),
    (
        "short-cycling",
        but(NO_FAN, stopped_at="safety", fan_in_runs="still"),
        "fan-capacitor fan-motor loose-connection",
    ),
    ("short-cycling", but(RUN, stopped_at="contacts"), "loose-connection pressure-switch"),
    (
        "short-cycling",
        but(RUN, stopped_at="compressor", recent_overload_cycling="yes"),
        "compressor-overload-open run-capacitor charge-low condenser-dirty charge-high loose-connection fan-capacitor"
        " fan-motor",
    ),
    (
        "short-cycling",
        but(NO_FAN, stopped_at="safety", recent_fan_not_running="yes"),
        "fan-capacitor fan-motor loose-connection float-switch load-shed",
    ),
    (
        "high-running-current",
        RUN,
        "condenser-dirty charge-high run-capacitor fan-capacitor fan-motor loose-connection compressor-locked"
        " compressor-winding-open monitor-sensing",
    ),
    ("low-running-current", RUN, "charge-low monitor-sensing compressor-winding-open"),
    ("slow-start", RUN, "run-capacitor loose-connection compressor-locked"),
    ("long-run", RUN, "charge-low condenser-dirty thermostat-setting thermostat charge-high"),
    (
        "long-run",
        but(RUN, recent_low_running_current="yes"),
        "charge-low thermostat-setting condenser-dirty thermostat charge-high",
    ),
    # --- the monitor itself
    ("sensing-disagrees", but(OPEN, compressor_a="running"), "monitor-sensing"),
    ("sensor-silent", but(RUN, fan_a=None), "monitor-sensing"),
]

# finding, what is seen, what the meter said, who is left in order
METER_CASES: list[tuple[str, dict[str, str], dict[str, str], str]] = [
    (
        "call-without-run",
        only(OPEN, "call", "compressor_a"),
        {"line-volts": "absent"},
        "line-supply-off loose-connection",
    ),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off"),
        {"transformer-volts": "absent", "breakers": "on", "connections": "tight"},
        "control-transformer line-supply-off loose-connection",
    ),
    ("call-without-pull-in", OPEN, {"coil-ohms": "open"}, "coil-open"),
    ("call-without-pull-in", OPEN, {"coil-ohms": "usual"}, "loose-connection"),
    ("call-without-pull-in", OPEN, {"coil-volts": "absent"}, "loose-connection"),
    ("call-without-pull-in", but(OPEN, coil_a=None), {"plunger": "blocked"}, "armature-blocked"),
    ("call-without-pull-in", but(OPEN, coil_a=None), {"contacts": "burnt"}, "contacts-not-making"),
    ("call-without-pull-in", but(OPEN, coil_a="unsealed"), {"coil-ohms": "low"}, "coil-shorted"),
    ("call-without-pull-in", only(OPEN, "call", "load"), {"line-volts": "absent"}, "line-supply-off loose-connection"),
    ("call-without-pull-in", only(OPEN, "call", "load"), {"breakers": "off"}, "line-supply-off"),
    (
        "call-without-pull-in",
        only(OPEN, "call", "load"),
        {"coil-volts": "low"},
        "control-voltage-weak coil-shorted contacts-not-making coil-open armature-blocked",
    ),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off"),
        {"control-fuse": "closed", "transformer-volts": "absent"},
        "control-transformer line-supply-off loose-connection",
    ),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off"),
        {"transformer-volts": "normal"},
        "control-fuse coil-shorted loose-connection",
    ),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off"),
        {"control-fuse": "open", "coil-ohms": "low"},
        "coil-shorted",
    ),
    ("call-not-reaching-unit", but(NO_CALL, thermostat="on"), {"float-switch": "open"}, "float-switch"),
    ("call-not-reaching-unit", but(NO_CALL, thermostat="on"), {"drain-pan": "wet"}, "float-switch"),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on"),
        {"control-wire": "open"},
        "control-wire-open loose-connection",
    ),
    ("call-not-reaching-unit", but(NO_CALL, thermostat="on"), {"pressure-switch": "open"}, "pressure-switch"),
    (
        "compressor-not-running",
        FAN_ONLY,
        {"winding-ohms": "overload-open"},
        # an open common winding reads as an open overload does, until the motor is cold
        "compressor-overload-open compressor-winding-open compressor-locked",
    ),
    ("compressor-not-running", FAN_ONLY, {"winding-ohms": "winding-open"}, "compressor-winding-open"),
    ("compressor-not-running", FAN_ONLY, {"run-capacitor": "weak"}, "run-capacitor"),
    (
        "compressor-not-running",
        FAN_ONLY,
        {"run-capacitor": "good", "winding-ohms": "balanced", "connections": "loose"},
        "loose-connection",
    ),
    ("fan-not-running", NO_FAN, {"fan-blade": "stiff"}, "fan-motor"),
    ("fan-not-running", NO_FAN, {"fan-ohms": "open"}, "fan-motor"),
    ("fan-not-running", NO_FAN, {"fan-capacitor": "dead"}, "fan-capacitor run-capacitor"),
    ("fan-not-running", NO_FAN, {"fan-capacitor": "dead", "run-capacitor": "good"}, "fan-capacitor"),
    (
        "locked-rotor",
        LOCKED,
        {"run-capacitor": "good", "connections": "tight", "winding-ohms": "balanced"},
        "compressor-locked loose-connection",
    ),
    ("contacts-stuck-closed", STUCK, {"contacts": "welded"}, "contacts-welded"),
    ("contacts-stuck-closed", STUCK, {"contacts": "clean", "plunger": "stuck-in"}, "armature-stuck-in"),
    ("call-without-pull-in", OPEN, {"time-delay-volts": "none"}, "coil-open loose-connection"),
    ("high-running-current", RUN, {"condenser-coil": "dirty"}, "condenser-dirty"),
    ("high-running-current", RUN, {"condenser-coil": "clean", "charge": "high"}, "charge-high"),
    ("long-run", RUN, {"charge": "low"}, "charge-low"),
    ("long-run", RUN, {"thermostat-setting": "wrong"}, "thermostat-setting"),
    ("short-cycling", RUN, {"sizing": "oversized"}, "equipment-oversized"),
    (
        "no-call-in-heat",
        NO_CALL,
        {"thermostat-setting": "right", "connections": "tight", "control-wire": "closed"},
        "thermostat loose-connection",
    ),
    ("low-running-current", RUN, {"sense-compare": "differs"}, "monitor-sensing"),
    ("low-control-voltage", but(RUN, control_v="weak"), {"rc-volts": "low"}, "control-voltage-weak"),
]

# the findings behind which senses that contradicted each other of late may be
DOUBTED = [finding for finding in SITUATIONS if finding not in ("sensing-disagrees", "sensor-silent")]
