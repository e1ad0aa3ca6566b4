"""The page in a real browser, as a person would use it: phone and desk, keyboard, no network, no contact."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any, get_args

import msgspec
import pytest
from flask import Flask
from playwright.sync_api import Browser, Page, Route, ViewportSize, expect

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.publishers.answer_links import Action
from condenser_monitor.web.serve import Serving, serve
from condenser_monitor.web.setup_steps import STEPS
from tests.conftest import need, set_limit
from tests.monitor import units
from tests.size import long_one, whole_only
from tests.web.browser import (
    DESK,
    PHONE,
    WCAG,
    addresses_asked,
    axe_source,
)
from tests.web.conftest import app_of, technician_code
from tests.web.filled import NOW_S, Site
from tests.web.test_answers import link

PAGES: tuple[str, ...] = (
    "",
    "alerts",
    "checks",
    "history",
    "history?zoom=month",
    "cycles",
    "trends",
    "report",
    "report/read",
)
PAGES += ("health", "settings", "shared", "offline", "no-such-page")
PAGES += tuple(f"settings/{step.slug}" for step in STEPS)

# A browser that breaks off a request leaves the file it asked for to the collector.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


IN_THE_DARK = ["color-contrast"]  # of axe's rules, what the scheme changes
# Light on a phone and dark on a desk: the second where all is played.
SCHEMES = [
    pytest.param("light", PHONE, id="light phone"),
    pytest.param("dark", DESK, id="dark desk", marks=whole_only),
]


@pytest.fixture
def served(site: Site, monkeypatch: pytest.MonkeyPatch) -> Iterator[Serving]:
    """The faulty site's page; an open page asks four times a second, so that tests are short."""
    set_limit(monkeypatch, limits.WEB.poll_s, 0.25)
    set_limit(monkeypatch, limits.WEB.lost_s, 1.0)
    with serve(app_of(site)) as serving:
        yield serving


def opened(browser: Browser, url: str, **how: Any) -> Page:
    """A page that fails the test on any error of script or policy."""
    page = browser.new_page(**{"viewport": DESK, **how})
    page.set_default_timeout(8000)
    page.on("pageerror", lambda error: pytest.fail(f"{url}: {error}"))
    page.on("console", lambda said: pytest.fail(said.text) if "Content Security Policy" in said.text else None)
    page.goto(url)
    return page


@long_one
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_no_page_is_wider_than_the_screen(browser: Browser, served: Serving, size: ViewportSize) -> None:
    """Nothing scrolls sideways but tables within their own frame (WCAG 1.4.10, at 390 px)."""
    for path in PAGES:
        page = opened(browser, served.url + path, viewport=size)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], path
        page.close()


@long_one
def test_no_curve_lies_under_the_words_of_its_axis(browser: Browser, lived: Site) -> None:
    """On a phone and on a desk, each plot's and lane's values stand left of where its curve begins, within the card."""
    with serve(app_of(lived)) as serving:
        for size, path in ((PHONE, "history"), (DESK, "history?zoom=hour"), (PHONE, "history?zoom=month")):
            page = opened(browser, serving.url + path, viewport=size)
            placed = page.evaluate(
                """() => [...document.querySelectorAll("svg.lanes")].flatMap(svg => {
                    const inside = svg.getBoundingClientRect().left;
                    const card = svg.closest(".card").getBoundingClientRect();
                    const words = [...svg.querySelectorAll("text[x='-6']")].map(word => word.getBoundingClientRect());
                    return words.map(word => [card.left < word.left, word.right < inside]);
                })"""
            )
            assert len(placed) >= 9, path
            assert all(within and beside for within, beside in placed), path
            page.close()


def test_a_phone_shows_all_that_became_of_an_alert(browser: Browser, served: Serving) -> None:
    """At 390 px no word of the table lies outside the screen, and what was told has its title beside it."""
    page = opened(browser, served.url + "alerts", viewport=PHONE)
    cells = page.locator("table.lines td:not(:empty)")
    ends = cells.evaluate_all("cells => cells.map(cell => cell.getBoundingClientRect().right)")
    assert len(ends) >= 4
    assert max(ends) <= PHONE["width"]
    told = page.locator("table.lines td", has_text="new alert").first
    assert told.evaluate("cell => getComputedStyle(cell, '::before').content") == '"Told: "'
    page.close()


def test_the_cycles_of_a_day_fold_and_keep_their_first_column(browser: Browser, lived: Site) -> None:
    """On a phone: a day's cycles lie under its sum, each time on one line that stays when the rest is scrolled."""
    with serve(app_of(lived)) as serving:
        page = opened(browser, serving.url + "cycles", viewport=PHONE)
        cells = page.locator("td.first")
        expect(page.locator("details summary").first).to_contain_text(" cycles, ")
        lines = cells.first.evaluate("cell => cell.clientHeight / parseFloat(getComputedStyle(cell).lineHeight)")
        assert lines < 2.0  # one line and its padding
        was = cells.first.evaluate("cell => cell.getBoundingClientRect().left")
        page.locator(".scroll").first.evaluate("box => { box.scrollLeft = 200; }")
        assert cells.first.evaluate("cell => cell.getBoundingClientRect().left") == was
        page.close()


def test_the_page_asks_nobody_but_the_monitor(browser: Browser, served: Serving) -> None:
    """It works without a network: every request goes to the page's own address."""
    page = browser.new_page()
    asked = addresses_asked(page, served.url, PAGES)
    page.close()
    assert asked
    assert [url for url in asked if not url.startswith(served.url)] == []


@long_one
@pytest.mark.parametrize(("locale", "size"), [("en-US", PHONE), ("es-MX", DESK)], ids=["English phone", "Spanish desk"])
def test_every_page_is_accessible(browser: Browser, served: Serving, locale: str, size: ViewportSize) -> None:
    """axe-core finds no violation of WCAG 2.2 AA on any page, in both languages, in a fault; its colours are looked at
    again in the dark."""
    source = axe_source()
    need("axe-core", source is not None)
    context = browser.new_context(viewport=size, bypass_csp=True, locale=locale, color_scheme="light")
    page = context.new_page()
    for path in PAGES:
        page.goto(served.url + path)
        check_as_it_is(page, source or "")
        page.emulate_media(color_scheme="dark")
        check_as_it_is(page, source or "", IN_THE_DARK)
        page.emulate_media(color_scheme="light")
    context.close()


def _keep_sizes(got: list[Any], asked: Any) -> None:
    got.append(asked.sizes())


@long_one
def test_no_page_weighs_more_than_100_kb(browser: Browser, served: Serving) -> None:
    """With style, script and pictures, as a browser that knows nothing of it yet fetches it."""
    for path in PAGES:
        context = browser.new_context(viewport=PHONE)
        page = context.new_page()
        got: list[Any] = []
        page.on("requestfinished", partial(_keep_sizes, got))
        page.goto(served.url + path, wait_until="networkidle" if path else "load")
        weight = sum(one["responseBodySize"] + one["responseHeadersSize"] for one in got)
        assert 0 < weight < 100_000, (path, weight)
        context.close()


def check_accessible(browser: Browser, url: str, source: str, size: ViewportSize, **how: Any) -> None:
    context = browser.new_context(viewport=size, bypass_csp=True, **how)
    page = context.new_page()
    page.goto(url)
    check_as_it_is(page, source)
    context.close()


def check_as_it_is(page: Page, source: str, rules: Sequence[str] = WCAG) -> None:
    """The page as it is shown now, by all rules or some."""
    if not page.evaluate("'axe' in window"):
        page.add_script_tag(content=source)
    found = page.evaluate("rules => axe.run({runOnly: rules})", rules)
    told = [(rule["id"], [node["html"][:160] for node in rule["nodes"]][:3]) for rule in found["violations"]]
    assert told == [], page.url


@long_one
@pytest.mark.parametrize(("scheme", "size"), SCHEMES)
def test_the_steps_of_a_visit_and_of_a_share_are_accessible(
    browser: Browser, served: Serving, site: Site, scheme: str, size: ViewportSize
) -> None:
    """Pages that are reached by what somebody enters: a check, an answer, a code, the shared report."""
    source = axe_source() or ""
    need("axe-core", bool(source))
    context = browser.new_context(viewport=size, color_scheme=scheme, bypass_csp=True)  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(served.url + "checks")
    page.get_by_label("Start with").select_option("call-without-pull-in")
    page.get_by_label("Technician, qualified").check()
    page.get_by_label("Technician's code").fill(technician_code(site).lower())
    page.get_by_role("button", name="Start").click()
    page.goto(served.url + "checks?check=coil-ohms")
    page.locator("#d-terms summary").click()
    check_as_it_is(page, source)
    page.get_by_label("Reading, as the meter shows it").fill("13.8 ohm")
    page.get_by_role("button", name="Enter").click()
    expect(page.locator("#h-answers")).to_be_visible()
    check_as_it_is(page, source)
    page.goto(served.url + "report")
    page.get_by_label("For whom").fill("Sam")
    page.get_by_role("button", name="Make a code").click()
    check_as_it_is(page, source)
    code = page.locator("code.secret.big").inner_text()
    page.goto(served.url + "shared")
    page.get_by_label("Code").fill("wrong")
    page.get_by_role("button", name="Open the report").click()
    expect(page.get_by_role("alert")).to_be_visible()
    check_as_it_is(page, source)
    page.get_by_label("Code").fill(code)
    page.get_by_role("button", name="Open the report").click()
    expect(page.locator("article.report")).to_be_visible()
    check_as_it_is(page, source)
    context.close()


@long_one
@pytest.mark.parametrize(("scheme", "size"), SCHEMES)
def test_the_links_of_a_message_are_accessible(
    browser: Browser, served: Serving, site: Site, scheme: str, size: ViewportSize
) -> None:
    """What a link to each answer says before it is given and after, what is safe to look at, and a link that no longer
    works; in both languages."""
    source = axe_source() or ""
    need("axe-core", bool(source))
    for locale in ("en-US", "es-MX"):
        context = browser.new_context(viewport=size, color_scheme=scheme, bypass_csp=True, locale=locale)  # type: ignore[arg-type]
        page = context.new_page()
        page.route("**/page.js*", lambda route: route.abort())  # which would press the button at once
        for action in get_args(Action):
            page.goto(served.url + link(site, action).lstrip("/"))
            check_as_it_is(page, source)
            if action == "look":
                continue
            if action == "visit":
                page.locator("input[type=date]").fill("2026-07-16")
            page.locator("main form button").first.click()
            expect(page.locator("main form")).to_have_count(0)
            check_as_it_is(page, source)
        page.goto(served.url + "a/cut-short")
        check_as_it_is(page, source)
        context.close()


@long_one
@pytest.mark.parametrize(("scheme", "size"), SCHEMES)
def test_the_pages_at_the_door_are_accessible(browser: Browser, site: Site, scheme: str, size: ViewportSize) -> None:
    """Set-up, set-up with a mistake, sign-in, sign-in with a wrong password: as another device sees them."""
    source = axe_source() or ""
    need("axe-core", bool(source))
    with serve(from_elsewhere(site)) as serving:
        context = browser.new_context(viewport=size, color_scheme=scheme, bypass_csp=True)  # type: ignore[arg-type]
        page = context.new_page()
        page.goto(serving.url)
        check_as_it_is(page, source)
        for again in ("seven green lamps", "seven green lanterns"):
            page.get_by_label("Password, at least").fill("seven green lanterns")
            page.get_by_label("The same again").fill(again)
            page.get_by_role("button", name="Set password").click()
            check_as_it_is(page, source)
        page.wait_for_url("**/settings/*")  # the first step of setting up
        page.context.clear_cookies()
        page.goto(serving.url)
        check_as_it_is(page, source)
        page.get_by_label("Password").fill("something else")
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("alert")).to_be_visible()
        check_as_it_is(page, source)
        context.close()


def from_elsewhere(site: Site) -> Flask:
    """The page as every other device meets it: behind a proxy, which names a visitor of the house's own network."""
    web = msgspec.structs.replace(site.settings.web, proxy=True)
    site.settings = msgspec.structs.replace(site.settings, web=web)
    app = app_of(site)
    app.config["SESSION_COOKIE_SECURE"] = False  # no TLS in this test
    behind = app.wsgi_app

    def proxied(environ: dict[str, Any], start: Any) -> Any:
        return behind({**environ, "HTTP_X_FORWARDED_FOR": "192.168.1.20"}, start)

    app.wsgi_app = proxied  # type: ignore[method-assign, assignment]
    return app


@long_one
def test_a_blind_and_a_healthy_page_are_accessible_too(browser: Browser, healthy: Site) -> None:
    """The colours of the other conditions pass as well."""
    source = axe_source()
    need("axe-core", source is not None)
    with serve(app_of(healthy)) as serving:
        for age_s in (0, 3600):
            healthy.hands.forward(age_s)
            for scheme in ("light", "dark"):
                check_accessible(browser, serving.url, source or "", PHONE, color_scheme=scheme)


def test_the_page_follows_the_unit_without_a_reload(browser: Browser, served: Serving, site: Site) -> None:
    """The fault ends while the page is open: sentence and ladder change by themselves; an opened list stays open."""
    page = opened(browser, served.url)
    page.evaluate("window.sameDocument = true")
    expect(page.locator("#part-say h1")).to_contain_text("contactor does not switch it on")
    page.get_by_text("The same in words").click()
    site.feed(units.scans((30, units.RUN), from_s=site.now_s + 1), NOW_S - site.now_s)
    expect(page.locator("#part-say h1")).to_contain_text("Quiet for now, not known to be repaired")
    expect(page.locator(".ladder .ring")).to_have_count(0)
    expect(page.locator("#d-ladder")).to_have_attribute("open", "")
    assert page.evaluate("window.sameDocument") is True
    page.close()


def test_a_page_goes_blind_when_scans_stop(browser: Browser, healthy: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """A healthy page left open does not stay healthy when the monitor no longer scans."""
    set_limit(monkeypatch, limits.WEB.poll_s, 0.25)
    with serve(app_of(healthy)) as serving:
        page = opened(browser, serving.url)
        expect(page.locator("#part-say h1")).to_contain_text("All is well")
        healthy.hands.forward(60)
        expect(page.locator("#part-say h1")).to_contain_text("The monitor isn't receiving readings")
        expect(page.locator("#part-ladder .s-live")).to_have_count(1)  # the key alone
        page.close()


def test_a_page_that_loses_contact_says_so(browser: Browser, served: Serving) -> None:
    """The server ends while the page is open: the sentence and the ladder no longer show an old state."""
    page = opened(browser, served.url)
    expect(page.locator(".ladder .ring")).to_have_count(1)
    page.route(re.compile(r".*/live\.json"), lambda route: route.abort())
    expect(page.locator("#part-say h1")).to_contain_text("lost contact")
    expect(page.locator("#part-ladder .s-live")).to_have_count(0)
    page.unroute(re.compile(r".*/live\.json"))
    expect(page.locator("#part-say h1")).to_contain_text("contactor does not switch it on")
    page.close()


def test_the_page_for_no_contact_is_shown_when_nothing_answers(browser: Browser, site: Site) -> None:
    """Once visited, the installed page opens without a server, and shows nothing of an old state."""
    serving = serve(app_of(site))
    context = browser.new_context()
    page = context.new_page()
    page.goto(serving.url)
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()
    url = serving.url
    serving.close()
    page.goto(url)
    expect(page.locator("h1")).to_contain_text("does not answer")
    context.close()


def test_an_alert_is_acknowledged_by_keyboard_alone(browser: Browser, served: Serving, site: Site) -> None:
    """Skip link, form, button: no mouse; the focus is always to be seen."""
    page = opened(browser, served.url + "alerts")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    for _ in range(3):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.name") == "by":
            break
    page.keyboard.type("Sam")
    page.keyboard.press("Tab")
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    page.keyboard.press("Enter")
    expect(page.locator(".notice")).to_contain_text("the monitor has your request")
    site.work()
    page.reload()
    expect(page.locator("main")).to_contain_text("Acknowledged by Sam")
    page.close()


def test_a_visit_from_reading_to_outcome_on_a_phone(browser: Browser, served: Serving, site: Site) -> None:
    """A technician begins with the finding, types OL, sees one suspect left, and keeps the outcome."""
    page = opened(browser, served.url + "checks", viewport=PHONE)
    page.get_by_label("Your name").fill("Ada")
    page.get_by_label("Start with").select_option("call-without-pull-in")
    page.get_by_label("Technician, qualified").check()
    page.get_by_label("Technician's code").fill(technician_code(site).lower())
    page.get_by_role("button", name="Start").click()
    page.goto(served.url + "checks?check=coil-ohms")
    expect(page.locator("#cautions")).to_be_in_viewport()
    expect(page.locator("#h-check")).to_contain_text("Contactor coil, ohms")
    page.get_by_label("Reading, as the meter shows it").fill("OL")
    page.get_by_role("button", name="Enter").click()
    page.locator("#h-was ~ form input[name=by]").press("Enter")  # never ends a visit
    expect(page.locator("#h-left + ol > li").first).to_contain_text("contactor coil open")
    page.locator("select[name=was]").select_option("coil-open")
    page.get_by_role("button", name="Save and finish").click()
    expect(page.locator(".notice")).to_contain_text("It was suspected first")
    page.close()
    assert site.history.visits()[0].was == "coil-open"


def test_first_use_from_another_device(browser: Browser, site: Site) -> None:
    """Behind a proxy every visitor is another device: a password is set, asked, and changed in the browser."""
    with serve(from_elsewhere(site)) as serving:
        page = opened(browser, serving.url)
        expect(page.locator("h1")).to_have_text("Set a password")
        page.get_by_label("Password, at least").fill("seven green lanterns")
        page.get_by_label("The same again").fill("seven green lanterns")
        page.get_by_role("button", name="Set password").click()
        page.wait_for_url("**/settings/*")  # the first step of setting up, which may be left
        page.goto(serving.url)
        expect(page.locator("#part-say h1")).to_be_visible()
        page.close()
        other = opened(browser, serving.url + "cycles")
        other.get_by_label("Password").fill("seven green lanterns")
        other.get_by_role("button", name="Sign in").click()
        expect(other.locator("h1")).to_have_text("Cycles")
        other.close()


def test_a_link_given_to_a_technician_opens_the_report_on_their_phone(browser: Browser, site: Site) -> None:
    """The owner makes a link; another device opens it without the password, and the code is in no address it asks for;
    once the owner has ended it, the open page no longer works."""
    app = from_elsewhere(site)
    app.extensions["window"].access.set_password("seven green lanterns")
    with serve(app) as serving:
        owner = opened(browser, serving.url + "report")
        owner.get_by_label("Password").fill("seven green lanterns")
        owner.get_by_role("button", name="Sign in").click()
        owner.get_by_label("For whom").fill("Sam")
        owner.get_by_role("button", name="Make a code").click()
        link = owner.locator("code.secret").last.inner_text()
        context = browser.new_context(viewport=PHONE)
        page = context.new_page()
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(link)
        expect(page.locator("article.report h1")).to_contain_text(site.settings.site.name)
        code = link.partition("#")[2]
        assert asked
        assert not any(code in url for url in asked)
        assert code not in page.url
        with page.expect_download() as got:
            page.get_by_text("As a PDF file").click()
        assert got.value.path().read_bytes().startswith(b"%PDF")
        page.goto(serving.url + "cycles")
        expect(page.locator("h1")).to_have_text("Sign in")
        owner.goto(serving.url + "report")
        owner.get_by_role("button", name="End it now").click()
        expect(owner.locator(".notice")).to_contain_text("no longer works")
        page.goto(serving.url + "shared/report")
        expect(page.locator("h1")).to_have_text("The report that was shared with you")
        context.close()
        owner.close()


def test_nothing_moves_for_who_wants_less_motion(browser: Browser, served: Serving) -> None:
    """With reduced motion no element has an animation or a transition."""
    page = opened(browser, served.url, reduced_motion="reduce")
    moving = page.evaluate(
        "[...document.querySelectorAll('*')].filter(e => { const s = getComputedStyle(e);"
        " return s.animationName !== 'none' || parseFloat(s.transitionDuration) > 0; }).length"
    )
    assert moving == 0
    page.close()


def test_it_can_be_installed(browser: Browser, served: Serving) -> None:
    """Manifest with a name, a start, a display mode and icons that load at their size (W3C web app manifest)."""
    page = opened(browser, served.url)
    manifest = page.evaluate("fetch(document.querySelector('link[rel=manifest]').href).then(a => a.json())")
    assert manifest["display"] == "standalone"
    assert {icon["sizes"] for icon in manifest["icons"]} >= {"192x192", "512x512", "any"}
    for icon in manifest["icons"]:
        size = page.evaluate(
            "src => new Promise((ok, bad) => { const i = new Image(); i.onload = () => ok(i.naturalWidth);"
            " i.onerror = bad; i.src = src; })",
            icon["src"],
        )
        assert icon["sizes"] == "any" or icon["sizes"] == f"{size}x{size}"
    page.close()


@long_one
@pytest.mark.parametrize("fate", ["hangs", "fails"])
def test_a_part_that_cannot_be_fetched_leaves_no_old_state_standing(
    browser: Browser, healthy: Site, monkeypatch: pytest.MonkeyPatch, fate: str
) -> None:
    """Contact is lost between the mark and the part: the page does not go on saying that all is well."""
    set_limit(monkeypatch, limits.WEB.poll_s, 0.25)
    set_limit(monkeypatch, limits.WEB.lost_s, 1.0)
    with serve(app_of(healthy)) as serving:
        page = opened(browser, serving.url)
        expect(page.locator("#part-say h1")).to_contain_text("All is well")
        held: list[Route] = []
        page.route(re.compile(r".*/part/.*"), lambda route: held.append(route) if fate == "hangs" else route.abort())
        healthy.hands.forward(60)
        expect(page.locator("#part-say h1")).to_contain_text("lost contact", timeout=15_000)
        expect(page.locator("#part-ladder .s-live")).to_have_count(0)
        page.unroute(re.compile(r".*/part/.*"))
        expect(page.locator("#part-say h1")).to_contain_text("The monitor isn't receiving readings", timeout=15_000)
        page.close()
