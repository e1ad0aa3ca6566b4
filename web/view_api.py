"""The JSON interface for programs: the same records as everywhere, msgspec's JSON of records.py and kept.py.

ROUTES describes each call once; the views are registered from it and web/openapi.py makes the document from it.
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec
from flask import Blueprint, Response, request

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    AlertChange,
    Answer,
    Change,
    Cycle,
    Request,
    UnitStatus,
)
from condenser_monitor.monitor.storage.models import (
    Health,
    Lane,
    StoredEvent,
    StoredPoint,
)
from condenser_monitor.web import openapi as document
from condenser_monitor.web.context import page_context
from condenser_monitor.web.openapi import Param, Route
from condenser_monitor.web.view_alerts import put

api = Blueprint("api", __name__, url_prefix="/api/v1")


class Fresh(msgspec.Struct, frozen=True, kw_only=True):
    """The status, and whether it may be believed: `blind` when it is too old or there is none."""

    status: UnitStatus | None
    age_s: float | None
    blind: bool


class PastEvent(msgspec.Struct, frozen=True, kw_only=True):
    """One event: a change of a finding or a step of an alert, the other one being null. `seq` is unbroken."""

    seq: int
    id: str
    wall_s: float | None
    change: Change | None
    alert: AlertChange | None


class PastCycle(msgspec.Struct, frozen=True, kw_only=True):
    """One finished cycle and when it stopped."""

    stopped_wall_s: float
    cycle: Cycle


class Left(msgspec.Struct, frozen=True, kw_only=True):
    """A request that was left; `answer` is None while the service has not answered yet."""

    id: str
    answer: Answer | None


# ---------------------------------------------------------------- the calls


def status() -> Fresh:
    seen = page_context().look()
    return Fresh(status=seen.status, age_s=seen.age_s, blind=seen.blind)


def health() -> Health:
    return page_context().history.health()


def events() -> list[PastEvent]:
    return [_event(kept) for kept in page_context().history.events(_whole("after", 0), _bounded("limit", 200, 1000))]


def _event(kept: StoredEvent) -> PastEvent:
    body = kept.body
    return PastEvent(
        seq=kept.seq,
        id=kept.id,
        wall_s=kept.wall_s,
        change=body if isinstance(body, Change) else None,
        alert=body if isinstance(body, AlertChange) else None,
    )


def cycles() -> list[PastCycle]:
    from_s, to_s = _span()
    rows = page_context().history.cycles(from_s, to_s, _bounded("limit", 200, 1000))
    return [PastCycle(stopped_wall_s=wall_s, cycle=cycle) for wall_s, cycle in rows]


def lanes() -> list[Lane]:
    return page_context().history.lanes(*_span())


def readings() -> list[StoredPoint]:
    from_s, to_s = _span()
    return page_context().history.readings(request.args.get("name", ""), from_s, to_s, _bounded("points", 500, 5000))


def leave() -> Left:
    try:
        wish = msgspec.json.decode(request.get_data(), type=Request)
    except (msgspec.DecodeError, ValueError) as error:
        raise CommandError("request", str(error), "JSON as the OpenAPI document says") from None
    return Left(id=wish.id, answer=put(wish))


def _span() -> tuple[float, float]:
    to_s = _number("to", page_context().wall() + 1)
    return _number("from", to_s - 86400.0), to_s


def _number(name: str, default: float) -> float:
    text = request.args.get(name)
    if text is None:
        return default
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -document.NUMBER_MOST < value < document.NUMBER_MOST:
        raise CommandError(name, text, "a number")
    return value


def _whole(name: str, default: int) -> int:
    value = _number(name, default)
    if value != int(value):
        raise CommandError(name, request.args.get(name), "a whole number")
    return int(value)


def _bounded(name: str, default: int, most: int) -> int:
    """How many are wanted: at least one, and never more than so many."""
    return min(max(_whole(name, default), 1), most)


_SPAN = (
    Param("from", "number", "start, seconds since 1970; a day before `to` when left out"),
    Param("to", "number", "end, seconds since 1970; now when left out"),
)
_NAME = Param("name", "string", "the reading", required=True, choices=tuple(READINGS))
ROUTES: tuple[Route, ...] = (
    Route("GET", "/status", "status", "The unit as it stands, and whether that may be believed", Fresh, status),
    Route("GET", "/health", "health", "How the monitor itself does", Health, health),
    Route(
        "GET",
        "/events",
        "events",
        "Changes of findings and steps of alerts, oldest first",
        list[PastEvent],
        events,
        (
            Param("after", "integer", "only those whose `seq` is higher"),
            Param("limit", "integer", "at most so many, 1 to 1000"),
        ),
    ),
    Route(
        "GET",
        "/cycles",
        "cycles",
        "Finished cooling cycles, newest first",
        list[PastCycle],
        cycles,
        (*_SPAN, Param("limit", "integer", "at most so many, 1 to 1000")),
    ),
    Route("GET", "/lanes", "lanes", "Stretches of call, contacts, compressor and fan", list[Lane], lanes, _SPAN),
    Route(
        "GET",
        "/readings",
        "readings",
        "One reading over a span: mean, lowest and highest of each stretch",
        list[StoredPoint],
        readings,
        (_NAME, *_SPAN, Param("points", "integer", "at most so many stretches, 1 to 5000")),
    ),
    Route(
        "POST", "/requests", "leave", "Leave a request: acknowledge, shelve, service mode ...", Left, leave, (), Request
    ),
)


def _served(route: Route) -> Callable[[], Response]:
    def view() -> Response:
        return Response(msgspec.json.encode(route.view()), mimetype="application/json")

    view.__doc__ = route.summary
    return view


for _route in ROUTES:
    api.add_url_rule(_route.path, _route.name, _served(_route), methods=[_route.method])


@api.get("/openapi.json")
def openapi() -> Response:
    """The OpenAPI document of this interface."""
    found = document.document(
        ROUTES,
        title="Condenser monitor",
        description="Read-only but for requests. On the monitor itself it is open; elsewhere it wants a token.",
    )
    return Response(msgspec.json.encode(found), mimetype="application/json")
