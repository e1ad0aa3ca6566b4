"""The rigs: a world under the monitor's own code, in virtual time.

`ReadingsRig` reads the wires with ideal instruments (sim/senses.py) and feeds the real engine: thousands of times real
time. `sim/registers.py` puts the same world under the real drivers, bytes and all. Both give the same findings.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.records import (
    Change,
    Event,
    Scan,
    StartTransient,
)
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.sim.compressor import StartCurve
from condenser_monitor.sim.scenario import Scenario
from condenser_monitor.sim.senses import SimulatedSensors
from condenser_monitor.sim.world import World

CAPTURE_HZ = 860.0
DENSE_AFTER_S = 45.0
_IDLE_AFTER_S = 3600.0


class Pace(NamedTuple):
    """How often scans are taken: every `scan_s`; where `quiet_s` is more, only for a while after each abrupt change,
    and every `quiet_s` otherwise; every `idle_s`, if given, once nothing has happened for an hour."""

    scan_s: float = 1.0
    quiet_s: float = 0.0
    dense_after_s: float = DENSE_AFTER_S
    idle_s: float = 0.0


EVERY_SECOND = Pace()


class ReadingsRig:
    """A world, its ideal senses and an engine. `take` of the engine sees what `scans` yields."""

    def __init__(
        self,
        world: World,
        settings: Settings,
        *,
        pace: Pace = EVERY_SECOND,
        starts: bool = False,
        wall_0_s: float | None = None,
        seed: int | None = None,
        engine: Engine | None = None,
    ) -> None:
        self.world, self.settings, self.pace, self.wall_0_s = world, settings, pace, wall_0_s
        self.senses = SimulatedSensors(
            world.unit, world.condition, world.presence, settings.fitted, world.plan.seed if seed is None else seed
        )
        self.engine = engine or Engine(settings)
        self._starts = starts
        self._started = 0
        self._next_s = world.t_s
        self._dense_until_s = world.t_s + pace.dense_after_s
        self.scan_count = 0
        self._quick_s = -1.0

    # ------------------------------------------------------------ scans

    def scans(self, until_s: float) -> Iterator[Scan | StartTransient]:
        """What the senses say, from now until `until_s`; starts come at their place in time when they are captured."""
        world = self.world
        while self._next_s <= until_s:
            world.advance(self._next_s, stop_at_events=self._sparse())
            if world.t_s < self._next_s - 1e-9:
                self._woken()
                continue
            yield from self._quick()
            yield from self._captured()
            scan = self.senses.read(self._next_s, world.outdoor_c, self._wall_s())
            self._quick_s = self._next_s
            self._next_s += self._interval_s()
            if scan is not None:
                self.scan_count += 1
                yield scan

    def _sparse(self) -> bool:
        return self.pace.quiet_s > self.pace.scan_s

    def _interval_s(self) -> float:
        pace, quiet_for_s = self.pace, self.world.t_s - self._dense_until_s
        if not self._sparse() or quiet_for_s < 0.0:
            return pace.scan_s
        return pace.idle_s if pace.idle_s and quiet_for_s >= _IDLE_AFTER_S else pace.quiet_s

    def _woken(self) -> None:
        """Something changed abruptly: scan densely from here on, the next scan within one interval."""
        now_s = self.world.t_s
        self._dense_until_s = now_s + self.pace.dense_after_s
        self._next_s = min(self._next_s, now_s + self.pace.scan_s)

    def _wall_s(self) -> float | None:
        return None if self.wall_0_s is None else self.wall_0_s + self._next_s

    def _quick(self) -> Iterator[Scan]:
        """The presence channels alone at each of their changes, as the boards give them (chatter is faster than
        scans)."""
        for t_s, levels in self.world.presence.drain_edges():
            if self._quick_s < t_s < self._next_s:
                self._quick_s = t_s
                yield self.senses.flags_at(t_s, levels)

    def _captured(self) -> Iterator[StartTransient]:
        starts = self.world.unit.compressor.starts
        if self._starts:
            for start in starts[self._started :]:
                yield transient(start)
        self._started = len(starts)

    # ------------------------------------------------------------ engine

    def feed(self, item: Scan | StartTransient) -> Sequence[Event]:
        """One item into the engine."""
        return self.engine.hear(item)

    def run(self, until_s: float) -> Iterator[Event]:
        """Move time to `until_s`; the engine's events as they come."""
        for item in self.scans(until_s):
            yield from self.feed(item)

    def changes(self, until_s: float) -> list[Change]:
        """Move time to `until_s`; only the changes of findings."""
        return [event for event in self.run(until_s) if isinstance(event, Change)]


def transient(start: StartCurve) -> StartTransient:
    """A start as the board's capture would report it."""
    return StartTransient(
        t_s=round(start.t_s, 4),
        duration_s=None if start.duration_s is None else round(start.duration_s, 4),
        peak_a=round(start.peak_a, 3),
        settled_a=None if start.settled_a is None else round(start.settled_a, 3),
        rate_hz=CAPTURE_HZ,
    )


def rig_for(scenario: Scenario, seed: int | None = None) -> ReadingsRig:
    """A readings-level rig of a scenario, at time 0."""
    return ReadingsRig(
        scenario.world(seed),
        scenario.settings,
        pace=Pace(scenario.scan_s, scenario.quiet_scan_s),
        starts=scenario.starts,
        wall_0_s=scenario.start_wall_s,
        seed=seed,
    )
