"""What a page of somebody else's, a proxy or many at once can do to the page: nothing."""

from __future__ import annotations

import re
import threading
from html.parser import HTMLParser
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.config import Site as Named
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.web import access as access_file
from condenser_monitor.web.access import Access, SignInTries
from condenser_monitor.web.guard import OPEN
from tests.monitor import units
from tests.size import one_in
from tests.web.conftest import (
    FAR,
    app,
    app_of,
    csrf,
    site,
    technician,
)
from tests.web.filled import Site, from_scans
from tests.web.test_access import PASSWORD, enter, routes
from tests.web.test_share import code_of, given

__all__ = ["app", "site"]
LINK = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}
# what another page had the browser ask -> whether it is let through
ASKED: dict[str, tuple[dict[str, str], bool]] = {
    "typed by a person": ({"Sec-Fetch-Site": "none", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, True),
    "from our own page": ({"Sec-Fetch-Site": "same-origin", "Sec-Fetch-Mode": "cors", "Sec-Fetch-Dest": "empty"}, True),
    "a program": ({}, True),
    "a link that was followed": (LINK, True),
    # as Chromium sends a link that our own service worker passes on
    "a link through the worker": (LINK | {"Sec-Fetch-Dest": "empty"}, True),
    "a picture": ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "image"}, False),
    "a script": ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "script"}, False),
    "a fetch": ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "cors", "Sec-Fetch-Dest": "empty"}, False),
    "a frame": (LINK | {"Sec-Fetch-Dest": "iframe"}, False),
    "another port": ({"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "cors", "Sec-Fetch-Dest": "empty"}, False),
    "a site that tells half": ({"Sec-Fetch-Site": "cross-site"}, False),
}

OVER_SOCKET = True  # every request goes through the shipped server


@one_in(5)
@pytest.mark.parametrize("what", ASKED)
def test_what_a_foreign_page_has_the_browser_ask_is_refused(app: Flask, what: str) -> None:
    """Over the whole map, on the monitor itself, where the page is open: only a link that a person follows is let
    through (W3C, Fetch Metadata Request Headers)."""
    headers, open_ = ASKED[what]
    for endpoint, method, path in routes(app):
        if method == "GET" and endpoint not in OPEN:
            answer = app.test_client().get(path, headers=headers, buffered=True)
            assert (answer.status_code != 403) == open_, (path, answer.status_code)


@pytest.mark.parametrize("headers", [LINK, {"Sec-Fetch-Site": "same-site"}])
def test_no_form_of_a_foreign_page_is_taken_even_with_the_token(app: Flask, headers: dict[str, str]) -> None:
    """Every change, the sign-in too."""
    for _, method, path in routes(app):
        if method == "POST":
            client = app.test_client()
            form = {"csrf": csrf(client)}
            assert client.post(path, data=form, headers=headers).status_code == 403, path


@pytest.mark.parametrize(
    ("host", "taken"),
    [
        ("192.0.2.5:8124", True),
        ("[2001:db8::5]:8124", True),
        ("localhost", True),
        ("monitor", True),
        ("monitor.local:8124", True),
        ("MONITOR.LOCAL", True),
        ("monitor.home.arpa", True),
        ("evil.example", False),
        ("192.0.2.5.evil.example", False),
        ("local.evil.example", False),
        ("evil.example.", False),
        ("", False),
    ],
)
def test_the_first_password_is_taken_under_a_name_of_the_house_only(app: Flask, host: str, taken: bool) -> None:
    """A foreign page whose own name points here (DNS rebinding) finds neither the form nor a way to send it; from the
    monitor itself and from afar."""
    for peer in ({}, {"environ_base": FAR}):
        client = app.test_client()
        client.get("/setup", **peer)
        with client.session_transaction() as session:
            session["csrf"] = "known"
        how: dict[str, Any] = {"headers": {"Host": host}, **peer}
        assert (client.get("/setup", **how).status_code == 200) is taken, host
        if not taken:
            form = {"csrf": "known", "password": PASSWORD, "again": PASSWORD}
            client.set_cookie(app.config["SESSION_COOKIE_NAME"], _cookie(app, client), domain=host or "localhost")
            assert client.post("/setup", data=form, **how).status_code == 403
            assert not app.extensions["window"].access.has_password


def _cookie(app: Flask, client: FlaskClient) -> str:
    found = client.get_cookie(app.config["SESSION_COOKIE_NAME"])
    assert found is not None
    return found.value


@pytest.mark.parametrize(("protocol", "open_"), [("HTTP/1.1", True), ("HTTP/1.0", False)])
def test_a_proxy_that_says_nothing_is_not_taken_for_this_machine(app: Flask, protocol: str, open_: bool) -> None:
    """Where `[web] proxy` was forgotten: a proxy that names nobody and asks in its own name often speaks HTTP/1.0."""
    answer = app.test_client().get("/", environ_overrides={"SERVER_PROTOCOL": protocol})
    assert (answer.status_code == 200) is open_


def test_the_first_of_two_who_set_the_password_at_once_keeps_it(app: Flask) -> None:
    """The other is sent to the sign-in, and does not replace it."""
    access = app.extensions["window"].access
    access.set_password(PASSWORD, first=True)
    with pytest.raises(CommandError, match="set already"):
        access.set_password("another long password", first=True)
    assert access.is_password(PASSWORD)


def test_passwords_sent_all_at_once_are_judged_one_by_one_and_counted(app: Flask, monkeypatch: Any) -> None:
    """Sixteen at once from one address: five are judged, never two of them at the same time, for each takes 32 MB."""
    access: Access = app.extensions["window"].access
    access.set_password(PASSWORD)
    most, judged, busy = int(limits.WEB.login_tries.value), [], threading.Semaphore(1)

    def judge(hashed: str, password: str) -> bool:
        assert busy.acquire(blocking=False), "two at the same time"
        judged.append(password)
        threading.Event().wait(0.01)
        busy.release()
        return False

    monkeypatch.setattr(access_file, "check_password_hash", judge)
    codes: list[int] = []
    threads = [
        threading.Thread(
            target=lambda: codes.append(enter(app.test_client(), password="wrong wrong wrong").status_code)
        )
        for _ in range(16)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    assert len(judged) == most
    assert sorted(codes) == [401] * most + [429] * (16 - most)


def test_a_try_that_fails_by_an_error_is_not_lost_and_locks_nobody_out() -> None:
    """An error within a try goes on to its caller; the next try is judged."""
    tries = SignInTries(lambda: 0.0)
    with pytest.raises(ZeroDivisionError):
        tries.attempt("a", lambda: 1 // 0)
    assert tries.attempt("a", lambda: "right") == (0.0, "right")
    assert tries.attempt("a", lambda: None) == (0.0, None)


def test_of_two_changes_of_the_access_file_at_once_none_is_lost(app: Flask) -> None:
    """Tokens made and revoked by many threads: what was revoked stays so."""
    access: Access = app.extensions["window"].access
    for number in range(6):
        access.make_token(f"old {number}", "read", 0.0)
    work = [threading.Thread(target=access.revoke, args=(f"old {number}",)) for number in range(6)]
    work += [threading.Thread(target=access.make_token, args=(f"new {n}", "read", 0.0)) for n in range(6)]
    for thread in work:
        thread.start()
    for thread in work:
        thread.join(timeout=30)
    assert sorted(token.name for token in access.tokens()) == [f"new {number}" for number in range(6)]


# ---------------------------------------------------------------- hostile texts

HOSTILE = "'\"><img src=//x.example/p onerror=alert(1)>{{7*7}}</title></svg><script>alert(1)</script>"


class _Elements(HTMLParser):
    """What a browser would make of a page: scripts that are not ours, pictures, frames, handlers."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.found += [f"<{tag} {name}>" for name in given if name.startswith("on")]
        if tag in ("img", "iframe", "object", "embed", "base", "foreignobject"):
            self.found.append(f"<{tag}>")
        if tag == "script" and not given.get("src", "").startswith("/static/"):
            self.found.append("<script>")


def test_hostile_texts_stay_text_on_every_page_in_every_picture_and_report(tmp_path: Any) -> None:
    """A hostile name of the site, of who asked, of a token, of a code and in a visit: each page and file shows it as
    text, fetches nothing for it, and works out nothing of it."""
    settings = Settings(site=Named(name=HOSTILE[:64]), unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    dead = units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
    scans = units.scans((30, units.REST), (200, units.RUN), (30, units.REST), (60, dead))
    made = from_scans(tmp_path / "hostile", settings, scans, end_s=319.0)
    app = app_of(made)
    owner = app.test_client()
    _write_hostile(owner, made)
    app.extensions["window"].access.make_token(HOSTILE[:64], "read", 0.0)
    visitor = app.test_client()
    assert given(visitor, code_of(app, HOSTILE[:64])).status_code == 302
    shown = 0
    for _, method, path in routes(app):
        for client, how in ((owner, {}), (visitor, {"environ_base": FAR})):
            if method == "GET" and "html" in str((answer := client.get(path, buffered=True, **how)).mimetype):
                shown += _looked_at(answer.get_data(as_text=True), path)
    assert shown >= 10
    assert owner.get("/report/file.pdf").data.startswith(b"%PDF-")
    made.history.close()


def _looked_at(text: str, path: str) -> bool:
    """Whether the hostile text is there; it must not be more than text."""
    parser = _Elements()
    parser.feed(text)
    assert parser.found == [], path
    assert "alert(1)&gt;49" not in text, path  # a template within a text is not worked out
    return "&lt;img src=//x.example" in text


def _write_hostile(owner: FlaskClient, made: Site) -> None:
    """Everything that a person can write on the page."""
    token = csrf(owner)
    (finding,) = {one.name for one in made.engine.status().findings[:1]}
    ask = {"csrf": token, "by": HOSTILE[:64], "note": HOSTILE, "finding": finding}
    owner.post("/alerts/acknowledge", data=ask)
    made.work()
    owner.post("/checks/begin", data={"csrf": token, "start": finding, **technician(owner), "by": HOSTILE[:64]})
    page = owner.get("/checks").get_data(as_text=True)
    check = re.search(r'name="check" value="([^"]+)"', page)
    assert check
    owner.post("/checks/answer", data={"csrf": token, "check": check[1], "typed": HOSTILE[:60], "by": HOSTILE[:64]})
    owner.post(
        "/checks/found",
        data={"csrf": token, "was": "other", "finish": "yes", "unmeasured": "yes", "note": HOSTILE, "by": HOSTILE[:64]},
    )
