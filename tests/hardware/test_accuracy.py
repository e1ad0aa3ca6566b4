"""The claim of the current readings: RMS within 1 % of the reading or 0.02 A, whichever is larger.

0.3 A to 150 A (locked rotor), 50 and 60 Hz, converter clock up to 10 % off, every sleep of the reader up to 1 ms late,
up to 20 % of harmonics. The truth is the RMS the generator was made with: its amplitudes squared and added (Parseval).
"""

from __future__ import annotations

from random import Random
from statistics import median

import pytest

from condenser_monitor.monitor.core.config import Unit
from tests.hardware.bench import Bench, Wave
from tests.size import one_in

AMPS = (0.3, 1.0, 4.2, 12.3, 30.0, 79.0, 150.0)
SHAPES: dict[str, tuple[tuple[int, float], ...]] = {
    "sine": (),
    "third": ((3, 0.2),),
    "fifth": ((5, 0.2),),
    "seventh": ((7, 0.2),),
    "third and fifth": ((3, 0.16), (5, 0.12)),
    "rectifier": ((3, 0.15), (5, 0.10), (7, 0.08)),
    "with a ninth": ((3, 0.14), (5, 0.10), (7, 0.08), (9, 0.05)),
    "with an eleventh": ((3, 0.14), (5, 0.10), (7, 0.07), (9, 0.05), (11, 0.04)),
    "second": ((2, 0.2),),
}
CLOCKS = (-0.10, -0.07, -0.03, 0.0, 0.04, 0.10)


def within_claim(read: float | None, true: float) -> bool:
    """The claim itself."""
    return read is not None and abs(read - true) <= max(0.01 * true, 0.02)


@one_in(6)
@pytest.mark.parametrize("late_s", [0.0, 1e-3], ids=["on time", "1 ms late"])
@pytest.mark.parametrize("line_hz", [50, 60])
@pytest.mark.parametrize("shape", SHAPES)
def test_compressor_current_keeps_the_claim(shape: str, line_hz: int, late_s: float) -> None:
    """Every size of current and every error of the chip's clock, each with phases of its own."""
    failed = []
    for place, amps in enumerate(AMPS):
        for clock_error in CLOCKS:
            seed = 100 * place + round(1000 * clock_error)
            bench = Bench(
                {"compressor_a": Wave(amps, line_hz, SHAPES[shape], Random(seed))},
                unit=Unit(line_hz=line_hz),
                fitted=("compressor_a",),
                clock_error=clock_error,
                late_s=late_s,
                seed=seed,
            )
            reads = [bench.boards.scan().compressor_a for _ in range(2)]
            failed += [(amps, clock_error, read) for read in reads if not within_claim(read, amps)]
    assert not failed


@pytest.mark.parametrize("line_hz", [50, 60])
def test_the_smaller_currents_keep_the_claim(line_hz: int) -> None:
    """Fan from 0.3 A, coil from 0.05 A to its inrush; here 0.02 A would be too kind: 1 % or 3 mA."""
    for clock_error in CLOCKS:
        for fan_a, coil_a in ((0.3, 0.05), (0.9, 0.167), (1.5, 0.417), (2.5, 2.5), (0.0, 0.0)):
            bench = Bench(
                {
                    "fan_a": Wave(fan_a, line_hz, ((3, 0.1),), Random(1)),
                    "coil_a": Wave(coil_a, line_hz, ((3, 0.15), (5, 0.05)), Random(2)),
                },
                unit=Unit(line_hz=line_hz),
                fitted=("coil_a", "fan_a"),
                clock_error=clock_error,
                late_s=1e-3,
            )
            scan = bench.boards.scan()
            assert scan.fan_a == pytest.approx(fan_a, rel=0.01, abs=0.003)
            assert scan.coil_a == pytest.approx(coil_a, rel=0.01, abs=0.003)


def off_by(order: int) -> list[float]:
    """How far a wave with 20 % of one harmonic and no other is read off, at both frequencies and all clocks."""
    found = []
    for line_hz in (50, 60):
        for step in range(-10, 11):
            bench = Bench(
                {"compressor_a": Wave(12.0, line_hz, ((order, 0.2),), Random(step))},
                unit=Unit(line_hz=line_hz),
                fitted=("compressor_a",),
                clock_error=step / 100,
            )
            read = bench.boards.scan().compressor_a
            assert read is not None
            found.append(abs(read / 12.0 - 1))
    return found


@pytest.mark.parametrize(("order", "usual", "worst"), [(9, 0.003, 0.02), (11, 0.005, 0.02), (13, 0.025, 0.035)])
def test_a_lone_high_harmonic_is_the_known_weak_spot(order: int, usual: float, worst: float) -> None:
    """20 % of ninth or eleventh and nothing else: at some clocks it lies at half the rate, or its mirror image on a
    lower harmonic, and cannot be told: still 2 %; at most it is corrected. A lone thirteenth is not corrected."""
    found = off_by(order)
    assert median(found) < usual
    assert 0.0 < max(found) < worst


def test_the_line_need_not_be_at_its_nominal_frequency() -> None:
    """Half a hertz off (far beyond what a utility allows, near what a generator does) costs less than the claim."""
    for line_hz, true_hz in ((60, 59.5), (60, 60.5), (50, 49.5), (50, 50.5)):
        bench = Bench(
            {"compressor_a": Wave(12.0, true_hz, SHAPES["rectifier"], Random(3))},
            unit=Unit(line_hz=line_hz),
            fitted=("compressor_a",),
        )
        assert within_claim(bench.boards.scan().compressor_a, 12.0)


def test_control_voltage_and_trim() -> None:
    """Within 1 % from a ghost to a high transformer; a trim acts as gain and offset, never below zero."""
    for volts in (3.0, 10.0, 18.0, 20.4, 24.0, 27.7, 30.0):
        bench = Bench({"control_v": Wave(volts, 60, ((5, 0.03),))}, fitted=("control_v",))
        assert bench.boards.scan().control_v == pytest.approx(volts, rel=0.01)
