"""The demo and `run --simulated`: other commands find it, and it lives on after its story."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import msgspec
import pytest

from condenser_monitor.monitor.core.config import HistorySettings, SensorSettings, Settings, Site, load
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim import scenario
from condenser_monitor.sim.demo import Demo, replaced
from tests.monitor.edge_tools import until
from tests.size import long_one


@long_one
def test_the_demo_points_other_commands_at_itself_and_lives_on_after_its_story() -> None:
    """Its site file leads `status` to the same unit; when the story is over all is repaired and the house calls."""
    told: list[str] = []
    played = scenario.load("story")
    with Demo(speed=1000.0, say=told.append, before_s=0.0, played=played) as demo:
        pointed = load(demo.site_path)
        assert (pointed.history.file, pointed.fitted) == (str(demo.history_path), demo.settings.fitted)
        thread = threading.Thread(target=demo.run)
        thread.start()
        try:
            until(lambda: any("ordinary day" in line for line in told), 600.0)
            assert demo.ask(lambda world: (world.timeline.levels, world._calls), 20.0) == ({}, None)
        finally:
            demo.stop()
            thread.join()


def test_a_simulated_unit_stands_in_for_the_boards_of_a_site(tmp_path: Path) -> None:
    """`run --simulated`: the site's own name and history, the scenario's nameplate, sensors and troubles."""
    site = Settings(site=Site(id="at-home"), history=HistorySettings(file=str(tmp_path / "own.db")))
    played = scenario.load("story")
    assert replaced(site) == ()
    assert replaced(msgspec.structs.replace(site, senses=SensorSettings(fitted=("call", "load")))) == ("senses",)
    with Demo(speed=1000.0, say=lambda text: None, before_s=0.0, played=played, site=site) as demo:
        thread = threading.Thread(target=demo.run)
        thread.start()
        reader = History(tmp_path / "own.db", keep=demo.settings.history)
        try:
            until(lambda: (now := reader.status()) is not None and now.t_s > 150.0, 60.0)
            status = reader.status()
            assert status is not None
            assert status.site == "at-home"
            assert set(status.readings) == set(played.settings.fitted)
        finally:
            demo.stop()
            thread.join()
            reader.close()


@pytest.mark.parametrize("lost", [False, True])
def test_ctrl_c_ends_it_cleanly_also_where_its_broker_was_lost(tmp_path: Path, lost: bool) -> None:
    """A terminal sends Ctrl-C to the whole process group; a broker that is away is told in one line."""
    # as under a terminal: what a shell starts in the background ignores Ctrl-C
    plain = ["env", "--default-signal=INT"]
    command = [*plain, sys.executable, "-m", "condenser_monitor.monitor.cli", "workbench", "--port", "0"]
    with (tmp_path / "said").open("wb") as said:
        demo = subprocess.Popen(command, stdout=said, stderr=said, cwd=tmp_path, start_new_session=True)

    def told() -> str:
        return (tmp_path / "said").read_text()

    try:
        until(lambda: "waits for a call" in told(), 60.0)
        children = Path(f"/proc/{demo.pid}/task/{demo.pid}/children").read_text().split()
        if lost:
            os.kill(int(children[0]), signal.SIGKILL)  # the broker
            until(lambda: "broker 127.0.0.1" in told(), 30.0)
        os.killpg(demo.pid, signal.SIGINT)
        assert demo.wait(30.0) == 0
    finally:
        demo.kill()
        demo.wait()
    assert "ended" in told()
    assert "Traceback" not in told()
    assert ("WARNING" in told()) == lost


@long_one
def test_its_past_shows_what_is_normal_for_the_unit_and_ends_well() -> None:
    """After four days of summer what is normal is learned, nothing is open, no run draws more than rated load
    (the nameplate), and each day has its runs."""
    with Demo(say=lambda text: None, before_s=4 * 86400.0) as demo:
        reader = History(demo.history_path, keep=demo.settings.history)
        status, now_s = reader.status(), time.time()
        assert status is not None
        assert status.findings == ()
        assert [one.finding for one in status.alerts if one.state.value != "normal"] == []
        cycles = reader.cycles(now_s - 4 * 86400.0, now_s)
        assert len(cycles) >= 12
        days = {int((now_s - wall_s) // 86400) for wall_s, _ in cycles}
        assert days == {0, 1, 2, 3}
        means = [one.compressor_a for _, one in cycles if one.compressor_a is not None]
        assert max(means) < demo.settings.unit.compressor_rla_a
        assert status.trends["normal"]["state"] == "learned"
        reader.close()
