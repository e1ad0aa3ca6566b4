"""The guard of the office: who may open which route, forged forms, floods, headers.

RIGHTS is the whole truth: a route that is not in it is closed to everybody, so a new one stays closed until somebody
has decided. What a technician sees of a route that is open to them is narrowed further by `people.visible`.
"""

from __future__ import annotations

import hmac
import secrets
from collections import OrderedDict
from collections.abc import Callable

from flask import Flask, Response, abort, current_app, g, redirect, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from condenser_monitor.monitor.fleet import people
from condenser_monitor.monitor.fleet.people import Role
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.web.fleet.office_context import held, office_context
from condenser_monitor.web.guard import HEADERS, SAFE, is_foreign

_ALL = frozenset(Role)
_OFFICE = frozenset({Role.OWNER, Role.DISPATCHER})
_OWNER = frozenset({Role.OWNER})
PUBLIC = frozenset({"static", "door.login"})
RIGHTS: dict[str, frozenset[Role]] = {
    "door.logout": _ALL,
    "door.password": _ALL,
    "lists.morning": _ALL,
    "lists.drifting": _ALL,
    "lists.silent": _ALL,
    "lists.due": _ALL,
    "lists.search": _ALL,
    "sites.site": _ALL,
    "sites.cycles": _ALL,
    "sites.season": _ALL,
    "sites.about": _OFFICE,
    "sites.ask": _OFFICE,
    "work.visits": _ALL,
    "work.visit": _ALL,
    "work.finish": _ALL,
    "work.book": _OFFICE,
    "work.score": _OFFICE,
    "work.plan": _OFFICE,
    "office.ingest": _OFFICE,
    "office.people": _OWNER,
    "office.add": _OWNER,
    "office.change": _OWNER,
    "office.audit": _OWNER,
}

SESSION_COOKIE, DOOR_COOKIE, TOKEN_FIELD = "fleet-session", "fleet-door", "form_token"
_PER_MIN = int(FLEET.requests_per_min.value)
_ADDRESSES_MOST = 10_000


class Flood:
    """Counts requests of each address in the running minute; forgets the addresses that have been quiet longest."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._counts: OrderedDict[str, tuple[int, int]] = OrderedDict()

    def is_one(self, address: str) -> bool:
        """Count one request; whether the address has sent too many in this minute."""
        minute = int(self._clock() // 60)
        began, count = self._counts.pop(address, (minute, 0))
        count = count + 1 if began == minute else 1
        self._counts[address] = (minute, count)
        while len(self._counts) > _ADDRESSES_MOST:
            self._counts.popitem(last=False)
        return count > _PER_MIN


def install(app: Flask) -> None:
    """Put the guard before every request and the headers behind it."""
    app.before_request(admit)
    app.after_request(add_headers)
    app.jinja_env.globals["form_token"] = form_token
    app.jinja_env.globals["may"] = may


def admit() -> AnyResponse | None:
    """Refuse, send to the sign-in, or let through (None)."""
    flood = current_app.extensions["flood"]
    assert isinstance(flood, Flood)
    if flood.is_one(request.remote_addr or ""):
        abort(Response("Too many requests. Try again in a minute.", 429, {"Retry-After": "60"}))
    if is_foreign() and (request.endpoint not in PUBLIC or request.method not in SAFE):
        abort(403, "Another page asked for this in your browser. Open the page itself.")
    token = request.cookies.get(SESSION_COOKIE, "")
    g.session = people.session(office_context().store, token, office_context().wall()) if token else None
    if request.endpoint not in PUBLIC:
        if g.session is None:
            return _away()
        if request.endpoint is not None and not may(request.endpoint):
            abort(403)
    _check_form()
    return None


def may(endpoint: str) -> bool:
    """Whether who is asking may open a route."""
    found = held()
    return found is not None and found.viewer.role in RIGHTS.get(endpoint, frozenset())


def _away() -> AnyResponse:
    if request.method != "GET":
        abort(401)
    return redirect(url_for("door.login", next=request.full_path.rstrip("?")))


def _check_form() -> None:
    """Refuse (400) a change that was not made by one of our own forms."""
    if request.method in SAFE:
        return
    kept, given = _kept_token(), request.form.get(TOKEN_FIELD, "")
    if not kept or not hmac.compare_digest(kept.encode(), given.encode()):
        abort(400, "This form is no longer valid. Open the page again and repeat.")


def _kept_token() -> str:
    found = held()
    return found.form_token if found is not None else request.cookies.get(DOOR_COOKIE, "")


def form_token() -> str:
    """The token that a form must carry: the session's; before signing in, one that a cookie repeats."""
    found = _kept_token()
    if not found:
        found = g.setdefault("door_token", secrets.token_urlsafe(24))
    return found


def set_cookie(response: AnyResponse, name: str, value: str) -> None:
    """A cookie that scripts cannot read and other sites do not send."""
    secure = office_context().settings.pages.https
    most_s = int(FLEET.session_most_s.value)
    response.set_cookie(name, value, max_age=most_s, httponly=True, secure=secure, samesite="Lax")


def add_headers(response: Response) -> Response:
    """The headers of every answer; nothing about customers is kept by a cache."""
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)
    if request.endpoint != "static":
        response.headers.setdefault("Cache-Control", "no-store")
    if "door_token" in g:
        set_cookie(response, DOOR_COOKIE, g.door_token)
    return response
