"""The suspects, a row each, and what an observed symbol means in words.

A row holds all that is said of a suspect by itself; behind which findings it stands is said with these, in
predictions_control.py and predictions_motors.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from condenser_monitor.monitor.diagnosis.elimination import Expect, expect


class Suspect(NamedTuple):
    """One suspect.

    title: its name in the trade's words. repair: for qualified people. usual: how usual it is among all calls of the
    trade (1 to 10). load: what to take along for it (common practice). signs: feature -> symbol -> how much more, or
    less, usual that is behind this suspect than behind the others; what is not named has ratio 1. meter: check -> what
    it shows on the part itself. Usual and ratios are common practice put into figures by this project: only their order
    and rough size mean anything.
    """

    title: str
    part: str
    repair: str
    usual: float
    load: tuple[str, ...]
    signs: Mapping[str, Mapping[str, float]]
    meter: Mapping[str, Expect]


def _suspect(
    title: str,
    part: str,
    repair: str,
    usual: float,
    *,
    load: tuple[str, ...] = (),
    signs: Mapping[str, Mapping[str, float]] = {},
    **meter: str,
) -> Suspect:
    shown = {word.replace("_", "-"): expect(text) for word, text in meter.items()}
    return Suspect(title, part, repair, usual, load, signs, shown)


# A one-pole contactor may feed the crankcase heater past its open pole: two poles would switch that off too.
CONTACTOR = "contactor, {poles}-pole, {amps} A, 24 V coil (same number of poles: one may carry the crankcase heater)"
_CAPACITORS = "run capacitors, common sizes and the nameplate's (read the old one's label)"
_TRANSFORMER = "control transformer, multi-tap, 75 VA"
_FUSES = "control fuses, 3 and 5 A automotive blade"
_GAUGES = "manifold gauges"
_RECOVERY = "recovery machine and cylinder, rated for mildly flammable refrigerants"
_LEAKS = "leak detector for mildly flammable refrigerants"
_DRAIN = "wet vacuum or nitrogen for the drain"
# what trips and stops look like where the condenser fan stands still, whichever of its parts is dead
_WITHOUT_FAN: dict[str, dict[str, float]] = {
    "flickers": {"yes": 0.1},
    "off-time": {"seconds": 0.15},
    # it trips within a minute of the fan's end: where scans are far apart, the last reading is of the time before
    "trip-amps": {"locked": 0.3, "high": 3, "under": 0.4, "low": 0.1},
    "called-again": {"soon": 2},
    "trip-after": {"minutes": 2, "hour": 0.5},
    "dead-for": {"hours": 0.2},
    "opened": {"in-run": 2, "at-start": 0.1},
}

SUSPECTS: dict[str, Suspect] = {
    "coil-open": _suspect(
        "contactor coil open (burnt out)",
        "contactor",
        "install a contactor of the same coil voltage, poles and rating",
        4,
        load=(CONTACTOR,),
        signs={
            "flickers": {"yes": 0.2},
            "stalled": {"yes": 0.1},
            "comes-and-goes": {"yes": 0.1},
        },
        coil_ohms="open; seldom high",
    ),
    "coil-shorted": _suspect(
        "contactor coil shorted",
        "contactor",
        "install a new contactor; then a new control fuse of the same rating",
        1.5,
        load=(CONTACTOR, _FUSES),
        signs={
            "coil-before": {"short": 20, "usual": 0.2},
            "coil-amps": {"over": 8, "open": 2},
            "comes-and-goes": {"yes": 0.1},
        },
        coil_ohms="low; seldom usual",
    ),
    "armature-blocked": _suspect(
        "contactor armature blocked, does not close",
        "contactor",
        "with the power off, clear what blocks it or install a new contactor",
        2,
        load=(CONTACTOR,),
        signs={"coil-amps": {"over": 0.2, "open": 2}, "flickers": {"yes": 2}, "opened": {"in-run": 0.3}},
        plunger="blocked; seldom free",
        contacts="clean or debris",
    ),
    "contacts-not-making": _suspect(
        "contactor closes, its contacts do not make (debris, wear)",
        "contactor",
        "install a new contactor; insects or dirt between the contacts may be cleared with the power off",
        5,
        load=(CONTACTOR,),
        signs={
            "off-time": {"seconds": 2, "moments": 0.4, "minutes": 0.4},
            "both-stop": {"yes": 15},
            "coil-amps": {"open": 0.1},
            "stalled": {"yes": 0.1},
            "opened": {"in-run": 0.5},
        },
        contacts="burnt or debris; seldom clean",
        contact_drop="large or raised",
    ),
    "contacts-welded": _suspect(
        "contactor contacts welded shut",
        "contactor",
        "switch the unit off at the breaker or disconnect; install a new contactor and look for what overloaded it",
        3,
        load=(CONTACTOR,),
        signs={"comes-and-goes": {"yes": 0.3}},
        contacts="welded; seldom burnt",
        plunger="stuck-in; seldom free",
    ),
    "armature-stuck-in": _suspect(
        "contactor armature stuck in the closed position",
        "contactor",
        "switch the unit off at the breaker or disconnect; install a new contactor",
        1,
        load=(CONTACTOR,),
        plunger="stuck-in; seldom free",
        contacts="clean or debris; seldom burnt",
    ),
    "control-voltage-weak": _suspect(
        "control voltage weak (transformer, long or thin wire, poor joint)",
        "24 V circuit",
        "find where the volts are lost: transformer tap and load, wire gauge, joints",
        2,
        load=(_TRANSFORMER, "thermostat cable"),
        signs={"coil-amps": {"open": 6}, "flickers": {"yes": 6}, "off-time": {"seconds": 2}},
        rc_volts="low or normal",
        thermostat_volts="low or normal",
        coil_pull_in="low; seldom normal",
        transformer_volts="low or normal",
        connections="tight; seldom loose",
    ),
    "control-fuse": _suspect(
        "control fuse open",
        "indoor unit",
        "find the short first (coil, wire rubbed through); then install a fuse of the same rating, never a larger one",
        4,
        load=(_FUSES, "thermostat cable"),
        signs={"comes-and-goes": {"yes": 0.02}},
        control_fuse="open",
    ),
    "control-transformer": _suspect(
        "control transformer dead",
        "indoor unit",
        "find what overloaded it; install a class 2 transformer of the same voltages and at least the same VA",
        3,
        load=(_TRANSFORMER, _FUSES),
        signs={"comes-and-goes": {"yes": 0.1}},
        rc_volts="absent or high; seldom low",
    ),
    "float-switch": _suspect(
        "condensate float switch open (drain blocked)",
        "indoor unit",
        "clear the drain and empty the pan; the switch closes again by itself",
        8,
        load=("float switch", _DRAIN),
        signs={
            "call-blink": {"yes": 4},
            "call-flickers": {"yes": 0.6},  # one that bobs in a pan that slops
            "comes-and-goes": {"yes": 1.8},  # a pan drains slowly, and it closes again
            "trip-amps": {"locked": 0.1, "high": 0.3, "usual": 1.5, "under": 0.8, "low": 0.5},
            "trip-after": {"seconds": 0.1, "minutes": 0.2, "hour": 4},
        },
        float_switch="open",
        drain_pan="wet or dry",
        float_volts="across",
    ),
    "pressure-switch": _suspect(
        "refrigerant pressure switch open",
        "outdoor unit",
        "find why the pressure is too high or too low before anything is reset",
        3,
        load=(_GAUGES, "pressure switch"),
        signs={
            "called-again": {"soon": 2},
            "comes-and-goes": {"yes": 2},
            "off-time": {"seconds": 0.3, "moments": 1.5, "long": 0.3},
            "trip-amps": {"locked": 0.1, "usual": 1.5},
            "trip-after": {"minutes": 2},
            "opened": {"in-run": 4, "at-start": 0.5},
        },
        pressure_switch="open; seldom closed",
        pressure_volts="low-pressure or high-pressure; seldom none",
        reset_kind="none or popped",
    ),
    "control-wire-open": _suspect(
        "control wire to the outdoor unit broken",
        "24 V circuit",
        "find the break (garden tools, animals, staples); use a spare wire or pull a new cable",
        3,
        load=("thermostat cable", "wire connectors"),
        signs={"call-blink": {"yes": 4}, "call-flickers": {"yes": 1.5}, "comes-and-goes": {"yes": 0.3}},
        control_wire="open",
    ),
    "loose-connection": _suspect(
        "loose or burnt connection",
        "wiring",
        "with the power off, remake the joint; cut back burnt wire and install a new terminal",
        4,
        load=("spade terminals and crimper", "wire connectors"),
        signs={
            "fan-fell": {"yes": 2},
            "fan-amps": {"none": 2},  # in its own lead
            "fan-glimpse": {"still": 2, "stalled": 0.3},
            "both-stop": {"yes": 15},  # one lead, and one pole, feeds both
            "coil-amps": {"open": 6},
            "line-blink": {"likely": 2},
            "call-blink": {"yes": 6},
            "flickers": {"yes": 4},
            "call-flickers": {"yes": 3},
            "off-time": {"seconds": 4, "moments": 0.6, "minutes": 0.4, "long": 0.3},
            "trip-amps": {"locked": 0.5, "usual": 2, "under": 1.5},
            "stalled": {"yes": 0.4},
            "dead-for": {"hours": 1.3},
            "opened": {"in-run": 1.2},
            "comes-and-goes": {"yes": 3},
            "start-sag": {"deep": 2},
            "supply-lost": {"at-start": 1.5, "at-rest": 0.5},
        },
        connections="loose; seldom tight",
        capacitor_amps="good; seldom dead",  # its own lead off, a capacitor that is good on the bench carries nothing
        contact_drop="small; seldom raised",
        start_volts="usual; seldom deep",
        line_volts="normal; seldom low or half or absent",
    ),
    "line-supply-off": _suspect(
        "line supply off (breaker, disconnect, fuse)",
        "line supply",
        "look at breaker, disconnect and fuses; one that tripped at a start: compressor, fan and wiring to ground"
        " before any reset; a breaker that trips again needs an electrician, not a third try",
        5,
        load=("disconnect fuses", "disconnect with pull-out"),
        signs={
            "flickers": {"yes": 0.2},
            "stalled": {"yes": 0.3},
            "opened": {"in-run": 0.6},
            "comes-and-goes": {"yes": 0.3},
            "line-blink": {"yes": 6, "likely": 4},
            "starts": {"lengthening": 0.3},
            "supply-lost": {"at-start": 0.7},
            "left-volts": {"hum": 0.4},  # one fuse, and no breaker or pull-out
        },
        house_power="whole or none",
        breakers="off; seldom on",
        line_fuses="open or closed",
    ),
    "time-delay": _suspect(
        "time-delay relay does not pass the call on",
        "time-delay relay",
        "install a new relay of the same delay",
        1,
        load=("time-delay relay",),
        signs={
            "waits": {"yes": 2},
            "opened": {"in-run": 0.4},  # its output carries the coil's current through the whole run
            "comes-and-goes": {"yes": 0.5},
        },
        time_delay_volts="across",
    ),
    "run-capacitor": _suspect(
        "run capacitor weak or dead",
        "run capacitor",
        "install a capacitor of the same microfarads and at least the same voltage",
        10,
        load=(_CAPACITORS,),
        signs={
            "stall-winding": {"none": 8},
            "call-blink": {"yes": 0.2},
            "flickers": {"yes": 0.05},
            "off-time": {"seconds": 0.15, "long": 1.5},
            "trip-amps": {"locked": 3, "usual": 0.3, "under": 0.2, "low": 0.1},
            "stalled": {"yes": 3},
            "trip-after": {"seconds": 2, "hour": 0.5},
            "silent-start": {"yes": 0.2},
            "dead-for": {"hours": 0.3},  # its stalls show at each reset, where scans are close
            "line-blink": {"yes": 0.4, "likely": 0.4},
            "starts": {"lengthening": 2.5, "steady": 0.7},
            "capacitor-load": {"weak": 20, "good": 0.1},
            "power-factor": {"low": 2.5, "normal": 0.4},
        },
        run_capacitor="dead or weak or over",
        capacitor_amps="dead or weak; seldom over",
        fan_capacitor="good; seldom weak or dead",
        winding_ohms="balanced or overload-open",  # whatever keeps the rotor from turning trips its overload
    ),
    "compressor-overload-open": _suspect(
        "compressor's internal overload open",
        "compressor",
        "leave it off to cool, up to some hours; find what heated it: capacitor, dirty condenser, fan, low charge",
        3,
        load=(_CAPACITORS, "contact thermometer"),
        signs={
            "call-blink": {"yes": 0.5},
            "flickers": {"yes": 0.05},
            "call-flickers": {"yes": 0.5},
            "comes-and-goes": {"yes": 2},
            "off-time": {"seconds": 0.02, "moments": 0.2, "long": 1.5},
            "trip-amps": {"locked": 0.3, "usual": 2},
            "stalled": {"yes": 0.1},
            "silent-start": {"yes": 0.4},  # the run before it ended with its call: nothing has heated it since
            "dead-for": {"hours": 0.5},  # one that has failed stays open as a winding does
        },
        winding_ohms="overload-open; seldom balanced",
    ),
    "compressor-locked": _suspect(
        "compressor locked up",
        "compressor",
        "rule out capacitor and line voltage first; a start kit may free it for a time, else a new compressor",
        2,
        load=(_CAPACITORS, "start capacitor and potential relay"),
        signs={
            "stall-winding": {"none": 0.05},
            "call-blink": {"yes": 0.2},
            # its stalls may all fall between slow scans
            "silent-start": {"yes": 0.2},
            "dead-for": {"hours": 0.3},
            "flickers": {"yes": 0.05},
            "off-time": {"seconds": 0.15},
            "trip-amps": {"locked": 3, "usual": 0.05, "under": 0.03, "low": 0.02},
            "stalled": {"yes": 3},
            "trip-after": {"seconds": 3, "minutes": 0.2, "hour": 0.05},
            "comes-and-goes": {"yes": 0.3},
            "line-blink": {"yes": 0.3},  # one that seizes in a run stalls out of it too
        },
        winding_ohms="balanced or overload-open",
    ),
    "compressor-winding-open": _suspect(
        "compressor winding open, or shorted between its turns",
        "compressor",
        "make sure it is not the overload (let it cool); then a new compressor",
        1,
        load=("insulation tester",),
        signs={
            "stall-winding": {"none": 4},
            "call-blink": {"yes": 0.2},
            "fall": {"sudden": 10},
            "flickers": {"yes": 0.1},
            "trip-amps": {"locked": 2},
            "stalled": {"yes": 2},
            # without its start winding it stalls as without its capacitor, and its overload opens
            "trip-after": {"seconds": 2},
            "off-time": {"seconds": 0.15, "long": 1.5},
            "dead-for": {"hours": 3},
            "comes-and-goes": {"yes": 0.05},
        },
        # an open common winding reads as an open overload does; windings with shorted turns are not as they should be
        winding_ohms="winding-open or unequal; seldom overload-open",
        compressor_to_ground="clear or no-short; seldom grounded",
    ),
    "fan-motor": _suspect(
        "condenser fan motor dead or stiff",
        "condenser fan",
        "install a motor of the same power, speed and rotation, with its capacitor",
        6,
        load=("condenser fan motor with capacitor", "fan blade puller"),
        signs={
            **_WITHOUT_FAN,
            "fan-amps": {"high": 10, "low": 1.5, "none": 5},
            "fan-glimpse": {"still": 4, "stalled": 6},
            "small-pipe": {"hot": 2},
        },
        fan_blade="stiff or free",
        fan_ohms="open or usual",
    ),
    "fan-capacitor": _suspect(
        "fan capacitor (or the fan side of a dual one) weak or dead",
        "fan capacitor",
        "install a capacitor of the same microfarads and at least the same voltage",
        6,
        load=(_CAPACITORS,),
        signs={
            **_WITHOUT_FAN,
            "fan-amps": {"high": 10, "none": 4},
            "fan-glimpse": {"still": 3, "stalled": 6},
            "small-pipe": {"hot": 2},
        },
        fan_capacitor="dead or weak or over",
    ),
    "condenser-dirty": _suspect(
        "condenser coil dirty or its air blocked",
        "condenser coil",
        "with the power off, rinse the coil from inside out with a garden hose; cut plants back",
        7,
        load=("garden hose and coil cleaner", "fin comb"),
        signs={
            "blower-in-run": {"rests": 0.1},
            "called-again": {"soon": 2},
            "flickers": {"yes": 0.1},
            "comes-and-goes": {"yes": 2},
            "off-time": {"seconds": 0.1},
            "trip-amps": {"locked": 0.1, "high": 3, "usual": 0.3, "under": 0.15, "low": 0.1},
            "stalled": {"yes": 0.2},
            "trip-after": {"seconds": 0.2, "minutes": 1.5},
            "rise": {"sudden": 0.6},
            "trip-heat": {"hot": 1.5, "mild": 0.4},
            "dead-for": {"hours": 0.1},
            "run-amps": {"low": 0.3, "usual": 0.5, "high": 2.5},
            "opened": {"in-run": 4, "at-start": 0.1},
            "fan-amps": {"high": 0.3},
            "small-pipe": {"hot": 3},
        },
        condenser_coil="dirty",
        charge="normal or high",
        subcooling="normal or high",
    ),
    "charge-low": _suspect(
        "refrigerant charge low",
        "refrigerant circuit",
        "find and repair the leak, then charge by weight or by the maker's chart; certified people only",
        7,
        load=(_GAUGES, _LEAKS, "refrigerant and scales"),
        signs={
            "blower-in-run": {"rests": 0.1},
            "called-again": {"soon": 2},
            "fall": {"sudden": 0.03},
            "flickers": {"yes": 0.1},
            "comes-and-goes": {"yes": 2},
            "off-time": {"seconds": 0.1},
            # starved of gas, the motor grows hot at less than its normal current
            "trip-amps": {"locked": 0.1, "high": 0.15, "usual": 0.7, "under": 1.5, "low": 6},
            "stalled": {"yes": 0.2},
            "trip-after": {"minutes": 2},
            "trip-heat": {"hot": 0.9, "mild": 1.7},
            "dead-for": {"hours": 0.1},
            "run-amps": {"low": 2.5, "high": 0.3},
            "opened": {"in-run": 4, "at-start": 0.3},
            "large-pipe": {"freezing": 2, "cool": 0.4, "warm": 3},
            "small-pipe": {"near-outdoor": 1.5, "hot": 0.4},
        },
        charge="low",
        standing_pressure="equal or below",  # while some liquid is left, it has the pressure of a full one
        superheat="high; seldom normal",
        subcooling="low; seldom normal",
        air_split="low; seldom normal",
        suction_line="iced or clear",
    ),
    "charge-high": _suspect(
        "refrigerant overcharged",
        "refrigerant circuit",
        "recover the excess by the maker's chart; certified people only",
        1.5,
        load=(_GAUGES, _RECOVERY),
        signs={
            "blower-in-run": {"rests": 0.1},
            "flickers": {"yes": 0.1},
            "comes-and-goes": {"yes": 2},
            "off-time": {"seconds": 0.1},
            "trip-amps": {"locked": 0.1, "high": 3, "usual": 0.3, "under": 0.15, "low": 0.1},
            "stalled": {"yes": 0.2},
            "trip-after": {"seconds": 0.4},
            "rise": {"sudden": 1.2},
            "trip-heat": {"hot": 1.3, "mild": 0.6},
            "dead-for": {"hours": 0.1},
            "run-amps": {"low": 0.3, "usual": 0.4, "high": 2.5},
            "fan-amps": {"high": 0.3},
            "large-pipe": {"freezing": 0.7},
            "small-pipe": {"near-outdoor": 1.5},
        },
        charge="high",
        subcooling="high",
        superheat="low or normal",
    ),
    "thermostat-setting": _suspect(
        "thermostat set so (off, too warm, too cold, schedule, differential)",
        "thermostat",
        "set it to cool, below room temperature; look at schedule and differential",
        5,
        signs={
            "called-again": {"soon": 0.4},
            "run-amps": {"low": 0.5, "high": 0.5},
            "comes-and-goes": {"yes": 0.7},
        },
        thermostat_setting="wrong",
        jumper_ry="starts",
    ),
    "thermostat": _suspect(
        "thermostat faulty, without batteries or badly placed",
        "thermostat",
        "new batteries; keep it out of draught and sun; else a new thermostat",
        4,
        load=("thermostat", "batteries"),
        signs={
            # most of them keep a compressor off for some minutes themselves (common practice)
            "called-again": {"soon": 0.5},
            "call-blink": {"yes": 4},
            "flickers": {"yes": 1.5},
            "run-amps": {"low": 0.5, "high": 0.5},
            "line-blink": {"yes": 2},
        },
        thermostat_setting="right",
        jumper_ry="starts",
    ),
    "equipment-oversized": _suspect(
        "equipment too large for the house",
        "system",
        "a load calculation; longer cycles by setting; the right size at the next change of equipment",
        2,
        # by the usual curve of a thermostat's cycles (NEMA DC 3, from memory: at most 3 an hour, at half load) it rests
        # for five minutes and more, however large the unit is
        signs={"called-again": {"soon": 0.1}},
        sizing="oversized",
    ),
    "monitor-sensing": _suspect(
        "the monitor's own sensing",
        "monitor",
        "look at the sense's clamp, wire and board; compare its reading with a meter",
        1,
        load=("spare clamp and sensor board",),
        signs={
            "fall": {"sudden": 4},
            "off-time": {"seconds": 2, "moments": 0.5, "minutes": 0.5},
            "clamps": {"swapped": 80},
            "calls-satisfied": {"yes": 80},
        },
        sense_compare="differs",
    ),
    "compressor-grounded": _suspect(
        "compressor winding shorted to ground",
        "compressor",
        "leave the terminal cover on and do not energize it again; a new compressor, with the circuit cleaned, by"
        " certified"
        " people",
        1.5,
        load=("insulation tester", _RECOVERY),
        signs={
            "comes-and-goes": {"yes": 0.03},
            "supply-lost": {"at-start": 4, "in-run": 2, "at-rest": 0.1},
            "left-volts": {"hum": 0.2},  # its breaker opens both poles
        },
        compressor_to_ground="grounded; seldom doubtful or no-short",
        breakers="off; seldom on",
    ),
    "line-leg-lost": _suspect(
        "one leg of the line supply lost (a breaker's pole, a fuse, a lug)",
        "line supply",
        "find where the leg ends: breaker pole, disconnect fuse, lug, meter base; before a new fuse or a reset,"
        " compressor and wiring to ground; an electrician or the utility",
        1.5,
        load=("disconnect fuses", "disconnect with pull-out", "two-pole breaker"),
        signs={
            # what is left of the line comes to the fan through the windings of the compressor
            "fan-fell": {"yes": 15},
            "left-volts": {"hum": 10},
            "flickers": {"yes": 0.2},
            "dead-for": {"hours": 1.5},
            "comes-and-goes": {"yes": 0.3},
            "supply-lost": {"at-start": 1.5},
        },
        # with the contactor closed the dead leg is fed back through the motors: both read 120 V to ground
        leg_to_ground="one-missing; seldom both",
        house_power="whole or part",
        line_fuses="open or closed",
        breakers="on or off",
        line_volts="half or absent; seldom low",
        load_volts="half or absent; seldom low",
        winding_ohms="balanced or overload-open",
    ),
    "line-voltage": _suspect(
        "line voltage too low or too high",
        "line supply",
        "measure at the service at the same time: the utility's volts, or what wire and joints lose",
        1.5,
        load=("multimeter with min and max hold",),
        signs={
            "stall-winding": {"none": 0.05},
            "flickers": {"yes": 0.3},
            "trip-amps": {"locked": 1.5, "high": 1.5},
            "stalled": {"yes": 1.5},
            "trip-after": {"seconds": 1.5},
            "trip-heat": {"hot": 1.3},
            "dead-for": {"hours": 0.2},
            "fan-amps": {"low": 1.5},
            "fan-fell": {"yes": 3},
            "line-blink": {"yes": 2, "likely": 2},
            "power-factor": {"low": 1.5},
            "start-sag": {"usual": 0.5, "deep": 5},
        },
        line_volts="low or high; seldom normal",
        start_volts="deep; seldom usual",
        winding_ohms="balanced or overload-open",
    ),
    "start-device": _suspect(
        "start capacitor, its relay or the soft starter failed",
        "start device",
        "replace start capacitor and relay together, of the type that the compressor asks for",
        1.5,
        load=("start capacitor and potential relay",),
        signs={
            "stall-winding": {"none": 0.2},
            "winding-load": {"over": 20},
            "call-blink": {"yes": 0.3},
            "flickers": {"yes": 0.05},
            "off-time": {"seconds": 0.15},
            "trip-amps": {"locked": 3, "usual": 0.1, "under": 0.1},
            "stalled": {"yes": 3},
            "trip-after": {"seconds": 2.5, "minutes": 0.3},
            "silent-start": {"yes": 0.2},
            "dead-for": {"hours": 0.3},
            "line-blink": {"yes": 0.5, "likely": 0.4},
            "starts": {"lengthening": 1.5, "steady": 0.8},
        },
        start_capacitor="dead or weak; seldom good or none",
        winding_ohms="balanced or overload-open",
    ),
    "compressor-not-pumping": _suspect(
        "compressor runs but does not pump (valves, scroll)",
        "compressor",
        "make sure of charge and reversing valve first; then a new compressor, by certified people",
        1.5,
        load=(_GAUGES, _RECOVERY),
        signs={
            "blower-in-run": {"rests": 0.1},
            "fall": {"sudden": 1.5},
            "trip-amps": {"high": 0.15, "under": 1.3, "low": 3},
            "run-amps": {"low": 2.5, "usual": 0.2, "high": 0.1},
            "power-factor": {"low": 2, "normal": 0.6},
            "large-pipe": {"cool": 0.3, "warm": 4},
            "small-pipe": {"near-outdoor": 2, "warm": 0.5},
        },
        pumping="equal",
        air_split="low",
    ),
    "metering-device": _suspect(
        "metering device or drier restricted or stuck",
        "refrigerant circuit",
        "look for frost at drier and orifice, check the valve's bulb; replace it with the circuit recovered,"
        " certified people"
        " only",
        2,
        load=(_GAUGES, "filter drier", _RECOVERY),
        signs={
            "blower-in-run": {"rests": 0.1},
            "called-again": {"soon": 2},
            "fall": {"sudden": 0.2},
            "flickers": {"yes": 0.1},
            "comes-and-goes": {"yes": 2},
            "off-time": {"seconds": 0.1},
            "trip-amps": {"locked": 0.1, "high": 0.15, "under": 1.5, "low": 3},
            "stalled": {"yes": 0.2},
            "trip-after": {"minutes": 2},
            "trip-heat": {"mild": 1.5},
            "dead-for": {"hours": 0.1},
            "run-amps": {"low": 2.5, "high": 0.3},
            "opened": {"in-run": 4, "at-start": 0.3},
            "large-pipe": {"freezing": 2, "warm": 2},
        },
        superheat="high; seldom low",
        subcooling="high or normal",
        charge="normal; seldom low",
        suction_line="iced or clear",
        air_split="low; seldom normal",
    ),
    "non-condensables": _suspect(
        "air or another gas in the refrigerant circuit",
        "refrigerant circuit",
        "recover, evacuate to a deep vacuum that holds, and charge by weight; certified people only",
        0.7,
        load=(_GAUGES, "vacuum pump and vacuum gauge", _RECOVERY),
        signs={
            "blower-in-run": {"rests": 0.1},
            "flickers": {"yes": 0.1},
            "comes-and-goes": {"yes": 2},
            "off-time": {"seconds": 0.1},
            "trip-amps": {"locked": 0.1, "high": 3, "usual": 0.3, "under": 0.15, "low": 0.1},
            "stalled": {"yes": 0.2},
            "rise": {"sudden": 3.5},  # air comes in with a service, in a day
            "trip-heat": {"hot": 1.3, "mild": 0.6},
            "dead-for": {"hours": 0.1},
            "run-amps": {"low": 0.3, "usual": 0.4, "high": 2.5},
            "fan-amps": {"high": 0.3},
            "small-pipe": {"hot": 2},
        },
        standing_pressure="above",
        subcooling="high; seldom normal",
        charge="normal or high",
    ),
    "indoor-airflow": _suspect(
        "too little air over the indoor coil (filter, blower, ducts, dirty coil)",
        "indoor unit",
        "a clean filter and coil, open registers; then blower, its capacitor and the ducts",
        6,
        load=("air filters", "manometer with probes", "blower capacitor"),
        signs={
            "blower-in-run": {"rests": 10},
            "fall": {"sudden": 0.1},
            "flickers": {"yes": 0.1},
            "comes-and-goes": {"yes": 2},
            "off-time": {"seconds": 0.1},
            "trip-amps": {"locked": 0.1, "high": 0.15, "under": 1.5, "low": 3},
            "stalled": {"yes": 0.2},
            "trip-after": {"seconds": 0.3, "hour": 1.5},
            "trip-heat": {"mild": 1.5},
            "dead-for": {"hours": 0.1},
            "run-amps": {"low": 2.5, "high": 0.3},
            "opened": {"in-run": 2, "at-start": 0.2},
            "large-pipe": {"freezing": 4, "warm": 0.1},
        },
        filter="dirty or clean",
        registers="weak or strong",
        static_pressure="high or normal",
        air_split="high or normal",
        suction_line="iced or clear",
        superheat="low or normal",
    ),
    "low-pressure-cutout": _suspect(
        "low-pressure switch has opened",
        "outdoor unit",
        "find why the suction pressure is low (charge, air, metering) before anything is reset",
        2,
        load=(_GAUGES, _LEAKS, "low-pressure switch"),
        signs={
            "called-again": {"soon": 2},
            "flickers": {"yes": 0.3},
            "comes-and-goes": {"yes": 2},
            "off-time": {"seconds": 0.3, "moments": 1.5, "long": 0.3},
            # one that opens where gas runs short does its work: what the gas lacks comes before the switch
            "trip-amps": {"locked": 0.1, "high": 0.15, "usual": 1.5, "under": 1.5, "low": 1.5},
            "trip-after": {"minutes": 2, "hour": 0.7},
            "trip-heat": {"hot": 0.7, "mild": 2},
            "run-amps": {"low": 1.5, "high": 0.3},
            "opened": {"in-run": 4, "at-start": 0.5},
        },
        pressure_volts="low-pressure; seldom none",
        pressure_switch="open or closed",
        reset_kind="none or popped",
    ),
    "high-pressure-cutout": _suspect(
        "high-pressure switch has opened",
        "outdoor unit",
        "find why the head pressure is high (coil, fan, overcharge, air) before anything is reset",
        2,
        load=(_GAUGES, "garden hose and coil cleaner", "high-pressure switch"),
        signs={
            "called-again": {"soon": 2},
            "flickers": {"yes": 0.3},
            "comes-and-goes": {"yes": 2},
            "off-time": {"seconds": 0.1, "moments": 1.5, "long": 0.3},
            # a sound one opens far above what is normal, and so are the amperes there; a weak one does not
            "trip-amps": {"locked": 0.1, "usual": 0.4, "under": 0.15, "low": 0.1},
            "trip-after": {"seconds": 0.4, "minutes": 2},
            "trip-heat": {"hot": 1.7, "mild": 0.3},
            "opened": {"in-run": 4, "at-start": 0.2},
        },
        pressure_volts="high-pressure; seldom none",
        pressure_switch="open or closed",
        reset_kind="none or popped",
    ),
    "defrost-board": _suspect(
        "defrost or lockout board does not pass the call on",
        "defrost board",
        "rule out its inputs (delay, sensors, lockout after trips); then a new board",
        1.2,
        load=("defrost board",),
        signs={
            # its relay feeds a heat pump's fan: a motor without power draws nothing at all
            "fan-amps": {"high": 0.2, "none": 5},
            "fan-glimpse": {"still": 4, "stalled": 0.3},
            "fan-stopped": {"in-frost": 6},
        },
        board_volts="held",
    ),
    "indoor-board": _suspect(
        "indoor control board faulty",
        "indoor unit",
        "rule out fuse, door switch and float first; then a new board",
        1.5,
        load=("indoor control board", _FUSES),
        signs={"blower-in-run": {"rests": 6}},  # its relay starts the blower
        indoor_board="fault",
    ),
    "door-switch": _suspect(
        "indoor unit's door switch open (panel off)",
        "indoor unit",
        "seat the panel; else replace the switch, never bridge it",
        1.5,
        load=("door switch",),
        signs={"comes-and-goes": {"yes": 2}},  # a panel that was taken off is put back
        door_panel="off; seldom shut",
    ),
    "refrigerant-detector": _suspect(
        "refrigerant detector has stopped the cooling",
        "indoor unit",
        "air the room, no flames; find the leak with tools for mildly flammable refrigerants; certified people only",
        0.6,
        load=(_LEAKS, "refrigerant sensor"),
        signs={"comes-and-goes": {"yes": 0.7}},
        leak_alarm="alarm; seldom quiet",
    ),
    "control-wire-shorted": _suspect(
        "control cable shorted (rubbed through, stapled, chewed)",
        "24 V circuit",
        "find the place, replace the cable, and then the fuse of the same rating",
        2,
        load=("thermostat cable", _FUSES),
        signs={
            "blower-in-run": {"rests": 6},  # one to the call alone starts the outdoor unit, and no blower
            "coil-before": {"short": 0.5, "usual": 1.2},
            "comes-and-goes": {"yes": 0.3},
        },
        control_wire_short="shorted; seldom clear",
        control_fuse="open or closed",
    ),
    "load-shed": _suspect(
        "the utility's load switch holds the unit off",
        "load switch",
        "nothing is broken: it comes back by itself; if not, the utility replaces its switch",
        1,
        signs={
            "call-flickers": {"yes": 0.05},
            "trip-after": {"seconds": 0.3},  # the utility's switch knows nothing of starts
            "comes-and-goes": {"yes": 2},
        },
        shed_switch="active; seldom idle",
    ),
    "fan-control": _suspect(
        "fan relay or fan output of the board failed",
        "condenser fan",
        "measure in and out of relay or board; replace that, not the motor",
        1.2,
        load=("fan relay", "defrost board"),
        signs={
            **_WITHOUT_FAN,
            # a motor without power draws nothing at all; one that is stiff or lacks its capacitor stalls as well
            "fan-amps": {"high": 0.2, "none": 5},
            "fan-glimpse": {"still": 4, "stalled": 0.3},
            "small-pipe": {"hot": 2},
        },
        fan_volts="absent",
    ),
}
