"""How the senses were wired: as meant, or with one of the mistakes that people make. Nothing here edits a reading.

A current transformer has leads through its window, so many times, and a plug that sits in somebody's jack, on that
jack's burden. A presence channel taps a pair of terminals. A converter's bias is there or not. What the converters and
pins then carry follows from that.
"""

from __future__ import annotations

from collections.abc import Callable
from math import pi
from typing import NamedTuple

import msgspec

from condenser_monitor.hardware import values
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.sim.condition import SenseCondition
from condenser_monitor.sim.senses import WIRES, Wave
from condenser_monitor.sim.unit import CondensingUnit
from condenser_monitor.sim.waveforms import (
    BIAS_V,
    ChipInputs,
)
from condenser_monitor.sim.world import World

_NEIGHBOUR_A = 7.5  # ours: another unit beside this one, which runs all day
_PIN_LOW_V = -0.3  # data sheet: where the clamp of a converter's pin takes over
PASSES = {name: sense.passes for name, sense in values.CURRENT_SENSES.items()}


class Lead(NamedTuple):
    """One conductor through a transformer's window, `passes` times; a negative number is the other way round."""

    conductor: str
    passes: int = 1


def _start_lead_a(unit: CondensingUnit) -> float:
    return unit.compressor.capacitor_a(unit.load_v)


def _fan_capacitor_a(unit: CondensingUnit) -> float:
    return unit.load_v * 2 * pi * unit.design.line_hz * unit.design.fan_uf * 1e-6


# Conductors that no sense belongs on: their current, A RMS, and its wave.
STRAY: dict[str, tuple[Callable[[CondensingUnit], float], Wave]] = {
    "start-lead": (_start_lead_a, Wave(-1.2, ((3, 0.02),))),
    "fan-capacitor-lead": (_fan_capacitor_a, Wave(-1.4, ((3, 0.02),))),
    "other-unit": (lambda unit: _NEIGHBOUR_A, Wave(0.5, ((3, 0.04), (5, 0.02)))),
    "control-feed": (lambda unit: unit.volts.secondary_a, Wave(0.6, ((3, 0.05),))),
}


class Wiring(msgspec.Struct, frozen=True, kw_only=True):
    """What is not as meant. `leads`: reading -> what goes through its transformer's window. `jacks`: reading -> whose
    transformer is plugged into its jack. `taps`: presence channel, voltage or probe -> whose place it has. `gains`:
    reading -> what a wrong ratio makes of it. `no_bias`:
    converters without one. `inverted`: presence inputs whose module gives the other level."""

    says: str = "all as meant"
    leads: dict[str, tuple[Lead, ...]] = {}
    jacks: dict[str, str] = {}
    taps: dict[str, str] = {}
    no_bias: frozenset[int] = frozenset()
    inverted: frozenset[str] = frozenset()
    empty: frozenset[str] = frozenset()
    gains: dict[str, float] = {}

    def through(self, reading: str) -> tuple[Lead, ...]:
        """The leads through the transformer that is plugged into a reading's jack."""
        whose = self.jacks.get(reading, reading)
        return self.leads.get(whose, (Lead(whose, PASSES[whose]),))


AS_MEANT = Wiring()
_BOTH = {"compressor_a": "fan_a", "fan_a": "compressor_a"}
MISTAKES: dict[str, Wiring] = {
    "transformers-swapped": Wiring(
        says="the compressor's and the fan's transformers sit on each other's leads",
        leads={"compressor_a": (Lead("fan_a", 1),), "fan_a": (Lead("compressor_a", 3),)},
    ),
    "plugs-swapped": Wiring(says="the compressor's and the fan's plugs sit in each other's jacks", jacks=_BOTH),
    "start-lead": Wiring(
        says="the compressor's transformer sits on the lead of the start winding",
        leads={"compressor_a": (Lead("start-lead"),)},
    ),
    "both-leads": Wiring(
        says="both leads of the compressor go through its transformer",
        leads={"compressor_a": (Lead("compressor_a"), Lead("compressor_a", -1))},
    ),
    "other-unit": Wiring(
        says="the compressor's transformer sits on a lead of another unit",
        leads={"compressor_a": (Lead("other-unit"),)},
    ),
    "fan-capacitor-lead": Wiring(
        says="the fan's transformer sits on the lead to its capacitor",
        leads={"fan_a": (Lead("fan-capacitor-lead", 3),)},
    ),
    "fan-one-pass": Wiring(
        says="the fan's lead goes through its transformer once instead of three times",
        leads={"fan_a": (Lead("fan_a", 1),)},
    ),
    "coil-on-feed": Wiring(
        says="the coil's transformer sits on the lead that feeds all of the control circuit",
        leads={"coil_a": (Lead("control-feed", 5),)},
    ),
    "fan-unplugged": Wiring(says="nothing is plugged into the fan's jack", empty=frozenset({"fan_a"})),
    "bias-missing": Wiring(says="the line board's converter has no bias", no_bias=frozenset({0x49})),
    "line-and-load-swapped": Wiring(
        says="the taps of supply and load are exchanged", taps={"supply": "load", "load": "supply"}
    ),
    "load-to-ground": Wiring(
        # the leg that a one-pole contactor never opens, to ground: half the line, well above the channel's knee
        says="load goes from the leg that is never opened to ground",
        taps={"load": "supply"},
    ),
    "call-at-r": Wiring(
        says="call and control_v tap R instead of Y", taps={"call": "control_power", "control_v": "control_power"}
    ),
    "indoor-taps-swapped": Wiring(
        says="the taps of control_power and thermostat are exchanged",
        taps={"control_power": "thermostat", "thermostat": "control_power"},
    ),
    "pipe-probes-swapped": Wiring(
        says="the probes of the two pipes are exchanged", taps={"suction_c": "liquid_c", "liquid_c": "suction_c"}
    ),
    "probes-on-one-pipe": Wiring(
        says="both pipe probes are strapped to the large pipe", taps={"liquid_c": "suction_c"}
    ),
    "duct-probes-swapped": Wiring(
        says="the probes of the return and the supply duct are exchanged",
        taps={"return_air_c": "supply_air_c", "supply_air_c": "return_air_c"},
    ),
    "volts-on-load-side": Wiring(says="line_v taps the contactor's load side", taps={"line_v": "load"}),
    "volts-of-a-leg": Wiring(says="line_v goes from one leg to ground: half its ratio", gains={"line_v": 0.5}),
    "power-on-start-lead": Wiring(
        says="the start winding's transformer and the compressor's are on each other's leads",
        leads={"compressor_a": (Lead("start_winding_a"),), "start_winding_a": (Lead("compressor_a"),)},
    ),
    "winding-on-fan-capacitor": Wiring(
        says="the start winding's transformer sits on the fan's lead of the dual capacitor",
        leads={"start_winding_a": (Lead("fan-capacitor-lead"),)},
    ),
    "blower-always-on": Wiring(says="the blower's current switch sits on the feed", taps={"blower": "control_power"}),
    "module-inverted": Wiring(
        says="an input module in the place of supply's gives the other level", inverted=frozenset({"supply"})
    ),
}


class WiredInputs(ChipInputs):
    """The inputs of one converter behind a wiring; a Source of sim/bus.py."""

    def __init__(self, world: World, address: int, seed: int, wiring: Wiring = AS_MEANT, build: str = "boards") -> None:
        super().__init__(world, address, seed, build)
        self._wiring = wiring
        self._dead = address in wiring.no_bias

    def mean_v(self, pin: int, start_s: float, end_s: float) -> float:
        """Mean voltage of an input to ground between two times, V."""
        volts = self._plugged_v(pin, start_s, end_s)
        return max(_PIN_LOW_V, volts - BIAS_V) if self._dead else volts

    def _plugged_v(self, pin: int, start_s: float, end_s: float) -> float:
        channel = self._pins.get(pin)
        if channel is not None and channel.reading in self._wiring.empty:
            return BIAS_V + self._loose_v(channel)
        return super().mean_v(pin, start_s, end_s)

    def _instant(self, reading: str, start_s: float, end_s: float) -> float:
        if CHANNELS[reading].kind == "voltage":
            gain = self._wiring.gains.get(reading, 1.0)
            return gain * self._wave(self._wiring.taps.get(reading, reading), start_s, end_s)
        through = self._wiring.through(reading)
        return sum(lead.passes * self._wave(lead.conductor, start_s, end_s) for lead in through) / PASSES[reading]

    def _thermistor_v(self, reading: str, sense: SenseCondition) -> float:
        return super()._thermistor_v(self._wiring.taps.get(reading, reading), sense)

    def _wave(self, conductor: str, start_s: float, end_s: float) -> float:
        """Mean of the current in a conductor, A, or of the voltage at a tap, V."""
        unit = self.world.unit
        if conductor in STRAY:
            amps, shape = STRAY[conductor]
            return amps(unit) * shape.mean(unit.design.line_hz, start_s, end_s)
        wire = WIRES[conductor]
        if wire.wave is None and (wave := WIRES["control_v"].wave) is not None:
            return wire.true(unit, 0.0) * wave.mean(unit.design.line_hz, start_s, end_s)
        return super()._instant(conductor, start_s, end_s)
