"""The report's content: facts in, blocks out. Pure; the order is that of a technician's questions.

What is the case, what stands and who is suspected, what happened, how it ran, what was measured, what unit it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from statistics import median

from monitor import limits, moments, texts
from monitor.checks import CHECKS
from monitor.checks_base import CAUTIONS
from monitor.diagnose import Session
from monitor.dialogue import POWER
from monitor.records import READINGS, Cycle, Finding, UnitStatus
from monitor.report_facts import Act, Close, Episode, Facts
from monitor.report_parts import Block, Bullets, Document, Heading, Para, Picture, Table
from monitor.report_plots import Mark, Span, Trace, chain, lanes, trace
from monitor.report_unit import by_hand, plate, when
from monitor.suspects_table import SUSPECTS

_N = {name: limit.value for name, limit in limits.REPORT.items()}
_DAY_S = 86400.0
ALWAYS = ("isolate", "absence", "one-pole", "capacitor", "live", "moving", "refrigerant")


def document(facts: Facts) -> Document:
    """The whole report."""
    site = facts.settings.site
    made = moments.moment(facts.made_wall_s, None, facts.zone)
    parts = (_head, _cautions, _now, _standing, _story, _closely, _runs, _over_time, _own_normal, by_hand, plate)
    blocks = [block for part in parts for block in part(facts)]
    return Document(f"{site.name}: report for the technician", f"{site.name}, made {made}", tuple(blocks))


# ---------------------------------------------------------------- at the top


def _head(facts: Facts) -> Iterator[Block]:
    site = facts.settings.site
    yield Heading(f"{site.name}: report for the technician", 1)
    span = f"{moments.day(facts.from_wall_s, facts.zone)} to {moments.day(facts.made_wall_s, facts.zone)}"
    at = moments.local(facts.made_wall_s, facts.zone).strftime("%H:%M")
    yield Para(f"{span}, made at {at}. Site {site.id}. Times are local.", "soft")
    yield from _verdict(facts)


def _verdict(facts: Facts) -> Iterator[Block]:
    if facts.status is None:
        yield Para("The monitor has not seen the unit yet.", "lead")
        return
    if facts.blind:
        age = "a time not known" if facts.age_s is None else texts.span(facts.age_s)
        yield Para(
            f"The monitor is blind: its last reading is {age} old. What follows is the last that was seen.", "warn"
        )
    findings = facts.status.findings
    if not findings:
        past = " What came and went in these days is under “What happened”." if facts.episodes else ""
        yield Para(f"Nothing stands{' as far as was seen' if facts.blind else ''}.{past}", "lead")
    for finding in findings:
        yield Para(texts.FINDINGS[finding.name].headline, "lead")
        yield Para(texts.tell(finding), "say")


def _cautions(facts: Facts) -> Iterator[Block]:
    one_pole = facts.settings.unit.contactor_poles == 1
    yield Heading("Before you open it")
    yield Bullets([CAUTIONS[name] for name in ALWAYS if one_pole or name != "one-pole"], "caution")
    yield Para(
        "The monitor only watches: it switches nothing and replaces no measurement. Prove every voltage with your own"
        " meter. Local codes and the maker's instructions come first.",
        "soft",
    )


def _now(facts: Facts) -> Iterator[Block]:
    yield Heading("The chain as it stands")
    if facts.status is None:
        yield Para("Nothing is known.")
        return
    yield Picture(chain(facts.status, blind=facts.blind))
    outdoor_c = facts.status.readings.get("outdoor_c")
    heat = "" if outdoor_c is None or facts.blind else f" Outdoors {_degrees(facts, float(outdoor_c))}."
    yield Para(f"As of {when(facts, facts.status.wall_s)}.{heat} Heavy: live. Thin: dead. Dotted: not known.", "soft")
    if not facts.blind:
        yield from _readings(facts, facts.status)
    if facts.health.faults:
        yield Para("Readings that are missing, and why:")
        yield Bullets([f"{texts.NAMES.get(name, name)}: {why}" for name, why in sorted(facts.health.faults.items())])


def _readings(facts: Facts, status: UnitStatus) -> Iterator[Block]:
    scale, known = facts.settings.web.temperature, status.uncertainty
    rows = [
        (texts.capital(texts.NAMES[name]), moments.reading(name, value, scale, known.get(name)))
        for name, value in status.readings.items()
    ]
    if rows:
        yield Table(("Reading", "as last seen"), rows, (0.5, 0.5))
    if known:
        yield Para("±: the true value lies within it 19 times out of 20 (expanded uncertainty, k = 2).", "soft")


def _degrees(facts: Facts, celsius: float) -> str:
    return moments.degrees(celsius, facts.settings.web.temperature)


# ---------------------------------------------------------------- what stands


def _standing(facts: Facts) -> Iterator[Block]:
    findings = () if facts.status is None else facts.status.findings
    if findings:
        yield Heading("What stands, and who is suspected")
    for finding in findings:
        yield from _finding(facts, finding, facts.sessions[finding.name])


def _finding(facts: Facts, finding: Finding, session: Session) -> Iterator[Block]:
    suspects, ruled_out, wanted = _judged(finding, session)
    yield Heading(f"{finding.summary} ({finding.name}, {finding.severity.value})", 3)
    shown = ", ".join(f"{name} {value}" for name, value in texts.measurements(finding))
    since = when(facts, finding.raised_wall_s)
    yield Para(f"Since {since}. " + (f"Seen then: {shown}." if shown else ""))
    if session.answers:
        done = ", ".join(
            f"{CHECKS[name].title}: {judged.text or judged.outcome}" for name, judged in session.answers.items()
        )
        yield Para(f"Checked since: {done}.")
    if suspects:
        yield Para("Suspected, the most usual first:")
        yield Bullets([_suspect(name) for name in suspects], "numbered")
    if session.answers:
        for pair in session.verdict().together:
            names = " and ".join(texts.suspect(name) for name in sorted(pair))
            yield Para(f"No single one explains it; together these would: {names}.")
    if ruled_out:
        rows = [(texts.capital(texts.suspect(name)), why) for name, why in ruled_out.items()]
        yield Table(("Ruled out", "because"), rows, (0.45, 0.55))
    if wanted:
        names = ", ".join(texts.NAMES.get(name, name) for name in wanted)
        yield Para(f"Not sensed here, and would narrow it further: {names}.", "soft")
    yield from _checks(session)


def _judged(finding: Finding, session: Session) -> tuple[Sequence[str], Mapping[str, str], Sequence[str]]:
    """Suspects, ruled out, wanted senses: the monitor's own word until somebody has measured."""
    if not session.answers:
        return finding.suspects, finding.ruled_out, finding.wanted_senses
    verdict = session.verdict()
    return verdict.suspects, verdict.ruled_out, verdict.wanted_senses


def _suspect(name: str) -> str:
    known = SUSPECTS.get(name)
    return texts.capital(texts.suspect(name)) + (f". Mended by: {known.mend}." if known else "")


def _checks(session: Session) -> Iterator[Block]:
    offers = [offer.check for offer in session.offers()][: int(_N["checks"])]
    first = session.next_check()
    found = ([first] if first is not None and first not in offers else []) + offers
    if not found:
        return
    rows = [(check.title, f"{check.where}; {POWER[check.power]}; {check.who}", check.expected) for check in found]
    yield Table(("Next checks", "where, power, who may", "a sound part shows"), rows, (0.3, 0.32, 0.38))
    needed = dict.fromkeys(caution for check in found for caution in check.cautions if caution not in ALWAYS)
    if needed:
        yield Bullets([CAUTIONS[name] for name in needed], "caution")


# ---------------------------------------------------------------- what happened


def _story(facts: Facts) -> Iterator[Block]:
    yield Heading("What happened")
    rows = [(one.raised_wall_s[0], _episode(facts, one)) for one in facts.episodes]
    rows += [(act.wall_s, _act(facts, act)) for act in facts.acts]
    rows = sorted(rows, key=lambda row: row[0])
    if not rows:
        yield Para("Nothing out of the ordinary.")
        return
    most = int(_N["events"])
    left_out = f" The {len(rows) - most} oldest are left out." if len(rows) > most else ""
    yield Para(f"Numbers point into the pictures.{left_out}", "soft")
    yield Table(("", "from", "to", "what"), [row for _, row in rows[-most:]], (0.05, 0.18, 0.18, 0.59))


def _episode(facts: Facts, one: Episode) -> tuple[str, str, str, str]:
    times = len(one.raised_wall_s)
    often = f" {times} times." if times > 1 else ""
    suspects = f" Suspected first: {texts.suspect(one.last.suspects[0])}." if one.last.suspects else ""
    ended = "stands" if one.ended_wall_s is None else when(facts, one.ended_wall_s)
    return str(one.number), when(facts, one.raised_wall_s[0]), ended, f"{one.last.summary}{often}{suspects}"


def _act(facts: Facts, act: Act) -> tuple[str, str, str, str]:
    state = texts.WORDS[f"alert-{act.change.state.value}"]
    return "", when(facts, act.wall_s), "", f"{act.change.by} set “{act.change.summary.rstrip('.')}” to: {state}."


def _marks(facts: Facts, from_s: float, to_s: float) -> list[Mark]:
    return [
        Mark(wall_s, one.number) for one in facts.episodes for wall_s in one.raised_wall_s if from_s <= wall_s <= to_s
    ]


def _closely(facts: Facts) -> Iterator[Block]:
    if facts.close:
        yield Heading("Seen closely")
    for close in facts.close:
        yield from _close(facts, close)


def _close(facts: Facts, close: Close) -> Iterator[Block]:
    span = _span(facts, close.from_s, close.to_s)
    marks = _marks(facts, close.from_s, close.to_s)
    title = f"{close.number}: {texts.FINDINGS[close.finding].tell} {when(facts, close.wall_s)}."
    yield Heading(title, 3)
    yield Picture(lanes(close.lanes, span, marks, title="What ran when"))
    for name in ("compressor_a", "fan_a", "control_v"):
        points = close.points.get(name, [])
        if any(point.high > 0.2 for point in points):
            yield Picture(trace(_trace(facts, name, points), span, marks, height=44.0))


def _trace(facts: Facts, name: str, points: Sequence[object]) -> Trace:
    unit = READINGS[name].unit
    title = texts.capital(texts.NAMES[name])
    if name != "outdoor_c":
        return Trace(title, unit, points)  # type: ignore[arg-type]
    if facts.settings.web.temperature == "F":
        return Trace(title, "°F", points, False, lambda c: c * 9 / 5 + 32)  # type: ignore[arg-type]
    return Trace(title, unit, points, False)  # type: ignore[arg-type]


def _span(facts: Facts, from_s: float, to_s: float) -> Span:
    return Span(from_s, to_s, moments.ticks(from_s, to_s, facts.zone))


# ---------------------------------------------------------------- how it ran


def _runs(facts: Facts) -> Iterator[Block]:
    yield Heading("Runs")
    if not facts.cycles:
        yield Para("No run has ended in these days.")
        return
    days = _days(facts)
    yield Table(
        ("day", "runs", "hours", "shortest", "longest", "median A", "hottest"),
        days,
        (0.25, 0.1, 0.1, 0.14, 0.14, 0.13, 0.14),
        (1, 2, 3, 4, 5, 6),
    )
    shown = facts.cycles[: int(_N["cycles"])]
    yield Heading("The last one" if len(shown) == 1 else f"The last {len(shown)}", 3)
    head = ("ended", "ran", "starts", "pull-in", "comp. A", "most A", "fan A", "coil A", "24 V", "outdoors")
    rows = [_cycle(facts, wall_s, cycle) for wall_s, cycle in shown]
    yield Table(head, rows, (0.17, 0.11, 0.08, 0.09, 0.1, 0.09, 0.08, 0.08, 0.08, 0.12), tuple(range(1, 10)))


def _days(facts: Facts) -> list[tuple[str, ...]]:
    by_day: dict[str, list[Cycle]] = {}
    for wall_s, cycle in reversed(facts.cycles):
        by_day.setdefault(moments.day(wall_s, facts.zone), []).append(cycle)
    return [_day(facts, day, cycles) for day, cycles in by_day.items()]


def _day(facts: Facts, day: str, cycles: Sequence[Cycle]) -> tuple[str, ...]:
    runs = [cycle.run_s for cycle in cycles if cycle.run_s > 0]
    amps = [cycle.compressor_a for cycle in cycles if cycle.compressor_a is not None]
    heat = [cycle.outdoor_c for cycle in cycles if cycle.outdoor_c is not None]
    return (
        day,
        str(len(cycles)),
        f"{sum(runs) / 3600:.1f}",
        texts.span(min(runs)) if runs else "",
        texts.span(max(runs)) if runs else "",
        f"{median(amps):.1f}" if amps else "",
        _degrees(facts, max(heat)) if heat else "",
    )


def _cycle(facts: Facts, wall_s: float, cycle: Cycle) -> tuple[str, ...]:
    return (
        when(facts, wall_s),
        texts.span(cycle.run_s),
        str(cycle.compressor_starts),
        _figure(cycle.pull_in_s, 2, " s"),
        _figure(cycle.compressor_a),
        _figure(cycle.compressor_max_a),
        _figure(cycle.fan_a, 2),
        _figure(cycle.coil_a, 2),
        _figure(cycle.control_v),
        "" if cycle.outdoor_c is None else _degrees(facts, cycle.outdoor_c),
    )


def _figure(value: float | None, digits: int = 1, unit: str = "") -> str:
    return "" if value is None else f"{value:.{digits}f}{unit}"


def _over_time(facts: Facts) -> Iterator[Block]:
    yield Heading("Over the days")
    day_s = max(facts.from_wall_s, facts.made_wall_s - _DAY_S)
    marks = _marks(facts, facts.from_wall_s, facts.made_wall_s)
    last = _span(facts, day_s, facts.made_wall_s)
    recent = [mark for mark in marks if mark.wall_s >= day_s]
    yield Para("The last 24 hours", "soft")
    yield Picture(lanes(facts.lanes, last, recent, title="What ran in the last 24 hours"))
    whole = _span(facts, _first_seen(facts), facts.made_wall_s)
    seen = {name: points for name, points in facts.points.items() if points}
    if seen:
        yield Para("Readings: means as a line, from lowest to highest as a band", "soft")
    for name, points in seen.items():
        yield Picture(trace(_trace(facts, name, points), whole, marks))


def _first_seen(facts: Facts) -> float:
    """Where the pictures begin: a monitor that is newer than the span leaves no empty days."""
    firsts = [points[0].wall_s for points in facts.points.values() if points]
    return max(facts.from_wall_s, min(firsts, default=facts.from_wall_s))


def _own_normal(facts: Facts) -> Iterator[Block]:
    trends = {} if facts.status is None else facts.status.trends
    starts = [row.start.duration_s for row in facts.starts if row.start.duration_s is not None]
    if not trends and not starts:
        return
    yield Heading("Against its own normal")
    if trends.get("normal", {}).get("says"):
        yield Para(trends["normal"]["says"])
    rows = [
        row
        for title, key, unit in (
            ("Compressor's start", "starts", "s"),
            ("Pull-in", "pull_in_s", "s"),
            ("Coil", "coil_a", "A"),
        )
        if (row := _pair(title, trends.get(key), unit)) is not None
    ]
    if rows:
        yield Table(
            ("medians", "first ones", "last ones", "change", "counted"),
            rows,
            (0.36, 0.16, 0.16, 0.16, 0.16),
            (1, 2, 3, 4),
        )
    if starts:
        peaks = [row.start.peak_a for row in facts.starts]
        yield Para(
            f"{len(starts)} starts were captured in these days: {min(starts):.2f} to {max(starts):.2f} s,"
            f" peaks up to {max(peaks):.0f} A."
        )


def _pair(title: str, now: object, unit: str) -> tuple[str, ...] | None:
    if not isinstance(now, dict) or now.get("first") is None:
        return None
    last, ratio = now.get("last"), now.get("ratio")
    change = "" if ratio is None else f"{(ratio - 1) * 100:+.0f} %"
    return title, f"{now['first']:.3f} {unit}", _figure(last, 3, f" {unit}"), change, str(now.get("count", ""))
