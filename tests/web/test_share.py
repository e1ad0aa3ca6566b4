"""The report on the page and its codes: who was given one reads the report, and nothing else, until it ends."""

from __future__ import annotations

import io
import logging
import re
import sys
from html import unescape as html_unescape
from typing import Any

import pypdf
import pytest
from flask import Flask
from flask.testing import FlaskClient

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.web import guard
from tests.web.conftest import FAR, csrf
from tests.web.filled import NOW_S, Site
from tests.web.test_access import routes

DAY_S = 86400.0

OVER_SOCKET = True  # every request goes through the shipped server


def code_of(app: Flask, name: str = "Sam", **how: Any) -> str:
    """A code made on the page, by the owner on the monitor itself."""
    owner = app.test_client()
    answer = owner.post("/report/codes", data={"csrf": csrf(owner), "name": name, **how})
    assert answer.status_code == 200
    assert answer.headers["Cache-Control"] == "no-store"
    found = re.search(r'<code class="secret big">([^<]+)</code>', answer.get_data(as_text=True))
    assert found
    return found[1]


def form_token(visitor: FlaskClient, path: str) -> str:
    found = re.search(r'name="csrf" value="([^"]+)"', visitor.get(path, environ_base=FAR).get_data(as_text=True))
    assert found
    return found[1]


def given(visitor: FlaskClient, code: str) -> Any:
    """Enter a code from afar."""
    token = form_token(visitor, "/shared")
    return visitor.post("/shared", data={"csrf": token, "code": code}, environ_base=FAR)


def test_the_owner_reads_and_keeps_the_report(client: FlaskClient, site: Site) -> None:
    """As a page, as PDF and as one HTML file; each tells the story of the finding."""
    page = client.get("/report/read?days=3").get_data(as_text=True)
    assert '<article class="report">' in page
    assert texts.FINDINGS["call-without-pull-in"].headline in html_unescape(page)
    html = client.get("/report/file.html?days=3")
    assert html.headers["Content-Disposition"].startswith("attachment")
    assert html.get_data(as_text=True).startswith("<!doctype html>")
    pdf = client.get("/report/file.pdf?days=3")
    text = "".join(one.extract_text() for one in pypdf.PdfReader(io.BytesIO(pdf.data)).pages)
    assert site.settings.site.name in text
    assert client.get("/report/file.txt").status_code == 404
    assert client.get("/report/read?days=4000").status_code == 400


def test_no_pdf_is_offered_where_nothing_can_write_one(app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    """The extra `report` left out: neither the owner nor who has a code sees a button that could only fail; who asks
    for the file by its address is told what to install."""
    visitor, owner = app.test_client(), app.test_client()
    given(visitor, code_of(app))
    pages = ((owner, "/report"), (owner, "/report/read"), (visitor, "/shared/report"))
    for there in (True, False):
        for client, path in pages:
            shown = client.get(path).get_data(as_text=True)
            assert ("file.pdf" in shown) is there, path
            assert "file.html" in shown, path
        for name in ["reportlab", *(name for name in sys.modules if name.startswith("reportlab."))]:
            monkeypatch.setitem(sys.modules, name, None)
        monkeypatch.delitem(sys.modules, "condenser_monitor.monitor.report.pdf", raising=False)
    refused = owner.get("/report/file.pdf")
    assert refused.status_code == 400
    assert "pip install 'condenser-monitor[report]'" in html_unescape(refused.get_data(as_text=True))


def test_a_code_opens_the_report_without_the_password_and_nothing_else(app: Flask, site: Site) -> None:
    """Over the whole url map: with a share open, every other route still sends to the sign-in."""
    app.extensions["window"].access.set_password("seven green lanterns")
    visitor = app.test_client()
    answer = given(visitor, code_of(app).lower())
    assert answer.headers["Location"] == "/shared/report"
    page = visitor.get("/shared/report", environ_base=FAR).get_data(as_text=True)
    assert site.settings.site.name in page
    assert "Shared with Sam until" in page
    assert 'aria-label="Pages"' not in page  # no menu of pages that would be refused
    for ending in ("pdf", "html"):
        assert visitor.get(f"/shared/file.{ending}", environ_base=FAR).status_code == 200
    for endpoint, method, path in routes(app):
        if endpoint not in guard.OPEN | guard.SHARED:
            answer = visitor.open(path, method=method, environ_base=FAR, buffered=True)
            assert answer.status_code in (302, 401), f"{method} {path}"
            assert answer.headers.get("Location", "/login").startswith("/login")


def test_the_report_reaches_back_as_far_as_the_code_allows_and_no_further(app: Flask) -> None:
    """What the visitor asks for in the address changes nothing."""
    visitor = app.test_client()
    given(visitor, code_of(app, days="3"))
    plain, asked = (visitor.get(f"/shared/report{q}", environ_base=FAR).get_data() for q in ("", "?days=92"))
    assert plain == asked
    assert f"{time_format.day(NOW_S - 3 * 86400.0)} to {time_format.day(NOW_S)}" in plain.decode()


@pytest.mark.parametrize("fate", ["revoked", "ended"])
def test_a_code_that_was_revoked_or_has_ended_opens_nothing_from_that_moment(app: Flask, site: Site, fate: str) -> None:
    """Also for who had the report open already; a new code for the same name does not open it again for them."""
    visitor, owner = app.test_client(), app.test_client()
    code = code_of(app, valid="1")
    given(visitor, code)
    assert visitor.get("/shared/report", environ_base=FAR).status_code == 200
    if fate == "revoked":
        owner.post("/report/codes/revoke", data={"csrf": csrf(owner), "name": "Sam"})
        assert "no longer works" in owner.get("/report").get_data(as_text=True)
        site.hands.forward(1)
    else:
        site.hands.forward(DAY_S)
    code_of(app)
    for path in ("/shared/report", "/shared/file.pdf"):
        assert visitor.get(path, environ_base=FAR).headers["Location"] == "/shared"
    assert given(app.test_client(), code).status_code == 401


def test_wrong_codes_are_counted_apart_from_wrong_passwords(app: Flask, site: Site) -> None:
    """After five wrong ones the right one waits too; the owner's own sign-in does not."""
    app.extensions["window"].access.set_password("seven green lanterns")
    code, visitor = code_of(app), app.test_client()
    for _ in range(int(limits.WEB.login_tries.value)):
        assert given(visitor, "AAAA-AAAA-AAAA").status_code == 401
    assert given(visitor, code).status_code == 429
    token = form_token(visitor, "/login")
    form = {"csrf": token, "password": "seven green lanterns"}
    assert app.test_client().get("/login", environ_base=FAR).status_code == 200
    assert visitor.post("/login", data=form, environ_base=FAR).status_code == 302
    site.hands.forward(limits.WEB.login_window_s.value + 1)
    assert given(app.test_client(), code).status_code == 302


def test_no_code_reaches_a_log_an_address_or_a_cookie(app: Flask, caplog: pytest.LogCaptureFixture) -> None:
    """Not the code as given, not its letters; the link holds it behind the '#', which no server is sent."""
    caplog.set_level(logging.DEBUG)
    code, visitor = code_of(app), app.test_client()
    answer = given(visitor, code)
    visitor.get("/shared/report", environ_base=FAR)
    cookies = " ".join(str(value) for name, value in answer.headers.items() if name == "Set-Cookie")
    for secret in (code, code.replace("-", "")):
        assert secret not in caplog.text
        assert secret not in answer.headers["Location"]
        assert secret not in cookies
    owner = app.test_client()
    page = owner.post("/report/codes", data={"csrf": csrf(owner), "name": "Kim"}).get_data(as_text=True)
    assert re.search(r"http://localhost/shared#[2-9A-Z-]{14}<", page)


def test_closing_forgets_the_share_on_this_device(app: Flask) -> None:
    """The code itself stays in force."""
    code, visitor = code_of(app), app.test_client()
    given(visitor, code)
    token = form_token(visitor, "/shared/report")
    visitor.post("/shared/close", data={"csrf": token}, environ_base=FAR)
    assert visitor.get("/shared/report", environ_base=FAR).headers["Location"] == "/shared"
    assert given(visitor, code).status_code == 302


def test_the_page_lists_what_stands_and_refuses_what_cannot_be(client: FlaskClient, app: Flask) -> None:
    """Names once only, no name of blanks, no validity of years; the list shows no code."""
    code = code_of(app)
    told = client.get("/report").get_data(as_text=True)
    assert "Sam" in told
    assert code not in told
    token = csrf(client)
    for form in ({"name": "Sam"}, {"name": "  "}, {"name": "b", "valid": "4000"}, {"name": "b", "days": "0"}):
        answer = client.post("/report/codes", data={"csrf": token, **form})
        assert answer.status_code == 400, form
        assert "allowed" in answer.get_data(as_text=True)
    with pytest.raises(CommandError):
        app.extensions["window"].shares.make("Sam", wall_s=app.extensions["window"].wall())
