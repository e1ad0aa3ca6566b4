"""What the accuracy bench found, as one Markdown page; the work of `condenser-monitor accuracy`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from math import exp, sqrt
from pathlib import Path
from statistics import NormalDist, mean

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.terminal.text import change_line
from condenser_monitor.sim import bench
from condenser_monitor.sim.bench import CLASSES, EXTRAS, BenchScore, SensorWorth, Year
from condenser_monitor.sim.bench_cases import KINDS, RATES, SENSE_SETS
from condenser_monitor.sim.reference import table

_MOST = 1_000_000  # ours: more than anybody waits for
_CONFIDENCE = 0.95
_DETAIL_MOST = 200


def interval(count: int, total: int, confidence: float = _CONFIDENCE) -> tuple[float, float]:
    """Return the Wilson score interval of a rate (Wilson 1927), 0 to 1 for no trials."""
    if total == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    share, square = count / total, z * z / total
    half = z * sqrt(share * (1 - share) / total + square / (4 * total)) / (1 + square)
    middle = (share + square / 2) / (1 + square)
    return max(0.0, middle - half), min(1.0, middle + half)


def count_interval(count: int, confidence: float = _CONFIDENCE) -> tuple[float, float]:
    """Return the exact interval of the mean of a Poisson count (Garwood 1936), 0 for the low end of none."""
    tail = (1.0 - confidence) / 2.0

    def mean_of(most: int, chance: float) -> float:
        """The mean at which a count of at most so many has this chance."""
        low, high = 0.0, 10.0 + 10.0 * (most + 1)
        for _ in range(60):
            middle = (low + high) / 2.0
            term = total = exp(-middle)
            for number in range(1, most + 1):
                term *= middle / number
                total += term
            low, high = (middle, high) if total > chance else (low, middle)
        return low

    return (mean_of(count - 1, 1.0 - tail) if count else 0.0), mean_of(count, tail)


def _rate(count: int, total: int) -> str:
    """A rate in per cent, with its interval."""
    if not total:
        return "none"
    low, high = interval(count, total)
    return f"{100 * count / total:.0f} % ({100 * low:.0f} to {100 * high:.0f})"


# ---------------------------------------------------------------- tables


def classes(scores: Sequence[BenchScore]) -> str:
    """The five classes, overall, of broken and sound units, and by everything that was drawn."""
    rows = [_class_row("all units", scores)]
    rows += [
        _class_row("broken", [row for row in scores if row.case != "sound"]),
        _class_row("sound", [row for row in scores if row.case == "sound"]),
    ]
    rows += [_class_row(*group) for group in _groups(scores)]
    return table(("units", "count", *CLASSES), rows)


def _groups(scores: Sequence[BenchScore]) -> list[tuple[str, list[BenchScore]]]:
    """The broken units by kind, sensors, scan rate and what was mixed in, none left out that there is."""
    broken = [row for row in scores if row.case != "sound"]
    made = [(f"kind: {name}", [row for row in broken if row.kind == name]) for name in KINDS]
    made += [(f"sensors: {name}", [row for row in broken if row.senses == name]) for name in SENSE_SETS]
    made += [(f"scans: {name}", [row for row in broken if row.rate == name]) for name in RATES]
    made += [(f"mixed in: {name}", [row for row in broken if row.extra == name]) for name in EXTRAS]
    return [(name, rows) for name, rows in made if rows]


def _class_row(name: str, scores: Sequence[BenchScore]) -> tuple[str, ...]:
    counts = Counter(row.outcome for row in scores)
    return (name, str(len(scores)), *(_rate(counts[kind], len(scores)) for kind in CLASSES))


def suspects(scores: Sequence[BenchScore]) -> str:
    """Of the broken units about which something true was found: where the true cause stands, and the first one that
    these sensors cannot tell from it (sim/alike.py); the same for the units in which there is no such other one; how
    long the list is, and how many meter checks it takes until one suspect is certain."""
    found = [row for row in scores if row.listed]
    rows = [_suspect_row("all", found)]
    rows += [_suspect_row(name, [row for row in group if row.listed]) for name, group in _groups(scores)]
    head = (
        *("units", "count", "named first", "in the first three", "named", "it or one alike first"),
        *("split by these sensors", "named first there", "in the first three there"),
        *("mean list", "checks until certain", "true"),
    )
    return table(head, rows)


def _suspect_row(name: str, scores: Sequence[BenchScore]) -> tuple[str, ...]:
    total = len(scores)
    split = [row for row in scores if row.split]
    asked = [row for row in scores if row.checks is not None]
    return (
        name,
        str(total),
        _rate(sum(row.place == 1 for row in scores), total),
        _rate(sum(0 < row.place <= 3 for row in scores), total),
        _rate(sum(row.place > 0 for row in scores), total),
        _rate(sum(row.alike_place == 1 for row in scores), total),
        str(len(split)),
        _rate(sum(row.place == 1 for row in split), len(split)),
        _rate(sum(0 < row.place <= 3 for row in split), len(split)),
        f"{mean(row.listed for row in scores):.1f}" if scores else "none",
        f"{mean(row.checks or 0 for row in asked):.1f}" if asked else "none",
        _rate(sum(row.sure for row in asked), len(asked)),
    )


def by_case(scores: Sequence[BenchScore]) -> str:
    """Counts of the five classes by cause, and how often the true suspect came first."""
    rows = []
    for name in sorted({row.case for row in scores}):
        these = [row for row in scores if row.case == name]
        counts = Counter(row.outcome for row in these)
        first = str(sum(row.place == 1 for row in these)) if name != "sound" else ""
        rows.append((name, str(len(these)), *(str(counts[kind] or "") for kind in CLASSES), first))
    return table(("cause", "units", *CLASSES, "named first"), rows)


def confusion(scores: Sequence[BenchScore]) -> str:
    """True suspect against the suspect named first: each other one with its count; `-` where none was named."""
    rows = []
    for one in sorted({row.suspect for row in scores if row.case != "sound"}):
        named = Counter(row.named for row in scores if row.suspect == one)
        others = ", ".join(f"{name} {count}" for name, count in named.most_common() if name != one)
        rows.append((one, str(named.total()), str(named[one] or ""), others))
    return table(("true cause", "units", "named first", "named first instead"), rows)


def failures(scores: Sequence[BenchScore]) -> str:
    """Every unit that is not correct, but for those that need not be seen: its number, to play it again, and what
    came."""
    rows = [
        (str(row.seed), row.case, row.senses, row.rate, row.extra, row.outcome, row.finding, row.detail[:_DETAIL_MOST])
        for row in scores
        if row.outcome not in ("correct", "no answer")
    ]
    if not rows:
        return "No unit is missed, misdiagnosed or alarmed falsely."
    made = table(("unit", "cause", "sensors", "scans", "mixed in", "class", "finding", "what came"), rows)
    return f"Play one again with `condenser-monitor accuracy --again UNIT`.\n\n{made}"


def sound_years(years: Sequence[Year]) -> str:
    """False alarms of sound units through their days of trouble, by kind and scan rate."""
    rows = []
    groups = [("all", list(years))]
    groups += [(f"kind: {name}", [year for year in years if year.kind == name]) for name in KINDS]
    groups += [(f"scans: {name}", [year for year in years if year.rate == name]) for name in RATES]
    for name, these in groups:
        if these:
            days, count = sum(year.days for year in these), sum(len(year.raised) for year in these)
            low, high = (365.0 * limit / days for limit in count_interval(count))
            a_year = f"{365.0 * count / days:.1f} ({low:.1f} to {high:.1f})"
            rows.append((name, str(len(these)), f"{days / 365:.2f}", str(count), a_year, str(_explained(these))))
    made = table(("sound units", "count", "unit-years", "false alarms", "a unit-year", "findings that were so"), rows)
    alarms = [(str(year.seed), year.kind, year.rate, text[:_DETAIL_MOST]) for year in years for text in year.raised]
    return f"{made}\n\n{table(('unit', 'kind', 'scans', 'false alarm'), alarms)}" if alarms else made


def _explained(years: Sequence[Year]) -> int:
    return sum(year.explained for year in years)


def worth(rows: Sequence[SensorWorth]) -> str:
    """What each optional reading is worth: the same units with all of them, and with this one left out."""
    lines = [
        (f"`{one.reading}`", *(f"{one.correct[at]} of {one.units}" for at in (0, 1)), *map(str, one.first))
        for one in rows
    ]
    return table(("reading", "cause named with it", "without", "named first with it", "without"), lines)


# ---------------------------------------------------------------- the page


def page(
    scores: Sequence[BenchScore],
    years: Sequence[Year] = (),
    sensors: Sequence[SensorWorth] = (),
    *,
    seed: int,
    command: str = "condenser-monitor accuracy",
    day: datetime | None = None,
) -> str:
    """All of it, with its date and seed."""
    made = (day or datetime.now(UTC)).strftime("%Y-%m-%d")
    classes_of = " ".join((bench.__doc__ or "").split("\n\n")[1].split("\n")).strip()
    parts = [
        "# How accurate it is\n\n"
        f"*Made on {made} with seed {seed} by `{command}`; what is played is simulated, and the simulator is ours.*",
        classes_of,
        "\n".join(f"    {line.strip()}" for line in (bench.__doc__ or "").split("\n\n")[2].split("\n")),
        "Kinds of units, sensors and scan rates are drawn as people install them (shares are ours, "
        "`sim/bench_cases.py`), also those that cannot show the fault; no unit is dropped. What is true is read from "
        f"the world, never from the engine. Rates are in per cent, with Wilson intervals at {100 * _CONFIDENCE:.0f} %; "
        "false alarms a unit-year have the exact interval of a Poisson count, which a few unit-days leave wide.",
        "## Outcomes\n\n" + classes(scores),
        "## Suspects\n\nMany faults leave the same to be read by few sensors; which do is written down apart from the "
        "diagnosis, as pictures of what each cause leaves on the wires (common practice, `sim/alike.py`).\n\n"
        + suspects(scores),
        "## By cause\n\n" + by_case(scores),
        "## Confusion\n\n" + confusion(scores),
    ]
    if years:
        parts.append(
            "## Sound units\n\nEach is heard at every scan rate at once, and counted at each; once an hour has been "
            "quiet, scans are a minute apart at any rate.\n\n" + sound_years(years)
        )
    if sensors:
        parts.append("## With and without each optional sensor\n\n" + worth(sensors))
    parts.append("## What went wrong\n\n" + failures(scores))
    return "\n\n".join(parts) + "\n"


# ---------------------------------------------------------------- the command


def accuracy(
    count: int,
    *,
    seed: int,
    jobs: int,
    years: int,
    say: Callable[[str], None],
    tell: Callable[[str], None],
    days: float = 365.0,
    sensors: int = 0,
    file: str | None = None,
) -> bool:
    """Score `count` units, `years` sound units of `days` each at every scan rate, and what each sensor is worth over
    `sensors` units; `say` hears how far it is, `tell` gets the page, or `file` is written.

    True when no unit is missed, misdiagnosed or alarmed falsely. Raises CommandError for a number that cannot be.
    """
    bounds = (("--units", count, 0), ("--years", years, 0), ("--jobs", jobs, 1), ("--sensors", sensors, 0))
    for name, number, least in bounds:
        if not least <= number <= _MOST:
            raise CommandError(f"accuracy {name}", number, f"{least} to {_MOST}")
    if not 1.0 <= days <= 366.0:
        raise CommandError("accuracy --days", days, "1 to 366")
    scores: list[BenchScore] = []
    for score in bench.each(bench.judge, bench.units(count, seed), jobs):
        scores.append(score)
        bad = score.outcome not in ("correct", "no answer")
        if len(scores) % 20 == 0 or bad:
            say(f"{len(scores)}/{count} units" + (f": {_line(score)}" if bad else ""))
    lived: list[Year] = []
    for number, heard in enumerate(bench.each(bench.unit_years, bench.sound_units(years, seed, days), jobs), start=1):
        lived.extend(heard)
        say(f"{number}/{years} sound units: {sum(len(year.raised) for year in heard)} false alarms")
    worths = bench.sensor_worth(sensors, seed, jobs) if sensors else []
    asked = f"--units {count} --seed {seed} --years {years} --days {days:g} --sensors {sensors}"
    text = page(scores, lived, worths, seed=seed, command=f"condenser-monitor accuracy {asked}")
    if file is None:
        tell(text)
    else:
        try:
            Path(file).write_text(text, encoding="utf-8")
        except OSError as error:
            raise CommandError("accuracy --page", file, error.strerror or "a file that can be written") from None
    good = all(score.outcome in ("correct", "no answer") for score in scores)
    return good and not any(year.raised for year in lived)


def _line(score: BenchScore) -> str:
    return f"{score.outcome}, unit {score.seed} ({score.case}, {score.senses}): {score.finding} {score.detail}"


def again(number: int, tell: Callable[[str], None]) -> bool:
    """Play one unit again by its number and tell what is done to it, each change, and its class; True when correct.

    Raises CommandError for a number that no table has.
    """
    if not 0 <= number <= _MOST * _MOST:
        raise CommandError("accuracy --again", number, f"a unit's number from the table, 0 to {_MOST * _MOST}")
    unit = bench.unit_of(number)
    played = bench.Played(unit)
    broken = "sound" if unit.case is None else unit.case.cause
    tell(f"unit {number}: {broken}, {unit.rate}, {unit.extra}, sensors {', '.join(played.rig.settings.fitted)}")
    tell(f"  {played.rig.world.unit.design}")
    for cause in played.rig.world.plan.causes:
        tell(f"  {cause}")
    if played.lie is not None:
        tell(f"  {played.lie[0]} sticks at {played.lie[1]} from {played.lie[2]:.0f} s on")
    played.play()
    for change in played.changes:
        tell(change_line(change))
    score = bench.score(played)
    tell(f"{score.outcome}: {score.finding} {score.detail}")
    return score.outcome == "correct"
