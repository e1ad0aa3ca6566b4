"""Starts, pull-in, coil, use and the life of the contacts: first ones against last ones, sums against counts."""

from __future__ import annotations

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.normal import Baselines
from condenser_monitor.monitor.baselines.wear import FirstAndLast
from condenser_monitor.monitor.core.config import Settings, parse
from tests.monitor.test_trends import DAY_S, cycle, restarted, start


def started(*durations_s: float | None, settings: Settings | None = None) -> Baselines:
    trends = Baselines(settings or Settings())
    for duration_s in durations_s:
        trends.add_start(start(duration_s))
    return trends


SLOW_STARTS = [
    # starts, the answer
    ([], None),
    ([0.2] * 4, None),
    ([0.2] * 5, False),
    ([0.41] * 5, True),  # over 0.4 s outright
    ([0.40] * 5, False),
    ([0.2] * 20 + [0.30] * 5, True),  # 1.5 times the first twenty
    ([0.2] * 20 + [0.29] * 5, False),
    ([0.2] * 20 + [0.30] * 2 + [0.2] * 3, False),  # two odd starts are not the last five
    ([0.2] * 19 + [0.30] * 5, False),  # the first twenty are not over
    ([0.2] * 20 + [0.30] * 5 + [0.2] * 5, False),  # mended
    ([0.2] * 20 + [None] * 5, True),  # never came to speed
    ([0.2] * 23 + [None] * 2, False),
    ([None] * 3 + [0.2] * 25, False),  # one that never came to speed is no measure of the first ones
]


@pytest.mark.parametrize(("durations_s", "slow"), SLOW_STARTS)
def test_slow_start_as_the_contract_has_it(durations_s: list[float | None], slow: bool | None) -> None:
    """The last 5 take 1.5 times as long as the first 20, or over 0.4 s; too few: not known."""
    assert started(*durations_s).slow_start is slow
    report = started(*durations_s).report()["starts"]
    assert (report["slow"], report["count"]) == (slow, len(durations_s))


def test_a_slowly_captured_start_is_passed_over() -> None:
    """Readings every 20 ms cannot time a start of 200 ms."""
    trends = Baselines(Settings())
    for _ in range(30):
        trends.add_start(start(0.9, rate_hz=50.0))
    assert trends.slow_start is None


def test_the_numbers_of_slow_start_are_settings() -> None:
    """A site may ask for other counts, ratio and time."""
    site = parse("[limits.slow-start]\nfirst = 4\nlast = 2\nratio = 1.2\nslow_s = 1.0\n")
    assert started(0.5, 0.5, 0.5, 0.5, 0.6, 0.6, settings=site).slow_start is True
    assert started(0.5, 0.5, 0.5, 0.5, 0.59, 0.59, settings=site).slow_start is False


def test_starts_are_remembered_over_a_restart() -> None:
    """Twenty before, five after."""
    trends = restarted(started(*[0.2] * 20))
    for _ in range(5):
        trends.add_start(start(0.31))
    assert trends.slow_start is True


def test_pull_in_and_coil_current_are_compared_with_the_first_ones() -> None:
    """Twenty sound cycles, then five with a slower pull-in and a weaker coil: the ratios say it."""
    trends = Baselines(Settings())
    for number in range(25):
        late = number >= 20
        trends.add_cycle(cycle(number, pull_in_s=1.5 if late else 0.5, coil_a=0.2 if late else 0.25))
    report = trends.report()
    assert report["pull_in_s"] == {"first": 0.5, "last": 1.5, "ratio": 3.0, "count": 25}
    assert report["coil_a"]["ratio"] == 0.8


def test_a_cycle_whose_start_was_not_seen_has_no_pull_in() -> None:
    """Not known is not counted."""
    trends = Baselines(Settings())
    trends.add_cycle(cycle(0, pull_in_s=None, coil_a=None))
    report = trends.report()
    assert report["pull_in_s"]["count"] == report["coil_a"]["count"] == 0


def test_cycles_and_hours_a_day() -> None:
    """Forty days of twenty-four quarter hours: 24 cycles, 6 hours a day, over a week and a month."""
    trends = Baselines(Settings())
    for day in range(40):
        for hour in range(24):
            trends.add_cycle(cycle(day + hour / 24))
    use = trends.report()["use"]
    assert (use["cycles"], use["hours"]) == (960, 240.0)
    for span in ("last_7_days", "last_30_days"):
        assert use[span]["cycles_per_day"] == pytest.approx(24, rel=0.05)
        assert use[span]["hours_per_day"] == pytest.approx(6, rel=0.05)
    assert use["days"][-1] == {"days_ago": 0, "cycles": 24, "hours": 6.0}


def test_before_a_day_is_over_no_daily_figure_is_given() -> None:
    """Three cycles in an hour are not seventy-two a day."""
    trends = Baselines(Settings())
    for minute in (0, 20, 40):
        trends.add_cycle(cycle(minute / 1440))
    assert trends.report()["use"]["last_7_days"] == {"cycles_per_day": None, "hours_per_day": None}
    assert trends.report()["contactor"]["years_left"] is None


def test_contact_operations_against_the_rated_life() -> None:
    """200 000 operations at full load (component sheet): at 50 a day that is eleven years less what is used."""
    rated = limits.BASELINES.contact_life.value
    trends = Baselines(Settings())
    for day in range(100):
        trends.add_cycle(cycle(day, closings=50))
    contactor = trends.report()["contactor"]
    assert (contactor["operations"], contactor["rated"]) == (5000, rated)
    assert contactor["share"] == pytest.approx(0.025)
    assert contactor["years_left"] == pytest.approx((rated - 5000) / 50 / 365.25, rel=0.02)


def test_a_new_contactor_starts_at_nought() -> None:
    """Its operations, pull-in and coil current are its own."""
    trends = Baselines(Settings())
    for day in range(30):
        trends.add_cycle(cycle(day, closings=50))
    trends.reset("contactor")
    trends.add_cycle(cycle(31, closings=2))
    report = trends.report()
    assert report["contactor"]["operations"] == 2
    assert report["contactor"]["days_counted"] == pytest.approx(2.0, abs=0.1)
    assert report["pull_in_s"]["count"] == 1
    assert report["use"]["cycles"] == 31


def test_where_the_contacts_are_not_sensed_each_start_is_a_closing() -> None:
    """No closing seen, two starts of the compressor: at least two operations."""
    trends = Baselines(Settings())
    trends.add_cycle(cycle(0, closings=0, compressor_starts=2))
    assert trends.report()["contactor"]["operations"] == 2


def test_sums_go_on_over_a_restart() -> None:
    """Half before, half after, and the pause counted by the wall clock."""
    trends = Baselines(Settings())
    for day in range(10):
        trends.add_cycle(cycle(day))
    trends = restarted(trends)
    for day in range(10, 20):
        later = cycle(day)
        trends.add_cycle(cycle(day - 10, started_wall_s=later.started_wall_s))
    report = trends.report()
    assert (report["use"]["cycles"], report["contactor"]["operations"]) == (20, 20)
    assert report["contactor"]["days_counted"] == pytest.approx(19, abs=0.1)
    assert DAY_S == 86400.0


def test_one_step_of_the_scan_is_no_trend() -> None:
    """Pull-in is timed in steps of about 10 ms: 20 ms and then 10 ms is the same contactor, 40 ms is a slower one."""
    for last_s, ratio in ((0.01, 1.0), (0.03, 1.0), (0.04, 2.0)):
        seen = FirstAndLast()
        for value in (*[0.02] * 5, *[last_s] * 5):
            seen.add(value, first=5, last=5)
        assert seen.report(first=5, last=5, step=limits.BASELINES.pull_in_step_s.value)["ratio"] == ratio
