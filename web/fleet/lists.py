"""The lists: who has no cooling now, what is drifting, whose monitor is silent, which plan visits are due, search."""

from __future__ import annotations

from flask import Blueprint, render_template, request

from condenser_monitor.monitor.fleet import inference, queries, triage
from condenser_monitor.monitor.fleet.days import office_day
from condenser_monitor.monitor.fleet.people import technicians
from condenser_monitor.web.fleet.office_context import office_context, offset, viewer

lists = Blueprint("lists", __name__)


@lists.get("/")
def morning() -> str:
    """The morning list."""
    with office_context().store.read() as connection:
        now = office_context().wall()
        page = queries.morning(connection, viewer(), now, offset=offset())
        counts = queries.standing_counts(connection, viewer())
        together = inference.silences(connection, viewer(), now)
        people = technicians(connection, viewer())
    parts = {"counts": counts, "silences": together, "people": people, "today": office_day(now)}
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
        together = inference.silences(connection, viewer(), office_context().wall())
    return render_template("fleet/silent.html", page=page, silences=together)


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
