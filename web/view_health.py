"""How the monitor itself does: last scan, senses, disk, broker, phone, clock."""

from __future__ import annotations

from typing import NamedTuple

from flask import Blueprint, render_template

from monitor import limits, texts
from monitor.kept import Health
from monitor.records import READINGS
from web.window import Seen, Window, window

health = Blueprint("health", __name__)
_FREE_LEAST = limits.WEB["free_least_mb"].value * 1e6


class Item(NamedTuple):
    """One line: what, whether it is well (None: not known), and the words."""

    title: str
    well: bool | None
    words: str


@health.get("/health")
def shown() -> str:
    """The health page."""
    found = window()
    seen, state = found.look(), found.history.health()
    return render_template("health.html", items=items(found, seen, state), senses=senses(found, seen, state))


def items(found: Window, seen: Seen, state: Health) -> list[Item]:
    """All that can be well or not, but for the senses."""
    return [_scan(seen), _clock(found, seen, state), *_disk(state), *_outlets(state), *_sayings(state)]


def _scan(seen: Seen) -> Item:
    if seen.age_s is None:
        return Item("Last scan", False, "none yet" if seen.status is None else "at a time not known")
    return Item("Last scan", not seen.blind, f"{texts.span(seen.age_s)} ago")


def _clock(found: Window, seen: Seen, state: Health) -> Item:
    wall_s = None if seen.status is None else seen.status.wall_s
    if wall_s is None or "clock" in state.notes:
        return Item("Clock", None if seen.status is None else False, "the time of day is not known yet")
    if wall_s > found.wall() + limits.WEB["clock_ahead_s"].value:
        return Item("Clock", False, "it has been set back: the last scan lies in the future")
    return Item("Clock", True, "the time of day is known")


def _disk(state: Health) -> list[Item]:
    free = "" if state.free_bytes is None else f", {state.free_bytes / 1e9:.1f} GB free"
    enough = None if state.free_bytes is None else state.free_bytes > _FREE_LEAST
    found = [Item("Disk", enough, f"history of {state.size_bytes / 1e6:.1f} MB{free}")]
    if state.disk_error:
        found = [Item("Disk", False, f"{state.disk_error}; {state.held} steps are held in memory")]
    if state.set_aside:
        found.append(Item("History", False, f"an unreadable one was put away as {state.set_aside}; this one is new"))
    return found


_TITLES = {"mqtt": "Broker", "broker": "Broker", "notify": "Phone alerts", "phone": "Phone alerts"}


def _outlets(state: Health) -> list[Item]:
    """Each outlet; one without a cursor is not set up, and is not listed."""
    found = []
    for name, outlet in state.outlets.items():
        words = outlet.error or (f"{outlet.waiting} messages wait" if outlet.waiting else "nothing waits")
        found.append(Item(_TITLES.get(name, name), not outlet.error, words))
    return found


def _sayings(state: Health) -> list[Item]:
    """Further sayings of the service, by their names; that of the clock has its own line."""
    return [Item(name.capitalize(), False, words) for name, words in state.notes.items() if name != "clock"]


def senses(found: Window, seen: Seen, state: Health) -> list[tuple[str, Item]]:
    """Every reading there is: fitted and read, fitted and silent (and why), or not fitted."""
    readings = {} if seen.status is None else seen.status.readings
    rows: list[tuple[str, Item]] = []
    for name, row in READINGS.items():
        title = texts.capital(texts.NAMES[name])
        if name not in found.settings.fitted:
            rows.append((row.board, Item(title, None, "not fitted")))
        elif seen.blind or readings.get(name) is None:
            rows.append((row.board, Item(title, False, state.faults.get(name, "no reading"))))
        else:
            rows.append((row.board, Item(title, True, "reads")))
    return rows
