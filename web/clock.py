"""Times and temperatures in words, in the local zone of the machine that shows them."""

from __future__ import annotations

from datetime import datetime

from monitor import texts

_SOON_S = 20 * 3600.0


def local(wall_s: float) -> datetime:
    """A moment in the local zone."""
    return datetime.fromtimestamp(wall_s).astimezone()


def iso(wall_s: float) -> str:
    """RFC 3339, to the second."""
    return local(wall_s).isoformat(timespec="seconds")


def when(wall_s: float | None, now_s: float | None = None) -> str:
    """A moment in words: the time alone for today, else with the day."""
    if wall_s is None:
        return "a time not known"
    at = local(wall_s)
    same = now_s is not None and local(now_s).date() == at.date()
    return at.strftime("%H:%M" if same else "%a %d %b %H:%M")


def ago(wall_s: float | None, now_s: float) -> str:
    """How long ago, in words; empty when not known."""
    return "" if wall_s is None or wall_s > now_s + 60 else f"{texts.span(now_s - wall_s)} ago"


def midnight(wall_s: float) -> float:
    """The local midnight before a moment."""
    # Naive on purpose: the offset at midnight is not always that of later in the day.
    naive = datetime.fromtimestamp(wall_s)
    return naive.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()


def tick(wall_s: float, step_s: float) -> str:
    """A moment on an axis whose ticks are `step_s` apart."""
    at = local(wall_s)
    if step_s >= 86400:
        return at.strftime("%d %b")
    return at.strftime("%a %d") if (at.hour, at.minute) == (0, 0) and step_s >= 6 * 3600 else at.strftime("%H:%M")


def degrees(celsius: float | None, scale: str) -> str:
    """A temperature in the reader's scale, "F" or "C"."""
    if celsius is None:
        return ""
    return f"{celsius * 9 / 5 + 32:.0f} °F" if scale == "F" else f"{celsius:.1f} °C"
