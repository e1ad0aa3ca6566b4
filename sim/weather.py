"""Weather: outdoor temperature and sun against time, from a design day, a typical-year file, or a synthetic year.

All are hourly tables, read between the hours by straight lines; time is seconds since the scenario began.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from math import cos, pi
from pathlib import Path
from random import Random
from typing import NamedTuple

from condenser_monitor.monitor.core import untrusted_input
from condenser_monitor.monitor.core.errors import ScenarioError

HOUR_S = 3600.0
DAY_S = 24 * HOUR_S

# Share of the daily range below the maximum, solar hours 1 to 24 (ASHRAE Fundamentals, ch. 14, daily temperature
# profile).
DAILY_RANGE_SHARES = (
    *(0.88, 0.92, 0.95, 0.98, 1.00, 0.98, 0.91, 0.74, 0.55, 0.38, 0.23, 0.13),
    *(0.05, 0.00, 0.00, 0.06, 0.14, 0.24, 0.39, 0.50, 0.59, 0.68, 0.75, 0.82),
)
_FILE_MOST = 16 << 20  # bytes; a year of hours with all its columns has two million
_TMY3 = "a TMY3 file: two header lines, then hourly rows"
CLEAR_NOON_W_M2 = 900.0  # ours: clear summer noon, horizontal


class Hour(NamedTuple):
    outdoor_c: float
    sun_w_m2: float


def design_day_c(max_c: float, range_k: float, hour: float) -> float:
    """Outdoor temperature at a solar hour 0..24: Tmax - range x share, between whole hours by straight lines."""
    whole = int(hour)
    low, high = DAILY_RANGE_SHARES[(whole - 1) % 24], DAILY_RANGE_SHARES[whole % 24]
    return max_c - range_k * (low + (high - low) * (hour - whole))


def clear_sky_w_m2(hour: float) -> float:
    """Sun on level ground on a clear summer day, W/m2 (half cosine from 6 to 18 h)."""
    return max(0.0, CLEAR_NOON_W_M2 * cos((hour % 24 - 12.0) * pi / 13.0)) if 5.5 < hour % 24 < 18.5 else 0.0


class Weather:
    """An hourly table; `start_hour` is the hour of the table at time 0. Past its end the table starts over."""

    def __init__(self, hours: Sequence[Hour], start_hour: float = 0.0) -> None:
        if not hours:
            raise ScenarioError("weather", "no hours", "at least one hour")
        self._hours = list(hours)
        self._start_hour = start_hour

    def at(self, t_s: float) -> Hour:
        """Temperature and sun at `t_s` seconds."""
        hour = self._start_hour + t_s / HOUR_S
        whole = int(hour)
        share = hour - whole
        one, two = self._hours[whole % len(self._hours)], self._hours[(whole + 1) % len(self._hours)]
        return Hour(
            one.outdoor_c + (two.outdoor_c - one.outdoor_c) * share,
            one.sun_w_m2 + (two.sun_w_m2 - one.sun_w_m2) * share,
        )


def design_days(days: Sequence[tuple[float, float]], start_hour: float = 0.0) -> Weather:
    """One (maximum C, range K) a day, the last one going on; solar time."""
    table = [
        Hour(design_day_c(max_c, range_k, float(hour)), clear_sky_w_m2(float(hour)))
        for max_c, range_k in days
        for hour in range(24)
    ]
    return Weather(table, start_hour)


def synthetic_year(
    rng: Random, *, warmest_c: float = 31.0, season_k: float = 11.0, range_k: float = 11.0
) -> list[Hour]:
    """A year of hours: a cosine season about July's mean, warm and cold spells that fade (a day keeps 70 % of the last
    one's), and the ASHRAE daily profile. `warmest_c` is the mean of the warmest days, `season_k` half the swing."""
    table: list[Hour] = []
    spell = 0.0
    for day in range(365):
        spell = 0.7 * spell + rng.gauss(0.0, 2.0)
        mean_c = warmest_c - season_k * (1 - cos(2 * pi * (day - 200) / 365)) + spell
        clear = rng.uniform(0.4, 1.0)
        swing_k = range_k * (0.6 + 0.4 * clear)
        # the profile's mean share is 0.536, so the maximum lies that much of the range above the mean
        top_c = mean_c + 0.536 * swing_k
        table += [
            Hour(design_day_c(top_c, swing_k, float(hour)), clear * clear_sky_w_m2(float(hour))) for hour in range(24)
        ]
    return table


def typical_year(path: str | Path) -> list[Hour]:
    """The hours of a TMY3 file cut to date, hour ending, GHI, dry bulb (tests/data/phoenix-tmy3). Raises
    ScenarioError."""
    try:
        rows = list(csv.reader(untrusted_input.read_text(path, _FILE_MOST).splitlines()))[2:]
        hours = [Hour(float(row[3]), float(row[2])) for row in rows]
    except (OSError, IndexError, ValueError, csv.Error) as error:
        raise ScenarioError(f"weather file {path}", untrusted_input.why(error), _TMY3) from None
    for line, hour in enumerate(hours, 3):
        if not (-90.0 <= hour.outdoor_c <= 90.0 and 0.0 <= hour.sun_w_m2 <= 2000.0):
            raise ScenarioError(f"weather file {path}, line {line}", tuple(hour), "-90 to 90 °C, 0 to 2000 W/m2")
    if not hours:
        raise ScenarioError(f"weather file {path}", "no hours", _TMY3)
    return hours
