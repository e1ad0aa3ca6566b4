"""What the page of a site draws: the ladder from the newest `unit` message, and amperes against the outdoor air.

Pure: records in, SVG out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import msgspec

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.links import CHAIN
from condenser_monitor.monitor.core.records import (
    CycleState,
    Finding,
    LinkView,
    UnitStatus,
)
from condenser_monitor.monitor.publishers.messages import FindingMessage, LinkMessage, UnitMessage
from condenser_monitor.web import ladder
from condenser_monitor.web.wiring import blinded, rows

_DECODER = msgspec.json.Decoder(UnitMessage)
_SENSE = {link.name: link.sense for link in CHAIN}
_WIDTH, _HEIGHT, _LEFT, _FOOT = 400.0, 220.0, 44.0, 34.0
_NEW_DAYS = 14  # the days drawn filled


class Drawn(NamedTuple):
    """The ladder, and the same in words, a line a link."""

    svg: str
    words: tuple[str, ...]


def wiring(snapshot: str | None, unit: Unit | None, *, believed: bool) -> Drawn | None:
    """The ladder as of the newest `unit` message; all unknown where that is not to be believed any more. None where
    there is no message, or one of a newer monitor that this program cannot read."""
    if snapshot is None:
        return None
    try:
        status = status_of(_DECODER.decode(snapshot))
    except (msgspec.DecodeError, ValueError):
        return None
    shown = status if believed else blinded(status)
    words = tuple(f"{row.title}: {ladder.said(row)}" for row in rows(shown))
    return Drawn(ladder.svg(shown, unit or Unit()), words)


def status_of(message: UnitMessage) -> UnitStatus:
    """The message as the status that the ladder is drawn from; its times are wall times throughout."""
    at = message.wall_s or 0.0
    return UnitStatus(
        site=message.site,
        name=message.name,
        t_s=at,
        wall_s=message.wall_s,
        cycle=CycleState(message.cycle),
        cycle_since_s=message.cycle_since_wall_s or at,
        links=tuple(_link(link, message, at) for link in message.links if link.name in _SENSE),
        readings=message.readings,
        findings=tuple(_finding(found, at) for found in message.findings),
        alerts=message.alerts,
        break_at=message.break_at,
        service_until_wall_s=message.service_until_wall_s,
    )


def _link(link: LinkMessage, message: UnitMessage, at: float) -> LinkView:
    sense = _SENSE[link.name] if _SENSE[link.name] in message.readings else None
    since_s = link.since_wall_s or at
    return LinkView(name=link.name, state=link.state, since_s=since_s, sense=sense, inferred=link.inferred)


def _finding(found: FindingMessage, at: float) -> Finding:
    return Finding(
        name=found.name,
        severity=found.severity,
        since_s=found.since_wall_s or at,
        raised_s=found.raised_wall_s or at,
        raised_wall_s=found.raised_wall_s,
        suspects=found.suspects,
        evidence=found.evidence,
        summary=found.summary,
    )


# ---------------------------------------------------------------- amperes against the outdoor air


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
