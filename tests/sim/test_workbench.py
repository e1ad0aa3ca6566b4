"""The workbench: what a click asks of the simulated world, and that the monitor answers through the real drivers."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from playwright.sync_api import Browser, Page, ViewportSize

from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.broker import PrivateBroker
from condenser_monitor.sim.causes import CAUSES
from condenser_monitor.sim.demo import Demo
from condenser_monitor.sim.fan import FanMotion
from condenser_monitor.sim.workbench import (
    EXERCISES,
    PLACES,
    says,
    scenario_for_bench,
    wished,
    workbench,
)
from condenser_monitor.web.app import create_app
from condenser_monitor.web.serve import serve
from tests.conftest import need
from tests.sim.test_causes_modes import AT_ONCE
from tests.size import long_one
from tests.web.browser import (
    DESK,
    PHONE,
    WCAG,
    axe_source,
)

KEYS = [key for _, row in PLACES for key in row]


def test_every_cause_on_the_bench_is_one_of_the_catalogue() -> None:
    """Each once; one that needs a sense names one."""
    assert len(set(KEYS)) == len(KEYS)
    for key in KEYS:
        name, _, sense = key.partition("/")
        assert CAUSES[name].of_sense is bool(sense)
        assert not sense or sense in READINGS
        assert says(key).endswith(".")


def test_exercises_are_parts_of_the_bench_that_come_to_light() -> None:
    """Each is on the bench and shows within minutes of a call."""
    assert set(EXERCISES) <= set(KEYS) & set(AT_ONCE)
    assert len(EXERCISES) >= 20


@pytest.mark.parametrize("form", [{}, {"break": "nonsense"}, {"do": "dance"}, {"break": "sense-stuck"}])
def test_form_that_names_nothing_known_asks_for_nothing(form: dict[str, str]) -> None:
    """Refused, and nothing in the world changes."""
    assert wished(form) is None


@pytest.mark.parametrize("key", ["coil-burnt-open", "control-fuse-open", "sense-stuck/load"])
def test_break_and_mend_change_the_condition_of_the_parts(key: str) -> None:
    """A click changes the world's parts, and mending takes it back."""
    world = scenario_for_bench().world()
    wished({"break": key})(world)
    world.advance(5.0)
    assert world.timeline.by_hand() == {(key.partition("/")[0], key.partition("/")[2])}
    assert len(world.timeline.levels) == 1
    wished({"mend": key})(world)
    world.advance(10.0)
    assert world.timeline.by_hand() == frozenset()
    assert world.timeline.levels == {}


@pytest.mark.parametrize("key", ["compressor-seizes", "fan-seizes", "coil-turns-shorted"])
def test_what_a_fault_left_behind_is_gone_when_it_is_mended(key: str) -> None:
    """An open protector or fuse does not outlive the mending: the unit runs again at the next call."""
    world = scenario_for_bench().world()
    wished({"break": key})(world)
    wished({"do": "call"})(world)
    world.poke()
    world.advance(400.0)
    assert not (world.unit.compressor.turning and world.unit.fan.motion is FanMotion.TURNING)
    wished({"mend": key})(world)
    world.poke()
    world.advance(700.0)
    assert world.unit.compressor.turning
    assert world.unit.fan.motion is FanMotion.TURNING


# ---------------------------------------------------------------- the whole bench


@contextmanager
def _running(speed: float, seed: int = 1) -> Iterator[tuple[Demo, Flask]]:
    need("mosquitto")
    with Demo(speed=speed, say=lambda text: None, before_s=0.0, played=scenario_for_bench()) as demo:
        app = create_app(demo.history_path, demo.settings)
        app.register_blueprint(workbench(demo, seed))
        thread = threading.Thread(target=demo.run)
        thread.start()
        try:
            yield demo, app
        finally:
            demo.stop()
            thread.join()


class Learner:
    """Somebody at the page without a browser: `click` posts a form and gives the page that follows."""

    def __init__(self, client: FlaskClient) -> None:
        self.client = client
        found = re.search(r'name="csrf" value="([^"]+)"', self.page())
        assert found
        self.token = found[1]

    def page(self) -> str:
        return self.client.get("/workbench/").get_data(as_text=True)

    def click(self, where: str, **fields: str) -> str:
        answer = self.client.post(f"/workbench/{where}", data={"csrf": self.token, **fields})
        assert answer.status_code == 302, answer.get_data(as_text=True)
        return self.page()


@long_one
def test_click_on_the_page_is_answered_by_the_monitor() -> None:
    """Call, break the coil: the finding stands; mended, it is gone. Through page, drivers, engine and history."""
    with _running(40.0) as (demo, app):
        client = app.test_client()
        assert client.post("/workbench/turn", data={"do": "call"}).status_code == 400
        learner = Learner(client)
        assert "Broken: " in learner.click("turn", **{"break": "coil-burnt-open"})
        assert "Broken now." in learner.page()
        learner.click("turn", do="call")
        with History(demo.history_path, keep=demo.settings.history) as history:
            assert _wait(lambda: "call-without-pull-in" in _standing(history))
            assert "OL" in learner.click("look", check="coil-ohms")
            learner.click("turn", mend="coil-burnt-open")
            assert "Broken now." not in learner.page()
            assert _wait(lambda: not _standing(history))


def test_a_hidden_fault_is_not_told_and_can_be_found() -> None:
    """The page names no part as broken; a wrong guess leaves it standing, the right one ends the search."""
    with _running(40.0) as (demo, app):
        learner = Learner(app.test_client())
        page = learner.click("hide")
        ((name, _),) = demo.broken
        assert name in EXERCISES
        assert "Broken now." not in page
        assert 'name="break"' not in page
        other = next(key for key in EXERCISES if key != name)
        assert "No, that is not it" in learner.click("guess", guess=other)
        learner.click("look", check="coil-volts")
        assert "Right." in learner.click("guess", guess=name)
        assert "Found 1 of 1. Looks: 1. Wrong guesses: 1." in learner.page()
        assert "Broken now." in learner.page()
        learner.click("hide")
        ((second, _),) = demo.broken
        assert second != name, "none comes twice before all have come"
        assert "It was this" in learner.click("show")


@pytest.mark.parametrize(
    ("where", "fields"),
    [
        ("turn", {"break": "nonsense"}),
        ("turn", {"do": "dance"}),
        ("look", {"check": "tea-leaves"}),
        ("guess", {"guess": "nonsense"}),
        ("guess", {"guess": "coil-burnt-open"}),
    ],
)
def test_a_form_that_cannot_be_is_refused_in_words(where: str, fields: dict[str, str]) -> None:
    """400 and a sentence; nothing is broken, no search begun."""
    demo = Demo(say=lambda text: None, before_s=0.0, played=scenario_for_bench())
    with demo:
        app = create_app(demo.history_path, demo.settings)
        app.register_blueprint(workbench(demo))
        learner = Learner(app.test_client())
        answer = learner.client.post(f"/workbench/{where}", data={"csrf": learner.token, **fields})
    assert answer.status_code == 400
    assert demo.broken == frozenset()


def test_a_demo_that_cannot_begin_leaves_no_broker_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    """The day before it fails: the error is told, and the broker's process has ended."""
    need("mosquitto")
    ended: list[bool] = []
    plain = PrivateBroker.close
    monkeypatch.setattr("condenser_monitor.sim.demo.live", lambda *_, **__: 1 / 0)
    monkeypatch.setattr(PrivateBroker, "close", lambda broker: (plain(broker), ended.append(broker._process is None)))
    with pytest.raises(ZeroDivisionError):
        Demo(say=lambda text: None, before_s=60.0, played=scenario_for_bench())
    assert ended == [True]


def test_every_check_can_be_looked_at_on_the_page() -> None:
    """Each of the catalogue is in the list, and each gives an answer."""
    with _running(40.0) as (_, app):
        learner = Learner(app.test_client())
        for name in CHECKS:
            assert f'value="{name}"' in learner.page()
        assert "0.2 ohm" in learner.click("look", check="leads")


# ---------------------------------------------------------------- in a browser


def _opened(browser: Browser, url: str, size: ViewportSize, **how: Any) -> Page:
    page = browser.new_context(viewport=size, **how).new_page()
    page.set_default_timeout(8000)
    page.on("pageerror", lambda error: pytest.fail(str(error)))
    page.goto(url)
    return page


@long_one
def test_the_bench_in_a_browser(browser: Browser) -> None:
    """A call and a break by clicks, the ladder answers by itself, nothing is wider than a phone, and axe-core finds no
    violation of WCAG 2.2 AA, broken and searching."""
    source = axe_source()
    with _running(20.0) as (_, app), serve(app, "127.0.0.1", 0) as serving:
        page = _opened(browser, f"{serving.url}workbench/", PHONE, bypass_csp=True)
        page.get_by_role("button", name="Call for cooling").click()
        page.get_by_text("The thermostat calls.", exact=True).wait_for()
        page.locator("summary", has_text=re.compile("^Contactor")).click()
        page.get_by_role("button", name="Break: The contactor's coil has burnt open.").click()
        page.locator("#part-say").get_by_text("Urgent").wait_for(timeout=20_000)
        page.locator("#part-ladder .tag-words").wait_for()
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        need("axe-core", source is not None)
        for size in (PHONE, DESK):
            page.set_viewport_size(size)
            page.add_script_tag(content=source or "")
            assert _violations(page) == []
        page.get_by_role("button", name="Break something for me").click()
        page.add_script_tag(content=source or "")
        assert _violations(page) == []
        page.close()


def _violations(page: Page) -> list[object]:
    found = page.evaluate("tags => axe.run({runOnly: tags})", WCAG)
    return [(rule["id"], [node["html"][:160] for node in rule["nodes"]][:3]) for rule in found["violations"]]


def _standing(history: History) -> set[str]:
    status = history.status()
    return set() if status is None else {finding.name for finding in status.findings}


def _wait(done: Callable[[], bool]) -> bool:
    """Whether it comes to that within half a minute."""
    until_s = time.monotonic() + 30.0
    while time.monotonic() < until_s:
        if done():
            return True
        time.sleep(0.1)
    return False
