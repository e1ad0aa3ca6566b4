"""The past: lanes and curves with zoom, the season by days, finished cycles, what changed, and trends."""

from __future__ import annotations

import secrets
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from typing import Any, NamedTuple

from flask import Blueprint, render_template, request, session
from markupsafe import Markup

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.normal import PARTS
from condenser_monitor.monitor.core.readings import CURVES, PLOTTED, READINGS
from condenser_monitor.monitor.core.records import Cycle, LinkState
from condenser_monitor.monitor.drawing import axes, curves, strip_chart, timeline
from condenser_monitor.monitor.storage import models
from condenser_monitor.monitor.storage.models import StoredPoint
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.web.context import PageContext, page_context
from condenser_monitor.web.template_strings import plain, t
from condenser_monitor.web.view_status import TICKS, lanes_svg, last_s

past = Blueprint("past", __name__)
_DAY_S = 86400.0


class Zoom(NamedTuple):
    """A span that can be chosen; `by_day`: too long for lanes, drawn as days."""

    length_s: float
    by_day: bool = False


ZOOMS: dict[str, Zoom] = {
    "hour": Zoom(3600.0),
    "quarter-day": Zoom(6 * 3600.0),
    "day": Zoom(_DAY_S),
    "week": Zoom(7 * _DAY_S),
    "month": Zoom(30 * _DAY_S, by_day=True),
    "season": Zoom(120 * _DAY_S, by_day=True),
}


class Plot(NamedTuple):
    title: str
    svg: Markup


@past.get("/history")
def shown() -> str:
    """Lanes and curves of a span. `zoom`: one of ZOOMS; `end`: wall seconds, now when left out."""
    found = page_context()
    now_s = found.wall()
    name = request.args.get("zoom", "day")
    zoom = ZOOMS.get(name, ZOOMS["day"])
    to_s = min(now_s, request.args.get("end", now_s, type=float)) // 10 * 10
    to_s = max(to_s, zoom.length_s)
    span = strip_chart.StripSpan(to_s - zoom.length_s, to_s, time_format.moment)
    days = _days(found, span) if zoom.by_day else []
    made = _by_day(found, span, days) if zoom.by_day else _by_time(found, span)
    return render_template(
        "history.html",
        zooms=ZOOMS,
        zoom=name if name in ZOOMS else "day",
        span=span,
        length_s=zoom.length_s,
        latest=to_s >= now_s - 10,
        plots=made,
        days=[day for _, day in reversed(days) if day is not None],
    )


# the link whose edges a plot of its own has
_EDGES = {"control_v": "call", "coil_a": "contacts"}


def _by_time(found: PageContext, span: strip_chart.StripSpan) -> list[Plot]:
    curves = _curves(found, (*CURVES.values(), *PLOTTED), span)
    drawn = Markup(lanes_svg(found, span, found.look(), curves))  # noqa: S704 - ours
    axis, scale = time_format.ticks(span.from_s, span.to_s, most=TICKS), found.scale()
    made = [Plot(plain("what-ran"), drawn)]
    rows = models.ended(found.history.lanes(span.from_s, span.to_s, tuple(_EDGES.values())), last_s(found.look()))
    shown = (name for name in PLOTTED if curves[name] or name in found.settings.fitted)
    edges = {name: [row for row in rows if row.name == link] for name, link in _EDGES.items()}
    return made + [_curve(name, curves[name], scale, span, axis, lanes=edges.get(name, ())) for name in shown]


def _curves(found: PageContext, names: Sequence[str], span: strip_chart.StripSpan) -> dict[str, list[StoredPoint]]:
    return found.history.curves(names, span.from_s, span.to_s, int(limits.WEB.points.value))


def _curve(
    name: str,
    points: Sequence[StoredPoint],
    scale: str,
    span: strip_chart.StripSpan,
    axis: Sequence[tuple[float, str]],
    *,
    lanes: Sequence[models.Lane] = (),
) -> Plot:
    unit = READINGS[name].unit
    warmth = unit == "°C"
    if warmth:
        points = in_scale(points, scale)
    title = texts.capital(texts.NAMES[name])
    upright = axes.axis_for(points, f"°{scale}" if warmth else unit, from_zero=not warmth)
    svg = curves.curve(points, span, upright, axis, title=title, name=name.replace("_", "-"), lanes=lanes)
    return Plot(title, Markup(svg))  # noqa: S704 - drawn by us, its words escaped


def in_scale(points: Sequence[StoredPoint], scale: str) -> Sequence[StoredPoint]:
    """Points of temperature in the reader's scale."""
    if scale == "C":
        return points
    return [StoredPoint(at, mean * 9 / 5 + 32, low * 9 / 5 + 32, high * 9 / 5 + 32) for at, mean, low, high in points]


class DayView(NamedTuple):
    """One local day that something is known of: where it ends, and what ran in it."""

    words: str
    to_s: float
    run_h: float
    starts: int


def _days(found: PageContext, span: strip_chart.StripSpan) -> list[tuple[str, DayView | None]]:
    """Each local day of a span with its words, the oldest first; None: nothing was recorded."""
    spans = day_spans(span)
    rows = found.history.lanes(spans[0].from_s, spans[-1].to_s, ("compressor",))
    known = [row for row in models.ended(rows, last_s(found.look())) if row.state is not LinkState.UNKNOWN]
    shared = zip(spans, _shared_out(known, spans), strict=True)
    return [_day(day, touching, found.wall()) for day, touching in shared]


def _shared_out(rows: Sequence[models.Lane], days: Sequence[strip_chart.StripSpan]) -> list[list[models.Lane]]:
    """For each day, which follow each other, the stretches that touch it."""
    begun = [day.from_s for day in days]
    found: list[list[models.Lane]] = [[] for _ in days]
    for row in rows:
        first = max(0, bisect_right(begun, row.from_wall_s) - 1)
        last = len(days) if row.to_wall_s is None else bisect_right(begun, row.to_wall_s)
        for place in range(first, last):
            found[place].append(row)
    return found


def _day(day: strip_chart.StripSpan, known: Sequence[models.Lane], now_s: float) -> tuple[str, DayView | None]:
    words = time_format.short_day(day.from_s)
    if not any(timeline.held(row, day) for row in known):
        return words, None
    runs = [row for row in known if row.state is LinkState.LIVE]
    starts = sum(day.from_s <= row.from_wall_s < day.to_s for row in runs)
    so_far = strip_chart.StripSpan(
        day.from_s, min(day.to_s, now_s), day.clock
    )  # what runs now has not run until midnight
    return words, DayView(words, day.to_s, sum(timeline.held(row, so_far) for row in runs) / 3600, starts)


def _by_day(found: PageContext, span: strip_chart.StripSpan, days: Sequence[tuple[str, DayView | None]]) -> list[Plot]:
    """Hours run and starts of each day, and the heat that went with them."""
    hours = [
        curves.Bar(words, None, "")
        if day is None
        else curves.Bar(words, day.run_h, plain("day-hours", day=words, hours=f"{day.run_h:.1f}"))
        for words, day in days
    ]
    starts = [
        curves.Bar(words, None, "")
        if day is None
        else curves.Bar(words, day.starts, plain("day-starts", day=words, count=day.starts))
        for words, day in days
    ]
    axis = time_format.ticks(span.from_s, span.to_s, most=TICKS)
    warmth = _curve("outdoor_c", _curves(found, ("outdoor_c",), span)["outdoor_c"], found.scale(), span, axis)
    made = [
        (plain(title), curves.bars(rows, unit, title=plain(title), name=title))
        for title, rows, unit in (("hours-a-day", hours, "h"), ("starts-a-day", starts, ""))
    ]
    return [Plot(title, Markup(svg)) for title, svg in made] + [warmth]  # noqa: S704


def day_spans(span: strip_chart.StripSpan) -> list[strip_chart.StripSpan]:
    """The local days that a span touches, the oldest first; a day of the clock's change has 23 or 25 hours."""
    found: list[strip_chart.StripSpan] = []
    from_s = time_format.midnight(span.from_s)
    while from_s < span.to_s:
        to_s = time_format.midnight(from_s + 1.5 * _DAY_S)
        found.append(strip_chart.StripSpan(from_s, to_s, time_format.moment))
        from_s = to_s
    return found


class Ran(NamedTuple):
    """One finished cycle as the table shows it."""

    ended: str
    run: str
    numbers: Markup  # in cells of their own
    starts: int
    start_seen: bool


# the readings of a cycle that have a column, and their decimals
_COLUMNS = (
    ("pull_in_s", 2),
    ("run_delay_s", 2),
    ("compressor_a", 1),
    ("compressor_max_a", 1),
    ("fan_a", 2),
    ("coil_a", 2),
    ("control_v", 1),
)


@past.get("/cycles")
def cycles() -> str:
    """Finished cooling cycles, newest first. `days`: how far back."""
    days = min(max(request.args.get("days", 7, type=int), 1), 366)
    now_s, scale, most = page_context().wall(), page_context().scale(), int(limits.WEB.cycles_shown.value)
    found = page_context().history.cycles(now_s - days * _DAY_S, now_s + 1, most)
    # Cells are made here and not by a macro: a call for each of thousands of them was nearly all that the page cost.
    missing = Markup('<span class="soft" title="{}">–</span>').format(t("no-reading"))
    by_day: dict[str, list[Ran]] = {}
    hours: defaultdict[str, float] = defaultdict(float)
    for wall_s, cycle in found:
        at = time_format.local(wall_s)
        day = time_format.day(wall_s)
        by_day.setdefault(day, []).append(_ran(time_format.clock(at), cycle, scale, missing))
        hours[day] += cycle.run_s / 3600
    return render_template("cycles.html", by_day=by_day, hours=hours, count=len(found), days=days, most=most)


def _ran(ended: str, cycle: Cycle, scale: str, missing: Markup) -> Ran:
    values = [(getattr(cycle, name), digits) for name, digits in _COLUMNS]
    values.append((None if cycle.outdoor_c is None else _scaled(cycle.outdoor_c, scale), 0))
    numbers = [missing if value is None else f"{value:.{digits}f}" for value, digits in values]
    between = Markup('</td><td class="n">')
    return Ran(ended, texts.span(cycle.run_s), between.join(numbers), cycle.compressor_starts, cycle.start_seen)


def normal_svg(normal: dict[str, Any], scale: str) -> Markup | None:
    """The compressor's normal current over the outdoor temperature, in the reader's scale; None until it is learned."""
    known = [(_scaled(c, scale), amps) for c, amps in normal.get("curve", ()) if amps is not None]
    if len(known) < 2:
        return None
    step = (known[-1][0] - known[0][0]) / (len(known) - 1)
    # A curve's points are means over stretches: each is put so that its middle is the temperature.
    points = [StoredPoint(at - step / 2, amps, amps, amps) for at, amps in known]
    span = strip_chart.StripSpan(known[0][0], known[-1][0], str, f"°{scale}")
    axis = axes.axis_for(points, "A", from_zero=False)
    ticks = [(at, f"{at:.0f} °{scale}") for at, _ in known[:: max(1, len(known) // 4)]]
    title = plain("normal-plot")
    return Markup(curves.curve(points, span, axis, ticks, title=title, name="normal", held=False))  # noqa: S704 - ours


def _scaled(celsius: float, scale: str) -> float:
    return celsius if scale == "C" else celsius * 9 / 5 + 32


@past.get("/trends")
def trends() -> str:
    """What is normal for this unit, and how it drifts."""
    seen = page_context().look()
    report = {} if seen.status is None else seen.status.trends
    return render_template(
        "trends.html",
        trends=report,
        fitted=page_context().settings.fitted,
        normal=normal_svg(report.get("normal", {}), page_context().scale()),
        visits=page_context().history.visits(20),
        parts=PARTS,
        by=session.get("by", ""),
        nonce=secrets.token_hex(8),
    )
