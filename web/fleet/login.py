"""Sign-in, sign-out, one's own password."""

from __future__ import annotations

from flask import Blueprint, abort, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from condenser_monitor.monitor.fleet import people
from condenser_monitor.monitor.fleet.people import TooManyTries
from condenser_monitor.web.fleet import guard
from condenser_monitor.web.fleet.office_context import field, office_context, viewer
from condenser_monitor.web.guard import is_own

door = Blueprint("door", __name__)


@door.route("/login", methods=["GET", "POST"])
def login() -> str | Response | tuple[str, int]:
    """Sign in; wrong tries are counted by login and by address."""
    if request.method == "GET":
        return render_template("fleet/login.html", problem="")
    try:
        token = _sign_in(request.form.get("login", ""))
    except TooManyTries as error:
        problem = f"Too many wrong passwords. Try again in {error.retry_s / 60:.0f} min."
        return render_template("fleet/login.html", problem=problem), 429
    if token is None:
        return render_template("fleet/login.html", problem="Login or password is not right."), 401
    to = request.args.get("next", "")
    answer = redirect(to if is_own(to) else url_for("lists.morning"))
    guard.set_cookie(answer, guard.SESSION_COOKIE, token)
    answer.delete_cookie(guard.DOOR_COOKIE)
    return answer


def _sign_in(login: str) -> str | None:
    address, password = request.remote_addr or "", request.form.get("password", "")
    return people.sign_in(office_context().store, login, password, address=address, now=office_context().wall())


@door.post("/logout")
def logout() -> Response:
    """End this session."""
    people.sign_out(office_context().store, request.cookies.get(guard.SESSION_COOKIE, ""))
    answer = redirect(url_for("door.login"))
    answer.delete_cookie(guard.SESSION_COOKIE)
    return answer


@door.route("/password", methods=["GET", "POST"])
def password() -> str | Response:
    """Change one's own password: the old one is asked, and all sessions end."""
    if request.method == "GET":
        return render_template("fleet/password.html")
    if field("new") != field("again"):
        abort(400, "The two entries differ.")
    me = viewer()
    token = _sign_in_again(me.login)
    if token is None:
        abort(403, "The old password is not right.")
    people.set_password(
        office_context().store, me.login, request.form.get("new", ""), by=me.login, now=office_context().wall()
    )
    return redirect(url_for("door.login"))


def _sign_in_again(login: str) -> str | None:
    address, old = request.remote_addr or "", request.form.get("old", "")
    return people.sign_in(office_context().store, login, old, address=address, now=office_context().wall())
