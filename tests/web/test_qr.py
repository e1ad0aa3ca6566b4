"""QR codes as a phone's camera meets them: drawn by the browser, read by a decoder from elsewhere (zxing-cpp)."""

from __future__ import annotations

import io
import sys
from typing import Any

import msgspec
import pytest
import zxingcpp
from flask import Flask
from PIL import Image
from playwright.sync_api import Browser, Locator

from condenser_monitor.monitor.report.html import html
from condenser_monitor.monitor.report.write import report
from condenser_monitor.web.serve import serve
from tests.size import long_one
from tests.web.browser import DESK, PHONE
from tests.web.conftest import app_of
from tests.web.filled import Site
from tests.web.test_share import code_of

ADDRESS = "http://house.local:8124"


def read(shown: Locator) -> str:
    """What a decoder reads in the picture of an element."""
    (found,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(shown.screenshot())))
    assert found.format == zxingcpp.BarcodeFormat.QRCode
    return found.text


@pytest.fixture
def addressed(site: Site) -> Site:
    """The faulty site, whose owner has said where phones reach its page."""
    notify = msgspec.structs.replace(site.settings.notify, page_url=ADDRESS + "/")
    site.settings = msgspec.structs.replace(site.settings, notify=notify)
    return site


@long_one
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_camera_reads_the_page_and_the_link_of_a_share(browser: Browser, addressed: Site, scheme: Any) -> None:
    """On Settings the page's address, beside a new code its link; both themes, phone and desk."""
    with serve(app_of(addressed)) as serving:
        for number, size in enumerate((PHONE, DESK)):
            page = browser.new_page(viewport=size, color_scheme=scheme)
            page.goto(serving.url + "settings")
            assert read(page.locator("svg.qr")) == ADDRESS + "/"
            page.goto(serving.url + "report")
            page.locator("form.stack input[name=name]").fill(f"Sam {number}")
            page.locator("form.stack button[type=submit]").click()
            link = page.locator("code.secret").last.inner_text()
            assert link.startswith(ADDRESS + "/shared#")
            assert read(page.locator("svg.qr")) == link
            page.close()


def test_a_camera_reads_the_page_off_the_report(browser: Browser, addressed: Site) -> None:
    """The last picture of the report as its one HTML file shows it; a report of a page for one machine has none."""
    made = report(addressed.history, addressed.settings, wall_s=addressed.hands.wall())
    page = browser.new_page(viewport=DESK)
    page.set_content(html(made))
    assert read(page.locator(".report .wide").last) == ADDRESS
    page.close()
    alone = msgspec.structs.replace(addressed.settings, notify=type(addressed.settings.notify)())
    assert len(report(addressed.history, alone, wall_s=addressed.hands.wall()).blocks) == len(made.blocks) - 2


def test_without_a_writer_of_codes_the_address_stands_in_letters(
    addressed: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The package left out: settings, share and report do without the picture."""
    monkeypatch.setitem(sys.modules, "segno", None)
    app: Flask = app_of(addressed)
    owner = app.test_client()
    assert ADDRESS in owner.get("/settings").get_data(as_text=True)
    assert 'svg class="qr"' not in owner.get("/settings").get_data(as_text=True)
    assert code_of(app)
    assert ADDRESS in owner.get("/report/file.html").get_data(as_text=True)
