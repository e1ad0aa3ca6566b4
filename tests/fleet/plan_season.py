"""A season of a whole plan at the level of days and runs: sound houses in one weather, each with habits of its own.

Not the physical simulator, which would take a night for a thousand houses: hours of cooling follow the balance of a
house (degree hours above its own balance point over its unit's capacity, as ASHRAE's bin method has it), with people in
it: set points that move for good, days with guests, weekends, trips on which the set point is raised, and amps with the
slope and scatter of a compressor. Sags of the line restart compressors within a call: once a month at the middle house,
more at the end of a long branch, and on stormy days in half of the houses at once. What it leaves out: set points
switched off altogether (`off_trips` puts them in, on a share of the trips, one in twenty of which lasts two to four
weeks instead of three to ten days).

    python -m tests.fleet.plan_season --sites 1000 --off-trips 0.1 --dead 50

judges such a season as the office does, with units that die in it for good: how many lines and questions come up that
are false, and how long a dead unit waits for its own.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from condenser_monitor.monitor.fleet import inference
from condenser_monitor.monitor.fleet.days import later
from condenser_monitor.monitor.fleet.inference import Day, PlanClock
from condenser_monitor.monitor.limits import FLEET_INFERENCE as LIMITS

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
        off = (trips > 0) & (rng.random((sites, 1)) < off_trips)
        longer = np.random.default_rng([seed, 2])  # of its own, as below
        for site, start in np.argwhere(off & ~np.roll(off, 1, axis=1)):
            if longer.random() < 0.05:
                off[site, start : start + int(longer.integers(15, 29))] = True
        hours = np.where(off, 0.0, hours)
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


Runs = list[NDArray[np.float64]]


def pauses(runs: Runs, days: int, step_h: int = 12) -> Iterator[tuple[int, float, float]]:
    """Look every so many hours, as `inference.infer` does; what it finds not to have run: which, since when, when."""
    past = int(LIMITS.past_days.value)
    by_hour = np.bincount((np.concatenate(runs) // 3600).astype(int), minlength=days * 24)
    for hour in range(past * 24, days * 24, step_h):
        first, now = hour - past * 24, hour * 3600.0
        clock = PlanClock({at: int(by_hour[at]) for at in range(first, hour)})
        for site, at in enumerate(runs):
            own = at[(at >= first * 3600.0) & (at < now)]
            if own.size > 1 and now - own[-1] > 6 * 3600.0:
                share = own.size / max(clock.at(own[-1]) - clock.at(own[0]), 1.0)
                if clock.runs(own[-1], now, share) > LIMITS.gap_runs.value and inference.stopped(
                    clock, own.tolist(), now
                ):
                    yield site, float(own[-1]), now


def changed_lines(plan: PlanSeason, days: int) -> Counter[str]:
    """Count the lines by name that the days' sums give, each once a site."""
    past = int(LIMITS.past_days.value)
    lines: set[tuple[int, str]] = set()
    for last in range(past, days):
        names, table = plan.rows(last - past, last)
        lines |= {(site, inference.RESTARTS) for site in inference.restarting(names, table)}
        if (last - past) % 3 == 0:
            lines |= {(site, name) for site, rows in inference.changed(names, table).items() for name, _ in rows}
    return Counter(name for _, name in lines)


def main() -> None:
    """Print both sides."""
    parser = argparse.ArgumentParser(prog="python -m tests.fleet.plan_season", description=__doc__)
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--days", type=int, default=150)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--off-trips", type=float, default=0.1)
    parser.add_argument("--dead", type=int, default=50, help="units that stop for good at some time")
    parser.add_argument("--hard", type=float, default=0.05, help="share of houses where heat is hard on somebody")
    parser.add_argument("--only-pauses", action="store_true", help="leave out what the days' sums tell")
    chosen = parser.parse_args()
    plan = season(chosen.sites, chosen.days, chosen.seed, off_trips=chosen.off_trips)
    rng = np.random.default_rng([chosen.seed, 3])
    past, weeks = int(LIMITS.past_days.value), (chosen.days - LIMITS.past_days.value) / 7.0
    runs = [np.array(begun(plan, site, 0, chosen.days, chosen.seed)) for site in range(chosen.sites)]
    hard = set(rng.choice(chosen.sites, int(chosen.hard * chosen.sites), replace=False).tolist())
    # Units die while they are called: at one of their own runs, three weeks or more before the season ends.
    died: dict[int, float] = {}
    for site in rng.choice(chosen.sites, chosen.dead, replace=False).tolist():
        fit = runs[site][(runs[site] > past * 86400.0) & (runs[site] < (chosen.days - 21) * 86400.0)]
        if fit.size:
            died[site] = float(rng.choice(fit))
            runs[site] = runs[site][runs[site] <= died[site]]
    asked: dict[tuple[int, float], float] = {}
    case: dict[tuple[int, float], float] = {}
    for site, last, now in pauses(runs, chosen.days):
        asked.setdefault((site, last), now)
        if site in hard or now - last > LIMITS.away_days.value * 86400.0:
            case.setdefault((site, last), now)
    false = [key for key in asked if key[1] != died.get(key[0])]
    cases = [key for key in case if key[1] != died.get(key[0])]
    lines = Counter[str]() if chosen.only_pauses else changed_lines(plan, chosen.days)
    total = sum(lines.values()) + len(cases)
    print(f"{chosen.sites} houses, {weeks:.1f} weeks judged, {100 * chosen.off_trips:.0f} % of trips switched off")
    print(f"false lines {total}, {total / weeks:.2f} a week: {dict(lines)}, {len(cases)} of units that did not run")
    print(f"questions about sound units {len(false)}, {len(false) / weeks:.2f} a week")
    hours = sorted((asked.get((site, at), np.inf) - at) / 3600.0 for site, at in died.items())
    if hours:
        shown = [f"{hours[int(share * (len(hours) - 1))]:.0f} h" for share in (0.5, 0.9)]
        within = sum(hour <= 120.0 for hour in hours)
        print(f"{len(hours)} dead: half asked about within {shown[0]}, nine in ten {shown[1]}, {within} within 5 days,")
        never = sum(not np.isfinite(hour) for hour in hours)
        late = sum((site, at) in case for site, at in died.items())
        print(f"  {never} never; {late} a case without anybody's answer")


if __name__ == "__main__":
    main()
