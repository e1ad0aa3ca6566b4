"""What the accuracy bench breaks, and what a right answer is: written from wiring and physics, not from the engine.

Each case is a cause with its level, when it begins, and the findings that would be right, each with the senses it takes
to see it. `follows` are findings that truly follow from the cause (a dead fan makes a compressor trip; behind an open
coil, a thermostat that steals power leaves a weak voltage on the call wire). `apart` says which other suspects a sense
tells apart from the true one: with that sense fitted they must no longer be named.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from math import pi
from typing import NamedTuple

from condenser_monitor.monitor.core.config import OUTDOOR_SENSES
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.sim import constants
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.control import (
    ControlCircuit,
    ControlVolts,
    Switches,
    coil_impedance,
)
from condenser_monitor.sim.designs import Design

HOUR_S = 3600.0
DAY_S = 24 * HOUR_S

# Sets of senses a site may have, the least useful first (contract.md, Readings).
SENSE_SETS: dict[str, tuple[str, ...]] = {
    "least": ("call", "compressor_a"),
    "currents": ("call", "compressor_a", "fan_a", "outdoor_c"),
    "line": ("call", "supply", "load", "compressor_a", "fan_a", "outdoor_c"),
    "outdoor": OUTDOOR_SENSES,
    "all": tuple(READINGS),
}

_CLOSING_V = 20.4  # IEC 60947-4-1: a contactor closes from 85 % of its rated voltage
# A call in the last twenty minutes of each hour: what begins in the first half hour of one begins at rest.
_CALLS_APART = tuple((hour * HOUR_S + 2400.0, (hour + 1) * HOUR_S) for hour in range(6))
_CONTACTS = ("call", "load")
_OPEN_CONTACTS: dict[str, tuple[str, ...]] = {
    "call-without-pull-in": _CONTACTS,
    "call-without-run": ("call", "compressor_a"),
}
_TRIPPED = ("compressor-not-running", "overload-cycling", "locked-rotor", "pull-in-without-run", "short-cycling")
_HOT = ("high-running-current", "long-run")
_STOPS_COMPRESSOR: dict[str, tuple[str, ...]] = {
    "compressor-not-running": ("call", "compressor_a", "fan_a"),
    "call-without-run": ("call", "compressor_a"),
}
# Without air a pressure switch may stop each run before the fan's finding is due.
_FAN_DEAD: dict[str, tuple[str, ...]] = {
    "fan-not-running": ("call", "compressor_a", "fan_a"),
    "short-cycling": ("call", "compressor_a", "fan_a"),
}
_NO_CALL_COMES: dict[str, tuple[str, ...]] = {"call-not-reaching-unit": ("call", "thermostat")}


class BenchCase(NamedTuple):
    """One way to break a unit. `right`: finding -> senses it takes. `length_s` is how long it is watched from the
    start."""

    cause: str
    right: Mapping[str, tuple[str, ...]]
    follows: tuple[str, ...] = ()
    apart: Mapping[str, tuple[str, ...]] = {}
    level: tuple[float, float] | None = None
    of_coil: bool = False  # level is a share of the coil's open-armature impedance
    sense: str = ""
    at_s: float = 1.0 * HOUR_S
    length_s: float = 6.0 * HOUR_S
    grow_s: float = 0.0
    starts: bool = False
    design: str | None = None
    delay_on_make_s: float = 0.0
    on_off_s: tuple[float, float] | None = None
    calls: tuple[tuple[float, float], ...] | None = None  # in place of the thermostat: [from, until], s
    fits: Callable[[Design], bool] | None = None  # the units of which all this is true; a plain function, to be sent

    def visible(self, fitted: Collection[str]) -> tuple[str, ...]:
        """The right findings that these senses can see."""
        return tuple(finding for finding, needs in self.right.items() if all(name in fitted for name in needs))

    def told_apart(self, fitted: Collection[str]) -> frozenset[str]:
        """The suspects that must not be named any more with these senses."""
        return frozenset(suspect for sense, names in self.apart.items() if sense in fitted for suspect in names)


def _stray_share(design: Design) -> float:
    """What flows with the run winding open, of rated-load amps: volts over the reactance of the run capacitor less that
    of the start winding in series with it."""
    share = 1.0 - constants.WINDING_REACTANCE_SHARE.value
    return design.line_v * 2 * pi * design.line_hz * design.run_uf * 1e-6 / share / design.compressor_rla_a


def _rests_on_its_capacitor(design: Design) -> bool:
    """With the run winding open, clearly under the quarter of rated load from which a compressor counts as running."""
    return _stray_share(design) < 0.245


_WEAK = 0.25
_CLEAR = 0.04  # what the line's swing and the weather may move it by


def _weakened(design: Design, *, armature_in: bool) -> ControlVolts:
    """The 24 V circuit on a call with the transformer giving a quarter less."""
    circuit = ControlCircuit(design, Condition(transformer_ratio=1.0 - _WEAK))
    closed = Switches(thermostat_ohm=0.1, safeties_closed=True, relay_closed=True, armature_in=armature_in)
    return circuit.solve(design.line_v / design.primary_v, closed, 33.0)


def _holds_on_weak_volts(design: Design) -> bool:
    """The contactor still closes, and what then stands at it is clearly too little to rely on."""
    closes = _weakened(design, armature_in=False).coil_v > design.pull_in_v * (1 + _CLEAR)
    return closes and _weakened(design, armature_in=True).unit_v < _CLOSING_V * (1 - _CLEAR)


def _fails_on_weak_volts(design: Design) -> bool:
    """The contactor no longer closes, and what stands at it is clearly too little."""
    volts = _weakened(design, armature_in=False)
    return volts.coil_v < design.pull_in_v * (1 - _CLEAR) and volts.unit_v < _CLOSING_V * (1 - _CLEAR)


_POOR = 0.85


def _fails_behind_a_poor_joint(design: Design) -> bool:
    """With the joint at its least, what is left for the coil clearly does not close the contactor."""
    joint_ohm = _POOR * abs(coil_impedance(design, armature_in=False))
    circuit = ControlCircuit(design, Condition(call_wire_ohm=joint_ohm))
    closed = Switches(thermostat_ohm=0.1, safeties_closed=True, relay_closed=True, armature_in=False)
    return circuit.solve(design.line_v / design.primary_v, closed, 33.0).coil_v < design.pull_in_v * (1 - _CLEAR)


CASES: tuple[BenchCase, ...] = (
    BenchCase(
        "coil-burnt-open",
        _OPEN_CONTACTS,
        follows=("low-control-voltage",),
        apart={
            "coil_a": ("armature-blocked", "contacts-not-making", "coil-shorted"),
            "supply": ("line-supply-off",),
            "control_v": ("control-voltage-weak",),
        },
    ),
    BenchCase(
        "coil-lead-loose",
        _OPEN_CONTACTS,
        follows=("short-cycling", "low-control-voltage"),
        apart={"coil_a": ("armature-blocked", "contacts-not-making", "coil-shorted"), "supply": ("line-supply-off",)},
    ),
    BenchCase(
        "coil-turns-shorted",
        _OPEN_CONTACTS,
        level=(0.40, 0.44),
        # A large contactor's coil then draws a little over 3 A: the fuse stands that for an hour or two, not for ever.
        follows=("low-control-voltage", "control-power-lost"),
        apart={"coil_a": ("coil-open", "contacts-not-making"), "supply": ("line-supply-off",)},
    ),
    BenchCase(
        "coil-turns-shorted",
        {"control-power-lost": ("control_power",)},
        level=(0.93, 0.97),
        follows=("low-control-voltage",),
    ),
    BenchCase(
        "armature-jammed",
        _OPEN_CONTACTS,
        apart={"coil_a": ("coil-open", "contacts-not-making"), "supply": ("line-supply-off",)},
    ),
    BenchCase(
        "contacts-fouled",
        _OPEN_CONTACTS,
        apart={
            "coil_a": ("coil-open", "armature-blocked", "coil-shorted"),
            "supply": ("line-supply-off",),
            "control_v": ("control-voltage-weak",),
        },
    ),
    BenchCase("delay-relay-dead", _OPEN_CONTACTS, delay_on_make_s=180.0, apart={"coil_a": ("contacts-not-making",)}),
    BenchCase(
        "call-joint-poor",
        _OPEN_CONTACTS | {"low-control-voltage": ("call", "control_v")},
        level=(_POOR, 1.0),
        of_coil=True,
        fits=_fails_behind_a_poor_joint,
        apart={"coil_a": ("coil-open", "contacts-not-making"), "supply": ("line-supply-off",)},
    ),
    BenchCase(
        "transformer-weak",
        {"low-control-voltage": ("call", "control_v")},
        level=(_WEAK, _WEAK),
        fits=_holds_on_weak_volts,
        apart={"load": ("armature-blocked",)},
    ),
    # A contactor that no longer pulls in draws what a blocked one draws.
    BenchCase(
        "transformer-weak",
        {"low-control-voltage": ("call", "control_v")} | _OPEN_CONTACTS,
        level=(_WEAK, _WEAK),
        fits=_fails_on_weak_volts,
        apart={"supply": ("line-supply-off",)},
    ),
    BenchCase("contacts-weld", {"contacts-stuck-closed": ("call", "compressor_a")}, follows=("long-run",)),
    BenchCase("armature-sticks", {"contacts-stuck-closed": ("call", "compressor_a")}, follows=("long-run",)),
    BenchCase(
        "call-splice-loose",
        {"contactor-chatter": _CONTACTS},
        on_off_s=(0.9, 1.1),
        length_s=2.0 * HOUR_S,
        follows=(
            *_TRIPPED,
            "fan-not-running",
            "call-without-pull-in",
            "call-without-run",
            "slow-start",
            "call-not-reaching-unit",
        ),
    ),
    BenchCase(
        "control-fuse-open",
        {"control-power-lost": ("control_power",)},
        apart={"supply": ()},
    ),
    BenchCase("transformer-burnt-out", {"control-power-lost": ("control_power",)}),
    BenchCase(
        "float-switch-open",
        _NO_CALL_COMES,
        apart={
            "thermostat": ("thermostat", "thermostat-setting"),
            "control_power": ("control-fuse", "control-transformer"),
        },
    ),
    BenchCase(
        "pressure-switch-open",
        _NO_CALL_COMES,
        apart={
            "thermostat": ("thermostat", "thermostat-setting"),
            "control_power": ("control-fuse", "control-transformer"),
        },
    ),
    BenchCase(
        "control-wire-cut",
        _NO_CALL_COMES,
        apart={
            "thermostat": ("thermostat", "thermostat-setting"),
            "control_power": ("control-fuse", "control-transformer"),
        },
    ),
    BenchCase("disconnect-pulled", {"line-supply-lost": ("supply",)} | _OPEN_CONTACTS),
    BenchCase(
        "load-lead-loose",
        {"pull-in-without-run": ("call", "load", "compressor_a"), "call-without-run": ("call", "compressor_a")},
    ),
    BenchCase("compressor-lead-loose", _STOPS_COMPRESSOR, apart={"fan_a": ("line-supply-off", "contacts-not-making")}),
    BenchCase("protector-stuck-open", _STOPS_COMPRESSOR, apart={"fan_a": ("line-supply-off", "contacts-not-making")}),
    BenchCase("common-winding-opens", _STOPS_COMPRESSOR, apart={"fan_a": ("line-supply-off", "contacts-not-making")}),
    BenchCase(
        "run-capacitor-fades",
        {"locked-rotor": ("compressor_a",)},
        level=(0.93, 1.0),
        follows=(*_TRIPPED, *_STOPS_COMPRESSOR),
    ),
    BenchCase("compressor-seizes", {"locked-rotor": ("compressor_a",)}, follows=(*_TRIPPED, *_STOPS_COMPRESSOR)),
    BenchCase(
        "start-winding-opens",
        {"locked-rotor": ("compressor_a",)},
        # One that opens in mid-run leaves the run winding to carry the load alone, at more current.
        follows=(*_TRIPPED, *_STOPS_COMPRESSOR, *_HOT),
    ),
    BenchCase(
        "fan-winding-opens",
        _FAN_DEAD,
        follows=(*_TRIPPED, *_HOT, "call-not-reaching-unit", "call-without-run"),
    ),
    BenchCase(
        "fan-capacitor-fades",
        _FAN_DEAD,
        follows=(*_TRIPPED, *_HOT, "call-not-reaching-unit", "call-without-run"),
    ),
    BenchCase(
        "thermostat-in-draught",
        {"short-cycling": ("call", "compressor_a")},
        level=(4.0, 6.0),
        apart={"load": ("compressor-overload-open", "run-capacitor")},
    ),
    BenchCase(
        "condenser-fouls",
        {
            "high-running-current": ("call", "compressor_a"),
            "overload-cycling": ("compressor_a",),
            "short-cycling": ("call", "compressor_a"),  # by its pressure switch, where it has one
            "long-run": ("call", "compressor_a"),  # what it moves less in an hour it must move in more hours
        },
        level=(0.5, 0.65),
        at_s=6 * DAY_S,
        grow_s=4 * DAY_S,
        length_s=13 * DAY_S,
        follows=(*_TRIPPED, *_HOT, "call-without-run", "call-not-reaching-unit"),
    ),
    BenchCase(
        "charge-leaks",
        {"low-running-current": ("call", "compressor_a", "outdoor_c")},
        level=(0.85, 0.95),
        at_s=6 * DAY_S,
        grow_s=4 * DAY_S,
        length_s=13 * DAY_S,
        design="three-ton",
        follows=(*_TRIPPED, *_HOT, "call-without-run"),
    ),
    BenchCase(
        "run-capacitor-fades",
        {"slow-start": ("call", "compressor_a")},
        level=(0.65, 0.75),
        at_s=4 * DAY_S,
        grow_s=5 * DAY_S,
        length_s=11 * DAY_S,
        starts=True,
        design="three-ton",
        follows=(*_HOT, "locked-rotor"),
    ),
    BenchCase(
        "thermostat-set-down",
        {"long-run": ("call", "compressor_a")},
        level=(8.0, 12.0),
        length_s=30 * HOUR_S,
        follows=("high-running-current",),
    ),
    BenchCase(
        "thermostat-set-up",
        {"no-call-in-heat": ("call", "outdoor_c")},
        level=(15.0, 25.0),
        at_s=2.5 * DAY_S,
        length_s=5 * DAY_S,
    ),
    BenchCase("thermostat-dead", {"no-call-in-heat": ("call", "outdoor_c")}, at_s=2.5 * DAY_S, length_s=5 * DAY_S),
    # What still flows through capacitor and start winding is 21 to 25 % of this design's rated load: a rest where the
    # winding opens between two runs. In a run the last answer, that it runs, would stand (contract.md, Findings).
    BenchCase(
        "run-winding-opens",
        _STOPS_COMPRESSOR,
        design="three-ton",
        fits=_rests_on_its_capacitor,
        calls=_CALLS_APART,
        apart={"fan_a": ("line-supply-off",)},
        follows=_TRIPPED,
    ),
    # Here it is about 30 % and counts as running (contract.md, Findings): then only the unit's own normal tells.
    BenchCase(
        "run-winding-opens",
        {"low-running-current": ("call", "compressor_a", "outdoor_c")},
        at_s=6 * DAY_S,
        length_s=8 * DAY_S,
        design="one-ton-50-hz",
        follows=(*_TRIPPED, *_HOT),
    ),
    BenchCase(
        "overcharged",
        {
            "high-running-current": ("call", "compressor_a"),
            "overload-cycling": ("compressor_a",),  # where the protector opens before ten minutes are over
            "short-cycling": ("call", "compressor_a"),  # by its pressure switch, where it has one
            "long-run": ("call", "compressor_a"),  # what it moves less in an hour it must move in more hours
        },
        level=(0.3, 0.45),
        at_s=5 * DAY_S,
        length_s=9 * DAY_S,
        follows=(*_TRIPPED, *_HOT, "call-without-run", "call-not-reaching-unit"),
    ),
    BenchCase("sense-unplugged", {"sensor-silent": ("compressor_a",)}, sense="compressor_a"),
    BenchCase(
        "sense-unplugged",
        {"sensing-disagrees": ("supply", "compressor_a")},
        sense="supply",
        follows=("line-supply-lost",),
    ),
    BenchCase(
        "sense-offset",
        {"sensing-disagrees": ("load", "compressor_a")},
        sense="compressor_a",
        level=(6.0, 9.0),
        follows=(*_HOT, "contacts-stuck-closed"),
    ),
)
