"""The first page: the sentence, the ladder, what stands, the last day; and the small JSON by which it stays live."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence

from flask import Blueprint, Response, abort, current_app, render_template, request
from markupsafe import Markup

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.readings import CURVES
from condenser_monitor.monitor.core.records import ChangeKind, worst
from condenser_monitor.monitor.drawing import ladder, strip_chart
from condenser_monitor.monitor.drawing.wiring import blinded, rows
from condenser_monitor.monitor.storage import models
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.translate import reader
from condenser_monitor.web.context import PageContext, PageSnapshot, page_context

pages = Blueprint("pages", __name__)
TICKS = 5  # words of an axis that have room side by side on a phone
_DAY_S = limits.WEB.day_s.value


@pages.get("/")
def status() -> str:
    """The page as it stands."""
    seen = page_context().look()
    made = {name: Markup(part(seen)) for name, part in PARTS.items()}  # noqa: S704 - our own templates' output
    unit = page_context().settings.unit
    lost = "" if seen.status is None else Markup(ladder.svg(blinded(seen.status), unit, name="lost"))  # noqa: S704
    marks = {name: digest(html) for name, html in made.items()}
    wanted = page_context().setup_wanted()
    return render_template("status.html", parts=made, marks=marks, lost=lost, setup_wanted=wanted)


@pages.get("/live.json")
def live() -> Response:
    """A mark for each part of the page: a part whose mark has changed is fetched again. Carries an ETag."""
    seen = page_context().look()
    body = current_app.json.dumps({name: digest(part(seen)) for name, part in PARTS.items()})
    answer = Response(body, mimetype="application/json")
    answer.set_etag(digest(body))
    answer.make_conditional(request.environ)
    return answer


@pages.get("/part/<name>")
def part(name: str) -> str:
    """One part of the page."""
    if name not in PARTS:
        abort(404)
    return PARTS[name](page_context().look())


def digest(html: str) -> str:
    """A short mark of a part's content."""
    return hashlib.blake2b(html.encode(), digest_size=9).hexdigest()


# ---------------------------------------------------------------- the parts


def _made(template: str, **values: object) -> str:
    """A part out of its template; without what whole pages are given, as who may see what is not asked in it."""
    found = page_context()
    return current_app.jinja_env.get_template(template).render(now_s=found.wall(), unit=found.settings.unit, **values)


def _state(seen: PageSnapshot) -> str:
    return _made("part_state.html", calm=seen.calm)


def _say(seen: PageSnapshot) -> str:
    found = page_context()
    return _made("part_say.html", saying=found.saying(seen), seen=seen, notify=found.settings.notify)


def _ladder(seen: PageSnapshot) -> str:
    if seen.status is None:
        return _made("part_ladder.html", svg="", rows=(), seen=seen)
    shown = blinded(seen.status) if seen.blind else seen.status
    svg = Markup(ladder.svg(shown, page_context().settings.unit))  # noqa: S704 - drawn by us, its words escaped
    return _made("part_ladder.html", svg=svg, rows=rows(shown), said=ladder.state_words, seen=seen)


def _standing(seen: PageSnapshot) -> str:
    found = () if seen.status is None else seen.status.findings
    first = worst(found)
    ordered = sorted(found, key=lambda finding: finding is not first)
    name = "" if first is None else first.name
    return _made(
        "part_standing.html", findings=ordered, first=name, offers=page_context().offers(seen.status), seen=seen
    )


def _figures(seen: PageSnapshot) -> str:
    readings = {} if seen.status is None or seen.blind else seen.status.readings
    known = {} if seen.status is None else seen.status.uncertainty
    scale = page_context().scale()
    shown = [
        (texts.NAMES[name], time_format.reading(name, value, scale, known.get(name)))
        for name, value in readings.items()
    ]
    return _made("part_figures.html", shown=shown, stated=bool(readings and known))


def _day(seen: PageSnapshot) -> str:
    # To the full ten seconds, so that the picture is not another one at every look.
    to_s = page_context().wall() // 10 * 10
    found = page_context()
    key = (to_s, reader(), seen.blind, () if seen.status is None else (seen.status.links, len(seen.status.findings)))
    kept = found.day
    if kept is None or kept[0] != key:
        # Every open page asks for it every other second, and it is the dearest part of the page.
        kept = found.day = (key, day_svg(found, to_s - _DAY_S, to_s, seen))
    return _made("part_day.html", svg=Markup(kept[1]))  # noqa: S704 - drawn by us, its words escaped


PARTS: dict[str, Callable[[PageSnapshot], str]] = {
    "state": _state,
    "say": _say,
    "ladder": _ladder,
    "standing": _standing,
    "figures": _figures,
    "day": _day,
}


def day_svg(found: PageContext, from_s: float, to_s: float, seen: PageSnapshot) -> str:
    """Lanes, currents and findings of a span."""
    points = int(limits.WEB.points.value)
    curves = found.history.curves(tuple(CURVES.values()), from_s, to_s, points)
    return lanes_svg(found, strip_chart.StripSpan(from_s, to_s, time_format.moment), seen, curves)


def lanes_svg(
    found: PageContext,
    span: strip_chart.StripSpan,
    seen: PageSnapshot,
    curves: Mapping[str, Sequence[models.StoredPoint]],
) -> str:
    """The same of curves that are at hand."""
    axis = time_format.ticks(span.from_s, span.to_s, most=TICKS)
    stretches = models.ended(found.history.lanes(span.from_s, span.to_s), last_s(seen))
    return strip_chart.svg(stretches, curves, span, axis, flags(found, span.from_s, span.to_s))


def last_s(seen: PageSnapshot) -> float | None:
    """The last moment of which the lanes can tell, where the monitor is blind; None while it is not."""
    if not seen.blind:
        return None
    return 0.0 if seen.status is None or seen.status.wall_s is None else seen.status.wall_s


def flags(found: PageContext, from_s: float, to_s: float) -> list[strip_chart.StripMark]:
    """The findings raised in a span, as marks on the axis of time."""
    return [
        strip_chart.StripMark(wall_s, texts.FINDINGS[change.finding].headline, change.severity.value)
        for wall_s, change in found.history.changes(from_s, to_s, limit=500)
        if change.change is ChangeKind.RAISED
    ]
