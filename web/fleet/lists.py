"""The lists: who has no cooling now, what is drifting, whose monitor is silent, which plan visits are due, search."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from flask import Blueprint, render_template, request
from markupsafe import Markup

from condenser_monitor.monitor.drawing.place_map import place_map
from condenser_monitor.monitor.fleet import inference, queries, triage
from condenser_monitor.monitor.fleet.days import office_day
from condenser_monitor.monitor.fleet.people import technicians
from condenser_monitor.monitor.strings.episodes import besides, headline, stands
from condenser_monitor.web.fleet.office_context import office_context, offset, viewer, where

lists = Blueprint("lists", __name__)


@lists.get("/")
def morning() -> str:
    """The morning list."""
    with office_context().store.read() as connection:
        now = office_context().wall()
        page = queries.morning(connection, viewer(), now, offset=offset())
        counts = queries.standing_counts(connection, viewer())
        together = inference.outages(connection, viewer(), now)
        quiet = queries.quiet(connection, viewer())
        to_ask = queries.to_ask(connection, viewer(), now)
        people = technicians(connection, viewer())
    areas = Counter(area for area, _, _ in _points(case.address for case in page.rows))
    parts = {
        "counts": counts,
        "areas": areas.most_common(),
        "outages": together,
        "quiet": [(case, headline(case.episode), stands(case.episode), besides(case.episode)) for case in quiet],
        "to_ask": to_ask,
        "people": people,
        "today": office_day(now),
    }
    return render_template("fleet/morning.html", page=page, stages=triage.STAGES, **parts)


@lists.get("/drifting")
def drifting() -> str:
    """Units to book before they fail."""
    with office_context().store.read() as connection:
        page = queries.drifting(connection, viewer(), office_context().wall(), offset=offset())
    return render_template("fleet/drifting.html", page=page)


@lists.get("/silent")
def silent() -> str:
    """Monitors that have not been heard of."""
    with office_context().store.read() as connection:
        page = queries.silent(connection, viewer(), office_context().wall(), offset=offset())
        together = inference.outages(connection, viewer(), office_context().wall())
        heard = queries.addresses_heard(connection, viewer()) if together and len(where()) else ()
    others = _points(heard)
    maps = [Markup(place_map(_points([at for _, _, at in one.sites]), others)) for one in together]  # noqa: S704 - drawn by us, its words escaped
    return render_template("fleet/silent.html", page=page, outages=together, maps=maps)


def _points(addresses: Iterable[str]) -> list[tuple[str, float, float]]:
    """Where these addresses lie, as far as the list of places has them."""
    places = where()
    found = (places.of(address) for address in addresses)
    return [(place.area, place.latitude, place.longitude) for place in found if place is not None]


@lists.get("/due")
def due() -> str:
    """Plan visits to book."""
    with office_context().store.read() as connection:
        page = queries.due(connection, viewer(), office_context().wall(), offset=offset())
    return render_template("fleet/due.html", page=page)


@lists.get("/sites")
def search() -> str:
    """Sites by name, customer, address or phone."""
    words = request.args.get("q", "")[:200]
    with office_context().store.read() as connection:
        page = queries.search(connection, viewer(), words, offset=offset())
        calms = queries.calms(connection, [row.site for row in page.rows], office_context().wall())
    return render_template("fleet/search.html", page=page, words=words, calms=calms)
