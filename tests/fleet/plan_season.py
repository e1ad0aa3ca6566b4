"""A season of a whole plan at the level of days and runs: sound houses in one weather, each with habits of its own.

Not the physical simulator, which would take a night for a thousand houses: hours of cooling follow the balance of a
house (degree hours above its own balance point over its unit's capacity, as ASHRAE's bin method has it), with people in
it: set points that move for good, days with guests, weekends, trips on which the set point is raised, and amps with the
slope and scatter of a compressor. Sags of the line restart compressors within a call: once a month at the middle house,
more at the end of a long branch, and on stormy days in half of the houses at once. What it leaves out: set points
switched off altogether (`off_trips` puts them in, on a share of the trips).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from condenser_monitor.monitor.fleet.days import later
from condenser_monitor.monitor.fleet.inference import Day

FIRST_DAY = "2026-05-15"


class PlanSeason(NamedTuple):
    """Arrays of sites by days."""

    hours: NDArray[np.float64]
    starts: NDArray[np.int64]
    amps: NDArray[np.float64]
    outdoor_c: NDArray[np.float64]
    restarts: NDArray[np.int64]

    def day_of(self, number: int) -> str:
        return later(FIRST_DAY, number)

    def rows(self, first: int, last: int) -> tuple[list[str], dict[int, dict[str, Day]]]:
        """Days `first` up to `last`, without it, as the office sums them."""
        days = [self.day_of(number) for number in range(first, last)]
        table: dict[int, dict[str, Day]] = {}
        for site in range(self.hours.shape[0]):
            table[site] = {}
            for day, number in zip(days, range(first, last), strict=True):
                if self.hours[site, number] > 0:
                    amps, outdoor_c = float(self.amps[site, number]), float(self.outdoor_c[site, number])
                    hours, starts = float(self.hours[site, number]), int(self.starts[site, number])
                    table[site][day] = Day(hours, starts, amps, outdoor_c, int(self.restarts[site, number]))
        return days, table


def season(sites: int, days: int, seed: int, *, off_trips: float = 0.0) -> PlanSeason:
    """Return a season of sound houses; on the share `off_trips` of their trips people switch the cooling off."""
    rng = np.random.default_rng(seed)
    at = np.arange(days)
    weather = np.zeros(days)
    for day in range(1, days):  # day to day as autoregressive as weather is (0.7, common practice)
        weather[day] = 0.7 * weather[day - 1] + rng.normal(0.0, 2.0)
    mean_c = 24.0 + 5.0 * np.sin(np.pi * at / days) + weather
    local = mean_c + rng.normal(0.0, 0.8, (sites, 1)) + rng.normal(0.0, 0.6, (sites, days))
    balance = rng.normal(18.0, 2.0, (sites, 1)) + np.cumsum(
        np.where(rng.random((sites, days)) < 2.0 / 150, rng.normal(0.0, 1.0, (sites, days)), 0.0), axis=1
    )  # set points move for good, twice a season
    trips = np.zeros((sites, days))
    for site in range(sites):
        for start in rng.choice(days, rng.poisson(1.0 * days / 150), replace=True):
            long = int(rng.integers(3, 11))
            trips[site, start : start + long] = 1.0
    weekend = ((at % 7) >= 5) * rng.normal(0.0, 0.8, (sites, 1))
    guests = np.where(rng.random((sites, days)) < 0.03, rng.normal(0.0, 3.0, (sites, days)), 0.0)
    raised = trips * rng.uniform(1.5, 5.0, (sites, 1))
    degrees = np.maximum(local - balance - raised - weekend + guests, 0.0)
    gain = rng.uniform(0.8, 1.8, (sites, 1))
    hours = np.minimum(degrees * gain * rng.lognormal(0.0, 0.15, (sites, days)), 23.5)
    if off_trips:
        hours = np.where((trips > 0) & (rng.random((sites, 1)) < off_trips), 0.0, hours)
    hours = np.where(hours < 0.15, 0.0, hours)
    run_min = rng.uniform(9.0, 16.0, (sites, 1)) * (1.0 + 0.03 * (local - 25.0))
    starts = np.maximum(np.round(hours * 60.0 / run_min * rng.lognormal(0.0, 0.08, (sites, days))), hours > 0)
    level = rng.uniform(6.0, 16.0, (sites, 1))
    amps = level * (1.0 + rng.normal(0.013, 0.002, (sites, 1)) * (local + 4.0 - 30.0))
    amps *= 1.0 + rng.normal(0.0, 0.012, (sites, days))
    sags = np.random.default_rng([seed, 1])  # of its own: the rest of the season stays that of the seed
    rate = sags.lognormal(np.log(1.0 / 30), 1.0, (sites, 1)) + 0.7 * (sags.random(days) < 0.03)
    restarts = np.where(hours > 0, sags.poisson(rate * np.minimum(hours / 8.0, 1.0)), 0)
    return PlanSeason(hours, starts.astype(np.int64) + restarts, amps, local + 4.0, restarts)


def begun(plan: PlanSeason, site: int, first: int, last: int, seed: int) -> list[float]:
    """Return when the runs of those days began, seconds from the first day's start: spread over the day, most in the
    afternoon (a raised cosine about 16:00), as loads are."""
    rng = np.random.default_rng([seed, site])
    found: list[float] = []
    for day in range(first, last):
        count = int(plan.starts[site, day])
        if count:
            tries = rng.random(count * 8) * 24.0
            likely = 0.55 + 0.45 * np.cos((tries - 16.0) / 24.0 * 2 * np.pi)
            hours = tries[rng.random(tries.size) < likely][:count]
            found += (day * 86400.0 + np.sort(hours) * 3600.0).tolist()
    return found
