"""What the trends need before they speak, what they then say, and that they forget nothing and learn no fault."""

from __future__ import annotations

import json

import msgspec
import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.normal import TRENDS_MEMORY, Baselines
from condenser_monitor.monitor.core.config import Settings, parse
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import Cycle, StartTransient
from tests.monitor.units import over_a_restart, why_refused

DAY_S = 86400.0
WALL_S = 1_783_000_000.0
DAYS, MINUTES = int(limits.BASELINES.days.value), int(limits.BASELINES.minutes.value)


def true_a(outdoor_c: float) -> float:
    """The unit of these tests: 10 A at 30 °C, 0.25 A more a kelvin."""
    return 10.0 + 0.25 * (outdoor_c - 30.0)


def swing_c(hour: float, *, mean_c: float = 28.0, range_k: float = 8.0) -> float:
    """A day's temperature, coldest at 4 h, hottest at 16 h, by straight lines."""
    return mean_c - range_k / 2 + range_k * (1 - abs((hour - 4) % 24 - 12) / 12)


def restarted(trends: Baselines, settings: Settings = Settings()) -> Baselines:  # noqa: B008 - immutable
    """The same in the next process."""
    return Baselines(settings, over_a_restart(TRENDS_MEMORY, trends.kept))


def one_day(
    trends: Baselines,
    day: float,
    *,
    ratio: float = 1.0,
    mean_c: float = 28.0,
    wall: bool = True,
    begin_s: float = 0.0,
    control_v: float | None = None,
) -> None:
    """Ten settled minutes in each hour of a day. `begin_s`: where the process's own seconds begin."""
    for hour in range(24):
        for minute in range(10):
            at_s = day * DAY_S + hour * 3600 + minute * 60
            outdoor_c = swing_c(hour + minute / 60, mean_c=mean_c)
            trends.learn_minute(
                t_s=at_s - begin_s,
                wall_s=WALL_S + at_s if wall else None,
                compressor_a=ratio * true_a(outdoor_c),
                outdoor_c=outdoor_c,
                control_v=control_v,
            )


def learned(days: int = DAYS + 1, **rest: float) -> Baselines:
    trends = Baselines(Settings())
    for day in range(days):
        one_day(trends, day, **rest)  # type: ignore[arg-type]
    return trends


def test_it_says_how_many_days_and_minutes_it_still_needs() -> None:
    """From the first minute on, down to none, and nothing is normal before."""
    trends = Baselines(Settings())
    assert trends.report()["normal"]["days_needed"] == DAYS
    for day in range(DAYS - 1):
        one_day(trends, day)
        normal = trends.report()["normal"]
        assert (normal["state"], normal["days"], normal["days_needed"]) == ("learning", day + 1, DAYS - day - 1)
        assert f"{day + 1} of {DAYS} days" in normal["says"]
        assert trends.normal_a(28.0) is None
    one_day(trends, DAYS - 1)
    assert trends.report()["normal"]["state"] == "learned"
    assert trends.normal_a(28.0) == pytest.approx(true_a(28.0), rel=1e-3)


def test_days_alone_are_not_enough_nor_minutes_alone() -> None:
    """A whole day's minutes are one day; ten minutes a day are too few for long."""
    trends = Baselines(Settings())
    one_day(trends, 0)
    assert trends.report()["normal"]["minutes_needed"] == 0
    assert trends.normal_a(28.0) is None
    few = Baselines(Settings())
    for day in range(DAYS + 5):
        for minute in range(10):
            few.learn_minute(t_s=day * DAY_S + minute * 60, wall_s=None, compressor_a=10.0, outdoor_c=30.0)
    assert few.report()["normal"]["days_needed"] == 0
    assert few.report()["normal"]["minutes_needed"] == MINUTES - 10 * (DAYS + 5)
    assert few.normal_a(30.0) is None


@pytest.mark.parametrize("missing", ["compressor_a", "outdoor_c"])
def test_a_minute_with_a_missing_reading_teaches_nothing(missing: str) -> None:
    """Neither current without temperature nor temperature without current."""
    trends = Baselines(Settings())
    for minute in range(DAYS * 1440):
        values = {"compressor_a": 10.0, "outdoor_c": 30.0} | {missing: None}
        trends.learn_minute(t_s=minute * 60.0, wall_s=None, **values)
    assert trends.report()["normal"]["minutes"] == 0
    assert trends.normal_a(30.0) is None


def test_without_the_outdoor_sense_it_says_that_it_cannot_learn() -> None:
    """Not "two more days", when it will never be."""
    trends = Baselines(parse('[senses]\nfitted = ["call", "compressor_a"]\n'))
    assert "cannot be learned" in trends.report()["normal"]["says"]


def test_outside_the_temperatures_seen_nothing_is_normal() -> None:
    """Seen 24 to 32 °C: known a little beyond, not further, and never for an unknown temperature."""
    trends = learned()
    margin_k = limits.BASELINES.margin_k.value
    for outdoor_c in (24.0, 32.0, 24.0 - margin_k + 0.1, 32.0 + margin_k - 0.1):
        assert trends.normal_a(outdoor_c) == pytest.approx(true_a(outdoor_c), rel=5e-3)
    for beyond_c in (24.0 - margin_k - 0.1, 32.0 + margin_k + 0.1, -10.0, 45.0, None):
        assert trends.normal_a(beyond_c) is None


def test_a_few_wild_minutes_while_learning_bend_nothing() -> None:
    """One minute in twelve reads 30 % off: the normal stays within 1 %."""
    trends = Baselines(Settings())
    count = 0
    for day in range(DAYS + 1):
        for hour in range(24):
            for minute in range(0, 60, 10):
                count += 1
                outdoor_c = swing_c(hour + minute / 60)
                trends.learn_minute(
                    t_s=day * DAY_S + hour * 3600 + minute * 60,
                    wall_s=None,
                    compressor_a=true_a(outdoor_c) * (1.3 if count % 12 == 0 else 1.0),
                    outdoor_c=outdoor_c,
                )
    for outdoor_c in (24.0, 28.0, 32.0):
        assert trends.normal_a(outdoor_c) == pytest.approx(true_a(outdoor_c), rel=0.01)


def test_a_narrow_span_of_temperature_takes_the_usual_slope() -> None:
    """Learned within 2 K with scatter that would make any slope: the slope is that of a published compressor map."""
    trends = Baselines(Settings())
    for day in range(DAYS + 1):
        for minute in range(0, 1440, 10):
            outdoor_c = 29.0 + 2.0 * (minute % 1440) / 1440
            odd_a = 0.4 if 600 < minute < 900 else 0.0
            trends.learn_minute(
                t_s=day * DAY_S + minute * 60, wall_s=None, compressor_a=10.0 + odd_a, outdoor_c=outdoor_c
            )
    assert trends.report()["normal"]["a_per_k"] == pytest.approx(10.0 * limits.BASELINES.slope_per_k.value, rel=0.02)


def test_new_temperatures_are_taken_up_slowly_as_the_season_brings_them() -> None:
    """After a jump of 9 K the hot end is known only some days later, and then right."""
    trends = learned()
    highest = []
    for day in range(DAYS + 1, DAYS + 12):
        one_day(trends, day, mean_c=37.0)
        highest.append(trends.report()["normal"]["to_c"])
    steps = [after - before for before, after in zip([32.0, *highest], highest, strict=False)]
    assert max(steps) <= limits.BASELINES.widen_k_per_day.value + 0.2
    assert highest[-1] == pytest.approx(41.0, abs=0.7)
    assert trends.normal_a(40.0) == pytest.approx(true_a(40.0), rel=0.01)
    assert trends.report()["drift"]["state"] == "steady"


def test_a_fault_in_new_temperatures_is_not_taken_up() -> None:
    """Twenty per cent too much, and only where nothing was learned: nothing is learned of it."""
    trends = learned()
    for day in range(DAYS + 1, DAYS + 10):
        one_day(trends, day, mean_c=40.0, ratio=1.2)
    assert trends.report()["normal"]["to_c"] == pytest.approx(32.0, abs=0.5)


def test_what_was_learned_stays_as_it_was() -> None:
    """Half a year 12 % low at the temperatures of the learning: the normal does not move at all, the drift is told."""
    trends = learned()
    before = [trends.normal_a(c) for c in (24.0, 28.0, 32.0)]
    for day in range(DAYS + 1, DAYS + 180):
        one_day(trends, day, ratio=0.88)
    assert [trends.normal_a(c) for c in (24.0, 28.0, 32.0)] == before
    drift = trends.report()["drift"]
    assert (drift["state"], drift["level"]) == ("falling", pytest.approx(-0.12, abs=0.005))
    assert drift["since_wall_s"] == pytest.approx(WALL_S + (DAYS + 1) * DAY_S, abs=4 * DAY_S)


def test_the_line_voltage_is_taken_out_where_it_could_be_seen() -> None:
    """Current at constant power falls as the voltage rises: learned over 25 to 27 V, it explains a sag later."""
    trends = Baselines(Settings())
    for day in range(DAYS + 1):
        one_day(trends, day, control_v=25.0 + day % 3, ratio=26.0 / (25.0 + day % 3))
    for control_v in (25.2, 26.0, 26.8):
        normal_a = trends.normal_a(28.0, control_v)
        assert normal_a == pytest.approx(true_a(28.0) * 26.0 / control_v, rel=0.01)
    # Where the voltage is not given, it is that of the learning.
    assert trends.normal_a(28.0) == pytest.approx(true_a(28.0) * 26.0 / 25.5, rel=0.01)


def test_after_a_repair_the_old_normal_is_forgotten() -> None:
    """A new compressor is learned from the beginning; cycles and contacts go on; other parts are refused."""
    trends = learned()
    trends.add_cycle(cycle(0, closings=3))
    trends.reset("compressor")
    assert trends.normal_a(28.0) is None
    assert trends.report()["normal"]["days_needed"] == DAYS
    assert trends.report()["contactor"]["operations"] == 3
    with pytest.raises(CommandError, match="compressor or contactor"):
        trends.reset("fan")


def test_a_heat_pump_in_winter_is_not_taken_for_a_cooling_one() -> None:
    """Below 18 °C a heat pump that is called is heating: nothing is learned of that."""
    trends = Baselines(parse("[unit]\nheat_pump = true\n"))
    for day in range(DAYS + 1):
        one_day(trends, day, mean_c=5.0)
    assert trends.report()["normal"]["minutes"] == 0
    for day in range(DAYS + 1, 2 * DAYS + 2):
        one_day(trends, day)
    assert trends.normal_a(28.0) is not None


@pytest.mark.parametrize("wall", [True, False])
def test_a_restart_changes_nothing(wall: bool) -> None:
    """Every day a new process, whose seconds begin at 0: the same normal, drift and needs as without."""
    whole, parts = Baselines(Settings()), Baselines(Settings())
    for day in range(DAYS + 20):
        ratio = 1.0 if day < DAYS + 5 else 0.93
        one_day(whole, day, ratio=ratio, wall=wall)
        one_day(parts, day, ratio=ratio, wall=wall, begin_s=day * DAY_S if wall else 0.0)
        parts = restarted(parts)
        ours, theirs = parts.normal_a(30.0), whole.normal_a(30.0)
        assert (ours is None) is (theirs is None)
        # Without a wall clock the minutes between last and first scan are not known, so not to the last digit.
        assert (ours or 0.0) == pytest.approx(theirs or 0.0, rel=0.0 if wall else 1e-4)
    if wall:
        assert parts.report()["drift"] | {"since_wall_s": 0} == whole.report()["drift"] | {"since_wall_s": 0}
    assert parts.report()["drift"]["state"] == "falling"


def test_days_off_between_two_processes_are_counted_where_the_wall_clock_tells() -> None:
    """A day of learning, a week switched off, the rest of the learning: as many days as it ran."""
    trends = Baselines(Settings())
    one_day(trends, 0)
    trends = restarted(trends)
    one_day(trends, 7, begin_s=7 * DAY_S)
    assert trends.report()["normal"]["days"] == 2


def _broken() -> dict[str, bytes]:
    good = msgspec.json.encode(learned().kept)
    return {
        "empty": b"",
        "not JSON": b"\x00\x01",
        "another shape": b"[]",
        "nothing in it": b"{}",
        "cut short": good[: len(good) // 2],
        "another version": good.replace(b'"version":2', b'"version":7', 1),
        "a line without wings": good.replace(b'"low":{', b'"lower":{', 1),
        "a number beyond all bounds": good.replace(b'"x_s":', b'"x_s":1e999', 1),
        "a text for a number": good.replace(b'"minutes":', b'"minutes":"many', 1),
    }


@pytest.mark.parametrize("name", sorted(_broken()))
def test_a_memory_that_cannot_be_used_is_set_aside_with_the_reason(name: str) -> None:
    """The monitor starts, learns again and says so."""
    assert "afresh" in why_refused(TRENDS_MEMORY, _broken()[name])


def test_the_memory_stays_small_for_ever() -> None:
    """Six years of every temperature from -10 to 48 °C: no more is kept than a degree and a day may have."""
    trends, sizes = learned(), []
    for year in range(6):
        for season in range(20):
            one_day(trends, 100 + 365 * year + 18 * season, mean_c=-6.0 + 50.0 * abs(season - 10) / 10)
            trends.add_cycle(cycle(100 + 365 * year + 18 * season))
            trends.add_start(start(0.2))
        sizes.append(len(msgspec.json.encode(trends.kept)))
    # At most 24 points a degree, sixty days of use, and what is learned once.
    degrees = 60
    assert max(sizes) < degrees * limits.BASELINES.bin_points.value * 22 + limits.BASELINES.use_days.value * 64 + 2000


def cycle(day: float, **values: float | None) -> Cycle:
    """A sound cycle of 15 minutes that ends at the given day."""
    fields: dict[str, object] = {
        "started_s": day * DAY_S,
        "stopped_s": day * DAY_S + 900.0,
        "started_wall_s": WALL_S + day * DAY_S,
        "start_seen": True,
        "pull_in_s": 0.5,
        "run_delay_s": 0.6,
        "run_s": 900.0,
        "compressor_a": 10.0,
        "compressor_max_a": 11.0,
        "fan_a": 1.0,
        "control_v": 26.0,
        "coil_a": 0.25,
        "outdoor_c": 30.0,
        "closings": 1,
        "compressor_starts": 1,
    }
    return Cycle(**(fields | values))  # type: ignore[arg-type]


def start(duration_s: float | None, rate_hz: float = 860.0) -> StartTransient:
    return StartTransient(t_s=0.0, duration_s=duration_s, peak_a=60.0, settled_a=10.0, rate_hz=rate_hz)


def test_the_report_is_json_and_the_curve_follows_the_unit() -> None:
    """What the page draws is what was learned."""
    trends = learned()
    trends.add_cycle(cycle(DAYS + 1))
    report = trends.report()
    assert json.loads(json.dumps(report))["normal"]["state"] == "learned"
    for outdoor_c, amps in report["normal"]["curve"]:
        assert amps == pytest.approx(true_a(outdoor_c), rel=2e-3)
