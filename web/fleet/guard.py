"""The guard of the office: who may open which route, forged forms, floods, headers.

RIGHTS is the whole truth: a route that is not in it is closed to everybody, so a new one stays closed until somebody
has decided. What a technician sees of a route that is open to them is narrowed further by `people.visible`.
"""

from __future__ import annotations

import secrets
from collections import OrderedDict
from collections.abc import Callable

from flask import Flask, Response, abort, current_app, g, request
from werkzeug.wrappers import Response as AnyResponse

from condenser_monitor.monitor.fleet import people
from condenser_monitor.monitor.fleet.people import Role
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.web.fleet.office_context import held, office_context
from condenser_monitor.web.guard import Guard, bearer

_ALL = frozenset(Role)
_OFFICE = frozenset({Role.OWNER, Role.DISPATCHER})
_OWNER = frozenset({Role.OWNER})
PUBLIC = frozenset({"static", "door.login", "programs.healthz"})
SCOPED = {  # for programs: the scope that their token must have
    "programs.metrics": "metrics",
    "api.sites": "read",
    "api.site": "read",
    "api.cases": "read",
    "api.customers": "read",
    "api.customer": "read",
    "api.visits": "read",
    "api.visit": "read",
    "api.technicians": "read",
    "api.openapi": "read",
    "api.book": "write",
    "api.tenant": "write",
    "api.change_customer": "write",
    "api.move": "write",
    "api.close": "write",
}
LINKED = frozenset({"work.feed"})  # the secret in the address is the right: calendars cannot sign in
RIGHTS: dict[str, frozenset[Role]] = {
    "door.logout": _ALL,
    "door.password": _ALL,
    "lists.morning": _ALL,
    "lists.drifting": _ALL,
    "lists.silent": _ALL,
    "lists.due": _ALL,
    "lists.search": _ALL,
    "customers.all_": _OFFICE,
    "customers.one": _OFFICE,
    "customers.change": _OFFICE,
    "customers.export": _OWNER,
    "customers.erase": _OWNER,
    "sites.site": _ALL,
    "sites.cycles": _ALL,
    "sites.season": _ALL,
    "sites.about": _OFFICE,
    "sites.tenant": _OFFICE,
    "sites.ask": _OFFICE,
    "sites.home": _OFFICE,
    "work.visits": _ALL,
    "work.visit": _ALL,
    "work.finish": _ALL,
    "work.book": _OFFICE,
    "work.dispatch": _OFFICE,
    "work.score": _OFFICE,
    "work.plan": _OFFICE,
    "work.customers": _OFFICE,
    "work.calendar": _ALL,
    "office.ingest": _OFFICE,
    "office.people": _OWNER,
    "office.add": _OWNER,
    "office.change": _OWNER,
    "office.audit": _OWNER,
}

SESSION_COOKIE, DOOR_COOKIE = "fleet-session", "fleet-door"
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


class OfficeGuard(Guard):
    """The guard of the office's pages: a session in the database, roles, and floods held off."""

    public = PUBLIC

    def install(self, app: Flask) -> None:
        super().install(app)
        app.jinja_env.globals["may"] = may

    def arrive(self) -> None:
        flood = current_app.extensions["flood"]
        assert isinstance(flood, Flood)
        if flood.is_one(request.remote_addr or ""):
            abort(Response("Too many requests. Try again in a minute.", 429, {"Retry-After": "60"}))
        token = request.cookies.get(SESSION_COOKIE, "")
        g.session = people.session(office_context().store, token, office_context().wall()) if token else None

    def decide(self, endpoint: str | None) -> AnyResponse | None:
        if endpoint in PUBLIC:
            return None
        if endpoint in LINKED:
            owner = people.calendar_viewer(office_context().store, str((request.view_args or {}).get("secret")))
            if owner is None:
                abort(401)
            g.feed_of = owner
            return None
        if endpoint in SCOPED or request.path.startswith("/api/"):
            found = people.program(office_context().store, bearer() or "")
            if found is None:
                abort(401)
            if endpoint is not None and SCOPED.get(endpoint) not in found.scopes:
                abort(403)
            g.program = found
            return None
        if g.session is None:
            return self.away()
        if endpoint is not None and not may(endpoint):
            abort(403)
        return None

    def kept_token(self) -> str:
        found = held()
        return found.form_token if found is not None else request.cookies.get(DOOR_COOKIE, "")

    def form_token(self) -> str:
        return self.kept_token() or str(g.setdefault("door_token", secrets.token_urlsafe(24)))

    def add_headers(self, response: Response) -> Response:
        if "door_token" in g:
            set_cookie(response, DOOR_COOKIE, g.door_token)
        return super().add_headers(response)


def may(endpoint: str) -> bool:
    """Whether who is asking may open a route."""
    found = held()
    return found is not None and found.viewer.role in RIGHTS.get(endpoint, frozenset())


def set_cookie(response: AnyResponse, name: str, value: str) -> None:
    """A cookie that scripts cannot read and other sites do not send."""
    secure = office_context().settings.pages.https
    most_s = int(FLEET.session_most_s.value)
    response.set_cookie(name, value, max_age=most_s, httponly=True, secure=secure, samesite="Lax")
