"""The suspects of the contract as a table, and what an observed symbol means in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.elimination import Expect, expect


class Suspect(NamedTuple):
    """One suspect: its name in the trade's words, the part, what mends it, what a meter shows on the part itself."""

    title: str
    part: str
    mend: str
    meter: Mapping[str, Expect]


def _suspect(title: str, part: str, mend: str, **meter: str) -> Suspect:
    return Suspect(title, part, mend, {word.replace("_", "-"): expect(text) for word, text in meter.items()})


SUSPECTS: dict[str, Suspect] = {
    "coil-open": _suspect(
        "contactor coil open (burnt out)",
        "contactor",
        "fit a contactor of the same coil voltage, poles and rating",
        coil_ohms="open; seldom high",
    ),
    "coil-shorted": _suspect(
        "contactor coil shorted",
        "contactor",
        "fit a new contactor; then a new control fuse of the same rating",
        coil_ohms="low; seldom usual",
    ),
    "armature-blocked": _suspect(
        "contactor armature blocked, does not close",
        "contactor",
        "with the power off, clear what blocks it or fit a new contactor",
        plunger="blocked; seldom free",
        contacts="clean or debris",
    ),
    "contacts-not-making": _suspect(
        "contactor closes, its contacts do not make (debris, wear)",
        "contactor",
        "fit a new contactor; insects or dirt between the contacts may be cleared with the power off",
        contacts="burnt or debris; seldom clean",
    ),
    "contacts-welded": _suspect(
        "contactor contacts welded shut",
        "contactor",
        "switch the unit off at the breaker or disconnect; fit a new contactor and look for what overloaded it",
        contacts="welded; seldom burnt",
        plunger="stuck-in; seldom free",
    ),
    "armature-stuck-in": _suspect(
        "contactor armature stuck in the closed position",
        "contactor",
        "switch the unit off at the breaker or disconnect; fit a new contactor",
        plunger="stuck-in; seldom free",
        contacts="clean or debris; seldom burnt",
    ),
    "control-voltage-weak": _suspect(
        "control voltage weak (transformer, long or thin wire, poor joint)",
        "24 V circuit",
        "find where the volts are lost: transformer tap and load, wire gauge, joints",
        rc_volts="low or normal",
        transformer_volts="low or normal",
        connections="tight or loose",
    ),
    "control-fuse": _suspect(
        "control fuse open",
        "indoor unit",
        "find the short first (coil, wire rubbed through); then fit a fuse of the same rating, never a larger one",
        control_fuse="open",
    ),
    "control-transformer": _suspect(
        "control transformer dead",
        "indoor unit",
        "find what overloaded it; fit a class 2 transformer of the same voltages and at least the same VA",
    ),
    "float-switch": _suspect(
        "condensate float switch open (drain blocked)",
        "indoor unit",
        "clear the drain and empty the pan; the switch closes again by itself",
        float_switch="open",
        drain_pan="wet; seldom dry",
    ),
    "pressure-switch": _suspect(
        "refrigerant pressure switch open",
        "outdoor unit",
        "find why the pressure is too high or too low before anything is reset",
        pressure_switch="open; seldom closed",
    ),
    "control-wire-open": _suspect(
        "control wire to the outdoor unit broken",
        "24 V circuit",
        "find the break (garden tools, animals, staples); use a spare wire or pull a new cable",
        control_wire="open",
    ),
    "loose-connection": _suspect(
        "loose or burnt connection",
        "wiring",
        "with the power off, remake the joint; cut back burnt wire and fit a new terminal",
        connections="loose; seldom tight",
    ),
    "line-supply-off": _suspect(
        "line supply off (breaker, disconnect, fuse)",
        "line supply",
        "look at breaker, disconnect and fuses; a breaker that trips again needs an electrician, not a third try",
        breakers="off; seldom on",
        line_fuses="open or closed",
    ),
    "time-delay": _suspect(
        "time-delay relay does not pass the call on",
        "time-delay relay",
        "fit a new relay of the same delay",
        time_delay_volts="across",
    ),
    "run-capacitor": _suspect(
        "run capacitor weak or dead",
        "run capacitor",
        "fit a capacitor of the same microfarads and at least the same voltage",
        run_capacitor="dead or weak",
        fan_capacitor="good or weak or dead",
    ),
    "compressor-overload-open": _suspect(
        "compressor's internal overload open",
        "compressor",
        "leave it off to cool, up to some hours; find what heated it: capacitor, dirty condenser, fan, low charge",
        winding_ohms="overload-open; seldom balanced",
    ),
    "compressor-locked": _suspect(
        "compressor locked up",
        "compressor",
        "rule out capacitor and line voltage first; a start kit may free it for a time, else a new compressor",
        winding_ohms="balanced or overload-open",
    ),
    "compressor-winding-open": _suspect(
        "compressor winding open",
        "compressor",
        "make sure it is not the overload (let it cool); then a new compressor",
        winding_ohms="winding-open; seldom overload-open",  # an open common winding reads as an open overload does
        compressor_to_ground="clear; seldom grounded",
    ),
    "fan-motor": _suspect(
        "condenser fan motor dead or stiff",
        "condenser fan",
        "fit a motor of the same power, speed and rotation, with its capacitor",
        fan_blade="stiff or free",
        fan_ohms="open or usual",
    ),
    "fan-capacitor": _suspect(
        "fan capacitor (or the fan side of a dual one) weak or dead",
        "fan capacitor",
        "fit a capacitor of the same microfarads and at least the same voltage",
        fan_capacitor="dead or weak",
    ),
    "condenser-dirty": _suspect(
        "condenser coil dirty or its air blocked",
        "condenser coil",
        "with the power off, rinse the coil from inside out with a garden hose; cut plants back",
        condenser_coil="dirty",
        charge="normal or high",
    ),
    "charge-low": _suspect(
        "refrigerant charge low",
        "refrigerant circuit",
        "find and mend the leak, then charge by weight or by the maker's chart; certified people only",
        charge="low",
        suction_line="iced or clear",
        filter="clean; seldom dirty",
    ),
    "charge-high": _suspect(
        "refrigerant overcharged",
        "refrigerant circuit",
        "recover the excess by the maker's chart; certified people only",
        charge="high",
    ),
    "thermostat-setting": _suspect(
        "thermostat set so (off, too warm, too cold, schedule, differential)",
        "thermostat",
        "set it to cool, below room temperature; look at schedule and differential",
        thermostat_setting="wrong",
    ),
    "thermostat": _suspect(
        "thermostat faulty, without batteries or badly placed",
        "thermostat",
        "new batteries; keep it out of draught and sun; else a new thermostat",
        thermostat_setting="right",
    ),
    "equipment-oversized": _suspect(
        "equipment too large for the house",
        "system",
        "a load calculation; longer cycles by setting; the right size at the next change of equipment",
        sizing="oversized",
    ),
    "monitor-sensing": _suspect(
        "the monitor's own sensing",
        "monitor",
        "look at the sense's clamp, wire and board; compare its reading with a meter",
        sense_compare="differs",
    ),
}

# What an observed symbol means, in one clause: the reason by which a suspect is ruled out.
SAYS: dict[str, dict[str, str]] = {
    **{name: dict(row.says) for name, row in READINGS.items() if row.says},
    "unit:delay": {"no": "no time-delay relay is fitted", "yes": "a time-delay relay is fitted"},
    "fan-in-runs": {
        "ran": "the fan ran in the last runs",
        "stalled": "the fan drew a stalled motor's current in the last runs",
        "still": "the fan stood still in the last runs",
    },
    "comes-and-goes": {"no": "it has not worked again by itself", "yes": "it has worked again by itself lately"},
    "split": {
        "low": "the air is cooled less than this unit does",
        "normal": "the split is what this unit shows",
        "high": "the air is cooled more than this unit does",
    },
    "capacitor-load": {
        "weak": "the run capacitor's microfarads under load are low",
        "good": "the run capacitor's microfarads under load are right",
    },
    "power-factor": {"low": "the compressor's power factor is low", "normal": "its power factor is normal"},
    "large-pipe": {
        "freezing": "the large pipe is freezing cold",
        "cool": "the large pipe is cool",
        "warm": "the large pipe is warm",
    },
    "start-sag": {
        "usual": "the line sags as usual at a start",
        "deep": "the line sags far at a start",
    },
    "small-pipe": {
        "near-outdoor": "the small pipe is hardly warmer than the air",
        "warm": "the small pipe is warm",
        "hot": "the small pipe is hot",
    },
    "stopped-at": {
        "thermostat": "the thermostat ended the last runs",
        "safety": "the call was lost behind the thermostat",
        "call": "the call ended the last runs",
        "contacts": "the contacts opened under a standing call",
        "compressor": "the compressor stopped behind closed contacts",
    },
}


def clause(observable: str, symbol: str) -> str:
    """The reason that an observed symbol gives for ruling a suspect out, in one clause."""
    if observable in CHECKS:
        return CHECKS[observable].says(symbol)
    if observable.startswith("recent:"):
        stood = "stood" if symbol == "yes" else "did not stand"
        return f"{observable.removeprefix('recent:')} {stood} in the last two hours"
    return SAYS[observable][symbol]
