"""Sign-in, first password, sign-out."""

from __future__ import annotations

import secrets

from flask import Blueprint, abort, current_app, redirect, render_template, request, session, url_for
from werkzeug.wrappers import Response

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.web import guard
from condenser_monitor.web.access import SignInTries
from condenser_monitor.web.context import page_context
from condenser_monitor.web.setup_steps import STEPS
from condenser_monitor.web.template_strings import t

door = Blueprint("door", __name__)
LEAST = int(limits.WEB.password_least.value)


@door.route("/setup", methods=["GET", "POST"])
def setup() -> str | Response | tuple[str, int]:
    """Set the first password. Once there is one, only who is signed in may change it, and not here."""
    access = page_context().access
    if access.has_password:
        return redirect(url_for("door.login"))
    if request.method == "GET":
        return render_template("setup.html", least=LEAST, problem="")
    first, again = request.form.get("password", ""), request.form.get("again", "")
    if first != again:
        return render_template("setup.html", least=LEAST, problem=t("entries-differ")), 400
    try:
        access.set_password(first, first=True)
    except CommandError as error:
        if access.has_password:  # somebody else was faster by a moment
            return redirect(url_for("door.login"))
        return render_template("setup.html", least=LEAST, problem=t("password-needs", allowed=error.allowed)), 400
    return _enter(url_for("setup.shown", slug=STEPS[0].slug) if page_context().setup_wanted() else "")


@door.route("/login", methods=["GET", "POST"])
def login() -> str | Response | tuple[str, int]:
    """Sign in with the password; wrong tries are counted."""
    access, tries = page_context().access, current_app.extensions["tries"]
    assert isinstance(tries, SignInTries)
    if not access.has_password:
        return redirect(url_for("door.setup"))
    if request.method == "GET":
        return render_template("login.html", problem="")
    wait_s, right = tries.attempt(guard.address(), lambda: access.is_password(request.form.get("password", "")))
    if wait_s > 0:
        return render_template("login.html", problem=_wait(wait_s)), 429
    if not right:
        return render_template("login.html", problem=t("wrong-password")), 401
    return _enter()


def _wait(seconds: float) -> str:
    return t("too-many-passwords", minutes=f"{max(1.0, seconds / 60):.0f}")


@door.post("/logout")
def logout() -> Response:
    """Sign out on this device; a copy of its cookie is of no more use either."""
    if guard.signed_in():
        page_context().access.end_session(session[guard.SIGN], page_context().wall())
    session.clear()
    return redirect(url_for("door.login"))


def _enter(next_page: str = "") -> Response:
    """Begin a fresh session, so that nothing of an earlier one is kept, and go on to a page."""
    next_page = next_page or request.args.get("next", "")
    session.clear()
    session.permanent = True
    session["epoch"] = page_context().access.epoch
    session[guard.SIGN] = secrets.token_urlsafe(16)
    return redirect(next_page if guard.is_own(next_page) else url_for("pages.status"))


@door.post("/password")
def password() -> Response:
    """Change the password: the old one is asked, where there is one. All other sessions end."""
    access = page_context().access
    tries = current_app.extensions["tries"]
    assert isinstance(tries, SignInTries)
    if access.has_password:
        wait_s, right = tries.attempt(guard.address(), lambda: access.is_password(request.form.get("old", "")))
        if wait_s > 0:
            abort(429, _wait(wait_s))
        if not right:
            abort(403, t("wrong-old-password"))
    if request.form.get("password", "") != request.form.get("again", ""):
        abort(400, t("entries-differ"))
    access.set_password(request.form.get("password", ""))
    return _enter()
