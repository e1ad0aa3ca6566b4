"""What a general-purpose home-automation hub, which others wrote, shows of `run --simulated` on a real broker.

Played when HUB_PYTHON names a Python with the packages of hub-requirements.txt; none of them is a dependency of ours.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.findings import watchable
from condenser_monitor.monitor.core.links import CHAIN
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import LinkState
from condenser_monitor.sim import demo, scenario
from condenser_monitor.sim.broker import PrivateBroker, free_port
from tests.conftest import need
from tests.monitor.edge_tools import until

HUB_PYTHON = os.environ.get("HUB_PYTHON", "")
pytestmark = pytest.mark.skipif(not HUB_PYTHON, reason="HUB_PYTHON names no Python with hub-requirements.txt")

END_S = 180.0  # what never comes is waited for so long
DEVICE = "condenser-orchard"
ALL = tuple(READINGS)


class Program:
    """A process that is asked to end in good order; what it says beside its answers is added to `log`."""

    def __init__(self, command: list[str], log: Path) -> None:
        self._log = log.open("a")
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._log, text=True
        )

    def stop(self, ask: Callable[[], None]) -> None:
        """Ask it to end; kill it when it does not."""
        with self.process, self._log:
            try:
                ask()
                self.process.wait(END_S)
            finally:
                self.process.kill()


class House:
    """A broker, a hub and a monitor, the last two to be stopped and started again with what they remember."""

    def __init__(self, folder: Path, broker: PrivateBroker) -> None:
        self.folder, self.broker, self.page_port = folder, broker, free_port()
        (folder / "hub").mkdir()
        self.hub: Program | None = None
        self.monitor: Program | None = None

    def start_hub(self) -> None:
        """Start the hub; it takes the broker when it has none yet."""
        program = str(Path(__file__).with_name("hub.py"))
        ports = (str(self.broker.port), str(self.page_port))
        self.hub = Program([HUB_PYTHON, "-I", program, str(self.folder / "hub"), *ports], self.folder / "hub.log")

    def stop_hub(self) -> None:
        """End it as its owner would."""
        if self.hub is not None:
            hub, self.hub = self.hub, None
            stdin = hub.process.stdin
            assert stdin is not None
            hub.stop(stdin.close)

    def start_monitor(self, sensors: tuple[str, ...] = ALL, *, supply_off: bool = False) -> Settings:
        """Start the monitor, instead of one that runs, on a simulated unit with these sensors; return its settings."""
        self.stop_monitor()
        names = json.dumps(sensors)
        cause = '[[cause]]\nname = "disconnect-pulled"\n[[expect]]\nfinding = "line-supply-lost"\n'
        story, site = self.folder / "story.toml", self.folder / "site.toml"
        story.write_text(
            f'claim = "One call."\nhours = 24\ndesign = "three-ton"\nsenses = {names}\ncalls = [["5s", "24h"]]\n'
            + (cause if supply_off else "")
        )
        site.write_text(
            f'[site]\nid = "orchard"\nname = "Orchard Lane 4"\n[senses]\nfitted = {names}\n'
            f'[mqtt]\nhost = "127.0.0.1"\nport = {self.broker.port}\nreadings_s = 1\n'
            f'[history]\nfile = "{self.folder}/monitor.db"\nlive_dir = "{self.folder}"\n'
        )
        command = [sys.executable, "-m", "condenser_monitor.monitor.cli", "run", "--site", str(site)]
        self.monitor = Program([*command, "--simulated", "--scenario", str(story)], self.folder / "monitor.log")
        return demo.simulated(config.load(site), scenario.load(story))

    def stop_monitor(self) -> None:
        """End it as systemd would."""
        if self.monitor is not None:
            monitor, self.monitor = self.monitor, None
            monitor.stop(monitor.process.terminate)

    def ask(self, command: str) -> dict[str, Any]:
        """Send the hub one command; its answer, with `entities` by what was announced as their id."""
        assert self.hub is not None
        assert self.hub.process.stdin is not None
        assert self.hub.process.stdout is not None
        self.hub.process.stdin.write(command + "\n")
        self.hub.process.stdin.flush()
        line = self.hub.process.stdout.readline()
        assert line, (self.folder / "hub.log").read_text()[-3000:]
        found: dict[str, Any] = json.loads(line)
        rows = found["entities"]
        found["entities"] = {row["id"].removeprefix(f"{DEVICE}_"): row for row in rows}
        assert len(found["entities"]) == len({row["entity"] for row in rows}) == len(rows), "an entity is there twice"
        return found

    def entities(self) -> dict[str, dict[str, Any]]:
        """What the hub shows now."""
        found: dict[str, dict[str, Any]] = self.ask("show")["entities"]
        return found

    def state(self, name: str) -> str | None:
        """The state the hub shows of one; None when it has none."""
        found: str | None = self.entities().get(name, {}).get("state")
        return found

    def wait(self, name: str, *states: str) -> None:
        """Wait until the hub shows one of these states."""
        until(lambda: self.state(name) in states, END_S)

    def wait_whole(self, settings: Settings) -> dict[str, dict[str, Any]]:
        """Wait until all that the monitor has to show is there, and nothing else, and has a state; return it."""
        names = expected(settings)

        def whole() -> bool:
            rows = self.entities()
            without = [row for row in rows.values() if row["platform"] != "button" and row["state"] in WITHOUT_STATE]
            return rows.keys() == names and not without

        try:
            until(whole, END_S)
        except AssertionError:
            rows = self.entities()
            without = [name for name, row in rows.items() if row["state"] in WITHOUT_STATE]
            raise AssertionError(f"differs in {rows.keys() ^ names}; without a state: {without}") from None
        return self.entities()


WITHOUT_STATE = (None, "unavailable")


def expected(settings: Settings) -> set[str]:
    """The names of all that is to be shown of a unit with these sensors."""
    unit = ("attention", "headline", "open", "cycle", "service", "acknowledge", "begin-service", "end-service")
    return {
        *(f"unit_{name}" for name in unit),
        *(f"findings_{name}" for name in watchable(settings)),
        *(f"links_{link.name}" for link in CHAIN),
        *(reading(name) for name in settings.fitted),
    }


def reading(name: str) -> str:
    """The entity of a reading."""
    return f"readings_{name.replace('_', '-')}"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """A house with a broker and a hub that runs."""
    need("mosquitto")
    with PrivateBroker() as broker:
        made = House(tmp_path_factory.mktemp("house"), broker)
        made.start_hub()
        try:
            yield made
        finally:
            made.stop_monitor()
            made.stop_hub()


def test_one_device_shows_a_problem_sensor_for_each_finding_each_link_each_reading_and_buttons(house: House) -> None:
    """All by itself: nobody names a topic to the hub."""
    settings = house.start_monitor()
    house.wait_whole(settings)
    house.wait("unit_cycle", "running")
    house.wait(reading("compressor_a"), *(str(value / 10) for value in range(50, 200)))
    rows = house.wait_whole(settings)
    assert house.ask("show")["devices"] == [["Orchard Lane 4", [["mqtt", DEVICE]]]]
    problems = {name for name, row in rows.items() if row["class"] == "problem"}
    assert problems == {"unit_attention", *(f"findings_{name}" for name in watchable(settings))}
    assert {rows[name]["platform"] for name in problems} == {"binary_sensor"}
    for link in CHAIN:
        row = rows[f"links_{link.name}"]
        assert (row["platform"], row["class"]) == ("sensor", "enum")
        assert row["state"] in tuple(LinkState)
    for name in settings.fitted:
        row, known = rows[reading(name)], READINGS[name]
        assert row["platform"] == ("sensor" if known.unit else "binary_sensor")
        if known.unit:
            assert (row["unit"], row["class"]) == (known.unit, known.device_class)
            assert known.least <= float(row["state"]) <= known.most
        else:
            assert row["state"] in ("on", "off")
    buttons = {name for name, row in rows.items() if row["platform"] == "button"}
    assert buttons == {"unit_acknowledge", "unit_begin-service", "unit_end-service"}


def test_a_press_reaches_the_monitor_and_its_state_comes_back(house: House) -> None:
    """Service mode on and off again by the hub's buttons."""
    rows = house.wait_whole(house.start_monitor())
    house.wait("unit_service", "off")
    house.ask(f"press {rows['unit_begin-service']['entity']}")
    house.wait("unit_service", "on")
    house.ask(f"press {rows['unit_end-service']['entity']}")
    house.wait("unit_service", "off")


def test_a_finding_turns_its_sensor_on_and_all_is_there_once_after_the_monitor_restarts(house: House) -> None:
    """While the monitor is away nothing is shown of it. With the disconnect pulled the sensor is on, and stays on when
    the supply is back, because nobody has acknowledged that."""
    settings = house.start_monitor()
    before = house.wait_whole(settings)
    house.wait("findings_line-supply-lost", "off")
    house.stop_monitor()
    house.wait("findings_line-supply-lost", "unavailable")
    assert {row["state"] for row in house.entities().values()} == {"unavailable"}
    house.start_monitor(supply_off=True)
    house.wait("findings_line-supply-lost", "on")
    house.wait(reading("supply"), "off")
    assert house.state("unit_attention") == "on"
    after = house.wait_whole(settings)
    assert {name: row["entity"] for name, row in after.items()} == {name: row["entity"] for name, row in before.items()}
    house.start_monitor()
    house.wait(reading("supply"), "on")
    house.wait_whole(settings)
    assert house.state("findings_line-supply-lost") == "on"


def test_all_is_there_once_after_the_hub_restarts(house: House) -> None:
    """The same entities under the same names, with their states, though the monitor says nothing new."""
    settings = house.start_monitor()
    before = house.wait_whole(settings)
    house.stop_hub()
    house.start_hub()
    after = house.wait_whole(settings)
    assert {name: row["entity"] for name, row in after.items()} == {name: row["entity"] for name, row in before.items()}
    assert house.ask("show")["devices"] == [["Orchard Lane 4", [["mqtt", DEVICE]]]]


def test_a_sensor_that_goes_disappears_and_comes_back_with_its_return(house: House) -> None:
    """With its reading go the findings that need it."""
    settings = house.start_monitor()
    assert reading("line_v") in house.wait_whole(settings)
    less = house.start_monitor(tuple(name for name in ALL if name not in ("line_v", "compressor_w")))
    gone = expected(settings) - expected(less)
    assert {reading("line_v"), reading("compressor_w"), "findings_low-line-voltage"} <= gone
    assert not gone & house.wait_whole(less).keys()
    assert gone <= house.wait_whole(house.start_monitor()).keys()


def test_the_hub_finds_no_fault_with_what_is_announced(house: House) -> None:
    """It warns of what it cannot use: a unit that does not fit its class, an option it was not told of."""
    house.wait_whole(house.start_monitor())
    log = (house.folder / "hub.log").read_text()
    assert [line for line in log.splitlines() if "components.mqtt" in line or "components.sensor" in line] == []
