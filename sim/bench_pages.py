"""What the accuracy bench found, as Markdown tables; the work of `condenser-monitor accuracy`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.terminal.text import change_line
from condenser_monitor.sim import bench
from condenser_monitor.sim.bench import CLASSES, BenchScore, Year
from condenser_monitor.sim.bench_cases import DAY_S, SENSE_SETS
from condenser_monitor.sim.causes import CAUSES
from condenser_monitor.sim.reference import table

_YEAR_S = 365 * DAY_S
_MOST = 1_000_000  # ours: a unit takes a quarter of a second


def summary(scores: Sequence[BenchScore]) -> str:
    """Counts and shares of the five classes, overall and by set of senses, as Markdown."""
    rows = [_class_row("any", scores)]
    rows += [_class_row(name, [row for row in scores if row.senses == name]) for name in SENSE_SETS]
    return table(("senses", "units", *CLASSES), rows)


def _class_row(name: str, scores: Sequence[BenchScore]) -> tuple[str, ...]:
    counts = Counter(row.outcome for row in scores)
    total = max(1, len(scores))
    return (name, str(len(scores)), *(f"{counts[kind]} ({100 * counts[kind] / total:.0f} %)" for kind in CLASSES))


def by_case(scores: Sequence[BenchScore]) -> str:
    """The five classes by cause."""
    names = list(dict.fromkeys(row.case for row in scores))
    return table(
        ("cause", "units", *CLASSES),
        [_class_row(name, [s for s in scores if s.case == name]) for name in sorted(names)],
    )


def confusion(scores: Sequence[BenchScore]) -> str:
    """True suspect against the suspect named first, counts; `-` where none was named."""
    true = sorted({row.suspect for row in scores})
    named = sorted({row.named for row in scores})
    counts = Counter((row.suspect, row.named) for row in scores)
    return table(
        ("true \\ named first", *named),
        [(one, *(str(counts[one, other] or "") for other in named)) for one in true],
    )


def failures(scores: Sequence[BenchScore]) -> str:
    """Every unit that is not correct: its number, to play it again, what was expected, what came."""
    rows = [
        (str(row.seed), row.case, row.senses, row.outcome, row.finding, row.detail[:200])
        for row in scores
        if row.outcome != "correct"
    ]
    if not rows:
        return "Every unit is correct."
    made = table(("unit", "cause", "senses", "class", "finding", "what came"), rows)
    return f"Play one again with `condenser-monitor accuracy --again UNIT`.\n\n{made}"


def first_named(scores: Sequence[BenchScore]) -> str:
    """How often the suspect named first is the true one; those that look alike to the senses go by how usual they
    are."""
    named = [row for row in scores if row.named != "-"]
    true = sum(row.named in CAUSES[row.case].suspects for row in named)
    return f"The suspect named first was the true one in {true} of {len(named)} units with a right finding."


def false_alarms(scores: Sequence[BenchScore]) -> str:
    """Units with a false alarm for each year that units were watched."""
    years = sum(row.watched_s for row in scores) / _YEAR_S
    count = sum(row.outcome == "false alarm" for row in scores)
    return f"{count} units with a false alarm in {years:.2f} unit-years watched{_rate(count, years)}."


def sound_years(years: Sequence[Year]) -> str:
    """False alarms of sound units through a year of trouble."""
    total = sum(year.days for year in years) / 365
    count = sum(len(year.raised) for year in years)
    explained = sum(year.explained for year in years)
    head = (
        f"{count} false alarms in {total:.2f} sound unit-years with outages, brown-outs, sags, glitches and lost scans"
        f"{_rate(count, total)}; {explained} findings that an outage or a long call explains."
    )
    rows = [(str(year.seed), text) for year in years for text in year.raised]
    return f"{head}\n\n{table(('seed', 'false alarm'), rows)}" if rows else head


def _rate(count: int, years: float) -> str:
    return f", {count / years:.2f} a unit-year" if years else ""


def page(scores: Sequence[BenchScore], years: Sequence[Year] = ()) -> str:
    """All of it."""
    parts = [summary(scores), by_case(scores), confusion(scores), first_named(scores), failures(scores)]
    parts += [false_alarms(scores)] + ([sound_years(years)] if years else [])
    return "\n\n".join(parts) + "\n"


# ---------------------------------------------------------------- the command


def accuracy(
    count: int, *, seed: int, jobs: int, years: int, say: Callable[[str], None], tell: Callable[[str], None]
) -> bool:
    """Score `count` units and `years` sound unit-years; `say` hears how far it is, `tell` gets the tables.

    True when every unit is correct and no false alarm came. Raises CommandError for a count below one.
    """
    for name, number, least in (("--units", count, 0), ("--years", years, 0), ("--jobs", jobs, 1)):
        if not least <= number <= _MOST:
            raise CommandError(f"accuracy {name}", number, f"{least} to {_MOST}")
    scores: list[BenchScore] = []
    for score in bench.each(bench.units(count, seed), jobs):
        scores.append(score)
        if len(scores) % 20 == 0 or score.outcome != "correct":
            say(f"{len(scores)}/{count} units" + ("" if score.outcome == "correct" else f": {_line(score)}"))
    lived: list[Year] = []
    for year in bench.each_year(range(seed, seed + years), jobs=jobs):
        lived.append(year)
        say(f"{len(lived)}/{years} unit-years: {len(year.raised)} false alarms")
    tell(page(scores, lived))
    return all(score.outcome == "correct" for score in scores) and not any(year.raised for year in lived)


def _line(score: BenchScore) -> str:
    return f"{score.outcome}, unit {score.seed} ({score.case}, {score.senses}): {score.finding} {score.detail}"


def again(number: int, tell: Callable[[str], None]) -> bool:
    """Play one unit again by its number and tell what is done to it, each change, and its class; True when correct.

    Raises CommandError for a number that no table has.
    """
    if not 0 <= number <= _MOST:
        raise CommandError("accuracy --again", number, f"a unit's number from the table, 0 to {_MOST}")
    unit = bench.unit_of(number)
    rig, at_s, length_s = bench.rig_of(unit)
    tell(f"unit {number}: {'sound' if unit.case is None else unit.case.cause}, senses {', '.join(rig.settings.fitted)}")
    tell(f"  {rig.world.unit.design}")
    for cause in rig.world.plan.causes:
        tell(f"  {cause}")
    changes = rig.changes(length_s)
    for change in changes:
        tell(change_line(change))
    score = bench.score(unit, changes, at_s)
    tell(f"{score.outcome}: {score.finding} {score.detail}")
    return score.outcome == "correct"
