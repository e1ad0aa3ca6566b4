"""A hand with a meter in the simulated unit: what each check of the catalogue shows, by eye or on the display.

`shows(check, world)` gives what somebody would type for it. Volts and amperes are those of this moment, so a check that
says "calling" needs a call; ohms and microfarads are those of the part with the power off and its wires off, as the
check's steps demand. What can be seen comes from the condition of the parts, never from the name of a cause, but for a
loose splice: a cut wire and a splice that has come off are the same circuit, and only a look tells them apart.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf, pi

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.sim import constants
from condenser_monitor.sim.compressor import Motion
from condenser_monitor.sim.contactor import Armature
from condenser_monitor.sim.fan import FanMotion
from condenser_monitor.sim.refrigeration import target_superheat_f
from condenser_monitor.sim.wire import at_temperature, loop_ohm
from condenser_monitor.sim.world import World

OVER = "OL"
LEADS_OHM = 0.2  # common practice: a meter's leads held together
# ours: winding resistances of single-phase compressors fall with their size; start is 3 to 5 times run (trade page)
RUN_OHM_A, START_OVER_RUN = 12.0, 3.5
FAN_OHM_A = 40.0  # ours: small capacitor-run fan motors read some tens of ohms
_SEEN_CLOGGED, _SEEN_WORN = 0.7, 0.6  # ours: what a look, or gauges, tell apart
_CALL_V, _LINE_V, _SAG_SHARE = 16.0, 100.0, 0.06  # ours
_ICE_C, _NEARLY_V = -2.0, 0.05
_NO_LIQUID = 0.25  # ours: of the charge; less is all vapor in the pipes and coils of a split unit at rest
_SEEN_DIRTY, _SEEN_LOW, _SEEN_HIGH, _SEEN_OVERSIZED = 0.8, 0.85, 1.1, 1.5  # ours: what a look or gauges tell apart


def shows(check: str, world: World) -> str:
    """What this check shows now. Raises CommandError for a check that nobody can make here."""
    found = SHOWN.get(check)
    if found is None:
        raise CommandError("check", check, "one of " + ", ".join(SHOWN))
    return found(world)


# ---------------------------------------------------------------- on the display


def _volts(value: float) -> str:
    return f"{value:.1f} V" if value >= _NEARLY_V else "0 V"


def _ohms(value: float) -> str:
    return OVER if value == inf else f"{value:.1f} ohm"


def _closed(is_open: bool) -> str:
    return OVER if is_open else _ohms(LEADS_OHM)


def _microfarads(share: float, rated: float) -> str:
    return f"{share * rated:.1f} uF of {rated:g}"


def _coil_ohms(world: World) -> str:
    if world.condition.coil_open:
        return OVER
    copper = world.plan.design.coil_ohm * (1.0 - 0.93 * world.condition.coil_shorted)
    return _ohms(at_temperature(copper, world.outdoor_c))


def _delay_volts(world: World) -> str:
    """The relay's open contact carries what a whole coil leaves to it, which is everything; behind an open coil it
    carries nothing."""
    condition, unit = world.condition, world.unit
    waiting = condition.relay_open or unit.relay_s < world.plan.design.delay_on_make_s
    broken = condition.coil_open or condition.coil_lead_ohm == inf
    return _volts(unit.unit_v if waiting and not broken else 0.0)


def _transformer_volts(world: World) -> str:
    """Ahead of the fuse: the loaded voltage while the fuse holds, the open one when it has opened."""
    unit, condition, design = world.unit, world.condition, world.plan.design
    if not (condition.fuse_open or unit.control.fuse.open):
        return _volts(unit.rc_v)
    if condition.transformer_dead:
        return _volts(0.0)
    open_v = constants.CONTROL_RATED_V.value * (1.0 + design.transformer_regulation)
    return _volts(open_v * condition.transformer_ratio * unit.panel_v / design.primary_v)


def _cable_ohms(world: World) -> str:
    design = world.plan.design
    wire = loop_ohm(design.control_awg, design.control_m, world.outdoor_c)
    return _ohms(wire + design.joints_ohm + world.condition.call_wire_ohm)


def _standing_pressure(world: World) -> str:
    if world.condition.non_condensables:
        return "above"
    return "below" if world.condition.charge < _NO_LIQUID else "equal"


def _windings(world: World) -> str:
    """C-R, C-S and R-S, at the winding's temperature."""
    condition, compressor = world.condition, world.unit.compressor
    run = at_temperature(RUN_OHM_A / world.plan.design.compressor_rla_a, compressor.protector.winding_c)
    start = START_OVER_RUN * run
    common = compressor.protector.open or condition.protector_open or condition.common_open
    run_open, start_open = condition.run_winding_open, condition.start_winding_open
    readings = (
        inf if common or run_open else run,
        inf if common or start_open else start,
        inf if run_open or start_open else run + start,
    )
    return " ".join(OVER if ohm == inf else f"{ohm:.2f}" for ohm in readings)


# ---------------------------------------------------------------- by eye, ear and hand


def _listen(world: World) -> str:
    unit = world.unit
    fan = unit.fan.motion is FanMotion.TURNING
    compressor = unit.compressor.motion in (Motion.TURNING, Motion.MOVING)
    return {(False, False): "nothing", (True, False): "fan-only", (False, True): "compressor-only"}.get(
        (fan, compressor), "both"
    )


def _connections(world: World) -> str:
    condition = world.condition
    off = (
        condition.coil_lead_ohm > 0.0,
        condition.compressor_lead_open,
        condition.fan_lead_open,
        condition.line_joint_ohm > 0.0,
        0.0 < condition.call_wire_ohm < inf and "call-joint-poor" in world.timeline.levels,
        "call-splice-loose" in world.timeline.levels,
    )
    return "loose" if any(off) else "tight"


def _plunger(world: World) -> str:
    condition = world.condition
    if condition.armature_blocked:
        return "blocked"
    held = world.unit.contactor.state is Armature.IN and condition.armature_sticks
    return "stuck-in" if held or condition.contacts_welded else "free"


def _contacts(world: World) -> str:
    if world.condition.contacts_welded:
        return "welded"
    return "debris" if world.condition.contacts_dirty else "clean"


def _charge(world: World) -> str:
    charge = world.condition.charge
    return "low" if charge < _SEEN_LOW else "high" if charge > _SEEN_HIGH else "normal"


def _pressure_volts(world: World) -> str:
    """Which pressure switch the call stands across."""
    unit, condition = world.unit, world.condition
    if unit.high_open or condition.high_switch_open:
        return "high-pressure"
    return "low-pressure" if unit.low_open or condition.low_switch_open or condition.pressure_open else "none"


def _house_power(world: World) -> str:
    """Lights and outlets: out with the service, and in part where a leg of it is."""
    if world.unit.panel_v < _LINE_V:
        return "none"
    return "part" if world.condition.leg_open else "whole"


def _legs(world: World) -> str:
    """Each leg to ground ahead of the contactor."""
    if world.condition.line_open or world.unit.tripped or world.unit.panel_v < _LINE_V:
        return "none"
    return "one-missing" if world.condition.leg_open else "both"


def _capacitor_amps(world: World) -> str:
    """Amperes and volts of the run capacitor while it runs."""
    design, share = world.plan.design, world.unit.compressor.capacitor()
    volts = max(1.0, 1.5 * world.unit.load_v)
    amps = volts * 2 * pi * design.line_hz * design.run_uf * 1e-6 * share
    return f"{amps:.2f} A {volts:.0f} V of {design.run_uf:g}"


def _superheat(world: World) -> str:
    """More where the coil is starved, less where it is flooded or gets no air; with a fixed orifice its target too."""
    condition, gas = world.condition, world.unit.gas
    fixed = world.plan.design.metering == "fixed"
    starved = max(0.0, 1.0 - condition.charge, condition.metering_shut)
    flooded = max(0.0, condition.charge - 1.0) + max(0.0, _SEEN_CLOGGED - condition.indoor_air())
    usual_f = 1.8 * gas.superheat_k(world.outdoor_c, world.house.air_c)
    shown_f = max(0.0, usual_f + 30.0 * starved - (0.0 if fixed else 25.0 * flooded))
    target = f" of {target_superheat_f(world.outdoor_c, world.house.air_c):.0f}" if fixed else ""
    return f"{shown_f:.0f} F{target}"


def _subcooling(world: World) -> str:
    """More with what stands in the condenser, less with what is missing."""
    condition = world.condition
    more = max(0.0, condition.charge - 1.0) + condition.non_condensables + 0.6 * condition.metering_shut
    return f"{max(0.0, 10.0 + 40.0 * more - 20.0 * max(0.0, 1.0 - condition.charge)):.0f} F"


def _compared(world: World) -> str:
    """Whether a reading differs from a meter's."""
    faulty = any(
        sense.unplugged or sense.stuck or abs(sense.gain - 1.0) > 0.05 or sense.offset or sense.noise
        for sense in world.condition.senses.values()
    )
    return "differs" if faulty else "agrees"


SHOWN: dict[str, Callable[[World], str]] = {
    "thermostat-setting": lambda w: "wrong" if w.condition.set_offset_k else "right",
    "house-power": _house_power,
    "breakers": lambda w: "off" if w.condition.line_open or w.unit.tripped else "on",
    "listen": _listen,
    "drain-pan": lambda w: "wet" if w.condition.float_open else "dry",
    "condenser-coil": lambda w: "dirty" if w.condition.condenser_share < _SEEN_DIRTY else "clean",
    "filter": lambda w: "dirty" if w.condition.indoor_air() < _SEEN_CLOGGED else "clean",
    "registers": lambda w: "weak" if w.condition.indoor_air() < _SEEN_CLOGGED else "strong",
    "door-panel": lambda w: "off" if w.condition.door_open else "shut",
    "leak-alarm": lambda w: "alarm" if w.condition.detector_open else "quiet",
    "shed-switch": lambda w: "active" if w.condition.shed_open else "idle",
    "suction-line": lambda w: "iced" if w.unit.compressor.turning and w.unit.gas.evaporating_c < _ICE_C else "clear",
    "connections": _connections,
    "plunger": _plunger,
    "contacts": _contacts,
    "fan-blade": lambda w: "stiff" if w.condition.fan_seized else "free",
    "crankcase-heater": lambda w: "warm",
    "charge": _charge,
    "standing-pressure": _standing_pressure,
    "pumping": lambda w: "equal" if w.condition.pump_share < _SEEN_WORN else "pumps",
    "reset-kind": lambda w: "none",
    "indoor-board": lambda w: "fault" if w.condition.board_y_open else "passes",
    "jumper-ry": lambda w: "starts" if w.condition.thermostat_dead or w.condition.set_offset_k > 0 else "nothing",
    "sizing": lambda w: "oversized" if w.condition.capacity_share > _SEEN_OVERSIZED else "right",
    "coil-ohms": _coil_ohms,
    "coil-volts": lambda w: _volts(w.unit.volts.coil_v),
    "splice-volts": lambda w: _volts(w.unit.unit_v),
    "time-delay-volts": _delay_volts,
    "coil-pull-in": lambda w: _volts(w.unit.volts.coil_v),
    "pressure-volts": _pressure_volts,
    "board-volts": lambda w: "held" if w.condition.board_open and w.unit.unit_v > _CALL_V else "passes",
    "float-volts": lambda w: _volts(w.unit.indoor_y_v if w.condition.float_open else 0.0),
    "control-wire-short": lambda w: _ohms(constants.CABLE_SHORT_OHM.value if w.condition.cable_shorted else inf),
    "rc-volts": lambda w: _volts(w.unit.rc_v),
    "transformer-volts": _transformer_volts,
    "thermostat-volts": lambda w: _volts(w.unit.indoor_y_v),
    "control-fuse": lambda w: _closed(w.condition.fuse_open or w.unit.control.fuse.open),
    "float-switch": lambda w: _closed(w.condition.float_open),
    "pressure-switch": lambda w: _closed(w.condition.pressure_open or w.unit.pressures_open()),
    "control-wire": _cable_ohms,
    "leads": lambda w: _ohms(LEADS_OHM),
    "line-volts": lambda w: _volts(w.unit.supply_v),
    "load-volts": lambda w: _volts(w.unit.load_v),
    "running-amps": lambda w: f"{w.unit.compressor_a:.1f} A",
    "line-fuses": lambda w: _closed(False),
    "run-capacitor": lambda w: _microfarads(w.condition.run_capacitor, w.plan.design.run_uf),
    "fan-capacitor": lambda w: _microfarads(w.condition.fan_capacitor, w.plan.design.fan_uf),
    "winding-ohms": _windings,
    "leg-to-ground": _legs,
    "start-volts": lambda w: _volts(w.unit.panel_v * (1.0 - _SAG_SHARE) - 20.0 * w.condition.line_joint_ohm),
    "contact-drop": lambda w: "0.1 V",
    "capacitor-amps": _capacitor_amps,
    "start-capacitor": lambda w: "200 uF of 200" if w.condition.start_torque >= 1.0 else "20 uF of 200",
    "fan-volts": lambda w: _volts(0.0 if w.condition.fan_relay_open else w.unit.load_v),
    "air-split": lambda w: f"{18.0 * min(1.6, w.unit.gas.cooling_share / max(0.2, w.condition.indoor_air())):.0f} F",
    "static-pressure": lambda w: "0.9 in" if w.condition.indoor_air() < _SEEN_CLOGGED else "0.5 in",
    "superheat": _superheat,
    "subcooling": _subcooling,
    "compressor-to-ground": lambda w: "120 ohm" if w.condition.grounded else "2000 M",
    "fan-ohms": lambda w: OVER if w.condition.fan_open else _ohms(FAN_OHM_A / w.plan.design.fan_fla_a),
    "sense-compare": _compared,
}
