"""Settings of the page: the scale of temperature on this device, password, tokens for programs, sign-out."""

from __future__ import annotations

from typing import cast, get_args

from flask import Blueprint, abort, redirect, render_template, request, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.drawing.qr import as_qr
from condenser_monitor.monitor.strings.translate import LANGUAGES
from condenser_monitor.web import guard
from condenser_monitor.web.access import Right
from condenser_monitor.web.context import LANGUAGE_COOKIE, SCALE_COOKIE, page_context
from condenser_monitor.web.setup_steps import STEPS, is_set, shown_value
from condenser_monitor.web.template_strings import plain, t

settings = Blueprint("settings", __name__)
_YEAR_S = 366 * 86400


@settings.get("/settings")
def shown() -> str:
    """The page of settings."""
    return _page()


def _page(secret: str = "") -> str:
    found = page_context()
    address = guard.phone_address()
    access, stored = found.access, found.stored_settings()
    steps = [(step, step.slug in stored.steps) for step in STEPS]
    return render_template(
        "settings.html",
        chosen_language=request.cookies.get(LANGUAGE_COOKIE, "auto"),
        may_set=found.site_file.web.setup,
        problems=found.setting_problems(),
        offers=found.offers(found.history.status()),
        overview=[
            (
                step,
                done,
                [(one.name, shown_value(found.settings, one)) for one in step.fields if is_set(found.settings, one)],
            )
            for step, done in steps
        ],
        steps_done=sum(done for _, done in steps),
        next_step=next((step.slug for step, done in steps if not done), None),
        changes=stored.changes[::-1][:100],
        has_password=access.has_password,
        tokens=access.tokens(),
        secret=secret,
        least=int(limits.WEB.password_least.value),
        address=address,
        qr=Markup(as_qr(f"{address}/", plain("on-a-phone-qr")) if address else ""),  # noqa: S704 - drawn by us
        local=guard.is_local(),
    )


@settings.post("/settings/scale")
def scale() -> Response:
    """Show temperatures in °F or °C, and texts in a language, on this device."""
    chosen, language = request.form.get("scale", ""), request.form.get("language", "auto")
    if chosen not in ("F", "C"):
        abort(400, t("scale-is"))
    if language not in ("auto", *LANGUAGES):
        abort(400, t("refused-choice"))
    answer, secure = redirect(url_for("settings.shown")), page_context().settings.web.proxy
    for name, value in ((SCALE_COOKIE, chosen), (LANGUAGE_COOKIE, language)):
        answer.set_cookie(name, value, max_age=_YEAR_S, samesite="Lax", httponly=True, secure=secure)
    return answer


@settings.post("/settings/tokens")
def make_token() -> str:
    """Make a token or a technician's code; it is shown this once and never again."""
    right = request.form.get("right", "read")
    if right not in get_args(Right):
        abort(400, t("right-is"))
    name = request.form.get("name", "").strip()
    return _page(page_context().access.make_token(name, cast("Right", right), page_context().wall()))


@settings.post("/settings/tokens/revoke")
def revoke() -> Response:
    """Take a token's rights away, at once."""
    page_context().access.revoke(request.form.get("name", ""))
    return redirect(url_for("settings.shown"))
