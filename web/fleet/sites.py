"""One site: its ladder and what stands, its history, visits, season; what the office notes about it and asks of it."""

from __future__ import annotations

import secrets
from typing import Any

import msgspec
from flask import Blueprint, Response, abort, flash, redirect, render_template, request, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import RequestKind
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.drawing import scatter
from condenser_monitor.monitor.fleet import (
    customers,
    inference,
    load_list,
    queries,
    resend,
    tenants,
    triage,
)
from condenser_monitor.monitor.fleet.active_alerts import ActiveAlerts
from condenser_monitor.monitor.fleet.people import Technician, note, technicians
from condenser_monitor.monitor.fleet.queries import SitePage
from condenser_monitor.monitor.fleet.season import SeasonSpan, customer_document
from condenser_monitor.monitor.fleet.writer import writer
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.monitor.publishers.messages import PersonsRequest
from condenser_monitor.monitor.strings.calm import Calm
from condenser_monitor.monitor.strings.episodes import besides, headline, stands
from condenser_monitor.web.fleet import charts
from condenser_monitor.web.fleet.office_context import (
    field,
    number,
    office_context,
    viewer,
)

sites = Blueprint("sites", __name__)
ASKS = (RequestKind.ACKNOWLEDGE, RequestKind.RESET, RequestKind.SERVICE, RequestKind.RESUME)
_EMPTY: dict[str, Any] = {
    "plan_visit_due": None,
    "away_until": None,
    "vulnerability": 0,
}  # of what else is known: no text


@sites.get("/site/<name>")
def site(name: str) -> str:
    """Everything about one site."""
    page, people, state = _page(name)
    picture = charts.wiring(page.snapshot, page.unit, believed=_believed(page))
    return render_template(
        "fleet/site.html",
        page=page,
        calm=state,
        people=people,
        stands=[_told(page, row) for row in page.stands],
        episodes=[(one, stands(one), headline(one), besides(one)) for one in charts.episodes(page.snapshot)],
        ladder=None if picture is None else Markup(picture.svg),  # noqa: S704 - drawn by us, its words escaped
        words=() if picture is None else picture.words,
        scatter=Markup(scatter.scatter(page.days, office_context().settings.pages.temperature)),  # noqa: S704 - numbers only
        suspects=SUSPECTS,
        year=SeasonSpan.this_year(office_context().wall()),
    )


def _page(name: str) -> tuple[SitePage, list[Technician], Calm]:
    with office_context().store.read() as connection:
        page = queries.site(connection, viewer(), name)
        people = technicians(connection, viewer())
        calms = {} if page is None else queries.calms(connection, [name], office_context().wall())
    if page is None:
        abort(404)
    return page, people, calms[name]


def _believed(page: SitePage) -> bool:
    """Whether the newest message may be taken for what is so now."""
    about = page.about
    heard = about.heard_at is not None and office_context().wall() - about.heard_at < FLEET.unheard_s.value
    return heard and about.online is not False


def _told(page: SitePage, row: ActiveAlerts) -> dict[str, object]:
    """What stands, with what is suspected, the meter checks that speak of these suspects, and what to load. Checks
    with the least hazard come first, and those that need no cover opened."""
    suspects = tuple(msgspec.json.decode(row.suspects))
    load, perhaps = load_list.loads(suspects, page.unit)
    names = dict.fromkeys(check for name in suspects if name in SUSPECTS for check in SUSPECTS[name].meter)
    checks = [CHECKS[name] for name in names if name in CHECKS]
    return {
        "row": row,
        "cooling": triage.cooling_words(row.finding),
        "suspects": suspects,
        "checks": sorted(checks, key=lambda check: (check.hazard, check.panel, check.minutes)),
        "load": load,
        "perhaps": perhaps,
    }


@sites.get("/site/<name>/cycles")
def cycles(name: str) -> str:
    """The newest cycles of a site."""
    with office_context().store.read() as connection:
        page = queries.site(connection, viewer(), name)
        rows = () if page is None else queries.cycles_of(connection, page.id)
    if page is None:
        abort(404)
    return render_template("fleet/cycles.html", page=page, rows=rows)


@sites.get("/site/<name>/season.pdf")
def season(name: str) -> Response:
    """The season report for the customer."""
    try:
        from condenser_monitor.monitor.report.pdf import pdf  # noqa: PLC0415 - reportlab is an extra, and large
    except ImportError:
        allowed = "the office after: pip install 'condenser-monitor[report]'"
        raise CommandError("season report", "no package reportlab", allowed) from None
    year = SeasonSpan.this_year(office_context().wall())
    span = SeasonSpan.of(request.args.get("from", year.from_day), request.args.get("to", year.to_day))
    settings = office_context().settings
    with office_context().store.read() as connection:
        document = customer_document(
            *(connection, viewer(), name, span),
            company=settings.name,
            scale=settings.pages.temperature,
            now=office_context().wall(),
            tenant=request.args.get("tenant", type=int),
        )
    if document is None:
        abort(404)
    return Response(
        pdf(document, page="letter" if settings.pages.temperature == "F" else "a4"),
        mimetype="application/pdf",
        headers={"Content-Disposition": f'inline; filename="season-{name}.pdf"'},
    )


# ---------------------------------------------------------------- changes


@sites.post("/site/<name>/about")
def about(name: str) -> AnyResponse:
    """What the office knows: who lives there, whose site it is, when the plan visit is due."""
    given = {name: field(name) for name in customers.COLUMNS if name in request.form}
    values: dict[str, Any] = {key: _EMPTY.get(key, "") for key in given} | customers.checked(given)
    if viewer().branch and given.get("branch", viewer().branch) != viewer().branch:
        raise CommandError("branch", given["branch"], f"{viewer().branch}: only who sees all branches moves a site")
    values["technician_id"] = number("technician")
    if values.get("name") == "":
        raise CommandError("name", "", "what to call the site")
    with office_context().store.write() as connection:
        if values["technician_id"] not in (None, *(one.id for one in technicians(connection, viewer()))):
            raise CommandError("technician", values["technician_id"], "a technician who may sign in")
        tenants.edit(connection, viewer(), name, values, house=True)
        note(connection, office_context().wall(), viewer().login, "changed", name, **values)
    flash("Noted.")
    return redirect(url_for("sites.site", name=name))


@sites.post("/site/<name>/tenant")
def tenant(name: str) -> AnyResponse:
    """Another customer lives there from now on."""
    about = {"customer": "", "phone": "", "plan": "", "number": ""}
    about |= customers.checked({key: field(key) for key in about})
    with office_context().store.write() as connection:
        changed = tenants.change(connection, viewer(), name, **about, now=office_context().wall())
    flash(f"From now on the new customer's: {', '.join(changed)}.")
    return redirect(url_for("sites.site", name=name))


@sites.post("/site/<name>/home")
def home(name: str) -> AnyResponse:
    """Note whether somebody is home where a unit has not run: then it is a case; or until when nobody is."""
    away = customers.checked({"away_until": field("away_until")}) if field("away_until") else {}
    if not away and field("home") != "yes":
        raise CommandError("away_until", "", "the last day on which nobody is home, or home=yes")
    now, store = office_context().wall(), office_context().store
    with store.write() as connection:
        key = queries.site_id(connection, viewer(), name)
        tenants.edit(connection, viewer(), name, away or {"away_until": None}, house=True)
        asked = inference.answer(writer(store), connection, key, now, home=not away)
        note(connection, now, viewer().login, "asked whether somebody is home", name, **(away or {"home": True}))
    flash("Noted." if away else "Noted: it is a case now." if asked else "Noted. Nothing was asked any more.")
    return redirect(url_for("lists.morning"))


@sites.post("/site/<name>/ask")
def ask(name: str) -> AnyResponse:
    """Ask the monitor: acknowledge an alert, reset a latched one, begin or end service mode."""
    kind, hours = field("request"), number("hours")
    if kind not in ASKS:
        raise CommandError("request", kind, " or ".join(ASKS))
    wish = PersonsRequest(
        id=f"office-{secrets.token_hex(8)}",
        request=RequestKind(kind),
        by=viewer().name[:100],
        finding=field("finding")[:100] or None,
        hours=None if hours is None else float(hours),
    )
    with office_context().store.write() as connection:
        resend.put(connection, queries.site_id(connection, viewer(), name), wish, office_context().wall())
        note(connection, office_context().wall(), viewer().login, f"asked for {kind}", name, finding=wish.finding)
    flash("Asked. The monitor's answer will be shown below.")
    return redirect(url_for("sites.site", name=name))
