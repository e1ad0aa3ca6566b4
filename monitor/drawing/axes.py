"""Upright axes: round ends, the lines across, and the scale of a current whose starts are many times its run. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from typing import NamedTuple

from condenser_monitor.monitor.storage.models import StoredPoint

_START_TIMES = 2.0  # what is above this many times the running current is a start's, which draws several times it


class Axis(NamedTuple):
    """The upright axis: its ends, and the unit's words."""

    low: float
    high: float
    unit: str


def axis_for(points: Sequence[StoredPoint], unit: str, *, from_zero: bool) -> Axis:
    """An axis with round ends that holds all points."""
    high = max([point.high for point in points], default=1.0)
    low = 0.0 if from_zero else min([point.low for point in points], default=0.0)
    step = round_step((high - low) / 3 or 1.0)
    if not from_zero:  # what hardly moved is not drawn as a climb
        step = max(step, 2.0)
    return Axis(step * (low // step), step * -(-(high + 1e-9) // step), unit)


def round_step(rough: float) -> float:
    """The next round step (1, 2 or 5 times a power of ten) from `rough` up."""
    power = 1.0
    while power > rough:
        power /= 10
    while power * 10 <= rough:
        power *= 10
    return next(power * times for times in (1, 2, 5, 10) if power * times >= rough - 1e-12)


def running_axis(points: Sequence[StoredPoint], unit: str) -> Axis:
    """An axis from zero for the current of a motor, with a round end that holds its run but not the peaks of starts."""
    most = _START_TIMES * running(points)
    top = max([value for point in points for value in (point.mean, point.high) if value <= most], default=0.0)
    top = max(0.1, top)
    step = round_step(top / 6)
    return Axis(0.0, step * -(-(top - 1e-9) // step), unit)


def running(points: Sequence[StoredPoint]) -> float:
    """The running current in stretches of one length: half of all charge flowed at less. Rests carry next to none, and
    starts, which last a second or less, little; where there were only starts, it is theirs."""
    means = sorted(max(0.0, point.mean) for point in points)
    half = sum(means) / 2
    for mean in means:
        half -= mean
        if half <= 0:
            return mean
    return 0.0


def grid(axis: Axis, y: Callable[[float], float]) -> str:
    """A line across the picture at both ends and in the middle."""
    drawn = ""
    for value in _levels(axis):
        drawn += f'<line x1="0" x2="100%" y1="{y(value):.1f}" y2="{y(value):.1f}" class="tick"/>'
    return drawn


def scale(axis: Axis, title: str) -> str:
    """The axis as attributes of its curve, from which a cursor reads values back (charts.js)."""
    unit, title = escape(axis.unit), escape(title)
    return f' data-low="{axis.low:g}" data-high="{axis.high:g}" data-unit="{unit}" data-name="{title}"'


def values(axis: Axis, y: Callable[[float], float]) -> str:
    """What these lines stand for, in the picture's left margin (style.css), where no curve is."""
    drawn = ""
    for value in _levels(axis):
        words = escape(f"{value:g} {axis.unit}".strip())
        drawn += f'<text x="-6" y="{y(value) + 4:.1f}" text-anchor="end" class="lane-note">{words}</text>'
    return drawn


def _levels(axis: Axis) -> tuple[float, float, float]:
    return axis.low, (axis.low + axis.high) / 2, axis.high
