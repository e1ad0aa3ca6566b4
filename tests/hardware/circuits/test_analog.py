"""The measuring channels, simulated in ngspice: scale, range, and what reaches the converter's pins at their worst."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.circuits import computed
from condenser_monitor.hardware.circuits.tolerance import celsius
from condenser_monitor.monitor import limits
from tests.hardware.circuits import analog
from tests.hardware.circuits.analog import Core
from tests.hardware.circuits.conftest import Measure

VDD = v.VDD.nominal
BEYOND = v.ADC_PIN_BEYOND_V.nominal
LRA = v.LOCKED_ROTOR_DESIGN_A.nominal
OPEN = 1e9


def test_burden_arithmetic_agrees_with_a_worked_example() -> None:
    """2000:1, 30 A, 22 ohm gives 0.330 V RMS, 0.467 V peak (worked by hand)."""
    sense = v.CurrentSense("example", 30.0, v.CT_RATIO, 1, v.Value(22.0, "ohm", 0.01, ""))
    assert sense.volts_per_amp * 30 == pytest.approx(0.330)
    assert sense.volts_per_amp * 30 * sqrt(2) == pytest.approx(0.467, abs=5e-4)


@pytest.mark.parametrize(
    ("reading", "amps"),
    [
        *[("compressor_a", amps) for amps in (1.0, 4.0, 15.0, 30.0)],
        *[("fan_a", amps) for amps in (0.5, 1.2, 2.5)],
        *[("coil_a", amps) for amps in (0.167, 0.417, 1.5)],
    ],
)
def test_running_currents_arrive_in_proportion(measure: Measure, reading: str, amps: float) -> None:
    """Within 0.5 % of the scale that the channel table uses, input load and filter included, on the fine range."""
    seen = measure(analog.current(reading, amps, range_v=v.RANGE_RUNNING_V))
    scale = v.CURRENT_SENSES[reading].volts_per_amp
    assert seen["out_v"] == pytest.approx(amps * scale, rel=0.005)
    assert (seen["pin_max"] - seen["pin_min"]) / 2 <= v.RANGE_RUNNING_V


def test_trickle_and_locked_rotor_are_both_measured(measure: Measure) -> None:
    """1 A is over 500 steps of the fine range; 150 A fits the coarse one and reads within 3 %, clamps hot or cold."""
    step = v.RANGE_RUNNING_V / 32768
    assert measure(analog.current("compressor_a", 1.0))["out_v"] > 500 * step
    for temp_c in (-20.0, 27.0, 70.0):
        seen = measure(analog.current("compressor_a", LRA, temp_c=temp_c))
        assert seen["out_v"] / v.COMPRESSOR.volts_per_amp == pytest.approx(LRA, rel=0.03)
        assert (seen["pin_max"] - seen["pin_min"]) / 2 <= v.RANGE_START_V


def test_a_transformer_that_saturates_still_shows_a_locked_rotor(measure: Measure) -> None:
    """A poor core (6 V) at 150 A reads less, yet over 60 % of locked rotor, which is what the finding asks."""
    seen = measure(analog.current("compressor_a", LRA, core=Core(saturates_v=6.0)))
    read = seen["out_v"] / v.COMPRESSOR.volts_per_amp
    assert 0.6 * LRA < read < 0.95 * LRA


WHOLE: dict[str, float] = {}
BURDEN_OPEN = {"R15": OPEN}


@pytest.mark.parametrize(
    ("burden", "temp_c"),
    [*[(WHOLE, temp_c) for temp_c in (-40.0, 27.0, 70.0)], *[(BURDEN_OPEN, temp_c) for temp_c in (10.0, 27.0, 70.0)]],
)
@pytest.mark.parametrize("displaced", [0.0, 0.9])
def test_no_pin_beyond_its_rails_at_locked_rotor_or_with_an_open_burden(
    measure: Measure, burden: dict[str, float], displaced: float, temp_c: float
) -> None:
    """Between ground and VDD from -40 C with a whole burden, from 10 C with an open one, displaced wave included."""
    seen = measure(analog.current("compressor_a", LRA, temp_c=temp_c, displaced=displaced, change=burden))
    assert seen["pin_min"] >= 0.0
    assert seen["pin_max"] <= VDD
    assert 0.0 < seen["bias_min"] < seen["bias_max"] < VDD


def test_in_deep_cold_an_open_burden_stays_within_the_absolute_maximum(measure: Measure) -> None:
    """At -40 C silicon clamps stand higher: the rail diodes then hold the pin within 0.3 V beyond the rails."""
    cold = analog.current("compressor_a", LRA, temp_c=-40.0, displaced=0.9, change={"R15": OPEN})
    seen = measure(cold)
    assert -BEYOND < seen["pin_min"] < 0.0
    assert VDD < seen["pin_max"] < VDD + BEYOND


def test_without_the_clamps_an_open_burden_would_hurt_the_converter(measure: Measure) -> None:
    """What the clamps are for: 15 A into an open burden, no clamps, and the pins leave the absolute maximum."""
    seen = measure(analog.current("compressor_a", 15.0, clamps=False, change={"R15": OPEN}))
    assert max(seen["pin_max"], seen["bias_max"]) > VDD + BEYOND


@pytest.mark.parametrize("reading", ["fan_a", "coil_a"])
@pytest.mark.parametrize("temp_c", [-40.0, 27.0])
def test_a_small_transformer_on_the_compressors_lead_hurts_nothing(
    measure: Measure, reading: str, temp_c: float
) -> None:
    """Swapped transformers at locked rotor: one pass of 150 A through the 47 ohm channel stays within the maximum."""
    passes = v.CURRENT_SENSES[reading].passes
    seen = measure(analog.current(reading, LRA / passes, temp_c=temp_c, displaced=0.9))
    assert seen["pin_min"] > -BEYOND
    assert seen["pin_max"] < VDD + BEYOND


@pytest.mark.parametrize("reading", ["compressor_a", "fan_a", "coil_a"])
def test_burdens_run_cool(measure: Measure, reading: str) -> None:
    """Each burden at the largest current its clamps let by: under a fifth of 0.5 W."""
    assert measure(analog.current(reading, LRA / v.CURRENT_SENSES[reading].passes))["burden_w"] < 0.1


@pytest.mark.parametrize("reading", ["compressor_a", "fan_a", "coil_a"])
def test_an_empty_jack_gives_a_direct_voltage_that_no_transformer_gives(measure: Measure, reading: str) -> None:
    """Its size is what the driver expects, and many times what a plugged-in transformer's channel shows."""
    burden = v.CURRENT_SENSES[reading].burden.nominal
    expected = VDD / 2 * burden / (burden + v.PLUG_SENSE.nominal)
    seen = measure(analog.unplugged(reading))
    assert seen["mean_v"] == pytest.approx(expected, rel=0.05)  # the bias divider gives a little
    assert seen["mean_v"] > limits.UNPLUGGED_RATIO.value * expected
    assert seen["bias_max"] == pytest.approx(VDD / 2, rel=limits.BIAS_TOLERANCE.value / 2)
    assert 0.0 < seen["pin_min"] <= seen["pin_max"] < VDD
    rows = {row.name: row for row in computed.rows()}
    assert rows[f"{reading}: empty jack, least"].value / 1e3 < seen["mean_v"]
    plugged = measure(analog.current(reading, 0.0))
    assert 0.0 < plugged["pin_min"] <= plugged["pin_max"] < VDD
    assert abs((plugged["pin_max"] + plugged["pin_min"] - plugged["bias_max"] - plugged["bias_min"]) / 2) < 0.001


@pytest.mark.parametrize(
    ("reading", "volts"), [("line_v", 120.0), ("line_v", 240.0), ("line_v", 264.0), ("coil_v", 24.0)]
)
def test_line_and_coil_volts_arrive_in_proportion(measure: Measure, reading: str, volts: float) -> None:
    """Within 0.5 % of the scale that the channel table uses; no resistor of the line over half its watt."""
    seen = measure(analog.voltage(reading, volts))
    assert seen["out_v"] == pytest.approx(volts * v.VOLTAGE_SENSES[reading].volts_per_volt, rel=0.005)
    assert (seen["pin_max"] - seen["pin_min"]) / 2 <= v.RANGE_RUNNING_V
    assert seen["series_w"] <= 0.5


@pytest.mark.parametrize(
    ("reading", "amps"), [("compressor_a", 15.0), ("fan_a", 1.2), ("coil_a", 0.25), ("start_winding_a", 6.0)]
)
def test_a_333_mv_transformer_arrives_in_proportion(measure: Measure, reading: str, amps: float) -> None:
    """Without a burden on the board, 0.333 V at the rated current (what listed ones give) reads within 0.5 %."""
    _, rated_a, passes = v.VOLT_OUTPUT[reading]
    seen = measure(analog.volt_output(reading, amps))
    assert seen["out_v"] == pytest.approx(0.333 * amps * passes / rated_a, rel=0.005)


def test_an_empty_jack_without_a_burden_still_shows(measure: Measure) -> None:
    """The clamps hold the direct voltage, which is far over what the program takes for a plugged-in transformer."""
    seen = measure(analog.unplugged("compressor_a", volt_output=True))
    assert seen["mean_v"] > 0.5
    assert seen["pin_max"] < VDD


@pytest.mark.parametrize("volts", [5.0, 20.4, 24.0, 30.0])
def test_control_voltage_arrives_in_proportion(measure: Measure, volts: float) -> None:
    """Within 0.5 % of the scale that the channel table uses."""
    seen = measure(analog.voltage("control_v", volts))
    assert seen["out_v"] == pytest.approx(volts * v.CONTROL_VOLTS_PER_VOLT, rel=0.005)
    assert seen["series_w"] <= 0.125


def test_control_voltage_with_an_open_burden_stays_within_the_rails(measure: Measure) -> None:
    """The voltage transformer is a current source to its burden; the clamps take over."""
    seen = measure(analog.voltage("control_v", 30.0, change={"R5": OPEN}))
    assert 0.0 < seen["pin_min"] < seen["pin_max"] < VDD


def test_line_voltage_on_the_24_v_terminals_does_not_reach_the_converter(measure: Measure) -> None:
    """A crossed wire burns R4 (over 4 W in a 0.25 W part), but the pins stay within the rails while it does."""
    seen = measure(analog.voltage("control_v", 264.0, range_v=v.RANGE_START_V))
    assert 0.0 < seen["pin_min"] < seen["pin_max"] < VDD
    assert seen["series_w"] > 4.0


@pytest.mark.parametrize("vdd", [v.VDD.low, v.VDD.nominal, v.VDD.high])
@pytest.mark.parametrize(("celsius_true", "ohm"), [(-20, 97060), (0, 32654), (25, 10000), (35, 6530), (48, 3889)])
def test_temperature_is_read_from_a_ratio_so_the_supply_does_not_matter(
    measure: Measure, celsius_true: float, ohm: float, vdd: float
) -> None:
    """Published resistances of the usual 10 kohm curve come back within 0.3 K, loading included."""
    seen = measure(analog.thermistor(ohm, change={"VDD": vdd}))
    ratio = seen["pin_v"] / seen["bias_v"] / 2
    read = celsius(np.array([v.NTC_PULL_UP.nominal * ratio / (1 - ratio)]))[0]
    assert read == pytest.approx(celsius_true, abs=0.3)


def test_the_thermistor_hardly_heats_itself(measure: Measure) -> None:
    """Under 0.3 K at 1.5 mW/K, the usual constant of a small bead (data sheet)."""
    assert measure(analog.thermistor(10000.0))["bead_w"] / 1.5e-3 < 0.3


@pytest.mark.parametrize(("ohm", "high"), [(1e12, True), (0.001, False)])
def test_a_broken_or_shorted_thermistor_stands_at_a_rail(measure: Measure, ohm: float, high: bool) -> None:
    """Open reads VDD, shorted reads ground: neither looks like a temperature."""
    seen = measure(analog.thermistor(ohm))
    assert (seen["pin_v"] > 0.99 * VDD) if high else (seen["pin_v"] < 0.01 * VDD)
