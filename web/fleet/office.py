"""The office itself: how ingest does, the people, and who did what."""

from __future__ import annotations

import sqlalchemy as sa
from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import people as persons
from condenser_monitor.monitor.fleet import queries, webhooks
from condenser_monitor.monitor.fleet.people import Role
from condenser_monitor.monitor.fleet.tables import audit as audit_rows
from condenser_monitor.monitor.fleet.tables import users
from condenser_monitor.web.fleet.office_context import field, office_context, viewer

office = Blueprint("office", __name__)


@office.get("/ingest")
def ingest() -> str:
    """Workers, sites with numbers missing, messages set aside, programs that are told."""
    with office_context().store.read() as connection:
        workers, whole = queries.workers(connection), not viewer().branch  # what is set aside may be another branch's
        asides = queries.asides(connection) if whole else ()
        found = {"workers": workers, "asides": asides, "hooks": webhooks.listed(connection) if whole else ()}
        holes = queries.holes(connection, viewer())
    return render_template("fleet/ingest.html", holes=holes, **found)


@office.get("/people")
def people() -> str:
    """Everybody who may sign in, and who may not any more."""
    with office_context().store.read() as connection:
        rows = connection.execute(sa.select(users).order_by(users.c.active.desc(), users.c.name)).all()
    return render_template("fleet/people.html", rows=rows, roles=list(Role))


@office.post("/people")
def add() -> Response:
    """A new person."""
    if field("role") not in list(Role):
        raise CommandError("role", field("role"), " or ".join(Role))
    words = request.form.get("password", "")
    about = (field("login"), field("name"), Role(field("role")), words)
    by, now = viewer().login, office_context().wall()
    persons.add_user(office_context().store, *about, branch=field("branch"), by=by, now=now)
    flash("Added.")
    return redirect(url_for("office.people"))


@office.post("/people/<login>")
def change(login: str) -> Response:
    """A new password for somebody, or the door shut or opened. Nobody shuts themselves out."""
    what, by, now = field("what"), viewer().login, office_context().wall()
    if what == "password":
        persons.set_password(office_context().store, login, request.form.get("password", ""), by=by, now=now)
    elif what in ("shut", "open"):
        if login == by:
            raise CommandError("login", login, "somebody else's: nobody shuts themselves out")
        persons.set_active(office_context().store, login, what == "open", by=by, now=now)
    else:
        raise CommandError("what", what, "password, shut or open")
    flash("Changed.")
    return redirect(url_for("office.people"))


@office.get("/audit")
def audit() -> str:
    """The newest lines of the log."""
    with office_context().store.read() as connection:
        query = sa.select(audit_rows).order_by(audit_rows.c.id.desc()).limit(queries.PAGE_ROWS)
        rows = connection.execute(query).all()
    return render_template("fleet/audit.html", rows=rows)
