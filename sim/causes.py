"""What can break, by physical cause. A cause writes to the condition of the parts and never to a reading.

Each row: its name, the suspects of the contract that name it, what has happened, what its level means (with the usual
level), and what it does to the condition. Most are all or nothing: any level above zero is a break; others grow.

To add a cause: a row here; the physics that reads the condition it writes; a scenario.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from typing import NamedTuple

from condenser_monitor.monitor.core.errors import ScenarioError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.wire import ohm_per_m

Write = Callable[[Condition, float, str], None]


class PhysicalCause(NamedTuple):
    """One physical cause. `of_sense` asks for the name of a reading; `level` is the usual level, `most` the highest."""

    name: str
    suspects: tuple[str, ...]
    says: str
    write: Write
    level: float = 1.0
    most: float = 1.0
    means: str = "any level is a break"
    of_sense: bool = False


def _flag(part: str) -> Write:
    def write(condition: Condition, level: float, sense: str) -> None:
        setattr(condition, part, True)

    return write


def _both(one: str, other: str) -> Write:
    def write(condition: Condition, level: float, sense: str) -> None:
        setattr(condition, one, True)
        setattr(condition, other, True)

    return write


def _add(part: str, each: float = 1.0) -> Write:
    def write(condition: Condition, level: float, sense: str) -> None:
        setattr(condition, part, getattr(condition, part) + each * level)

    return write


def _lose(*parts: str) -> Write:
    """What is left of a part falls by the level's share."""

    def write(condition: Condition, level: float, sense: str) -> None:
        for part in parts:
            setattr(condition, part, getattr(condition, part) * (1.0 - level))

    return write


def _more(part: str) -> Write:
    """A part grows by the level's share."""

    def write(condition: Condition, level: float, sense: str) -> None:
        setattr(condition, part, getattr(condition, part) * (1.0 + level))

    return write


def _opens(part: str) -> Write:
    def write(condition: Condition, level: float, sense: str) -> None:
        setattr(condition, part, inf)

    return write


def _overcharge(condition: Condition, level: float, sense: str) -> None:
    condition.charge = 1.0 + level


def _grow(part: str) -> Write:
    def write(condition: Condition, level: float, sense: str) -> None:
        setattr(condition, part, getattr(condition, part) * level)

    return write


def _thin_wire(condition: Condition, level: float, sense: str) -> None:
    """So many metres (one way) of a four-sizes-thinner pair in the call's path."""
    condition.call_wire_ohm += 2 * level * ohm_per_m(24, 40.0)


def _tight_swing(condition: Condition, level: float, sense: str) -> None:
    condition.swing_share = max(0.02, 1.0 - level)
    condition.no_short_cycle_delay = True


def _draught(condition: Condition, level: float, sense: str) -> None:
    condition.draught_k += level
    condition.no_short_cycle_delay = True


def _oversized(condition: Condition, level: float, sense: str) -> None:
    condition.capacity_share *= level
    condition.no_short_cycle_delay = True


def _sense(part: str) -> Write:
    def write(condition: Condition, level: float, sense: str) -> None:
        setattr(condition.sense(sense), part, True)

    return write


def _sense_gain(condition: Condition, level: float, sense: str) -> None:
    condition.sense(sense).gain *= 1.0 + level


def _sense_offset(condition: Condition, level: float, sense: str) -> None:
    condition.sense(sense).offset += level


def _sense_lag(condition: Condition, level: float, sense: str) -> None:
    condition.sense(sense).lag_deg += level


def _sense_noise(condition: Condition, level: float, sense: str) -> None:
    condition.sense(sense).noise += level


_SHARE = "share lost"
_OHM = "ohm"
_MONITOR = ("monitor-sensing",)

_ROWS = (
    # 24 V side
    PhysicalCause("control-fuse-open", ("control-fuse",), "The 3 A control fuse has opened.", _flag("fuse_open")),
    PhysicalCause(
        "transformer-burnt-out",
        ("control-transformer",),
        "A winding of the control transformer has burnt open.",
        _flag("transformer_dead"),
    ),
    PhysicalCause(
        "transformer-weak",
        ("control-voltage-weak",),
        "Shorted turns or an overload make the transformer's voltage sag.",
        _lose("transformer_ratio"),
        0.24,
        0.6,
        _SHARE + " of its voltage",
    ),
    PhysicalCause(
        "control-wire-thin",
        ("control-voltage-weak",),
        "The call runs through a long run of thin cable.",
        _thin_wire,
        70.0,
        400.0,
        "metres one way of AWG 24",
    ),
    PhysicalCause(
        "call-joint-poor",
        ("control-voltage-weak", "loose-connection"),
        "A corroded splice in the call wire has resistance.",
        _add("call_wire_ohm"),
        14.0,
        5000.0,
        _OHM,
    ),
    PhysicalCause(
        "thermostat-dead", ("thermostat",), "The thermostat's cooling relay no longer closes.", _flag("thermostat_dead")
    ),
    PhysicalCause(
        "thermostat-stuck-on", ("thermostat",), "The thermostat's relay has stuck closed.", _flag("thermostat_stuck_on")
    ),
    PhysicalCause(
        "thermostat-swing-tight",
        ("thermostat",),
        "The thermostat switches on a hair and has no delay between runs.",
        _tight_swing,
        0.95,
        0.98,
        _SHARE + " of its swing",
    ),
    PhysicalCause(
        "thermostat-in-draught",
        ("thermostat",),
        "A supply register blows on the thermostat, and nothing delays a restart.",
        _draught,
        4.0,
        10.0,
        "K",
    ),
    PhysicalCause(
        "thermostat-set-up",
        ("thermostat-setting",),
        "Somebody has moved the set point away from cooling.",
        _add("set_offset_k"),
        8.0,
        30.0,
        "K",
    ),
    PhysicalCause(
        "thermostat-set-down",
        ("thermostat-setting",),
        "Somebody has set the thermostat colder than the unit can reach.",
        _add("set_offset_k", -1.0),
        8.0,
        30.0,
        "K",
    ),
    PhysicalCause(
        "float-switch-open", ("float-switch",), "Condensate backs up and the float switch opens.", _flag("float_open")
    ),
    PhysicalCause(
        "pressure-switch-open",
        ("pressure-switch",),
        "A pressure switch in the call's path opens.",
        _flag("pressure_open"),
    ),
    PhysicalCause(
        "call-wire-on-r",
        ("loose-connection", "control-wire-shorted"),
        "The cable is chewed: the call wire is through, and its outdoor end touches R.",
        _flag("call_wire_on_r"),
    ),
    PhysicalCause(
        "low-pressure-switch-open",
        ("low-pressure-cutout", "pressure-switch"),
        "The low-pressure switch opens.",
        _flag("low_switch_open"),
    ),
    PhysicalCause(
        "high-pressure-switch-open",
        ("high-pressure-cutout", "pressure-switch"),
        "The high-pressure switch opens.",
        _flag("high_switch_open"),
    ),
    PhysicalCause(
        "indoor-board-fails", ("indoor-board",), "The indoor board no longer passes Y on.", _flag("board_y_open")
    ),
    PhysicalCause("door-panel-off", ("door-switch",), "The indoor unit's panel is off its switch.", _flag("door_open")),
    PhysicalCause(
        "detector-alarms",
        ("refrigerant-detector",),
        "A refrigerant detector has stopped the cooling.",
        _flag("detector_open"),
    ),
    PhysicalCause("utility-sheds", ("load-shed",), "The utility's switch cuts the call.", _flag("shed_open")),
    PhysicalCause(
        "call-wire-shorted",
        ("control-wire-shorted",),
        "The cable's two conductors touch on the way to the unit.",
        _flag("cable_shorted"),
    ),
    PhysicalCause("control-wire-cut", ("control-wire-open",), "The call wire is cut.", _opens("call_wire_ohm")),
    PhysicalCause(
        "call-splice-loose",
        ("loose-connection", "control-wire-open"),
        "A splice in the call wire has come off.",
        _opens("call_wire_ohm"),
    ),
    # contactor
    PhysicalCause("board-fails", ("defrost-board",), "The outdoor board holds the call back.", _flag("board_open")),
    PhysicalCause("delay-relay-dead", ("time-delay",), "The delay relay never closes.", _flag("relay_open")),
    PhysicalCause(
        "coil-lead-loose", ("loose-connection",), "A push-on terminal has come off the coil.", _opens("coil_lead_ohm")
    ),
    PhysicalCause("coil-burnt-open", ("coil-open",), "The contactor's coil has burnt open.", _flag("coil_open")),
    PhysicalCause(
        "coil-turns-shorted",
        ("coil-shorted",),
        "Turns of the coil are shorted.",
        _add("coil_shorted"),
        0.9,
        1.0,
        "share of turns shorted",
    ),
    PhysicalCause(
        "armature-jammed",
        ("armature-blocked",),
        "Something between the pole faces keeps the armature from seating.",
        _flag("armature_blocked"),
    ),
    PhysicalCause(
        "armature-sticks",
        ("armature-stuck-in", "contacts-welded"),
        "The armature stays in when the coil lets go.",
        _flag("armature_sticks"),
    ),
    PhysicalCause(
        "contacts-fouled",
        ("contacts-not-making",),
        "Insects or burnt faces keep the contacts from passing current.",
        _flag("contacts_dirty"),
    ),
    PhysicalCause(
        "contacts-weld", ("contacts-welded", "armature-stuck-in"), "The contacts have welded.", _flag("contacts_welded")
    ),
    # line
    PhysicalCause(
        "disconnect-pulled", ("line-supply-off",), "The disconnect is out or the breaker open.", _flag("line_open")
    ),
    PhysicalCause(
        "outage", ("line-supply-off",), "The utility's supply is gone, indoors as well.", _lose("service_share")
    ),
    PhysicalCause(
        "line-sag",
        ("line-supply-off",),
        "The utility's voltage sags.",
        _lose("service_share"),
        0.2,
        0.9,
        _SHARE + " of the volts",
    ),
    PhysicalCause(
        "line-volts-low",
        ("line-voltage",),
        "The utility's voltage, or the house's wiring, is low for hours.",
        _lose("service_share"),
        0.11,
        0.5,
        _SHARE + " of the volts",
    ),
    PhysicalCause(
        "line-volts-high",
        ("line-voltage",),
        "The utility's voltage is too high.",
        _more("service_share"),
        0.08,
        0.3,
        "share too much",
    ),
    PhysicalCause(
        "line-leg-opens",
        ("line-leg-lost",),
        "One leg of the line supply has opened: a breaker's pole, a fuse, a lug.",
        _flag("leg_open"),
    ),
    PhysicalCause(
        "line-joint-poor",
        ("loose-connection",),
        "A line terminal ahead of the contactor has resistance.",
        _add("line_joint_ohm"),
        3.0,
        10.0,
        _OHM,
    ),
    PhysicalCause(
        "compressor-lead-loose",
        ("loose-connection",),
        "The compressor's common lead has come off.",
        _flag("compressor_lead_open"),
    ),
    PhysicalCause(
        "load-lead-loose",
        ("loose-connection",),
        "The lead from the contactor to both motors has come off.",
        _both("compressor_lead_open", "fan_lead_open"),
    ),
    PhysicalCause("fan-lead-loose", ("loose-connection",), "The fan's lead has come off.", _flag("fan_lead_open")),
    # compressor
    PhysicalCause(
        "run-capacitor-fades",
        ("run-capacitor",),
        "The run capacitor's compressor section loses capacitance.",
        _lose("run_capacitor"),
        1.0,
        1.0,
        _SHARE,
    ),
    PhysicalCause(
        "dual-capacitor-fades",
        ("run-capacitor", "fan-capacitor"),
        "Both sections of the dual run capacitor lose capacitance.",
        _lose("run_capacitor", "fan_capacitor"),
        1.0,
        1.0,
        _SHARE,
    ),
    PhysicalCause(
        "protector-stuck-open",
        ("compressor-overload-open",),
        "The compressor's internal protector no longer closes.",
        _flag("protector_open"),
    ),
    PhysicalCause(
        "compressor-seizes", ("compressor-locked",), "The compressor's bearings have seized.", _flag("seized")
    ),
    PhysicalCause(
        "common-winding-opens",
        ("compressor-winding-open",),
        "The windings are open towards the common terminal.",
        _flag("common_open"),
    ),
    PhysicalCause(
        "run-winding-opens", ("compressor-winding-open",), "The run winding is open.", _flag("run_winding_open")
    ),
    PhysicalCause(
        "start-winding-opens", ("compressor-winding-open",), "The start winding is open.", _flag("start_winding_open")
    ),
    PhysicalCause(
        "winding-grounds",
        ("compressor-grounded",),
        "A winding touches the compressor's shell: its breaker trips at the start.",
        _flag("grounded"),
    ),
    PhysicalCause(
        "start-device-fails",
        ("start-device",),
        "Start capacitor or relay no longer help the compressor start.",
        _lose("start_torque"),
        0.8,
        1.0,
        _SHARE + " of the starting torque",
    ),
    # fan
    PhysicalCause(
        "fan-relay-dead", ("fan-control",), "The relay that feeds the fan stays open.", _flag("fan_relay_open")
    ),
    PhysicalCause("fan-winding-opens", ("fan-motor",), "The fan motor's winding is open.", _flag("fan_open")),
    PhysicalCause("fan-seizes", ("fan-motor",), "The fan motor's bearings have seized.", _flag("fan_seized")),
    PhysicalCause(
        "fan-capacitor-fades",
        ("fan-capacitor", "run-capacitor"),
        "The fan's capacitor loses capacitance.",
        _lose("fan_capacitor"),
        1.0,
        1.0,
        _SHARE,
    ),
    # refrigerant side
    PhysicalCause(
        "condenser-fouls",
        ("condenser-dirty",),
        "Dirt on the condenser keeps the air from it.",
        _lose("condenser_share"),
        0.5,
        0.9,
        _SHARE + " of the heat exchange",
    ),
    PhysicalCause("charge-leaks", ("charge-low",), "Refrigerant has leaked away.", _lose("charge"), 0.7, 0.95, _SHARE),
    PhysicalCause(
        "overcharged", ("charge-high",), "Too much refrigerant was filled in.", _overcharge, 0.3, 1.0, "share too much"
    ),
    PhysicalCause(
        "valves-leak",
        ("compressor-not-pumping",),
        "The compressor's valves, or its scrolls, leak from the high to the low side.",
        _lose("pump_share"),
        0.9,
        1.0,
        _SHARE + " of what it pumps",
    ),
    PhysicalCause(
        "metering-plugs",
        ("metering-device",),
        "Dirt or ice shuts the metering device.",
        _add("metering_shut"),
        0.6,
        1.0,
        "share shut",
    ),
    PhysicalCause(
        "air-in-circuit",
        ("non-condensables",),
        "Air was left in the refrigerant circuit.",
        _add("non_condensables"),
        0.6,
        1.0,
        "of the most that still runs",
    ),
    PhysicalCause(
        "indoor-air-blocked",
        ("indoor-airflow",),
        "A clogged filter, closed registers or a dirty coil keep the air from the indoor coil.",
        _lose("indoor_air_share"),
        0.5,
        0.9,
        _SHARE + " of the air",
    ),
    PhysicalCause(
        "blower-dead",
        ("indoor-airflow",),
        "The indoor blower does not turn.",
        _flag("blower_dead"),
    ),
    PhysicalCause(
        "oversized",
        ("equipment-oversized",),
        "The unit is far larger than the house needs, and nothing delays a restart.",
        _oversized,
        3.0,
        6.0,
        "times the capacity",
    ),
    # the monitor
    PhysicalCause(
        "sense-drifts", _MONITOR, "A current transformer or divider has drifted.", _sense_gain, 0.3, 2.0, "share", True
    ),
    PhysicalCause(
        "sense-offset", _MONITOR, "A reading carries an offset.", _sense_offset, 1.0, 50.0, "the reading's unit", True
    ),
    PhysicalCause("sense-unplugged", _MONITOR, "A sense is unplugged.", _sense("unplugged"), of_sense=True),
    PhysicalCause("sense-lags", _MONITOR, "A transformer shifts its wave.", _sense_lag, 5.0, 45.0, "degrees", True),
    PhysicalCause(
        "sense-noisy", _MONITOR, "A sense picks up noise.", _sense_noise, 0.2, 20.0, "the reading's unit, RMS", True
    ),
    PhysicalCause("sense-stuck", _MONITOR, "A sense hangs at its last value.", _sense("stuck"), of_sense=True),
    PhysicalCause(
        "bus-errors", _MONITOR, "The I2C bus drops bytes.", _add("bus_errors"), 0.05, 1.0, "share of transfers"
    ),
    PhysicalCause(
        "adc-clock-off", _MONITOR, "The converters' clock is off.", _grow("clock_share"), 1.1, 1.1, "times nominal"
    ),
    PhysicalCause("scans-lost", _MONITOR, "Scans are lost on the way.", _add("lost_scans"), 0.1, 1.0, "share of scans"),
    PhysicalCause(
        "senses-glitch", _MONITOR, "Single scans catch a spike.", _add("glitches"), 0.002, 0.2, "share of readings"
    ),
)
CAUSES: dict[str, PhysicalCause] = {cause.name: cause for cause in _ROWS}

# What the contract's suspects are brought about by.
CAUSES_OF: dict[str, tuple[str, ...]] = {}
for _row in _ROWS:
    for _suspect in _row.suspects:
        CAUSES_OF[_suspect] = (*CAUSES_OF.get(_suspect, ()), _row.name)


def cause_named(name: str, place: str, sense: str = "", level: float | None = None) -> PhysicalCause:
    """The row of this name, checked with its sense and level. Raises ScenarioError."""
    cause = CAUSES.get(name)
    if cause is None:
        raise ScenarioError(f"{place}.name", name, "one of " + ", ".join(CAUSES))
    if cause.of_sense and sense not in READINGS:
        raise ScenarioError(f"{place}.sense", sense, "one of " + ", ".join(READINGS))
    if not cause.of_sense and sense:
        raise ScenarioError(f"{place}.sense", sense, f"no sense: {name} is not a fault of one")
    if level is not None and not (0.0 < level <= cause.most or (cause.of_sense and abs(level) <= cause.most)):
        raise ScenarioError(f"{place}.level", level, f"above 0 and up to {cause.most:g}: {cause.means}")
    return cause
