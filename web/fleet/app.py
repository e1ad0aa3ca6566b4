"""The office's pages as a Flask app."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flask import Flask, render_template, request
from werkzeug.exceptions import HTTPException
from werkzeug.middleware.proxy_fix import ProxyFix

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import CondenserError, DatabaseError
from condenser_monitor.monitor.fleet import triage
from condenser_monitor.monitor.fleet.health import Freshness, freshness
from condenser_monitor.monitor.fleet.inference import headline
from condenser_monitor.monitor.fleet.people import page_key
from condenser_monitor.monitor.fleet.queries import PAGE_ROWS
from condenser_monitor.monitor.fleet.setup import FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.visits import KINDS, VisitConflict
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.calm import short
from condenser_monitor.web.fleet import guard
from condenser_monitor.web.fleet.api import api
from condenser_monitor.web.fleet.customers import customers
from condenser_monitor.web.fleet.lists import lists
from condenser_monitor.web.fleet.login import door
from condenser_monitor.web.fleet.office import office
from condenser_monitor.web.fleet.office_context import OfficeContext, held, office_context
from condenser_monitor.web.fleet.programs import programs
from condenser_monitor.web.fleet.sites import sites
from condenser_monitor.web.fleet.work import work

MENU = (
    ("lists.morning", "Morning list"),
    ("work.visits", "Visits"),
    ("lists.drifting", "Drifting"),
    ("lists.silent", "Silent"),
    ("lists.due", "Plan visits"),
    ("customers.all_", "Customers"),
    ("lists.search", "Sites"),
    ("work.score", "Score"),
    ("office.ingest", "Ingest"),
    ("office.people", "People"),
)


def create_app(settings: FleetSettings, store: Store, *, wall: Callable[[], float] = time.time) -> Flask:
    """The pages over an opened store. Raises DatabaseError when it is not of this program's version."""
    store.check()
    static = str(Path(__file__).parents[1] / "static")
    app = Flask("condenser_monitor.web.fleet", static_folder=static, template_folder="templates")
    app.config.update(
        SECRET_KEY=page_key(store),  # signs the one-time notices; who is signed in lies in the database
        MAX_CONTENT_LENGTH=int(limits.WEB.body_most.value),
        SESSION_COOKIE_NAME="fleet-notice",
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=settings.pages.https,
        SEND_FILE_MAX_AGE_DEFAULT=3600,
    )
    app.extensions["desk"] = OfficeContext(store, settings, wall)
    app.extensions["flood"] = guard.Flood(wall)
    for blueprint in (door, lists, customers, sites, work, office, programs, api):
        app.register_blueprint(blueprint)
    guard.OfficeGuard().install(app)
    _dress(app)
    if settings.pages.proxies:  # the last hops are ours: what they say of the address is believed
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=settings.pages.proxies, x_proto=1)  # type: ignore[method-assign]
    return app


def _dress(app: Flask) -> None:
    """Filters, globals and error pages of the templates."""
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.filters.update(
        when=time_format.moment,
        ago=time_format.ago,
        named_day=time_format.named_day,
        span=texts.span,
        degrees=time_format.degrees,
        distance=_distance,
    )
    app.jinja_env.globals.update(
        menu=MENU,
        suspect=texts.suspect,
        headline=headline,
        short=short,
        kinds=KINDS,
        vulnerability=triage.VULNERABILITY,
        page_rows=PAGE_ROWS,
        password_least=int(FLEET.password_least.value),
    )
    app.context_processor(_common)
    app.register_error_handler(HTTPException, _http_error)
    app.register_error_handler(CondenserError, _our_error)


def _distance(km: float, scale: str) -> str:
    """A distance in miles where temperatures are in Fahrenheit (1 mile is 1.609344 km, exactly), else in km."""
    return f"{km / 1.609344:.0f} miles" if scale == "F" else f"{km:.0f} km"


def _common() -> dict[str, Any]:
    found, settings = held(), office_context().settings
    return {
        "company": settings.name,
        "scale": settings.pages.temperature,
        "now_s": office_context().wall(),
        "viewer": None if found is None else found.viewer,
        "fresh": None if found is None else _freshness(),
    }


def _freshness() -> Freshness | None:
    """How fresh everything is, for the band on each page; None where the database does not say."""
    try:
        with office_context().store.read() as connection:
            return freshness(connection, office_context().wall())
    except DatabaseError:
        return None


def _http_error(error: HTTPException) -> Any:
    if request.path.startswith("/api/"):
        code = error.code or (429 if error.response is not None else 500)
        return {"error": error.name, "why": error.description or ""}, code, _retry(code)
    if error.response is not None:
        return error.response
    words = render_template("fleet/error.html", title=error.name, why=error.description or "")
    return words, error.code or 500


def _retry(code: int) -> dict[str, str]:
    return {"Retry-After": "60"} if code == 429 else {}


def _our_error(error: CondenserError) -> Any:
    """What was given cannot be used (400), or the database fails (503); to a program also: it speaks against a visit
    that is there (409)."""
    code = 503 if isinstance(error, DatabaseError) else 400
    if request.path.startswith("/api/"):
        code = 409 if isinstance(error, VisitConflict) else code
        return {"error": type(error).__name__, "why": str(error)}, code
    return render_template("fleet/error.html", title="That did not work", why=str(error)), code
