"""The OpenAPI 3.1 document of a JSON interface, the unit's or the office's, made from its table of routes and the
records' own types."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from importlib.metadata import version
from typing import Any, Literal, NamedTuple

import msgspec

_REFS = "#/components/schemas/{name}"
PREFIX = "/api/v1"
NO_NUL = r"^[^\x00]*$"  # what a database cannot keep in a text
NUMBER_MOST = 10**12  # of seconds since 1970, and of anything counted


REASONS = {"400": "it cannot be used", "401": "no right, or no token", "503": "the disk fails"}


class Param(NamedTuple):
    """A parameter of a query, or a part of the path."""

    name: str
    kind: Literal["number", "integer", "string"]
    meaning: str
    required: bool = False
    choices: tuple[str, ...] = ()
    place: Literal["query", "path"] = "query"
    bounds: tuple[int, int] = (-NUMBER_MOST, NUMBER_MOST)  # of a number, neither of them allowed itself
    most: int = 0  # characters of a string, 0 for any number


class Route(NamedTuple):
    """One call: where, what it gives, what it takes. `body`: the type of the JSON sent; `refusals`: its own reasons."""

    method: Literal["GET", "POST"]
    path: str
    name: str
    summary: str
    gives: Any
    view: Callable[..., Any]
    params: tuple[Param, ...] = ()
    body: Any = None
    refusals: Mapping[str, str] = {}


def document(
    routes: Sequence[Route], *, title: str, description: str, reasons: Mapping[str, str] = REASONS
) -> dict[str, Any]:
    """Return the whole document, JSON-able. `reasons`: what any call may be refused for, by status."""
    types = [route.gives for route in routes] + [route.body for route in routes if route.body is not None]
    schemas, components = msgspec.json.schema_components(types, ref_template=_REFS)
    bodies = iter(schemas[len(routes) :])
    paths: dict[str, Any] = {}
    for route, gives in zip(routes, schemas, strict=False):
        takes = next(bodies) if route.body is not None else None
        paths.setdefault(PREFIX + route.path, {})[route.method.lower()] = _operation(route, gives, takes, reasons)
    return {
        "openapi": "3.1.0",
        "info": {"title": title, "version": version("condenser-monitor"), "description": description},
        "paths": paths,
        "components": {
            "schemas": components | {"Refusal": _REFUSAL},
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
        "security": [{"token": []}],
    }


_REFUSAL = {
    "type": "object",
    "properties": {"error": {"type": "string"}, "why": {"type": "string"}},
    "required": ["error", "why"],
}


def _operation(
    route: Route, gives: dict[str, Any], takes: dict[str, Any] | None, reasons: Mapping[str, str]
) -> dict[str, Any]:
    found: dict[str, Any] = {
        "operationId": route.name,
        "summary": route.summary,
        "parameters": [_parameter(param) for param in route.params],
        "responses": {"200": {"description": "done", "content": _json(gives)}} | _refusals(route, reasons),
    }
    return found if takes is None else found | {"requestBody": {"required": True, "content": _json(takes)}}


def _refusals(route: Route, reasons: Mapping[str, str]) -> dict[str, Any]:
    found = dict(reasons) | dict(route.refusals)
    if route.method == "POST":
        found.setdefault("403", "the token may only read")
    content = _json({"$ref": _REFS.format(name="Refusal")})
    return {code: {"description": words, "content": content} for code, words in sorted(found.items())}


def _parameter(param: Param) -> dict[str, Any]:
    schema: dict[str, Any] = {"type": param.kind} | ({"enum": list(param.choices)} if param.choices else {})
    if param.kind != "string":
        low, high = param.bounds
        schema |= {"exclusiveMinimum": low, "exclusiveMaximum": high}
    if param.most:
        schema |= {"maxLength": param.most, "pattern": NO_NUL}
    return {
        "name": param.name,
        "in": param.place,
        "required": param.required or param.place == "path",
        "description": param.meaning,
        "schema": schema,
    }


def _json(schema: dict[str, Any]) -> dict[str, Any]:
    return {"application/json": {"schema": schema}}
