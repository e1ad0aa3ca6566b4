"""Histories filled by the real engine, from the simulated world or from plain scan sequences, at a clock of our own."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import msgspec

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.records import Scan, StartTransient
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.rig import Pace, ReadingsRig
from condenser_monitor.sim.scenario import Scenario

NOW_S = 1_784_052_000.0  # a Tuesday in July, 13:00 in UTC-5


class Hands:
    """A clock that only moves when told: monotonic and wall alike."""

    def __init__(self, wall_s: float = NOW_S) -> None:
        self.wall_s, self.mono_s = wall_s, 1000.0

    def wall(self) -> float:
        return self.wall_s

    def mono(self) -> float:
        return self.mono_s

    def forward(self, seconds: float) -> None:
        self.wall_s += seconds
        self.mono_s += seconds


class Site:
    """A history, its engine and the clock; `feed` takes the engine on, `work` answers requests as the service does."""

    def __init__(self, folder: Path, settings: Settings, hands: Hands, engine: Engine) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.keep = config.HistorySettings(file=str(folder / "history.db"), live_dir=str(folder / "live"))
        self.settings, self.hands, self.engine = settings, hands, engine
        self.history = History(self.keep.file, owner=True, keep=self.keep, clock=hands.mono, wall=hands.wall)
        self.now_s = 0.0

    def feed(self, items: Iterable[Scan | StartTransient], wall_0_s: float) -> None:
        """Scans into engine and history; the wall clock of each is `wall_0_s` plus its time."""
        for item in items:
            if isinstance(item, StartTransient):
                self.engine.feed_start(item)
                continue
            events = self.engine.feed(item)
            self.now_s = item.t_s
            self.hands.wall_s = wall_0_s + item.t_s
            self.step(scan=item, events=events)

    def step(self, *, scan: Scan | None = None, events: Iterable[object] = (), answers: Iterable[object] = ()) -> None:
        """One step of the service into the history."""
        self.history.step(
            now_s=self.now_s,
            wall_s=self.hands.wall_s,
            status=self.engine.status(),
            memory=self.engine.memory,
            scan=scan,
            events=list(events),  # type: ignore[arg-type]
            answers=list(answers),  # type: ignore[arg-type]
        )

    def work(self) -> None:
        """Answer what was requested, as the service's loop does between two scans."""
        for request in self.history.requests():
            answer, events = self.engine.request(request, self.now_s, self.hands.wall_s)
            self.step(events=events, answers=[answer])

    def flush(self) -> None:
        """Everything to disk, as at the end of the service."""
        self.history.step(
            now_s=self.now_s,
            wall_s=self.hands.wall_s,
            status=self.engine.status(),
            memory=self.engine.memory,
            last=True,
        )


def from_scans(folder: Path, settings: Settings, scans: Iterable[Scan], *, end_s: float) -> Site:
    """A site that has seen plain scans; the last one, at `end_s`, is NOW_S on the wall."""
    site = Site(folder, settings, Hands(), Engine(settings))
    wall_0_s = NOW_S - end_s
    site.feed((_dated(scan, wall_0_s) for scan in scans), wall_0_s)
    return site


def _dated(scan: Scan, wall_0_s: float) -> Scan:
    return msgspec.structs.replace(scan, wall_s=wall_0_s + scan.t_s)


def from_scenario(folder: Path, scenario: Scenario, until_s: float, *, wall_end_s: float = NOW_S) -> Site:
    """A site that has lived through a scenario of the simulated world until `until_s`, which is `wall_end_s`."""
    wall_0_s = wall_end_s - until_s
    rig = _rig(scenario, wall_0_s)
    site = Site(folder, scenario.settings, Hands(wall_0_s), rig.engine)
    site.feed(rig.scans(until_s), wall_0_s)
    return site


def _rig(scenario: Scenario, wall_0_s: float) -> ReadingsRig:
    pace = Pace(scenario.scan_s, scenario.quiet_scan_s)
    return ReadingsRig(scenario.world(), scenario.settings, pace=pace, starts=True, wall_0_s=wall_0_s)
