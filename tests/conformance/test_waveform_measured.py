"""Measured currents played through the fake converter give numpy's RMS of the file (tests/data has origins, licences).

A current transformer passes no direct current and the reader removes the mean, so the truth is the RMS with the mean
removed. What the converter's filter takes away is given back up to the ninth harmonic; what lies above stays lost.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest
from scipy.signal import resample

from condenser_monitor.hardware.analog import Converter, bursts
from condenser_monitor.hardware.waveform import Measured, measure
from condenser_monitor.sim.bus import (
    Ads1115,
    FakeI2C,
    VirtualClock,
)
from tests.conformance.measured import DATA, truths
from tests.sim.recorded import Recorded

MOTOR = DATA / "itsc-motor-current-1khz"
FEEDER = DATA / "keating-waveform-31khz"
FINER = 20  # straight lines between samples a millisecond apart would cost 1.2 % at 60 Hz: made finer first
PER_A = 0.03  # V/A: 4.5 A of the motor nearly fill the finest range
FEEDER_PER_A = 0.005  # V/A, as the compressor's channel


def played(points: list[float], rate_hz: float, full_scale_v: float, seconds: float, start_s: float = 0.0) -> Measured:
    """A recording through registers, driver and burst; the chip's clock 4 % fast."""
    clock = VirtualClock(start_s)
    chip = Ads1115(Recorded(points, rate_hz, bias_v=1.65), clock, clock_error=0.04, noise_codes=0.7)
    converter = Converter(FakeI2C(clock, {0x48: chip}), 0x48, clock, clock.sleep)
    found = measure(bursts([(converter, 1, full_scale_v)], seconds)[0], 60.0, converter.conversion_s)
    assert found is not None
    return found


def motor(name: str) -> list[list[float]]:
    """The three line currents, A, at FINER kHz: the band-limited wave through the 1000 samples, by scipy."""
    with (MOTOR / name).open(newline="") as file:
        columns = list(zip(*(map(float, row) for row in csv.reader(file)), strict=True))
    return [[float(a) for a in resample(np.array(column), FINER * len(column))] for column in columns]


def feeder(channel: str) -> list[float]:
    """One channel of the COMTRADE record, A, 30 707 samples a second."""
    lines = (FEEDER / "keating_1999.CFG").read_text().splitlines()
    rows = [line.split(",") for line in lines[2:10]]
    place, row = next((place, row) for place, row in enumerate(rows) if row[1].strip() == channel)
    a, b = float(row[5]), float(row[6])
    data = [line.split(",") for line in (FEEDER / "keating_1999.DAT").read_text().splitlines() if "," in line]
    return [a * int(cells[2 + place]) + b for cells in data]


@pytest.mark.parametrize("name", sorted(truths(MOTOR)))
def test_a_motors_line_currents(name: str) -> None:
    """Three phases of each file, healthy or with shorted turns: numpy's RMS of the second within 1 %."""
    for points, true in zip(motor(name), truths(MOTOR)[name]["rms"], strict=True):
        found = played([PER_A * a for a in points], 1000.0 * FINER, 0.256, 0.9)
        assert found.rms / PER_A == pytest.approx(true, rel=0.01)


def test_short_bursts_of_a_motors_current() -> None:
    """The usual 0.12 s anywhere in the second: within 1.2 % of numpy's RMS of those milliseconds (the
    current itself wanders by more than that within the second)."""
    points = motor("SC_A4_B0_C0_001.csv")[0]
    for start_ms in range(50, 800, 75):
        found = played([PER_A * a for a in points], 1000.0 * FINER, 0.256, 0.12, start_ms / 1000)
        part = np.array(points[start_ms * FINER : (start_ms + 117) * FINER])  # seven cycles
        assert found.rms / PER_A == pytest.approx(float(np.std(part)), rel=0.012)


@pytest.mark.parametrize("channel", ["I1", "I2", "I3"])
def test_a_buildings_distorted_feeder(channel: str) -> None:
    """126 to 167 A, crest factors to 2.1, cycles that differ by a third: the four cycles, played twice, give the
    numpy's RMS with the mean removed within 1.5 %; peak over root two would be off by 12 to 49 %."""
    true = truths(FEEDER)["channels"][channel]
    volts = [FEEDER_PER_A * a for a in feeder(channel)]
    found = played(volts, truths(FEEDER)["sample_rate_hz"], 2.048, 8 * true_cycle_s())
    assert found.rms / FEEDER_PER_A == pytest.approx(true["rms_mean_removed"], rel=0.015)
    guess = true["peak"] / 2**0.5
    assert abs(guess / true["rms_mean_removed"] - 1) > 0.1, "an RMS guessed from the peak is far off"


def true_cycle_s() -> float:
    """512 samples."""
    return 512 / float(truths(FEEDER)["sample_rate_hz"])


def test_what_the_filter_takes_away_for_good() -> None:
    """By numpy's FFT of the feeder's worst channel: what lies above the ninth harmonic is under 5 % of the
    RMS and so under 0.15 % of it in quadrature."""
    points = np.array(feeder("I2"))
    spectrum = np.fft.rfft(points - points.mean()) / len(points) * 2**0.5
    rms = float(np.sqrt(np.sum(np.abs(spectrum) ** 2)))
    assert rms == pytest.approx(truths(FEEDER)["channels"]["I2"]["rms_mean_removed"], rel=1e-3)
    above = float(np.sqrt(np.sum(np.abs(spectrum[4 * 9 + 2 :]) ** 2)))
    assert 0.0 < above / rms < 0.05
    assert 1 - np.sqrt(1 - (above / rms) ** 2) < 0.0015
