"""A season on a published compressor map under a typical year's weather: fading is seen early, weather is not.

The weather is Phoenix TMY3 (tests/data/phoenix-tmy3, hourly, measured). The power is a published ten-coefficient map of
a 3 ton R-410A compressor in the form of AHRI 540 (open cycle-simulation code; evaporating and condensing dew points,
°F), condensing 25 °F above outdoors (trade page). So the true curve is not a straight line, and nobody here shaped it.
Around it: evaporating temperature that wanders with house and humidity by +-3 °F, line voltage that sags with the heat
by 4 % (current at constant power rises), readings that scatter by 1 %; these three are ours. One minute in three is
taken.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from random import Random
from typing import NamedTuple

import pytest

from condenser_monitor.monitor.baselines.normal import Baselines
from condenser_monitor.monitor.core.config import Settings
from tests.size import long_one

pytestmark = long_one

FILE = Path(__file__).parent.parent / "data" / "phoenix-tmy3" / "phoenix_sky_harbor_tmy3.csv"
MAP = (
    *(-561.3615705, -15.62601841, 46.92506685, -0.217949552, 0.435062616),
    *(-0.442400826, 2.25e-4, 2.37e-3, -3.32e-3, 2.50e-3),
)
DAY_S, HOUR_S = 86400.0, 3600.0
APRIL, OCTOBER = 90, 304
Factor = Callable[[float], float]


def watts(s: float, d: float) -> float:
    """AHRI 540 form: evaporating dew point s, condensing dew point d, both °F."""
    terms = (1, s, d, s * s, s * d, d * d, s**3, d * s * s, s * d * d, d**3)
    return sum(c * x for c, x in zip(MAP, terms, strict=True))


def test_the_map_gives_its_published_points() -> None:
    """S = 45 °F: 1760.7 W at 90, 2324.6 at 110, 3075.0 at 130 °F; S = 50, D = 115: 2476.0 W."""
    found = [watts(45, 90), watts(45, 110), watts(45, 130), watts(50, 115)]
    assert found == pytest.approx([1760.7, 2324.6, 3075.0, 2476.0], abs=0.1)


@cache
def temperatures() -> list[float]:
    with FILE.open() as file:
        next(file)
        return [float(row["Dry-bulb (C)"]) for row in csv.DictReader(file)]


class Minute(NamedTuple):
    t_s: float
    day: int
    outdoor_c: float
    amps: float
    healthy_a: float
    control_v: float


def season(factor: Factor, *, first: int = APRIL, last: int = OCTOBER, seed: int = 1) -> Iterator[Minute]:
    """Settled minutes of running, hour by hour; `factor` is what a fault makes of the current, by days since first."""
    random, wander_f = Random(seed), 0.0
    for hour in range(24 * first, 24 * last):
        outdoor_c = temperatures()[hour % 8760]
        wander_f = max(-3.0, min(3.0, wander_f + random.gauss(0, 0.4)))
        line_v = 240.0 * (1.0 - 0.04 * max(0.0, min(1.0, (outdoor_c - 25.0) / 15.0)) + random.gauss(0, 0.005))
        runs_min = int(max(0.0, min(55.0, (outdoor_c - 22.0) * 4.0)))
        healthy_a = watts(45.0 + wander_f, outdoor_c * 1.8 + 32.0 + 25.0) / (line_v * 0.95)
        for minute in range(5, runs_min, 3):
            t_s = (hour - 24 * first) * HOUR_S + 60.0 * minute
            true_a = healthy_a * factor(t_s / DAY_S)
            read_a = true_a * random.gauss(1.0, 0.01)
            yield Minute(t_s, int(t_s // DAY_S), outdoor_c, read_a, healthy_a, line_v * 26.0 / 240.0)


def take(trends: Baselines, minute: Minute) -> float | None:
    """One minute, as the engine gives it: a minute beyond the limits of a finding is not learned from."""
    normal_a = trends.normal_a(minute.outdoor_c)
    if normal_a is None or 0.70 <= minute.amps / normal_a <= 1.15:
        trends.learn_minute(
            t_s=minute.t_s,
            wall_s=None,
            compressor_a=minute.amps,
            outdoor_c=minute.outdoor_c,
            control_v=minute.control_v,
        )
    return normal_a


@long_one
@pytest.mark.parametrize(("first", "last", "seed"), [(90, 304, 1), (120, 304, 2), (180, 330, 3), (200, 500, 4)])
def test_a_sound_machine_stays_quiet_from_spring_to_autumn(first: int, last: int, seed: int) -> None:
    """No drift, no minute beyond 115 % or under 70 %, and the normal known for nine tenths of the minutes."""
    trends, known, minutes, worst, day = Baselines(Settings()), 0, 0, 0.0, -1
    for minute in season(lambda days: 1.0, first=first, last=last, seed=seed):
        normal_a = take(trends, minute)
        minutes += 1
        if minute.day != day:
            day = minute.day
            assert trends.report()["drift"]["state"] in ("steady", "unknown"), day
        if normal_a is not None:
            known += 1
            worst = max(worst, abs(minute.amps / normal_a - 1.0))
    assert trends.report()["drift"]["state"] == "steady"
    assert worst < 0.10
    assert known > 0.9 * minutes


def _first_day_of_drift(factor: Factor, first: int) -> tuple[float, str]:
    trends, day = Baselines(Settings()), -1
    for minute in season(factor, first=first):
        take(trends, minute)
        if minute.day == day:
            continue
        day, state = minute.day, trends.report()["drift"]["state"]
        if state in ("rising", "falling"):
            return minute.t_s / DAY_S, state
    raise AssertionError("the drift was never seen")


FADES = [
    # share lost or gained a day, first day of the season, day the fault begins, latest share gone when it is seen
    (-0.003, 120, 30.0, 0.08),
    (-0.003, 90, 4.0, 0.08),  # at once after learning, with the season warming all the while
    (-0.001, 120, 30.0, 0.08),
    (0.002, 120, 30.0, 0.08),
    (0.002, 90, 4.0, 0.08),
    (0.001, 150, 10.0, 0.08),
]


@pytest.mark.parametrize(("a_day", "first", "begins", "latest"), FADES)
def test_a_slowly_fading_machine_is_seen_well_before_the_findings_limits(
    a_day: float, first: int, begins: float, latest: float
) -> None:
    """Current that creeps off a tenth of a per cent to three tenths a day: seen long before 70 % or 115 %."""

    def factor(days: float) -> float:
        return 1.0 + a_day * max(0.0, days - begins)

    day, state = _first_day_of_drift(factor, first)
    gone = abs(factor(day) - 1.0)
    assert state == ("falling" if a_day < 0 else "rising")
    assert day > begins, "seen before it began"
    assert gone <= latest


def test_what_has_faded_is_not_learned_as_normal() -> None:
    """Fading 0.2 % a day for the whole season: at its end the normal is still that of the sound machine, within 5 %."""
    trends = Baselines(Settings())
    last: dict[int, Minute] = {}
    for minute in season(lambda days: max(1.0 - 0.002 * max(0.0, days - 20.0), 0.72), first=120):
        take(trends, minute)
        last[round(minute.outdoor_c)] = minute
    for minute in last.values():
        normal_a = trends.normal_a(minute.outdoor_c)
        if normal_a is not None and minute.day > 60:
            assert normal_a == pytest.approx(minute.healthy_a, rel=0.05)
    at_35 = trends.normal_a(35.0)
    assert at_35 == pytest.approx(watts(45.0, 120.0) / (240.0 * 0.97 * 0.95), rel=0.05)
