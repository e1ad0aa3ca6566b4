"""Figures of the alarm system, counted on stories whose figures can be counted by hand."""

from __future__ import annotations

import json

import pytest

from condenser_monitor.monitor.alarms.alarm_manager import AlertMetrics
from condenser_monitor.monitor.core.records import Severity
from tests.monitor.alarm_tools import Bench

DAY = 86400.0
FAN, SUPPLY, LONG = "fan-not-running", "line-supply-lost", "long-run"


def test_a_quiet_system_has_figures_too() -> None:
    """Nothing ever told: noughts, no division by them, JSON all through."""
    figures = Bench().desk.metrics(None)
    assert (figures["told"], figures["per_day"], figures["in_10_min"]) == (0, 0.0, 0)
    assert figures["flood"]["now"] is False
    assert json.loads(json.dumps(figures)) == figures


def test_rate_priorities_and_top_contributors() -> None:
    """Ten days: six supply losses (urgent), three long runs (watch), one fan (urgent)."""
    bench = Bench()
    for finding, times in ((SUPPLY, 6), (LONG, 3), (FAN, 1)):
        for _ in range(times):
            bench.raised(finding)
            bench.cleared(finding)
            bench.wait(DAY)
    figures = bench.desk.metrics(bench.wall_s)
    assert figures["days"] == 10.0
    assert (figures["told"], figures["per_day"]) == (10, 1.0)
    assert [(row["finding"], row["told"], row["share"]) for row in figures["top"]] == [
        (SUPPLY, 6, 0.6),
        (LONG, 3, 0.3),
        (FAN, 1, 0.1),
    ]
    assert {name: row["told"] for name, row in figures["severity"].items()} == {"urgent": 7, "soon": 0, "watch": 3}


def test_only_what_people_were_told_counts() -> None:
    """Shelved, suppressed and re-raised within the off-delay: one alarm."""
    bench = Bench()
    bench.ask("shelve", FAN, 24.0)
    bench.raised(FAN)
    bench.raised(SUPPLY)
    bench.raised("call-without-pull-in")
    for _ in range(5):
        bench.cleared(SUPPLY)
        bench.wait(60)
        bench.raised(SUPPLY)
    figures = bench.desk.metrics(bench.wall_s)
    assert figures["told"] == 1
    assert figures["quiet"]["shelved"] == [FAN]
    assert figures["quiet"]["suppressed-by-design"] == ["call-without-pull-in"]


def test_thirty_days_are_kept_over_restarts_and_no_more() -> None:
    """An alarm a day for forty days, with a restart each week: thirty are counted."""
    bench = Bench()
    for day in range(40):
        bench.raised(SUPPLY)
        bench.cleared(SUPPLY)
        bench.wait(DAY if day < 39 else DAY - 1)
        if day % 7 == 0:
            bench.restart()
    figures = bench.desk.metrics(bench.wall_s)
    assert (figures["told"], figures["days"], figures["per_day"]) == (30, 30.0, 1.0)


def test_the_fullest_ten_minutes_are_remembered() -> None:
    """Three alarms within ten minutes, later one alone."""
    bench = Bench()
    for finding in (SUPPLY, FAN, LONG):
        bench.raised(finding)
        bench.wait(200)
    assert bench.desk.metrics(None)["in_10_min"] == 2  # the first is 600 s old
    bench.wait(3600)
    figures = bench.desk.metrics(None)
    assert (figures["in_10_min"], figures["most_in_10_min"]) == (0, 3)


def test_time_in_flood_is_the_share_of_the_time_watched() -> None:
    """Eleven alarms at once, then none: in flood until the last of them is ten minutes old."""
    metrics = AlertMetrics()
    for _ in range(11):
        metrics.count_alarm(FAN, Severity.URGENT, 1000.0)
    assert metrics.report(1599.0, {})["flood"]["now"] is True
    flood = metrics.report(60_000.0, {})["flood"]
    assert (flood["now"], flood["floods"]) == (False, 1)
    assert flood["share_of_time"] == pytest.approx(600 / 60_000)


def test_a_flood_is_kept_over_a_restart() -> None:
    """What was kept of a flood under way goes on."""
    metrics = AlertMetrics()
    for _ in range(11):
        metrics.count_alarm(FAN, Severity.URGENT, 1000.0)
    again = AlertMetrics(metrics.memory)
    assert again.report(1100.0, {})["flood"]["now"] is True


def test_an_alarm_is_stale_after_a_day_unless_somebody_has_put_it_aside() -> None:
    """ISA-18.2 calls an alarm stale that stands for more than 24 h; a shelved one is counted as shelved."""
    bench = Bench()
    bench.raised(SUPPLY)
    bench.raised(FAN)
    bench.ask("shelve", FAN, 48.0)
    bench.wait(86400.0)
    assert bench.desk.metrics(bench.wall_s)["stale"] == {}
    bench.wait(60.0)
    assert bench.desk.metrics(bench.wall_s)["stale"] == {SUPPLY: 86460}
