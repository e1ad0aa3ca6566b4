"""Burst sampling of alternating signals over the ADS1115 driver, and single conversions of steady ones.

One thread owns the bus. The driver's traps are worked around here and nowhere else:

- its continuous mode may keep the channel that was set before, so each burst sets the channel by one single-shot
  conversion, which the driver does right in every version, and then goes over to continuous mode;
- the first read after a configuration write returns the configuration register unless the pointer is moved first;
- its single-shot mode polls for the end of the conversion without limit: here the poll gives up after ADC_ANSWER_S.

A chip that does not answer, hangs or clips gives a SenseError; it never gives a number and never waits for ever.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from statistics import median
from typing import Any, TypeVar

from adafruit_ads1x15.ads1x15 import Mode
from adafruit_ads1x15.ads1115 import ADS1115

from condenser_monitor.hardware.sample_clock import SampleClock, anchor
from condenser_monitor.hardware.waveform import Sample, even_times
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import SenseError

# full scale in V -> the driver's gain
GAINS: dict[float, float] = {6.144: 2 / 3, 4.096: 1, 2.048: 2, 1.024: 4, 0.512: 8, 0.256: 16}
_CLIP_CODES = 32760
_NEAR_ZERO, _COINCIDENCES, _STANDING = 64, 6, 4.0  # codes; tries; conversions
_CONFIG = 1  # pointer of the configuration register
_Got = TypeVar("_Got")
_SETTINGS = 0x7FE0  # its bits for input pair, range, mode and rate
_RANGE_CODES = {gain: code for code, gain in enumerate(GAINS.values())}


class _Bounded(ADS1115):
    """The driver, with an end to its polling."""

    def __init__(self, bus: Any, address: int, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._polled_since_s: float | None = None
        super().__init__(bus, data_rate=int(limits.ADC_RATE_HZ.value), address=address)

    def read(self, pin: int) -> int:
        self._polled_since_s = self._clock()
        code = int(super().read(pin))
        self.check(pin)
        return code

    def check(self, pin: int) -> None:
        """Raise SenseError unless the chip still has the settings that it was given: one whose supply dipped starts
        again with others, and its results mean nothing."""
        wanted = pin << 12 | _RANGE_CODES[self.gain] << 9 | self.mode | self.rate_config[self.data_rate]
        if (self._read_register(_CONFIG) ^ wanted) & _SETTINGS:
            place = f"ADC 0x{self.i2c_device.device_address:02x}"
            raise SenseError(place, "settings lost or misread", "a chip with a steady supply, on a quiet bus")

    def _conversion_complete(self) -> int:
        since_s = self._clock() if self._polled_since_s is None else self._polled_since_s
        if self._clock() - since_s > limits.ADC_ANSWER_S.value:
            place = f"ADC 0x{self.i2c_device.device_address:02x}"
            raise SenseError(place, "no end of a conversion", "1.3 ms at the most")
        return int(super()._conversion_complete())


class Converter:
    """One ADS1115 at `address`. Its driver is made at first use and made again after an error, so that a chip may come
    and go. `clock` gives s, `sleep` waits s."""

    def __init__(self, bus: Any, address: int, clock: Callable[[], float], sleep: Callable[[float], object]) -> None:
        self.address = address
        self._bus, self.clock, self.sleep = bus, clock, sleep
        self._driver: _Bounded | None = None
        self._beat = SampleClock()
        self.timed = False  # whether the samples of the last burst lie on the clock, not only on a beat
        self._single = (-1, 0.0, 0)  # input pair, gain and code of the last single conversion

    @property
    def conversion_s(self) -> float:
        """How long one conversion takes on this chip's clock, as far as known."""
        return self._beat.beat_s

    @property
    def place(self) -> str:
        return f"ADC 0x{self.address:02x}"

    def single_v(self, mux: int, full_scale_v: float) -> float:
        """One conversion of input pair `mux` (0..7, ADS1115 data sheet), V. Raises SenseError."""

        def attempt() -> int:
            try:
                return self.convert(self.ready(full_scale_v), mux)
            except (OSError, ValueError) as error:
                raise _Lost(self, error) from None

        return self._volts(_tried(attempt, self.clock), full_scale_v)

    def convert(self, driver: _Bounded, mux: int) -> int:
        """One conversion, single-shot. The same code from another input or range is a coincidence once; noise ends it,
        a frozen result does not."""
        was = self._single
        for _ in range(_COINCIDENCES):
            code = driver.read(mux)
            self._single = (mux, driver.gain, code)
            if code != was[2] or not _NEAR_ZERO <= abs(code) < _CLIP_CODES or was[:2] == self._single[:2]:
                return code
        raise SenseError(self.place, "the same result from every input", "results that follow the inputs")

    def samples(self, reader: _Reader) -> list[Sample]:
        """The conversions that a finished reader got, each once, each at the middle of the time that it averages."""
        stamps, codes = reader.stamps, reader.codes
        fresh = _fresh(stamps, codes)
        volts = [self._volts(code, reader.full_scale_v) for code, new in zip(codes, fresh, strict=True) if new]
        times = self._beat.times(stamps, fresh)
        self.timed = False
        if times is None:
            at = [at_s for at_s, new in zip(stamps, fresh, strict=True) if new]
            return even_times([Sample(at_s, v) for at_s, v in zip(at, volts, strict=True)])
        found = [Sample(at_s, v) for at_s, v in zip(times, volts, strict=True) if at_s is not None]
        shift = anchor(stamps, fresh, times)
        if shift is None:
            return found
        self.timed = True
        back_s = self.conversion_s / 2
        return [Sample(shift.at(at_s) - back_s, v) for at_s, v in found]

    def refuse_slow(self, took: list[float]) -> None:
        """A bus so slow that reads cannot keep up with conversions gives wrong numbers, not only fewer."""
        usual_s, most_s = median(took or [0.0]), limits.ADC_READ_MOST.value / limits.ADC_RATE_HZ.value
        if usual_s > most_s:
            given, wanted = f"a read of {usual_s * 1000:.2f} ms", f"{most_s * 1000:.2f} ms or less: a faster I2C bus"
            raise SenseError(self.place, given, wanted)

    def refuse_frozen(self, stamps: list[float], codes: list[int], last: int) -> None:
        """A moving signal does not stand still away from zero, unless it clips: then the result is frozen, though
        conversions end."""
        if codes[-1] != last or not _NEAR_ZERO <= abs(last) < _CLIP_CODES or max(codes) - min(codes) < _NEAR_ZERO:
            return
        moved_s = next(at_s for at_s, code in zip(reversed(stamps), reversed(codes), strict=True) if code != last)
        if self.clock() - moved_s > _STANDING / limits.ADC_RATE_HZ.value:
            raise SenseError(self.place, "a result that stands still", "results that follow the inputs")

    def ready(self, full_scale_v: float) -> _Bounded:
        if self._driver is None:
            self._driver = _Bounded(self._bus, self.address, self.clock)
        driver = self._driver
        if driver.mode != Mode.SINGLE:
            driver.mode = Mode.SINGLE
        if driver.gain != GAINS[full_scale_v]:
            driver.gain = GAINS[full_scale_v]
        return driver

    def lost(self, error: Exception) -> SenseError:
        self._driver = None
        if isinstance(error, SenseError):
            return error
        return SenseError(self.place, str(error) or type(error).__name__, "an ADS1115 that answers at this address")

    @staticmethod
    def signed(word: int) -> int:
        return word - 65536 if word & 0x8000 else word

    def _volts(self, code: int, full_scale_v: float) -> float:
        if abs(code) >= _CLIP_CODES:
            raise ClippedError(self.place, f"a signal beyond {full_scale_v:g} V", "a signal within the range")
        return code * full_scale_v / 32768


class _Reader:
    """One converter's part of a burst: the times of its reads and the codes that they got. Raises OSError, SenseError
    and ValueError as the driver does."""

    def __init__(self, converter: Converter, mux: int, full_scale_v: float, spread: float) -> None:
        self.converter, self.mux, self.full_scale_v, self.spread = converter, mux, full_scale_v, spread
        self.stamps: list[float] = []
        self.codes: list[int] = []
        self.next_s = 0.0
        self._took: list[float] = []
        self._failed = self._count = 0

    def begin(self) -> None:
        """Have the chip convert on and on; its first result may be an old one."""
        converter = self.converter
        self.driver = converter.ready(self.full_scale_v)
        converter.convert(self.driver, self.mux)
        self.driver.mode = Mode.CONTINUOUS
        self.stamps = [converter.clock()]
        self.codes = [converter.signed(self.driver.get_last_result(False))]
        self.next_s = self.stamps[0] + self._pause_s()

    def _pause_s(self) -> float:
        """Time to the next read. Reads at even pauses may keep step with the conversions, and then bound their ends at
        the same few places: the pauses of a burst whose phase counts are spread by the golden ratio."""
        self._count += 1
        return _PAUSE_S * (1.0 - self.spread * (self._count * _GOLDEN % 1.0))

    def read(self) -> None:
        """Get one result; a few that fail are passed over."""
        clock = self.converter.clock
        now_s = clock()
        self.next_s = max(self.next_s + self._pause_s(), now_s)
        try:
            code = self.converter.signed(self.driver.get_last_result(True))
        except OSError:
            self._failed += 1
            if self._failed > limits.ADC_FAILED_READS.value:
                raise
            return
        self._took.append(clock() - now_s)
        self.stamps.append(now_s)
        self.codes.append(code)

    def end(self) -> None:
        """Stop converting. One that hung in the burst gave its last result again and again: it must still end a
        conversion."""
        self.driver.check(self.mux)
        self.converter.refuse_slow(self._took)
        self.driver.mode = Mode.SINGLE
        self.converter.refuse_frozen(self.stamps, self.codes, self.converter.convert(self.driver, self.mux))


_PAUSE_S = limits.ADC_READ_RATIO.value / limits.ADC_RATE_HZ.value
_GOLDEN = 0.6180339887


def bursts(
    inputs: Sequence[tuple[Converter, int, float]],
    seconds: float,
    stop: Callable[[], bool] = lambda: False,
    settled: Callable[[Sequence[Sequence[int]]], bool] | None = None,
) -> list[list[Sample]]:
    """Conversions of several converters' inputs (converter, input pair, full scale in V) over the same `seconds`.

    The reads take turns on the bus. Their times are absolute, so that the phase between two channels is that of their
    waves: each conversion ended after the read before it and before the read that got it, and over a burst these bounds
    leave a few hundredths of a beat (sample_clock.anchor). `stop` ends it early, `settled` too, asked every tenth of a
    second with the codes so far; all inputs must be those of different converters.

    Raises SenseError for a chip that does not answer or forgot its settings, ClippedError (a SenseError) for a signal
    that leaves the range.
    """
    converters = [converter for converter, _, _ in inputs]
    clock, sleep = converters[0].clock, converters[0].sleep

    def attempt() -> list[_Reader]:
        spread = limits.ADC_PAUSE_SPREAD.value if len(inputs) > 1 else 0.0
        readers = [_Reader(*row, spread) for row in inputs]
        blame = converters[0]
        try:
            for reader in readers:
                blame = reader.converter
                reader.begin()
            until_s = readers[0].stamps[0] + seconds
            ask_s = readers[0].stamps[0] + _ASK_S
            while True:
                reader = min(readers, key=lambda one: one.next_s)
                sleep(max(0.0, reader.next_s - clock()))  # a busy machine comes late
                now_s = clock()
                if now_s >= until_s or stop():
                    break
                if settled is not None and now_s >= ask_s:
                    ask_s = now_s + _ASK_S
                    if settled([one.codes for one in readers]):
                        break
                blame = reader.converter
                reader.read()
            for reader in readers:
                blame = reader.converter
                reader.end()
        except (OSError, ValueError) as error:
            raise _Lost(blame, error) from None
        return readers

    return [reader.converter.samples(reader) for reader in _tried(attempt, clock)]


class _Lost(Exception):
    """A driver's error, with the converter that it came from."""

    def __init__(self, converter: Converter, error: Exception) -> None:
        self.converter, self.error = converter, error


def _tried(action: Callable[[], _Got], clock: Callable[[], float]) -> _Got:
    """Do it; once more where a single transaction failed at once, as a spark of the contactor may cause."""
    began_s = clock()
    try:
        return action()
    except _Lost as lost:
        refused = lost.converter.lost(lost.error)
        if isinstance(lost.error, SenseError) or clock() - began_s > limits.ADC_ANSWER_S.value:
            raise refused from None
    try:
        return action()
    except _Lost as lost:
        raise lost.converter.lost(lost.error) from None


_ASK_S = 0.1


def _fresh(stamps: list[float], codes: list[int]) -> list[bool]:
    """Which reads got a new result: another code, or the same one too late to be the same result."""
    longest_s = limits.ADC_SLOWEST.value / limits.ADC_RATE_HZ.value
    fresh, last_s = [False], stamps[0]
    for (at_s, code), before in zip(zip(stamps[1:], codes[1:], strict=True), codes, strict=False):
        new = code != before or at_s - last_s > longest_s
        fresh.append(new)
        last_s = at_s if new else last_s
    return fresh


class ClippedError(SenseError):
    """The signal left the converter's range; a coarser range may hold it."""
