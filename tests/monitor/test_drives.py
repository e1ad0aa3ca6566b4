"""A drive that nobody declared is told by its current (core/drives.py).

The unit is a model of its own: a current that follows the speed asked for with a lag, from a tenth to all of what is
rated (common practice: such compressors slow down to a quarter of their capacity and start there). What a contactor's
motor draws is physics: locked-rotor amps at once, at no load a third and more of what is rated, and through a winding
that is left alone what its copper lets through (0.393 % a K).
"""

from __future__ import annotations

from collections.abc import Iterator
from math import exp
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.drives import DriveWatch
from condenser_monitor.monitor.core.records import Change, Scan
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import ALL, REST, RUN, SETTINGS, UNIT, Readings, but, scans

RATED_A = UNIT.compressor_rla_a
HABIT = limits.HABITS
SETS = {
    "least": ("call", "compressor_a"),
    "outdoor": ("call", "compressor_a", "outdoor_c"),
    "no fan": ("call", "control_v", "coil_a", "supply", "load", "compressor_a", "outdoor_c"),
    "all": ALL,
}


def drive(every_s: float, *, tau_s: float = 90.0, most: float = 0.6, runs: int = 12) -> Iterator[Scan]:
    """Runs of half an hour, after rests of twenty minutes: from a tenth of rated load up towards `most`, and down again
    as the house cools. The fan keeps its speed."""
    t_s = 0.0
    for run in range(runs):
        for held_s, on in ((1200.0, False), (1800.0, True)):
            share, began_s = 0.12, t_s
            while t_s < began_s + held_s:
                asked = most if t_s - began_s < 600.0 + 30.0 * run else 0.15
                share += (asked - share) * (1.0 - exp(-every_s / tau_s))
                yield Scan(t_s=t_s, **(but(RUN, compressor_a=RATED_A * share) if on else REST))
                t_s += every_s


def told(
    read: Iterator[Scan], fitted: tuple[str, ...] = ALL, settings: Settings = SETTINGS
) -> tuple[list[str], Engine]:
    engine = Engine(settings, fitted=fitted)
    gone = dict.fromkeys(name for name in ALL if name not in fitted)
    heard = [event for scan in read for event in engine.feed(msgspec.structs.replace(scan, **gone))]
    return [e.finding for e in heard if isinstance(e, Change) and e.change.value == "raised"], engine


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("fitted", SETS.values(), ids=SETS)
@pytest.mark.parametrize(("tau_s", "most"), [(90.0, 0.6), (60.0, 0.9), (150.0, 0.24)])
def test_a_drive_raises_nothing_and_is_offered(
    every_s: float, fitted: tuple[str, ...], tau_s: float, most: float
) -> None:
    """From its first run on, behind any sensors, at any rate of scans; also one that never comes to a run's current."""
    found, engine = told(drive(every_s, tau_s=tau_s, most=most), fitted)
    assert found == []
    assert [(offer.setting, offer.value) for offer in engine.status().offers] == [("unit.kind", "variable-speed")]
    assert engine.status().distrusted == ()


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("in_run", [True, False])
def test_a_drive_that_has_died_is_told(every_s: float, in_run: bool) -> None:
    """In the middle of a run, or from a call's first moment on."""
    read = list(drive(every_s, runs=4))
    slow = but(RUN, compressor_a=0.15 * RATED_A)
    parts = [(1200.0, REST), *([(600.0, slow)] if in_run else []), (600.0, but(RUN, compressor_a=0.0))]
    read += scans(*parts, every_s=every_s, from_s=read[-1].t_s + every_s)
    assert told(iter(read))[0] == ["compressor-not-running"]


def test_who_says_that_it_is_none_hears_of_each_little_current() -> None:
    """`not_by_design`: as it was before anything was learned."""
    unit = msgspec.structs.replace(UNIT, not_by_design=("variable-speed",))
    found, _ = told(drive(10.0), settings=msgspec.structs.replace(SETTINGS, unit=unit))
    assert found.count("compressor-not-running") >= 10


def hum(warms: float, every_s: float, *, share: float = 0.2) -> Iterator[Readings]:
    """A call in which nothing but one winding draws, and less as it warms: five minutes, until its protector opens."""
    for step in range(int(300.0 / every_s)):
        yield but(RUN, compressor_a=RATED_A * share / (1.0 + warms * step * every_s / 300.0))


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("warms", [0.0, 0.236])
def test_a_winding_that_hums_is_told_as_before_once_starts_are_known(every_s: float, warms: float) -> None:
    """Three starts at once are a contactor's; 60 K of copper are 23.6 %."""
    known = ((600.0, REST), (900.0, RUN))
    hums = [(every_s, readings) for readings in hum(warms, every_s)]
    dead = but(RUN, compressor_a=0.0)
    found, engine = told(scans(*known * 4, (600.0, REST), *hums, (600.0, dead), every_s=every_s))
    assert found[:1] == ["compressor-not-running"]
    assert engine.status().offers == ()


@pytest.mark.parametrize("warms", [0.0, 0.236])
def test_a_winding_that_hums_in_a_units_first_call_is_told_once_a_drive_had_shown_itself(warms: float) -> None:
    """`drive_shows_s` later, and at once where it draws nothing."""
    hums = [(10.0, readings) for readings in (*hum(warms, 10.0), *hum(0.0, 10.0, share=0.2 / (1.0 + warms)))]
    for parts, due_s in (
        (hums, limits.COMPRESSOR_NOT_RUNNING.hold_s.value + HABIT.drive_shows_s.value),
        ([(600.0, but(RUN, compressor_a=0.0))], limits.COMPRESSOR_NOT_RUNNING.hold_s.value),
    ):
        engine = Engine(SETTINGS, fitted=ALL)
        heard = [e for scan in scans((600.0, REST), *parts, every_s=10.0) for e in engine.feed(scan)]
        raised = [e.t_s - 600.0 for e in heard if isinstance(e, Change) and e.finding == "compressor-not-running"]
        assert raised[:1] == [pytest.approx(due_s, abs=20.0)]


@pytest.mark.parametrize("share", [0.3, 0.6, 0.8])
def test_a_clamp_that_is_slow_to_follow_a_stop_makes_no_drive(share: float) -> None:
    """A filter of first order between clamp and scan (so much of the last reading stays): the compressor trips under
    its call, and stands for long enough to be told."""
    amps, parts = 9.0, [(600.0, REST), (900.0, RUN)]
    for _ in range(60):
        amps *= share
        parts.append((10.0, but(RUN, compressor_a=amps)))
    found, engine = told(scans(*parts, every_s=10.0))
    assert found == ["compressor-not-running"]
    assert engine.status().offers == ()


def watched(*shares: float, called: bool = True) -> DriveWatch:
    watch = DriveWatch(RATED_A)
    for share in shares:
        watch.minute(RATED_A * share, called=called)
    return watch


@pytest.mark.parametrize(
    ("shares", "known"),
    [
        ((0.16, 0.18, 0.20, 0.201), True),  # a quarter more, in two minutes
        ((0.16, 0.18, 0.199, 0.21), False),  # in one
        ((0.16, 0.20, 0.201), False),  # three minutes are too few
        ((0.26, 0.30, 0.33, 0.34), False),  # a run's current, as it settles
        ((0.33, 0.26, 0.24, 0.23), True),  # down by more than 1.35
        ((0.31, 0.26, 0.24, 0.23), False),
        ((0.50, 0.36, 0.27, 0.26), False),  # still a run's
        ((0.60, 0.20, 0.20, 0.20), False),  # at a step
        ((0.60, 0.41, 0.28, 0.20, 0.20), True),
        ((0.07, 0.16, 0.18, 0.20, 0.201), True),
        ((0.16, 0.07, 0.20, 0.201, 0.201), False),  # it had stopped
    ],
)
def test_what_moves_as_no_motor_behind_a_contactor(shares: tuple[float, ...], known: bool) -> None:
    assert watched(*shares).known is known
    assert not watched(*shares, called=False).known


ON_A, LEAST_A = RATED_A * limits.RUNNING_ON_RATIO.value, RATED_A * limits.DRIVE_ON_RATIO.value


@pytest.mark.parametrize(
    ("drew", "known"),
    [
        ((2.0, 2.2, 2.5, 2.5), True),  # drive_rise itself
        ((ON_A, 1.2 * ON_A, 1.3 * ON_A, 1.3 * ON_A), False),  # a run's current from the first minute on
        ((1.4 * ON_A, 1.1 * ON_A, ON_A, ON_A), False),
        ((LEAST_A, 1.2 * LEAST_A, 1.3 * LEAST_A, 1.3 * LEAST_A), True),
        ((3.0, 2.0, 2.0, 2.0), True),  # drive_step itself
        ((2.0, 3.0, 3.0, 3.0), True),
    ],
)
def test_each_bound_counts_on_the_side_that_it_says(drew: tuple[float, ...], known: bool) -> None:
    watch = DriveWatch(RATED_A)
    for amps in drew:
        watch.minute(amps, called=True)
    assert watch.known is known


def test_a_runs_least_current_is_a_start_at_once() -> None:
    watch = DriveWatch(RATED_A)
    watch.minute(ON_A, called=True)
    watch.started()
    assert watch.at_once == 1


def test_little_current_may_be_a_drives_until_three_starts_were_at_once() -> None:
    watch = DriveWatch(RATED_A)
    border_a = RATED_A * limits.RUNNING_ON_RATIO.value
    for _ in range(int(HABIT.times.value)):
        assert watch.may_be(0.2 * RATED_A)
        watch.minute(None, called=False)
        watch.started()
    assert not watch.may_be(0.2 * RATED_A)
    fresh = DriveWatch(RATED_A)
    assert [fresh.may_be(amps) for amps in (None, 0.0, 0.079 * RATED_A, 0.081 * RATED_A, border_a)] == [
        *(False, False, False, True, False)
    ]
    fresh.minute(0.2 * RATED_A, called=True)
    fresh.started()  # by way of a little current
    assert fresh.at_once == 0


def test_a_glide_is_told_from_a_stop_by_its_last_step() -> None:
    watch = DriveWatch(RATED_A)
    now_a = 0.19 * RATED_A
    assert watch.glides(now_a / 0.71, now_a)
    assert watch.glides(0.201 * RATED_A, now_a)
    assert not watch.glides(0.199 * RATED_A, now_a)  # it had fallen there by then
    assert not watch.glides(now_a / 0.69, now_a)
    assert watch.glides(None, now_a) is False
    assert watch.glides(0.09 * RATED_A, 0.079 * RATED_A) is False
    assert not watch.glides(0.22 * RATED_A, 0.201 * RATED_A)


def test_what_was_learned_of_starts_goes_on_in_the_next_process() -> None:
    """A unit whose starts are known hears of a hum at once, also after a restart."""
    engine = Engine(SETTINGS, fitted=ALL)
    for scan in scans(*((600.0, REST), (900.0, RUN)) * 4, every_s=10.0):
        engine.feed(scan)
    again: Any = Engine(SETTINGS, fitted=ALL, memory=engine.memory())
    heard = [
        event
        for scan in scans((600.0, REST), (120.0, but(RUN, compressor_a=0.2 * RATED_A)), every_s=10.0, from_s=10_000.0)
        for event in again.feed(scan)
    ]
    assert "compressor-not-running" in [e.finding for e in heard if isinstance(e, Change)]
