"""Ids of numbered messages: what numbered them, the topic and the number."""

from __future__ import annotations

_MARKS = {"events": "-", "cycles": ":", "answers": "/"}


def message_id(origin: str, channel: str, seq: int) -> str:
    """The id of a numbered message. The sign between keeps numbers of two topics apart; `origin` ends before it."""
    return f"{origin}{_MARKS[channel]}{seq}"


def id_origin(name: str, seq: int) -> str:
    """What numbered a message: its id without sign and number."""
    return name.removesuffix(str(seq))[:-1]
