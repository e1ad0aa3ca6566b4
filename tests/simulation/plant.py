"""A plain unit at the wires: signals on the inputs of register-level converters and levels on pins, in virtual time,
with the faults that wires have. What is put on them are the readings of tests/monitor/units.py.

The bus may hang: then each transaction takes `hang_s` and ends in the kernel's time-out. A pin may stick or flicker, a
jack be empty, a chip be gone, stuck, frozen, noisy, fast or slow, fail now and then, or lose its settings.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from condenser_monitor.hardware.boards import Boards
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.readings import FLAGS
from condenser_monitor.sim.bus import (
    Ads1115,
    FakeI2C,
    VirtualClock,
    drive,
    pin_factory,
)
from tests.hardware.bench import (
    Inputs,
    Signal,
    Wave,
    ohm_at,
    steady,
)

INRUSH_A, INRUSH_S = 55.0, 0.25
ADDRESSES = (0x48, 0x49)
ON_CHIP = {address: tuple(name for name, row in CHANNELS.items() if row.address == address) for address in ADDRESSES}
_FLICKER_S = 0.02
_WAVES: dict[float, Signal] = {}


def wave(rms: float) -> Signal:
    """A sine of this size; each is made once."""
    if rms not in _WAVES:
        _WAVES[rms] = Wave(rms)
    return _WAVES[rms]


class Bus(FakeI2C):
    """The bus, which may hang: each transaction then ends in the kernel's time-out after `hang_s`."""

    hang_s = 0.0

    def _pass(self, count: int) -> None:
        if self.hang_s:
            self.clock.sleep(self.hang_s)
            raise TimeoutError(110, "Connection timed out")
        super()._pass(count)


class Plant:
    """The wires of one site. They outlive the program: `boards` gives each of its lives its own drivers."""

    wave = staticmethod(wave)

    def __init__(self, seed: int = 0, noise_codes: float = 0.7) -> None:
        self.clock = VirtualClock(1000.0)
        self.noise_codes = noise_codes
        self.signals: dict[str, Signal] = {}
        self.inputs = {address: Inputs(address, self.signals) for address in ADDRESSES}
        self.chips = {
            address: Ads1115(self.inputs[address], self.clock, noise_codes=noise_codes, seed=seed + address)
            for address in ADDRESSES
        }
        self.bus = Bus(self.clock, self.chips)
        self.pins = pin_factory()
        self.held: set[str] = set()  # pins that stay as they are
        self.flickering: set[str] = set()
        self.wanted: dict[str, bool] = {}
        self._driven: dict[str, bool] = {}
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        self._numbered = 0
        self.closed_s = -1e9

    # ------------------------------------------------------------ what is on the wires

    def show(self, readings: dict[str, Any]) -> None:
        """Put a unit's readings on the wires. A compressor that starts draws its inrush first."""
        for name, value in readings.items():
            if name in FLAGS:
                self.wanted[name] = value
            elif name == "outdoor_c":
                self.signals[name] = steady(ohm_at(value))
            elif name != "compressor_a":
                self.signals[name] = self.wave(value)
        self._compressor(readings["compressor_a"], starts=readings["load"] and not self._driven.get("load", False))
        self.drive()

    def _compressor(self, amps: float, *, starts: bool) -> None:
        running = self.wave(amps)
        self.signals["compressor_a"] = running
        if starts and amps:
            until_s, inrush = self.clock() + INRUSH_S, self.wave(INRUSH_A)
            self.signals["compressor_a"] = lambda a, b: (inrush if a < until_s else running)(a, b)

    def drive(self) -> None:
        """Put the levels on the pins (low: voltage is present), but for those that are held."""
        for name, present in self.wanted.items():
            flickers = name in self.flickering and int(self.clock() / _FLICKER_S) % 2
            level = present is not bool(flickers)
            if name not in self.held and self._driven.get(name) is not level:
                self._driven[name] = level
                pin = CHANNELS[name].pin
                assert pin is not None
                drive(self.pins, pin, high=not level)

    def settle(self) -> None:
        """All faults of the wires are mended, those to come too."""
        self._due.clear()
        self.bus.hang_s = 0.0
        self.held.clear()
        self.flickering.clear()
        for address, chip in self.chips.items():
            chip.absent = chip.stuck = chip.frozen = False
            chip.error_rate = chip.clock_error = 0.0
            chip.noise_codes = self.noise_codes
            self.inputs[address].unplugged.clear()
        self.drive()

    def dead(self, address: int) -> bool:
        """Nothing true can come from this chip."""
        chip = self.chips[address]
        return bool(self.bus.hang_s) or chip.absent or chip.stuck or chip.frozen or chip.error_rate >= 1.0

    # ------------------------------------------------------------ time

    def at(self, after_s: float, what: Callable[[], None]) -> None:
        """Do it in so many seconds, whatever the program is doing then."""
        self._numbered += 1
        self._due.append((self.clock() + after_s, self._numbered, what))
        self._due.sort(reverse=True, key=lambda row: row[:2])

    def next_s(self) -> float | None:
        """When the next thing is due; None when nothing is."""
        return self._due[-1][0] if self._due else None

    def sleep(self, seconds: float) -> None:
        """What the boards sleep with: time passes, and what is due meanwhile comes in time."""
        until_s = self.clock() + max(seconds, 0.0)
        while self._due and self._due[-1][0] <= until_s:
            at_s, _, what = self._due.pop()
            self.clock.sleep(at_s - self.clock())
            what()
        if self.flickering:
            while self.clock() < until_s:
                self.clock.sleep(min(_FLICKER_S / 2, until_s - self.clock()))
                self.drive()
        self.clock.sleep(until_s - self.clock())

    def boards(self, settings: Settings, wall: Callable[[], float | None]) -> Boards:
        """The shipped drivers on these wires, for one life of the program."""
        return Boards(settings, bus=self.bus, pin_factory=self.pins, clock=self.clock, sleep=self.sleep, wall=wall)
