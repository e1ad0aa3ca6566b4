"""Restarts, outages, wall clocks wrong or missing: nothing told twice, nothing lost, no shelving for ever."""

from __future__ import annotations

import msgspec
import pytest

from condenser_monitor.monitor.alarms.alarm_manager import ALERTS_MEMORY, AlarmManager
from condenser_monitor.monitor.core.records import AlertState
from tests.monitor.alarm_tools import SETTINGS, Bench
from tests.monitor.units import why_refused

FAN, LOCKED, SUPPLY = "fan-not-running", "locked-rotor", "line-supply-lost"
ALARM, CLEAR = "alarm", "all-clear"
HOUR = 3600.0


def test_an_alarm_told_before_a_restart_gets_its_all_clear_after_it() -> None:
    """Told, restart, cleared, restart, off-delay: one alarm and one all-clear."""
    bench = Bench()
    bench.raised(SUPPLY)
    bench.restart(120.0)
    bench.cleared(SUPPLY)
    bench.wait(100)
    bench.restart(120.0)
    bench.wait(86400)
    bench.restart()
    assert bench.notified() == [(SUPPLY, ALARM), (SUPPLY, CLEAR)]


def test_raised_again_after_a_restart_it_is_the_same_alarm() -> None:
    """A finding that is found again by the new process is not told again."""
    bench = Bench()
    bench.raised(SUPPLY)
    bench.restart(600.0)
    bench.raised(SUPPLY)
    assert bench.notified() == [(SUPPLY, ALARM)]


def test_the_off_delay_counts_only_what_was_seen_to_stay_gone() -> None:
    """Off for a day right after the finding was cleared: the all-clear still waits for the rest of its delay."""
    bench = Bench()
    bench.raised(SUPPLY)
    bench.cleared(SUPPLY)
    bench.wait(bench.delay_s(SUPPLY) - 10)
    bench.restart(86400.0)
    assert bench.notified() == [(SUPPLY, ALARM)]
    bench.wait(9)
    assert bench.notified() == [(SUPPLY, ALARM)]
    bench.wait(1)
    assert bench.notified() == [(SUPPLY, ALARM), (SUPPLY, CLEAR)]


@pytest.mark.parametrize("off_s", [0.0, HOUR, 3 * HOUR, 30 * 86400.0])
def test_a_shelving_ends_at_its_hour_however_long_the_monitor_was_off(off_s: float) -> None:
    """Shelved for 4 h, off for `off_s` after the first: told at 4 h, or at once if that is past."""
    bench = Bench()
    bench.raised(FAN)
    bench.ask("shelve", FAN, 4.0)
    bench.wait(HOUR)
    bench.restart(off_s)
    left_s = max(3 * HOUR - off_s, 0.0)
    if left_s:
        bench.wait(left_s - 1)
        assert bench.notified() == [(FAN, ALARM)]
        bench.wait(1)
    assert bench.notified() == [(FAN, ALARM)] * 2


@pytest.mark.parametrize("jump_s", [-86400.0 * 400, -HOUR, HOUR, 86400.0 * 400])
def test_a_wall_clock_that_jumps_in_the_process_moves_no_end(jump_s: float) -> None:
    """Shelving and service mode keep their length to the second; only the time shown follows the clock."""
    bench = Bench()
    bench.raised(FAN)
    bench.ask("shelve", FAN, 4.0)
    bench.wait(HOUR)
    bench.wall_ahead_s = jump_s
    bench.wait(3 * HOUR - 1)
    alert, wall_s = bench.alert(FAN), bench.wall_s
    assert alert is not None
    assert wall_s is not None
    assert alert.shelved_until_wall_s == pytest.approx(wall_s + 1)
    assert bench.notified() == [(FAN, ALARM)]
    bench.wait(1)
    assert bench.notified() == [(FAN, ALARM)] * 2


@pytest.mark.parametrize("jump_s", [-86400.0 * 400, -HOUR, HOUR / 2, HOUR, 86400.0 * 400])
def test_a_wall_clock_wrong_after_a_restart_ends_a_shelving_early_by_no_more_than_that(jump_s: float) -> None:
    """Set back it ends not early at all; set ahead by an hour, at most an hour early; never is it lost."""
    bench = Bench()
    bench.raised(FAN)
    bench.ask("shelve", FAN, 4.0)
    bench.wait(HOUR)
    bench.wall_ahead_s = jump_s
    bench.restart(60.0)
    early_s = max(0.0, min(jump_s, 3 * HOUR - 60))
    least_s = 3 * HOUR - 60 - early_s
    if least_s > 1:
        bench.wait(least_s - 1)
        assert bench.notified() == [(FAN, ALARM)]
    bench.wait(61)
    assert bench.notified() == [(FAN, ALARM)] * 2


def test_without_a_wall_clock_shelving_and_service_still_end() -> None:
    """A Pi that never finds the network: the hours are counted while it runs, over restarts too."""
    bench = Bench(wall_ahead_s=None)
    bench.raised(FAN)
    assert bench.ask("shelve", FAN, 4.0).done
    assert bench.ask("service", hours=1.0).done
    assert bench.desk.service_until_wall_s is None
    assert bench.desk.in_service
    bench.wait(HOUR)
    assert not bench.desk.in_service
    bench.restart()
    bench.wait(3 * HOUR - 1)
    assert bench.notified() == [(FAN, ALARM)]
    bench.wait(1)
    assert bench.notified() == [(FAN, ALARM)] * 2


def test_the_wall_clock_found_late_is_used_when_it_is_found() -> None:
    """Off for two days, and the network is found ten minutes after the start: the shelving ends then."""
    bench = Bench()
    bench.raised(FAN)
    bench.ask("shelve", FAN, 24.0)
    bench.wall_ahead_s = None
    bench.restart(2 * 86400.0)
    bench.wait(600)
    assert bench.state(FAN) is AlertState.SHELVED
    bench.wall_ahead_s = 0.0
    bench.wait(1)
    assert bench.notified() == [(FAN, ALARM)] * 2


def test_service_mode_outlives_a_restart() -> None:
    """A technician who cuts the monitor's power while working is still at work."""
    bench = Bench()
    bench.ask("service", hours=2.0)
    bench.restart(600.0)
    bench.raised(SUPPLY)
    assert bench.notified() == []
    assert bench.desk.service_until_wall_s is not None
    bench.wait(2 * HOUR)
    assert bench.notified() == [(SUPPLY, ALARM)]


def test_a_latched_alarm_outlives_a_restart() -> None:
    """Switching the monitor off and on is no reset."""
    bench = Bench()
    bench.raised(LOCKED)
    bench.cleared(LOCKED, repaired=False)
    bench.wait(bench.delay_s(LOCKED))
    bench.restart(86400.0)
    assert bench.state(LOCKED) is AlertState.LATCHED_UNACKED
    assert bench.ask("reset", LOCKED).done
    assert bench.notified() == [(LOCKED, ALARM), (LOCKED, CLEAR)]


def _memory() -> bytes:
    bench = Bench()
    bench.raised(FAN)
    bench.ask("shelve", FAN, 4.0)
    return msgspec.json.encode(bench.desk.memory())


BROKEN = {
    "empty": b"",
    "not JSON": b"\xff\xfe",
    "another shape": b"[1, 2]",
    "nothing in it": b"{}",
    "cut short": _memory()[:-20],
    "another version": _memory().replace(b'"version":1', b'"version":99', 1),
    "an unknown state": _memory().replace(b'"shelved"', b'"asleep"', 1),
    "a number beyond all bounds": _memory().replace(b'"x_s":0.0', b'"x_s":1e999', 1),
    "a key from elsewhere": _memory().replace(b'"version":1', b'"version":1,"colour":2', 1),
    "nested without end": b"[" * 100_000,
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_memory_that_cannot_be_used_is_set_aside_with_the_reason(name: str) -> None:
    """The monitor starts, watches, and says why it has forgotten."""
    assert BROKEN[name] != _memory()
    assert "begun afresh" in why_refused(ALERTS_MEMORY, BROKEN[name])


def test_a_memory_with_a_finding_no_longer_known_keeps_the_rest() -> None:
    """A finding that a newer program has dropped is passed over."""
    memory = msgspec.json.decode(_memory())
    memory["slots"]["long-gone"] = memory["slots"][FAN]
    desk = AlarmManager(SETTINGS, ALERTS_MEMORY.read(msgspec.json.encode(memory), ALERTS_MEMORY.version))
    assert [alert.finding for alert in desk.alerts()] == [FAN]


def test_the_memory_stays_small_over_years_of_trouble() -> None:
    """Five years of a fan that fails six times a day, acknowledged each time, is kept in a few thousand bytes."""
    bench = Bench()
    sizes = []
    for _year in range(5):
        for number in range(365 * 6):
            bench.raised(FAN)
            bench.ask("acknowledge", FAN, id=f"ack-{number % 50}")
            bench.cleared(FAN)
            bench.wait(4 * HOUR)
            bench.steps.clear()
        sizes.append(len(msgspec.json.encode(bench.desk.memory())))
    assert max(sizes) < 20_000
    assert sizes[-1] < sizes[1] * 1.1
