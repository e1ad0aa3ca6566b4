"""The presence channels, simulated in ngspice: what they see, what they ignore, what they stand."""

from __future__ import annotations

import pytest

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.circuits import parts, presence
from condenser_monitor.hardware.circuits.presence import STRONG, WEAK, Opto
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import ContractError
from tests.hardware.circuits.conftest import Measure

LOW, HIGH = v.PIN_LOW_V.nominal, v.PIN_HIGH_V.nominal
LINE_HIGH_V = 264.0  # 240 V + 10 %
LED_CONTINUOUS_A = 0.050  # continuous rating of the usual AC-input opto (data sheet)


def _corner(board: str, refs: str, high: bool) -> dict[str, float]:
    """The parts of these references at one end of their tolerance."""
    rows = {ref: parts.value(board, ref) for ref in refs.split()}
    return {ref: row.high if high else row.low for ref, row in rows.items()}


@pytest.mark.parametrize("hz", [50, 60])
def test_eighteen_volts_are_a_call_for_the_worst_parts(measure: Measure, hz: float) -> None:
    """An old, hot, weak opto, the strongest pull-ups and the highest zeners still pull the pin surely low at 18 V."""
    worst = {**_corner("control", "R1 D1", high=True), **_corner("control", "R2 C1", high=False)}
    deck = presence.steady("control", limits.CONTROL_PRESENT_V.value, hz=hz, opto=WEAK, start_v=3.3, change=worst)
    assert measure(deck)["pin_max"] <= LOW


@pytest.mark.parametrize("hz", [50, 60])
@pytest.mark.parametrize("volts", [4.0, 7.0, 10.0])
def test_a_stealing_thermostats_volts_are_no_call(measure: Measure, volts: float, hz: float) -> None:
    """A fresh, sensitive opto with the lowest zeners leaves the pin surely high up to 10 V, from a pin that was low."""
    worst = {**_corner("control", "R1 D1", high=False), **_corner("control", "R2 C1", high=True)}
    deck = presence.steady("control", volts, hz=hz, opto=STRONG, start_v=0.0, change=worst)
    assert measure(deck)["pin_min"] >= HIGH


def test_without_the_zeners_a_stealing_thermostat_would_look_like_a_call(measure: Measure) -> None:
    """What the zeners are for: with ones of 1 V, 7 V RMS pull the pin low."""
    deck = presence.steady("control", 7.0, opto=STRONG, change={"D1": 1.0})
    assert measure(deck)["pin_max"] <= LOW


@pytest.mark.parametrize("hz", [50, 60])
def test_the_lowest_running_voltage_is_seen(measure: Measure, hz: float) -> None:
    """187 V (the lowest a unit is built for) is present for the worst parts; so is two thirds of nominal."""
    worst = {**_corner("line", "R1 R2 R3 R4", high=True), **_corner("line", "R5 R6 C1", high=False)}
    for volts in (187.0, 160.0):
        deck = presence.steady("line", volts, hz=hz, opto=WEAK, start_v=3.3, change=worst)
        assert measure(deck)["pin_max"] <= LOW


@pytest.mark.parametrize("hz", [50, 60])
def test_what_leaks_past_an_open_pole_is_ignored(measure: Measure, hz: float) -> None:
    """40 V on the load side (a heater across the open pole) leaves the pin surely high for the worst parts."""
    worst = {**_corner("line", "R1 R2 R3 R4", high=False), **_corner("line", "R5 R6 C1", high=True)}
    deck = presence.steady("line", 40.0, hz=hz, opto=STRONG, start_v=0.0, change=worst)
    assert measure(deck)["pin_min"] >= HIGH


@pytest.mark.parametrize(("board", "volts"), [("control", 24.0), ("line", 240.0)])
@pytest.mark.parametrize("opto", [WEAK, STRONG, Opto()])
def test_voltage_is_told_soon_after_it_comes_and_goes(measure: Measure, board: str, volts: float, opto: Opto) -> None:
    """Within 30 ms of coming, 150 ms of going: six changes of a chattering contactor in 10 s cannot be missed."""
    seen = measure(presence.step(board, volts, opto=opto))
    assert 0 < seen["came_s"] < 0.030
    assert 0.010 < seen["went_s"] < 0.150


def test_nothing_on_the_24_v_channel_is_overloaded_at_30_v(measure: Measure) -> None:
    """Resistor and zener at half their rating or less, the opto within its current, the tap under half of its fuse."""
    seen = measure(presence.steady("control", 30.0, change=_corner("control", "R1 D1", high=False)))
    assert seen["r1_w"] <= 0.5
    assert seen["zener_w"] <= 0.25
    assert seen["led_peak"] <= LED_CONTINUOUS_A
    assert seen["tap_rms"] <= v.TAP_FUSE.nominal / 2


def test_nothing_on_the_line_channel_is_overloaded_at_240_v_and_a_tenth(measure: Measure) -> None:
    """Each dropper under half of its 1 W and of its 350 V at 264 V, parts at their worst."""
    seen = measure(presence.steady("line", LINE_HIGH_V, change=_corner("line", "R1 R2 R3 R4", high=False)))
    assert seen["r1_w"] <= 0.5
    assert seen["r1_v"] <= 350 / 2
    assert seen["shunt_w"] <= 0.05
    assert seen["led_peak"] <= LED_CONTINUOUS_A
    assert seen["tap_rms"] <= v.LINE_FUSE.nominal / 2


def test_one_shorted_dropper_leaves_the_others_within_their_ratings(measure: Measure) -> None:
    """A single fault does no harm: three droppers share 264 V."""
    seen = measure(presence.steady("line", LINE_HIGH_V, change={"R2": 0.001}))
    assert seen["r1_w"] <= 1.0
    assert seen["r1_v"] <= 350
    assert seen["led_peak"] <= LED_CONTINUOUS_A


def test_the_varistor_keeps_a_surge_from_the_droppers(measure: Measure) -> None:
    """4 kV, 1.2/50 us (category III, IEC 60664-1): under 700 V a dropper with the varistor, over it without."""
    assert measure(presence.surge(4000.0))["r1_v"] < 700
    assert measure(presence.surge(4000.0, varistor=False))["r1_v"] > 700


def test_a_part_without_a_value_is_our_fault() -> None:
    """Asking the parts list for what it does not hold names what it does."""
    with pytest.raises(ContractError, match="one of"):
        parts.value("line", "R99")
    with pytest.raises(ContractError, match="U1"):
        parts.value("line", "U1")
