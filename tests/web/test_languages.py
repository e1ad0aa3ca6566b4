"""The page in Spanish, whole; the language by browser, device and setting; the clock and the order of a date."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest
from flask.testing import FlaskClient

from condenser_monitor.monitor.strings import time_format
from condenser_monitor.monitor.strings.translate import Reader, reading
from condenser_monitor.web.setup_steps import STEPS
from tests.size import long_one
from tests.web.conftest import csrf
from tests.web.filled import Site

PAGES = [
    "/",
    "/alerts",
    "/checks",
    "/history",
    "/cycles",
    "/trends",
    "/report",
    "/health",
    "/settings",
    "/no-such-page",
]
PAGES += [f"/settings/{step.slug}" for step in STEPS]
SPANISH = {"Accept-Language": "es-MX,es;q=0.9,en;q=0.5"}
# Words of every English sentence, and of no Spanish one.
ENGLISH = re.compile(r"\b(the|is|of|and|with|not|for|from|are|this|when|which|it|to|by|at|an)\b")


class _Spoken(HTMLParser):
    """Collects what is read or heard of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_data(self, data: str) -> None:
        self.found.append(data)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value or "" for name, value in attrs if name in ("aria-label", "title", "alt", "placeholder")]


@long_one
@pytest.mark.parametrize("path", PAGES)
def test_no_english_sentence_is_left_on_a_spanish_page(client: FlaskClient, path: str) -> None:
    """During a fault, which fills every page."""
    spoken = _Spoken()
    spoken.feed(client.get(path, headers=SPANISH).get_data(as_text=True))
    assert [text for text in spoken.found if ENGLISH.search(re.sub(r"\S+://\S+", "", text))] == []


def test_the_language_is_the_devices_then_the_settings_then_the_browsers(client: FlaskClient, site: Site) -> None:
    """German is not spoken: English. What was chosen on this device wins over the site's."""

    def spoken(**headers: str) -> str:
        found = re.search(r'<html lang="(\w+)"', client.get("/", headers=headers).get_data(as_text=True))
        assert found is not None
        return found[1]

    assert (spoken(), spoken(**SPANISH), spoken(**{"Accept-Language": "de"})) == ("en", "es", "en")
    form = {"csrf": csrf(client), "site.name": "x", "web.temperature": "F", "web.clock": "24"}
    client.post("/settings/name", data={**form, "web.language": "es"})
    assert spoken() == "es"
    client.post("/settings/scale", data={"csrf": csrf(client), "scale": "F", "language": "en"})
    assert spoken(**SPANISH) == "en"


def test_times_are_said_as_the_reader_says_them() -> None:
    """Twelve hours with AM and PM, month before day (Associated Press); 24 by setting; day before month in Spanish
    (Fundéu: "a. m.", lower-case months)."""
    noon, late = (datetime(2026, 11, 28, hour, 5, tzinfo=UTC).timestamp() for hour in (12, 23))
    with reading(Reader("en", "12")):
        assert time_format.moment(noon, None, UTC) == "Sat Nov 28 12:05 PM"
        assert time_format.moment(late, noon, UTC) == "11:05 PM"
        assert time_format.day(noon, UTC) == "Sat Nov 28, 2026"
    with reading(Reader("en", "24")):
        assert time_format.moment(late, None, UTC) == "Sat Nov 28 23:05"
    with reading(Reader("es", "12")):
        assert time_format.moment(late, None, UTC) == "sáb 28 nov 11:05 p.\u00a0m."
        assert time_format.day(noon, UTC) == "sáb 28 nov 2026"
