"""What programs ask of the office: whether it is at work, and its numbers."""

from __future__ import annotations

from flask import Blueprint, Response

from condenser_monitor.monitor.fleet import health
from condenser_monitor.web.fleet.office_context import office_context

programs = Blueprint("programs", __name__)


@programs.get("/healthz")
def healthz() -> tuple[dict[str, str], int]:
    """Whether the office works (200) or not (503): the database answers, ingest lives and has caught up. For anybody,
    so it tells no more."""
    with office_context().store.read() as connection:
        fresh = health.freshness(connection, office_context().wall())
    well = fresh.working and not fresh.behind
    return {"status": "pass" if well else "fail"}, 200 if well else 503


@programs.get("/metrics")
def metrics() -> Response:
    """The office's numbers, for who has a token with the scope `metrics`."""
    found = office_context()
    text = health.metrics(found.store, found.settings, found.wall())
    return Response(text, content_type="application/openmetrics-text; version=1.0.0; charset=utf-8")
