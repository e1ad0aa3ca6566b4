"""Alerts: what stands, and the wishes a person may have: acknowledge, a visit, repaired, shelve, service mode ..."""

from __future__ import annotations

import secrets

from flask import Blueprint, abort, flash, redirect, render_template, request, session, url_for
from werkzeug.wrappers import Response

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.alarms.alarm_manager import TRANSITIONS, AlertEvent
from condenser_monitor.monitor.core.findings import can_be_meant
from condenser_monitor.monitor.core.records import (
    Alert,
    AlertChange,
    AlertState,
    Answer,
    EpisodeState,
    Request,
    RequestKind,
)
from condenser_monitor.monitor.strings.episodes import besides
from condenser_monitor.web.context import page_context
from condenser_monitor.web.template_strings import plain, t

alerts = Blueprint("alerts", __name__)
SHELVE_H = (1, 4, 12, 24, 72, 168)
SERVICE_H = (1, 2, 4, 8)
_EVENTS = {
    RequestKind.ACKNOWLEDGE: AlertEvent.ACKNOWLEDGE,
    RequestKind.RESET: AlertEvent.RESET,
    RequestKind.SHELVE: AlertEvent.SHELVE,
}
_FOR_HOURS = (RequestKind.SHELVE, RequestKind.SERVICE)


@alerts.get("/alerts")
def listed() -> str:
    """Alerts as they stand, and what became of earlier ones."""
    seen = page_context().look()
    shown = () if seen.status is None else seen.status.alerts
    episodes = () if seen.status is None else seen.status.episodes
    steps = [kept for kept in page_context().history.latest_events(limit=200) if isinstance(kept.body, AlertChange)]
    return render_template(
        "alerts.html",
        alerts=[(alert, offered(alert)) for alert in shown],
        episodes=[
            (one, can_be_meant(one.findings), besides(one)) for one in episodes if one.state is not EpisodeState.OVER
        ],
        steps=steps[:60],
        seen=seen,
        by=session.get("by", ""),
        shelve_h=SHELVE_H,
        service_h=SERVICE_H,
        nonce=secrets.token_hex(8),
    )


def offered(alert: Alert) -> list[RequestKind]:
    """The requests that would change this alert, by the alert's own table; the service has the last word."""
    if alert.state is AlertState.SHELVED:
        return [RequestKind.UNSHELVE]
    moves = TRANSITIONS[alert.state]
    return [kind for kind, event in _EVENTS.items() if moves[event] is not alert.state]


@alerts.post("/alerts/<kind>")
def ask(kind: str) -> Response:
    """Leave a request for the service, wait a moment for its answer, and say what became of it."""
    if kind not in list(RequestKind):
        abort(404)
    by = request.form.get("by", "").strip()
    session["by"] = by[:64]
    if request.form.get("visit") and not request.form.get("day"):
        flash(t("answer-day-missing"))
        return redirect(url_for("alerts.listed"))
    # One form asks for several things about the same alert; sent twice, each is one request.
    nonce = request.form.get("nonce") or secrets.token_hex(8)
    visit = "-visit" if request.form.get("visit") else ""
    wish = Request(
        id=request.form.get("id") or f"{nonce}-{kind}{visit}",
        request=RequestKind(kind),
        by=by or plain("someone"),
        finding=request.form.get("finding") or None,
        hours=hours(request.form.get("hours", "")) if kind in _FOR_HOURS else None,
        note=request.form.get("note", ""),
        part=request.form.get("part") or None,
        day=request.form.get("day") or None if kind == RequestKind.ACKNOWLEDGE else None,
    )
    answer = put(wish)
    if answer is None:
        flash(t("request-left"))
    else:
        flash(t("request-done") if answer.done else t("request-refused", why=answer.why))
    return redirect(url_for("past.trends" if wish.request is RequestKind.RENEW else "alerts.listed"))


def hours(text: str) -> float | None:
    """Hours as typed; None when they are not a number."""
    try:
        return float(text)
    except ValueError:
        return None


def put(wish: Request) -> Answer | None:
    """Leave a request and wait for its answer, at most a few seconds; None when there is none by then."""
    return page_context().history.ask(wish, limits.WEB.answer_wait_s.value)
