"""Rights over the whole map of routes of the unit's page, held against a table of the test's own: every route, by every
method, for everybody who might try. A route without a row fails, and one that somebody opens in the guard must be
opened here too, on purpose. The office's routes are in test_office_rights.py."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from flask import Flask
from flask.testing import FlaskClient
from itsdangerous import TimestampSigner
from werkzeug.test import TestResponse

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.web import guard
from tests.conftest import set_limit
from tests.monitor import units
from tests.size import one_in
from tests.web.conftest import FAR, app_of, csrf
from tests.web.filled import Site, from_scans
from tests.web.test_access import PASSWORD, enter, routes
from tests.web.test_share import code_of, given

METHODS = ("GET", "HEAD", "OPTIONS", "POST", "PUT", "DELETE")
_PAGES = """pages.status pages.live pages.part alerts.listed alerts.ask checks.shown checks.begin checks.answer
    checks.take_back checks.skip checks.found_out checks.drop past.shown past.cycles past.trends share.shown share.read
    share.file share.make share.revoke health.shown settings.shown settings.scale settings.make_token settings.revoke
    door.logout door.password setup.shown setup.kept setup.design"""
_READS = "api.status api.health api.events api.cycles api.lanes api.readings api.openapi"
_OPEN = """answer.asked answer.given shell.alive
    static door.login door.setup share.enter share.close shell.manifest shell.worker shell.offline shell.icon
    shell.report_style"""
# endpoint -> what one must hold to open it
ROUTES = {
    **dict.fromkeys(_OPEN.split(), "nothing"),
    **dict.fromkeys(_PAGES.split(), "password"),
    **dict.fromkeys(_READS.split(), "reading"),
    "api.leave": "writing",
    **dict.fromkeys(("share.shared", "share.shared_file"), "code"),
}


class Shown(NamedTuple):
    """What a visitor shows at each request."""

    token: str = ""
    cookie: str = ""


class Two(NamedTuple):
    """The page that is tried, and that of another monitor, as the same browser knows both."""

    app: Flask
    other: Flask
    site: Site
    patch: pytest.MonkeyPatch


@pytest.fixture
def two(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Two]:
    """Two monitors with the same password and the same site id: the names of their cookies are the same."""
    settings = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    made = [from_scans(tmp_path / name, settings, units.scans((9, units.REST)), end_s=8.0) for name in ("one", "other")]
    apps = [app_of(one) for one in made]
    for app in apps:
        app.extensions["window"].access.set_password(PASSWORD)
    yield Two(apps[0], apps[1], made[0], monkeypatch)
    for one in made:
        one.history.close()


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> int:
    """How many sign-outs are kept, made few."""
    set_limit(monkeypatch, limits.WEB.ended_most, 5.0)
    return 5


# ---------------------------------------------------------------- who comes


def _cookie(client: FlaskClient, of: Flask) -> str:
    found = client.get_cookie(of.config["SESSION_COOKIE_NAME"])
    assert found is not None
    return found.value


def _signed_in(at: Flask) -> FlaskClient:
    client = at.test_client()
    assert enter(client).status_code == 302
    return client


def _session(two: Two) -> Shown:
    return Shown(cookie=_cookie(_signed_in(two.app), two.app))


def _foreign_session(two: Two) -> Shown:
    return Shown(cookie=_cookie(_signed_in(two.other), two.other))


def _signed_out(two: Two) -> Shown:
    client = _signed_in(two.app)
    copied = _cookie(client, two.app)
    form = {"csrf": csrf(client, environ_base=FAR)}
    assert client.post("/logout", data=form, environ_base=FAR).status_code == 302
    return Shown(cookie=copied)


def _of_the_old_password(two: Two) -> Shown:
    shown = _session(two)
    two.app.extensions["window"].access.set_password("a second good one")
    return shown


def _too_old(two: Two) -> Shown:
    now, most = TimestampSigner.get_timestamp, int(limits.WEB.session_h.value * 3600)
    with two.patch.context() as patch:
        patch.setattr(TimestampSigner, "get_timestamp", lambda self: now(self) - most - 60)
        return _session(two)


def _unsigned_in(two: Two) -> Shown:
    """A session of our own signing that never gave the password."""
    client = two.app.test_client()
    csrf(client, environ_base=FAR)
    return Shown(cookie=_cookie(client, two.app))


def _tampered(two: Two) -> Shown:
    content, stamp, _ = _session(two).cookie.rsplit(".", 2)
    return Shown(cookie=f"{content}.{stamp}.")


def _token(right: str, *, at: str = "app", revoked: bool = False) -> Callable[[Two], Shown]:
    def made(two: Two) -> Shown:
        access = getattr(two, at).extensions["window"].access
        shown = Shown(token=access.make_token("panel", right, 0.0))
        if revoked:
            access.revoke("panel")
        return shown

    return made


def _code(fate: str) -> Callable[[Two], Shown]:
    def made(two: Two) -> Shown:
        at = two.other if fate == "foreign" else two.app
        visitor = at.test_client()
        assert given(visitor, code_of(at, valid="1")).status_code == 302
        if fate == "ended":
            two.site.hands.forward(86400.0)
        if fate == "revoked":
            at.extensions["window"].shares.revoke("Sam", wall_s=two.site.hands.wall())
        return Shown(cookie=_cookie(visitor, at))

    return made


# who -> (what they show, what that opens beside what is open to all)
VISITORS: dict[str, tuple[Callable[[Two], Shown], set[str]]] = {
    "nobody": (lambda _: Shown(), set()),
    "the owner, signed in": (_session, {"password", "reading", "writing"}),
    "a copy of a session that was signed out": (_signed_out, set()),
    "a session of the password before": (_of_the_old_password, set()),
    "a session of last season": (_too_old, set()),
    "a session of another monitor": (_foreign_session, set()),
    "a session that gave no password": (_unsigned_in, set()),
    "a session without its signature": (_tampered, set()),
    "a noise for a session": (lambda _: Shown(cookie="e30.x.y"), set()),
    "a token that reads": (_token("read"), {"reading"}),
    "a token that writes": (_token("write"), {"reading", "writing"}),
    "a token that was revoked": (_token("write", revoked=True), set()),
    "a token of another monitor": (_token("write", at="other"), set()),
    "a token of our length": (lambda _: Shown(token="x" * 43), set()),
    "an empty token": (lambda _: Shown(token=" "), set()),
    "a code in force": (_code("standing"), {"code"}),
    "a code that has ended": (_code("ended"), set()),
    "a code that was revoked": (_code("revoked"), set()),
    "a code of another monitor": (_code("foreign"), set()),
}


# ---------------------------------------------------------------- what is opened to them


def test_the_table_has_every_route_and_the_guard_opens_what_it_opens(two: Two) -> None:
    """A new route without a row here fails, and so does a row whose route is gone: once, by name."""
    served = {rule.endpoint for rule in two.app.url_map.iter_rules()}
    rowless, left_over = sorted(served - ROUTES.keys()), sorted(ROUTES.keys() - served)
    assert not rowless, f"routes without a row in ROUTES of tests/fuzz/test_rights.py: {', '.join(rowless)}"
    assert not left_over, f"rows in ROUTES of tests/fuzz/test_rights.py without a route: {', '.join(left_over)}"
    assert {name for name, needs in ROUTES.items() if needs == "nothing"} == guard.OPEN
    assert {name for name, needs in ROUTES.items() if needs == "code"} == guard.SHARED


@one_in(6)
@pytest.mark.parametrize("who", VISITORS)
def test_every_route_opens_to_who_holds_its_right_and_to_nobody_else(two: Two, who: str) -> None:
    """Over the whole map, from afar, by every method: refused means 401, 403 or the way to a door, and not a word of
    the unit; a right opens what it is for, and no other route. Who holds one may be told what methods there are. Of a
    route without a row the test above tells."""
    make, opens = VISITORS[who]
    shown, name = make(two), two.site.settings.site.name
    own = {(endpoint, method) for endpoint, method, _ in routes(two.app)}
    for endpoint, path in {(endpoint, path) for endpoint, _, path in routes(two.app) if endpoint in ROUTES}:
        for method in METHODS:
            answer = _asked(two.app, method, path, shown)
            tried = f"{who}: {method} {path}: {answer.status_code}"
            assert answer.status_code < 500, tried
            if ROUTES[endpoint] not in opens | {"nothing"}:
                if opens and (endpoint, method) not in own and answer.status_code in (200, 405):
                    continue
                assert answer.status_code in (401, 403) or _at_a_door(answer), tried
                assert name not in answer.text, tried
            elif (endpoint, method) in own and ROUTES[endpoint] != "nothing":
                # done, or not done for want of a form's token or of a body
                assert answer.status_code in (200, 400) or (answer.status_code == 302 and not _at_a_door(answer)), tried


def _asked(app: Flask, method: str, path: str, shown: Shown) -> TestResponse:
    client = app.test_client()
    if shown.cookie:
        client.set_cookie(app.config["SESSION_COOKIE_NAME"], shown.cookie)
    headers = {"Authorization": f"Bearer {shown.token}"} if shown.token else {}
    return client.open(path, method=method, headers=headers, environ_base=FAR, buffered=True)


def _at_a_door(answer: TestResponse) -> bool:
    return answer.status_code == 302 and answer.location.partition("?")[0] in ("/login", "/setup", "/shared")


def test_a_reading_token_leaves_no_request_and_the_writing_one_does(two: Two) -> None:
    """The one call that changes something, by right: 403 for the reader; the writer's request is there."""
    body = {"id": "r1", "request": "service", "by": "house", "hours": 1}
    for right, status, waiting in (("read", 403, 0), ("write", 200, 1)):
        token = two.app.extensions["window"].access.make_token(right, right, 0.0)
        headers = {"Authorization": f"Bearer {token}"}
        answer = two.app.test_client().post("/api/v1/requests", json=body, headers=headers, environ_base=FAR)
        assert answer.status_code == status
        assert len(two.site.history.requests()) == waiting


def test_the_cookie_is_out_of_reach_of_scripts_and_of_other_sites(two: Two) -> None:
    """HttpOnly and SameSite; it lasts as long as a sign-in does and no longer, and tells neither password nor key."""
    client = two.app.test_client()
    (line,) = enter(client).headers.getlist("Set-Cookie")
    assert "HttpOnly" in line
    assert "SameSite=Lax" in line
    assert "Expires=" in line
    assert "Domain=" not in line
    assert two.app.config["PERMANENT_SESSION_LIFETIME"].total_seconds() == limits.WEB.session_h.value * 3600
    assert PASSWORD not in line
    assert two.app.config["SECRET_KEY"] not in line


def test_very_many_sign_outs_end_all_sessions_and_bring_none_back(two: Two, few: int) -> None:
    """What is kept of them is bounded; with one more everybody must sign in again, and no copy is of use."""
    access, now_s = two.app.extensions["window"].access, two.site.hands.wall()
    first, standing = _signed_out(two), _session(two)
    assert _asked(two.app, "GET", "/", standing).status_code == 200
    for number in range(few):
        access.end_session(f"session {number}", now_s)
    assert [_asked(two.app, "GET", "/", shown).status_code for shown in (first, standing)] == [302, 302]
    assert enter(two.app.test_client()).status_code == 302


def test_a_sign_out_is_forgotten_when_its_cookie_is_too_old_anyway(two: Two, few: int) -> None:
    """The file does not grow with the years."""
    access, most_s = two.app.extensions["window"].access, limits.WEB.session_h.value * 3600
    for number in range(3 * few):
        access.end_session(f"session {number}", two.site.hands.wall() + number * most_s / (few - 1))
    assert access.epoch == 1
    assert [access.is_ended(f"session {number}") for number in (0, 3 * few - 1)] == [False, True]
