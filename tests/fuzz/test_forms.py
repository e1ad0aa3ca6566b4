"""Pages and forms under what nobody should send: every route of the unit's page and of the fleet's, fields by the names
that views and templates use, values of every kind. No error of the server; a refusal has words and no inside."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote, urlsplit

import pytest
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor.fleet.store import Store
from tests.fleet.office import Office
from tests.fleet.office import token as fleet_token
from tests.fuzz.fields import (
    WEB,
    forms,
    names,
    places,
)
from tests.fuzz.refusals import fuzzed
from tests.web.conftest import app_of, csrf
from tests.web.filled import Site

_RARE = fuzzed(300)
_UNIT_FIELDS = names(WEB)
_FLEET_FIELDS = names(WEB / "fleet", WEB)
_COSTLY = {
    "/report/file.<ending>",
    "/shared/file.<ending>",
    "/report/read",
}  # a document each: tried by their own tests


@pytest.fixture(scope="module")
def office(tmp_path_factory: pytest.TempPathFactory) -> Office:
    """An office with something on every page."""
    store = Store(f"sqlite:///{tmp_path_factory.mktemp('office')}/fleet.db")
    store.migrate()
    return Office(store)


def looked_at(answer: Any, path: str) -> None:
    """No error of the server, nothing of its inside, and nobody is sent to another host."""
    text = answer.get_data(as_text=True) if answer.mimetype.startswith("text/html") else ""
    unwell = path.rstrip("/") == "/healthz" and answer.status_code == 503  # that is its answer: no ingest lives here
    assert answer.status_code < 500 or unwell, (path, answer.status_code)
    assert "Traceback (most recent call last)" not in text, path
    assert "<script>alert(1)</script>" not in text, path
    location = answer.headers.get("Location", "")
    assert urlsplit(location).netloc in ("", "localhost"), (path, location)
    assert not location.startswith(("//", "/\\", "\\")), (path, location)


def opened(client: FlaskClient, method: str, path: str, sent: dict[str, str], **more: Any) -> None:
    """One request with the fields in query or form."""
    where: dict[str, Any] = {"query_string": sent} if method == "GET" else {"data": sent}
    looked_at(client.open(quote(path, safe="/"), method=method, buffered=True, **where, **more), path)


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_the_units_page_bears_whatever_is_sent(site: Site, method: str) -> None:
    """The page of one unit, for somebody who may open it, with the token of its own forms."""
    app = app_of(site)
    app.testing = True
    client = app.test_client()
    kept = csrf(client)

    @_RARE
    @given(path=_cheap(app, method), sent=forms(_UNIT_FIELDS))
    def run(path: str, sent: dict[str, str]) -> None:
        with client.session_transaction() as session:
            session["csrf"] = kept
        opened(client, method, path, sent | ({"csrf": kept} if method == "POST" else {}))
        site.work()

    run()


def _cheap(app: Flask, method: str) -> st.SearchStrategy[str]:
    kept = [rule for rule in app.url_map.iter_rules() if rule.rule not in _COSTLY and "password" not in rule.rule]
    return places(kept, method)


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_the_fleets_pages_bear_whatever_is_sent(office: Office, method: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The office's pages for their owner, who may open all of them."""
    monkeypatch.setattr("condenser_monitor.web.fleet.guard._PER_MIN", 10**9)
    browser = office.client("owner")
    kept = fleet_token(browser, "/password")
    rules = [rule for rule in office.app.url_map.iter_rules() if rule.endpoint not in ("door.logout", "door.password")]

    @_RARE
    @given(path=places(rules, method), sent=forms(_FLEET_FIELDS))
    def run(path: str, sent: dict[str, str]) -> None:
        opened(browser, method, path, sent | ({"csrf": kept} if method == "POST" else {}))

    run()


@pytest.mark.parametrize("what", ["body", "type", "cookie", "header"])
def test_what_is_no_form_at_all_is_refused_in_words(site: Site, what: str) -> None:
    """Bytes that are no form, types that nobody knows, cookies and headers of noise."""
    app = app_of(site)
    app.testing = True
    paths = ["/", "/alerts/acknowledge", "/checks/answer", "/login", "/api/v1/requests", "/settings/tokens", "/shared"]

    @_RARE
    @given(path=st.sampled_from(paths), noise=st.binary(max_size=200), word=st.text(max_size=30))
    def run(path: str, noise: bytes, word: str) -> None:
        client = app.test_client()
        more: dict[str, Any] = {}
        text = noise.decode("latin-1").replace("\r", "").replace("\n", "")
        if what == "body":
            more = {"data": noise}
        elif what == "type":
            more = {"data": noise, "content_type": f"multipart/form-data; boundary={quote(word)}"}
        elif what == "cookie":
            client.set_cookie(f"condenser-{site.settings.site.id}", quote(word))
        else:
            more = {"headers": {"Authorization": f"Bearer {text}", "Accept": text, "X-CSRF-Token": text}}
        looked_at(client.open(path, method="POST", buffered=True, **more), path)

    run()
