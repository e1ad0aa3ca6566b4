"""The examples, run as their readers run them; the conformance kit, on publishers that keep or break its promises."""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from importlib.metadata import EntryPoint, EntryPoints
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from condenser_monitor.monitor.core.config import Settings, parse
from condenser_monitor.monitor.core.errors import SiteError
from condenser_monitor.monitor.core.records import UnitStatus
from condenser_monitor.monitor.publishers import conformance, plugins
from condenser_monitor.monitor.publishers.base import EventPublisher
from condenser_monitor.monitor.storage.models import StoredEvent

EXAMPLES = Path(__file__).with_name("examples")
PACKAGE = EXAMPLES / "lines_publisher"


@pytest.fixture
def lines(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The example package on the path, with the entry point that its pyproject names."""
    import tomllib

    monkeypatch.syspath_prepend(PACKAGE)
    named = tomllib.loads((PACKAGE / "pyproject.toml").read_text())["project"]["entry-points"]
    [(name, value)] = named[plugins.GROUP].items()
    found = EntryPoints(
        [EntryPoint(name, value, plugins.GROUP), EntryPoint("broken", "no_such_module:X", plugins.GROUP)]
    )
    monkeypatch.setattr(plugins, "entry_points", lambda group: found.select(group=group))
    return importlib.import_module("lines_publisher")


def test_a_program_that_embeds_the_engine_reads_its_diagnosis() -> None:
    """Run as a program: the finding, the suspects and where the chain breaks."""
    done = subprocess.run([sys.executable, EXAMPLES / "embedding.py"], capture_output=True, text=True, check=True)
    first, *rest = done.stdout.splitlines()
    assert first.startswith("70 s: raised call-without-pull-in: ")
    assert "coil-open" in first
    assert rest[0] == "cycle: called; the chain breaks at: coil-current"
    assert rest[1].startswith("urgent: ")


class LinesFile:
    """A file that can be made to refuse: a directory stands in its place."""

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
