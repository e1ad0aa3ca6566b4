"""The boards' own limits on both sides of each border: what can be read, and what is a broken lead, bias or contact."""

from __future__ import annotations

from math import pi, sin

import pytest

from condenser_monitor.hardware.digital import Presence
from condenser_monitor.hardware.waveform import Sample, measure
from condenser_monitor.sim.bus import VirtualClock, drive, pin_factory
from tests.hardware.bench import BIAS_V, Bench, Wave, steady


@pytest.mark.parametrize(
    ("number", "cycles", "per_cycle", "read"),
    [
        ("CYCLES_MIN", 3.0, 14.3, False),
        ("CYCLES_MIN", 6.0, 14.3, True),  # a burst at 50 Hz
        ("CYCLE_SAMPLES", 7.0, 6.0, False),
        ("CYCLE_SAMPLES", 7.0, 13.0, True),  # 860 a second less a tenth, SBAS444D, at 60 Hz
    ],
)
def test_a_burst_tells_from_so_many_cycles_and_samples(
    number: str, cycles: float, per_cycle: float, read: bool
) -> None:
    """`number` is the border that it lies beside."""
    step_s = 1.0 / (60.0 * per_cycle)
    samples = [Sample(at * step_s, sin(2 * pi * 60.0 * at * step_s)) for at in range(round(cycles * per_cycle))]
    found = measure(samples, 60.0)
    assert (found is not None) is read, number
    assert found is None or found.rms == pytest.approx(0.5**0.5, rel=0.01)


@pytest.mark.parametrize(
    ("number", "ohm", "read"),
    [
        ("THERMISTOR_HIGH", 336_103.0, True),  # -40 °C, the first row of the curve's table
        ("THERMISTOR_HIGH", 5e6, False),  # an open lead, by way of a damp plug
        ("THERMISTOR_LOW", 2_000.0, True),  # 67 °C
        ("THERMISTOR_LOW", 5.0, False),
    ],
)
def test_a_thermistor_or_a_broken_lead(number: str, ohm: float, read: bool) -> None:
    """`number` is the border that it lies beside."""
    bench = Bench({"outdoor_c": steady(ohm)})
    assert (bench.boards.scan().outdoor_c is not None) is read, number
    bench.boards.close()


@pytest.mark.parametrize(("off", "read"), [(1.07, True), (1.15, False)])
def test_a_bias_that_is_off_by_its_parts_and_one_that_is_broken(off: float, read: bool) -> None:
    """BIAS_TOLERANCE: a supply 5 % off and a divider of two resistors of 1 % are sound."""
    bench = Bench({"fan_a": Wave(1.0)})
    for inputs in bench.inputs.values():
        inputs.bias_v = BIAS_V * off
    assert (bench.boards.scan().fan_a is not None) is read
    bench.boards.close()


@pytest.mark.parametrize(("pulse_s", "seen"), [(0.003, False), (0.0065, True)])
def test_contacts_bounce_for_milliseconds_and_chatter_for_more(pulse_s: float, seen: bool) -> None:
    """DEBOUNCE_S: a relay's contacts bounce for up to some 3 ms; an armature that buzzes at 60 Hz opens for 4 to 8."""
    clock, pins = VirtualClock(0.0), pin_factory()
    drive(pins, 17, high=True)
    presence = Presence("call", 17, pins, clock)
    clock.sleep(1.0)
    drive(pins, 17, high=False)
    clock.sleep(pulse_s)
    drive(pins, 17, high=True)
    clock.sleep(1.0)
    assert bool(presence.drain_edges()) is seen
    presence.close()
