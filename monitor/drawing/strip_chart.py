"""The lanes: call, contacts, compressor and fan over a span of time, with the currents, as one server-drawn SVG.

Pure. The picture has no view box: widths are shares of whatever width it is given, heights are fixed, so that the words
stay readable on a phone and on a desk. Lit stretches are solid bars, dead ones a thin line, unknown ones hatched.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from itertools import repeat
from typing import NamedTuple

from condenser_monitor.monitor.core.readings import CURVES
from condenser_monitor.monitor.core.records import LinkState
from condenser_monitor.monitor.drawing.axes import grid, running_axis, scale, values
from condenser_monitor.monitor.drawing.timeline import at_edges, lane_title, step_s, summary
from condenser_monitor.monitor.storage.models import LANES, Lane, StoredPoint
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.strings.lookup import plain
from condenser_monitor.monitor.strings.time_format import utc_offsets
from condenser_monitor.monitor.strings.translate import reader

_PLAIN, _TALL, _GAP, _TOP = 18.0, 68.0, 30.0, 26.0
_STRIP = 8.0  # the part of a tall lane over its scale, for the marks of peaks
_TOUCH = 1.2  # per cent of the width


class StripMark(NamedTuple):
    """Something that happened at one moment: a finding raised or cleared, a note."""

    wall_s: float
    words: str
    kind: str


class Places(NamedTuple):
    """Where stretches have their left ends, their middles and their right ends, as written in a picture."""

    lefts: list[str]
    middles: list[str]
    rights: list[str]


@dataclass(frozen=True, slots=True)
class StripSpan:
    """A stretch of wall time and how a moment of it is written. What several curves and lanes drawn over it have in
    common is worked out once, and goes with it."""

    from_s: float
    to_s: float
    clock: Callable[[float], str]
    unit: str = ""  # of what stands in place of time; "" for a time
    _moments: dict[float, str] = field(default_factory=dict, compare=False, repr=False)
    _places: dict[object, Places] = field(default_factory=dict, compare=False, repr=False)

    def share(self, wall_s: float) -> float:
        """Where a moment lies, in per cent of the width, held to the ends."""
        return self.shares((wall_s,))[0]

    def shares(self, moments: Iterable[float]) -> list[float]:
        """The same of many moments."""
        from_s, length_s = self.from_s, self.to_s - self.from_s
        parts = [(at_s - from_s) / length_s for at_s in moments]
        return [round(100 * (0.0 if part < 0 else 1.0 if part > 1 else part), 3) for part in parts]

    def moment(self, wall_s: float) -> str:
        """A moment as it is written: a stretch begins when the one before it ends, and often with those of others."""
        found = self._moments.get(wall_s)
        if found is None:
            found = self._moments[wall_s] = self.clock(wall_s)
        return found

    def attributes(self) -> str:
        """Return what a cursor needs to say where it is (charts.js): ends, and how local time is told."""
        hint = f' data-hint="{escape(plain("chart-hint"))}"'
        if self.unit:
            return f'{hint} data-from="{self.from_s:.2f}" data-to="{self.to_s:.2f}" data-unit="{escape(self.unit)}"'
        ends = f'{hint} data-from="{self.from_s:.0f}" data-to="{self.to_s:.0f}"'
        zones = ",".join(f"{at_s:.0f}:{offset_s:.0f}" for at_s, offset_s in utc_offsets(self.from_s, self.to_s))
        return f'{ends} data-zone="{zones}" data-clock="{reader().clock}"'

    def places(self, begun: Sequence[float], step_s: float) -> Places:
        """Where stretches of `step_s` lie in a width of 1000."""
        key = (tuple(begun), step_s)
        found = self._places.get(key)
        if found is None:
            half = 500 * step_s / (self.to_s - self.from_s)
            lefts = [share * 10 + half for share in self.shares(begun)]
            middles = [share * 10 for share in self.shares([at_s + step_s / 2 for at_s in begun])]
            found = self._places[key] = Places(
                [f"{x - half:.1f}" for x in lefts],
                [f"{x:.1f}" for x in middles],
                [f"{x + half:.1f}" for x in lefts],
            )
        return found


def svg(
    lanes: Sequence[Lane],
    curves: Mapping[str, Sequence[StoredPoint]],
    span: StripSpan,
    ticks: Sequence[tuple[float, str]],
    marks: Sequence[StripMark] = (),
    *,
    name: str = "day",
) -> str:
    """The lanes over `span`. `curves`: reading -> points; `ticks`: moments and their words, for the axis of time."""
    y = _TOP
    body = _marks(marks, span)
    for lane in LANES:
        height = _TALL if curves.get(CURVES.get(lane, "")) else _PLAIN
        stretches = [row for row in lanes if row.name == lane]
        body += _lane(lane, stretches, span, (y + 16, height), name) + _curve(
            lane, stretches, curves, span, (y + 16, height)
        )
        y += height + _GAP
    total = y + 18
    axis = time_marks(ticks, span, _TOP - 4, y - 12, total - 14)
    description = summary(lanes, span)
    return (
        f'<svg class="lanes" width="100%" height="{total:g}" role="img" aria-labelledby="{name}-title {name}-desc" '
        f'id="{name}"{span.attributes()} '
        'xmlns="http://www.w3.org/2000/svg" font-family="system-ui, sans-serif" font-size="13">'
        f'<title id="{name}-title">{escape(plain("what-ran"))}</title>'
        f'<desc id="{name}-desc">{escape(description)}</desc>'
        f'<defs><pattern id="{name}-hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="2" height="7" class="hatch" fill="#886"/></pattern></defs>'
        f"{axis}{body}</svg>"
    )


def _lane(lane: str, stretches: Sequence[Lane], span: StripSpan, box: tuple[float, float], name: str) -> str:
    title = lane_title(lane)
    named = f'<text x="0" y="{box[0] - 5:g}" class="lane-name">{escape(title)}</text>'
    ends = [span.to_s if row.to_wall_s is None else row.to_wall_s for row in stretches]
    shares = zip(span.shares([row.from_wall_s for row in stretches]), span.shares(ends), strict=True)
    states = [texts.WORDS[f"state-{row.state.value}"] for row in stretches]
    description = [
        plain("lane-stretch", lane=title, state=state, begin=span.moment(row.from_wall_s), end=span.moment(end_s))
        for row, state, end_s in zip(stretches, states, ends, strict=True)
    ]
    return named + "".join(map(_stretch, stretches, description, shares, repeat(box), repeat(name)))


def _stretch(row: Lane, description: str, shares: tuple[float, float], box: tuple[float, float], name: str) -> str:
    (start, end), (y, height) = shares, box
    # A run of seconds must still be seen in the picture of a day.
    width = max(end - start, 0.25)
    if row.state is LinkState.DEAD:
        line = f'<line x1="{start}%" x2="{end}%" y1="{y + height:g}" y2="{y + height:g}" class="lane-ground"/>'
        return line.replace("/>", f"><title>{escape(description)}</title></line>")
    fill = f'fill="url(#{name}-hatch)"' if row.state is LinkState.UNKNOWN else 'fill="#7bb"'
    return (
        f'<rect x="{start}%" y="{y:g}" width="{width:.3f}%" height="{height:g}" class="l-{row.state.value}" {fill}>'
        f"<title>{escape(description)}</title></rect>"
    )


def _curve(
    lane: str,
    stretches: Sequence[Lane],
    curves: Mapping[str, Sequence[StoredPoint]],
    span: StripSpan,
    box: tuple[float, float],
) -> str:
    """A current over its lane, with the lane's own edges. The scale is that of the run: a start's peak goes over it,
    and is marked in the strip above; how high the highest went is said beside the same mark."""
    points = curves.get(CURVES.get(lane, ""), ())
    if not points:
        return ""
    y, height = box
    axis, box_height, most = running_axis(points, "A"), height - _STRIP, max([point.high for point in points])
    peaks = [point for point in points if point.high > axis.high]
    step = step_s(points)
    edged = at_edges(points, stretches, step)
    held = [point._replace(mean=min(point.mean, axis.high)) for point in edged] if peaks else edged
    shape = path(held, span, axis.high, step)
    at_most = plain("up-to", value=f"{most:.1f}")
    title = texts.capital(texts.NAMES[CURVES[lane]])

    def place(value: float) -> float:
        return y + _STRIP + box_height * (98 - 94 * value / axis.high) / 100

    return (
        f"{grid(axis, place)}{values(axis, place)}"
        f'<svg x="0" y="{y + _STRIP:g}" width="100%" height="{box_height:g}" viewBox="0 0 1000 100" '
        f'preserveAspectRatio="none"><path d="{shape}"{scale(axis, title)} class="curve" fill="none" stroke="#333" '
        f'stroke-width="1.6" vector-effect="non-scaling-stroke"/></svg>{_peaks(peaks, step, span, y)}'
        f'<text x="100%" y="{y - 5:g}" text-anchor="end" class="lane-note">{"▲ " * bool(peaks)}{escape(at_most)}</text>'
    )


def _peaks(peaks: Sequence[StoredPoint], step: float, span: StripSpan, y: float) -> str:
    """A mark for each point that goes over the scale, pointing up; those that would touch share one."""
    drawn, groups = "", list[list[StoredPoint]]()
    for point in peaks:
        if groups and span.share(point.wall_s) - span.share(groups[-1][0].wall_s) < _TOUCH:
            groups[-1].append(point)
        else:
            groups.append([point])
    for group in groups:
        x, most = span.share(group[0].wall_s + step / 2), max([point.high for point in group])
        description = f"{span.moment(group[0].wall_s)}: {plain('up-to', value=f'{most:.1f}')}"
        drawn += (
            f'<svg x="{x}%" y="{y + 1:g}" width="1" height="7" overflow="visible">'
            f'<path d="M0 0l3.5 6h-7z" class="peak"/><title>{escape(description)}</title></svg>'
        )
    return drawn


def path(
    points: Sequence[StoredPoint], span: StripSpan, top: float, step: float, low: float = 0.0, *, held: bool = True
) -> str:
    """Means in a space of 1000 by 100, each held over its own stretch, so that a motor that starts draws an edge and no
    ramp (else a line through their middles); broken where readings miss. A point ends where the next begins."""
    drawn, was_s, longest, height = [], float("-inf"), 3.5 * step, top - low
    lefts, middles, rights = span.places([point.wall_s for point in points], step)
    nexts = [*(point.wall_s for point in points[1:]), float("inf")]
    rights = [
        after if next_s < point.wall_s + 0.99 * step else right
        for point, next_s, right, after in zip(points, nexts, rights, [*lefts[1:], ""], strict=False)
    ]
    for (wall_s, mean, _, _), left, middle, right in zip(points, lefts, middles, rights, strict=True):
        y, on = f"{98 - 94 * (mean - low) / height:.1f}", wall_s - was_s <= longest
        if held:
            drawn.append(f"H{left}V{y}H{right}" if on else f"M{left} {y}H{right}")
        else:
            drawn.append(f"{'L' if on else 'M'}{middle} {y}")
        was_s = wall_s
    return "".join(drawn)


def time_marks(ticks: Sequence[tuple[float, str]], span: StripSpan, top: float, bottom: float, words_y: float) -> str:
    """Return the lines of the axis of time from `top` to `bottom`, each with its words at `words_y`."""
    drawn = ""
    for wall_s, words in ticks:
        x = span.share(wall_s)
        anchor = "start" if x < 6 else "end" if x > 94 else "middle"
        drawn += f'<line x1="{x}%" x2="{x}%" y1="{top:g}" y2="{bottom:g}" class="tick"/>'
        drawn += f'<text x="{x}%" y="{words_y:g}" text-anchor="{anchor}" class="lane-note">{escape(words)}</text>'
    return drawn


def _marks(marks: Sequence[StripMark], span: StripSpan) -> str:
    drawn = ""
    for mark in marks:
        x = span.share(mark.wall_s)
        description = f"{span.moment(mark.wall_s)}: {mark.words}"
        drawn += (
            f'<svg x="{x}%" y="2" width="1" height="18" overflow="visible" class="mark-{mark.kind}">'
            f'<path d="M0 16l-7 -14h14z" class="flag"/><title>{escape(description)}</title></svg>'
        )
    return drawn
