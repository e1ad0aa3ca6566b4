"""The window as a Flask app: reads the history, writes requests, decides nothing."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

from flask import Flask, render_template, request, url_for
from werkzeug.exceptions import HTTPException

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CondenserError, HistoryError
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.calm import short
from condenser_monitor.monitor.strings.page import PAGE
from condenser_monitor.monitor.strings.translate import Reader, reader, set_reader, tr
from condenser_monitor.web import guard
from condenser_monitor.web.access import Access, SignInTries
from condenser_monitor.web.context import PageContext, page_context
from condenser_monitor.web.login import door
from condenser_monitor.web.pwa import shell
from condenser_monitor.web.template_strings import parted, t
from condenser_monitor.web.view_alerts import alerts
from condenser_monitor.web.view_answer import answer
from condenser_monitor.web.view_api import api
from condenser_monitor.web.view_checks import checks
from condenser_monitor.web.view_health import health
from condenser_monitor.web.view_history import past
from condenser_monitor.web.view_settings import settings as settings_pages
from condenser_monitor.web.view_setup import setup
from condenser_monitor.web.view_share import share
from condenser_monitor.web.view_status import pages

MENU = (
    ("pages.status", "menu-now"),
    ("alerts.listed", "menu-alerts"),
    ("checks.shown", "menu-checks"),
    ("past.shown", "menu-history"),
    ("past.cycles", "menu-cycles"),
    ("past.trends", "menu-trends"),
    ("share.shown", "menu-report"),
    ("health.shown", "menu-health"),
    ("settings.shown", "menu-settings"),
)


class _PageApp(Flask):
    """An application whose own faults are counted as those of the service are."""

    def log_exception(self, exc_info: Any) -> None:
        """Log and count an exception that no view foresaw."""
        self.extensions["window"].history.fault("page", exc_info[1])


def create_app(
    history: History | str | Path,
    settings: Settings,
    *,
    access_file: Path | None = None,
    wall: Callable[[], float] = time.time,
    monotonic: Callable[[], float] = time.monotonic,
) -> Flask:
    """The page of one unit. `history`: an open one, or the path of one that another process owns.

    `access_file` keeps password and tokens; without it, it lies beside the history. Raises HistoryError when either
    cannot be used.
    """
    if not isinstance(history, History):
        history = History(history, keep=settings.history)
    app = _PageApp("condenser_monitor.web", static_folder="static", template_folder="templates")
    access = Access(access_file or history.path.with_name(history.path.name + ".access"))
    app.config.update(
        SECRET_KEY=access.key,
        MAX_CONTENT_LENGTH=int(limits.WEB.body_most.value),
        SESSION_COOKIE_NAME=f"condenser-{settings.site.id}",
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=settings.web.proxy,
        PERMANENT_SESSION_LIFETIME=timedelta(hours=limits.WEB.session_h.value),
        SEND_FILE_MAX_AGE_DEFAULT=3600,
    )
    app.extensions["window"] = PageContext(history, settings, access, wall)
    app.extensions["tries"] = SignInTries(monotonic)
    app.extensions["share_tries"] = SignInTries(monotonic)
    for blueprint in (pages, alerts, answer, checks, past, share, health, settings_pages, setup, door, shell, api):
        app.register_blueprint(blueprint)
    app.before_request(_meet_reader)
    app.teardown_request(lambda _error: set_reader(Reader()))
    guard.PageGuard().install(app)
    _dress(app)
    return app


def _meet_reader() -> None:
    """From here on texts are for whoever asks."""
    set_reader(page_context().reader())


def _dress(app: Flask) -> None:
    """Filters, globals and error pages of the templates."""
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.filters.update(
        change=time_format.change,
        when=time_format.moment,
        iso=time_format.iso,
        span=texts.span,
        ago=time_format.ago,
        degrees=time_format.degrees,
    )
    app.jinja_env.filters.update(
        suspect=texts.suspect,
        reading_name=texts.NAMES.__getitem__,
        parted=parted,
        tr=tr,
        capital=texts.capital,
        asked=texts.asked,
    )
    app.jinja_env.globals.update(
        suspects=SUSPECTS,
        suspect=texts.suspect,
        finding_texts=texts.FINDINGS,
        t=t,
        short=short,
        reader=reader,
        measurements=texts.measurements,
        poll_s=limits.WEB.poll_s.value,
        lost_s=limits.WEB.lost_s.value,
    )
    # Addresses that every page has: they stay as they are; asking for each again is half of what a small page costs.
    with app.test_request_context():
        app.jinja_env.globals["menu"] = [(endpoint, url_for(endpoint), title) for endpoint, title in MENU]
        for name, file in (("style_url", "style.css"), ("script_url", "page.js"), ("charts_url", "charts.js")):
            app.jinja_env.globals[name] = url_for("static", filename=file)
    app.context_processor(_common)
    app.register_error_handler(HTTPException, _http_error)
    app.register_error_handler(CondenserError, _our_error)


def _common() -> dict[str, Any]:
    found, may = page_context(), guard.may()
    return {
        "site": found.settings.site,
        "unit": found.settings.unit,
        "notify": found.settings.notify if may else None,
        "now_s": found.wall(),
        "signed_in": guard.signed_in(),
        "may": may,
        "scale": found.scale(),
        "language": reader().language,
        "calm": found.look().calm if may else None,
    }


def _http_error(error: HTTPException) -> Any:
    """A refusal in words; as JSON for programs."""
    code = error.code or 500
    if request.path.startswith("/api/"):
        return {"error": error.name, "why": error.description or ""}, code
    if error.response is not None:
        return error.response
    return render_template("error.html", title=_title(code, error.name), why=_why(error, code)), code


def _title(code: int, name: str) -> str:
    """A refusal's name in the catalogue's words, where it has them."""
    return t(f"error-{code}") if f"error-{code}" in PAGE else name


def _why(error: HTTPException, code: int) -> str:
    """The reason that a view has given; the library's own words are for programs."""
    if error.description != type(error).description:
        return error.description or ""
    return t(f"error-{code}-why") if f"error-{code}-why" in PAGE else ""


def _our_error(error: CondenserError) -> Any:
    """What a person gave cannot be used (400), or the disk fails (503)."""
    code = 503 if isinstance(error, HistoryError) else 400
    if request.path.startswith("/api/"):
        return {"error": type(error).__name__, "why": str(error)}, code
    return render_template("error.html", title=t("did-not-work"), why=str(error)), code
