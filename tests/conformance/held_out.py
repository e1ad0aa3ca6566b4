"""Held-out validation of the simulated house and unit: fitted on three measured days, judged on all others.

The days are those of a real two-stage heat pump in NIST's chambers (tests/data). Its outdoor temperature, set points
and times of presence drive the simulated house; starts and cooling of the day are compared. The simulated unit has one
stage, so cooling is counted in minutes of the high stage: a minute of the low one counts as the share of air-side
cooling that it gave in the data. `python -m tests.conformance.held_out` writes held-out.md and held-out.svg again;
test_held_out.py holds them to the data and to the bounds stated there.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from functools import cache
from itertools import product
from math import log
from pathlib import Path
from statistics import median
from typing import NamedTuple

import msgspec

from condenser_monitor.sim.house import HouseDesign, ThermostatDesign
from condenser_monitor.sim.refrigeration import celsius
from condenser_monitor.sim.weather import Hour, Weather, clear_sky_w_m2
from condenser_monitor.sim.world import World, WorldPlan

HERE = Path(__file__).parent
DATA = HERE.parent / "data"
WITH_SET_POINTS, MORE = DATA / "nist-ashp-hilft", DATA / "nist-ashp-hilft-more"
FITTED = ("Atlanta_Eff_Default", "Buffalo_Eff_EnergySave", "Tucson_Eff_Default")
# These strategies move the set points in a way that our seven columns do not hold; they are shown, and not judged.
UNKNOWN_SET_POINTS = ("MPC", "TES")
RUN_W, SETTLED_ROWS = 500.0, 5
Rows = list[dict[str, str]]


class Gains(NamedTuple):
    """What is fitted: heat from people and things while somebody is there, W, and the share of it while nobody is."""

    inside_w: float
    empty_share: float


class Result(NamedTuple):
    """One day: starts and minutes of cooling, simulated and measured."""

    day: str
    starts: int
    measured_starts: int
    minutes: int
    measured_minutes: float

    @property
    def starts_off(self) -> float:
        """The error of the starts, as a share of the measured ones."""
        return self.starts / self.measured_starts - 1

    @property
    def minutes_off(self) -> float:
        """The error of the minutes, likewise."""
        return self.minutes / self.measured_minutes - 1


@cache
def rows_of(path: Path) -> Rows:
    """Return a day's rows, one a minute."""
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@cache
def low_stage_share() -> float:
    """Return the low stage's cooling as a share of the high one's: air flow times temperatures, settled rows."""
    cooling: dict[str, list[float]] = {"1": [], "2": []}
    for path in sorted(MORE.glob("*_*.csv")):
        rows = rows_of(path)
        for at in range(SETTLED_ROWS, len(rows)):
            row, stages = rows[at], {one["stg"] for one in rows[at - SETTLED_ROWS : at + 1]}
            if len(stages) == 1 and row["stg"] in cooling and float(row["od_power"]) > RUN_W:
                cooling[row["stg"]].append(float(row["sa_flow"]) * (float(row["zn_temp"]) - float(row["sa_temp"])))
    return median(cooling["1"]) / median(cooling["2"])


def measured(rows: Rows) -> tuple[int, float]:
    """Return starts of the day, and its cooling in minutes of the high stage."""
    running = [float(row["od_power"]) > RUN_W for row in rows]
    low = low_stage_share()
    minutes = sum(1.0 if row["stg"] == "2" else low for row, on in zip(rows, running, strict=True) if on)
    return _starts(running), minutes


def _starts(running: Sequence[bool]) -> int:
    return sum(now and not before for before, now in zip([False, *running], running, strict=False))


def simulated(rows: Rows, like: Rows, gains: Gains) -> tuple[int, int]:
    """Return starts and run minutes of the simulated unit; set points and presence are those of the day `like`."""
    hours = [
        Hour(sum(celsius(float(row["oa_temp"])) for row in rows[60 * h : 60 * h + 60]) / 60, clear_sky_w_m2(h + 0.5))
        for h in range(24)
    ]
    design = HouseDesign(indoor_c=celsius(median(float(row["zn_temp"]) for row in rows[:60])), inside_w=gains.inside_w)
    empty = msgspec.structs.replace(design, inside_w=gains.inside_w * gains.empty_share)
    plan = WorldPlan(house=design, thermostat=ThermostatDesign(schedule=_schedule(like)), start_hour=0.0)
    world = World(plan, Weather(hours))
    running = []
    for minute in range(1440):
        world.house.design = design if like[minute]["stat"] == "1" else empty
        world.advance(60.0 * minute + 30.0)
        running.append(world.unit.compressor.turning)
    return _starts(running), sum(running)


def _schedule(rows: Rows) -> tuple[tuple[float, float], ...]:
    """Set points as [hour, C] rows, one for each change (looked at every ten minutes)."""
    found: list[tuple[float, float]] = []
    for minute in range(0, 1440, 10):
        set_c = celsius(float(rows[minute]["zn_temp_cspt"]))
        if not found or found[-1][1] != set_c:
            found.append((minute / 60, set_c))
    return tuple(found)


def day(path: Path, gains: Gains) -> Result:
    """Return one day's result. A day without set points takes those of its city's default day."""
    rows = rows_of(path)
    own = "zn_temp_cspt" in rows[0]
    like = rows if own else rows_of(WITH_SET_POINTS / f"{path.stem.split('_')[0]}_Eff_Default.csv")
    starts, minutes = simulated(rows, like, gains)
    return Result(path.stem, starts, *_swapped(measured(rows), minutes))


def _swapped(truth: tuple[int, float], minutes: int) -> tuple[int, int, float]:
    return truth[0], minutes, truth[1]


@cache
def fitted() -> Gains:
    """Return the gains that fit the three days best: least squares of the logarithms, over a grid."""
    grid = [Gains(inside_w, share) for inside_w, share in product(range(1500, 3501, 500), (0.0, 0.5, 1.0))]
    return min(grid, key=_misfit)


def _misfit(gains: Gains) -> float:
    results = [day(WITH_SET_POINTS / f"{name}.csv", gains) for name in FITTED]
    return sum(log(1 + one.minutes_off) ** 2 + log(1 + one.starts_off) ** 2 for one in results)


@cache
def results() -> dict[str, list[Result]]:
    """Return all days: those fitted on, those held out, and those whose set points are not in the data."""
    gains = fitted()
    own = sorted(WITH_SET_POINTS.glob("*_*.csv"))
    known = {path.stem for path in own}
    more = [path for path in sorted(MORE.glob("*_*.csv")) if path.stem not in known]
    found: dict[str, list[Result]] = {"fitted": [], "held out": [], "set points unknown": []}
    for path in (*own, *more):
        unknown = path in more and path.stem.endswith(UNKNOWN_SET_POINTS)
        kind = "fitted" if path.stem in FITTED else "set points unknown" if unknown else "held out"
        found[kind].append(day(path, gains))
    return found


# ---------------------------------------------------------------- the page and its picture


def spread(errors: Sequence[float]) -> tuple[float, float, float]:
    """Return the median error, the median size of the errors, and the largest size."""
    sizes = [abs(error) for error in errors]
    return median(errors), median(sizes), max(sizes)


def page() -> str:
    """Return the page: how well the world meets measured days it was not fitted on."""
    gains, found = fitted(), results()
    lines = [
        "# The simulated house and unit against measured days",
        "",
        "*Made by `python -m tests.conformance.held_out`; change the program, not this page.*",
        "",
        "Measured: a real two-stage heat pump in NIST's environmental chambers, every day in `tests/data` (on none of",
        "them did it heat: supply air was never warmer than the room while it ran)",
        "(the chambers emulate the house and its weather; the machine is real). Two numbers are fitted, on",
        f"{len(FITTED)} days: heat from people and things, {gains.inside_w:g} W while somebody is there, and",
        f"{gains.empty_share:g} of it while nobody is. All other days are judged with these. One minute of the low",
        f"stage counts as {low_stage_share():.2f} of a minute of the high one. Where a day's set points are not in the",
        "data, those of the city's default day stand in, and of those days those whose strategy moves them (MPC, TES)",
        "are shown, not judged.",
        "",
        "| days | number | starts: median error, median size, largest | cooling minutes: the same |",
        "|---|---|---|---|",
    ]
    for kind, days in found.items():
        starts, minutes = spread([one.starts_off for one in days]), spread([one.minutes_off for one in days])
        lines.append(f"| {kind} | {len(days)} | {_percents(starts)} | {_percents(minutes)} |")
    lines += [
        "",
        "What misses, and why as far as we know: the simulated unit starts more often than the measured one (one",
        "stage that is large for the house, against a low stage that runs on), and mild days (TypShldr) are cooled too",
        "long or too short: the sun is that of a clear summer sky, and the data do not say how cloudy the day was. The",
        "winter day (ExtrmWin: outdoors 44 to 71 F, the measured house cooled from noon on, the sun low) is missed",
        "altogether: the simulated house never grows warm enough to be cooled.",
        "",
        "![Simulated against measured, a dot a day](held-out.svg)",
        "",
        "| day | kind | starts, simulated / measured | error | cooling minutes, simulated / measured | error |",
        "|---|---|---|---|---|---|",
    ]
    for kind, days in found.items():
        for one in days:
            lines.append(
                f"| {one.day} | {kind} | {one.starts} / {one.measured_starts} | {one.starts_off:+.0%} "
                f"| {one.minutes} / {one.measured_minutes:.0f} | {one.minutes_off:+.0%} |"
            )
    return "\n".join(lines) + "\n"


def _percents(spread_: tuple[float, float, float]) -> str:
    middle, size, most = spread_
    return f"{middle:+.0%}, {size:.0%}, {most:.0%}"


def picture() -> str:
    """Return simulated against measured cooling minutes as an SVG; a day on the line is right."""
    size, most = 360.0, 1000.0
    looks = {"fitted": "fill='#000'", "held out": "fill='none' stroke='#000'", "set points unknown": "fill='#bbb'"}

    def place(value: float) -> float:
        return 40 + (size - 60) * value / most

    dots = "".join(
        f"<circle cx='{place(one.measured_minutes):.1f}' cy='{size - place(one.minutes):.1f}' r='4' {looks[kind]}/>"
        for kind, days in results().items()
        for one in days
    )
    ticks = "".join(
        f"<text x='{place(value):.0f}' y='{size - 22:.0f}' text-anchor='middle'>{value}</text>"
        f"<text x='34' y='{size - place(value) + 4:.0f}' text-anchor='end'>{value}</text>"
        for value in (250, 500, 750, 1000)
    )
    corner, end = f"40 {size - 40:g}", f"{place(most):g} {size - place(most):g}"
    return (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {size:g} {size:g}' font-family='sans-serif' "
        f"font-size='11'><rect width='{size:g}' height='{size:g}' fill='#fff'/>"
        f"<path d='M40 20V{size - 40:g}H{size - 20:g}' fill='none' stroke='#000'/>"
        f"<path d='M{corner}L{end}' stroke='#999' stroke-dasharray='4 3'/>{ticks}{dots}"
        f"<text x='{size / 2:g}' y='{size - 6:g}' text-anchor='middle'>measured, minutes of the high stage a day</text>"
        f"<text x='12' y='{size / 2:g}' text-anchor='middle' transform='rotate(-90 12 {size / 2:g})'>simulated</text>"
        "<circle cx='60' cy='30' r='4' fill='#000'/><text x='70' y='34'>fitted</text>"
        "<circle cx='60' cy='46' r='4' fill='none' stroke='#000'/><text x='70' y='50'>held out</text>"
        "<circle cx='60' cy='62' r='4' fill='#bbb'/><text x='70' y='66'>set points unknown</text></svg>\n"
    )


if __name__ == "__main__":
    (HERE / "held-out.md").write_text(page())
    (HERE / "held-out.svg").write_text(picture())
