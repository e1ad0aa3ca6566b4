"""Results that do not follow the inputs, and transactions that a spark spoils: missing or right, never wrong."""

from __future__ import annotations

import pytest

from condenser_monitor.hardware.analog import Converter, bursts
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.hardware.waveform import measure
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import SenseError
from condenser_monitor.sim.bus import Ads1115, FakeI2C, VirtualClock
from tests.hardware.bench import (
    MOST_S,
    Bench,
    Signal,
    Wave,
    steady,
)

NUMBERS = ("control_v", "coil_a", "compressor_a", "fan_a", "outdoor_c")
AMOUNTS = {"control_v": 25.0, "coil_a": 0.25, "compressor_a": 9.6, "fan_a": 1.0}


def signals() -> dict[str, Signal]:
    waves: dict[str, Signal] = {name: Wave(amount) for name, amount in AMOUNTS.items()}
    return {**waves, "outdoor_c": steady(10e3)}


def wrong(bench: Bench) -> list[str]:
    """Readings of one scan that are neither missing nor right."""
    scan = bench.boards.scan()
    true = {**AMOUNTS, "outdoor_c": 25.0}
    return [
        name
        for name in NUMBERS
        if (value := getattr(scan, name)) is not None and value != pytest.approx(true[name], rel=0.01, abs=0.02)
    ]


@pytest.mark.parametrize("noise_codes", [0.0, 0.7])
def test_a_frozen_result_is_no_reading(noise_codes: float) -> None:
    """From any moment of a scan on, both chips give their last result for ever: no scan shows a wrong number."""
    for step in range(1, 52):
        bench = Bench(signals(), noise_codes=noise_codes)

        def freeze(bench: Bench = bench) -> None:
            for chip in bench.chips.values():
                chip.frozen = True

        bench.at([(step * 0.01, freeze)])
        assert wrong(bench) == [], step
        for _ in range(2):
            assert wrong(bench) == [], step


def test_a_frozen_chip_says_so_and_recovers() -> None:
    """Nothing of it is read, the reason is there, and all comes back with it."""
    bench = Bench(signals())
    bench.boards.scan()
    for chip in bench.chips.values():
        chip.frozen = True
    scan = bench.boards.scan()
    assert all(getattr(scan, name) is None for name in NUMBERS)
    assert set(bench.boards.faults()) == set(NUMBERS)
    for chip in bench.chips.values():
        chip.frozen = False
    scan = bench.boards.scan()
    assert all(getattr(scan, name) is not None for name in NUMBERS)


def test_the_bias_code_from_every_input_is_no_reading() -> None:
    """A result that stays at the bias's own code passes for a bias; nothing else may pass with it."""
    bench = Bench(signals(), noise_codes=0.0)
    bias_code = round(bench.inputs[0x48].bias_v / 4.096 * 32768)
    for chip in bench.chips.values():
        chip.frozen = True
        chip.write(b"\x01\x85\x83")
        chip._registers[0] = bias_code
    scan = bench.boards.scan()
    assert all(getattr(scan, name) is None for name in NUMBERS)


class Spoilt(FakeI2C):
    """A bus on which the reads of given numbers fail, counted over its life."""

    def __init__(self, clock: VirtualClock, chips: dict[int, Ads1115], failing: set[int]) -> None:
        super().__init__(clock, chips)
        self.failing, self.count = failing, 0

    def readfrom_into(self, address: int, buffer: bytearray, *, start: int = 0, end: int | None = None) -> None:
        self.count += 1
        if self.count in self.failing:
            raise OSError(121, "Remote I/O error")
        super().readfrom_into(address, buffer, start=start, end=end)


class Amps:
    """One ampere's wave of the compressor's channel about the bias."""

    def __init__(self) -> None:
        self.wave, self.scale = Wave(9.6), CHANNELS["compressor_a"].scale or 0.0

    def mean_v(self, pin: int, start_s: float, end_s: float) -> float:
        return 1.65 + (self.wave(start_s, end_s) * self.scale if pin == 0 else 0.0)


def burst(failing: set[int]) -> float:
    clock = VirtualClock()
    bus = Spoilt(clock, {0x49: Ads1115(Amps(), clock)}, failing)
    converter = Converter(bus, 0x49, clock, clock.sleep)
    samples = bursts([(converter, 1, 0.256)], limits.BURST_S.value)[0]
    found = measure(samples, 60.0, converter.conversion_s)
    assert found is not None
    return found.rms * 200.0  # 5 mV for one ampere


@pytest.mark.parametrize("failing", [{40}, {40, 41, 42}, {30, 60, 90}, {20, 21, 90}])
def test_a_few_spoilt_reads_cost_nothing(failing: set[int]) -> None:
    """As many failed reads of a burst as are allowed, together or apart: the RMS is right all the same."""
    assert burst(failing) == pytest.approx(9.6, rel=0.003)


def test_more_spoilt_reads_are_a_poor_bus() -> None:
    """One more than allowed is a missing reading with its reason."""
    with pytest.raises(SenseError, match="ADC 0x49"):
        burst(set(range(90, 90 + int(limits.ADC_FAILED_READS.value) + 1)))


def test_a_spoilt_setting_is_written_once_more() -> None:
    """A transaction that fails at once while a burst is set up is tried again, once."""
    for number in range(1, 8):
        assert burst({number}) == pytest.approx(9.6, rel=0.003)
    with pytest.raises(SenseError):
        burst(set(range(1, 60)))


def test_a_bus_that_times_out_is_not_tried_twice() -> None:
    """The kernel gives up on a held bus after a second: one such wait a chip and scan, not two."""
    bench = Bench(signals())

    def held(*args: object, **kwargs: object) -> None:
        bench.clock.sleep(1.0)
        raise TimeoutError(110, "Connection timed out")

    bench.bus.writeto = bench.bus.readfrom_into = held  # type: ignore[method-assign]
    began_s = bench.clock()
    scan = bench.boards.scan()
    assert all(getattr(scan, name) is None for name in NUMBERS)
    assert bench.clock() - began_s < 2 * MOST_S
