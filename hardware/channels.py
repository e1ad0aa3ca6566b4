"""The channel table: one row for each reading with all that the boards, their papers and a commissioning know of it.

Where it is read and on which scale; its terminal and its place on the unit; what it must say in each phase of a
commissioning, and what it means when it says something else. Drivers, uncertainty, calibration, commissioning rules,
wiring tables and drawings are made from these rows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal, NamedTuple

from condenser_monitor.hardware import values
from condenser_monitor.hardware.one_wire import PIN
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit

Band = tuple[float, float]
Phases = Mapping[str, Band]
# (phase, "low", "high" or "nothing") -> kind of remark, why
_COMMISSION = limits.COMMISSION


class Channel(NamedTuple):
    """One sensor on its board. A presence has a `pin` (BCM number); a number has a converter's `address` and `mux`; a
    probe hangs on the 1-Wire bus, with its number as `device` where there are several.

    scale: volts RMS at the converter for one unit of the reading; None for the thermistor. ranges_v: the converter's
    ranges, fine to coarse. burden_ohm, loose_ohm: of a current transformer's input, and the resistor from 3.3 V to it,
    for telling that nothing is plugged in. passes: how often its lead goes through its transformer, 0 for a sensor
    without one. terminal, place: of the board and on the unit. answers: of a presence, by phase of a commissioning;
    bands: of a number, from the nameplate. stuck: what an answer means that never changes; like: reading -> where a
    sensor is that answers as that one should; wrong: what a number out of its band means; or_else: what else reads like
    too few (True) or too many passes through the transformer.
    """

    reading: str
    kind: Literal["presence", "current", "voltage", "thermistor", "probe", "power"]
    terminal: str
    place: str
    pin: int | None = None
    address: int | None = None
    mux: int | None = None
    device: str = ""
    scale: float | None = None
    ranges_v: tuple[float, ...] = ()
    burden_ohm: float | None = None
    loose_ohm: float = values.PLUG_SENSE.nominal
    passes: int = 0
    answers: Mapping[str, bool] = {}
    bands: Callable[[Unit], Phases] | None = None
    stuck: Mapping[str, str] = {}
    like: Mapping[str, str] = {}
    wrong: Mapping[tuple[str, str], tuple[str, str]] = {}
    or_else: Mapping[bool, str] = {}

    @property
    def on_board(self) -> bool:
        """It has a terminal of its own on a board; power is made of two others, probes share the Pi's 1-Wire pin."""
        return self.kind not in ("power", "probe")

    @property
    def burden_inside(self) -> bool:
        """Its transformer has its burden inside and gives volts, not amps."""
        return self.loose_ohm == values.LOOSE_PULL.nominal


_FINE, _COARSE = values.RANGE_RUNNING_V, values.RANGE_START_V
AGAIN = "was the phase as asked for? If so, follow its wire from the terminal to the board"
_DEAD = "its taps, their fuses, or the wire to its pin"
_CONTROL = (limits.CONTROL_NOMINAL_V.value * limits.CLOSING_RATIO.value, limits.CONTROL_HIGH_V.value)
_COIL = (limits.COIL_NONE_A.value, limits.COIL_UNSEALED_A.value)
_STILL = (0.0, _COMMISSION.still_a.value)
_CANCEL = (
    "wrong-conductor",
    "its lead carries nothing: a wrong conductor, or both of a pair through one transformer, where they cancel",
)
_NOT_OFF = (
    "wrong-conductor",
    "with the disconnect pulled no lead of this unit can carry current: another unit's lead, or the disconnect is in",
)
_TOO_HIGH_24V = ("wrong-value", "more than a class 2 transformer gives: calibrate, or the burden")


def _answers(off: bool, called: bool, running: bool) -> dict[str, bool]:
    return {"off": off, "called": called, "running": running}


def _stuck(on: str, off: str = _DEAD) -> dict[str, str]:
    return {"on": on, "off": off}


def _presence(reading: str, pin: int, terminal: str, place: str, **rest: object) -> Channel:
    return Channel(reading, "presence", terminal, place, pin=pin, **rest)  # type: ignore[arg-type]


def _current(reading: str, address: int, mux: int, terminal: str, place: str, **rest: object) -> Channel:
    sense = values.CURRENT_SENSES[reading]
    return Channel(
        reading,
        "current",
        terminal,
        place,
        address=address,
        mux=mux,
        scale=sense.volts_per_amp,
        ranges_v=(_FINE, _COARSE),
        burden_ohm=sense.burden.nominal,
        passes=sense.passes,
        **rest,  # type: ignore[arg-type]
    )


def _voltage(reading: str, address: int, mux: int, terminal: str, place: str, **rest: object) -> Channel:
    scale = values.VOLTAGE_SENSES[reading].volts_per_volt
    return Channel(
        reading,
        "voltage",
        terminal,
        place,
        address=address,
        mux=mux,
        scale=scale,
        ranges_v=(_FINE, _COARSE),
        **rest,  # type: ignore[arg-type]
    )


def _compressor(unit: Unit) -> Phases:
    rla = unit.compressor_rla_a
    return {
        "off": (0.0, max(limits.TRICKLE_A.value, _STILL[1])),
        "called": _STILL,
        "running": (_COMMISSION.compressor_low.value * rla, _COMMISSION.compressor_high.value * rla),
    }


def _fan(unit: Unit) -> Phases:
    fla = unit.fan_fla_a
    return {
        "off": _STILL,
        "called": _STILL,
        "running": (_COMMISSION.fan_low.value * fla, _COMMISSION.fan_high.value * fla),
    }


def _probe(reading: str, address: int, mux: int, terminal: str, place: str) -> Channel:
    return Channel(reading, "thermistor", terminal, place, address=address, mux=mux, ranges_v=(_COARSE,))


def _on_the_bus(reading: str, place: str, **rest: object) -> Channel:
    return Channel(reading, "probe", f"1-Wire bus, GPIO{PIN}", place, **rest)  # type: ignore[arg-type]


def _line(unit: Unit) -> Phases:
    there = (_COMMISSION.line_low.value * unit.line_v, _COMMISSION.line_high.value * unit.line_v)
    return {"off": there, "called": (0.0, limits.LINE_ABSENT_V.value), "running": there}


def _power(unit: Unit) -> Phases:
    most_w = unit.line_v * unit.compressor_rla_a
    low = _COMMISSION.compressor_low.value * _COMMISSION.power_factor.value
    return {
        "off": (0.0, _COMMISSION.still_w.value),
        "called": (0.0, _COMMISSION.still_w.value),
        "running": (low * most_w, _COMMISSION.compressor_high.value * most_w),
    }


def _discharge(unit: Unit) -> Phases:
    low_c, hot_c = _COMMISSION.discharge_low_c.value, limits.HOT_DISCHARGE.hot_c.value
    rest = (values.PROBE_LEAST_C.nominal, hot_c)
    return {"off": rest, "called": rest, "running": (low_c, hot_c)}


def _start_winding(unit: Unit) -> Phases:
    most_a = _COMMISSION.start_winding_high.value * unit.compressor_rla_a
    return {
        "off": (0.0, max(limits.TRICKLE_A.value, _STILL[1])),
        "called": _STILL,
        "running": (limits.START_WINDING_NONE_A.value * 3, most_a),
    }


CHANNELS: dict[str, Channel] = {
    row.reading: row
    for row in (
        _presence(
            "call",
            17,
            "control board J1",
            "Y and C at the unit, across the contactor's coil circuit",
            answers=_answers(False, True, True),
            stuck=_stuck("it taps R instead of Y, or the thermostat never stopped calling"),
        ),
        _voltage(
            "control_v",
            0x48,
            2,
            "control board J1",
            "the same two wires as `call`",
            bands=lambda unit: {"off": (0.0, limits.CONTROL_GHOST_V.value), "called": _CONTROL, "running": _CONTROL},
            wrong={
                ("off", "high"): ("wrong-terminal", "it taps R instead of Y, or the thermostat still calls"),
                ("called", "low"): (
                    "wrong-terminal",
                    "no full 24 V at its terminals: taps, their fuses, or a real fault",
                ),
                ("called", "high"): _TOO_HIGH_24V,
                ("running", "low"): (
                    "wrong-value",
                    "it sags when the coil pulls: a real fault, or a tap behind a splice",
                ),
                ("running", "high"): _TOO_HIGH_24V,
            },
        ),
        _current(
            "coil_a",
            0x48,
            1,
            "control board J2",
            "CT around one lead of the contactor's coil",
            bands=lambda unit: {"off": (0.0, _COIL[0]), "called": _COIL, "running": _COIL},
            wrong={
                ("off", "high"): ("wrong-conductor", "its lead carries current without a call: it is not the coil's"),
                ("called", "low"): (
                    "wrong-conductor",
                    "its lead is not the coil's, or the contactor did not pull in",
                ),
                ("called", "high"): (
                    "wrong-conductor",
                    "more than a coil holds with: other loads on the lead, or it buzzes",
                ),
                ("running", "low"): _CANCEL,
                ("running", "high"): (
                    "wrong-conductor",
                    "more than a coil holds with: a second conductor goes through",
                ),
            },
        ),
        _presence(
            "supply",
            27,
            "line board J1",
            "L1 to L2, line side of the contactor",
            answers=_answers(True, False, True),
            stuck=_stuck("it does not lie behind the disconnect, or that was not pulled"),
            like={"load": "it taps the load side; it belongs ahead of the contactor, between L1 and L2"},
        ),
        _presence(
            "load",
            22,
            "line board J2",
            "T1 to T2, load side of the contactor: line to line, never to ground",
            answers=_answers(False, False, True),
            stuck=_stuck(
                "it taps the line side, or goes from a leg that a one-pole contactor never opens to ground",
                f"{_DEAD}; both taps on one leg read nothing: it goes from T1 to T2",
            ),
            like={
                "supply": "it taps the line side, or goes to ground from the leg that a one-pole contactor never opens;"
                " it belongs between T1 and T2"
            },
        ),
        _current(
            "compressor_a",
            0x49,
            1,
            "line board J3",
            "CT around the lead to the compressor's common terminal, and nothing else",
            bands=_compressor,
            wrong={
                ("off", "high"): (
                    "wrong-conductor",
                    "current without a call: its lead feeds something else as well",
                ),
                ("called", "high"): _NOT_OFF,
                ("running", "nothing"): _CANCEL,
                ("running", "low"): (
                    "wrong-conductor",
                    "the leads of the start winding and the capacitor carry about this much; it belongs on the common"
                    " lead",
                ),
                ("running", "high"): (
                    "wrong-conductor",
                    "more than the nameplate: another lead goes through too, the nameplate is typed wrong, or it is"
                    " real",
                ),
            },
            or_else={False: "; if they are right, other leads go through as well"},
        ),
        _current(
            "fan_a",
            0x49,
            2,
            "line board J6",
            "CT around one lead of the condenser fan that carries all of its current",
            bands=_fan,
            wrong={
                ("off", "high"): ("wrong-conductor", "current without a call: its lead is not the fan's"),
                ("called", "high"): _NOT_OFF,
                ("running", "nothing"): _CANCEL,
                ("running", "low"): (
                    "wrong-conductor",
                    "less than a fan motor runs with: it belongs on the lead to the contactor, not on the capacitor's",
                ),
                ("running", "high"): (
                    "wrong-conductor",
                    "more than the nameplate: another lead goes through as well",
                ),
            },
            or_else={True: "; if they are right, it sits on the lead to the fan's capacitor"},
        ),
        Channel(
            "outdoor_c",
            "thermistor",
            "line board J4",
            "bead in moving air in shade, away from the coil's outlet",
            address=0x49,
            mux=3,
            ranges_v=(_COARSE,),
        ),
        _presence(
            "control_power",
            23,
            "indoor board J1",
            "R and C, behind the control fuse",
            answers=_answers(True, True, True),
            stuck=_stuck(AGAIN, f"{_DEAD}, or the control fuse indoors"),
        ),
        _presence(
            "thermostat",
            24,
            "indoor board J2",
            "Y and C at the indoor terminal strip, ahead of float and pressure switches",
            answers=_answers(False, True, True),
            stuck=_stuck("it taps R instead of Y"),
        ),
        _voltage(
            "line_v",
            0x48,
            3,
            "line board J1",
            "the same two wires as `supply`, through an isolating voltage transformer",
            bands=_line,
            wrong={
                ("off", "low"): (
                    "wrong-value",
                    "not this unit's line volts: its taps, its series resistors, or [unit] line_v is typed wrong",
                ),
                ("off", "high"): (
                    "wrong-value",
                    "more than any service gives: its series resistors or burden, or [unit] line_v is typed wrong",
                ),
                ("called", "high"): (
                    "wrong-terminal",
                    "volts with the disconnect pulled: it does not lie behind the disconnect, or that is in",
                ),
                ("running", "low"): (
                    "wrong-terminal",
                    "it is there at rest and gone in a run: it taps the contactor's load side, or a joint gives way",
                ),
                ("running", "high"): ("wrong-value", "more than any service gives: its resistors or burden"),
            },
        ),
        Channel(
            "compressor_w",
            "power",
            "line board J3",
            "made of `line_v` and `compressor_a`, sampled at the same time",
            bands=_power,
            wrong={
                ("off", "high"): ("wrong-conductor", "power without a call: its lead feeds something else as well"),
                ("called", "high"): _NOT_OFF,
                ("running", "nothing"): (
                    "wrong-phase",
                    "volts and amps a quarter turn apart: the transformer sits on the start winding's or a capacitor's"
                    " lead",
                ),
                ("running", "low"): (
                    "wrong-phase",
                    "far less than its volts and amps make: the volts are taken on another circuit, or the transformer"
                    " is on the wrong lead",
                ),
                ("running", "high"): ("wrong-value", "more than its nameplate: the ratio of volts or amps is wrong"),
            },
        ),
        _current(
            "start_winding_a",
            0x4A,
            1,
            "line board J7",
            "CT around the lead from the run capacitor's HERM terminal to the compressor's start winding",
            bands=_start_winding,
            wrong={
                ("off", "high"): ("wrong-conductor", "current without a call: not the start winding's lead"),
                ("called", "high"): _NOT_OFF,
                ("running", "nothing"): _CANCEL,
                ("running", "low"): (
                    "wrong-conductor",
                    "less than a run capacitor carries: the fan's lead of a dual capacitor, or the capacitor is dead",
                ),
                ("running", "high"): (
                    "wrong-conductor",
                    "more than a run capacitor carries: it sits on the common or the run lead",
                ),
            },
        ),
        _probe(
            "suction_c", 0x4A, 2, "line board J8", "strapped to the large pipe, under insulation, 15 cm from the valve"
        ),
        _probe(
            "liquid_c", 0x4A, 3, "line board J9", "strapped to the small pipe, under insulation, 15 cm from the valve"
        ),
        _probe("return_air_c", 0x4B, 2, "indoor board J4", "in the return duct, before filter and coil, off the metal"),
        _probe("supply_air_c", 0x4B, 3, "indoor board J5", "in the supply duct, 1 m behind the coil, out of its sight"),
        _voltage(
            "coil_v",
            0x4B,
            1,
            "control board J5",
            "the contactor coil's own two terminals, behind pressure switches, delay and boards",
            bands=lambda unit: {"off": (0.0, limits.CONTROL_GHOST_V.value), "called": _CONTROL, "running": _CONTROL},
            wrong={
                ("off", "high"): ("wrong-terminal", "it does not tap the coil, or something else feeds it"),
                ("called", "low"): ("wrong-terminal", "no full 24 V at the coil: taps, their fuses, or a real fault"),
                ("called", "high"): _TOO_HIGH_24V,
                ("running", "low"): ("wrong-value", "it sags when the coil pulls: a real fault, or a poor joint"),
                ("running", "high"): _TOO_HIGH_24V,
            },
        ),
        _presence(
            "blower",
            25,
            "indoor board J6",
            "current switch around one lead of the indoor blower's motor",
            answers=_answers(False, True, True),
            stuck=_stuck(
                "the fan is set to run all the time, or the switch sits on the transformer's lead",
                "the switch is closed around both leads, or the blower does not run",
            ),
        ),
        _on_the_bus(
            "discharge_c",
            "strapped to the compressor's discharge line 15 cm from it, wrapped; a probe and lead for 125 °C",
            bands=_discharge,
            wrong={
                ("off", "high"): ("wrong-value", "hot with the unit at rest: wait until it has cooled down"),
                ("called", "high"): ("wrong-value", "hot with the disconnect pulled: wait until it has cooled down"),
                ("running", "low"): (
                    "wrong-terminal",
                    "no hotter than the other pipes: it hangs in the air, or is strapped to one of them",
                ),
                ("running", "high"): ("wrong-value", "hotter than oil can stand: a real fault, or a bad probe"),
            },
        ),
    )
}


def _ready_made(row: Channel) -> Channel:
    """The same reading in the build of ready-made parts: 333 mV transformers, same places of Pi and converters."""
    if row.kind == "probe":
        return row
    terminal = f"ready-made, {row.terminal.split()[0]} rail"
    if row.kind == "current":
        sense = values.VOLT_OUTPUT[row.reading]
        return row._replace(
            terminal=terminal,
            scale=sense.volts_per_amp,
            passes=sense.passes,
            burden_ohm=values.ADC_INPUT_OHM[_COARSE],
            loose_ohm=values.LOOSE_PULL.nominal,
        )
    if row.kind == "voltage":
        return row._replace(terminal=terminal, scale=values.READY_VOLTS[row.reading].volts_per_volt)
    return row._replace(terminal=terminal)


BUILDS: dict[str, dict[str, Channel]] = {
    "boards": CHANNELS,
    "ready-made": {name: _ready_made(row) for name, row in CHANNELS.items()},
}
