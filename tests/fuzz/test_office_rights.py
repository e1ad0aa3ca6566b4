"""Rights over the whole map of routes of the office's pages: every route, by every method, for whoever has no session
in force. What each role may is the table of tests/fleet/test_pages.py."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from condenser_monitor.monitor.fleet import people
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.monitor.sign_in import digest
from condenser_monitor.web.fleet import guard
from tests.fleet.office import PASSWORD, Office, post

METHODS = ("GET", "HEAD", "OPTIONS", "POST", "PUT", "DELETE")
OPEN = {"static", "door.login", "programs.healthz"}
FILL = {
    "name": "load-000000",
    "login": "lou",
    "secret": "x" * 43,
    "int:key": "1",
    "int(max=9223372036854775807):key": "1",
    "path:filename": "style.css",
}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    """An office to be copied."""
    store = Store(f"sqlite:///{tmp_path_factory.mktemp('office')}/fleet.db")
    store.migrate()
    yield Office(store)
    store.close()


@pytest.fixture
def office(whole: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Office]:
    """An office of the test's own, in which nobody asks too much."""
    monkeypatch.setattr(guard, "_PER_MIN", 10**9)
    made = whole.copy(tmp_path / "own.db")
    yield made
    made.store.close()


def _token(office: Office, login: str = "owner") -> str:
    cookie = office.client(login).get_cookie(guard.SESSION_COOKIE)
    assert cookie is not None
    return cookie.value


def _signed_out(office: Office, _: Path) -> str:
    browser = office.client("owner")
    cookie = browser.get_cookie(guard.SESSION_COOKIE)
    assert cookie is not None
    post(browser, "/password", "/logout")
    return cookie.value


def _after(seconds: float) -> Callable[[Office, Path], str]:
    def made(office: Office, _: Path) -> str:
        token = _token(office)
        office.now += seconds
        return token

    return made


def _used_for_too_long(office: Office, _: Path) -> str:
    token, until = _token(office), office.now + FLEET.session_most_s.value
    while office.now < until:
        assert people.session(office.store, token, office.now) is not None
        office.now += FLEET.session_idle_s.value / 2
    office.now += 1.0
    return token


def _shut_out(office: Office, _: Path) -> str:
    token = _token(office, "lou")
    people.set_active(office.store, "lou", False, by="owner", now=office.now)
    return token


def _of_the_old_password(office: Office, _: Path) -> str:
    token = _token(office)
    people.set_password(office.store, "owner", PASSWORD + " new", by="owner", now=office.now)
    return token


def _of_another_office(office: Office, folder: Path) -> str:
    other = office.copy(folder / "other.db")
    token = _token(other)
    other.store.close()
    return token


NOBODY: dict[str, Callable[[Office, Path], str]] = {
    "a stranger": lambda *_: "",
    "a token made up": lambda *_: "x" * 43,
    "a token as the database keeps it": lambda office, _: digest(_token(office)),
    "a session signed out": _signed_out,
    "a session left alone for a day": _after(FLEET.session_idle_s.value + 1.0),
    "a session used for over a week": _used_for_too_long,
    "a person shut out": _shut_out,
    "a session of the password before": _of_the_old_password,
    "the owner of another office": _of_another_office,
}


def routes(office: Office) -> list[tuple[str, str]]:
    """Every route of the pages as endpoint and a path that matches it."""
    found = []
    for rule in office.app.url_map.iter_rules():
        path = rule.rule
        for name, value in FILL.items():
            path = path.replace(f"<{name}>", value)
        assert "<" not in path, f"{rule.rule}: tell FILL how to fill it"
        found.append((rule.endpoint, path))
    return found


def test_the_guard_opens_the_sign_in_and_nothing_else(office: Office) -> None:
    """The guard's own list, and a right for every other route."""
    assert guard.PUBLIC == OPEN
    assert {
        endpoint for endpoint, _ in routes(office)
    } == OPEN | guard.RIGHTS.keys() | guard.SCOPED.keys() | guard.LINKED


@pytest.mark.parametrize("who", NOBODY)
def test_every_route_is_refused_without_a_session_in_force(office: Office, tmp_path: Path, who: str) -> None:
    """Over the whole map, by every method: reading leads to the sign-in, all else is refused; nothing is done."""
    token = NOBODY[who](office, tmp_path)
    before = office.count(), office.site(0), office.site(1)
    for endpoint, path in routes(office):
        for method in METHODS if endpoint not in OPEN else ():
            browser = office.app.test_client()
            browser.set_cookie(guard.SESSION_COOKIE, token)
            answer = browser.open(path, method=method, data={"csrf": token} if method == "POST" else None)
            wanted = 302 if method == "GET" and endpoint not in guard.SCOPED.keys() | guard.LINKED else 401
            assert answer.status_code == wanted, (who, method, path, answer.status_code)
            assert answer.status_code != 302 or answer.location.startswith("/login?next=/")
            assert "Customer" not in answer.text
    assert (office.count(), office.site(0), office.site(1)) == before


def test_a_technician_is_told_of_no_other_site_by_any_route(office: Office) -> None:
    """The number or name of what is not theirs is answered as that of what is not there, on every route that takes
    one, and by every form."""
    kim = office.client("kim")
    assert kim.get(f"/visit/{office.visits[2]}").status_code == kim.get("/visit/987654").status_code == 404
    for path in ("/site/{}", "/site/{}/cycles", "/site/{}/season.pdf"):
        foreign, none = kim.get(path.format("load-000004")), kim.get(path.format("nobody"))
        assert (foreign.status_code, none.status_code) == (404, 404)
        assert foreign.text.replace("load-000004", "nobody") == none.text


@pytest.mark.parametrize("login", ["owner", "nobody at all"])
def test_a_login_is_held_off_whether_it_is_known_or_not(office: Office, login: str) -> None:
    """The same answers for a name that is known and for one that is not: the door tells nobody who works here."""
    browser = office.app.test_client()
    tries = int(FLEET.login_tries.value)
    told = [post(browser, "/login", "/login", login=login, password="wrong") for _ in range(tries + 1)]
    assert [answer.status_code for answer in told] == [401] * tries + [429]
    assert "Login or password is not right." in told[0].text
