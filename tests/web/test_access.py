"""Who may: every route is refused without a right, and each guard is tried from outside."""

from __future__ import annotations

import logging
import stat
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import CommandError, HistoryError
from condenser_monitor.web import guard
from condenser_monitor.web.access import Access
from condenser_monitor.web.guard import is_own
from tests.web.conftest import FAR, app_of, csrf
from tests.web.filled import Site

OVER_SOCKET = True  # every request goes through the shipped server
PASSWORD = "seven green lanterns"
FILL = {
    "name": "say",
    "kind": "acknowledge",
    "filename": "style.css",
    "ending": "html",
    "token": "none",
    "slug": "hours",
}


def routes(app: Flask) -> list[tuple[str, str, str]]:
    """Every route of the app as (endpoint, method, a path that matches it)."""
    found = []
    for rule in app.url_map.iter_rules():
        path = rule.rule
        for name, value in FILL.items():
            path = path.replace(f"<path:{name}>", value).replace(f"<{name}>", value)
        assert "<" not in path, f"{rule.rule}: tell FILL how to fill it"
        found += [(rule.endpoint, method, path) for method in sorted((rule.methods or set()) - {"HEAD", "OPTIONS"})]
    return found


def enter(client: FlaskClient, path: str = "/login", password: str = PASSWORD, **how: Any) -> Any:
    """Fill in the form of a sign-in page from afar."""
    token = csrf(client, environ_base=FAR)
    form = {"csrf": token, "password": password, "again": password}
    return client.post(path, data=form, environ_base=FAR, **how)


@pytest.mark.parametrize("password_set", [False, True])
def test_every_route_is_refused_from_afar_without_a_right(app: Flask, site: Site, password_set: bool) -> None:
    """Over the whole url map: nothing but the named shell and sign-in answers, and nothing of the unit is in those."""
    if password_set:
        app.extensions["window"].access.set_password(PASSWORD)
    for endpoint, method, path in routes(app):
        answer = app.test_client().open(path, method=method, environ_base=FAR, buffered=True)
        body = answer.get_data(as_text=True)
        if endpoint in guard.OPEN:
            assert answer.status_code < 500
        else:
            assert answer.status_code in (302, 401), f"{method} {path}: {answer.status_code}"
            doors = ("/shared",) if endpoint in guard.SHARED else ("/login", "/setup")
            assert answer.headers.get("Location", doors[0]).startswith(doors)
        assert site.settings.site.name not in body, f"{path} tells the unit's name"


def test_every_change_is_refused_without_the_forms_token(app: Flask) -> None:
    """Even on the monitor itself: another site's page must not act here (cross-site forgery)."""
    for _, method, path in routes(app):
        if method != "GET":
            client = app.test_client()
            csrf(client)
            for wrong in ({}, {"csrf": "not-the-token"}):
                assert client.open(path, method=method, data=wrong).status_code == 400, path


def test_every_answer_carries_the_headers_and_no_page_needs_inline_code(app: Flask) -> None:
    """The policy allows no inline script or style, and no page holds any."""
    for _, method, path in routes(app):
        if method == "GET":
            answer = app.test_client().get(path, buffered=True)
            policy = answer.headers["Content-Security-Policy"]
            assert "unsafe" not in policy
            assert "default-src 'none'" in policy
            assert "frame-ancestors 'none'" in policy
            assert answer.headers["X-Content-Type-Options"] == "nosniff"
            if answer.mimetype == "text/html" and "Content-Disposition" not in answer.headers:
                body = answer.get_data(as_text=True)
                assert "<style" not in body
                assert " style=" not in body
                assert " onclick=" not in body


@pytest.mark.parametrize(
    ("how", "open_"),
    [
        ({}, True),
        ({"base_url": "http://127.0.0.1:8124/"}, True),
        ({"base_url": "http://[::1]:8124/"}, True),
        ({"environ_base": {"REMOTE_ADDR": "::1"}}, True),
        ({"environ_base": FAR}, False),
        ({"base_url": "http://evil.example/"}, False),  # DNS rebinding: another name that points here
        ({"headers": {"X-Forwarded-For": "192.0.2.7"}}, False),  # a proxy on this machine
        ({"headers": {"Forwarded": "for=192.0.2.7"}}, False),
    ],
)
def test_only_this_machine_under_its_own_name_is_let_in_without_a_password(
    app: Flask, how: dict[str, Any], open_: bool
) -> None:
    """Loopback is open; what only looks like it is not."""
    assert (app.test_client().get("/", **how).status_code == 200) is open_


def test_behind_a_proxy_nobody_is_local(site: Site) -> None:
    """`[web] proxy = true`: the proxy's own requests come from loopback, and are asked for the password."""
    import msgspec

    web = msgspec.structs.replace(site.settings.web, proxy=True)
    site.settings = msgspec.structs.replace(site.settings, web=web)
    app = app_of(site)
    assert app.test_client().get("/").status_code == 302
    assert app.config["SESSION_COOKIE_SECURE"] is True


def test_the_password_is_set_on_first_use_and_asked_ever_after(app: Flask) -> None:
    """First visitor from afar sets it; the next must know it; sign-out ends it."""
    first = app.test_client()
    assert first.get("/", environ_base=FAR).headers["Location"].startswith("/setup")
    assert enter(first, "/setup").status_code == 302
    assert first.get("/", environ_base=FAR).status_code == 200
    second = app.test_client()
    assert second.get("/setup", environ_base=FAR).headers["Location"] == "/login"
    assert second.get("/", environ_base=FAR).headers["Location"].startswith("/login")
    assert enter(second, password="not the password").status_code == 401
    assert second.get("/", environ_base=FAR).status_code == 302
    assert enter(second, "/login?next=/cycles").headers["Location"] == "/cycles"
    assert second.get("/", environ_base=FAR).status_code == 200
    second.post("/logout", data={"csrf": csrf(second, environ_base=FAR)}, environ_base=FAR)
    assert second.get("/", environ_base=FAR).status_code == 302


def test_a_set_password_cannot_be_set_again_through_the_first_use_page(app: Flask) -> None:
    """A POST to /setup after the first changes nothing."""
    enter(app.test_client(), "/setup")
    thief = app.test_client()
    enter(thief, "/setup", password="another long password")
    assert app.extensions["window"].access.is_password(PASSWORD)
    assert thief.get("/", environ_base=FAR).status_code == 302


def test_a_new_password_ends_all_other_sessions(app: Flask) -> None:
    """Who was signed in with the old one must sign in again."""
    one, other = app.test_client(), app.test_client()
    enter(one, "/setup")
    enter(other)
    form = {
        "csrf": csrf(one, environ_base=FAR),
        "old": PASSWORD,
        "password": "a second good one",
        "again": "a second good one",
    }
    assert one.post("/password", data=form, environ_base=FAR).status_code == 302
    assert one.get("/", environ_base=FAR).status_code == 200
    assert other.get("/", environ_base=FAR).status_code == 302


def test_wrong_passwords_are_counted_and_the_right_one_waits_too(app: Flask, site: Site) -> None:
    """After five wrong tries an address waits five minutes; another address does not."""
    app.extensions["window"].access.set_password(PASSWORD)
    client = app.test_client()
    for _ in range(int(limits.WEB.login_tries.value)):
        assert enter(client, password="wrong wrong wrong").status_code == 401
    assert enter(client).status_code == 429
    other = app.test_client()
    near = other.post("/login", data={"csrf": csrf(other), "password": PASSWORD})
    assert near.status_code == 302
    site.hands.forward(limits.WEB.login_window_s.value + 1)
    assert enter(app.test_client()).status_code == 302


@pytest.mark.parametrize(
    "target", ["//evil.example/", "https://evil.example/", "/\\evil.example", "javascript:alert(1)", ""]
)
def test_sign_in_never_leads_to_another_site(target: str) -> None:
    """The place to go on to is one of our own pages."""
    assert not is_own(target)


def test_tokens_of_programs_read_or_write_as_they_were_made(app: Flask) -> None:
    """A reading token cannot leave requests; a revoked or unknown one can nothing; none opens the pages."""
    access = app.extensions["window"].access
    reads, writes = access.make_token("panel", "read", 0.0), access.make_token("house", "write", 0.0)
    client, body = app.test_client(), {"id": "r1", "request": "service", "by": "house", "hours": 1}

    def call(method: str, path: str, token: str) -> int:
        headers = {"Authorization": f"Bearer {token}"}
        return client.open(
            path, method=method, json=body if method == "POST" else None, headers=headers, environ_base=FAR
        ).status_code

    assert call("GET", "/api/v1/status", reads) == 200
    assert call("POST", "/api/v1/requests", reads) == 403
    assert call("POST", "/api/v1/requests", writes) == 200
    assert call("GET", "/api/v1/status", "wrong") == 401
    assert call("GET", "/settings", writes) == 302
    access.revoke("panel")
    assert call("GET", "/api/v1/status", reads) == 401


def test_a_token_is_shown_once_and_kept_only_as_a_hash(app: Flask, client: FlaskClient, site: Site) -> None:
    """Neither the page afterwards nor the file holds it, and the file is its owner's alone."""
    form = {"csrf": csrf(client), "name": "panel", "right": "read"}
    shown = client.post("/settings/tokens", data=form).get_data(as_text=True)
    secret = shown.split('class="secret">')[1].split("<")[0]
    assert app.extensions["window"].access.token_right(secret) == "read"
    assert secret not in client.get("/settings").get_data(as_text=True)
    file = Path(site.keep.file + ".access")
    assert secret.encode() not in file.read_bytes()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_no_secret_is_logged(app: Flask, caplog: pytest.LogCaptureFixture) -> None:
    """Password and token pass through sign-in, refusal and an error without a trace in the log."""
    caplog.set_level(logging.DEBUG)
    client = app.test_client()
    enter(client, "/setup")
    enter(app.test_client(), password="wrong wrong wrong")
    token = app.extensions["window"].access.make_token("panel", "read", 0.0)
    client.get("/api/v1/readings?name=x", headers={"Authorization": f"Bearer {token}"}, environ_base=FAR)
    assert all(word not in caplog.text for word in (PASSWORD, "wrong wrong wrong", token))


# ---------------------------------------------------------------- the file


def test_passwords_are_bounded_and_scrypt(tmp_path: Path) -> None:
    """Too short and too long are refused and change nothing; what is kept is werkzeug's scrypt hash."""
    access = Access(tmp_path / "a")
    for wrong in ("short", "x" * 257):
        with pytest.raises(CommandError, match="10 to 256 characters"):
            access.set_password(wrong)
    assert not access.has_password
    assert not access.is_password("")
    access.set_password(PASSWORD)
    assert b"scrypt:" in (tmp_path / "a").read_bytes()
    assert PASSWORD.encode() not in (tmp_path / "a").read_bytes()
    assert Access(tmp_path / "a").is_password(PASSWORD)


def test_a_broken_access_file_closes_the_page(tmp_path: Path) -> None:
    """It must never fall back to no password."""
    access = Access(tmp_path / "a")
    access.set_password(PASSWORD)
    (tmp_path / "a").write_bytes(b"{broken")
    with pytest.raises(HistoryError, match="access file"):
        _ = access.has_password


def test_another_process_sees_a_new_password(tmp_path: Path) -> None:
    """The page and the terminal may both set it."""
    one, other = Access(tmp_path / "a"), Access(tmp_path / "a")
    one.set_password(PASSWORD)
    assert other.is_password(PASSWORD)
    assert other.key == one.key


def test_tokens_are_bounded(tmp_path: Path) -> None:
    """A name in use, an empty one and one too many are refused."""
    access = Access(tmp_path / "a")
    access.make_token("t0", "read", 0.0)
    for wrong in ("t0", " ", "x" * 65):
        with pytest.raises(CommandError, match="not in use"):
            access.make_token(wrong, "read", 0.0)
    for place in range(1, int(limits.WEB.tokens_most.value)):
        access.make_token(f"t{place}", "read", 0.0)
    with pytest.raises(CommandError, match="revoke one"):
        access.make_token("more", "read", 0.0)
