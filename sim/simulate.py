"""One scenario from start to end: what `simulate` does, as a function.

`run` moves time as fast as it can, or `speed` times as fast as the clock on the wall; it tells of each change as it
comes, writes a recording if asked, and holds the outcome against what the scenario demands.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import msgspec

from condenser_monitor.monitor.core.errors import CommandError, RecordingError
from condenser_monitor.monitor.core.records import Change, Scan
from condenser_monitor.monitor.recording.csv_file import RecordingWriter
from condenser_monitor.sim.registers import RegisterRig, register_rig_for
from condenser_monitor.sim.rig import ReadingsRig, rig_for
from condenser_monitor.sim.scenario import Scenario
from condenser_monitor.sim.verdict import verdict

Level = Literal["readings", "registers"]
_NAP_S = 0.05
_SPEED_LEAST, _SPEED_MOST = 1e-3, 1e6


class ScenarioOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """What came of a run: `wrong` is empty when all was as the scenario demands; `times` is how many times real
    time."""

    scenario: str
    level: str
    scans: int
    simulated_s: float
    took_s: float
    changes: tuple[Change, ...]
    wrong: tuple[str, ...]

    @property
    def times(self) -> float:
        return self.simulated_s / self.took_s if self.took_s > 0 else 0.0


def run(
    scenario: Scenario,
    *,
    level: Level = "readings",
    seed: int | None = None,
    speed: float | None = None,
    record: str | Path | None = None,
    tell: Callable[[Change], None] = lambda change: None,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], object] = time.sleep,
) -> ScenarioOutcome:
    """Run a scenario. `record` is the path of a recording to write. Raises CommandError, RecordingError."""
    if speed is not None:
        check_speed(speed)
    rig = _rig(scenario, level, seed)
    tempo = None if speed is None else Tempo(speed, clock, sleep)
    if record is None:
        return _run(scenario, rig, tempo=tempo, writer=None, tell=tell)
    try:
        with Path(record).open("w", encoding="utf-8", newline="") as file:
            writer = RecordingWriter(file, scenario.settings.fitted, scenario.start_wall_s)
            return _run(scenario, rig, tempo=tempo, writer=writer, tell=tell)
    except OSError as error:
        raise RecordingError(str(record), error.strerror or str(error), "a file that can be written") from None


def check_speed(speed: float) -> None:
    """Raise CommandError for a speed at which no clock goes."""
    if not _SPEED_LEAST <= speed <= _SPEED_MOST:
        raise CommandError("speed", speed, f"{_SPEED_LEAST:g} to {_SPEED_MOST:g} times real time")


class Tempo:
    """Keeps virtual time at `speed` times the clock on the wall."""

    def __init__(self, speed: float, clock: Callable[[], float], sleep: Callable[[float], object]) -> None:
        self._speed, self._clock, self._sleep = speed, clock, sleep
        self._began_s = clock()

    def wait_for(self, t_s: float) -> None:
        """Until the wall's clock has come as far as `t_s` virtual seconds."""
        while (left_s := self._began_s + t_s / self._speed - self._clock()) > 0:
            self._sleep(min(left_s, _NAP_S))


def _run(
    scenario: Scenario,
    rig: ReadingsRig | RegisterRig,
    *,
    tempo: Tempo | None,
    writer: RecordingWriter | None,
    tell: Callable[[Change], None],
) -> ScenarioOutcome:
    changes: list[Change] = []
    scans = 0
    began_s = time.perf_counter()
    stream = rig.items(scenario.duration_s) if isinstance(rig, RegisterRig) else rig.scans(scenario.duration_s)
    for item in stream:
        if tempo is not None:
            tempo.wait_for(item.t_s)
        scans += isinstance(item, Scan)
        if writer is not None:
            writer.write(item)
        for event in rig.feed(item):
            if isinstance(event, Change):
                changes.append(event)
                tell(event)
    if isinstance(rig, RegisterRig):
        rig.close()
    return ScenarioOutcome(
        scenario=scenario.name,
        level="registers" if isinstance(rig, RegisterRig) else "readings",
        scans=scans,
        simulated_s=scenario.duration_s,
        took_s=time.perf_counter() - began_s,
        changes=tuple(changes),
        wrong=tuple(verdict(scenario, changes)),
    )


def _rig(scenario: Scenario, level: Level, seed: int | None) -> ReadingsRig | RegisterRig:
    if level not in ("readings", "registers"):
        raise CommandError("level", level, "readings or registers")
    return rig_for(scenario, seed) if level == "readings" else register_rig_for(scenario, seed)
