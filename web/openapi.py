"""The OpenAPI 3.1 document of the JSON interface, made from its table of routes and the records' own types."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import msgspec

if TYPE_CHECKING:
    from condenser_monitor.web.view_api import Param, Route

_REFS = "#/components/schemas/{name}"
PREFIX = "/api/v1"
NUMBER_MOST = 10**12  # of seconds since 1970, and of anything counted


def document(routes: Sequence[Route]) -> dict[str, Any]:
    """The whole document, JSON-able."""
    types = [route.gives for route in routes] + [route.body for route in routes if route.body is not None]
    schemas, components = msgspec.json.schema_components(types, ref_template=_REFS)
    bodies = iter(schemas[len(routes) :])
    paths: dict[str, Any] = {}
    for route, gives in zip(routes, schemas, strict=False):
        takes = next(bodies) if route.body is not None else None
        paths.setdefault(PREFIX + route.path, {})[route.method.lower()] = _operation(route, gives, takes)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Condenser monitor",
            "version": version("condenser-monitor"),
            "description": "Read-only but for requests. On the monitor itself it is open; elsewhere it wants a token.",
        },
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


def _operation(route: Route, gives: dict[str, Any], takes: dict[str, Any] | None) -> dict[str, Any]:
    said: dict[str, Any] = {
        "operationId": route.name,
        "summary": route.summary,
        "parameters": [_parameter(param) for param in route.params],
        "responses": {"200": {"description": "done", "content": _json(gives)}} | _refusals(route),
    }
    return said if takes is None else said | {"requestBody": {"required": True, "content": _json(takes)}}


def _refusals(route: Route) -> dict[str, Any]:
    reasons = {"400": "it cannot be used", "401": "no right, or no token", "503": "the disk fails"}
    if route.method == "POST":
        reasons["403"] = "the token may only read"
    content = _json({"$ref": _REFS.format(name="Refusal")})
    return {code: {"description": words, "content": content} for code, words in reasons.items()}


def _parameter(param: Param) -> dict[str, Any]:
    schema: dict[str, Any] = {"type": param.kind} | ({"enum": list(param.choices)} if param.choices else {})
    if param.kind != "string":
        schema |= {"exclusiveMinimum": -NUMBER_MOST, "exclusiveMaximum": NUMBER_MOST}
    return {
        "name": param.name,
        "in": "query",
        "required": param.required,
        "description": param.meaning,
        "schema": schema,
    }


def _json(schema: dict[str, Any]) -> dict[str, Any]:
    return {"application/json": {"schema": schema}}
