"""The outdoor thermistor against published tables of the usual 10 kohm curve (type II), and through the chip.

Sources: a temperature-probe manual, its table C-1 (five digits); an equipment control manual's 10 k table, with the
voltages of its divider (10 kohm to 5 V); a sensor-module sheet for the Steinhart-Hart coefficients.
"""

from __future__ import annotations

import pytest

from condenser_monitor.hardware import values
from condenser_monitor.hardware.boards import celsius
from condenser_monitor.monitor import limits
from tests.hardware.bench import Bench, ohm_at, steady

PROBE_MANUAL = {-40: 336_103.2, -30: 176_804.8, -20: 97_006.9, -10: 55_303.9, 0: 32_650.9}
CONTROL_MANUAL = {
    **{-20: 97_060, -10: 55_319, 0: 32_654, 10: 19_903, 20: 12_493, 25: 10_000},
    **{30: 8_056, 35: 6_530, 40: 5_327, 45: 4_370, 48: 3_889},
}
DIVIDER_V = {0: 3.828, 25: 2.500, 40: 1.738}


def test_coefficients_are_the_published_ones() -> None:
    """A 0.001129148, B 0.000234125, C 8.76741e-8."""
    assert values.STEINHART_HART == (0.001129148, 0.000234125, 8.76741e-8)


@pytest.mark.parametrize(("at_c", "ohm"), PROBE_MANUAL.items())
def test_probe_manual(at_c: int, ohm: float) -> None:
    """Five digits of resistance give the temperature within 0.01 K."""
    assert celsius(ohm) == pytest.approx(at_c, abs=0.01)


@pytest.mark.parametrize(("at_c", "ohm"), CONTROL_MANUAL.items())
def test_control_manual(at_c: int, ohm: float) -> None:
    """Rounded resistances give the temperature within 0.02 K."""
    assert celsius(ohm) == pytest.approx(at_c, abs=0.02)


@pytest.mark.parametrize(("at_c", "volts"), DIVIDER_V.items())
def test_divider_of_the_control_manual(at_c: int, volts: float) -> None:
    """Its divider is this one, to another supply: the share of the supply gives the temperature within 0.05 K."""
    share = volts / 5.0
    assert celsius(values.NTC_PULL_UP.nominal * share / (1 - share)) == pytest.approx(at_c, abs=0.05)


@pytest.mark.parametrize(("at_c", "ohm"), [*PROBE_MANUAL.items(), *CONTROL_MANUAL.items()])
def test_through_the_chip(at_c: int, ohm: float) -> None:
    """A table's resistance under the divider, the bias and the converter's codes: within 0.1 K from -30 °C up, where a
    code is a hundredth of a kelvin and less, and within 0.3 K at -40 °C."""
    bench = Bench({"outdoor_c": steady(ohm)}, fitted=("outdoor_c",))
    assert bench.boards.scan().outdoor_c == pytest.approx(at_c, abs=0.1 if at_c > -40 else 0.3)


@pytest.mark.parametrize("vdd_error", [-0.05, 0.05])
def test_the_supply_does_not_matter(vdd_error: float) -> None:
    """The reading is a ratio to the bias: 5 % of supply move it by less than a code's worth."""
    bench = Bench({"outdoor_c": steady(ohm_at(35.0))}, fitted=("outdoor_c",))
    nominal = {address: inputs.mean_v for address, inputs in bench.inputs.items()}
    for address, inputs in bench.inputs.items():
        inputs.mean_v = (  # type: ignore[method-assign]
            lambda pin, start_s, end_s, was=nominal[address]: was(pin, start_s, end_s) * (1 + vdd_error)  # type: ignore[misc]
        )
    assert bench.boards.scan().outdoor_c == pytest.approx(35.0, abs=0.05)


def test_what_counts_as_open_or_shorted_is_no_weather() -> None:
    """The bounds lie beyond -45 °C and +120 °C, where no air is."""
    low, high = (share / (1 - share) for share in (limits.THERMISTOR_LOW.value, limits.THERMISTOR_HIGH.value))
    assert celsius(values.NTC_PULL_UP.nominal * low) > 120
    assert celsius(values.NTC_PULL_UP.nominal * high) < -45
