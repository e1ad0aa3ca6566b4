"""The wires under the real drivers: an I2C bus with register-level ADS1115 chips, pins, and the simulator's clock.

The fake stands at the wire: the shipped driver's own bytes arrive here. Registers, bits and codes are those of the
ADS1115 data sheet (SBAS444D, January 2018). Range: a chip answers codes -32768..32767 of its full scale (0.256 to
6.144 V), one code being full scale / 32768, and clips beyond; a pin is high or low.

Each conversion is the *mean* of the input over the conversion time, as the chip's filter does; a source therefore gives
the mean of its voltage over a stretch of time. Bus traffic takes time on the simulator's clock, so that a burst lasts
here as long as it does on a board.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any, Protocol

from gpiozero.pins.mock import MockFactory, MockPin

CONVERSION, CONFIG, LOW_LIMIT, HIGH_LIMIT = range(4)
RESET = (0x0000, 0x8583, 0x8000, 0x7FFF)
READY = 0x8000
SINGLE_SHOT = 0x0100
FULL_SCALE_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256)
RATES_HZ = (8, 16, 32, 64, 128, 250, 475, 860)
INPUTS: tuple[tuple[int, int | None], ...] = (
    *((0, 1), (0, 3), (1, 3), (2, 3)),
    *((0, None), (1, None), (2, None), (3, None)),
)
FAST_HZ, STANDARD_HZ = 400_000.0, 100_000.0  # UM10204: the clock of fast mode and of standard mode
OVERHEAD_S = 40e-6  # of one transaction in the Pi's kernel; ours, of the order seen on small boards


class VirtualClock:
    """The simulator's time: `clock()` reads it, `sleep` and bus traffic move it. `follow` is told of each move."""

    def __init__(self, now_s: float = 0.0) -> None:
        self.now_s = now_s
        self.follow: Callable[[float], None] | None = None

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass (none if negative)."""
        if seconds > 0:
            self.now_s += seconds
            if self.follow is not None:
                self.follow(self.now_s)


class PinSource(Protocol):
    """What a chip's four inputs carry, volts to ground."""

    def mean_v(self, pin: int, start_s: float, end_s: float) -> float:
        """The mean voltage of input `pin` (0..3) between two times."""
        ...


class Ads1115:
    """One chip. `clock_error` is the relative error of its own clock; the rest are faults at the wire.

    `absent`: no acknowledge. `stuck`: conversions never end. `frozen`: they end, but the result stays what it was.
    `error_rate`: the share of transactions that fail.
    `noise_codes`: RMS noise of a conversion in codes.
    """

    def __init__(
        self,
        source: PinSource,
        clock: VirtualClock,
        *,
        clock_error: float = 0.0,
        noise_codes: float = 0.0,
        seed: int = 0,
    ) -> None:
        self.source, self.clock = source, clock
        self.clock_error, self.noise_codes = clock_error, noise_codes
        self.absent = self.stuck = self.frozen = False
        self.error_rate = 0.0
        self._rng = Random(f"{seed}/ads1115")
        self._registers = list(RESET)
        self._pointer = CONVERSION
        self._begun_s: float | None = None
        self._done = 0

    # ------------------------------------------------------------ as the data sheet has it

    @property
    def conversion_s(self) -> float:
        """How long one conversion takes on this chip's clock."""
        return 1 / (RATES_HZ[self._registers[CONFIG] >> 5 & 7] * (1 + self.clock_error))

    @property
    def full_scale_v(self) -> float:
        return FULL_SCALE_V[self._registers[CONFIG] >> 9 & 7]

    def write(self, data: bytes) -> None:
        """Bytes from the bus: the pointer, and with two more a register."""
        self._may_fail()
        if not data:
            return
        self._pointer = data[0] & 3
        if len(data) >= 3:
            self._set(self._pointer, data[1] << 8 | data[2])

    def read(self, count: int) -> bytes:
        """Bytes to the bus: the register under the pointer."""
        self._may_fail()
        self._convert()
        value = self._registers[self._pointer]
        if self._pointer == CONFIG:
            value = value & ~READY | (0 if self._busy() else READY)
        return value.to_bytes(2, "big")[:count].ljust(count, b"\xff")

    def restart(self) -> None:
        """Its supply dipped: all registers are as after power-up."""
        self._registers = list(RESET)
        self._pointer = CONVERSION
        self._begun_s = None
        self._done = 0

    def _set(self, register: int, value: int) -> None:
        if register == CONVERSION:
            return
        if register == CONFIG:
            self._convert()
            self._registers[CONFIG] = value
            starts = not value & SINGLE_SHOT or value & READY
            self._begun_s = self.clock() if starts else None
            self._done = 0
            return
        self._registers[register] = value

    def _busy(self) -> bool:
        if self._begun_s is None:
            return False
        if not self._registers[CONFIG] & SINGLE_SHOT or self.stuck:
            return True
        return self.clock() < self._begun_s + self.conversion_s

    def _convert(self) -> None:
        """Bring the conversion register up to the last conversion that has ended by now."""
        if self._begun_s is None or self.stuck:
            return
        took_s = self.conversion_s
        ended = int((self.clock() - self._begun_s) / took_s + 1e-9)
        if self._registers[CONFIG] & SINGLE_SHOT:
            ended = min(ended, 1)
        if ended <= self._done:
            return
        self._done = ended
        if self.frozen:
            return
        end_s = self._begun_s + ended * took_s
        self._registers[CONVERSION] = self._code(end_s - took_s, end_s)

    def _code(self, start_s: float, end_s: float) -> int:
        positive, negative = INPUTS[self._registers[CONFIG] >> 12 & 7]
        volts = self.source.mean_v(positive, start_s, end_s)
        if negative is not None:
            volts -= self.source.mean_v(negative, start_s, end_s)
        noise = self._rng.gauss(0.0, self.noise_codes) if self.noise_codes else 0.0
        code = round(volts / self.full_scale_v * 32768 + noise)
        return max(-32768, min(32767, code)) & 0xFFFF

    def _may_fail(self) -> None:
        if self.absent or (self.error_rate and self._rng.random() < self.error_rate):
            raise OSError(121, "Remote I/O error")


class FakeI2C:
    """A bus with the calls of the busio protocol, at `hz`. `chips` maps addresses to chips; other addresses do not
    answer."""

    def __init__(self, clock: VirtualClock, chips: dict[int, Ads1115], hz: float = FAST_HZ) -> None:
        self.clock, self.chips, self.hz = clock, chips, hz
        self._locked = False

    def try_lock(self) -> bool:
        if self._locked:
            return False
        self._locked = True
        return True

    def unlock(self) -> None:
        self._locked = False

    def scan(self) -> list[int]:
        """The addresses that answer."""
        return sorted(address for address, chip in self.chips.items() if not chip.absent)

    def deinit(self) -> None:
        self._locked = False

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        data = bytes(buffer)[start:end]
        self._pass(len(data))
        self._chip(address).write(data)

    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        end = len(buffer) if end is None else end
        self._pass(end - start)
        buffer[start:end] = self._chip(address).read(end - start)

    def writeto_then_readfrom(
        self,
        address: int,
        out_buffer: Any,
        in_buffer: Any,
        *,
        out_start: int = 0,
        out_end: int | None = None,
        in_start: int = 0,
        in_end: int | None = None,
    ) -> None:
        self.writeto(address, out_buffer, start=out_start, end=out_end)
        self.readfrom_into(address, in_buffer, start=in_start, end=in_end)

    def _chip(self, address: int) -> Ads1115:
        if address not in self.chips:
            raise OSError(121, "Remote I/O error")
        return self.chips[address]

    def _pass(self, count: int) -> None:
        self.clock.sleep(OVERHEAD_S + (count + 1) * 9 / self.hz)


# ---------------------------------------------------------------- pins


class LeanPin(MockPin):  # type: ignore[misc]
    """gpiozero's mock pin without its history of states, which grows for ever in a long simulation, and with a pull
    that loses against what is wired to the pin, as a resistor does."""

    wired: bool | None = None  # the level that the world outside drives it to

    def _set_pull(self, value: Any) -> None:
        super()._set_pull(value)
        if self.wired is not None:
            self.drive(self.wired)

    def drive(self, high: bool) -> None:
        """The world outside puts a level on it."""
        self.wired = high
        (self.drive_high if high else self.drive_low)()

    def _change_state(self, value: Any) -> bool:
        changed = bool(super()._change_state(value))
        del self.states[:-1]
        return changed


def pin_factory() -> MockFactory:
    """Mock pins for one simulated site; several may live in one process."""
    return MockFactory(pin_class=LeanPin)


def drive(factory: MockFactory, number: int, *, high: bool) -> None:
    """Put a level on an input pin, as the world outside does."""
    factory.pin(number).drive(high)
