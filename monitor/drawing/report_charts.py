"""The report's pictures: the chain as it stands, what ran when, and readings over time. Pure; shapes out.

Nothing is told by colour alone: what is live is a heavy box or a full bar, what is dead a thin line, what is not known
is dotted, and the break is named in words.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from math import floor, log10
from typing import NamedTuple

from condenser_monitor.monitor.core.readings import SHOWN
from condenser_monitor.monitor.core.records import LinkState, UnitStatus
from condenser_monitor.monitor.drawing.shapes import (
    BAND,
    BREAK,
    GRID,
    INK,
    LIVE,
    SOFT,
    Curve,
    Drawing,
    Line,
    Rect,
    Shape,
    Text,
)
from condenser_monitor.monitor.drawing.timeline import step_s, summary
from condenser_monitor.monitor.storage.models import LANES, Lane, StoredPoint
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.strings.report import say

WIDTH = 500.0
_LEFT, _RIGHT = 62.0, WIDTH - 6.0
_FLAT = 0.01  # less than any sense resolves
_ROWS = (("control-power", "thermostat-call", "call", "coil-current"), ("line-supply", "contacts", "compressor", "fan"))


class PlotSpan(NamedTuple):
    """A stretch of wall time; `ticks` are round moments in it with their words."""

    from_s: float
    to_s: float
    ticks: tuple[tuple[float, str], ...] = ()

    def x(self, wall_s: float) -> float:
        """Where a moment lies, held to the ends."""
        part = (wall_s - self.from_s) / (self.to_s - self.from_s)
        return _LEFT + (_RIGHT - _LEFT) * min(1.0, max(0.0, part))


# ---------------------------------------------------------------- the chain


def chain(status: UnitStatus, *, blind: bool) -> Drawing:
    """The eight links in two rows, control side and line side. `blind`: the status is too old to be believed."""
    views = {view.name: view for view in status.links}
    shapes: list[Shape] = []
    description = []
    for row, names in enumerate(_ROWS):
        y = 16.0 + row * 70.0
        shapes.append(Text(0, y - 5, say(("control-side", "line-side")[row]), 7.5, colour=SOFT))
        for place, name in enumerate(names):
            view = views.get(name)
            state = LinkState.UNKNOWN if view is None or blind else view.state
            x = place * 127.0 + 0.5
            shapes += _joint(name, x, y) if place else []
            broken = name == status.break_at and not blind
            words = _state_words(name, state, sensed=view is not None and view.sense is not None)
            lines = (texts.LINKS[name].title, words, _value(name, status, blind=blind))
            shapes += _box(state, (x, y), lines, broken=broken)
            description.append(f"{texts.LINKS[name].title}: {words}" + (", " + say("the-break") if broken else ""))
    return Drawing(say("chain"), "; ".join(description) + ".", WIDTH, 138.0, tuple(shapes))


def _joint(name: str, x: float, y: float) -> list[Shape]:
    """What joins a box to the one before; the fan hangs behind the contacts, beside the compressor."""
    if name != "fan":
        return [Line(x - 8, y + 21, x, y + 21, width=1.2)]
    behind_contacts, foot = x - 127.0 - 4, y + 49
    corners = ((behind_contacts, y + 21), (behind_contacts, foot), (x - 4, foot), (x - 4, y + 21), (x, y + 21))
    return [Line(*a, *b, width=1.2) for a, b in pairwise(corners)]


def _state_words(name: str, state: LinkState, *, sensed: bool) -> str:
    if state is LinkState.UNKNOWN:
        return texts.WORDS["no-reading" if sensed else "not-sensed"]
    link = texts.LINKS[name]
    return link.live if state is LinkState.LIVE else link.dead


def _value(name: str, status: UnitStatus, *, blind: bool) -> str:
    reading = next(iter(SHOWN.get(name, ())), "")
    value = status.readings.get(reading)
    return "" if value is None or blind else texts.value_words(reading, value)


def _box(state: LinkState, at: tuple[float, float], lines: tuple[str, str, str], *, broken: bool) -> list[Shape]:
    x, y = at
    looks = {LinkState.LIVE: (LIVE, 2.4, ()), LinkState.DEAD: (SOFT, 0.8, ()), LinkState.UNKNOWN: (SOFT, 0.8, (2, 2))}
    colour, stroke, dash = looks[state]
    shapes: list[Shape] = [
        Rect(x, y, 118, 42, colour=colour, stroke=stroke, dash=dash),
        Text(x + 7, y + 13, lines[0], 8.5, bold=True),
        Text(x + 7, y + 25, lines[1], 8, colour=colour if state is LinkState.LIVE else INK),
        Text(x + 7, y + 36, lines[2], 8),
    ]
    if broken:
        shapes += [
            Rect(x - 2.5, y - 2.5, 124, 47, colour=BREAK, stroke=1.6, dash=(5, 3)),
            Rect(x + 56, y + 29, 62, 13, fill=BREAK),
            Text(x + 87, y + 38.5, texts.WORDS["mark-break"], 8, "middle", "#ffffff", True),
        ]
    return shapes


# ---------------------------------------------------------------- what ran when


class PlotMark(NamedTuple):
    """A finding raised at a moment, with the number of its episode in the story."""

    wall_s: float
    number: int


def lanes(rows: Iterable[Lane], span: PlotSpan, marks: Sequence[PlotMark] = (), *, title: str) -> Drawing:
    """Call, contacts, compressor and fan over a span, with flags where findings were raised."""
    rows = list(rows)
    top, step, height = 20.0, 19.0, 12.0
    bottom = top + step * len(LANES)
    shapes = _ticks(span, top, bottom)
    for place, name in enumerate(LANES):
        y = top + step * place
        shapes.append(Text(0, y + 10, texts.LINKS[name].title, 8))
        for row in rows:
            if row.name == name:
                shapes += _stretch(row, span, y, height)
    shapes += _flags(marks, span, bottom)
    return Drawing(title, summary(rows, span), WIDTH, bottom + 16, tuple(shapes))


def _stretch(row: Lane, span: PlotSpan, y: float, height: float) -> list[Shape]:
    left, right = span.x(row.from_wall_s), span.x(span.to_s if row.to_wall_s is None else row.to_wall_s)
    if row.state is LinkState.LIVE:
        return [Rect(left, y, max(right - left, 0.7), height, fill=LIVE)]
    if row.state is LinkState.DEAD:
        return [Line(left, y + height, right, y + height, SOFT, 0.6)]
    return [Rect(left, y + 2, max(right - left, 0.7), height - 3, colour=SOFT, stroke=0.6, dash=(1.5, 1.5))]


def _flags(marks: Sequence[PlotMark], span: PlotSpan, bottom: float) -> list[Shape]:
    """A line where a finding came, with its number; a tick where it came again. Numbers that would touch are joined."""
    shapes: list[Shape] = []
    labels: list[tuple[float, str]] = []
    seen: set[int] = set()
    for mark in sorted(marks):
        x = span.x(mark.wall_s)
        if mark.number in seen:
            shapes.append(Line(x, 14, x, 19, BREAK, 0.8))
            continue
        seen.add(mark.number)
        shapes.append(Line(x, 12, x, bottom, BREAK, 0.8, (2, 1.5)))
        if labels and x - labels[-1][0] < 8 + 5 * len(labels[-1][1]):
            at, words = labels[-1]
            labels[-1] = (at, f"{words.split('–')[0]}–{mark.number}")
        else:
            labels.append((x, str(mark.number)))
    return shapes + [Text(x, 10, words, 8, "middle", BREAK, bold=True) for x, words in labels]


# ---------------------------------------------------------------- readings over time


class Trace(NamedTuple):
    """One reading: its words, its unit, its points, and whether the axis begins at zero."""

    title: str
    unit: str
    points: Sequence[StoredPoint]
    from_zero: bool = True
    convert: Callable[[float], float] = float


def trace(one: Trace, span: PlotSpan, marks: Sequence[PlotMark] = (), *, height: float = 62.0) -> Drawing:
    """Means as a line over the band from lowest to highest."""
    top, bottom = 14.0, 14.0 + height
    values = [(p.wall_s, one.convert(p.mean), one.convert(p.low), one.convert(p.high)) for p in one.points]
    low, high = axis([low for *_, low, _ in values], [high for *_, high in values], from_zero=one.from_zero)

    def y(value: float) -> float:
        return bottom - (bottom - top) * (value - low) / (high - low)

    shapes = _ticks(span, top, bottom)
    for value in (low, (low + high) / 2, high):
        shapes.append(Line(_LEFT, y(value), _RIGHT, y(value), GRID, 0.5))
        shapes.append(Text(_LEFT - 4, y(value) + 2.6, f"{value:g}", 7, "end", SOFT))
    shapes.append(Text(_LEFT, top - 4, f"{one.title}, {one.unit}", 8))
    usual_s = step_s(one.points)
    wide = max(0.4, span.x(span.from_s + usual_s) - span.x(span.from_s))
    shapes += [
        Rect(span.x(at), y(most), wide, max(0.4, y(least) - y(most)), fill=BAND) for at, _, least, most in values
    ]
    shapes.append(Curve(_stretches([(at, mean) for at, mean, *_ in values], span, y, usual_s), INK, 0.9))
    firsts = {mark.number: mark.wall_s for mark in sorted(marks, reverse=True)}
    shapes += [Line(span.x(at), top, span.x(at), bottom, BREAK, 0.8, (2, 1.5)) for at in firsts.values()]
    return Drawing(one.title, _range(values, one), WIDTH, bottom + 14, tuple(shapes))


def _range(values: Sequence[tuple[float, float, float, float]], one: Trace) -> str:
    if not values:
        return say("no-readings", name=one.title)
    low, high = min(low for *_, low, _ in values), max(high for *_, high in values)
    return say("range", name=one.title, low=f"{low:.1f}", high=f"{high:.1f}", unit=one.unit)


def _stretches(
    points: Sequence[tuple[float, float]], span: PlotSpan, y: Callable[[float], float], usual_s: float
) -> tuple[tuple[tuple[float, float], ...], ...]:
    found: list[list[tuple[float, float]]] = []
    was_s = None
    for at_s, value in points:
        if was_s is None or at_s - was_s > 3.5 * usual_s:
            found.append([])
        found[-1].append((span.x(at_s + usual_s / 2), y(value)))
        was_s = at_s
    return tuple(tuple(stretch) for stretch in found)


def axis(lows: Sequence[float], highs: Sequence[float], *, from_zero: bool) -> tuple[float, float]:
    """Round ends of an axis that hold all values."""
    low = 0.0 if from_zero else min(lows, default=0.0)
    high = max(highs, default=1.0)
    rough = (high - low if high - low >= _FLAT else 1.0) / 2
    power = 10.0 ** floor(log10(rough))
    step = next(power * times for times in (1, 2, 5, 10) if power * times >= rough * (1 - 1e-9))
    begin = step * floor(low / step)
    end = begin + 2 * step
    while end < high - 1e-9:
        end += step
    return begin, end


def _ticks(span: PlotSpan, top: float, bottom: float) -> list[Shape]:
    shapes: list[Shape] = []
    for wall_s, words in span.ticks:
        x = span.x(wall_s)
        shapes.append(Line(x, top, x, bottom + 2, GRID, 0.5))
        anchor = "end" if x > _RIGHT - 12 else "start" if x < _LEFT + 8 else "middle"
        shapes.append(Text(x, bottom + 10, words, 7, anchor, SOFT))  # type: ignore[arg-type]
    return shapes
