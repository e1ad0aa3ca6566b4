"""Which minutes teach, how stages are found, and what the nameplate forbids to learn."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.minutes import CleanMinutes, MinuteMeans
from condenser_monitor.monitor.baselines.normal import TRENDS_MEMORY, Baselines
from condenser_monitor.monitor.core.config import Settings, parse
from condenser_monitor.monitor.core.records import Change, Scan
from condenser_monitor.monitor.engine import Engine
from tests.monitor.test_trends import DAY_S, DAYS, learned, restarted, swing_c, true_a
from tests.monitor.units import SETTINGS

MINUTE_S = 60.0
SENSORS = ("call", "control_v", "compressor_a", "outdoor_c")


def minute(
    number: int, amps: float, *, since_s: float | None = 0.0, sound: bool = True, **readings: float
) -> MinuteMeans:
    """The minute of that number of a run that began at `since_s`."""
    return MinuteMeans(
        began_s=number * MINUTE_S,
        ended_s=(number + 1) * MINUTE_S,
        wall_s=None,
        running_since_s=since_s,
        sound=sound,
        readings={"compressor_a": amps, "outdoor_c": 30.0} | readings,
    )


def taught(*minutes: MinuteMeans) -> list[float]:
    """The currents of the minutes that are let through."""
    clean = CleanMinutes()
    found = [clean.add(one) for one in minutes]
    return [one.compressor_a or 0.0 for one in found if one is not None]


def test_a_minute_teaches_only_between_two_like_minutes_of_the_same_settled_run() -> None:
    """The first five minutes, the one that shows the stop, the one of a change and its neighbours teach nothing."""
    amps = [10.0, 10.1, 10.2, 10.3, 10.4, 10.5, 10.6, 10.7, 10.8, 0.0]
    assert taught(*(minute(number, a) for number, a in enumerate(amps))) == [10.6, 10.7]
    step = [10.0, 10.0, 10.0, 14.0, 14.0, 14.0]
    assert taught(*(minute(10 + number, a) for number, a in enumerate(step))) == [10.0, 14.0]
    assert taught(*(minute(10 + n, 10.0, sound=n != 2) for n in range(5))) == []
    assert taught(*(minute(20 + n, 10.0, since_s=0.0 if n < 2 else 100.0) for n in range(4))) == []


def a_scan_a_minute(days: int) -> Iterator[Scan]:
    """Runs of 18 minutes and rests of 12; volts that wander, and the scan of each stop shows 0 A and 0 V, still under
    the call of the scan before."""
    for number in range(days * 1440):
        phase, hour = number % 30, number / 60 % 24
        outdoor_c, control_v = swing_c(hour), 25.0 + number // 30 % 5 / 2
        running = phase < 18
        yield Scan(
            t_s=number * MINUTE_S,
            call=running,
            control_v=control_v if running else 0.0,
            compressor_a=true_a(outdoor_c) if running else 0.0,
            outdoor_c=outdoor_c,
        )


def test_at_a_scan_a_minute_the_stops_teach_nothing() -> None:
    """One minute in eighteen holds the stop: the normal is exact, no slope with volts is learned, nothing is raised."""
    engine = Engine(SETTINGS, fitted=SENSORS)
    found = [event for scan in a_scan_a_minute(DAYS + 3) for event in engine.feed(scan)]
    assert [event for event in found if isinstance(event, Change)] == []
    memory = json.loads(engine.memory())["trends"]["baseline"]
    assert len(memory["stages"]) == 1
    line = memory["stages"][0]["line"]
    assert line["at_a"] == pytest.approx(true_a(line["at_c"]), rel=0.005)
    assert line["a_per_v"] == pytest.approx(0.0, abs=0.01)


def test_two_hours_of_flapping_teach_nothing_that_the_nameplate_forbids() -> None:
    """19.3 A for a unit rated 12.8 A, hours on end and for days: not learned; its sound 9 A then are."""
    trends = Baselines(SETTINGS)
    for number in range((DAYS + 1) * 1440):
        trends.learn_minute(t_s=number * MINUTE_S, wall_s=None, compressor_a=19.3, outdoor_c=30.0)
    assert trends.report()["normal"]["minutes"] == 0
    for number in range((DAYS + 1) * 1440):
        at_s = (DAYS + 1) * DAY_S + number * MINUTE_S
        trends.learn_minute(t_s=at_s, wall_s=None, compressor_a=9.0, outdoor_c=30.0)
    assert trends.normal_a(30.0) == pytest.approx(9.0)


# ---------------------------------------------------------------- stages


def run_at(trends: Baselines, from_min: int, count: int, ratio: float, *, end_ratio: float | None = None) -> int:
    """Minutes of one settled run at a ratio of this unit's usual current, or rising to `end_ratio`; the next minute."""
    for number in range(from_min, from_min + count):
        share = 0.0 if end_ratio is None else (number - from_min) / count
        now = ratio + share * ((end_ratio or ratio) - ratio)
        trends.add_minute(minute(number, now * true_a(30.0), since_s=(from_min - 10) * MINUTE_S))
    return from_min + count


def first_free_minute() -> int:
    return (DAYS + 2) * 1440


def known(trends: Baselines) -> int:
    """A unit whose last forty minutes were as usual; the next minute."""
    return run_at(trends, first_free_minute(), 40, 1.0)


def test_a_step_to_a_new_level_is_waited_for_and_learned_once_it_has_come_and_gone() -> None:
    """A second stage first seen after the learning: no limit of the unit's own while it is new, then two stages."""
    trends = learned()
    at = known(trends)
    assert trends.normal_range(30.0).high_a == pytest.approx(true_a(30.0), rel=0.01)
    for _ in range(4):
        at = run_at(trends, at, 25, 1.4)
        assert trends.normal_range(30.0).high_a is None or len(trends.report()["normal"]["stages"]) == 2
        at = run_at(trends, at + 20, 25, 1.0)
    assert len(trends.report()["normal"]["stages"]) == 2
    lowest, highest = trends.normal_range(30.0)
    assert (lowest, highest) == (pytest.approx(true_a(30.0), rel=0.01), pytest.approx(1.4 * true_a(30.0), rel=0.01))
    assert trends.normal_a(30.0, near_a=13.0) == pytest.approx(1.4 * true_a(30.0), rel=0.01)
    assert trends.normal_a(30.0, near_a=9.5) == pytest.approx(true_a(30.0), rel=0.01)
    again = restarted(trends)
    assert again.normal_range(30.0) == (lowest, highest)


def test_a_new_level_that_does_not_go_back_is_a_fault() -> None:
    """After an hour and a half of running the unit's own limit is back."""
    trends = learned()
    at = known(trends)
    wait_min = int(limits.BASELINES.stage_wait_min.value)
    at = run_at(trends, at, wait_min - 10, 1.4)
    assert trends.normal_range(30.0).high_a is None
    run_at(trends, at, 20, 1.4)
    assert trends.normal_range(30.0).high_a == pytest.approx(true_a(30.0), rel=0.01)


def test_a_current_that_creeps_up_is_never_taken_for_a_stage() -> None:
    """From usual to 1.4 times as much in three hours: the limit of the unit's own stays all the while."""
    trends = learned()
    at = run_at(trends, known(trends), 180, 1.0, end_ratio=1.4)
    run_at(trends, at, 60, 1.4)
    assert trends.normal_range(30.0).high_a == pytest.approx(true_a(30.0), rel=0.01)


@pytest.mark.parametrize("ratio", [0.6, 1.15, 2.0])
def test_a_level_that_no_stage_could_have_is_not_waited_for(ratio: float) -> None:
    """A compressor that does not pump, a little too much, twice as much."""
    trends = learned()
    run_at(trends, known(trends), 10, ratio)
    assert trends.normal_range(30.0).high_a is not None


def two_stage_days(trends: Baselines, high_share: float, days: int = DAYS + 1) -> None:
    """Days of a unit of two stages, the higher one 1.4 times the lower, on the warmest hours."""
    for number in range(0, days * 1440, 5):
        hour = number / 60 % 24
        outdoor_c = swing_c(hour)
        high = 16.0 - 12 * high_share <= hour <= 16.0 + 12 * high_share
        amps = (1.4 if high else 1.0) * true_a(outdoor_c)
        trends.learn_minute(t_s=number * MINUTE_S, wall_s=None, compressor_a=amps, outdoor_c=outdoor_c)


@pytest.mark.parametrize("high_share", [0.1, 0.3, 0.6])
def test_two_stages_seen_while_learning_are_two_lines(high_share: float) -> None:
    """Though the higher one runs in the warmest hours only, so that one steep line would do almost as well."""
    trends = Baselines(Settings())
    two_stage_days(trends, high_share)
    assert trends.stages == len(trends.report()["normal"]["stages"]) == 2
    assert trends.normal_a(31.5, near_a=1.4 * true_a(31.5)) == pytest.approx(1.4 * true_a(31.5), rel=0.02)
    assert trends.normal_a(25.0, near_a=true_a(25.0)) == pytest.approx(true_a(25.0), rel=0.02)


def test_one_stage_with_scatter_stays_one_line() -> None:
    """Four per cent up and down, as measured machines have: no second stage is invented."""
    trends = Baselines(Settings())
    for number in range(0, (DAYS + 1) * 1440, 5):
        outdoor_c = swing_c(number / 60 % 24)
        scatter = 1.0 + 0.04 * ((number * 7919) % 201 - 100) / 100
        trends.learn_minute(
            t_s=number * MINUTE_S, wall_s=None, compressor_a=scatter * true_a(outdoor_c), outdoor_c=outdoor_c
        )
    assert len(trends.report()["normal"]["stages"]) == 1


# ---------------------------------------------------------------- heating, fan, split


def test_heating_is_learned_apart_from_cooling() -> None:
    """A heat pump at 5 °C draws its own current; its cooling normal knows nothing of it, nor the other way round."""
    trends = Baselines(parse("[unit]\nheat_pump = true\n"))
    for number in range(0, (DAYS + 1) * 1440, 5):
        outdoor_c = swing_c(number / 60 % 24, mean_c=5.0)
        trends.learn_minute(t_s=number * MINUTE_S, wall_s=None, compressor_a=8.0 + 0.1 * outdoor_c, outdoor_c=outdoor_c)
    assert trends.report()["normal"]["state"] == "learning"
    cold = MinuteMeans(
        began_s=DAYS * 2 * DAY_S,
        ended_s=DAYS * 2 * DAY_S + 60,
        wall_s=None,
        running_since_s=DAYS * 2 * DAY_S - 900,
        sound=True,
        readings={"compressor_a": 8.5, "outdoor_c": 5.0},
    )
    trends.add_minute(cold)
    assert trends.normal_a(5.0) == pytest.approx(8.5, rel=0.01)


def test_fan_and_split_have_normals_with_how_sure_they_are() -> None:
    """The fan's amps follow the density of air, the split the return air; both known only where they were seen."""
    trends = Baselines(Settings())
    for number in range(0, (DAYS + 1) * 1440, 5):
        outdoor_c = swing_c(number / 60 % 24)
        return_c = 24.0 + number // 1440 % 3
        trends.learn_minute(
            t_s=number * MINUTE_S,
            wall_s=None,
            compressor_a=true_a(outdoor_c),
            outdoor_c=outdoor_c,
            fan_a=1.0 * 303.15 / (outdoor_c + 273.15) * (1.0 + 0.017 * (number * 7919 % 201 - 100) / 100),
            return_air_c=return_c,
            supply_air_c=return_c - 11.0 + 0.3 * (return_c - 25.0) + 0.05 * (outdoor_c - 28.0),
        )
    fan = trends.normal("fan_a", 28.0)
    assert fan is not None
    assert (fan.value, fan.sd) == (pytest.approx(303.15 / 301.15, rel=0.005), pytest.approx(0.01, abs=0.004))
    split = trends.normal("split_k", 28.0, 26.0)
    assert split is not None
    assert split.value == pytest.approx(10.7, abs=0.15)
    assert trends.normal("fan_a", 10.0) is None
    assert trends.normal("split_k", None, 25.0) is None


# ---------------------------------------------------------------- memories of version 0.1.0


def old_memory(at_a: float) -> bytes:
    """What version 0.1.0 kept of a unit whose line it had learned."""
    line = {"at_c": 28.0, "at_a": at_a, "slope_a_per_k": 0.25, "at_v": None, "a_per_v": 0.0}
    wing = {"slope_a_per_k": 0.25, "points": [], "day": -1, "day_from_c": 0.0}
    empty = {"first": [], "last": [], "count": 0}
    found = {
        "version": 1,
        "timeline": {"x_s": 4 * DAY_S, "wall_s": None},
        "baseline": {
            "minutes": 400,
            "line": line | {"low_c": 24.0, "high_c": 32.0, "sd_a": 0.1, "points": 60},
            "wings": {"low": wing | {"reach_c": 24.0}, "high": wing | {"reach_c": 33.0}},
        },
        "drift": {"cusum": {"allow": 0.02}, "ewma": {"weight": 0.2}, "limit": 0.1},
        "today": {},
        "starts": empty,
        "pull_in": empty,
        "coil": empty,
        "wear": {"operations": 7},
    }
    return json.dumps(found).encode()


def test_the_memory_of_version_0_1_0_is_read() -> None:
    """Its line is the first stage, its wings and counts go on."""
    trends = Baselines(SETTINGS, TRENDS_MEMORY.read(old_memory(9.5), 1))
    assert trends.normal_a(28.0) == pytest.approx(9.5)
    assert trends.report()["normal"]["to_c"] == 33.0
    assert trends.report()["contactor"]["operations"] == 7


def test_a_normal_that_the_nameplate_forbids_is_learned_again() -> None:
    """Version 0.1.0 could learn 19.3 A for a unit rated 12.8: that is dropped, the counts are not."""
    trends = Baselines(SETTINGS, TRENDS_MEMORY.read(old_memory(19.3), 1))
    assert trends.normal_a(28.0) is None
    assert trends.report()["normal"]["state"] == "learning"
    assert trends.report()["contactor"]["operations"] == 7
