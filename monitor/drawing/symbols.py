"""Schematic symbols as SVG, each drawn about a point of the ladder.

The forms are those of IEC 60617 (make contact with a hinged blade, contactor's half-circle, temperature, float and
pressure operated switches, motor circle, windings) with NEMA ICS 19's coil circle and overload heater. Each takes the
class of its state, so that a style sheet may colour it; line width and dashes are attributes and show without one.
"""

from __future__ import annotations

from condenser_monitor.monitor.core.records import LinkState

# state -> (line width, dashes): lit parts are heavy, dead ones thin, unknown ones dotted. Never by colour alone.
_LINES: dict[LinkState, tuple[str, str]] = {
    LinkState.LIVE: ("4", ""),
    LinkState.DEAD: ("1.6", ""),
    LinkState.UNKNOWN: ("2.2", ' stroke-dasharray="0.1 5"'),
}
Point = tuple[float, float]


def pen(state: LinkState) -> str:
    """The attributes with which everything of this state is drawn."""
    width, dashes = _LINES[state]
    return (
        f'class="s-{state.value}" fill="none" stroke="#555" stroke-width="{width}"{dashes} '
        'stroke-linecap="round" stroke-linejoin="round"'
    )


def wire(state: LinkState, *points: Point) -> str:
    """A wire through the points."""
    path = " ".join(f"{x:g},{y:g}" for x, y in points)
    return f'<polyline points="{path}" {pen(state)}/>'


def _path(state: LinkState, shape: str) -> str:
    return f'<path d="{shape}" {pen(state)}/>'


def dot(x: float, y: float, *, filled: bool = True) -> str:
    """A joint (filled) or a terminal (open)."""
    return f'<circle cx="{x:g}" cy="{y:g}" r="{3.4 if filled else 4.2}" class="{"joint" if filled else "terminal"}"/>'


def switch(state: LinkState, x: float, y: float, actuator: str = "", *, contactor: bool = False) -> str:
    """A make contact 40 wide about (x, y): the blade lies closed when live, stands open otherwise.

    An unknown one stands half way and is dotted. `actuator`: temperature, float, pressure or nothing.
    """
    tip = {LinkState.LIVE: y, LinkState.DEAD: y - 17, LinkState.UNKNOWN: y - 9}[state]
    end = x + (12 if state is LinkState.LIVE else 10)
    blade = _path(state, f"M{x - 12:g} {y:g}L{end:g} {tip:g}")
    mark = _path(LinkState.DEAD, f"M{x + 12:g} {y - 5:g}a5 5 0 0 1 0 10") if contactor else ""
    return (
        blade
        + mark
        + _actuator(actuator, x - 1, y, (y + tip) / 2)
        + dot(x - 12, y, filled=False)
        + dot(x + 12, y, filled=False)
    )


def _actuator(kind: str, x: float, y: float, top: float) -> str:
    shapes = {
        "temperature": f"M{x:g} {top:g}V{y + 9:g}h-5v6h10v-6h-5",
        "float": f"M{x:g} {top:g}V{y + 8:g}m-6 5a6 5 0 1 0 12 0a6 5 0 1 0 -12 0",
        "pressure": f"M{x:g} {top:g}V{y + 13:g}m-8 4a8 8 0 0 1 16 0z",
    }
    return _path(LinkState.DEAD, shapes[kind]) if kind else ""


def fuse(state: LinkState, x: float, y: float) -> str:
    """A fuse: a box with the wire through it."""
    box = f'<rect x="{x - 15:g}" y="{y - 7:g}" width="30" height="14" rx="2" {pen(LinkState.DEAD)}/>'
    return box + _path(state, f"M{x - 15:g} {y:g}H{x + 15:g}")


def transformer(state: LinkState, x: float, top: float, bottom: float) -> str:
    """Two windings with a core between; the secondary, at x, ends at `top` and `bottom`.

    A secondary that gives voltage is fed; one that gives none leaves open whether its primary is.
    """
    fed = LinkState.LIVE if state is LinkState.LIVE else LinkState.UNKNOWN
    turns = 4
    step = (bottom - top) / turns
    half = step / 2
    secondary = f"M{x:g} {top:g}" + f"a{half:g} {half:g} 0 0 0 0 {step:g}" * turns
    primary = f"M{x - 24:g} {top:g}" + f"a{half:g} {half:g} 0 0 1 0 {step:g}" * turns
    core = f"M{x - 14:g} {top:g}V{bottom:g}M{x - 10:g} {top:g}V{bottom:g}"
    ends = f"M{x - 24:g} {top:g}h-10M{x - 24:g} {bottom:g}h-10"
    return _path(state, secondary) + _path(LinkState.DEAD, core) + _path(fed, primary + ends)


def coil(state: LinkState, x: float, y: float, letters: str) -> str:
    """A contactor's coil: a circle with letters."""
    return (
        f'<circle cx="{x:g}" cy="{y:g}" r="19" {pen(state)}/>'
        f'<text x="{x:g}" y="{y + 5:g}" class="in-symbol" text-anchor="middle">{letters}</text>'
    )


def motor(state: LinkState, x: float, y: float, radius: float) -> str:
    """A single-phase motor: a circle with M and 1~."""
    return (
        f'<circle cx="{x:g}" cy="{y:g}" r="{radius:g}" {pen(state)}/>'
        f'<text x="{x:g}" y="{y + 4.5:g}" class="in-symbol" text-anchor="middle">M 1~</text>'
    )


def overload(state: LinkState, x: float, y: float) -> str:
    """An overload heater: two half-circles, one down and one up."""
    return _path(state, f"M{x - 16:g} {y:g}a8 8 0 0 1 16 0a8 8 0 0 0 16 0")


def capacitor(state: LinkState, x: float, y: float) -> str:
    """A capacitor: a straight and a curved plate."""
    return _path(state, f"M{x - 4:g} {y - 10:g}V{y + 10:g}M{x + 8:g} {y - 10:g}a16 16 0 0 0 0 20")


def relay(state: LinkState, x: float, y: float, letters: str) -> str:
    """A time-delay relay: a box with letters."""
    return (
        f'<rect x="{x - 20:g}" y="{y - 12:g}" width="40" height="24" rx="3" {pen(state)}/>'
        f'<text x="{x:g}" y="{y + 4.5:g}" class="in-symbol" text-anchor="middle">{letters}</text>'
    )
