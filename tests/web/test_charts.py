"""The charts in a real browser: a cursor reads the values that were drawn, and no label lies on another."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from condenser_monitor.web.serve import serve
from tests.size import long_one
from tests.web.browser import DESK, PHONE
from tests.web.conftest import app_of
from tests.web.filled import Site
from tests.web.test_browser import opened


def test_a_cursor_reads_values_by_mouse_keyboard_and_touch(browser: Browser, lived: Site) -> None:
    """Twelve hours of a hot day: at the moment under the cursor it tells what the history keeps for that moment."""
    with serve(app_of(lived)) as serving:
        page = opened(browser, serving.url + "history?zoom=hour")
        slider = page.locator("#cursor-outdoor-c")
        read = page.locator(".chart:has(#cursor-outdoor-c) + .read")
        assert "arrow keys" in read.inner_text()
        begun, ended = (
            float(page.locator("#outdoor-c").get_attribute(name) or "nan") for name in ("data-from", "data-to")
        )
        box = slider.bounding_box()
        assert box
        slider.hover(position={"x": box["width"] / 2, "y": 20})
        middle_s = (begun + ended) / 2
        (point,) = lived.history.curves(("outdoor_c",), middle_s - 15, middle_s + 15, 1)["outdoor_c"]
        shown = re.search(r": (-?[\d.]+) °F", read.inner_text())
        assert shown
        assert float(shown[1]) == pytest.approx(point.mean * 9 / 5 + 32, abs=0.5)
        slider.focus()
        before = read.inner_text()
        page.keyboard.press("End")
        page.keyboard.press("ArrowLeft")
        expect(slider).to_have_attribute("aria-valuenow", "99.7")
        assert read.inner_text() != before
        assert (slider.get_attribute("aria-valuetext") or "").split("; ")[1] in read.inner_text()
        page.close()
        context = browser.new_context(viewport=PHONE, has_touch=True)
        phone = context.new_page()
        phone.goto(serving.url + "history")
        phone.locator("#cursor-day").scroll_into_view_if_needed()
        phone.locator("#cursor-day").tap(position={"x": 150, "y": 40})
        told = phone.locator(".chart:has(#cursor-day) + .read").inner_text()
        assert re.search(r"Compressor current: (≥ )?\d+\.\d A", told)
        assert re.search(r"Cooling call: \w+", told) or "Call" in told
        context.close()


def test_the_cursor_stays_where_it_was_when_the_chart_is_drawn_again(browser: Browser, lived: Site) -> None:
    """The first page fetches its picture of the day again while somebody reads it by keyboard."""
    with serve(app_of(lived)) as serving:
        page = opened(browser, serving.url)
        page.locator("#cursor-day").focus()
        page.keyboard.press("Home")
        page.evaluate("document.querySelector('#cursor-day').className += ' old'")
        lived.hands.forward(3600)
        expect(page.locator(".cursor.old")).to_have_count(0, timeout=15_000)
        expect(page.locator("#cursor-day")).to_have_count(1)
        expect(page.locator("#cursor-day")).to_have_attribute("aria-valuenow", "0.0")
        page.close()


def test_without_a_script_a_chart_is_whole(browser: Browser, lived: Site) -> None:
    """Words, axes and curves are there; no cursor promises what nothing would answer."""
    with serve(app_of(lived)) as serving:
        context = browser.new_context(java_script_enabled=False, viewport=DESK)
        page = context.new_page()
        page.goto(serving.url + "history")
        assert page.locator("svg.lanes").count() >= 3
        assert page.locator(".cursor, .read").count() == 0
        context.close()


OVERLAPS = """() => [...document.querySelectorAll("svg.ladder, svg.lanes, .report svg")].flatMap(svg => {
    const boxes = [...svg.querySelectorAll("text, .tag")].filter(one => !one.matches(".tag-words"))
        .map(one => [one.textContent || "tag", one.getBoundingClientRect()]).filter(([, box]) => box.width);
    const frame = svg.matches(".ladder") ? svg.getBoundingClientRect() : null;
    const out = frame ? boxes.filter(([, box]) => box.left < frame.left - 1 || box.right > frame.right + 1)
        .map(([words]) => [svg.id, words, "outside"]) : [];
    return out.concat(boxes.flatMap(([words, a], place) => boxes.slice(place + 1)
        .filter(([, b]) => a.left < b.right - 1 && b.left < a.right - 1)
        .filter(([, b]) => a.top < b.bottom - 2.5 && b.top < a.bottom - 2.5)
        .map(([other]) => [svg.id, words, other])));
})"""


@long_one
@pytest.mark.parametrize("locale", ["en-US", "es-MX"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_no_label_of_a_chart_lies_on_another(browser: Browser, lived: Site, site: Site, size: Any, locale: str) -> None:
    """The boxes of all words in ladder, lanes, plots and the report: a long day, and a fault with its tag."""
    for one, paths in (
        (lived, ("", "history?zoom=hour", "history?zoom=month", "report/read")),
        (site, ("", "report/read")),
    ):
        with serve(app_of(one)) as serving:
            for path in paths:
                page = opened(browser, serving.url + path, viewport=size, locale=locale)
                assert page.evaluate(OVERLAPS) == [], path
                page.close()
