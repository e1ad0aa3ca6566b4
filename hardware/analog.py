"""Burst sampling of alternating signals over the ADS1115 driver, and single conversions of steady ones.

One thread owns the bus. The driver's traps are worked around here and nowhere else:

- its continuous mode may keep the channel that was set before, so each burst sets the channel by one single-shot
  conversion, which the driver does right in every version, and then goes over to continuous mode;
- the first read after a configuration write returns the configuration register unless the pointer is moved first;
- its single-shot mode polls for the end of the conversion without limit: here the poll gives up after ADC_ANSWER_S.

A chip that does not answer, hangs or clips gives a SenseError; it never gives a number and never waits for ever.
"""

from __future__ import annotations

from collections.abc import Callable
from statistics import median
from typing import Any, TypeVar

from adafruit_ads1x15.ads1x15 import Mode
from adafruit_ads1x15.ads1115 import ADS1115

from condenser_monitor.hardware.sample_clock import SampleClock
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
        anew with others, and its results mean nothing."""
        wanted = pin << 12 | _RANGE_CODES[self.gain] << 9 | self.mode | self.rate_config[self.data_rate]
        if (self._read_register(_CONFIG) ^ wanted) & _SETTINGS:
            place = f"ADC 0x{self.i2c_device.device_address:02x}"
            raise SenseError(place, "settings lost", "a chip with a steady supply")

    def _conversion_complete(self) -> int:
        since_s = self._clock() if self._polled_since_s is None else self._polled_since_s
        if self._clock() - since_s > limits.ADC_ANSWER_S.value:
            place = f"ADC 0x{self.i2c_device.device_address:02x}"
            raise SenseError(place, "no end of a conversion", "1.3 ms at the most")
        return int(super()._conversion_complete())


class Converter:
    """One ADS1115 at `address`. Its driver is made at first use and made anew after an error, so that a chip may come
    and go. `clock` gives s, `sleep` waits s."""

    def __init__(self, bus: Any, address: int, clock: Callable[[], float], sleep: Callable[[float], object]) -> None:
        self.address = address
        self._bus, self._clock, self._sleep = bus, clock, sleep
        self._driver: _Bounded | None = None
        self._beat = SampleClock()
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
        return self._volts(self._tried(lambda: self._convert(self._ready(full_scale_v), mux)), full_scale_v)

    def _convert(self, driver: _Bounded, mux: int) -> int:
        """One conversion, single-shot. The same code from another input or range is a coincidence once; noise ends it,
        a frozen result does not."""
        was = self._single
        for _ in range(_COINCIDENCES):
            code = driver.read(mux)
            self._single = (mux, driver.gain, code)
            if code != was[2] or not _NEAR_ZERO <= abs(code) < _CLIP_CODES or was[:2] == self._single[:2]:
                return code
        raise SenseError(self.place, "the same result from every input", "results that follow the inputs")

    def burst(
        self, mux: int, full_scale_v: float, seconds: float, stop: Callable[[], bool] = lambda: False
    ) -> list[Sample]:
        """Conversions of input pair `mux` for `seconds`, each once, on the converter's beat; `stop` ends it early.

        Raises SenseError for a chip that does not answer or forgot its settings, ClippedError (a SenseError) for a
        signal that leaves the range.
        """
        stamps, codes = self._tried(lambda: self._reads(mux, full_scale_v, seconds, stop))
        fresh = _fresh(stamps, codes)
        volts = [self._volts(code, full_scale_v) for code, new in zip(codes, fresh, strict=True) if new]
        times = self._beat.times(stamps, fresh)
        if times is not None:
            return [Sample(at_s, v) for at_s, v in zip(times, volts, strict=True) if at_s is not None]
        at = [at_s for at_s, new in zip(stamps, fresh, strict=True) if new]
        return even_times([Sample(at_s, v) for at_s, v in zip(at, volts, strict=True)])

    def _reads(
        self, mux: int, full_scale_v: float, seconds: float, stop: Callable[[], bool]
    ) -> tuple[list[float], list[int]]:
        """Time and code of each read of a burst; reads come faster than conversions."""
        driver = self._ready(full_scale_v)
        self._convert(driver, mux)
        driver.mode = Mode.CONTINUOUS
        stamps, codes = [self._clock()], [self._signed(driver.get_last_result(False))]
        pause_s = limits.ADC_READ_RATIO.value / limits.ADC_RATE_HZ.value
        next_s = stamps[0]
        until_s = next_s + seconds
        failed, took = 0, []
        while True:
            next_s = max(next_s + pause_s, stamps[-1])
            self._sleep(next_s - self._clock())
            now_s = self._clock()
            if now_s >= until_s or stop():
                break
            try:
                code = self._signed(driver.get_last_result(True))
            except OSError:
                failed += 1
                if failed > limits.ADC_FAILED_READS.value:
                    raise
                continue
            took.append(self._clock() - now_s)
            stamps.append(now_s)
            codes.append(code)
        driver.check(mux)
        self._refuse_slow(took)
        # One that hung in the burst gave its last result again and again: it must still end a conversion.
        driver.mode = Mode.SINGLE
        self._refuse_frozen(stamps, codes, self._convert(driver, mux))
        return stamps, codes

    def _refuse_slow(self, took: list[float]) -> None:
        """A bus so slow that reads cannot keep up with conversions gives wrong numbers, not only fewer."""
        usual_s, most_s = median(took or [0.0]), limits.ADC_READ_MOST.value / limits.ADC_RATE_HZ.value
        if usual_s > most_s:
            given, wanted = f"a read of {usual_s * 1000:.2f} ms", f"{most_s * 1000:.2f} ms or less: a faster I2C bus"
            raise SenseError(self.place, given, wanted)

    def _refuse_frozen(self, stamps: list[float], codes: list[int], last: int) -> None:
        """A moving signal does not stand still away from zero, unless it clips: then the result is frozen, though
        conversions end."""
        if codes[-1] != last or not _NEAR_ZERO <= abs(last) < _CLIP_CODES or max(codes) - min(codes) < _NEAR_ZERO:
            return
        moved_s = next(at_s for at_s, code in zip(reversed(stamps), reversed(codes), strict=True) if code != last)
        if self._clock() - moved_s > _STANDING / limits.ADC_RATE_HZ.value:
            raise SenseError(self.place, "a result that stands still", "results that follow the inputs")

    def _ready(self, full_scale_v: float) -> _Bounded:
        if self._driver is None:
            self._driver = _Bounded(self._bus, self.address, self._clock)
        driver = self._driver
        if driver.mode != Mode.SINGLE:
            driver.mode = Mode.SINGLE
        if driver.gain != GAINS[full_scale_v]:
            driver.gain = GAINS[full_scale_v]
        return driver

    def _tried(self, action: Callable[[], _Got]) -> _Got:
        """Do it; once more where a single transaction failed at once, as a spark of the contactor may cause."""
        began_s = self._clock()
        try:
            return action()
        except SenseError as error:
            raise self._lost(error) from None
        except (OSError, ValueError) as error:
            lost = self._lost(error)
            if self._clock() - began_s > limits.ADC_ANSWER_S.value:
                raise lost from None
        try:
            return action()
        except (OSError, ValueError) as error:
            raise self._lost(error) from None

    def _lost(self, error: Exception) -> SenseError:
        self._driver = None
        if isinstance(error, SenseError):
            return error
        return SenseError(self.place, str(error) or type(error).__name__, "an ADS1115 that answers at this address")

    @staticmethod
    def _signed(word: int) -> int:
        return word - 65536 if word & 0x8000 else word

    def _volts(self, code: int, full_scale_v: float) -> float:
        if abs(code) >= _CLIP_CODES:
            raise ClippedError(self.place, f"a signal beyond {full_scale_v:g} V", "a signal within the range")
        return code * full_scale_v / 32768


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
