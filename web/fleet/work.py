"""Visits: booked, made, scored; what to load on the truck; the plan's season as CSV."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import sqlalchemy as sa
from flask import Blueprint, Response, abort, flash, g, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.fleet import calendar_feed, load_list, people, queries
from condenser_monitor.monitor.fleet import customers as customer_list
from condenser_monitor.monitor.fleet import season as seasons
from condenser_monitor.monitor.fleet import visits as visiting
from condenser_monitor.monitor.fleet.visits import Booked
from condenser_monitor.web.fleet.office_context import (
    field,
    number,
    office_context,
    viewer,
    where,
)

work = Blueprint("work", __name__)


@work.get("/visits")
def visits() -> str:
    """Visits to make, by technician and day with the truck's load; and the last ones made."""
    return _visits("")


def _visits(feed_at: str) -> str:
    with office_context().store.read() as connection:
        booked = visiting.listed(connection, viewer())
        done = visiting.listed(connection, viewer(), status=visiting.DONE, limit=50)
    return render_template("fleet/visits.html", rounds=_rounds(booked), done=done, feed_at=feed_at)


class Round(NamedTuple):
    """A technician's day: the visits in the order in which to make them, those last whose place is not known; the
    length of the way as the crow flies, None where no place is known; what to load for all of them."""

    day: str
    who: str
    rows: list[Booked]
    km: float | None
    load: list[tuple[str, int]]


def _rounds(booked: list[Booked]) -> list[Round]:
    rounds: dict[tuple[str, str], list[Booked]] = {}
    for visit in booked:
        rounds.setdefault((visit.due_day, visit.technician or "nobody yet"), []).append(visit)
    return [_round(*key, rows) for key, rows in sorted(rounds.items())]


def _round(day: str, who: str, rows: list[Booked]) -> Round:
    route = where().route([row.address for row in rows])
    rest = [row for number, row in enumerate(rows) if number not in route.order]
    ordered = [*(rows[number] for number in route.order), *rest]
    return Round(day, who, ordered, route.km if route.order else None, load_list.truck(row.load for row in rows))


@work.post("/calendar")
def calendar() -> str:
    """A new address of one's own feed of visits, shown this once."""
    secret = people.make_calendar(office_context().store, viewer(), now=office_context().wall())
    return _visits(url_for("work.feed", secret=secret, _external=True))


@work.get("/calendar/<secret>.ics")
def feed(secret: str) -> Response:
    """The visits booked for whose feed this is, for their calendar; the guard has looked at the secret."""
    with office_context().store.read() as connection:
        booked = visiting.listed(connection, g.feed_of)
    text = calendar_feed.feed(booked, office_context().settings.name, office_context().wall())
    return Response(text, content_type="text/calendar; charset=utf-8")


@work.get("/customers.csv")
def customers() -> Response:
    """The list of customers with nameplates, as `fleet customers` takes it."""
    found = customer_list.lines(office_context().store, viewer=viewer())
    headers = {"Content-Disposition": 'attachment; filename="customers.csv"'}
    return Response(found, mimetype="text/csv", headers=headers)


@work.get("/visit/<int(max=9223372036854775807):key>")
def visit(key: int) -> str:
    """One visit, to be written down."""
    with office_context().store.read() as connection:
        found = visiting.one(connection, viewer(), key)
    if found is None:
        abort(404)
    return render_template("fleet/visit.html", visit=found, suspects=SUSPECTS)


@work.post("/visit/<int(max=9223372036854775807):key>")
def finish(key: int) -> AnyResponse:
    """A visit was made, or will not be."""
    now = office_context().wall()
    with office_context().store.write() as connection:
        if field("outcome") == visiting.DROPPED:
            visiting.drop(connection, viewer(), key, text=field("note"), now=now)
        else:
            used = [line.strip() for line in field("parts").splitlines() if line.strip()]
            visiting.finish(connection, viewer(), key, was=_cause(), used=used, text=field("note"), now=now)
    flash("Written down.")
    return redirect(url_for("work.visits"))


def _cause() -> str:
    """The cause that was chosen: it is never taken for granted."""
    if not field("was"):
        raise CommandError("confirmed cause", "nothing chosen", "a cause, `not found`, or that nothing was wrong")
    return "" if field("was") == "nothing" else field("was")


@work.post("/site/<name>/visits")
def book(name: str) -> AnyResponse:
    """Book a visit; the suspects are kept as they stand now."""
    finding = field("finding")
    with office_context().store.write() as connection:
        suspects = visiting.suspects_now(connection, viewer(), name, finding)
        visiting.book(
            *(connection, viewer(), name),
            kind=field("kind"),
            due_day=field("due_day"),
            technician_id=number("technician"),
            finding="" if suspects is None else finding,
            suspects=suspects or (),
            text=field("note"),
            now=office_context().wall(),
        )
    flash("Booked.")
    return redirect(url_for("sites.site", name=name))


@work.post("/dispatch")
def dispatch() -> AnyResponse:
    """Book, move, assign or cancel for several sites at once: all of them, or none where one of them cannot be, or is
    booked otherwise by now than the list showed it to whoever chose."""
    names, what, now = request.form.getlist("site"), field("what"), office_context().wall()
    if not names or len(names) > queries.PAGE_ROWS:
        raise CommandError("sites", f"{len(names)} chosen", f"1 to {queries.PAGE_ROWS}")
    if what not in ("put", "cancel"):
        raise CommandError("what", what, "put or cancel")
    chosen = visiting.KEEP if field("technician") == "keep" else number("technician")
    with office_context().store.write() as connection:
        changed = _booked_meanwhile(connection, names)
        if changed:
            flash(f"Nothing was done. Booked, moved or canceled since this list was shown: {', '.join(changed)}.")
        elif what == "cancel":
            count = sum(visiting.cancel(connection, viewer(), name, now=now) for name in names)
            flash(f"{count} {'visit' if count == 1 else 'visits'} canceled.")
        else:
            due_day = field("due_day")
            new = sum(
                visiting.put(connection, viewer(), name, technician_id=chosen, due_day=due_day, now=now)
                for name in names
            )
            flash(f"{new} booked, {len(names) - new} moved or assigned.")
    return redirect(url_for("lists.morning"))


def _booked_meanwhile(connection: sa.Connection, names: list[str]) -> list[str]:
    """The sites, as they are called, whose visit is another one than the form says that the list showed; a form may
    leave that out."""
    found = []
    for site in names:
        name, booked = queries.booked_at(connection, queries.site_id(connection, viewer(), site))
        if request.form.get(f"seen-{site}", booked) != booked:
            found.append(name)
    return found


@work.get("/score")
def score() -> str:
    """How often the first suspect was right."""
    with office_context().store.read() as connection:
        rows = visiting.score(connection, viewer())
    return render_template("fleet/score.html", rows=rows, year=seasons.SeasonSpan.this_year(office_context().wall()))


@work.get("/plan.csv")
def plan() -> Response:
    """The season of the whole plan, one line a site."""
    year = seasons.SeasonSpan.this_year(office_context().wall())
    span = seasons.SeasonSpan.of(request.args.get("from", year.from_day), request.args.get("to", year.to_day))
    store, me, now = office_context().store, viewer(), office_context().wall()

    def lines() -> Iterator[str]:
        with store.read() as connection:
            yield from seasons.plan_csv(connection, me, span, now)

    name = f"plan-{span.from_day}-{span.to_day}.csv"
    return Response(lines(), mimetype="text/csv", headers={"Content-Disposition": f'attachment; filename="{name}"'})
