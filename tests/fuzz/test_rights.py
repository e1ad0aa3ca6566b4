"""Rights over the whole map of routes, held against lists of the test's own: a route that somebody opens in the guard
must be opened here too, on purpose."""

from __future__ import annotations

import pytest
from flask import Flask

from monitor.fleet.store import Store
from tests.fleet.office import Office
from tests.web.conftest import FAR, app, site
from tests.web.test_access import routes
from web import guard
from web.fleet import access as office_guard

__all__ = ["app", "site"]

UNIT_OPEN = {
    *("static", "door.login", "door.setup", "share.enter", "share.close"),
    *("shell.manifest", "shell.worker", "shell.offline", "shell.icon", "shell.report_style"),
}
UNIT_SHARED = {"share.shared", "share.shared_file"}
FLEET_OPEN = {"static", "door.login"}


def test_the_guards_open_what_this_table_opens_and_no_more() -> None:
    """Both guards' lists, against the lists above."""
    assert guard.OPEN == UNIT_OPEN
    assert guard.SHARED == UNIT_SHARED
    assert office_guard.PUBLIC == FLEET_OPEN


@pytest.mark.parametrize("right", ["none", "wrong", "read", "write"])
def test_a_token_opens_the_interface_for_programs_and_nothing_else(app: Flask, right: str) -> None:
    """Over the whole map, from afar: a token that reads opens reading, one that writes also leaving requests; neither
    opens a page, and a wrong one opens nothing."""
    access = app.extensions["window"].access
    access.set_password("seven green lanterns")
    secret = access.make_token("t", right, 0.0) if right in ("read", "write") else "x" * 43
    headers = {} if right == "none" else {"Authorization": f"Bearer {secret}"}
    for endpoint, method, path in routes(app):
        answer = app.test_client().open(path, method=method, headers=headers, environ_base=FAR, buffered=True)
        if endpoint.startswith("api.") and right in ("read", "write"):
            wanted = {403} if method == "POST" and right == "read" else {200, 400}
        elif endpoint.startswith("api."):
            wanted = {401}
        elif endpoint in UNIT_OPEN:
            wanted = {200, 302, 400, 401}
        else:
            wanted = {302, 401}
        assert answer.status_code in wanted, (right, method, path, answer.status_code)


def test_every_route_of_the_office_is_refused_to_a_stranger(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Over the whole map, by every method that a route takes."""
    store = Store(f"sqlite:///{tmp_path_factory.mktemp('office')}/fleet.db")
    store.migrate()
    office = Office(store)
    tried = 0
    for rule in office.app.url_map.iter_rules():
        path = rule.rule
        for part in rule.arguments:
            for form in (f"<{part}>", f"<path:{part}>", f"<int(max=9223372036854775807):{part}>"):
                path = path.replace(form, "1")
        assert "<" not in path, rule.rule
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"} if rule.endpoint not in FLEET_OPEN else ():
            answer = office.app.test_client().open(path, method=method)
            assert answer.status_code == (302 if method == "GET" else 401), (method, path)
            tried += 1
    assert tried > 20
