"""What the converters' inputs carry, instant by instant, from the same state that the RMS values come from.

A wave is its RMS value at the line's frequency, with a phase and odd harmonics of its own; the current of a start is
displaced by a decaying direct part as well, as the instant of closing has it. Means over a conversion are exact for the
sines. Scales, burdens and bias are those of the boards (hardware/values.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, log, sqrt
from random import Random

from condenser_monitor.hardware import values
from condenser_monitor.hardware.channels import BUILDS, CHANNELS, Channel
from condenser_monitor.sim.compressor import Motion
from condenser_monitor.sim.condition import SenseCondition
from condenser_monitor.sim.senses import WIRES
from condenser_monitor.sim.world import World

BIAS_V = values.VDD.nominal / 2
_DISPLACED_TAU_S = 0.020  # ours: L/R of a small compressor's windings, standing
_DISPLACED_SHARE = 0.5  # ours: a closing somewhere between crest and zero


def thermistor_ohm(celsius: float) -> float:
    """The 10 kohm curve: Steinhart-Hart solved for the resistance by Newton's rule."""
    a, b, c = values.STEINHART_HART
    wanted = 1.0 / (celsius + 273.15)
    ln = log(values.NTC_R25.nominal)
    for _ in range(20):
        step = (a + b * ln + c * ln**3 - wanted) / (b + 3 * c * ln * ln)
        ln -= step
        if abs(step) < 1e-12:
            break
    return exp(ln)


class ChipInputs:
    """The four inputs of one converter; a Source of sim/bus.py."""

    def __init__(self, world: World, address: int, seed: int, build: str = "boards") -> None:
        self.world = world
        self._rng = Random(f"{seed}/inputs/{address}")
        self._pins = {
            channel.mux - 1: channel
            for channel in BUILDS[build].values()
            if channel.address == address and channel.mux is not None
        }
        self._sound = SenseCondition()

    def mean_v(self, pin: int, start_s: float, end_s: float) -> float:
        """Mean voltage of an input to ground between two times, V."""
        channel = self._pins.get(pin)
        if channel is None:
            return BIAS_V
        sense = self.world.condition.senses.get(channel.reading, self._sound)
        if channel.kind == "thermistor":
            return self._thermistor_v(channel.reading, sense)
        assert channel.scale is not None
        if sense.unplugged:
            return BIAS_V + self._loose_v(channel)
        if sense.lag_deg:
            late_s = sense.lag_deg / 360.0 / self.world.plan.design.line_hz
            start_s, end_s = start_s - late_s, end_s - late_s
        amount = self._instant(channel.reading, start_s, end_s)
        wave = WIRES[channel.reading].wave
        if sense.offset and wave is not None:
            amount += sense.offset * wave.mean(self.world.plan.design.line_hz, start_s, end_s)
        volts = amount * sense.gain * channel.scale
        if sense.noise:
            volts += self._rng.gauss(0.0, sense.noise * channel.scale)
        return BIAS_V + volts + self._spike()

    def _instant(self, reading: str, start_s: float, end_s: float) -> float:
        """Mean of the wave in the reading's own unit."""
        unit = self.world.unit
        wire = WIRES[reading]
        rms = wire.true(unit, self.world.outdoor_c)
        if rms <= 0.0 or wire.wave is None or (reading in ("compressor_a", "fan_a") and unit.contactor.bouncing):
            return 0.0
        wave = wire.wave if wire.lag is None else wire.wave._replace(phase=wire.lag(unit))
        amount = rms * wave.mean(unit.design.line_hz, start_s, end_s)
        compressor = unit.compressor
        if reading == "compressor_a" and compressor.motion is Motion.MOVING and compressor.started_s is not None:
            since_s = max(0.0, (start_s + end_s) / 2 - compressor.started_s)
            amount += sqrt(2) * rms * _DISPLACED_SHARE * exp(-since_s / _DISPLACED_TAU_S)
        return amount

    def _loose_v(self, channel: Channel) -> float:
        """Direct voltage of an input with nothing plugged in; a channel that cannot tell lies at the bias."""
        if channel.burden_ohm is None:
            return 0.0
        return BIAS_V * channel.burden_ohm / (channel.loose_ohm + channel.burden_ohm)

    def _thermistor_v(self, reading: str, sense: SenseCondition) -> float:
        if sense.unplugged:
            return values.VDD.nominal
        noise = self._rng.gauss(0.0, sense.noise) if sense.noise else 0.0
        true_c = WIRES[reading].true(self.world.unit, self.world.outdoor_c)
        ohm = thermistor_ohm(true_c * sense.gain + sense.offset + noise)
        return values.VDD.nominal * ohm / (values.NTC_PULL_UP.nominal + ohm)

    def _spike(self) -> float:
        glitches = self.world.condition.glitches
        if glitches and self._rng.random() < glitches / 100.0:
            return self._rng.uniform(-0.1, 0.1)
        return 0.0


PROBES = {
    f"28-{number:012x}": name
    for number, name in enumerate((name for name, row in CHANNELS.items() if row.kind == "probe"), start=1)
}


class ProbeBus:
    """The probes of the 1-Wire bus as the kernel shows them: nine bytes with their checksum, twice. A OneWireBus."""

    def __init__(self, world: World, taps: Mapping[str, str]) -> None:
        self.world, self._taps = world, taps
        self._rng = Random(f"{world.plan.seed}/probes")

    def devices(self) -> list[str]:
        """Those that are plugged in."""
        senses = self.world.condition.senses
        return [device for device, name in PROBES.items() if not (name in senses and senses[name].unplugged)]

    def text(self, device: str) -> str:
        """What the kernel prints of a conversion made now."""
        name, condition = PROBES[device], self.world.condition
        sense = condition.senses.get(name, SenseCondition())
        if sense.unplugged or sense.stuck:
            raise OSError(5, "Input/output error")
        true_c = WIRES[self._taps.get(name, name)].true(self.world.unit, self.world.outdoor_c)
        seen_c = true_c * sense.gain + sense.offset + (self._rng.gauss(0.0, sense.noise) if sense.noise else 0.0)
        steps = round(seen_c / values.PROBE_STEP_K.nominal)
        held = steps.to_bytes(2, "little", signed=True) + bytes((0x4B, 0x46, 0x7F, 0xFF, 0x10 - steps % 16, 0x10))
        held += bytes((crc8(held),))
        spoilt = condition.bus_errors and self._rng.random() < condition.bus_errors
        row = " ".join(f"{byte:02x}" for byte in held)
        return f"{row} : crc={held[-1]:02x} {'NO' if spoilt else 'YES'}\n{row} t={steps * 1000 // 16}\n"


def crc8(data: bytes) -> int:
    """Return the checksum of the 1-Wire bus: x^8 + x^5 + x^4 + 1, low bit first."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0x8C if crc & 1 else 0)
    return crc
