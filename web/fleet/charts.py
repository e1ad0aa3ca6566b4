"""The wiring ladder of a site's page, from the newest `unit` message. Pure: records in, SVG out."""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.links import CHAIN
from condenser_monitor.monitor.core.records import (
    CycleState,
    Episode,
    Finding,
    LinkView,
    UnitStatus,
)
from condenser_monitor.monitor.drawing import ladder
from condenser_monitor.monitor.drawing.wiring import blinded, rows
from condenser_monitor.monitor.publishers.messages import FindingMessage, LinkMessage, UnitMessage

_DECODER = msgspec.json.Decoder(UnitMessage)
_SENSE = {link.name: link.sense for link in CHAIN}


class Drawn(NamedTuple):
    """The ladder, and the same in words, a line a link."""

    svg: str
    words: tuple[str, ...]


def wiring(snapshot: str | None, unit: Unit | None, *, believed: bool) -> Drawn | None:
    """The ladder as of the newest `unit` message; all unknown where that is not to be believed any more. None where
    there is no message, or one of a newer monitor that this program cannot read."""
    message = _read(snapshot)
    if message is None:
        return None
    try:
        status = status_of(message)
    except ValueError:
        return None
    shown = status if believed else blinded(status)
    words = tuple(f"{row.title}: {ladder.state_words(row)}" for row in rows(shown))
    return Drawn(ladder.svg(shown, unit or Unit()), words)


def _read(snapshot: str | None) -> UnitMessage | None:
    """Return the message, or None where there is none or this program cannot read it."""
    try:
        return None if snapshot is None else _DECODER.decode(snapshot)
    except (msgspec.DecodeError, ValueError):
        return None


def episodes(snapshot: str | None) -> tuple[Episode, ...]:
    """Return the episodes as the household is told them, the newest first."""
    message = _read(snapshot)
    return () if message is None else message.episodes[::-1]


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
