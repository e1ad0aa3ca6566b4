"""The plant's wires at half the price: the same registers, bytes and codes, with what never changes within a burst
worked out once in it. For runs of millions of conversions; test_soak.py holds it to the plain chip's bytes.

Only the ordinary case is shorter: a chip that answers, converting one pair of inputs against the bias. Everything else
(absent, stuck, frozen, failing now and then, an empty jack, single ended) goes the way of sim/bus.py. The noise of a
conversion comes from a table of normal numbers that goes round, its length a prime.
"""

from __future__ import annotations

from functools import cache, partial
from math import pi, sin, sqrt
from random import Random
from typing import Any

from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.sim.bus import (
    CONFIG,
    CONVERSION,
    INPUTS,
    OVERHEAD_S,
    SINGLE_SHOT,
    Ads1115,
)
from tests.hardware.bench import Inputs, Signal
from tests.simulation.plant import ADDRESSES, Bus, Plant

NOISES = 4093
_LINE_TURN = 2 * pi * 60.0


def sine(rms: float) -> Signal:
    """A sine of this size at 60 Hz: the mean over a stretch, by the sine of its middle (the difference of two cosines).

    The factor of a stretch's length is kept while stretches stay as long as they were.
    """
    peak = rms * sqrt(2)
    length_s = factor = 0.0

    def mean(start_s: float, end_s: float) -> float:
        nonlocal length_s, factor
        long_s = end_s - start_s
        if abs(long_s - length_s) > 1e-9:
            half = _LINE_TURN * long_s / 2
            length_s, factor = long_s, peak * sin(half) / half
        return factor * sin(_LINE_TURN * (start_s + end_s) / 2)

    return mean


class QuickChip(Ads1115):
    """One chip on the plant's inputs."""

    source: Inputs

    def __init__(self, source: Inputs, *args: Any, seed: int = 0, **kwargs: Any) -> None:
        super().__init__(source, *args, seed=seed, **kwargs)
        rng = Random(f"{seed}/noise")
        self._noises = [rng.gauss(0.0, 1.0) for _ in range(NOISES)]
        self._place = 0
        self._channels = {
            (row.mux - 1, 3): (row.reading, row.scale)
            for row in CHANNELS.values()
            if row.address is not None and row.mux and row.scale and self._mine(row.reading)
        }
        self._shape()

    def _mine(self, reading: str) -> bool:
        return any(row.reading == reading for row in self.source._channels.values())

    def _set(self, register: int, value: int) -> None:
        super()._set(register, value)
        if register == CONFIG:
            self._shape()

    def restart(self) -> None:
        super().restart()
        self._shape()

    def _shape(self) -> None:
        """What the settings say, worked out once."""
        config = self._registers[CONFIG]
        self._took_s, self._per_v = self.conversion_s, 32768 / self.full_scale_v
        self._measured = self._channels.get(INPUTS[config >> 12 & 7])  # type: ignore[arg-type]
        self._single = bool(config & SINGLE_SHOT)
        self._shaped_error = self.clock_error

    def read(self, count: int) -> bytes:
        """Bytes to the bus: as the plain chip's."""
        if self._pointer != CONVERSION or self.absent or self.error_rate:
            return super().read(count)
        self._convert()
        return self._registers[CONVERSION].to_bytes(2, "big")[:count].ljust(count, b"\xff")

    def _convert(self) -> None:
        if self._begun_s is None:
            return
        if self._shaped_error != self.clock_error:
            self._shape()
        ended = int((self.clock.now_s - self._begun_s) / self._took_s + 1e-9)
        if ended <= self._done or (self._single and self._done):
            return
        if self._measured is None or self.stuck or self.frozen:
            super()._convert()
            return
        self._done = ended = 1 if self._single else ended
        end_s = self._begun_s + ended * self._took_s
        reading, scale = self._measured
        signal = self.source.signals.get(reading)
        if signal is None or reading in self.source.unplugged:
            self._registers[CONVERSION] = self._code(end_s - self._took_s, end_s)
            return
        self._place = (self._place + 1) % NOISES
        code = round(
            signal(end_s - self._took_s, end_s) * scale * self._per_v + self.noise_codes * self._noises[self._place]
        )
        self._registers[CONVERSION] = (-32768 if code < -32768 else min(code, 32767)) & 0xFFFF


class QuickBus(Bus):
    """The bus: a transaction takes as long as on the plain one."""

    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        count = (len(buffer) if end is None else end) - start
        if self.hang_s or self.clock.follow is not None:
            super().readfrom_into(address, buffer, start=start, end=end)
            return
        self.clock.now_s += OVERHEAD_S + (count + 1) * 9 / self.hz
        buffer[start : start + count] = self._chip(address).read(count)


class QuickPlant(Plant):
    """A plant of such chips on such a bus."""

    wave = staticmethod(cache(sine))

    def __init__(self, seed: int = 0, noise_codes: float = 0.7) -> None:
        super().__init__(seed, noise_codes)
        made = partial(QuickChip, clock=self.clock, noise_codes=noise_codes)
        self.chips = {address: made(self.inputs[address], seed=seed + address) for address in ADDRESSES}
        self.bus = QuickBus(self.clock, self.chips)

    def sleep(self, seconds: float) -> None:
        """What the boards sleep with: within a burst almost always a moment in which nothing is due."""
        if (
            self.flickering
            or self.clock.follow is not None
            or (self._due and self._due[-1][0] <= self.clock.now_s + seconds)
        ):
            super().sleep(seconds)
        elif seconds > 0.0:
            self.clock.now_s += seconds
