"""How the monitor itself does: last scan, senses, disk, broker, phone, clock."""

from __future__ import annotations

import secrets
from typing import NamedTuple

from flask import Blueprint, render_template, session

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import OWN_FAULT
from condenser_monitor.monitor.storage.models import Health
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.strings.page import PAGE
from condenser_monitor.monitor.strings.translate import tr
from condenser_monitor.web.context import PageContext, PageSnapshot, page_context
from condenser_monitor.web.template_strings import plain

health = Blueprint("health", __name__)
_FREE_LEAST = limits.WEB.free_least_mb.value * 1e6


class HealthItem(NamedTuple):
    """One line: what, whether it is well (None: not known), and the words."""

    title: str
    well: bool | None
    words: str


@health.get("/health")
def shown() -> str:
    """The health page."""
    found = page_context()
    seen, state = found.look(), found.history.health()
    return render_template(
        "health.html",
        items=items(found, seen, state),
        senses=senses(found, seen, state),
        faults=state.own_faults,
        acknowledged=OWN_FAULT,
        by=session.get("by", ""),
        nonce=secrets.token_hex(8),
    )


def items(found: PageContext, seen: PageSnapshot, state: Health) -> list[HealthItem]:
    """All that can be well or not, but for the senses."""
    return [_scan(seen), _clock(found, seen, state), *_disk(state), *_publishers(state), *_sayings(state)]


def _scan(seen: PageSnapshot) -> HealthItem:
    if seen.age_s is None:
        return HealthItem(plain("last-scan"), False, plain("none-yet" if seen.status is None else "at-unknown"))
    return HealthItem(plain("last-scan"), not seen.blind, plain("ago", span=texts.span(seen.age_s)))


def _clock(found: PageContext, seen: PageSnapshot, state: Health) -> HealthItem:
    wall_s = None if seen.status is None else seen.status.wall_s
    if wall_s is None or "clock" in state.notes:
        return HealthItem(plain("clock"), None if seen.status is None else False, plain("clock-unknown"))
    if wall_s > found.wall() + limits.WEB.clock_ahead_s.value:
        return HealthItem(plain("clock"), False, plain("clock-back"))
    return HealthItem(plain("clock"), True, plain("clock-known"))


def _disk(state: Health) -> list[HealthItem]:
    free, size = state.free_bytes, f"{state.size_bytes / 1e6:.1f}"
    told = plain("disk-used" if free is None else "disk-free", size=size, free=f"{(free or 0) / 1e9:.1f}")
    found = [HealthItem(plain("disk"), None if free is None else free > _FREE_LEAST, told)]
    if state.disk_error:
        found = [HealthItem(plain("disk"), False, plain("disk-fails", error=state.disk_error, held=state.held))]
    if state.set_aside:
        found.append(HealthItem(plain("menu-history"), False, plain("history-new", name=state.set_aside)))
    return found


def _publishers(state: Health) -> list[HealthItem]:
    """Each publisher; one without a cursor is not set up, and is not listed."""
    found = []
    for name, publisher in state.publishers.items():
        words = plain("waiting" if publisher.waiting else "nothing-waits", count=publisher.waiting)
        if publisher.error:
            key = "publisher-fails" if publisher.waiting else "publisher-failed"
            words = plain(key, count=publisher.waiting, error=tr(publisher.error))
        found.append(HealthItem(_publisher(name), not publisher.error, words))
    return found


def _publisher(name: str) -> str:
    """A publisher in words: 'phone-2' is the second of the phones; one without words is called by its name."""
    kind, _, number = name.partition("-")
    return " ".join((plain(f"publisher-{kind}"), number)).strip() if f"publisher-{kind}" in PAGE else name


def _sayings(state: Health) -> list[HealthItem]:
    """Further sayings of the service, each with what it means where that is known; that of the clock has its own
    line."""
    return [_saying(name, words) for name, words in state.notes.items() if name != "clock"]


def _saying(name: str, words: str) -> HealthItem:
    if f"note-{name}" not in PAGE:
        return HealthItem(name.capitalize(), False, words)
    return HealthItem(plain(f"note-{name}"), False, plain(f"note-{name}-means", detail=words))


def senses(found: PageContext, seen: PageSnapshot, state: Health) -> list[tuple[str, HealthItem]]:
    """Every reading there is: fitted and read, fitted and silent (and why), or not fitted. What reads is installed,
    whatever this page's site file says: `run --simulated` watches the senses of its scenario."""
    readings = {} if seen.status is None else seen.status.readings
    rows: list[tuple[str, HealthItem]] = []
    for name, row in READINGS.items():
        title = texts.capital(texts.NAMES[name])
        if name not in found.settings.fitted and readings.get(name) is None:
            rows.append((row.read_by, HealthItem(title, None, plain("not-fitted"))))
        elif seen.blind or readings.get(name) is None:
            rows.append((row.read_by, HealthItem(title, False, state.faults.get(name, plain("no-reading-now")))))
        else:
            rows.append((row.read_by, HealthItem(title, True, plain("reads"))))
    return rows
