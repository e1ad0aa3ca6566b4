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
from typing import Any

from adafruit_ads1x15.ads1x15 import Mode
from adafruit_ads1x15.ads1115 import ADS1115

from hardware.waveform import Sample
from monitor import limits
from monitor.errors import SenseError

# full scale in V -> the driver's gain
GAINS: dict[float, float] = {6.144: 2 / 3, 4.096: 1, 2.048: 2, 1.024: 4, 0.512: 8, 0.256: 16}
_CLIP_CODES = 32760


class _Bounded(ADS1115):
    """The driver, with an end to its polling."""

    def __init__(self, bus: Any, address: int, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._polled_since_s: float | None = None
        super().__init__(bus, data_rate=int(limits.ADC_RATE_HZ.value), address=address)

    def read(self, pin: int) -> int:
        self._polled_since_s = self._clock()
        return int(super().read(pin))

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

    @property
    def place(self) -> str:
        return f"ADC 0x{self.address:02x}"

    def single_v(self, mux: int, full_scale_v: float) -> float:
        """One conversion of input pair `mux` (0..7, ADS1115 data sheet), V. Raises SenseError."""
        try:
            driver = self._ready(full_scale_v)
            code = driver.read(mux)
        except (OSError, ValueError) as error:
            raise self._lost(error) from None
        return self._volts(code, full_scale_v)

    def burst(
        self, mux: int, full_scale_v: float, seconds: float, stop: Callable[[], bool] = lambda: False
    ) -> list[Sample]:
        """Conversions of input pair `mux` for `seconds`, each once, stamped when read; ends early when `stop` says so.

        Raises SenseError for a chip that does not answer or a signal that leaves the range.
        """
        try:
            return self._burst(mux, full_scale_v, seconds, stop)
        except (OSError, ValueError) as error:
            raise self._lost(error) from None

    def _burst(self, mux: int, full_scale_v: float, seconds: float, stop: Callable[[], bool]) -> list[Sample]:
        driver = self._ready(full_scale_v)
        driver.read(mux)
        driver.mode = Mode.CONTINUOUS
        last = self._signed(driver.get_last_result(False))
        beat_s = 1 / limits.ADC_RATE_HZ.value
        pause_s = beat_s * limits.ADC_READ_RATIO.value
        start_s = next_s = last_s = self._clock()
        samples: list[Sample] = []
        while (now_s := self._clock()) < start_s + seconds and not stop():
            code = self._signed(driver.get_last_result(True))
            # The same code again, and too soon for another conversion: the same conversion.
            if code != last or now_s - last_s > 1.15 * beat_s:
                samples.append(Sample(now_s, self._volts(code, full_scale_v)))
                last, last_s = code, now_s
            next_s = max(next_s + pause_s, now_s)
            self._sleep(next_s - self._clock())
        return samples

    def _ready(self, full_scale_v: float) -> _Bounded:
        if self._driver is None:
            self._driver = _Bounded(self._bus, self.address, self._clock)
        driver = self._driver
        if driver.mode != Mode.SINGLE:
            driver.mode = Mode.SINGLE
        if driver.gain != GAINS[full_scale_v]:
            driver.gain = GAINS[full_scale_v]
        return driver

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


class ClippedError(SenseError):
    """The signal left the converter's range; a coarser range may hold it."""
