"""The workbench: what a click asks of the simulated world, and that the monitor answers through the real drivers."""

from __future__ import annotations

import re
import threading
import time

import pytest

from monitor.history import History
from sim.causes import CAUSES
from sim.demo import Demo
from sim.workbench import _PLACES, scenario_for_bench, wished, workbench
from tests.conftest import need
from web.app import create_app


def test_every_cause_on_the_bench_is_one_of_the_catalogue() -> None:
    """Each once, and none that needs the name of a sense."""
    names = [name for _, row in _PLACES for name in row]
    assert len(set(names)) == len(names)
    assert all(not CAUSES[name].of_sense for name in names)


@pytest.mark.parametrize("form", [{}, {"break": "nonsense"}, {"do": "dance"}, {"break": "sense-stuck"}])
def test_form_that_names_nothing_known_asks_for_nothing(form: dict[str, str]) -> None:
    """Refused, and nothing in the world changes."""
    assert wished(form) is None


@pytest.mark.parametrize("name", ["coil-burnt-open", "control-fuse-open"])
def test_break_and_mend_change_the_condition_of_the_parts(name: str) -> None:
    """A click changes the world's parts, and mending takes it back."""
    world = scenario_for_bench().world()
    wished({"break": name})(world)
    world.advance(5.0)
    assert world.timeline.levels == {name: 1.0}
    wished({"mend": name})(world)
    world.advance(10.0)
    assert world.timeline.levels == {}


def test_click_on_the_page_is_answered_by_the_monitor() -> None:
    """Call, break the coil: the finding stands; mended, it is gone. Through page, drivers, engine and history."""
    need("mosquitto")
    with Demo(speed=40.0, say=lambda text: None, before_s=0.0, played=scenario_for_bench()) as demo:
        app = create_app(demo.history_path, demo.settings)
        app.register_blueprint(workbench(demo))
        thread = threading.Thread(target=demo.run)
        thread.start()
        try:
            client = app.test_client()
            assert client.post("/workbench/turn", data={"do": "call"}).status_code == 400
            page = client.get("/workbench/").get_data(as_text=True)
            found = re.search(r'name="csrf" value="([^"]+)"', page)
            assert found
            for click in ({"break": "coil-burnt-open"}, {"do": "call"}):
                assert client.post("/workbench/turn", data={"csrf": found[1], **click}).status_code == 302
            with History(demo.history_path, keep=demo.settings.history) as history:
                assert _wait(lambda: "call-without-pull-in" in _standing(history))
                client.post("/workbench/turn", data={"csrf": found[1], "mend": "coil-burnt-open"})
                assert _wait(lambda: not _standing(history))
        finally:
            demo.stop()
            thread.join()


def _standing(history: History) -> set[str]:
    status = history.status()
    return set() if status is None else {finding.name for finding in status.findings}


def _wait(true: object, most_s: float = 60.0) -> bool:
    until_s = time.monotonic() + most_s
    while time.monotonic() < until_s:
        if callable(true) and true():
            return True
        time.sleep(0.1)
    return False
