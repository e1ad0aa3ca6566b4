"""waveform.measure against numpy: densely sampled truth, windows, fits at known frequency (IEEE Std 1057), noise."""

from __future__ import annotations

from math import pi, sqrt
from random import Random

import numpy as np
import pytest

from condenser_monitor.hardware.waveform import (
    Sample,
    even_times,
    measure,
    sinc,
)
from tests.hardware.bench import Wave

RATE_HZ = 860.0


def drawn(rng: np.random.Generator) -> Random:
    """A generator for phases, drawn from numpy's."""
    return Random(int(rng.integers(1 << 30)))


def sampled(wave: Wave, rate_hz: float, seconds: float = 0.12, start_s: float = 0.0) -> list[Sample]:
    """Means over one conversion, stamped at the end of it."""
    ends = start_s + np.arange(1, int(seconds * rate_hz)) / rate_hz
    return [Sample(float(end), wave(float(end) - 1 / rate_hz, float(end))) for end in ends]


def true_rms(wave: Wave, seconds: float = 1.0) -> float:
    """numpy's RMS of a second of the wave in steps of 10 microseconds."""
    t = np.arange(0, seconds, 1e-5)
    return float(np.sqrt(np.mean(np.array([wave.at(x) for x in t]) ** 2)))


@pytest.mark.parametrize("line_hz", [50.0, 60.0])
def test_rms_is_numpys_rms_whatever_the_phase_clock_and_harmonics(line_hz: float) -> None:
    """Drawn at random (seed 5): phases, clock within 10 %, third, fifth and seventh up to 20 % together; 0.2 %."""
    rng = np.random.default_rng(5)
    for _ in range(30):
        shares = rng.dirichlet((1, 1, 1)) * rng.uniform(0, 0.2)
        wave = Wave(5.0, line_hz, list(zip((3, 5, 7), map(float, shares), strict=True)), drawn(rng))
        rate_hz = RATE_HZ * rng.uniform(0.9, 1.1)
        found = measure(sampled(wave, rate_hz, start_s=rng.uniform()), line_hz, 1 / rate_hz)
        assert found is not None
        assert found.rms == pytest.approx(true_rms(wave, 0.1), rel=0.002)


@pytest.mark.parametrize("jitter_s", [0.0, 0.5e-3, 1.0e-3])
def test_stamps_that_jitter_are_put_back_on_the_beat(jitter_s: float) -> None:
    """Every stamp late by up to 1 ms, evenly spread; no conversion missed: still 1 %, at every clock within 10 %."""
    rng = np.random.default_rng(7)
    for share in ((), ((3, 0.2),), ((5, 0.2),), ((7, 0.2),)):
        for error in (-0.1, -0.05, 0.0, 0.05, 0.1):
            rate_hz = RATE_HZ * (1 + error)
            wave = Wave(5.0, 60.0, share, drawn(rng))
            late = [Sample(t_s + rng.uniform(0, jitter_s), v) for t_s, v in sampled(wave, rate_hz)]
            found = measure(even_times(late), 60.0, 1 / RATE_HZ)
            assert found is not None
            assert found.rms == pytest.approx(5.0, rel=0.01)


def test_missing_conversions_do_not_matter() -> None:
    """Any third of the conversions dropped at random: 0.1 %, though numpy's RMS of what is left is off by more."""
    rng = np.random.default_rng(11)
    worst_left = 0.0
    for _ in range(20):
        wave = Wave(5.0, 60.0, ((3, 0.1), (5, 0.05)), drawn(rng))
        kept = [sample for sample in sampled(wave, RATE_HZ) if rng.uniform() > 1 / 3]
        found = measure(kept, 60.0, 1 / RATE_HZ)
        assert found is not None
        assert found.rms == pytest.approx(5.0, rel=0.001)
        worst_left = max(worst_left, abs(float(np.std([v for _, v in kept])) / 5.0 - 1))
    assert worst_left > 0.01


def test_the_fundamental_is_numpys_least_squares_fit() -> None:
    """IEEE Std 1057's three-parameter fit, by numpy.linalg.lstsq on the same samples of a clean sine, to 1e-6."""
    wave = Wave(3.0, 60.0)
    samples = sampled(wave, 812.0)
    t = np.array([sample.t_s for sample in samples])
    v = np.array([sample.v for sample in samples])
    columns = np.column_stack((np.cos(2 * pi * 60 * t), np.sin(2 * pi * 60 * t), np.ones_like(t)))
    a, b, c = np.linalg.lstsq(columns, v, rcond=None)[0]
    found = measure(samples, 60.0, 1 / 812.0)
    assert found is not None
    assert found.fundamental == pytest.approx(np.hypot(a, b) / sqrt(2) / np.sinc(60 / 812), rel=1e-6)
    assert found.mean == pytest.approx(c, abs=1e-6)


def test_the_harmonic_fit_is_numpys() -> None:
    """All parameters at once by numpy.linalg.lstsq, on samples with gaps, noise and an offset: RMS to 1e-3."""
    rng = np.random.default_rng(3)
    wave = Wave(3.0, 60.0, ((2, 0.05), (3, 0.15), (5, 0.1), (7, 0.05)), drawn(rng))
    samples = [Sample(t, v + 0.4 + rng.normal(0, 0.02)) for t, v in sampled(wave, 860.0) if rng.uniform() > 0.2]
    t = np.array([sample.t_s for sample in samples])
    v = np.array([sample.v for sample in samples])
    orders = (1, 2, 3, 5, 7, 9)
    waves = [f(2 * pi * 60 * order * t) for order in orders for f in (np.cos, np.sin)]
    columns = np.column_stack([np.ones_like(t), *waves])
    fit = np.linalg.lstsq(columns, v, rcond=None)[0]
    power = [(fit[1 + 2 * k] ** 2 + fit[2 + 2 * k] ** 2) / 2 / np.sinc(o * 60 / 860) ** 2 for k, o in enumerate(orders)]
    rest = np.mean((v - columns @ fit) ** 2)
    found = measure(samples, 60.0, 1 / 860)
    assert found is not None
    assert found.rms == pytest.approx(np.sqrt(sum(power) + rest), rel=1e-3)
    assert found.mean == pytest.approx(fit[0], abs=1e-3)


def test_amplitude_scatter_reaches_the_cramer_rao_bound() -> None:
    """sd(A) of a sine in white noise is at best sigma sqrt(2/N) (standard bound); N = 860, sigma = 0.05: 0.002411.

    300 runs lie within 10 % of it (they scatter by 4 %), though more parameters than the sine's are fitted."""
    rng = np.random.default_rng(1)
    t = np.arange(860) / 860.0
    found = []
    for _ in range(300):
        v = np.sin(2 * pi * 60 * t + 0.3) + rng.normal(0, 0.05, 860)
        one = measure([Sample(float(a), float(b)) for a, b in zip(t, v, strict=True)], 60.0)
        assert one is not None
        found.append(one.fundamental * sqrt(2))
    assert np.std(found) == pytest.approx(0.05 * sqrt(2 / 860), rel=0.1)
    assert np.mean(found) == pytest.approx(1.0, abs=0.001)


def test_noise_alone_counts_as_rms() -> None:
    """White noise of RMS 1 reads numpy's standard deviation within 1.5 times: what the high orders take is given back
    as if it were theirs, which is stated here and small beside any current."""
    rng = np.random.default_rng(2)
    for _ in range(10):
        v = rng.normal(0, 1.0, 103)
        found = measure([Sample(k / 860, float(x)) for k, x in enumerate(v)], 60.0, 1 / 860)
        assert found is not None
        assert 0.98 < found.rms / np.std(v) < 1.5


def test_sinc_is_numpys() -> None:
    """sin(pi x) / (pi x), 1 at 0."""
    for x in (0.0, 0.07, 0.5, 0.9):
        assert sinc(x) == pytest.approx(float(np.sinc(x)))


def test_too_little_to_tell_is_none() -> None:
    """Fewer than four cycles, or fewer than eight samples a cycle, give no number."""
    wave = Wave(5.0, 60.0)
    assert measure([], 60.0) is None
    assert measure(sampled(wave, 860.0, 0.06), 60.0) is None
    assert measure(sampled(wave, 300.0), 60.0) is None
    assert measure(sampled(wave, 860.0, 0.08), 60.0) is not None
