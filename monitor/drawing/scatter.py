"""Running amperes of days against the outdoor air: a healthy unit lies on one line. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

_WIDTH, _HEIGHT, _LEFT, _FOOT = 400.0, 220.0, 44.0, 34.0
_NEW_DAYS = 14  # the days drawn filled


def scatter(days: Sequence[Any], scale: str) -> str:
    """Mean running amperes of each day against its mean outdoor temperature: a healthy unit lies on one line; the
    newest days, drawn filled, lying above it is drift. `days` are rows of `site_days`, the newest first; "" for too
    few."""
    points = [
        (_degrees(day.degree_s / day.measured_s, scale), day.amp_s / day.measured_s) for day in days if day.measured_s
    ]
    if len(points) < 3:
        return ""
    x_axis, y_axis = _axis([x for x, _ in points], 5.0), _axis([y for _, y in points], 1.0)
    dots = "".join(_dot(x, y, x_axis, y_axis, new=place < _NEW_DAYS) for place, (x, y) in enumerate(points))
    words = f"Running current of {len(points)} days against the outdoor temperature"
    return (
        f'<svg class="scatter" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" role="img" aria-label="{words}" font-size="12" '
        'fill="currentColor">'
        f'<path d="M{_LEFT:g} 8V{_HEIGHT - _FOOT:g}H{_WIDTH - 8:g}" fill="none" class="lane-ground"/>'
        f"{_ends(x_axis, y_axis, scale)}{dots}</svg>"
    )


def _degrees(celsius: float, scale: str) -> float:
    return celsius * 9 / 5 + 32 if scale == "F" else celsius


def _axis(values: Sequence[float], step: float) -> tuple[float, float]:
    low, high = step * (min(values) // step), step * -(-max(values) // step)
    return low, high if high > low else low + step


def _place(x: float, y: float, x_axis: tuple[float, float], y_axis: tuple[float, float]) -> tuple[float, float]:
    across = (x - x_axis[0]) / (x_axis[1] - x_axis[0])
    up = (y - y_axis[0]) / (y_axis[1] - y_axis[0])
    return _LEFT + across * (_WIDTH - _LEFT - 16), _HEIGHT - _FOOT - up * (_HEIGHT - _FOOT - 16)


def _dot(x: float, y: float, x_axis: tuple[float, float], y_axis: tuple[float, float], *, new: bool) -> str:
    at_x, at_y = _place(x, y, x_axis, y_axis)
    fill = "currentColor" if new else "none"
    return f'<circle cx="{at_x:.1f}" cy="{at_y:.1f}" r="4" fill="{fill}" stroke="currentColor"/>'


def _ends(x_axis: tuple[float, float], y_axis: tuple[float, float], scale: str) -> str:
    foot = _HEIGHT - _FOOT + 16
    return (
        f'<text x="{_LEFT:g}" y="{foot:g}">{x_axis[0]:g} °{scale}</text>'
        f'<text x="{_WIDTH - 8:g}" y="{foot:g}" text-anchor="end">{x_axis[1]:g} °{scale}</text>'
        f'<text x="{_LEFT - 6:g}" y="{_HEIGHT - _FOOT:g}" text-anchor="end">{y_axis[0]:g} A</text>'
        f'<text x="{_LEFT - 6:g}" y="20" text-anchor="end">{y_axis[1]:g} A</text>'
    )
