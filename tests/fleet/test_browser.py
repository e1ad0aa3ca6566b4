"""The office's pages in a real browser: phone and desk, light and dark, keyboard, no network."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
import sqlalchemy as sa
from playwright.sync_api import Browser, Page, ViewportSize, expect

from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.records import Severity
from condenser_monitor.monitor.fleet import people, queries, tenants, triage
from condenser_monitor.monitor.fleet.active_alerts import ActiveAlerts
from condenser_monitor.monitor.fleet.people import Role
from condenser_monitor.monitor.fleet.setup import FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import state
from condenser_monitor.monitor.fleet.writer import writer
from condenser_monitor.web.fleet import guard
from condenser_monitor.web.fleet.app import create_app
from condenser_monitor.web.serve import Serving, serve
from tests.conftest import need
from tests.fleet.load import FAULTS, site_name
from tests.fleet.office import PASSWORD, Office, put_sites
from tests.fleet.payloads import NOON
from tests.size import long_one, whole_only
from tests.web.browser import (
    DESK,
    PHONE,
    WCAG,
    addresses_asked,
    axe_source,
)

_SITE = site_name(1)
PAGES = (
    *("", "visits", "drifting", "silent", "due", "sites", "sites?q=elm", "score", "ingest", "people", "audit"),
    *("password", f"site/{_SITE}", f"site/{site_name(5)}", f"site/{_SITE}/cycles", "visit/1", "visit/3", "nothing"),
)


# Light on a phone and dark on a desk: the second where all is played.
SCHEMES = [
    pytest.param("light", PHONE, id="light phone"),
    pytest.param("dark", DESK, id="dark desk", marks=whole_only),
]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    """An office with something on every page."""
    store = Store(f"sqlite:///{tmp_path_factory.mktemp('seen')}/fleet.db")
    store.migrate()
    office = Office(store)
    with store.write() as connection:  # one that is asked about, with a customer of a long name
        key = queries.site_id(connection, tenants.WHOLE, site_name(5))
        summary = "No run since then: by its neighbors 401 were due, and never before more than 7. Is nobody home?"
        about: dict[str, Any] = {"finding": triage.NOT_RUN, "severity": "watch", "summary": summary, "active": True}
        row = ActiveAlerts(site_id=key, since_at=office.now - 9e5, changed_at=office.now, **about)
        writer(store).put_standing(connection, [row])
    with pytest.MonkeyPatch.context() as patch, serve(office.app) as serving:
        patch.setattr(guard, "_PER_MIN", 10**6)
        yield serving
    store.close()


def signed_in(browser: Browser, url: str, login: str = "owner", **how: Any) -> Page:
    """A page behind the sign-in that fails the test on any error of script or policy."""
    page = browser.new_context(**{"viewport": DESK, **how}).new_page()
    page.set_default_timeout(8000)
    page.on("pageerror", lambda error: pytest.fail(f"{url}: {error}"))
    page.on("console", lambda said: pytest.fail(said.text) if "Content Security Policy" in said.text else None)
    page.goto(f"{url}login")
    page.get_by_label("Login").fill(login)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(url)
    return page


@long_one
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_no_page_is_wider_than_the_screen(browser: Browser, served: Serving, size: ViewportSize) -> None:
    """Nothing scrolls sideways but tables within their own frame (WCAG 1.4.10, at 390 px)."""
    page = signed_in(browser, served.url, viewport=size)
    wide = []
    for path in PAGES:
        page.goto(served.url + path)
        if page.evaluate("document.documentElement.scrollWidth") > size["width"]:
            wide.append(path)
    page.context.close()
    assert wide == []


_OVERLAPS = """() => {
  const all = [...document.querySelectorAll("input, select, textarea, button, a.button")];
  const shown = all.filter(e => e.checkVisibility())
    .map(e => [e.name || e.textContent, e.getBoundingClientRect()]).filter(([, r]) => r.width > 1 && r.height > 1);
  return shown.flatMap(([name, a], n) => shown.slice(n + 1)
    .filter(([, b]) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
      && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1)
    .map(([other]) => `${name} on ${other}`));
}"""


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_no_control_lies_on_another(browser: Browser, served: Serving, size: ViewportSize) -> None:
    """Each field and button of every page has its place to itself, to be read and hit (WCAG 2.5.8)."""
    page = signed_in(browser, served.url, viewport=size)
    found = {}
    for path in PAGES:
        page.goto(served.url + path)
        found[path] = page.evaluate(_OVERLAPS)
        if not path:
            expect(page.get_by_label("Nobody until")).to_have_count(1)
    page.context.close()
    assert {path: pairs for path, pairs in found.items() if pairs} == {}


def test_the_pages_ask_nobody_but_the_office(browser: Browser, served: Serving) -> None:
    """Every request goes to the pages' own address."""
    page = signed_in(browser, served.url)
    asked = addresses_asked(page, served.url, PAGES)
    page.context.close()
    assert asked
    assert [url for url in asked if not url.startswith(served.url)] == []


@long_one
@pytest.mark.parametrize(("scheme", "size"), SCHEMES)
def test_every_page_is_accessible(browser: Browser, served: Serving, scheme: str, size: ViewportSize) -> None:
    """axe-core finds no violation of WCAG 2.2 AA, light and dark, phone and desk."""
    source = axe_source()
    need("axe-core", source is not None)
    page = signed_in(browser, served.url, viewport=size, color_scheme=scheme, bypass_csp=True)
    found: dict[str, list[str]] = {}
    for path in PAGES:
        page.goto(served.url + path)
        page.add_script_tag(content=source or "")
        result = page.evaluate("tags => axe.run(document, {runOnly: tags})", WCAG)
        wrong = [f"{one['id']}: {one['nodes'][0]['html'][:200]}" for one in result["violations"]]
        if wrong:
            found[path] = wrong
    page.context.close()
    assert found == {}


def test_a_visit_is_booked_made_and_scored_by_clicks_alone(browser: Browser, served: Serving) -> None:
    """From a list to the score, as a dispatcher and then the technician would."""
    page = signed_in(browser, served.url, "dispatcher")
    page.get_by_role("link", name="Drifting").click()
    page.get_by_role("link", name="Mill Close 3").first.click()
    page.get_by_role("textbox", name="Day").fill("2026-05-19")
    page.get_by_label("Technician").first.select_option(label="Lou")
    page.get_by_role("button", name="Book").click()
    expect(page.get_by_text("Booked.")).to_have_count(1)
    page.context.close()
    page = signed_in(browser, served.url, "lou")
    page.get_by_role("link", name="Visits", exact=True).click()
    row = page.get_by_role("row").filter(has_text="Mill Close 3")
    row.get_by_role("link", name="Record the visit").click()
    page.get_by_label("Parts used, one a line").fill("a part")
    page.get_by_label("Confirmed cause").select_option(index=3)
    page.get_by_role("button", name="The visit was made").click()
    expect(page.get_by_role("row").filter(has_text="a part")).to_have_count(1)
    page.context.close()
    page = signed_in(browser, served.url, "dispatcher")
    page.get_by_role("link", name="Score").click()
    expect(page.get_by_role("row").last).to_contain_text("All together")
    page.context.close()


def test_a_day_is_dispatched_by_keyboard_alone(browser: Browser, served: Serving) -> None:
    """Several rows chosen, booked for somebody, all moved, all canceled; Enter on a row books nothing by itself."""
    page = signed_in(browser, served.url, "dispatcher")
    keys, notice = page.keyboard, page.locator(".notice")
    rows = page.locator('input[name="site"]').count()
    assert rows > 1
    for key in ("j", "x", "j", "x", "Enter"):
        keys.press(key)
    expect(page.locator("#truck")).to_contain_text("2 chosen")
    expect(page.get_by_label("Technician")).to_be_focused()
    keys.type("Lou")
    keys.press("Tab")
    keys.press("Enter")
    expect(notice).to_contain_text("moved")
    assert sum(map(int, re.findall(r"\d+", notice.inner_text()))) == 2
    for key in ("a", "t"):
        keys.press(key)
    keys.type("nobody")
    keys.press("Tab")
    keys.press("Enter")
    expect(notice).to_contain_text(re.compile(r"[2-9] moved"))
    assert sum(map(int, re.findall(r"\d+", notice.inner_text()))) == rows
    keys.press("a")
    page.get_by_role("button", name="Cancel the visits").press("Enter")
    expect(notice).to_contain_text("canceled")
    expect(page.get_by_text("A visit is booked")).to_have_count(0)
    page.context.close()


@long_one
def test_a_day_s_26_cases_stand_on_two_screens_and_print_on_two_pages(browser: Browser, tmp_path: Path) -> None:
    """With addresses, people and loads as long as they are in life."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    urgent = [fault for fault in FAULTS if CATALOGUE[fault[0]].severity is Severity.URGENT]
    with store.write() as connection:
        rows: list[dict[str, Any]] = [
            {
                "id": n,
                "site": site_name(n),
                "name": f"{100 + n} Elm Street",
                "enrolled_at": NOON,
                "vulnerability": n % 2,
            }
            | {"customer": f"Customer {n}", "address": f"{100 + n} Elm Street, Mill Green", "phone": f"555-01{n:02d}"}
            | {"vulnerability": n % 2}
            for n in range(1, 27)
        ]
        put_sites(connection, rows)
        connection.execute(sa.insert(state), [{"site_id": n, "heard_at": NOON, "online": True} for n in range(1, 27)])
        stand = [
            ActiveAlerts(
                site_id=n,
                finding=urgent[n % len(urgent)][0],
                active=True,
                severity="urgent",
                since_at=NOON - 411.0 * n,
                changed_at=NOON,
                suspects=msgspec.json.encode(urgent[n % len(urgent)][1]).decode(),
            )
            for n in range(1, 27)
        ]
        writer(store).put_standing(connection, stand)
    people.add_user(store, "owner", "Owner", Role.OWNER, PASSWORD, by="test", now=NOON)
    app = create_app(FleetSettings(name="Our plan"), store, wall=lambda: NOON)
    with serve(app) as serving:
        page = signed_in(browser, serving.url, viewport=DESK)
        expect(page.locator('input[name="site"]')).to_have_count(26)
        screens = page.evaluate("document.documentElement.scrollHeight") / DESK["height"]
        pages = [len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=size))) for size in ("Letter", "A4")]
        page.context.close()
    store.close()
    assert screens <= 2.0
    assert pages == [2, 2]
