"""Starts of the compressor, captured at the full rate when the contacts close, against envelopes of known length.

Lengths are those of the trade (a trade training page: a sound 3 ton reciprocating compressor about 180 ms, 550 ms at
187 V with a start assist; a guide: locked rotor 5 to 7 times the rated load).
"""

from __future__ import annotations

from collections.abc import Callable
from math import pi, sin, sqrt

import pytest

from condenser_monitor.hardware.waveform import Sample, transient
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.records import StartTransient
from tests.hardware.bench import (
    Bench,
    Signal,
    Wave,
    steady,
)

LOCKED_A, RUNNING_A = 79.0, 12.0
UNIT = Unit(compressor_rla_a=16.7, compressor_lra_a=LOCKED_A)
CYCLE_S = 1 / 60


class Start:
    """Nothing until `begins_s`, locked-rotor current while the rotor gathers speed, a straight fall over the last cycle
    and a half, running current `lasts_s` after the begin. `displaced` adds a decaying direct part, as a closing has."""

    def __init__(self, begins_s: float, lasts_s: float, *, displaced: float = 0.5, line_hz: float = 60.0) -> None:
        self.begins_s, self.lasts_s, self.displaced, self.line_hz = begins_s, lasts_s, displaced, line_hz

    def rms(self, since_s: float) -> float:
        fall_s = 1.5 * CYCLE_S
        share = min(1.0, max(0.0, (self.lasts_s - since_s) / fall_s))
        return RUNNING_A + share * (LOCKED_A - RUNNING_A)

    def __call__(self, start_s: float, end_s: float) -> float:
        at_s = (start_s + end_s) / 2
        since_s = at_s - self.begins_s
        if since_s < 0:
            return 0.0
        direct = self.displaced * sqrt(2) * LOCKED_A * 2.718281828 ** (-since_s / 0.02)
        return float(sqrt(2) * self.rms(since_s) * sin(2 * pi * self.line_hz * at_s) + direct)

    @property
    def settles_s(self) -> float:
        """When its RMS comes within the bound that counts as settled, from the begin."""
        above = RUNNING_A * (limits.TRANSIENT_SETTLED_RATIO.value - 1)
        return self.lasts_s - above / (LOCKED_A - RUNNING_A) * 1.5 * CYCLE_S


def bench_with(
    after_s: float,
    start: Callable[[float], Signal],
    *,
    fitted: tuple[str, ...] = ("load", "compressor_a"),
    **more: float,
) -> Bench:
    """A bench whose contacts close `after_s` from now, with the current that `start` gives for that instant."""
    bench = Bench(unit=UNIT, fitted=fitted, **more)  # type: ignore[arg-type]
    bench.signals["compressor_a"] = start(bench.clock() + after_s)
    bench.at([(after_s, lambda: bench.present("load" if "load" in fitted else "call", True))])
    return bench


def run(bench: Bench, seconds: float = 3.0) -> list[StartTransient]:
    """Scans once a second, as the service does."""
    began_s, found = bench.clock(), []
    while bench.clock() < began_s + seconds:
        bench.boards.scan()
        bench.boards.changes()
        bench.boards.idle(0.4)
        found += bench.boards.starts()
    return found


@pytest.mark.parametrize("clock_error", [-0.1, 0.0, 0.1])
@pytest.mark.parametrize("lasts_s", [0.1, 0.18, 0.3, 0.55])
def test_length_of_a_start(lasts_s: float, clock_error: float) -> None:
    """Within a cycle of the envelope's own; the peak is the locked-rotor current, the rest what runs."""
    bench = bench_with(0.7, lambda at_s: Start(at_s, lasts_s), clock_error=clock_error)
    (found,) = run(bench)
    true = Start(0.0, lasts_s).settles_s
    assert found.duration_s == pytest.approx(true, abs=CYCLE_S)
    assert found.settled_a == pytest.approx(RUNNING_A, rel=0.03)
    assert LOCKED_A * 0.97 < found.peak_a < LOCKED_A * 1.3, "the direct part belongs to the first cycle"
    assert 0.8 < found.rate_hz / (860 * (1 + clock_error)) < 1.01, "results read too close to a turn are left out"
    assert found.t_s == pytest.approx(0.7, abs=0.002)


def test_a_closing_at_any_moment() -> None:
    """During any channel's burst, the bias, the thermistor or idling: captured all the same, at most 30 ms late."""
    fitted = ("call", "control_v", "coil_a", "load", "compressor_a", "fan_a", "outdoor_c")
    for step in range(45):
        bench = bench_with(0.1 + 0.023 * step, lambda at_s: Start(at_s, 0.18), fitted=fitted)
        (found,) = run(bench, 2.5)
        assert found.duration_s == pytest.approx(Start(0.0, 0.18).settles_s, abs=CYCLE_S), step
        assert found.peak_a > 0.9 * LOCKED_A


def test_late_sleeps_do_not_spoil_it() -> None:
    """Every sleep up to 1 ms late: still within a cycle."""
    for seed in range(5):
        bench = bench_with(0.33, lambda at_s: Start(at_s, 0.25), late_s=1e-3, seed=seed)
        (found,) = run(bench)
        assert found.duration_s == pytest.approx(Start(0.0, 0.25).settles_s, abs=CYCLE_S)


@pytest.mark.parametrize("pull_in_s", [0.01, 0.03, 0.08])
def test_without_a_load_sense_the_call_triggers(pull_in_s: float) -> None:
    """The contactor pulls in a little after the call: the start is counted from its first current."""
    bench = bench_with(0.7, lambda at_s: Start(at_s + pull_in_s, 0.18), fitted=("call", "compressor_a"))
    (found,) = run(bench)
    assert found.duration_s == pytest.approx(Start(0.0, 0.18).settles_s, abs=CYCLE_S)


def test_a_locked_rotor_has_no_length() -> None:
    """It draws its locked-rotor current to the end of the capture."""
    bench = bench_with(0.7, lambda at_s: Start(at_s, 60.0))
    (found,) = run(bench)
    assert found.duration_s is None
    assert found.settled_a is None
    assert found.peak_a == pytest.approx(LOCKED_A, rel=0.3)


class Cut(Start):
    """A rotor that does not turn, whose hot protector opens after `lasts_s`."""

    def rms(self, since_s: float) -> float:
        return LOCKED_A if since_s < self.lasts_s else 0.0


@pytest.mark.parametrize("lasts_s", [0.6, 1.4, 2.2])
def test_a_start_that_its_protector_cuts_short_has_no_length(lasts_s: float) -> None:
    """It has not settled: nothing runs behind it. Its trace shows how long the current stood."""
    bench = bench_with(0.7, lambda at_s: Cut(at_s, lasts_s))
    (found,) = run(bench, 6.0)
    assert (found.duration_s, found.settled_a) == (None, None)
    stood_s = max(at_s for at_s, amps in found.trace_a if amps >= UNIT.locked_a)
    assert stood_s == pytest.approx(lasts_s, abs=0.06)


def test_a_start_that_ends_in_nothing_has_not_settled() -> None:
    """Without a trace of noise behind the cut, the end is as still as that of a run."""
    volts = [sqrt(2) * sin(2 * pi * 60 * n / 860) * (n < 860) for n in range(3 * 860)]
    samples = [Sample(n / 860, one) for n, one in enumerate(volts)]
    assert transient(samples, 60.0, 0.0, 0.6, off=0.05) == (None, pytest.approx(1.0, rel=0.02), None)


@pytest.mark.parametrize("lasts_s", [0.97, 1.6, 2.6])
def test_a_slow_start_is_captured_until_it_has_settled(lasts_s: float) -> None:
    """One that takes seconds has a length, so that it is not taken for a locked rotor."""
    bench = bench_with(0.7, lambda at_s: Start(at_s, lasts_s))
    (found,) = run(bench, 6.0)
    assert found.duration_s == pytest.approx(Start(0.0, lasts_s).settles_s, abs=CYCLE_S)


def test_a_start_longer_than_the_capture_has_no_length() -> None:
    """It falls after three seconds only: not settled within what was seen."""
    bench = bench_with(0.7, lambda at_s: Start(at_s, 3.3))
    (found,) = run(bench, 6.0)
    assert found.duration_s is None


def test_the_volts_are_traced_beside_the_amps_of_a_start() -> None:
    """The line sags under the start and comes back: both traces, the volts before and the lowest."""
    fitted = ("load", "compressor_a", "line_v", "compressor_w")
    bench = bench_with(1.7, lambda at_s: Start(at_s, 0.4), fitted=fitted)
    begins_s = bench.clock() + 1.7

    def sagging(start_s: float, end_s: float) -> float:
        at_s = (start_s + end_s) / 2
        rms = 214.0 if begins_s <= at_s < begins_s + 0.4 else 241.0
        return sqrt(2) * rms * sin(2 * pi * 60 * at_s)

    bench.signals["line_v"] = sagging
    (found,) = run(bench, 6.0)
    assert found.before_v == pytest.approx(241.0, rel=0.01)  # the test's wave is one of instants, not of means
    assert found.lowest_v == pytest.approx(214.0, rel=0.02)
    assert found.duration_s == pytest.approx(0.4, abs=CYCLE_S)
    early = [v for at_s, v in found.trace_v if 0.1 < at_s < 0.3]
    late = [v for at_s, v in found.trace_v if at_s > 0.6]
    assert early == pytest.approx([214.0] * len(early), rel=0.01)
    assert late == pytest.approx([241.0] * len(late), rel=0.01)
    assert len(early) == len([a for at_s, a in found.trace_a if 0.1 < at_s < 0.3])


def test_contacts_that_close_on_nothing_are_no_start() -> None:
    """The compressor's protector is open: no current, no start; the fan's would not count either."""
    for signal in (steady(0.0), Wave(1.0)):
        bench = bench_with(0.7, lambda at_s, signal=signal: signal)  # type: ignore[misc]
        assert run(bench) == []


def test_a_look_that_comes_too_late_captures_nothing() -> None:
    """The loop was held up for half a second (a slow disk): no length is better than a wrong one."""
    bench = bench_with(0.1, lambda at_s: Start(at_s, 0.18), fitted=("load", "compressor_a"))
    bench.sleep(0.6)
    assert run(bench) == []


def test_without_a_compressor_sense_nothing_is_captured() -> None:
    """A closing is a change, and nothing else."""
    bench = bench_with(0.1, lambda at_s: Start(at_s, 0.18), fitted=("load", "fan_a"))
    assert run(bench) == []


def test_a_chip_that_fails_in_the_capture_gives_no_start() -> None:
    """Absent a tenth of a second into it: no start, a reason, and the next start is captured."""
    bench = bench_with(0.5, lambda at_s: Start(at_s, 0.18))
    closing = bench.clock.follow

    def gone(now_s: float) -> None:
        assert closing is not None
        closing(now_s)
        bench.chips[0x49].absent = began_s + 0.6 < now_s < began_s + 2.0

    began_s = bench.clock()
    bench.clock.follow = gone
    assert run(bench, 4.0) == []
    bench.present("load", False)
    bench.boards.idle(6.0)
    bench.signals["compressor_a"] = Start(bench.clock() + 0.7, 0.18)
    bench.at([(0.7, lambda: bench.present("load", True))])
    assert len(run(bench)) == 1


def test_the_second_of_a_capture_leaves_the_next_scan_whole() -> None:
    """After the capture every number is read again."""
    bench = bench_with(0.2, lambda at_s: Start(at_s, 0.18), fitted=("load", "compressor_a", "fan_a", "outdoor_c"))
    run(bench, 2.0)
    scan = bench.boards.scan()
    assert scan.compressor_a == pytest.approx(RUNNING_A, rel=0.01)
    assert scan.fan_a == pytest.approx(0.0, abs=0.01)
    assert scan.outdoor_c is not None
