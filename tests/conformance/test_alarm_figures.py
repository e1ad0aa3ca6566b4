"""Alarm figures against what is published of ISA-18.2 / IEC 62682.

Sources. "Quick alarm system self-audit" (page on ISA-18.2, read): flood, more than 10 alarms in 10 min; chattering,
from active to clear three or more times in one minute; stale, in alarm for over 24 h. From memory of ISA-18.2 / EEMUA
191, not read again: a flood ends below 5 alarms in 10 min. OPC UA Part 9, 4.8 (v1.05, read): a latched alarm does not
clear until it is reset; shelving is set by the operator, suppression by the system.
"""

from __future__ import annotations

import pytest

from condenser_monitor.monitor.alarms.alarm_manager import AlertMetrics
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.records import AlertState, Severity
from tests.monitor.alarm_tools import Bench

NAMES = list(CATALOGUE)


def _told(metrics: AlertMetrics, times_s: list[float]) -> None:
    for number, at_s in enumerate(times_s):
        metrics.count_alarm(NAMES[number % len(NAMES)], Severity.URGENT, at_s)


@pytest.mark.parametrize(("count", "flood"), [(10, False), (11, True)])
def test_a_flood_is_more_than_ten_alarms_in_ten_minutes(count: int, flood: bool) -> None:
    """Ten in 599 s are none, eleven are one; eleven in over ten minutes are none."""
    metrics = AlertMetrics()
    _told(metrics, [599.0 * number / (count - 1) for number in range(count)])
    assert metrics.report(599.0, {})["flood"]["now"] is flood
    slow = AlertMetrics()
    _told(slow, [601.0 * number / (count - 1) for number in range(count)])
    assert slow.report(601.0, {})["flood"]["now"] is False


def test_a_flood_ends_below_five_alarms_in_ten_minutes() -> None:
    """Eleven alarms, one a second up to 10 s: five are left until 606 s, four from then on."""
    metrics = AlertMetrics()
    _told(metrics, [float(second) for second in range(11)])
    assert metrics.report(605.9, {})["flood"]["now"] is True
    assert metrics.report(606.0, {})["flood"]["now"] is False
    assert metrics.memory.floods == [(10.0, 606.0)]


@pytest.mark.parametrize(("every_s", "chatters"), [(29.0, True), (30.0, True), (31.0, False)])
def test_chatter_is_three_times_in_one_minute(every_s: float, chatters: bool) -> None:
    """Raised three times: within 58 s and 60 s it chatters, within 62 s it does not."""
    bench = Bench()
    for _ in range(3):
        bench.raised("locked-rotor")
        bench.wait(1)
        bench.cleared("locked-rotor")
        bench.wait(every_s - 1)
    assert bench.desk.metrics(None)["chatter"] == ({"locked-rotor": 1} if chatters else {})
    assert bench.notified() == [("locked-rotor", "alarm")]  # people are not chattered at, the off-delay sees to it


def test_stale_is_in_alarm_for_more_than_24_hours() -> None:
    """At 24 h not yet, a second later it is; acknowledged or not; shelved it is not."""
    bench = Bench()
    bench.raised("fan-not-running")
    bench.wait(86400)
    assert bench.desk.metrics(None)["stale"] == {}
    bench.wait(1)
    assert bench.desk.metrics(None)["stale"] == {"fan-not-running": 86401}
    bench.ask("acknowledge", "fan-not-running")
    assert "fan-not-running" in bench.desk.metrics(None)["stale"]
    bench.ask("shelve", "fan-not-running", 2.0)
    assert bench.desk.metrics(None)["stale"] == {}


def test_a_latched_alarm_does_not_clear_until_it_is_reset() -> None:
    """OPC UA Part 9, 4.8: neither time nor acknowledging ends it."""
    bench = Bench()
    bench.raised("contacts-stuck-closed")
    bench.cleared("contacts-stuck-closed", repaired=False)
    bench.wait(30 * 86400)
    assert bench.state("contacts-stuck-closed") is AlertState.LATCHED_UNACKED
    bench.ask("acknowledge", "contacts-stuck-closed")
    bench.wait(30 * 86400)
    assert bench.state("contacts-stuck-closed") is AlertState.LATCHED_ACKED
    bench.ask("reset", "contacts-stuck-closed")
    assert bench.state("contacts-stuck-closed") is AlertState.NORMAL


def test_shelved_suppressed_and_out_of_service_alarms_go_on_working() -> None:
    """OPC UA Part 9, 4.8: unlike disabled ones, they still follow their condition."""
    bench = Bench()
    bench.raised("locked-rotor")
    bench.raised("compressor-not-running")  # suppressed: it follows from the locked rotor
    bench.ask("shelve", "line-supply-lost", 2.0)
    bench.raised("line-supply-lost")
    assert {a.finding: (a.state, a.active) for a in bench.desk.alerts()} == {
        "locked-rotor": (AlertState.UNACKED, True),
        "compressor-not-running": (AlertState.SUPPRESSED, True),
        "line-supply-lost": (AlertState.SHELVED, True),
    }
    bench.ask("service", hours=1.0)
    bench.cleared("line-supply-lost")
    assert {a.finding: a.active for a in bench.desk.alerts()}["line-supply-lost"] is False
