"""What people hear of the monitor itself, on both sides of each border: silence of a house, the daily word, clocks, and
a status that is too old."""

from __future__ import annotations

import time

import pytest

from condenser_monitor.monitor.clock import wall_clock
from condenser_monitor.monitor.core.config import parse
from condenser_monitor.monitor.publishers.silence_watch import SilenceWatch
from tests.monitor.test_notify_plan import at, plan
from tests.monitor.test_silence_watch import ELM, NOON, OAK, UTC, lived


@pytest.mark.parametrize(("apart_s", "together"), [(400.0, True), (900.0, False)])
def test_neighbours_within_ten_minutes_are_one_outage(apart_s: float, together: bool) -> None:
    """SILENCE.together_s: a power cut takes routers at once, and monitors on batteries some minutes later."""
    watch = SilenceWatch([ELM, OAK], zone=UTC)
    lived(watch, NOON, 2, {"elm", "oak"})
    lived(watch, NOON + 120.0, int(apart_s / 60.0), {"oak"})
    found = lived(watch, NOON + 120.0 + apart_s, 30, set())
    assert any("2 homes" in body for _, _, body in found) is together


@pytest.mark.parametrize(("gap_s", "told_after_min"), [(200.0, 30.0), (450.0, 37.5)])
def test_a_watchdog_that_was_off_for_long_takes_it_off_the_silence(gap_s: float, told_after_min: float) -> None:
    """SILENCE.own_gap_s: its own restart takes a minute or two, and is no outage of its own."""
    watch = SilenceWatch([ELM], zone=UTC)
    lived(watch, NOON, 1, {"elm"})
    lived(watch, NOON + 60.0, 9, set())
    begun = NOON + 540.0 + gap_s
    ((minute, _, _),) = lived(watch, begun, 40, set())
    assert (begun + minute * 60.0 - NOON) / 60.0 == pytest.approx(told_after_min, abs=1.5)


@pytest.mark.parametrize(("hour", "due"), [(11.5, True), (14.0, False)])
def test_a_daily_word_that_was_missed_waits_for_tomorrow(hour: float, due: bool) -> None:
    """NOTIFY.check_window_s: asked for at nine, it still comes in the morning, not at two."""
    assert plan(daily_silence_check=True).life_due(at(hour)) is due


@pytest.mark.parametrize(("wall_s", "known"), [(1577836800.0, False), (1796000000.0, True)])
def test_a_clock_that_was_never_set_is_none(monkeypatch: pytest.MonkeyPatch, wall_s: float, known: bool) -> None:
    """PUBLISHERS.clock_least: a Pi without one begins at the date of its image, 2020 in the first case."""
    monkeypatch.setattr(time, "time", lambda: wall_s)
    assert (wall_clock() is not None) is known


@pytest.mark.parametrize(
    ("number", "site", "least_s", "most_s"),
    [
        (
            "stale_s",
            "",
            10.0,
            25.0,
        ),  # a card stalls for ten seconds; within half a minute the page says that it is blind
        ("stale_scans", "[boards]\nscan_s = 60\n", 170.0, 500.0),  # two late scans are no blindness
    ],
)
def test_a_status_is_believed_for_a_while(number: str, site: str, least_s: float, most_s: float) -> None:
    """`number`, of WEB."""
    assert least_s < parse(site).stale_s < most_s, number
