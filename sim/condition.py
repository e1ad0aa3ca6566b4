"""The condition of every part: what wear and faults change, and all that they can change.

A healthy unit has the values written here. Causes (sim/causes.py) write to a Condition; the physics reads it; no
reading is ever written by anyone. `inf` ohm is an open circuit.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields


@dataclass(slots=True)
class SenseCondition:
    """One sense at the wire, ahead of the program: `noise` in the reading's own unit, `stuck` at its last value;
    `lag_deg` is by how much it sees a wave later than it is."""

    gain: float = 1.0
    offset: float = 0.0
    noise: float = 0.0
    lag_deg: float = 0.0
    unplugged: bool = False
    stuck: bool = False


@dataclass(slots=True)
class Condition:
    """Every part of unit, house and monitor, as it stands."""

    # line
    service_share: float = 1.0
    line_open: bool = False
    line_joint_ohm: float = 0.0
    leg_open: bool = False
    # transformer and fuse
    transformer_dead: bool = False
    transformer_ratio: float = 1.0
    transformer_ohm: float = 0.0
    fuse_open: bool = False
    door_open: bool = False
    # call path
    thermostat_dead: bool = False
    thermostat_stuck_on: bool = False
    thermostat_ohm: float = 0.0
    set_offset_k: float = 0.0
    swing_share: float = 1.0
    draught_k: float = 0.0
    no_short_cycle_delay: bool = False
    float_open: bool = False
    board_y_open: bool = False
    detector_open: bool = False
    shed_open: bool = False
    cable_shorted: bool = False
    pressure_open: bool = False
    low_switch_open: bool = False
    high_switch_open: bool = False
    call_wire_ohm: float = 0.0
    call_wire_on_r: bool = False
    # contactor
    relay_open: bool = False
    board_open: bool = False
    coil_lead_ohm: float = 0.0
    coil_open: bool = False
    coil_shorted: float = 0.0
    armature_blocked: bool = False
    armature_sticks: bool = False
    contacts_dirty: bool = False
    contacts_welded: bool = False
    load_joint_ohm: float = 0.0
    # compressor
    compressor_lead_open: bool = False
    compressor_joint_ohm: float = 0.0
    run_capacitor: float = 1.0
    protector_open: bool = False
    seized: bool = False
    friction_pu: float = 0.0
    start_torque: float = 1.0
    grounded: bool = False
    common_open: bool = False
    run_winding_open: bool = False
    start_winding_open: bool = False
    # fan
    fan_lead_open: bool = False
    fan_relay_open: bool = False
    fan_open: bool = False
    fan_seized: bool = False
    fan_capacitor: float = 1.0
    # refrigerant side
    condenser_share: float = 1.0
    charge: float = 1.0
    capacity_share: float = 1.0
    pump_share: float = 1.0
    metering_shut: float = 0.0
    non_condensables: float = 0.0
    # indoor air
    indoor_air_share: float = 1.0
    blower_dead: bool = False
    # the monitor itself
    senses: dict[str, SenseCondition] = field(default_factory=dict)
    bus_errors: float = 0.0
    clock_share: float = 1.0
    lost_scans: float = 0.0
    glitches: float = 0.0

    def indoor_air(self) -> float:
        """Air over the indoor coil, of full; a trickle where the blower stands."""
        return 0.05 if self.blower_dead else self.indoor_air_share

    def sense(self, name: str) -> SenseCondition:
        """The condition of one sense, made on first use."""
        return self.senses.setdefault(name, SenseCondition())


HEALTHY = Condition()
_PLAIN = tuple(f.name for f in fields(Condition) if f.name != "senses")


def reset(condition: Condition) -> None:
    """Put every part back to sound, in place: parts hold references to the one condition."""
    for name in _PLAIN:
        setattr(condition, name, getattr(HEALTHY, name))
    condition.senses.clear()
