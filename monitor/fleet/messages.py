"""What comes from the broker, checked and typed as far as the fleet reads it; what cannot be used, with the reason.

The messages, and what of them the office reads, are in monitor/publishers/messages.py.
`read` never raises for what a site sent: a message is one of the records below, or `Aside` with the reason in plain
words. Unknown keys are let through, so a newer monitor can say more than this fleet knows. Pure: the instant of
receipt comes with the message.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgspec

from condenser_monitor.monitor.core.config import ID_PATTERN
from condenser_monitor.monitor.core.records import Episode
from condenser_monitor.monitor.limits import EPISODES, FLEET
from condenser_monitor.monitor.publishers.messages import (
    CHANNELS,
    OFFLINE,
    ONLINE,
    ROOT,
    Answered,
    Body,
    CycleDone,
    Event,
    Online,
    UnitNow,
)
from condenser_monitor.monitor.storage.schema import id_origin

_PREFIX = f"{ROOT}/"
PAYLOAD_MOST = int(FLEET.payload_most.value)
_EPISODES_MOST = 2 * int(EPISODES.kept.value)
CLOCK_AHEAD_S = FLEET.clock_ahead_s.value
CLOCK_BEHIND_S = FLEET.clock_behind_s.value


class SiteMessage(msgspec.Struct, frozen=True):
    """A good message: whose, about what, received when, typed, and as it came: UTF-8 without a NUL."""

    site: str
    topic: str
    received_at: float
    body: Body
    payload: bytes

    @property
    def text(self) -> str:
        """The payload as text."""
        return self.payload.decode()


class Aside(msgspec.Struct, frozen=True):
    """A message that cannot be used: set aside with the reason, and acknowledged, for it would never get better."""

    topic: str
    received_at: float
    reason: str
    payload: bytes


def _decode(kind: type[Any]) -> Callable[[bytes], Any]:
    return msgspec.json.Decoder(kind).decode


_DECODE_EVENT = _decode(Event)
_DECODE_EPISODES = _decode(tuple[Episode, ...])


def _event(payload: bytes) -> Event:
    event: Event = _DECODE_EVENT(payload)
    if (event.change is None) == (event.state is None):
        raise ValueError("exactly one of `change` (a finding) and `state` (an alert) must be given")
    return event


def _online(payload: bytes) -> Online:
    if payload not in (ONLINE.encode(), OFFLINE.encode()):
        raise ValueError(f"availability is `{ONLINE}` or `{OFFLINE}`")
    return Online(payload == ONLINE.encode())


READERS: dict[str, Callable[[bytes], Body]] = {
    "events": _event,
    "cycles": _decode(CycleDone),
    "unit": _decode(UnitNow),
    "answers": _decode(Answered),
    "availability": _online,
}
NUMBERED = ("events", "cycles")
assert READERS.keys() <= CHANNELS.keys()


def read(topic: str, payload: bytes, received_at: float) -> SiteMessage | Aside:
    """One message from the broker, as a record or set aside."""
    before, _, name = topic.rpartition("/")
    try:
        reader = READERS.get(name)
        if reader is None or not before.startswith(_PREFIX) or not ID_PATTERN.fullmatch(before, len(_PREFIX)):
            raise ValueError(f"not a topic of the fleet: {ROOT}/SITE-ID/ and one of {', '.join(READERS)}")
        if len(payload) > PAYLOAD_MOST:
            raise ValueError(f"{len(payload)} bytes; at most {PAYLOAD_MOST}")
        if not payload.isascii():
            payload.decode()  # raises where it is not UTF-8: the decoder passes over what it does not read
        if b"\x00" in payload or b"\\u0000" in payload:
            raise ValueError("a NUL character, which no database text can hold")
        return SiteMessage(before[len(_PREFIX) :], name, received_at, reader(payload), payload)
    except (ValueError, RecursionError) as error:  # msgspec's errors and UnicodeDecodeError are ValueErrors
        return Aside(topic, received_at, str(error), payload[:PAYLOAD_MOST])


def read_episodes(payload: bytes) -> tuple[Episode, ...]:
    """The episodes of a `unit` message; none where this program cannot read them, and at most the newest few."""
    try:
        found: tuple[Episode, ...] = _DECODE_EPISODES(payload)
        return found[-_EPISODES_MOST:]
    except (ValueError, RecursionError):
        return ()


def read_kept_episode(text: str) -> Episode | None:
    """One episode as it was kept; None where this program cannot read it."""
    return next(iter(read_episodes(b"[%b]" % text.encode())), None)


def origin(body: Event | CycleDone) -> str:
    """What numbered it (monitor.storage.schema.id_origin). A monitor whose disk was replaced counts from 1 again
    under a new origin, and its new messages are not taken for old ones. Raises ValueError for an id without its
    number."""
    if not body.id.endswith(str(body.seq)):
        raise ValueError(f"the id {body.id!r} does not end in its number {body.seq}")
    return id_origin(body.id, body.seq)


def placed_at(wall_s: float | None, received_at: float) -> float:
    """The instant to file a message under: the site's own, unless its clock cannot be right."""
    if wall_s is None or not received_at - CLOCK_BEHIND_S <= wall_s <= received_at + CLOCK_AHEAD_S:
        return received_at
    return wall_s
