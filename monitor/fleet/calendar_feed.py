"""The visits booked for a person as an iCalendar feed (RFC 5545, RFC 7986), for whatever calendar they use. Whole days:
the office books days, and the order of a day is the technician's. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta

from icalendar import Calendar, Event

from condenser_monitor.monitor.fleet.inference import headline
from condenser_monitor.monitor.fleet.visits import KINDS, Booked
from condenser_monitor.monitor.strings import texts

_REFRESH = timedelta(minutes=15)


def feed(visits: Iterable[Booked], company: str, now: float) -> bytes:
    """Return the calendar; times of making in UTC, days as they are."""
    calendar = Calendar()
    calendar.add("prodid", "-//condenser-monitor//fleet//EN")
    calendar.add("version", "2.0")
    calendar.add("name", f"{company}: visits")
    calendar.add("refresh-interval", _REFRESH, parameters={"VALUE": "DURATION"})
    for visit in visits:
        calendar.add_component(_event(visit, now))
    return bytes(calendar.to_ical())


def _event(visit: Booked, now: float) -> Event:
    day = date.fromisoformat(visit.due_day)
    event = Event()
    event.add("uid", f"visit-{visit.id}-{visit.made_at:.3f}@condenser-monitor")
    event.add("dtstamp", datetime.fromtimestamp(now, UTC))
    event.add("dtstart", day)
    event.add("dtend", day + timedelta(days=1))
    event.add("summary", f"{visit.name}: {KINDS[visit.kind]}")
    if visit.address:
        event.add("location", visit.address)
    event.add("description", "\n".join(_description(visit)))
    return event


def _description(visit: Booked) -> Iterable[str]:
    if visit.finding:
        yield headline(visit.finding)
    if visit.suspects:
        yield "Suspected: " + ", ".join(texts.suspect(name) for name in visit.suspects[:3])
    if visit.load:
        yield "Take along: " + "; ".join(visit.load)
    if visit.phone:
        yield "Phone: " + visit.phone
    if visit.note:
        yield visit.note
