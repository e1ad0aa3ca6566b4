"""The examples, run as their readers run them; the conformance kit, on publishers that keep or break its promises."""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
import time
import tomllib
from importlib.metadata import EntryPoint, EntryPoints
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from condenser_monitor.monitor import limits, plugins
from condenser_monitor.monitor.alarms.alarm_manager import AlarmManager
from condenser_monitor.monitor.cli import main
from condenser_monitor.monitor.core.config import Settings, parse
from condenser_monitor.monitor.core.errors import SiteError
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.records import Change, Scan, UnitStatus
from condenser_monitor.monitor.diagnosis import unit_diagnosis
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.publishers import conformance
from condenser_monitor.monitor.publishers.base import EventPublisher
from condenser_monitor.monitor.storage.models import StoredEvent
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.terminal.text import explain
from tests.size import long_one

EXAMPLES = Path(__file__).with_name("examples")


def installed(package: str, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """An example package on the path, with the entry points that its pyproject names, and one that is broken."""
    monkeypatch.syspath_prepend(EXAMPLES / package)
    named = tomllib.loads((EXAMPLES / package / "pyproject.toml").read_text())["project"]["entry-points"]
    points = [EntryPoint(name, value, group) for group, rows in named.items() for name, value in rows.items()]
    points += [EntryPoint("broken", "no_such_module:X", group) for group in named]
    found = EntryPoints(points)
    monkeypatch.setattr(plugins, "entry_points", lambda group: found.select(group=group))
    return importlib.import_module(package)


@pytest.fixture
def lines(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    return installed("lines_publisher", monkeypatch)


@pytest.fixture
def meter(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The example of a sensor and a finding; what it puts into the program's tables is taken out again."""
    for table in (
        *(CATALOGUE, limits.FINDINGS, texts.FINDINGS, texts.TOLD, texts.LOCK),
        *(unit_diagnosis.SITUATIONS, unit_diagnosis.ROWS, unit_diagnosis.IMPLIED),
    ):
        monkeypatch.setitem(table, "power-factor", None)
        del table["power-factor"]
    return installed("meter_plugin", monkeypatch)


def test_a_program_that_embeds_the_engine_reads_its_diagnosis() -> None:
    """Run as a program: the finding, the suspects and where the chain breaks."""
    done = subprocess.run([sys.executable, EXAMPLES / "embedding.py"], capture_output=True, text=True, check=True)
    first, *rest = done.stdout.splitlines()
    assert first.startswith("70 s: raised call-without-pull-in: ")
    assert "coil-open" in first
    assert rest[0] == "cycle: called; the chain breaks at: coil-current"
    assert rest[1].startswith("urgent: ")


class LinesFile:
    """A file that can be made to refuse, so many times."""

    def __init__(self, path: Path) -> None:
        self.path, self.refusals = path, 0

    def received(self) -> list[str]:
        return [json.loads(line)["id"] for line in self.path.read_text().splitlines()] if self.path.is_file() else []

    def fail(self, times: int) -> None:
        self.refusals = times


def test_the_example_publisher_keeps_the_promises(lines: ModuleType, tmp_path: Path) -> None:
    """The kit on the example, with a disk that refuses."""
    file = LinesFile(tmp_path / "lines.txt")

    class Refusing(lines.LinesPublisher):  # type: ignore[name-defined,misc]
        def deliver(self, kept: StoredEvent, status: UnitStatus | None) -> None:
            if file.refusals:
                file.refusals -= 1
                raise OSError("no space left")
            super().deliver(kept, status)

    conformance.check(lambda: Refusing(file.path), file, tmp_path)


class Hub:
    """A receiver in memory."""

    def __init__(self) -> None:
        self.ids: list[str] = []
        self.refusals = 0

    def received(self) -> list[str]:
        return list(self.ids)

    def fail(self, times: int) -> None:
        self.refusals = times


class Plain(EventPublisher):
    """Keeps the promises; its subclasses break one each."""

    name = "plain"

    def __init__(self, hub: Hub) -> None:
        super().__init__()
        self.hub = hub

    def deliver(self, kept: StoredEvent, status: UnitStatus | None) -> None:
        if self.hub.refusals:
            self.hub.refusals -= 1
            raise self.refusal()
        self.hub.ids.append(kept.id)

    def refusal(self) -> Exception:
        return OSError("refused")


class Twice(Plain):
    def deliver(self, kept: StoredEvent, status: UnitStatus | None) -> None:
        super().deliver(kept, status)
        if kept.seq == 6:
            self.hub.ids.append(kept.id)


class PassesOver(Plain):
    def deliver(self, kept: StoredEvent, status: UnitStatus | None) -> None:
        try:
            super().deliver(kept, status)
        except OSError:
            self.hub.ids.append("passed over")


class FailsByItself(Plain):
    def refusal(self) -> Exception:
        return KeyError("a fault of its own")


class TellsAllAgain(Plain):
    begin = True

    def start(self, history: Any) -> None:
        self.name = f"plain{len(self.hub.ids)}"  # a new cursor at each start
        super().start(history)


def test_the_kit_passes_a_publisher_that_keeps_the_promises(tmp_path: Path) -> None:
    hub = Hub()
    conformance.check(lambda: Plain(hub), hub, tmp_path)


@long_one
@pytest.mark.parametrize("kind", [Twice, PassesOver, FailsByItself, TellsAllAgain])
def test_the_kit_refuses_a_publisher_that_breaks_one(
    kind: type[Plain], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(conformance, "_PATIENCE_S", 3.0)
    hub = Hub()
    with pytest.raises(AssertionError):
        conformance.check(lambda: kind(hub), hub, tmp_path)


def test_a_plug_in_is_made_from_its_table_of_the_site_file(lines: ModuleType, tmp_path: Path) -> None:
    """Its own keys, typed; without a table nothing is imported."""
    site = parse(f'[plugins.lines]\nfile = "{tmp_path}/out.txt"')
    [made] = plugins.publishers(site)
    assert isinstance(made, lines.LinesPublisher)
    assert made.path == tmp_path / "out.txt"
    assert plugins.publishers(Settings()) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[plugins.lines]\nfiel = 'x'", "site file: plugins.lines: fiel"),
        ("[plugins.lines]\nfile = 7", "site file: plugins.lines: file"),
        ("[plugins.nowhere]", "one that is installed: broken, lines"),
        ("[plugins.broken]", "No module named 'no_such_module'"),
        ("[plugins.mqtt]", "that no built-in publisher has"),
    ],
)
def test_what_is_wrong_with_a_plug_in_is_refused_by_place(lines: ModuleType, text: str, said: str) -> None:
    """A key, a value, a package that is not there, one that cannot be imported, a name that is taken."""
    with pytest.raises(SiteError, match=said):
        plugins.publishers(parse(text))


# ---------------------------------------------------------------- findings and sensors of other packages

SENSES = '[senses]\nfitted = ["call", "compressor_a", "line_v", "compressor_w"]\n'
FACTOR = "[plugins.power-factor]\nleast = 0.8\nhold_s = 60"


def test_a_finding_of_another_package_is_raised_diagnosed_and_cleared_by_replay(
    meter: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A run of ten minutes, its power factor 0.6 for half of them: raised after its hold, diagnosed, cleared."""
    site, recording = tmp_path / "site.toml", tmp_path / "run.csv"
    site.write_text(f"{SENSES}[unit]\ncompressor_rla_a = 12\ncompressor_lra_a = 60\n{FACTOR}")
    rows = ["t_s,call,compressor_a,line_v,compressor_w"]
    for t_s in range(0, 660, 5):
        runs, watts = t_s >= 30, 240 * 10 * (0.6 if 120 <= t_s < 400 else 0.95)
        rows.append(f"{t_s},{int(runs)},{10 if runs else 0},240,{watts if runs else 0:.0f}")
    recording.write_text("\n".join(rows))
    assert main(["replay", str(recording), "--site", str(site), "--json"]) == 0
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    mine = [one for one in found if one.get("finding") == "power-factor"]
    assert [(one["change"], one["t_s"]) for one in mine] == [("raised", 185.0), ("cleared", 405.0)]
    assert mine[0]["suspects"][:2] == ["run-capacitor", "compressor-not-pumping"]
    assert mine[0]["evidence"] == {"compressor_a": 10.0, "line_v": 240.0, "compressor_w": 1440.0}


def test_an_added_finding_has_its_words_its_alarm_and_its_place_in_explain(meter: ModuleType) -> None:
    settings = parse(FACTOR)
    plugins.install_findings(settings)
    plugins.install_findings(settings)  # a second time in one process changes nothing
    assert texts.TOLD["power-factor"].tell.startswith("Low power factor")
    assert texts.LOCK["power-factor"].over == "The compressor runs as before."
    assert "run capacitor" in "\n".join(explain("power-factor", settings.unit))
    assert AlarmManager(settings).alerts() == ()
    assert list(CATALOGUE)[-1] == "power-factor"


def test_a_counter_that_fails_is_shown_and_the_unit_watched_on(
    meter: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it raises is kept to be counted; the other findings come as before."""
    monkeypatch.setattr(meter.PowerFactor, "update", lambda self, scan: 1 / 0)
    settings = parse(SENSES + FACTOR)
    plugins.install_findings(settings)
    engine = Engine(settings)
    events = [
        event for t_s in range(120) for event in engine.feed(Scan(t_s=float(t_s), call=t_s > 5, compressor_a=0.0))
    ]
    [(name, error)] = engine.counter_faults
    assert (name, type(error)) == ("power-factor", ZeroDivisionError)
    assert "call-without-run" in [event.finding for event in events if isinstance(event, Change)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[plugins.power-factor]\nleast = 2.0", "plugins.power-factor.least"),
        ("[plugins.power-factor]\nhold_s = -1.0", "held for 0 to 86400 s"),
        ("[plugins.power-factor]\nlowest = 0.8", "plugins.power-factor: lowest"),
        ("[plugins.nowhere]", "one that is installed: broken, energy-meter, power-factor"),
    ],
)
def test_a_finding_that_cannot_be_is_refused_by_place(meter: ModuleType, text: str, said: str) -> None:
    with pytest.raises(SiteError, match=said):
        plugins.install_findings(parse(text))


class QuietBoards:
    """Boards that read a call and amps."""

    def scan(self) -> Scan:
        return Scan(t_s=1.0, call=True, compressor_a=10.0)

    def faults(self) -> dict[str, str]:
        return {"fan_a": "silent"}

    def close(self) -> None:
        pass


def scanned(boards: plugins.BoardsAndSensors, until: Any) -> Scan:
    """Scan until it is as it should be, for ten seconds at the most."""
    for _ in range(1000):
        scan = boards.scan()
        if until(scan, boards.faults()):
            return scan
        time.sleep(0.01)
    raise AssertionError(f"{scan} {boards.faults()}")


def test_a_sensor_of_another_package_gives_its_readings_to_each_scan(meter: ModuleType, tmp_path: Path) -> None:
    """The meter's file: read, impossible, gone; what cannot be is missing, with the reason."""
    file = tmp_path / "meter.json"
    settings = parse(f'{SENSES}[plugins.energy-meter]\nfile = "{file}"')
    boards = plugins.BoardsAndSensors(QuietBoards(), plugins.sensors(settings), every_s=0.01)
    try:
        scanned(boards, lambda scan, faults: "FileNotFoundError" in faults["line_v"])
        file.write_text('{"line_v": 238.5, "compressor_w": 2100}')
        scan = scanned(boards, lambda scan, faults: scan.line_v is not None)
        assert (scan.call, scan.compressor_a, scan.line_v, scan.compressor_w) == (True, 10.0, 238.5, 2100.0)
        assert boards.faults() == {"fan_a": "silent"}
        file.write_text('{"line_v": 238.5, "compressor_w": -1900}')  # its clamp the other way round
        assert scanned(boards, lambda scan, faults: scan.compressor_w != 2100.0).compressor_w == 1900.0
        file.write_text('{"line_v": 238.5, "compressor_w": 2e6}')
        scan = scanned(boards, lambda scan, faults: "a number from 0 up" in faults.get("compressor_w", ""))
        assert (scan.line_v, scan.compressor_w) == (238.5, None)
        file.unlink()
        assert scanned(boards, lambda scan, faults: "FileNotFoundError" in faults.get("line_v", "")).line_v is None
    finally:
        boards.close()


def test_a_sensor_for_a_reading_that_is_not_installed_is_refused(meter: ModuleType) -> None:
    with pytest.raises(SiteError, match="line_v"):
        plugins.sensors(parse('[senses]\nfitted = ["call"]\n[plugins.energy-meter]'))
