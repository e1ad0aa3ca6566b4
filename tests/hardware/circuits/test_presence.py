"""The presence channels, simulated in ngspice: what they see, what they ignore, what they stand."""

from __future__ import annotations

import pytest

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.circuits import parts
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import ContractError
from tests.hardware.circuits import presence
from tests.hardware.circuits.conftest import Measure
from tests.hardware.circuits.decks import Opto
from tests.hardware.circuits.presence import STRONG, WEAK

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
    assert seen["bleeder_w"] <= v.BLEEDER_W.nominal / 2
    assert seen["led_peak"] <= LED_CONTINUOUS_A
    assert seen["tap_rms"] <= v.TAP_FUSE.nominal / 2


def test_nothing_on_the_line_channel_is_overloaded_at_240_v_and_a_tenth(measure: Measure) -> None:
    """Each dropper under half of its 1 W and of its working voltage at 264 V, parts at their worst."""
    seen = measure(presence.steady("line", LINE_HIGH_V, change=_corner("line", "R1 R2 R3 R4", high=False)))
    assert seen["r1_w"] <= 0.5
    assert seen["r1_v"] <= v.DROPPER_WORKING_V.nominal / 2
    assert seen["shunt_w"] <= 0.05
    assert seen["led_peak"] <= LED_CONTINUOUS_A
    assert seen["tap_rms"] <= v.LINE_FUSE.nominal / 2


def test_one_shorted_dropper_leaves_the_others_within_their_ratings(measure: Measure) -> None:
    """A single fault does no harm: three droppers share 264 V."""
    seen = measure(presence.steady("line", LINE_HIGH_V, change={"R2": 0.001}))
    assert seen["r1_w"] <= 1.0
    assert seen["r1_v"] <= v.DROPPER_WORKING_V.nominal / 2
    assert seen["led_peak"] <= LED_CONTINUOUS_A


@pytest.mark.parametrize("peak_v", [1000.0, 2000.0, 4000.0])
def test_a_surge_neither_blinds_the_sensor_nor_hurts_it(measure: Measure, peak_v: float) -> None:
    """1.2/50 us from leg to leg (IEC 61000-4-5; 4 kV is category III of IEC 60664-1): each dropper within what it
    stands again and again, also with one of them shorted, and the fuse far from melting."""
    for change in ({}, {"R2": 10.0}):
        seen = measure(presence.surge(peak_v, change=change))
        assert seen["r1_v"] < v.DROPPER_SURGE_V.nominal
        assert seen["fuse_i2t"] < v.LINE_FUSE_I2T.nominal / 1000
        assert seen["led_peak"] < 1.0  # a pulse of 100 us that the usual opto's diode stands (data sheet)


@pytest.mark.parametrize("peak_v", [2000.0, 4000.0])
def test_a_varistor_behind_the_fuses_would_open_them(measure: Measure, peak_v: float) -> None:
    """Why there is none: at 2 kV it draws through the fuse many times what melts it, and the first storm blinds."""
    assert measure(presence.surge(peak_v, varistor_v=300.0))["fuse_i2t"] > 5 * v.LINE_FUSE_I2T.nominal


@pytest.mark.parametrize(
    ("volts", "source"),
    [
        (24.0, {"source_ohm": 1000.0}),
        (27.6, {"source_ohm": 1300.0}),
        (27.6, {"source_ohm": 68e3}),
        (27.6, {"source_f": 22e-9}),
        (27.6, {"source_f": 6e-9}),
    ],
)
def test_a_wire_that_nothing_loads_is_no_call(measure: Measure, volts: float, source: dict[str, float]) -> None:
    """Float switch or coil open: a stealing thermostat's kilohms, a snubber or a cable's capacity leave the pin surely
    high for the most sensitive parts, at 24 V from 1 kilohm and at 15 % more from 1.3."""
    worst = {**_corner("control", "R1 D1", high=False), **_corner("control", "R2 C1 R28", high=True)}
    seen = measure(presence.steady("control", volts, opto=STRONG, change=worst, **source))  # type: ignore[arg-type]
    assert seen["pin_min"] >= HIGH


@pytest.mark.parametrize("source", [{"source_ohm": 10e3}, {"source_f": 22e-9}])
def test_without_the_bleeder_it_would_look_like_one(measure: Measure, source: dict[str, float]) -> None:
    """What the bleeder is for."""
    seen = measure(presence.steady("control", 30.0, opto=STRONG, bleeder=False, **source))  # type: ignore[arg-type]
    assert seen["pin_max"] <= LOW


def test_the_bleeder_leaves_a_real_call_alone(measure: Measure) -> None:
    """18 V behind the ohms of a small transformer and a long wire (5 ohm) are still seen by the weakest parts."""
    worst = {**_corner("control", "R1 D1", high=True), **_corner("control", "R2 C1 R28", high=False)}
    deck = presence.steady(
        "control", limits.CONTROL_PRESENT_V.value, opto=WEAK, start_v=3.3, change=worst, source_ohm=5.0
    )
    assert measure(deck)["pin_max"] <= LOW


def test_the_clamp_takes_what_an_opened_coil_gives_back(measure: Measure) -> None:
    """A 30 V coil (0.15 H) opened at its peak: under 77 V (the clamp's sheet), the opto within its rating, the fuse
    whole; without the clamp several hundred volts stand on the resistor and the diode is far over its rating."""
    seen = measure(presence.coil_opens())
    assert seen["tap_v"] < 77.0
    assert seen["led_peak"] <= LED_CONTINUOUS_A
    assert seen["fuse_i2t"] < 0.01  # a 250 mA time-lag fuse melts from about 0.1 A2s (data sheet)
    bare = measure(presence.coil_opens(clamp=False))
    assert bare["r1_v"] > 200.0
    assert bare["led_peak"] > 4 * LED_CONTINUOUS_A


def test_a_part_without_a_value_is_our_fault() -> None:
    """Asking the parts list for what it does not hold names what it does."""
    with pytest.raises(ContractError, match="one of"):
        parts.value("line", "R99")
    with pytest.raises(ContractError, match="U1"):
        parts.value("line", "U1")
