"""Which causes look alike to a set of sensors, by what each of them makes of the wires and currents: what no diagnosis
can split.

A *picture* is what a fault leaves to be read while cooling is asked for, quantity by quantity; a quantity that is not
named may be anything. Two pictures are alike to some sensors where nothing that they read differs. The pictures are
common practice of the trade, written down apart from the monitor's own tables, and say nothing of time: what comes and
goes, or fades, may be told apart all the same.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

from condenser_monitor.sim.causes import CAUSES
from condenser_monitor.sim.designs import Design


class Picture(NamedTuple):
    """What is to be read (quantity -> words, any of which may be met), and the suspects that leave it so."""

    reads: dict[str, frozenset[str]]
    suspects: frozenset[str]


def _picture(reads: str, suspects: str) -> Picture:
    pairs = (pair.split("=") for pair in reads.split())
    return Picture({name: frozenset(words.split("/")) for name, words in pairs}, frozenset(suspects.split()))


_CALLED = "r=24 w=24 y=24 "
_PULLED = _CALLED + "coil=24 draw=seals line=full load=full "
# 24 V: r behind the fuse, w at the thermostat's output, y at the unit, coil at the contactor's coil, draw its current;
# line and load volts ahead of the contactor and behind it; amps and fan the motors' currents; winding that in the start
# winding; split of the indoor air; gas and liquid the two pipes; blower.
PICTURES: dict[str, Picture] = {
    "no 24 V": _picture(
        "r=0 w=0 y=0 amps=0 fan=0 draw=none/seals",
        "control-fuse control-transformer door-switch control-wire-shorted line-supply-off loose-connection",
    ),
    "a short, then no 24 V": _picture("r=0 w=0 y=0 amps=0 fan=0 draw=short", "coil-shorted control-wire-shorted"),
    "thermostat asks for nothing": _picture(
        "r=24 w=0 y=0 amps=0 fan=0",
        "thermostat thermostat-setting float-switch control-wire-open loose-connection refrigerant-detector"
        " indoor-board",
    ),
    "call is cut on its way": _picture(
        "r=24 w=24 y=0 amps=0 fan=0",
        "float-switch control-wire-open loose-connection refrigerant-detector indoor-board load-shed pressure-switch"
        " low-pressure-cutout high-pressure-cutout",
    ),
    "call is weak": _picture("y=weak draw=none/tries load=0 amps=0 fan=0", "control-voltage-weak loose-connection"),
    "volts at the coil, no current": _picture(
        _CALLED + "coil=24 draw=none line=full load=0 amps=0 fan=0", "coil-open loose-connection"
    ),
    "no volts at the coil": _picture(
        _CALLED + "coil=0 draw=none line=full load=0 amps=0 fan=0",
        "time-delay defrost-board pressure-switch low-pressure-cutout high-pressure-cutout loose-connection",
    ),
    "plunger does not come in": _picture(
        _CALLED + "coil=24 draw=tries line=full load=0 amps=0 fan=0", "armature-blocked"
    ),
    "contacts do not make": _picture(
        _CALLED + "coil=24 draw=seals line=full load=0 amps=0 fan=0", "contacts-not-making"
    ),
    "no line": _picture(
        _CALLED + "coil=24 draw=seals line=0 load=0 amps=0 fan=0",
        "line-supply-off line-leg-lost compressor-grounded loose-connection",
    ),
    "half of the line": _picture(
        _CALLED + "draw=seals line=half load=half/0 amps=0/locked fan=0/high", "line-leg-lost"
    ),
    "nothing behind the contacts": _picture(_PULLED + "amps=0 fan=0", "loose-connection"),
    "compressor silent": _picture(
        _PULLED + "amps=0 fan=usual winding=0",
        "compressor-overload-open compressor-winding-open loose-connection",
    ),
    "compressor stalls, nothing in its start winding": _picture(
        _PULLED + "amps=locked fan=usual winding=0", "run-capacitor compressor-winding-open"
    ),
    "compressor stalls": _picture(
        _PULLED + "amps=locked fan=usual winding=some", "compressor-locked start-device compressor-winding-open"
    ),
    "low line stalls it": _picture(_PULLED.replace("line=full", "line=low") + "amps=locked/high", "line-voltage"),
    "fan stands": _picture(
        _PULLED + "amps=high fan=0 liquid=hot",
        "fan-motor fan-capacitor run-capacitor loose-connection fan-control defrost-board",
    ),
    "fan stalls": _picture(_PULLED + "amps=high fan=high liquid=hot", "fan-motor fan-capacitor run-capacitor"),
    "fan and compressor without their capacitor": _picture(
        _PULLED + "amps=locked fan=0/high winding=0", "run-capacitor fan-capacitor"
    ),
    "high head": _picture(
        _PULLED + "amps=high fan=usual liquid=hot",
        "condenser-dirty charge-high non-condensables high-pressure-cutout pressure-switch",
    ),
    "little gas": _picture(
        _PULLED + "amps=low fan=usual split=low gas=warm/cold blower=on",
        "charge-low metering-device low-pressure-cutout",
    ),
    "little air": _picture(_PULLED + "amps=low fan=usual split=high/low gas=cold blower=on", "indoor-airflow"),
    "no air": _picture(_PULLED + "amps=low fan=usual split=high/low gas=cold blower=0", "indoor-airflow indoor-board"),
    "no pumping": _picture(
        _PULLED + "amps=low fan=usual split=low gas=warm liquid=near blower=on", "compressor-not-pumping"
    ),
    "half of the motor": _picture(
        _PULLED + "amps=low fan=usual winding=some split=low/usual blower=on", "compressor-winding-open"
    ),
    "called on and on": _picture(_PULLED + "amps=usual fan=usual", "thermostat thermostat-setting equipment-oversized"),
    "called by a wire": _picture(
        "r=24 w=0 y=24 draw=seals load=full amps=usual fan=usual", "control-wire-shorted loose-connection"
    ),
    "not called, and runs": _picture(
        "w=0 y=0 draw=none load=full amps=usual fan=usual", "contacts-welded armature-stuck-in time-delay"
    ),
    "low line": _picture(_PULLED.replace("line=full", "line=low") + "amps=usual/high fan=usual", "line-voltage"),
    "high line": _picture(_PULLED.replace("line=full", "line=high") + "amps=usual fan=usual", "line-voltage"),
}
# reading -> the quantity that it reads, and words that it cannot tell from each other
_SENSORS: dict[str, tuple[str, tuple[str, ...]]] = {
    "control_power": ("r", ()),
    "thermostat": ("w", ()),
    "call": ("y", ("24 weak", "0 weak")),  # a weak call may be seen or not
    "control_v": ("y", ()),
    "coil_v": ("coil", ()),
    "coil_a": ("draw", ()),
    "supply": ("line", ("full low high", "full half", "0 half")),
    "line_v": ("line", ()),
    "load": ("load", ("full half", "0 half")),
    "compressor_a": ("amps", ()),
    "fan_a": ("fan", ()),
    "start_winding_a": ("winding", ()),
    "suction_c": ("gas", ()),
    "liquid_c": ("liquid", ()),
    "blower": ("blower", ()),
}
_AIR = frozenset({"return_air_c", "supply_air_c"})
# A stalled start is over before the next of slow scans.
_STALLS = ("0 locked",)
_BY_CAUSE: dict[str, tuple[str, ...]] = {
    "control-fuse-open": ("no 24 V",),
    "transformer-burnt-out": ("no 24 V",),
    "door-panel-off": ("no 24 V",),
    "transformer-weak": ("call is weak",),
    "call-joint-poor": ("call is weak",),
    "control-wire-cut": ("call is cut on its way",),
    "call-splice-loose": ("call is cut on its way",),
    "call-wire-shorted": ("a short, then no 24 V",),
    "coil-turns-shorted": ("a short, then no 24 V", "no 24 V"),
    "thermostat-dead": ("thermostat asks for nothing",),
    "thermostat-set-up": ("thermostat asks for nothing",),
    "thermostat-set-down": ("called on and on",),
    "thermostat-stuck-on": ("called on and on",),
    "thermostat-in-draught": ("called on and on",),
    "oversized": ("called on and on",),
    "call-wire-on-r": ("called by a wire",),
    "indoor-board-fails": ("call is cut on its way",),
    "detector-alarms": ("call is cut on its way",),
    "utility-sheds": ("call is cut on its way",),
    "board-fails": ("no volts at the coil",),
    "delay-relay-dead": ("no volts at the coil",),
    "coil-lead-loose": ("volts at the coil, no current",),
    "coil-burnt-open": ("volts at the coil, no current",),
    "armature-jammed": ("plunger does not come in",),
    "contacts-fouled": ("contacts do not make",),
    "contacts-weld": ("not called, and runs",),
    "armature-sticks": ("not called, and runs",),
    "disconnect-pulled": ("no line",),
    "winding-grounds": ("no line",),
    "line-leg-opens": ("half of the line", "no line"),
    "line-volts-low": ("low line", "low line stalls it"),
    "line-volts-high": ("high line",),
    "load-lead-loose": ("nothing behind the contacts",),
    "compressor-lead-loose": ("compressor silent",),
    "fan-lead-loose": ("fan stands",),
    "run-capacitor-fades": ("compressor stalls, nothing in its start winding",),
    "dual-capacitor-fades": ("fan and compressor without their capacitor",),
    "protector-stuck-open": ("compressor silent",),
    "compressor-seizes": ("compressor stalls",),
    "common-winding-opens": ("compressor silent",),
    "run-winding-opens": ("half of the motor",),
    "start-winding-opens": ("compressor stalls, nothing in its start winding",),
    "fan-winding-opens": ("fan stands",),
    "fan-seizes": ("fan stalls", "fan stands"),
    "fan-capacitor-fades": ("fan stands", "fan stalls"),
    "fan-relay-dead": ("fan stands",),
    "condenser-fouls": ("high head",),
    "overcharged": ("high head",),
    "air-in-circuit": ("high head",),
    "charge-leaks": ("little gas",),
    "metering-plugs": ("little gas",),
    "indoor-air-blocked": ("little air",),
    "blower-dead": ("no air",),
    "valves-leak": ("no pumping",),
}


# What a sensor of the monitor's own that fails looks like, by reading.
_BY_SENSE = {"compressor_a": ("compressor silent",), "supply": ()}


def alike(
    cause: str, fitted: Collection[str], design: Design, *, slow: bool = False, sense: str = ""
) -> frozenset[str]:
    """Return the suspects that these sensors cannot tell from a cause, its own among them. `slow`: scans far apart;
    `sense`: the reading that a fault of the monitor's own is about. Raises KeyError for a cause without a picture."""
    own = frozenset(CAUSES[cause].suspects)
    if sense:
        names = _BY_SENSE[sense] if cause == "sense-unplugged" else ()
    elif cause == "float-switch-open":
        names = ("thermostat asks for nothing",) if design.float_in == "r" else ("call is cut on its way",)
    elif cause in ("low-pressure-switch-open", "high-pressure-switch-open"):
        names = ("call is cut on its way",) if design.pressure_at == "indoors" else ("no volts at the coil",)
    else:
        names = _BY_CAUSE[cause]
    return own.union(
        *(
            other.suspects
            for other in PICTURES.values()
            if any(_same(PICTURES[name], other, fitted, slow=slow) for name in names)
        )
    )


def _same(one: Picture, other: Picture, fitted: Collection[str], *, slow: bool) -> bool:
    """Whether nothing that is fitted reads the two otherwise."""
    read = [_SENSORS[name] for name in fitted if name in _SENSORS]
    read += [("split", ())] if set(fitted) >= _AIR else []
    for quantity, merged in read:
        first, second = one.reads.get(quantity), other.reads.get(quantity)
        if first is None or second is None:
            continue
        groups = (*merged, *(_STALLS if slow and quantity == "amps" else ()))
        if not _wider(first, groups) & second:
            return False
    return True


def _wider(words: frozenset[str], groups: Collection[str]) -> frozenset[str]:
    """The words that a sensor cannot tell from one of these."""
    return words.union(*(frozenset(group.split()) for group in groups if not words.isdisjoint(group.split())))
