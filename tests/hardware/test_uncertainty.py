"""Uncertainty of a reading: the transformer's class as the standard has it, and parts put together as the GUM does."""

from __future__ import annotations

from math import sqrt

import pytest

from condenser_monitor.hardware import values
from condenser_monitor.hardware.calibration import CalibrationPoint, calibrate
from condenser_monitor.hardware.uncertainty import ratio_error, uncertainty
from condenser_monitor.monitor.core.errors import CommandError


@pytest.mark.parametrize(
    ("share", "error"),
    [(0.05, 0.03), (0.20, 0.015), (1.0, 0.01), (1.2, 0.01), (1.5, 0.01), (0.125, 0.0225), (0.049, None), (0.0, None)],
)
def test_class_1_limits(share: float, error: float | None) -> None:
    """IEC 61869-2, class 1: 3.0, 1.5, 1.0, 1.0 % at 5, 20, 100, 120 % of rated current; nothing promised below 5 %."""
    assert ratio_error(share) == (None if error is None else pytest.approx(error))


def test_a_small_current_on_a_large_transformer() -> None:
    """Check value: 1.5 A, 5 % of a 30 A class 1 transformer, may be off by 45 mA through its ratio alone."""
    amps = 1.5 / values.FAN.passes
    part = uncertainty("fan_a", amps).parts["transformer"] * values.FAN.passes
    assert part == pytest.approx(0.045)


def test_parts_are_put_together_by_the_root_of_squares() -> None:
    """By hand, compressor at 20 A of 100 A: 1.5 % class, 1 % burden, 0.15 % converter, 0.5 % method; noise is small.

    2 * 20 A * sqrt((1.5^2 + 1^2 + 0.15^2 + 0.5^2) / 3) % = 0.433 A.
    """
    by_hand = 2 * 20 * sqrt((0.015**2 + 0.01**2 + 0.0015**2 + 0.005**2) / 3)
    assert by_hand == pytest.approx(0.433, abs=5e-4)
    assert uncertainty("compressor_a", 20.0).expanded == pytest.approx(by_hand, rel=1e-3)


def test_a_calibrated_reading_takes_over_the_meter() -> None:
    """At the meter's own point ratio and burden are gone and the meter's error is there; far off the class is back."""
    row = calibrate("compressor_a", [CalibrationPoint(raw=12.0, meter=12.3)], by="x", meter_share=0.02)
    near, far = uncertainty("compressor_a", 12.3, row), uncertainty("compressor_a", 79.0, row)
    assert near.parts["transformer"] == pytest.approx(0.0, abs=1e-9)
    assert "burden" not in near.parts
    assert near.parts["meter"] == pytest.approx(0.246)
    assert near.expanded < uncertainty("compressor_a", 12.3).expanded
    assert far.parts["transformer"] > 0.5


def test_below_the_class_it_is_said() -> None:
    """Under 5 % of the rated current the standard promises nothing, and the line for people says so."""
    assert "promises nothing" in uncertainty("compressor_a", 2.0).one_line()
    assert "promises nothing" not in uncertainty("compressor_a", 12.0).one_line()


def test_temperature_against_the_table_of_the_curve() -> None:
    """1 % of the thermistor's resistance is 0.23 K near 27 °C: its table falls 10 000 to 8 056 ohm from 25 to 30 °C."""
    per_percent_k = 0.01 / ((10_000 - 8_056) / 9_000 / 5)
    part = uncertainty("outdoor_c", 27.5).parts["thermistor"]
    assert part == pytest.approx(per_percent_k, rel=0.03)
    row = calibrate("outdoor_c", [CalibrationPoint(raw=30.0, meter=30.5)], by="x")
    assert uncertainty("outdoor_c", 27.5, row).expanded < uncertainty("outdoor_c", 27.5).expanded


@pytest.mark.parametrize("reading", ["control_v", "coil_a", "compressor_a", "fan_a", "outdoor_c"])
def test_every_number_has_one(reading: str) -> None:
    """Zero has an uncertainty too; flags have none."""
    for value in (0.0, 1.0, 30.0):
        assert 0.0 < uncertainty(reading, value).expanded < 10.0
    with pytest.raises(CommandError, match="one of control_v"):
        uncertainty("supply", 1.0)
