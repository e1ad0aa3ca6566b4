"""The I2C bus may be as slow as a Pi's default, 100 kHz, without cost; a slower one gives a reason, no numbers.

The bus of the simulator takes the time that bits take (UM10204: nine clocks a byte), and 40 us of kernel besides.
"""

from __future__ import annotations

from random import Random

import pytest

from condenser_monitor.hardware.commission_rules import REASONS
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.sim.bus import FAST_HZ, STANDARD_HZ
from tests.hardware.bench import (
    Bench,
    Wave,
    ohm_at,
    steady,
)
from tests.hardware.test_accuracy import AMPS, SHAPES, within_claim
from tests.size import one_in

CLOCKS = (-0.10, -0.04, 0.0, 0.05, 0.10)


@one_in(4)
@pytest.mark.parametrize("late_s", [0.0, 1e-3], ids=["on time", "1 ms late"])
@pytest.mark.parametrize("shape", ["sine", "rectifier", "seventh", "with a ninth"])
def test_at_100_khz_the_claim_of_accuracy_holds(shape: str, late_s: float) -> None:
    """Every size of current and error of the chip's clock, at both line frequencies: 1 % or 0.02 A, as at 400 kHz."""
    for line_hz in (50, 60):
        for place, amps in enumerate(AMPS):
            for clock_error in CLOCKS:
                bench = Bench(
                    {"compressor_a": Wave(amps, line_hz, SHAPES[shape], Random(place))},
                    unit=Unit(line_hz=line_hz),
                    fitted=("compressor_a",),
                    clock_error=clock_error,
                    late_s=late_s,
                    bus_hz=STANDARD_HZ,
                    seed=place,
                )
                assert within_claim(bench.boards.scan().compressor_a, amps), (line_hz, amps, clock_error)


@pytest.mark.parametrize("bus_hz", [60e3, 50e3, 45e3, 41e3, 40e3, 38e3, 36e3, 32e3, 25e3, 10e3])
def test_a_slower_bus_is_right_or_silent_and_never_wrong(bus_hz: float) -> None:
    """A reading keeps the claim, or is missing with what to do about it."""
    missing = 0
    for seed in range(12):
        bench = Bench(
            {"compressor_a": Wave(12.3, 60, SHAPES["rectifier"], Random(seed))},
            fitted=("compressor_a",),
            clock_error=CLOCKS[seed % len(CLOCKS)],
            late_s=1e-3 if seed % 2 else 0.0,
            bus_hz=bus_hz,
            seed=seed,
        )
        read = bench.boards.scan().compressor_a
        assert read is None or within_claim(read, 12.3)
        if read is None:
            missing += 1
            assert "a faster I2C bus" in bench.boards.faults()["compressor_a"]
    assert missing == (0 if bus_hz >= 45e3 else 12 if bus_hz <= 32e3 else missing)


def test_the_walk_says_what_to_do_about_a_slow_bus() -> None:
    """The boards' reason is one that the walk knows, with advice."""
    bench = Bench({"fan_a": Wave(1.0)}, fitted=("fan_a",), bus_hz=20e3)
    bench.boards.scan()
    reason = bench.boards.faults()["fan_a"]
    kinds = [kind for part, kind, _ in REASONS if part in reason]
    assert kinds[0] == "bus-slow"


@pytest.mark.parametrize(("bus_hz", "most_s"), [(FAST_HZ, 0.56), (STANDARD_HZ, 0.58)])
def test_a_whole_scan_fits_its_second(bus_hz: float, most_s: float) -> None:
    """All senses of the three boards take little more than half of a second at either speed."""
    waves = {"control_v": Wave(26.0), "coil_a": Wave(0.25), "compressor_a": Wave(12.3), "fan_a": Wave(1.1)}
    bench = Bench({**waves, "outdoor_c": steady(ohm_at(35.0))}, bus_hz=bus_hz)
    began_s = bench.clock()
    bench.boards.scan()
    assert 0.48 < bench.clock() - began_s < most_s
