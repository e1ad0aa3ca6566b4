"""Plots over time, drawn on the server: a curve with its spread, and bars by day. Pure; SVG without a view box, so that
widths follow the page and words keep their size."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from typing import NamedTuple

from condenser_monitor.monitor.drawing.axes import (
    Axis,
    grid,
    round_step,
    scale,
    values,
)
from condenser_monitor.monitor.drawing.strip_chart import StripSpan, path, time_marks
from condenser_monitor.monitor.drawing.timeline import at_edges, step_s
from condenser_monitor.monitor.storage.models import Lane, StoredPoint
from condenser_monitor.monitor.strings.lookup import plain

_TOP, _FOOT = 8.0, 22.0


class Bar(NamedTuple):
    """One day: its words, its value (None: nothing was recorded), and what to say of it in full."""

    words: str
    value: float | None
    description: str


def curve(
    points: Sequence[StoredPoint],
    span: StripSpan,
    axis: Axis,
    ticks: Sequence[tuple[float, str]],
    *,
    title: str,
    name: str,
    height: float = 130.0,
    held: bool = True,
    lanes: Sequence[Lane] = (),
) -> str:
    """Means as a line over the band from lowest to highest; `held` as in `path`; `lanes` give it their edges."""
    step = step_s(points)
    line = path(at_edges(points, lanes, step) if lanes else points, span, axis.high, step, axis.low, held=held)
    plot = height - _TOP - _FOOT
    description = _describe(points, axis)
    body = (
        f'<svg x="0" y="{_TOP:g}" width="100%" height="{plot:g}" viewBox="0 0 1000 100" preserveAspectRatio="none">'
        f'<path d="{_band(points, span, axis, step)}" class="band" fill="#bbb"/>'
        f'<path d="{line}"{scale(axis, title)} class="curve" fill="none" stroke="#333" stroke-width="1.6" '
        'vector-effect="non-scaling-stroke"/></svg>'
    )
    y = _place(axis, plot)
    drawn = grid(axis, y) + time_marks(ticks, span, _TOP, _TOP + plot, height - 4) + body + values(axis, y)
    return _frame(name, title, description, height, drawn, cursor=span.attributes())


def _describe(points: Sequence[StoredPoint], axis: Axis) -> str:
    if not points:
        return plain("plot-none")
    low, high = min([point.low for point in points]), max([point.high for point in points])
    low_, high_, last = (f"{value:.1f}" for value in (low, high, points[-1].mean))
    return plain("plot-told", low=low_, high=high_, last=last, unit=axis.unit)


def _band(points: Sequence[StoredPoint], span: StripSpan, axis: Axis, step: float) -> str:
    """Upright strokes from lowest to highest, one a point, as wide as a point."""
    least, height, drawn = axis.low, axis.high - axis.low, []
    lefts, _, rights = span.places([point.wall_s for point in points], step)
    for (_, _, low, high), left, right in zip(points, lefts, rights, strict=True):
        top, foot = 98 - 94 * (high - least) / height, 98 - 94 * (low - least) / height
        drawn.append(f"M{left} {top:.1f}H{right}V{foot:.1f}H{left}z")
    return "".join(drawn)


def _place(axis: Axis, plot: float) -> Callable[[float], float]:
    """Where a value lies in a picture."""
    return lambda value: _TOP + plot * (98 - 94 * (value - axis.low) / (axis.high - axis.low)) / 100


def bars(days: Sequence[Bar], unit: str, *, title: str, name: str, height: float = 150.0) -> str:
    """One bar a day, the oldest first."""
    most = max((day.value or 0.0 for day in days), default=0.0) or 1.0
    step = round_step(most / 4)
    axis = Axis(0.0, step * -(-most // step), unit)
    plot, width = height - _TOP - _FOOT, 100 / max(1, len(days))
    every = max(1, -(-len(days) // 5))
    y = _place(axis, plot)
    body = grid(axis, y)
    for place, day in enumerate(days):
        tall = plot * 0.94 * (day.value or 0.0) / axis.high
        x, foot = place * width, _TOP + plot * 0.98
        body += (
            f'<rect x="{x + width * 0.12:.2f}%" width="{width * 0.76:.2f}%" y="{foot - tall:.1f}" height="{tall:.1f}" '
            f'class="bar" fill="#7bb"><title>{escape(day.description)}</title></rect>'
        )
        if place % every == 0:
            body += _under(day.words, x, width, height)
    body += values(axis, y)
    hint = f' data-hint="{escape(plain("chart-hint"))}"'
    return _frame(
        name,
        title,
        "; ".join(day.description for day in days if day.value is not None) + ".",
        height,
        body,
        cursor=hint,
    )


def _under(words: str, x: float, width: float, height: float) -> str:
    """The words under a bar, held within the picture."""
    anchor = "start" if x < 6 else "end" if x > 88 else "middle"
    at = {"start": x, "middle": x + width / 2, "end": x + width}[anchor]
    return f'<text x="{at:.2f}%" y="{height - 4:g}" text-anchor="{anchor}" class="lane-note">{escape(words)}</text>'


def _frame(name: str, title: str, description: str, height: float, body: str, *, cursor: str) -> str:
    return (
        f'<svg class="plot lanes" width="100%" height="{height:g}" role="img" id="{name}"{cursor} '
        f'aria-labelledby="{name}-title {name}-desc" xmlns="http://www.w3.org/2000/svg" '
        'font-family="system-ui, sans-serif" font-size="13">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-desc">{escape(description)}</desc>'
        f"{body}</svg>"
    )
