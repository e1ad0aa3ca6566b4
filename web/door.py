"""Sign-in, first password, sign-out."""

from __future__ import annotations

import time
from urllib.parse import urlsplit

from flask import Blueprint, abort, current_app, redirect, render_template, request, session, url_for
from werkzeug.wrappers import Response

from monitor.errors import CommandError
from web import guard
from web.access import Tries
from web.window import window

door = Blueprint("door", __name__)


@door.route("/setup", methods=["GET", "POST"])
def setup() -> str | Response | tuple[str, int]:
    """Set the first password. Once there is one, only who is signed in may change it, and not here."""
    access = window().access
    if access.has_password:
        return redirect(url_for("door.login"))
    if request.method == "GET":
        return render_template("setup.html", problem="")
    first, again = request.form.get("password", ""), request.form.get("again", "")
    if first != again:
        return render_template("setup.html", problem="The two entries differ."), 400
    try:
        access.set_password(first)
    except CommandError as error:
        return render_template("setup.html", problem=f"A password has {error.allowed}."), 400
    return _enter()


@door.route("/login", methods=["GET", "POST"])
def login() -> str | Response | tuple[str, int]:
    """Sign in with the password; wrong tries are counted."""
    access, tries = window().access, current_app.extensions["tries"]
    assert isinstance(tries, Tries)
    if not access.has_password:
        return redirect(url_for("door.setup"))
    if request.method == "GET":
        return render_template("login.html", problem="")
    wait_s = tries.wait_s(guard.address())
    if wait_s > 0:
        problem = f"Too many wrong passwords. Try again in {wait_s / 60:.0f} min."
        return render_template("login.html", problem=problem), 429
    if not access.is_password(request.form.get("password", "")):
        tries.wrong(guard.address())
        return render_template("login.html", problem="That is not the password."), 401
    return _enter()


@door.post("/logout")
def logout() -> Response:
    """Sign out on this device."""
    session.clear()
    return redirect(url_for("door.login"))


def _enter() -> Response:
    """Begin a fresh session, so that nothing of an earlier one is kept."""
    next_page = request.args.get("next", "")
    session.clear()
    session.permanent = True
    session["epoch"] = window().access.epoch
    session["since"] = int(time.time())
    return redirect(next_page if is_own(next_page) else url_for("pages.status"))


def is_own(target: str) -> bool:
    """Whether a place to go on to is one of our own pages, and not somebody else's."""
    parts = urlsplit(target)
    return target.startswith("/") and not target.startswith(("//", "/\\")) and not parts.scheme and not parts.netloc


@door.post("/password")
def password() -> Response:
    """Change the password: the old one is asked, where there is one. All other sessions end."""
    access = window().access
    tries = current_app.extensions["tries"]
    if access.has_password:
        if tries.wait_s(guard.address()) > 0:
            abort(429, "Too many wrong passwords. Try again in some minutes.")
        if not access.is_password(request.form.get("old", "")):
            tries.wrong(guard.address())
            abort(403, "The old password is not right.")
    if request.form.get("password", "") != request.form.get("again", ""):
        abort(400, "The two entries differ.")
    access.set_password(request.form.get("password", ""))
    return _enter()
