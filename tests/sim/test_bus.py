"""The fake wires against the ADS1115 data sheet (SBAS444D, January 2018): registers, codes, rates, resolution."""

from __future__ import annotations

import numpy as np
import pytest

from condenser_monitor.sim.bus import (
    CONFIG,
    CONVERSION,
    FAST_HZ,
    FULL_SCALE_V,
    HIGH_LIMIT,
    LOW_LIMIT,
    OVERHEAD_S,
    RATES_HZ,
    Ads1115,
    FakeI2C,
    LeanPin,
    VirtualClock,
    drive,
    pin_factory,
)
from tests.sim.recorded import Recorded


class Volts:
    """Steady volts at the four inputs."""

    def __init__(self, *volts: float) -> None:
        self.volts = [*volts, 0.0, 0.0, 0.0, 0.0]

    def mean_v(self, pin: int, start_s: float, end_s: float) -> float:
        return self.volts[pin]


def chip(*volts: float, clock_error: float = 0.0) -> Ads1115:
    return Ads1115(Volts(*volts), VirtualClock(), clock_error=clock_error)


def register(device: Ads1115, number: int) -> int:
    device.write(bytes([number]))
    return int.from_bytes(device.read(2), "big")


def convert(device: Ads1115, *, mux: int = 4, gain: int = 2, rate: int = 7) -> int:
    """One single-shot conversion, its code as the 16 bits that the chip sends."""
    device.write(bytes([CONFIG]) + (0x8103 | mux << 12 | gain << 9 | rate << 5).to_bytes(2, "big"))
    device.clock.sleep(1.2 / RATES_HZ[rate])
    return register(device, CONVERSION)


def test_registers_after_power_up() -> None:
    """Data sheet: Config 8583h (OS 1, MUX 0, PGA 2, MODE 1, DR 4, COMP_QUE 3), Lo_thresh 8000h, Hi_thresh 7FFFh."""
    device = chip()
    found = [register(device, number) for number in (CONVERSION, CONFIG, LOW_LIMIT, HIGH_LIMIT)]
    assert found == [0x0000, 0x8583, 0x8000, 0x7FFF]
    word = found[CONFIG]
    assert (word >> 12 & 7, word >> 9 & 7, word >> 8 & 1, word >> 5 & 7, word & 3) == (0, 2, 1, 4, 3)


LSB_UV = {0: 187.5, 1: 125.0, 2: 62.5, 3: 31.25, 4: 15.625, 5: 7.8125, 6: 7.8125, 7: 7.8125}


@pytest.mark.parametrize("gain", LSB_UV)
def test_range_and_resolution_swept(gain: int) -> None:
    """Data sheet, table 3: full scale and size of a code. From end to end the code is the voltage to half a code,
    and beyond the ends it stays at 7FFFh or 8000h."""
    full_v, lsb_v = FULL_SCALE_V[gain], LSB_UV[gain] * 1e-6
    assert full_v / 32768 == pytest.approx(lsb_v)
    for share in np.linspace(-1.3, 1.3, 131):
        code = convert(chip(share * full_v), gain=gain)
        signed = code - 65536 if code & 0x8000 else code
        wanted = min(max(share * full_v, -full_v), full_v - lsb_v)
        assert abs(signed * lsb_v - wanted) <= 0.5001 * lsb_v


@pytest.mark.parametrize(
    ("volts", "code"),
    [
        # data sheet, data format: at +FS and more, one code, zero, minus one code, at -FS and less
        *((2.048, 0x7FFF), (9.0, 0x7FFF), (2.048 * (1 - 2**-15), 0x7FFF), (62.5e-6, 0x0001), (0.0, 0x0000)),
        *((-62.5e-6, 0xFFFF), (-2.048, 0x8000), (-9.0, 0x8000)),
        # by arithmetic at +-2.048 V
        *((1.0, 0x3E80), (-1.0, 0xC180), (0.333, 0x14D0), (-1.024, 0xC000)),
    ],
)
def test_codes(volts: float, code: int) -> None:
    """Codes of the data sheet's table, and of four voltages worked out by hand."""
    assert convert(chip(volts)) == code


def test_input_pairs() -> None:
    """Data sheet, MUX codes 0 to 7: 0-1, 0-3, 1-3, 2-3, and each input to ground."""
    volts = (0.1, 0.3, 0.6, 1.0)
    pairs = (0.1 - 0.3, 0.1 - 1.0, 0.3 - 1.0, 0.6 - 1.0, *volts)
    for mux, wanted in enumerate(pairs):
        code = convert(chip(*volts), mux=mux)
        assert (code - 65536 if code & 0x8000 else code) * 62.5e-6 == pytest.approx(wanted, abs=40e-6)


@pytest.mark.parametrize("clock_error", [-0.1, 0.0, 0.1])
@pytest.mark.parametrize("rate", range(8))
def test_rates_and_the_ready_bit(rate: int, clock_error: float) -> None:
    """Data sheet: 8 to 860 samples a second within 10 %; the OS bit is 0 from the start of a conversion to its end."""
    device = chip(1.0, clock_error=clock_error)
    device.write(bytes([CONFIG]) + (0xC103 | 2 << 9 | rate << 5).to_bytes(2, "big"))
    took_s = 1 / ((8, 16, 32, 64, 128, 250, 475, 860)[rate] * (1 + clock_error))
    device.clock.sleep(0.99 * took_s)
    assert not register(device, CONFIG) & 0x8000
    assert register(device, CONVERSION) == 0
    device.clock.sleep(0.02 * took_s)
    assert register(device, CONFIG) & 0x8000
    assert register(device, CONVERSION) == 0x3E80


def test_a_single_conversion_is_not_repeated() -> None:
    """Single-shot: the result stays although the input moves; continuous: it follows, one conversion behind."""
    device = chip(1.0)
    convert(device)
    source = device.source
    assert isinstance(source, Volts)
    source.volts[0] = 0.5
    device.clock.sleep(1.0)
    assert register(device, CONVERSION) == 0x3E80
    device.write(bytes([CONFIG]) + (0x4003 | 2 << 9 | 7 << 5).to_bytes(2, "big"))
    device.clock.sleep(1.1 / 860)
    assert register(device, CONVERSION) == 0x1F40


def test_a_conversion_is_a_mean() -> None:
    """The chip's filter takes 0.8 % from a 60 Hz wave at 860 a second: sin(x)/x with x = pi 60/860, by numpy."""
    t = np.arange(0, 1, 1e-5)
    source = Recorded(list(np.sin(2 * np.pi * 60 * t)), 1e5)
    means = [source.mean_v(0, at, at + 1 / 860) for at in np.arange(0, 0.9, 1 / 860)]
    assert np.std(means) * np.sqrt(2) == pytest.approx(np.sinc(60 / 860), rel=1e-3)
    assert np.sinc(60 / 860) == pytest.approx(0.992, abs=2e-4)


def test_a_recording_is_played_as_straight_lines() -> None:
    """Means over any stretch, also over the seam, against numpy's trapezoids."""
    points = [0.3, -1.0, 2.0, 0.7, 0.1]
    source = Recorded(points, 10.0, pin=2, bias_v=1.65)
    t = np.linspace(0, 1.5, 150_001)
    wave = np.interp(t % 0.5, np.arange(6) / 10, [*points, points[0]])
    for start, end in ((0.0, 0.1), (0.02, 0.05), (0.13, 0.38), (0.42, 0.61), (0.05, 1.35)):
        inside = (t >= start - 1e-9) & (t <= end + 1e-9)
        mean = np.trapezoid(wave[inside], t[inside]) / (end - start)
        assert source.mean_v(2, start, end) == pytest.approx(1.65 + mean, abs=1e-4)
    assert source.mean_v(0, 0.0, 0.1) == 1.65


# ---------------------------------------------------------------- the bus


def test_who_does_not_answer() -> None:
    """No chip at the address, an absent chip: OSError, as the kernel gives it; the lock is one's own."""
    device = chip()
    bus = FakeI2C(device.clock, {0x48: device})
    assert bus.scan() == [0x48]
    with pytest.raises(OSError, match="Remote I/O"):
        bus.writeto(0x49, b"")
    device.absent = True
    assert bus.scan() == []
    with pytest.raises(OSError, match="Remote I/O"):
        bus.writeto(0x48, b"")
    assert bus.try_lock()
    assert not bus.try_lock()
    bus.unlock()
    assert bus.try_lock()


def test_errors_come_as_often_as_asked_and_the_same_each_time() -> None:
    """A tenth of the transactions fails, within five standard deviations of 1000; the same seed fails the same ones."""

    def failed() -> list[bool]:
        device = Ads1115(Volts(), VirtualClock(), seed=3)
        device.error_rate = 0.1
        found = []
        for _ in range(1000):
            try:
                device.write(b"\x01")
                found.append(False)
            except OSError:
                found.append(True)
        return found

    first = failed()
    assert abs(sum(first) - 100) < 5 * np.sqrt(90)
    assert failed() == first


def test_noise_has_the_size_asked_for() -> None:
    """0.7 codes RMS and the rounding's 1 / sqrt(12) together, within a tenth over 2000 conversions."""
    device = Ads1115(Volts(0.1), VirtualClock(), noise_codes=0.7, seed=1)
    codes = [convert(device, gain=5) for _ in range(2000)]
    assert np.std(codes) == pytest.approx(np.hypot(0.7, 12**-0.5), rel=0.1)


def test_traffic_takes_its_time() -> None:
    """Fast mode: nine bits a byte at 400 kHz, the address too, and the kernel's share."""
    device = chip()
    bus = FakeI2C(device.clock, {0x48: device})
    bus.writeto_then_readfrom(0x48, b"\x00", bytearray(2))
    assert device.clock() == pytest.approx(2 * OVERHEAD_S + (2 + 3) * 9 / FAST_HZ)


def test_a_chip_whose_supply_dipped_starts_anew() -> None:
    """All registers as after power-up, no conversion under way."""
    device = chip(1.0)
    convert(device)
    device.restart()
    assert [register(device, number) for number in range(4)] == [0x0000, 0x8583, 0x8000, 0x7FFF]


# ---------------------------------------------------------------- pins and clock


def test_pins_of_several_sites_keep_apart_and_do_not_grow() -> None:
    """Two factories, the same number: each its own level; ten thousand changes leave no history behind."""
    one, two = pin_factory(), pin_factory()
    pins = [factory.pin(17) for factory in (one, two)]
    for pin in pins:
        pin.function = "input"
    for place in range(10_000):
        drive(one, 17, high=bool(place % 2))
    drive(two, 17, high=False)
    assert [bool(pin.state) for pin in pins] == [True, False]
    assert all(isinstance(pin, LeanPin) and len(pin.states) < 10 for pin in pins)


def test_the_clock_moves_only_forwards_and_tells() -> None:
    """Sleeps add up, a negative one does nothing, the follower hears of each move."""
    clock, heard = VirtualClock(5.0), list[float]()
    clock.follow = heard.append
    for seconds in (1.0, -3.0, 0.0, 0.5):
        clock.sleep(seconds)
    assert clock() == 6.5
    assert heard == [6.0, 6.5]
