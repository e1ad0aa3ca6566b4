"""What every view of the office needs: the store, the settings, the clock, and who is asking."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from flask import current_app, g, request

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import places
from condenser_monitor.monitor.fleet.people import OfficeSession, Program, Viewer
from condenser_monitor.monitor.fleet.places import Places
from condenser_monitor.monitor.fleet.setup import FleetSettings
from condenser_monitor.monitor.fleet.store import Store


class OfficeContext(NamedTuple):
    """The office. `wall` gives seconds since 1970."""

    store: Store
    settings: FleetSettings
    wall: Callable[[], float]


def office_context() -> OfficeContext:
    """The office of the app that answers this request."""
    found = current_app.extensions["desk"]
    assert isinstance(found, OfficeContext)
    return found


def where() -> Places:
    """The office's list of places; an empty one where there is none. Raises CommandError for a list that is none."""
    about = office_context().settings.dispatch
    return places.load(about.places_file, about.start)


def held() -> OfficeSession | None:
    """The session of whoever is asking; None before they have signed in."""
    found = g.get("session")
    assert found is None or isinstance(found, OfficeSession)
    return found


def viewer() -> Viewer:
    """Who is asking, a person or a program; only behind the guard."""
    found = held() or g.get("program")
    assert isinstance(found, OfficeSession | Program)
    return found.viewer


def offset() -> int:
    """Where the page of a long list begins. Raises CommandError."""
    text = request.args.get("from", "0")
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise CommandError("from", text, "a whole number from 0 up")
    return int(text)


def field(name: str) -> str:
    """A field of the form, without the spaces around it; empty when it is not there."""
    return request.form.get(name, "").strip()


def number(name: str) -> int | None:
    """A field that holds a number; None when it is empty. Raises CommandError."""
    text = field(name)
    if text and not (text.isascii() and text.isdigit() and len(text) <= 18):
        raise CommandError(name, text, "a whole number")
    return int(text) if text else None
