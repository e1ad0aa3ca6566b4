"""Volts and amps sampled together: phase, real power and power factor, through the shipped drivers' own bytes.

The outside check is numpy: the mean of the product of the two waves and the product of their RMS values, as IEEE Std
1459-2010 defines active and apparent power for waves of any form. Measured waves: tests/data (see its README).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import acos, cos, degrees, pi, radians
from random import Random

import numpy as np
import pytest

from condenser_monitor.hardware.analog import Converter, bursts
from condenser_monitor.hardware.boards import channels
from condenser_monitor.hardware.calibration import CalibrationPoint, Trim, calibrate
from condenser_monitor.hardware.sample_clock import anchor
from condenser_monitor.hardware.uncertainty import uncertainty
from condenser_monitor.hardware.waveform import Power, Sample, power
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.errors import CommandError, WiringError
from condenser_monitor.sim.bus import Ads1115, FakeI2C, VirtualClock
from tests.hardware.bench import BIAS_V, Bench, Signal

HZ = 60.0
_Terms = Sequence[tuple[int, float, float]]  # order, RMS, phase behind the line at that order


class Harmonics:
    """A wave by its harmonics; the exact mean over a stretch."""

    def __init__(self, terms: _Terms, hz: float = HZ) -> None:
        self.terms, self.hz = terms, hz

    def __call__(self, start_s: float, end_s: float) -> float:
        turn = 2 * pi * self.hz
        total = 0.0
        for order, rms, phase in self.terms:
            rate = turn * order
            total += (
                rms
                * 2**0.5
                * (np.cos(rate * start_s - phase) - np.cos(rate * end_s - phase))
                / (rate * (end_s - start_s))
            )
        return float(total)

    def values(self, at_s: np.ndarray) -> np.ndarray:
        """Values at instants."""
        total = np.zeros_like(at_s)
        for order, rms, phase in self.terms:
            total += rms * 2**0.5 * np.sin(2 * pi * self.hz * order * at_s - phase)
        return total


def by_numpy(volts: Harmonics, amps: Harmonics) -> tuple[float, float]:
    """(active, apparent) over a hundred whole cycles."""
    at_s = np.arange(0, 100 / volts.hz, 1 / volts.hz / 2000)
    v, i = volts.values(at_s), amps.values(at_s)
    return float(np.mean(v * i)), float(np.sqrt(np.mean(v * v) * np.mean(i * i)))


LINE: _Terms = ((1, 240.0, 0.0), (3, 2.4, 0.3), (5, 4.8, 2.0))
WAVES: dict[str, _Terms] = {
    "resistive": ((1, 12.0, 0.0), (3, 0.12, 0.3), (5, 0.24, 2.0)),
    "motor": ((1, 12.0, 0.35), (3, 0.4, 1.0), (5, 0.25, 0.4)),
    "motor without its capacitor": ((1, 17.0, 0.75), (3, 0.9, 1.0), (5, 0.5, 0.4)),
    "leading": ((1, 4.0, -1.2), (3, 0.08, 0.0)),
    "rectifier": ((1, 6.0, 0.1), (3, 4.2, 3.4), (5, 2.2, 0.5), (7, 0.9, 3.5)),
}


class Source:
    """One channel of a converter, in volts at its pin, about the bias."""

    def __init__(self, signal: Signal, scale: float) -> None:
        self.signal, self.scale = signal, scale

    def mean_v(self, pin: int, start_s: float, end_s: float) -> float:
        return BIAS_V + (self.signal(start_s, end_s) * self.scale if pin != 3 else 0.0)


V_SCALE, A_SCALE = 0.136 / 240, 0.005


def measured(volts: Harmonics, amps: Harmonics, seed: int, bursts_taken: int = 1) -> Iterator[Power]:
    """Bursts of two converters, each with a clock of its own up to 10 % off, started at any instant; those whose beat
    was not found are left out, as the boards do."""
    rng = Random(seed)
    clock = VirtualClock(rng.random())
    sources = {0x48: Source(volts, V_SCALE), 0x49: Source(amps, A_SCALE)}
    chips = {
        address: Ads1115(source, clock, clock_error=rng.uniform(-0.1, 0.1), noise_codes=0.7, seed=seed + address)
        for address, source in sources.items()
    }
    bus = FakeI2C(clock, chips)
    pair = [Converter(bus, address, clock, clock.sleep) for address in chips]
    for _ in range(bursts_taken):
        v, i = bursts([(pair[0], 3, 0.256), (pair[1], 1, 0.256)], 0.12)
        found = power(v, i, 60.0, (pair[0].conversion_s, pair[1].conversion_s))
        assert found is not None
        if all(converter.timed for converter in pair):
            yield found
        clock.sleep(rng.random())


@pytest.mark.parametrize("shape", WAVES)
def test_power_by_bursts_is_that_of_numpy(shape: str) -> None:
    """Over clocks 10 % off either way and any start: within 2 % of the apparent power, on average within 0.3 %."""
    volts, amps = Harmonics(LINE), Harmonics(WAVES[shape])
    active, apparent = by_numpy(volts, amps)
    scale = V_SCALE * A_SCALE
    errors = []
    for seed in range(12):
        for found in measured(volts, amps, seed):
            assert found.apparent / scale == pytest.approx(apparent, rel=0.02 if shape == "rectifier" else 0.005)
            errors.append((found.active / scale - active) / apparent)
    assert max(map(abs, errors)) < 0.02
    assert abs(sum(errors) / len(errors)) < 0.003


def test_the_phase_between_two_converters_is_absolute() -> None:
    """No constant is left over: over clocks 10 % off, phases and starts the error is some tenths of a degree."""
    rng, errors = Random(4), []
    for seed in range(30):
        phase = rng.uniform(-1.3, 1.3)
        for found in measured(Harmonics(LINE), Harmonics(((1, 10.0, phase),)), 100 + seed, 2):
            errors.append(degrees(found.displacement_rad - phase))
    rms = (sum(error * error for error in errors) / len(errors)) ** 0.5
    assert rms < 0.4
    assert max(map(abs, errors)) < 1.2


@pytest.mark.parametrize("seed", [171, 184, 262, 268])
def test_a_burst_whose_beat_is_not_found_makes_no_power(seed: int) -> None:
    """Once in some fifty first bursts the reads contradict the beat: its samples would be a conversion off, 22 degrees.
    Either the beat is found, or there is no power; seeds at which it was wrong."""
    phase = 0.44
    for found in measured(Harmonics(LINE), Harmonics(((1, 10.0, phase),)), seed, 3):
        assert abs(degrees(found.displacement_rad - phase)) < 1.5


@pytest.mark.parametrize(("seed", "phase"), [(171, -0.439), (184, -0.233)])
def test_a_beat_between_two_steps_of_the_search_is_found(seed: int, phase: float) -> None:
    """Two of 200 first bursts in which one beat contradicts no read and its neighbours some: power all the same."""
    found = list(measured(Harmonics(LINE), Harmonics(((1, 10.0, phase),)), seed, 3))
    assert len(found) == 3
    assert all(abs(degrees(one.displacement_rad - phase)) < 2.0 for one in found)


def test_without_a_beat_the_boards_still_read_volts_and_amps() -> None:
    """The power alone is missing, and says why."""
    found = bench(Harmonics(WAVES["motor"]))
    found.boards.scan()
    for converter in found.boards._converters.values():
        converter._beat.times = lambda *_: None  # type: ignore[method-assign]
    scan = found.boards.scan()
    assert scan.compressor_a == pytest.approx(12.0, rel=0.02)
    assert scan.line_v == pytest.approx(240.0, rel=0.02)
    assert scan.compressor_w is None
    assert "compressor_w" in found.boards.faults()


@pytest.mark.parametrize("order", [1, 3, 5])
def test_power_of_instant_samples_is_exact(order: int) -> None:
    """Without a converter in between the definitions hold to rounding, harmonic by harmonic."""
    volts, amps = Harmonics(LINE), Harmonics(((1, 10.0, 0.4), (order, 3.0, 0.9)) if order > 1 else ((1, 10.0, 0.4),))
    at_s = np.arange(0, 6 / HZ, 1 / 2400)
    v = [Sample(float(t), float(x)) for t, x in zip(at_s, volts.values(at_s), strict=True)]
    i = [Sample(float(t), float(x)) for t, x in zip(at_s + 1e-4, amps.values(at_s + 1e-4), strict=True)]
    found = power(v, i, HZ)
    assert found is not None
    active, apparent = by_numpy(volts, amps)
    assert found.active == pytest.approx(active, rel=2e-3)
    assert found.factor == pytest.approx(active / apparent, rel=2e-3)


# ---------------------------------------------------------------- through the boards


FITTED = ("compressor_a", "line_v", "compressor_w")


def bench(amps: Callable[[float, float], float], trims: dict[str, Trim] | None = None, seed: int = 0) -> Bench:
    """Boards with both channels on their scales."""
    made = Bench({"line_v": Harmonics(LINE), "compressor_a": amps}, fitted=FITTED, trims=trims, seed=seed)
    return made


def test_the_boards_read_volts_amps_and_watts() -> None:
    """One scan has all three, and they belong together."""
    amps = Harmonics(WAVES["motor"])
    active, apparent = by_numpy(Harmonics(LINE), amps)
    boards = bench(amps).boards
    boards.scan()
    scan = boards.scan()
    assert scan.line_v is not None
    assert scan.compressor_a is not None
    assert scan.line_v * scan.compressor_a == pytest.approx(apparent, rel=0.01)
    assert scan.compressor_w == pytest.approx(active, rel=0.02)
    assert boards.faults() == {}


def test_a_transformer_the_other_way_round_reads_the_same_watts() -> None:
    """A motor takes power; which way its lead goes through the window does not matter."""
    turned = Harmonics([(order, rms, phase + pi) for order, rms, phase in WAVES["motor"]])
    active, _ = by_numpy(Harmonics(LINE), Harmonics(WAVES["motor"]))
    boards = bench(turned).boards
    boards.scan()
    assert boards.scan().compressor_w == pytest.approx(active, rel=0.02)


def test_without_its_volts_the_current_is_still_read() -> None:
    """One dead converter costs its own readings and the power, not the other's."""
    found = bench(Harmonics(WAVES["motor"]))
    found.chips[0x48].absent = True
    scan = found.boards.scan()
    assert scan.compressor_a == pytest.approx(12.0, rel=0.01)
    assert scan.line_v is None
    assert scan.compressor_w is None
    assert set(found.boards.faults()) == {"line_v", "compressor_w"}


def test_power_without_volts_or_amps_is_refused() -> None:
    """The site file that fits one without the others says what is missing, in its own words."""
    for fitted in (("compressor_w", "line_v"), ("compressor_w", "compressor_a")):
        with pytest.raises(WiringError, match="line_v and compressor_a"):
            channels(Settings(senses=SensorSettings(fitted=fitted)))


@pytest.mark.parametrize(("lag_deg", "shape"), [(3.0, "motor"), (-4.0, "motor"), (2.5, "resistive")])
def test_a_transformers_angle_is_calibrated_away(lag_deg: float, shape: str) -> None:
    """A comparison with a power meter, on the motor or on a resistive load, corrects the angle; not only there."""
    lagging = Harmonics([(order, rms, phase + radians(lag_deg)) for order, rms, phase in WAVES[shape]])
    raw = bench(lagging)
    raw.boards.scan()
    scan = raw.boards.scan()
    true_w, _ = by_numpy(Harmonics(LINE), Harmonics(WAVES[shape]))
    assert scan.line_v is not None
    assert scan.compressor_a is not None
    assert scan.compressor_w is not None
    assert raw.boards.displacement_deg is not None
    point = CalibrationPoint(
        raw=scan.compressor_w,
        meter=true_w,
        apparent=scan.line_v * scan.compressor_a,
        displacement_deg=raw.boards.displacement_deg,
    )
    row = calibrate("compressor_w", [point], by="R. Vale")
    assert row.offset == pytest.approx(lag_deg, abs=0.6 if shape == "resistive" else 1.5)
    other = Harmonics([(o, rms, p + radians(lag_deg)) for o, rms, p in WAVES["motor without its capacitor"]])
    wanted, _ = by_numpy(Harmonics(LINE), Harmonics(WAVES["motor without its capacitor"]))
    found = bench(other, {"compressor_w": row.trim}, seed=3)
    found.boards.scan()
    assert found.boards.scan().compressor_w == pytest.approx(wanted, rel=0.03)


def test_an_angle_that_no_transformer_has_is_refused() -> None:
    """Half the watts of volts and amps: the lead or the volts are wrong, and no trim hides it."""
    point = CalibrationPoint(raw=2600, meter=1400, apparent=2800, displacement_deg=degrees(acos(2600 / 2800)))
    with pytest.raises(CommandError, match="farther off, look at the lead"):
        calibrate("compressor_w", [point], by="R. Vale")


def test_a_cosine_near_one_tells_no_angle() -> None:
    """A motor compensated to 0.98 is sent away: a percent of its watts would be three degrees."""
    point = CalibrationPoint(raw=2800, meter=2744, apparent=2800, displacement_deg=9.0)
    with pytest.raises(CommandError, match="a resistive load"):
        calibrate("compressor_w", [point], by="R. Vale")


def test_the_stated_uncertainty_covers_what_is_measured() -> None:
    """The error against numpy, with the parts' own gains right, stays within what the report states."""
    amps = Harmonics(WAVES["motor"])
    active, _ = by_numpy(Harmonics(LINE), amps)
    stated = uncertainty("compressor_w", active).expanded
    for seed in range(6):
        boards = bench(amps, seed=seed).boards
        boards.scan()
        found = boards.scan().compressor_w
        assert found is not None
        assert abs(found - active) < stated
    assert stated < 0.08 * active
    assert cos(0.35) == pytest.approx(active / (240 * 12), rel=0.02)


def _read_burst(random: Random) -> tuple[list[float], list[bool], list[float | None]]:
    """Stamps of 110 reads of a converter, which of them found a new result, and when on its beat, to a constant."""
    beat_s, phase_s, rate = random.uniform(0.92, 1.08) / 860, random.uniform(0.0, 0.001), random.uniform(-0.002, 0.002)
    now_s, before = 0.0, -1
    stamps: list[float] = []
    fresh: list[bool] = []
    times: list[float | None] = []
    for _ in range(110):
        now_s += random.uniform(0.0006, 0.0009)
        count = int((now_s - phase_s) / beat_s // 1)
        stamps.append(now_s)
        fresh.append(count != before)
        if count != before:
            # Nobody knows how long before the first read its conversion ended.
            times.append((phase_s + count * beat_s) * (1.0 + rate) - 0.4 if len(stamps) > 1 else None)
        before = count
    return stamps, fresh, times


def test_where_conversions_end_is_what_every_read_allows() -> None:
    """The same bounds for each rate by numpy, over all reads and not the corners of their hull."""
    random, found = Random(5), 0
    for _ in range(40):
        stamps, fresh, times = _read_burst(random)
        shift = anchor(stamps, fresh, times)
        at_s = np.array([at for at in times if at is not None])
        news = [(before, at) for before, at, new in zip((stamps[0], *stamps), stamps, fresh, strict=False) if new]
        lows, highs = np.array([bound for bound, at in zip(news, times, strict=True) if at is not None]).T
        off_s = at_s - (at_s[0] + at_s[-1]) / 2
        rates = np.linspace(-0.003, 0.003, 61)[:, None]
        low, high = (lows - at_s - rates * off_s).max(axis=1), (highs - at_s - rates * off_s).min(axis=1)
        room = (high - low).clip(min=0.0)
        if room.sum() == 0.0:
            assert shift is None
            continue
        assert shift is not None
        found += 1
        assert shift.by_s == pytest.approx((room * (low + high) / 2).sum() / room.sum(), abs=1e-12)
        assert shift.rate == pytest.approx((room * rates[:, 0]).sum() / room.sum(), abs=1e-9)
        assert shift.half_s == pytest.approx(room.max() / 2, abs=1e-12)
    assert found > 20
