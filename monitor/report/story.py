"""The report's content: facts in, blocks out. Pure; the order is that of a technician's questions.

What is the case, what stands and who is suspected, what happened, how it ran, what was measured, what unit it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from statistics import median

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    AlertState,
    Cycle,
    EpisodeState,
    Finding,
    UnitStatus,
)
from condenser_monitor.monitor.diagnosis.checks.base import CAUTIONS
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.visit.dialogue import POWER
from condenser_monitor.monitor.diagnosis.visit.session import VisitSession
from condenser_monitor.monitor.drawing import qr
from condenser_monitor.monitor.drawing.report_charts import (
    PlotMark,
    PlotSpan,
    Trace,
    chain,
    lanes,
    trace,
)
from condenser_monitor.monitor.report.blocks import (
    Block,
    Bullets,
    Document,
    Heading,
    Para,
    Picture,
    Table,
)
from condenser_monitor.monitor.report.facts import (
    Act,
    Close,
    Occurrence,
    ReportFacts,
)
from condenser_monitor.monitor.report.unit import by_hand, plate, when
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.calm import Reason, sentence
from condenser_monitor.monitor.strings.episodes import besides, headline, stands
from condenser_monitor.monitor.strings.lookup import plain
from condenser_monitor.monitor.strings.report import say
from condenser_monitor.monitor.strings.translate import one_stop, tr
from condenser_monitor.monitor.strings.visits import answer_words

_DAY_S = 86400.0
_RUN_HEAD = ("ended", "ran", "starts", "pull-in", "comp", "most", "fan", "coil", "24v", "outdoors")
ALWAYS = ("isolate", "absence", "one-pole", "capacitor", "live", "moving", "refrigerant")


def document(facts: ReportFacts) -> Document:
    """The whole report."""
    site = facts.settings.site
    made = time_format.moment(facts.made_wall_s, None, facts.zone)
    parts = (
        _head,
        _cautions,
        _now,
        _standing,
        _story,
        _closely,
        _runs,
        _over_time,
        _own_normal,
        by_hand,
        plate,
        _live_page,
    )
    blocks = [block for part in parts for block in part(facts)]
    return Document(say("title", site=site.name), say("foot", site=site.name, made=made), tuple(blocks))


# ---------------------------------------------------------------- at the top


def _head(facts: ReportFacts) -> Iterator[Block]:
    site = facts.settings.site
    yield Heading(say("title", site=site.name), 1)
    begin, end = (time_format.day(at_s, facts.zone) for at_s in (facts.from_wall_s, facts.made_wall_s))
    at = time_format.clock(time_format.local(facts.made_wall_s, facts.zone))
    yield Para(say("span", begin=begin, end=end, at=at, site=site.id), "soft")
    yield from _verdict(facts)


def _verdict(facts: ReportFacts) -> Iterator[Block]:
    if facts.status is None:
        yield Para(say("never-seen"), "lead")
        return
    if facts.blind:
        age = texts.WORDS["time-unknown"] if facts.age_s is None else texts.span(facts.age_s)
        yield Para(say("blind", age=age), "warn")
    findings = facts.status.findings
    if not findings or facts.calm.reason is not Reason.FINDING:
        past = " " + say("past") if facts.occurrences else ""
        yield Para(sentence(facts.calm, facts.status.cycle) + past, "lead")
    for finding in findings:
        yield Para(texts.FINDINGS[finding.name].headline, "lead")
        yield Para(texts.read_out(finding), "say")


def _cautions(facts: ReportFacts) -> Iterator[Block]:
    one_pole = facts.settings.unit.contactor_poles == 1
    yield Heading(say("before-opening"))
    yield Bullets([tr(CAUTIONS[name]) for name in ALWAYS if one_pole or name != "one-pole"], "caution")
    yield Para(
        say("watches"),
        "soft",
    )


def _now(facts: ReportFacts) -> Iterator[Block]:
    yield Heading(say("chain"))
    if facts.status is None:
        yield Para(say("nothing-known"))
        return
    yield Picture(chain(facts.status, blind=facts.blind))
    outdoor_c = facts.status.readings.get("outdoor_c")
    known = outdoor_c is not None and not facts.blind
    heat = " " + say("heat", degrees=_degrees(facts, float(outdoor_c or 0.0))) if known else ""
    yield Para(say("as-of", when=when(facts, facts.status.wall_s)) + heat + " " + say("key"), "soft")
    if not facts.blind:
        yield from _readings(facts, facts.status)
    if facts.health.faults:
        yield Para(say("missing"))
        yield Bullets([f"{texts.NAMES.get(name, name)}: {why}" for name, why in sorted(facts.health.faults.items())])


def _readings(facts: ReportFacts, status: UnitStatus) -> Iterator[Block]:
    scale, known = facts.settings.web.temperature, status.uncertainty
    rows = [
        (texts.capital(texts.NAMES[name]), time_format.reading(name, value, scale, known.get(name)))
        for name, value in status.readings.items()
    ]
    if rows:
        yield Table((say("reading"), say("as-last-seen")), rows, (0.5, 0.5))
    if known:
        yield Para(say("uncertainty"), "soft")


def _degrees(facts: ReportFacts, celsius: float) -> str:
    return time_format.degrees(celsius, facts.settings.web.temperature)


# ---------------------------------------------------------------- what stands


def _standing(facts: ReportFacts) -> Iterator[Block]:
    findings = () if facts.status is None else facts.status.findings
    if findings:
        yield Heading(say("stands"))
    for finding in findings:
        if finding.name in facts.sessions:
            yield from _finding(facts, finding, facts.sessions[finding.name])
        else:  # of a newer version
            yield Para(texts.FINDINGS[finding.name].headline, "lead")


def _finding(facts: ReportFacts, finding: Finding, session: VisitSession) -> Iterator[Block]:
    suspects, ruled_out, wanted = _judged(finding, session)
    severity = texts.WORDS[f"severity-{finding.severity.value}"]
    yield Heading(f"{tr(finding.summary)} ({finding.name}, {severity})", 3)
    shown = ", ".join(f"{name} {value}" for name, value in texts.measurements(finding))
    since = when(facts, finding.raised_wall_s)
    alert = say("alert-state", state=_alert_state(facts, finding.name))
    yield Para(" ".join((say("since", when=since), *([say("seen-then", shown=shown)] if shown else []), alert)))
    if session.answers:
        done = "; ".join(
            f"{tr(CHECKS[name].title)}: {answer_words(name, judged.text, judged.outcome)}"
            for name, judged in session.answers.items()
        )
        yield Para(say("checked", done=done))
    if suspects:
        yield Para(say("suspected"))
        yield Bullets([_suspect(name) for name in suspects], "numbered")
    if session.answers:
        for pair in session.verdict().together:
            names = say("and").join(texts.suspect(name) for name in sorted(pair))
            yield Para(say("together", names=names))
    if ruled_out:
        rows = [(texts.capital(texts.suspect(name)), tr(why)) for name, why in ruled_out.items()]
        yield Table((say("ruled-out"), say("because")), rows, (0.45, 0.55))
    if wanted:
        names = ", ".join(texts.NAMES.get(name, name) for name in wanted)
        yield Para(say("would-narrow", names=names), "soft")
    yield from _checks(session)


def _judged(finding: Finding, session: VisitSession) -> tuple[Sequence[str], Mapping[str, str], Sequence[str]]:
    """Suspects, ruled out, wanted senses: the monitor's own word until somebody has measured."""
    if not session.answers:
        return finding.suspects, finding.ruled_out, finding.wanted_senses
    verdict = session.verdict()
    return verdict.suspects, verdict.ruled_out, verdict.wanted_senses


def _suspect(name: str) -> str:
    known = SUSPECTS.get(name)
    return texts.capital(texts.suspect(name)) + (say("mended-by", mend=tr(known.repair)) if known else "")


def _checks(session: VisitSession) -> Iterator[Block]:
    offers = [offer.check for offer in session.offers()][: int(limits.REPORT.checks.value)]
    first = session.next_check()
    found = ([first] if first is not None and first not in offers else []) + offers
    if not found:
        return
    rows = [
        (tr(check.title), f"{tr(check.where)}; {tr(POWER[check.power])}; {tr(check.who)}", tr(check.expected))
        for check in found
    ]
    yield Table((say("next-checks"), say("where-who"), say("sound-shows")), rows, (0.3, 0.32, 0.38))
    needed = dict.fromkeys(caution for check in found for caution in check.cautions if caution not in ALWAYS)
    if needed:
        yield Bullets([tr(CAUTIONS[name]) for name in needed], "caution")


# ---------------------------------------------------------------- what happened


def _story(facts: ReportFacts) -> Iterator[Block]:
    yield Heading(say("happened"))
    yield from _stories(facts)
    rows = [(one.raised_wall_s[0], _occurrence(facts, one)) for one in facts.occurrences]
    rows += [(act.wall_s, _act(facts, act)) for act in facts.acts]
    rows = sorted(rows, key=lambda row: row[0])
    if not rows:
        yield Para(say("nothing-unusual"))
        return
    most = int(limits.REPORT.events.value)
    left_out = " " + say("left-out", count=len(rows) - most) if len(rows) > most else ""
    yield Para(say("numbers") + left_out, "soft")
    yield Table(
        ("", say("col-from"), say("col-to"), say("col-what")),
        [row for _, row in rows[-most:]],
        (0.05, 0.18, 0.18, 0.59),
    )


def _stories(facts: ReportFacts) -> Iterator[Block]:
    """What people were told, one row an episode; the findings below are its detail."""
    rows = [
        (
            when(facts, one.since_wall_s),
            when(facts, one.over_wall_s) if one.over_wall_s is not None else texts.capital(stands(one)),
            " ".join((headline(one), *(f"{texts.capital(line)}." for line in besides(one)))),
        )
        for one in facts.stories
    ]
    if rows:
        yield Para(say("as-told"), "soft")
        yield Table((say("col-from"), say("col-to"), say("col-what")), rows, (0.18, 0.23, 0.59))


def _occurrence(facts: ReportFacts, one: Occurrence) -> tuple[str, str, str, str]:
    times = len(one.raised_wall_s)
    often = " " + say("times", count=times) if times > 1 else ""
    suspects = " " + say("suspected-first", name=texts.suspect(one.last.suspects[0])) if one.last.suspects else ""
    ended = say("still") if one.ended_wall_s is None else when(facts, one.ended_wall_s)
    newest = not any(other.last.finding == one.last.finding for other in facts.occurrences[one.number :])
    alert = " " + say("alert-state", state=_alert_state(facts, one.last.finding)) if newest else ""
    return str(one.number), when(facts, one.raised_wall_s[0]), ended, f"{tr(one.last.summary)}{often}{suspects}{alert}"


def _alert_state(facts: ReportFacts, name: str) -> str:
    """How a finding's alert stands: answered, snoozed, to be reset, or ended and by what."""
    alerts = () if facts.status is None else facts.status.alerts
    alert = next((one for one in alerts if one.finding == name and one.state is not AlertState.NORMAL), None)
    story = next((one for one in reversed(facts.stories) if name in one.findings), None)
    said = []
    if alert is not None:
        said.append(texts.WORDS[f"alert-{alert.state.value}"])
        if alert.acked_by and alert.state is not AlertState.SHELVED:  # who snoozed it may be somebody else
            said.append(say("alert-by", who=alert.acked_by))
        if alert.shelved_until_wall_s is not None:
            said.append(say("alert-until", when=when(facts, alert.shelved_until_wall_s)))
        if alert.note:
            said.append(say("alert-note", note=alert.note))
    if story is None:
        return ", ".join(said) or say("alert-none")
    if story.state is EpisodeState.OVER and name in CATALOGUE:
        proof = tr(CATALOGUE[name].proof.words)
        said.append(
            say("alert-confirmed", who=story.repaired_by) if story.repaired_by else say("alert-proved", proof=proof)
        )
    elif story.state is not EpisodeState.ACTIVE:
        said.append(stands(story))
    return ", ".join(said) or stands(story)


def _act(facts: ReportFacts, act: Act) -> tuple[str, str, str, str]:
    state = texts.WORDS[f"alert-{act.change.state.value}"]
    return (
        "",
        when(facts, act.wall_s),
        "",
        say("act", by=act.change.by, what=tr(act.change.summary).rstrip("."), state=state),
    )


def _marks(facts: ReportFacts, from_s: float, to_s: float) -> list[PlotMark]:
    return [
        PlotMark(wall_s, one.number)
        for one in facts.occurrences
        for wall_s in one.raised_wall_s
        if from_s <= wall_s <= to_s
    ]


def _closely(facts: ReportFacts) -> Iterator[Block]:
    if facts.close:
        yield Heading(say("closely"))
    for close in facts.close:
        yield from _close(facts, close)


def _close(facts: ReportFacts, close: Close) -> Iterator[Block]:
    span = _span(facts, close.from_s, close.to_s)
    marks = _marks(facts, close.from_s, close.to_s)
    title = one_stop(f"{close.number}: {texts.FINDINGS[close.finding].tell} {when(facts, close.wall_s)}.")
    yield Heading(title, 3)
    yield Picture(lanes(close.lanes, span, marks, title=say("what-ran")))
    for name in ("compressor_a", "fan_a", "control_v"):
        points = close.points.get(name, [])
        if any(point.high > 0.2 for point in points):
            yield Picture(trace(_trace(facts, name, points), span, marks, height=44.0))


def _trace(facts: ReportFacts, name: str, points: Sequence[object]) -> Trace:
    unit = READINGS[name].unit
    title = texts.capital(texts.NAMES[name])
    if unit != "°C":
        return Trace(title, unit, points)  # type: ignore[arg-type]
    if facts.settings.web.temperature == "F":
        return Trace(title, "°F", points, False, lambda c: c * 9 / 5 + 32)  # type: ignore[arg-type]
    return Trace(title, unit, points, False)  # type: ignore[arg-type]


def _span(facts: ReportFacts, from_s: float, to_s: float) -> PlotSpan:
    return PlotSpan(from_s, to_s, time_format.ticks(from_s, to_s, facts.zone))


def _live_page(facts: ReportFacts) -> Iterator[Block]:
    """Where the state of the moment is, to be read by a phone's camera."""
    if not facts.address:
        return
    picture = qr.drawing(facts.address, say("live-page-at"))
    yield Heading(say("live-page"))
    yield Para(f"{say('live-page-at')} {facts.address}") if picture is None else Picture(picture)


# ---------------------------------------------------------------- how it ran


def _runs(facts: ReportFacts) -> Iterator[Block]:
    yield Heading(say("runs"))
    if not facts.cycles:
        yield Para(say("no-run"))
        return
    days = _days(facts)
    yield Table(
        [say(f"col-{key}") for key in ("day", "runs", "hours", "shortest", "longest", "median", "hottest")],
        days,
        (0.25, 0.1, 0.1, 0.14, 0.14, 0.13, 0.14),
        (1, 2, 3, 4, 5, 6),
    )
    shown = facts.cycles[: int(limits.REPORT.cycles.value)]
    yield Heading(say("last-one" if len(shown) == 1 else "last-ones", count=len(shown)), 3)
    head = [say(f"col-{key}") for key in _RUN_HEAD]
    rows = [_cycle(facts, wall_s, cycle) for wall_s, cycle in shown]
    yield Table(head, rows, (0.17, 0.11, 0.08, 0.09, 0.1, 0.09, 0.08, 0.08, 0.08, 0.12), tuple(range(1, 10)))


def _days(facts: ReportFacts) -> list[tuple[str, ...]]:
    by_day: dict[str, list[Cycle]] = {}
    for wall_s, cycle in reversed(facts.cycles):
        by_day.setdefault(time_format.day(wall_s, facts.zone), []).append(cycle)
    return [_day(facts, day, cycles) for day, cycles in by_day.items()]


def _day(facts: ReportFacts, day: str, cycles: Sequence[Cycle]) -> tuple[str, ...]:
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


def _cycle(facts: ReportFacts, wall_s: float, cycle: Cycle) -> tuple[str, ...]:
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


def _over_time(facts: ReportFacts) -> Iterator[Block]:
    yield Heading(say("over-days"))
    day_s = max(facts.from_wall_s, facts.made_wall_s - _DAY_S)
    marks = _marks(facts, facts.from_wall_s, facts.made_wall_s)
    last = _span(facts, day_s, facts.made_wall_s)
    recent = [mark for mark in marks if mark.wall_s >= day_s]
    yield Para(say("last-day"), "soft")
    yield Picture(lanes(facts.lanes, last, recent, title=say("ran-last-day")))
    whole = _span(facts, _first_seen(facts), facts.made_wall_s)
    seen = {name: points for name, points in facts.points.items() if points}
    if seen:
        yield Para(say("curves"), "soft")
    for name, points in seen.items():
        yield Picture(trace(_trace(facts, name, points), whole, marks))


def _first_seen(facts: ReportFacts) -> float:
    """Where the pictures begin: a monitor that is newer than the span leaves no empty days."""
    firsts = [points[0].wall_s for points in facts.points.values() if points]
    return max(facts.from_wall_s, min(firsts, default=facts.from_wall_s))


def _own_normal(facts: ReportFacts) -> Iterator[Block]:
    trends = {} if facts.status is None else facts.status.trends
    starts = [row.start.duration_s for row in facts.starts if row.start.duration_s is not None]
    if not trends and not starts:
        return
    yield Heading(say("own-normal"))
    normal, scale = trends.get("normal", {}), facts.settings.web.temperature
    if "from_c" in normal:
        low, high = (time_format.degrees(normal[end], scale) for end in ("from_c", "to_c"))
        yield Para(plain("normal-known", low=low, high=high))
    elif "days_needed" in normal:
        yield Para(plain("normal-learning", days=normal["days_needed"], minutes=normal["minutes_needed"]))
    rows = [
        row
        for title, key, unit in (
            (say("start"), "starts", "s"),
            (say("pull-in"), "pull_in_s", "s"),
            (say("coil"), "coil_a", "A"),
        )
        if (row := _pair(title, trends.get(key), unit)) is not None
    ]
    if rows:
        yield Table(
            [say(f"col-{key}") for key in ("medians", "first", "last", "change", "counted")],
            rows,
            (0.36, 0.16, 0.16, 0.16, 0.16),
            (1, 2, 3, 4),
        )
    if starts:
        peaks = [row.start.peak_a for row in facts.starts]
        least, most = f"{min(starts):.2f}", f"{max(starts):.2f}"
        yield Para(say("starts", count=len(starts), least=least, most=most, peak=f"{max(peaks):.0f}"))


def _pair(title: str, now: object, unit: str) -> tuple[str, ...] | None:
    if not isinstance(now, dict) or now.get("first") is None:
        return None
    last, ratio = now.get("last"), now.get("ratio")
    change = "" if ratio is None else time_format.change(ratio)
    return title, f"{now['first']:.3f} {unit}", _figure(last, 3, f" {unit}"), change, str(now.get("count", ""))
