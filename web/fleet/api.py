"""The office's JSON interface for programs: sites, cases, customers, visits, by the queries that the pages use.

ROUTES describes each call once; the views and the OpenAPI document are made from it. What is known of people's health
is not handed out: only how vulnerable they are, by number.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Annotated, Any, Generic, Literal, TypeVar

import msgspec
import sqlalchemy as sa
from flask import Blueprint, Response, abort, request

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import Severity
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.fleet import health, people, queries, tenants
from condenser_monitor.monitor.fleet import visits as visiting
from condenser_monitor.monitor.fleet.active_alerts import ActiveAlerts
from condenser_monitor.monitor.fleet.queries import PAGE_ROWS, Case, Page, SiteLine
from condenser_monitor.monitor.fleet.visits import Booked
from condenser_monitor.monitor.strings.calm import Calm, short
from condenser_monitor.web import openapi as document
from condenser_monitor.web.fleet.office_context import office_context, offset, viewer
from condenser_monitor.web.openapi import Param, Route

api = Blueprint("api", __name__, url_prefix=document.PREFIX)
_Row = TypeVar("_Row")
KEY_MOST = 2**63 - 1
_CAUSES = ("", visiting.OTHER, visiting.NOT_FOUND, *SUSPECTS)
WORDS_MOST = 200


class Rows(msgspec.Struct, Generic[_Row], frozen=True, kw_only=True):
    """Some rows of a longer list, beginning at `offset` of `total`. `trusted` is false while ingest has stopped or is
    behind, or many monitors are silent at once: what is not on the list is then no sign that all is well."""

    rows: list[_Row]
    total: int
    offset: int
    trusted: bool


class Site(SiteLine, frozen=True, kw_only=True):
    """A site, and whether all is known to be well there (`calm`), with the state in a few words."""

    calm: bool
    words: str


class Stands(msgspec.Struct, frozen=True, kw_only=True):
    """A finding that stands at a site."""

    finding: str
    severity: Severity
    since_at: float
    suspects: list[str]
    summary: str
    alert_state: str
    alert_by: str


class SiteDetail(Site, frozen=True, kw_only=True):
    """A site with what stands there and its nameplate; null for what is not known."""

    vulnerability: int
    unit: Unit | None
    outdoor_c: float | None
    cycle: str | None
    stands: list[Stands]


class OpenCase(msgspec.Struct, frozen=True, kw_only=True):
    """A site with the finding for which it is on the list, in the order in which somebody is to be sent. `cooling`:
    what it means for the house; `load`: what to take along; `perhaps`: what besides, if it is none of the likeliest."""

    site: str
    name: str
    customer: str
    address: str
    phone: str
    vulnerability: int
    technician: str | None
    outdoor_c: float | None
    online: bool | None
    finding: str
    severity: Severity
    since_at: float
    suspects: list[str]
    summary: str
    cooling: str
    part: str
    load: list[str]
    perhaps: list[str]
    alert_state: str
    alert_by: str
    booked_day: str | None
    booked_for: str | None
    visited_at: float | None


class Customer(msgspec.Struct, frozen=True, kw_only=True):
    """A customer with the premises and the sites that are theirs; a former one has none. `id` is ours;
    `customer_number` the office's own, where it has one."""

    id: int
    customer: str
    customer_number: str | None
    phone: str
    premises: list[queries.Premises]
    sites: list[Site]


class Visit(Booked, frozen=True, kw_only=True):
    """A visit: `booked`, `done` or `dropped`. `suspects` are those of the day it was booked; `was` is what it really
    was, "" where nothing was wrong or it is not made yet."""


class Technician(msgspec.Struct, frozen=True, kw_only=True):
    """Somebody who can be sent."""

    login: str
    name: str


_Line = Annotated[str, msgspec.Meta(max_length=500, pattern=document.NO_NUL)]
_Note = Annotated[str, msgspec.Meta(max_length=visiting.NOTE_MOST, pattern=document.NO_NUL)]
_Kind = Literal["repair", "drift", "plan", "monitor"]


class NewVisit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A visit to book. `technician` is a login, null for nobody yet; the suspects of `finding` are kept as they stand
    now."""

    site: _Line
    due_day: date
    kind: _Kind = "repair"
    technician: _Line | None = None
    finding: _Line = ""
    note: _Note = ""


class NewTenant(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who lives there from now on, on all units of the premises: a new customer, or one whom the office has by
    `customer_number`, or else by this name and telephone number."""

    customer: _Line
    customer_number: _Line = ""
    phone: _Line = ""
    plan: _Line = ""


class CustomerChange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is known of a customer; what is left out stays."""

    customer: Annotated[str, msgspec.Meta(min_length=1, max_length=500, pattern=document.NO_NUL)] | None = None
    customer_number: _Line | None = None
    phone: _Line | None = None


class Move(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Another day for a booked visit, and who makes it: left out, as it is; null, nobody yet."""

    due_day: date
    technician: _Line | msgspec.UnsetType | None = msgspec.UNSET


class Outcome(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What became of a visit: `was` is a suspect, "other", "not-found", or "" where nothing was wrong; for a visit
    that was `dropped` it says nothing."""

    status: Literal["done", "dropped"]
    was: Literal[_CAUSES]  # type: ignore[valid-type]
    parts: Annotated[list[_Line], msgspec.Meta(max_length=100)] = []
    note: _Note = ""


# ---------------------------------------------------------------- the calls


def sites() -> Rows[Site]:
    with office_context().store.read() as connection:
        page = queries.search(connection, viewer(), _words(), offset=offset())
        return _rows(connection, page, _sites(connection, page.rows))


def site(name: str) -> SiteDetail:
    with office_context().store.read() as connection:
        page = queries.site(connection, viewer(), name, days=1)
        found = [] if page is None else _sites(connection, [page.about])
    if page is None:
        abort(404, "no such site")
    about = msgspec.structs.asdict(found[0])
    now = {field: getattr(page, field) for field in ("vulnerability", "unit", "outdoor_c", "cycle")}
    return SiteDetail(**about, **now, stands=[_stands(row) for row in page.stands])


def cases() -> Rows[OpenCase]:
    asked = _choice("list", tuple(_LISTS))
    with office_context().store.read() as connection:
        page = _LISTS[asked](connection, viewer(), office_context().wall(), offset=offset())
        return _rows(connection, page, [_case(row) for row in page.rows])


def customers() -> Rows[Customer]:
    asked = _choice("list", _CUSTOMERS)
    with office_context().store.read() as connection:
        page = queries.customers(connection, viewer(), _words(), former=asked == "former", offset=offset())
        return _rows(connection, page, _customers(connection, page.rows))


def customer(key: int) -> Customer:
    with office_context().store.read() as connection:
        found = queries.customer(connection, viewer(), key)
        rows = [] if found is None else _customers(connection, [found])
    if not rows:
        abort(404, "no such customer")
    return rows[0]


def change_customer(key: int) -> Customer:
    wanted = _body(CustomerChange)
    about = {name: text for name, text in msgspec.structs.asdict(wanted).items() if text is not None}
    with office_context().store.write() as connection:
        if tenants.customer_row(connection, viewer(), key) is None:
            abort(404, "no such customer")
        if about:
            tenants.edit_customer(connection, viewer(), key, about, office_context().wall())
    return customer(key)


def _customers(connection: sa.Connection, rows: Sequence[queries.Customer]) -> list[Customer]:
    lines = {line.site: line for line in _sites(connection, [line for row in rows for line in row.sites])}
    return [
        Customer(
            **msgspec.structs.asdict(row)
            | {"premises": list(row.premises), "sites": [lines[line.site] for line in row.sites]}
        )
        for row in rows
    ]


def visits() -> Rows[Visit]:
    status = _choice("status", _STATUSES)
    with office_context().store.read() as connection:
        rows = visiting.listed(connection, viewer(), status=status, limit=PAGE_ROWS, offset=offset())
        page = Page(rows, visiting.count(connection, viewer(), status), offset())
        return _rows(connection, page, [_visit(row) for row in rows])


def visit(key: int) -> Visit:
    with office_context().store.read() as connection:
        return _visit(_found(connection, key))


def technicians() -> list[Technician]:
    with office_context().store.read() as connection:
        found = people.technicians(connection, viewer())
    return [Technician(login=one.login, name=one.name) for one in sorted(found, key=lambda one: one.login)]


def book() -> Visit:
    wanted = _body(NewVisit)
    me, now = viewer(), office_context().wall()
    with office_context().store.write() as connection:
        if queries.may_see(connection, me, wanted.site) is None:
            abort(404, "no such site")
        suspects = visiting.suspects_now(connection, me, wanted.site, wanted.finding)
        key = visiting.book(
            *(connection, me, wanted.site),
            kind=wanted.kind,
            due_day=wanted.due_day.isoformat(),
            technician_id=_technician(connection, wanted.technician),
            finding="" if suspects is None else wanted.finding,
            suspects=suspects or (),
            text=wanted.note,
            now=now,
        )
        return _visit(_found(connection, key))


def tenant(name: str) -> SiteDetail:
    wanted = _body(NewTenant)
    with office_context().store.write() as connection:
        if queries.may_see(connection, viewer(), name) is None:
            abort(404, "no such site")
        about = msgspec.structs.asdict(wanted)
        about["number"] = about.pop("customer_number")
        tenants.change(connection, viewer(), name, **about, now=office_context().wall())
    return site(name)


def move(key: int) -> Visit:
    wanted = _body(Move)
    with office_context().store.write() as connection:
        _found(connection, key)
        chosen = wanted.technician
        visiting.move(
            *(connection, viewer(), key),
            due_day=wanted.due_day.isoformat(),
            technician_id=visiting.KEEP if chosen is msgspec.UNSET else _technician(connection, chosen),
            now=office_context().wall(),
        )
        return _visit(_found(connection, key))


def close(key: int) -> Visit:
    wanted, now = _body(Outcome), office_context().wall()
    with office_context().store.write() as connection:
        _found(connection, key)
        if wanted.status == visiting.DROPPED:
            visiting.drop(connection, viewer(), key, text=wanted.note, now=now)
        else:
            about = {"was": wanted.was, "used": wanted.parts, "text": wanted.note}
            visiting.finish(connection, viewer(), key, **about, now=now)
        return _visit(_found(connection, key))


def _body(kind: type[_Row]) -> _Row:
    try:
        return msgspec.json.decode(request.get_data(), type=kind)
    except (msgspec.DecodeError, ValueError) as error:
        raise CommandError("body", str(error), "JSON as the OpenAPI document says") from None


def _technician(connection: sa.Connection, login: str | None) -> int | None:
    """The key of somebody who can be sent, by login."""
    if login is None:
        return None
    found = next((one.id for one in people.technicians(connection, viewer()) if one.login == login), None)
    if found is None:
        abort(404, "no such technician")
    return found


# ---------------------------------------------------------------- how rows become records


def _rows(connection: sa.Connection, page: Page[Any], rows: list[_Row]) -> Rows[_Row]:
    fresh = health.freshness(connection, office_context().wall())
    return Rows(rows=rows, total=page.total, offset=page.offset, trusted=fresh.trusted)


def _sites(connection: sa.Connection, lines: Sequence[SiteLine]) -> list[Site]:
    calms: dict[str, Calm] = queries.calms(connection, [line.site for line in lines], office_context().wall())
    states = ((line, calms[line.site]) for line in lines)
    return [Site(**msgspec.structs.asdict(line), calm=state.calm, words=short(state)) for line, state in states]


def _stands(row: ActiveAlerts) -> Stands:
    values = {name: getattr(row, name) for name in Stands.__struct_fields__}
    return Stands(**values | {"severity": Severity(row.severity), "suspects": msgspec.json.decode(row.suspects)})


def _case(row: Case) -> OpenCase:
    return OpenCase(**{name: getattr(row, name) for name in OpenCase.__struct_fields__})


def _visit(row: Booked) -> Visit:
    return Visit(**msgspec.structs.asdict(row))


def _found(connection: sa.Connection, key: int) -> Booked:
    found = visiting.one(connection, viewer(), key)
    if found is None:
        abort(404, "no such visit")
    return found


def _words() -> str:
    words = request.args.get("q", "")
    if len(words) > WORDS_MOST or "\x00" in words:
        raise CommandError("q", words, f"at most {WORDS_MOST} characters, none of them NUL")
    return words


def _choice(name: str, allowed: tuple[str, ...]) -> str:
    """A parameter of a few values; the first where it is left out."""
    text = request.args.get(name, allowed[0])
    if text not in allowed:
        raise CommandError(name, text, " or ".join(allowed))
    return text


# ---------------------------------------------------------------- the table

_LISTS = {"urgent": queries.morning, "drifting": queries.drifting, "to-ask": queries.to_ask}
_CUSTOMERS = ("present", "former")
_STATUSES = (visiting.BOOKED, visiting.DONE, visiting.DROPPED)
_FROM = Param("from", "integer", f"where the page of {PAGE_ROWS} rows begins", bounds=(-1, 10**9))
_WORDS = Param("q", "string", "only those that hold every one of these words", most=WORDS_MOST)
_SITE = Param("name", "string", "the site's id", place="path")
_CUSTOMER = Param("key", "integer", "the customer's `id`", place="path", bounds=(-1, KEY_MOST))
_KEY = Param("key", "integer", "the visit's number", place="path", bounds=(-1, KEY_MOST))
REASONS = document.REASONS | {
    "403": "the token has not the scope",
    "429": "too many requests in this minute",
    "503": "the database fails",
}
_NONE = {"404": "there is none"}
_CONFLICT = _NONE | {"409": "it speaks against a visit that is booked already, or made"}
ROUTES: tuple[Route, ...] = (
    Route("GET", "/sites", "sites", "Sites by name", Rows[Site], sites, (_WORDS, _FROM)),
    Route("GET", "/sites/{name}", "site", "One site, with what stands there", SiteDetail, site, (_SITE,), None, _NONE),
    Route(
        "GET",
        "/cases",
        "cases",
        "Who needs somebody now, in the order of the morning list; what is drifting; or who is to be asked",
        Rows[OpenCase],
        cases,
        (Param("list", "string", "which list; urgent when left out", choices=tuple(_LISTS)), _FROM),
    ),
    Route(
        "GET",
        "/customers",
        "customers",
        "Customers with their premises and sites",
        Rows[Customer],
        customers,
        (Param("list", "string", "which; present when left out", choices=_CUSTOMERS), _WORDS, _FROM),
    ),
    Route("GET", "/customers/{key}", "customer", "One customer", Customer, customer, (_CUSTOMER,), None, _NONE),
    Route(
        "POST",
        "/customers/{key}",
        "change_customer",
        "Change what is known of a customer",
        Customer,
        change_customer,
        (_CUSTOMER,),
        CustomerChange,
        _NONE,
    ),
    Route(
        "GET",
        "/visits",
        "visits",
        "Visits: those booked by day, others the newest first",
        Rows[Visit],
        visits,
        (Param("status", "string", "booked when left out", choices=_STATUSES), _FROM),
    ),
    Route("GET", "/visits/{key}", "visit", "One visit", Visit, visit, (_KEY,), None, _NONE),
    Route("POST", "/visits", "book", "Book a visit", Visit, book, (), NewVisit, _CONFLICT),
    Route(
        "POST",
        "/sites/{name}/tenant",
        "tenant",
        "Say who lives there now",
        SiteDetail,
        tenant,
        (_SITE,),
        NewTenant,
        _NONE,
    ),
    Route("POST", "/visits/{key}/move", "move", "Move or assign a booked visit", Visit, move, (_KEY,), Move, _CONFLICT),
    Route("POST", "/visits/{key}/outcome", "close", "Say what became of it", Visit, close, (_KEY,), Outcome, _CONFLICT),
    Route("GET", "/technicians", "technicians", "Who can be sent", list[Technician], technicians),
)


def _served(route: Route) -> Callable[..., Response]:
    def view(**parts: Any) -> Response:
        if parts.get("key", 0) > KEY_MOST:
            abort(404, "nothing has so large a number")
        return Response(msgspec.json.encode(route.view(**parts)), mimetype="application/json")

    view.__doc__ = route.summary
    return view


for _route in ROUTES:
    _path = _route.path.replace("{name}", "<name>").replace("{key}", "<int:key>")
    api.add_url_rule(_path, _route.name, _served(_route), methods=[_route.method])


@api.get("/openapi.json")
def openapi() -> Response:
    """The OpenAPI document of this interface."""
    found = document.document(
        ROUTES,
        title=f"{office_context().settings.name}: the contractor's office",
        description="For programs with a token (`condenser-monitor fleet add-token`): the scope `read` for what is "
        "asked, `write` for what is changed. Instants are seconds since 1970, days those of the office.",
        reasons=REASONS,
    )
    return Response(msgspec.json.encode(found), mimetype="application/json")
