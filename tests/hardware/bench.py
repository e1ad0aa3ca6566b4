"""A bench for the boards: signal generators on the fake bus's inputs, switches on the pins, virtual time.

A generator gives the exact mean of its wave over a conversion; what it plays is in the unit of the reading (A, V) and
reaches the converter through the channel table's scale; a thermistor's is its resistance. A fault is one of the wire:
an empty jack, a missing bias.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import cos, log, pi, sin, sqrt
from random import Random
from typing import Any

from condenser_monitor.hardware import values
from condenser_monitor.hardware.boards import Boards
from condenser_monitor.hardware.calibration import Trim
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.monitor.core.config import OUTDOOR_SENSES, SensorSettings, Settings, Unit
from condenser_monitor.sim.bus import (
    FAST_HZ,
    Ads1115,
    FakeI2C,
    VirtualClock,
    drive,
    pin_factory,
)

BIAS_V = values.VDD.nominal / 2
BASIC = (*OUTDOOR_SENSES, "control_power", "thermostat")  # what a site with an indoor board has without probes
ADDRESSES = sorted({row.address for row in CHANNELS.values() if row.address is not None})
MOST_S = 3.0  # no scan, whatever the fault, may take longer on the simulator's clock


class Wave:
    """A sine of `rms` at `hz` with harmonics (order, share of the fundamental, phase); `rms` counts them all."""

    def __init__(
        self, rms: float, hz: float = 60.0, shares: Sequence[tuple[int, float]] = (), rng: Random | None = None
    ) -> None:
        rng = rng or Random(1)
        peak = rms * sqrt(2 / (1 + sum(share * share for _, share in shares)))
        self._terms = [
            (2 * pi * hz * order, peak * share, rng.uniform(0, 2 * pi)) for order, share in ((1, 1.0), *shares)
        ]

    def __call__(self, start_s: float, end_s: float) -> float:
        """Mean over a stretch of time."""
        return sum(
            peak * (cos(turn * start_s + at) - cos(turn * end_s + at)) / (turn * (end_s - start_s))
            for turn, peak, at in self._terms
        )

    def at(self, t_s: float) -> float:
        """The value of an instant."""
        return sum(peak * sin(turn * t_s + at) for turn, peak, at in self._terms)


Signal = Callable[[float, float], float]


class Inputs:
    """The four inputs of the converter at `address`; `signals` by reading, a thermistor's signal in ohm."""

    def __init__(self, address: int, signals: Mapping[str, Signal]) -> None:
        self.signals = signals
        self.bias_v = BIAS_V
        self.unplugged: set[str] = set()
        self._channels = {row.mux - 1: row for row in CHANNELS.values() if row.address == address and row.mux}

    def mean_v(self, pin: int, start_s: float, end_s: float) -> float:
        channel = self._channels.get(pin)
        if channel is None:
            return self.bias_v
        if channel.reading in self.unplugged and channel.burden_ohm:
            loop_ohm = values.PLUG_SENSE.nominal + channel.burden_ohm
            return self.bias_v + (values.VDD.nominal - self.bias_v) * channel.burden_ohm / loop_ohm
        amount = self.signals[channel.reading](start_s, end_s) if channel.reading in self.signals else 0.0
        if channel.kind == "thermistor":
            return values.VDD.nominal / (1 + values.NTC_PULL_UP.nominal / amount) if amount else 0.0
        assert channel.scale is not None
        return self.bias_v + amount * channel.scale


def steady(value: float) -> Signal:
    """A signal that does not change."""
    return lambda start_s, end_s: value


def ohm_at(celsius: float) -> float:
    """The thermistor's resistance by bisection of the Steinhart-Hart equation."""
    a, b, c = values.STEINHART_HART
    low, high = log(10.0), log(1e7)
    while high - low > 1e-12:
        ln = (low + high) / 2
        low, high = (ln, high) if 1 / (a + b * ln + c * ln**3) - 273.15 > celsius else (low, ln)
    return float(2.718281828459045**low)


class Bench:
    """Boards on fake wires. `signals` are shared and may be changed at any time."""

    def __init__(
        self,
        signals: Mapping[str, Signal] | None = None,
        *,
        unit: Unit | None = None,
        fitted: Sequence[str] = BASIC,
        clock_error: float = 0.0,
        late_s: float = 0.0,
        noise_codes: float = 0.7,
        trims: Mapping[str, Trim] | None = None,
        channels: dict[str, dict[str, Any]] | None = None,
        seed: int = 0,
        bus_hz: float = FAST_HZ,
    ) -> None:
        """`late_s`: each sleep ends late by up to this much, evenly spread, as under a busy kernel. `bus_hz`: the I2C
        bus's clock."""
        rng = Random(seed)
        self.clock = VirtualClock(rng.random())
        self.signals: dict[str, Signal] = {"outdoor_c": steady(10e3), **(signals or {})}
        self.inputs = {address: Inputs(address, self.signals) for address in ADDRESSES}
        self.chips = {
            address: Ads1115(inputs, self.clock, clock_error=clock_error, noise_codes=noise_codes, seed=seed + address)
            for address, inputs in self.inputs.items()
        }
        self.bus = FakeI2C(self.clock, self.chips, bus_hz)
        self.pins = pin_factory()
        for name, row in CHANNELS.items():
            if row.pin is not None and name in fitted:
                drive(self.pins, row.pin, high=True)
        self._late = (lambda: rng.uniform(0.0, late_s)) if late_s else (lambda: 0.0)
        settings = Settings(unit=unit or Unit(), senses=SensorSettings(fitted=tuple(fitted)))
        self.boards = Boards(
            settings,
            bus=self.bus,
            pin_factory=self.pins,
            clock=self.clock,
            sleep=self.sleep,
            trims=trims,
        )

    def sleep(self, seconds: float) -> None:
        """What the boards sleep with, as strict as time.sleep; in steps of a millisecond, so that what is due meanwhile
        comes in time."""
        if seconds < 0:
            raise ValueError("sleep length must be non-negative")
        left_s = seconds + self._late()
        while left_s > 0:
            self.clock.sleep(min(left_s, 0.001))
            left_s -= 0.001

    def present(self, name: str, present: bool) -> None:
        """Voltage on a presence channel, or none."""
        pin = CHANNELS[name].pin
        assert pin is not None
        drive(self.pins, pin, high=not present)

    def at(self, due: Sequence[tuple[float, Callable[[], None]]]) -> None:
        """Do each of (seconds from now, what) when the clock passes it, whatever the boards are doing then."""
        waiting = sorted(((self.clock() + after_s, place) for place, (after_s, _) in enumerate(due)), reverse=True)

        def follow(now_s: float) -> None:
            while waiting and waiting[-1][0] <= now_s:
                due[waiting.pop()[1]][1]()

        self.clock.follow = follow
