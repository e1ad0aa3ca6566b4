"""A drawing as a list of shapes, told apart from how it is written: the same picture goes into HTML and into the PDF.

Pure. Coordinates are points, y down. `as_svg` writes one; report/pdf.py draws the same shapes on a page.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Literal, NamedTuple

INK, SOFT, GRID, LIVE, BAND, BREAK = "#1d2226", "#5a636b", "#d5d2ca", "#0b6b57", "#bcd8d0", "#a8201a"
Anchor = Literal["start", "middle", "end"]


class Line(NamedTuple):
    x1: float
    y1: float
    x2: float
    y2: float
    colour: str = INK
    width: float = 1.0
    dash: tuple[float, ...] = ()


class Rect(NamedTuple):
    x: float
    y: float
    width: float
    height: float
    fill: str = ""
    colour: str = ""
    stroke: float = 1.0
    dash: tuple[float, ...] = ()


class Curve(NamedTuple):
    """A line through points; several stretches where readings are missing in between."""

    stretches: tuple[tuple[tuple[float, float], ...], ...]
    colour: str = INK
    width: float = 1.0


class Text(NamedTuple):
    x: float
    y: float
    words: str
    size: float = 8.0
    anchor: Anchor = "start"
    colour: str = INK
    bold: bool = False


Shape = Line | Rect | Curve | Text


class Drawing(NamedTuple):
    """A picture of `width` by `height` points. `description` says in words what it shows, for who cannot see it."""

    title: str
    description: str
    width: float
    height: float
    shapes: tuple[Shape, ...]


def as_svg(drawing: Drawing, name: str) -> str:
    """The drawing as an SVG element that scales with the page; `name` keeps its ids apart."""
    body = "".join(_shape(shape) for shape in drawing.shapes)
    description = (
        f'<title id="{name}-t">{escape(drawing.title)}</title><desc id="{name}-d">{escape(drawing.description)}</desc>'
    )
    return (
        f'<svg viewBox="0 0 {drawing.width:g} {drawing.height:g}" role="img" xmlns="http://www.w3.org/2000/svg" '
        f'aria-labelledby="{name}-t {name}-d" font-family="Helvetica, Arial, sans-serif">'
        f"{description}{body}</svg>"
    )


def _shape(shape: Shape) -> str:
    match shape:
        case Line():
            return _line(shape)
        case Rect():
            return _rect(shape)
        case Curve():
            return _curve(shape)
        case Text():
            return _text(shape)


def _dashes(dash: Sequence[float]) -> str:
    return f' stroke-dasharray="{" ".join(f"{part:g}" for part in dash)}"' if dash else ""


def _line(line: Line) -> str:
    return (
        f'<line x1="{line.x1:.1f}" y1="{line.y1:.1f}" x2="{line.x2:.1f}" y2="{line.y2:.1f}" stroke="{line.colour}" '
        f'stroke-width="{line.width:g}"{_dashes(line.dash)}/>'
    )


def _rect(rect: Rect) -> str:
    outline = f'stroke="{rect.colour}" stroke-width="{rect.stroke:g}"{_dashes(rect.dash)}' if rect.colour else ""
    return (
        f'<rect x="{rect.x:.1f}" y="{rect.y:.1f}" width="{rect.width:.1f}" height="{rect.height:.1f}" '
        f'fill="{rect.fill or "none"}" {outline}/>'
    )


def _curve(curve: Curve) -> str:
    drawn = "".join("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in stretch) for stretch in curve.stretches)
    return (
        f'<path d="{drawn}" fill="none" stroke="{curve.colour}" stroke-width="{curve.width:g}" '
        'stroke-linejoin="round" stroke-linecap="round"/>'
    )


def _text(text: Text) -> str:
    weight = ' font-weight="700"' if text.bold else ""
    return (
        f'<text x="{text.x:.1f}" y="{text.y:.1f}" font-size="{text.size:g}" fill="{text.colour}" '
        f'text-anchor="{text.anchor}"{weight}>{escape(text.words)}</text>'
    )
