"""The report on the page, and the codes by which the owner lets somebody without the password read it, and only it.

A link holds its code behind the '#': a browser keeps that part to itself, so the code is in no log of any server or
proxy on the way, and page.js sends it in the body of a form. The visitor's session then names the share, not the code,
and is looked up again at each request: a code that was revoked or has ended opens nothing from that moment on.
"""

from __future__ import annotations

from importlib.util import find_spec

from flask import Blueprint, Response, abort, current_app, flash, redirect, render_template, request, session, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.drawing.qr import as_qr
from condenser_monitor.monitor.report.html import article
from condenser_monitor.monitor.report.share import ENTRANCE, Share
from condenser_monitor.monitor.report.write import report, report_html, report_pdf
from condenser_monitor.web import guard
from condenser_monitor.web.access import SignInTries
from condenser_monitor.web.context import PageContext, page_context
from condenser_monitor.web.template_strings import plain, t

share = Blueprint("share", __name__)
DAYS = (1, 3, 7, 14, 30, 92)
VALID_DAYS = (1, 3, 7, 14, 30)
_MIMES = {"pdf": "application/pdf", "html": "text/html"}


# ---------------------------------------------------------------- the owner's side


@share.get("/report")
def shown() -> str:
    """The report to read or keep, and the codes in force."""
    return _page()


def _page(code: str = "") -> str:
    found = page_context()
    address = guard.phone_address()
    place = address + url_for("share.enter") if address else url_for("share.enter", _external=True)
    link = f"{place}#{code}"
    return render_template(
        "report.html",
        days_choices=DAYS,
        valid_choices=VALID_DAYS,
        days=_days(),
        valid=int(limits.REPORT.share_days.value),
        shares=found.shares.standing(found.wall()),
        code=code,
        place=place,
        link=link,
        qr=Markup(as_qr(link, plain("share-qr")) if code and address else ""),  # noqa: S704 - drawn by us
        local=not address,
        pdf=_can_pdf(),
    )


def _can_pdf() -> bool:
    """Whether the package that writes PDF files is there: an extra, and a large one, so it is not loaded to see."""
    return find_spec("reportlab") is not None


def _days() -> int:
    return request.values.get("days", int(limits.REPORT.days.value), type=int)


@share.get("/report/read")
def read() -> str:
    """The report as a page."""
    return _reading(_days(), None)


@share.get("/report/file.<ending>")
def file(ending: str) -> Response:
    """The report as a file to keep: pdf or html."""
    return _file(_days(), ending)


@share.post("/report/codes")
def make() -> str:
    """Make a code; it is shown this once."""
    found, name = page_context(), request.form.get("name", "").strip()
    valid = request.form.get("valid", None, type=float)
    return _page(found.shares.make(name, wall_s=found.wall(), days=_days(), valid_days=valid))


@share.post("/report/codes/revoke")
def revoke() -> AnyResponse:
    """End a code at once."""
    found, name = page_context(), request.form.get("name", "")
    if found.shares.revoke(name, wall_s=found.wall()):
        flash(t("share-ended", name=name))
    return redirect(url_for("share.shown"))


# ---------------------------------------------------------------- the side of who was given a code


@share.route(ENTRANCE, methods=["GET", "POST"])
def enter() -> str | AnyResponse | tuple[str, int]:
    """Take a code; wrong ones are counted like wrong passwords, apart from them."""
    found, tries = page_context(), current_app.extensions["share_tries"]
    assert isinstance(tries, SignInTries)
    if request.method == "GET":
        return render_template("shared_enter.html", problem="")
    code = request.form.get("code", "")
    wait_s, opened = tries.attempt(guard.address(), lambda: found.shares.check(code, wall_s=found.wall()))
    if wait_s > 0:
        problem = t("shared-wait", minutes=f"{max(1.0, wait_s / 60):.0f}")
        return render_template("shared_enter.html", problem=problem), 429
    if opened is None:
        return render_template("shared_enter.html", problem=t("shared-wrong")), 401
    session[guard.SHARE] = [opened.name, opened.made_wall_s]
    return redirect(url_for("share.shared"))


@share.get("/shared/report")
def shared() -> str:
    """The report of the share that this visitor opened; the guard lets nobody else come here."""
    opened = guard.held_share()
    assert opened is not None
    return _reading(opened.days, opened)


@share.get("/shared/file.<ending>")
def shared_file(ending: str) -> Response:
    """The same as a file to keep."""
    opened = guard.held_share()
    assert opened is not None
    return _file(opened.days, ending)


@share.post("/shared/close")
def close() -> AnyResponse:
    """Forget the share on this device."""
    session.pop(guard.SHARE, None)
    return redirect(url_for("share.enter"))


# ---------------------------------------------------------------- the report itself


def _reading(days: int, opened: Share | None) -> str:
    found = page_context()
    with found.reporting:
        made = report(found.history, found.settings, days, wall_s=found.wall())
    body = Markup(article(made))  # noqa: S704 - made by us, its words escaped
    return render_template("report_read.html", title=made.title, body=body, days=days, opened=opened, pdf=_can_pdf())


def _file(days: int, ending: str) -> Response:
    if ending not in _MIMES:
        abort(404)
    found = page_context()
    with found.reporting:
        data = _made(found, days, ending)
    name = f"{found.settings.site.id}-report.{ending}"
    return Response(data, mimetype=_MIMES[ending], headers={"Content-Disposition": f'attachment; filename="{name}"'})


def _made(found: PageContext, days: int, ending: str) -> bytes:
    if ending == "pdf":
        return report_pdf(found.history, found.settings, days, wall_s=found.wall())
    return report_html(found.history, found.settings, days, wall_s=found.wall()).encode()
