"""The register-level rig: the same world under the shipped drivers, bytes and all, and the real engine.

Time is the simulator's clock, moved by the drivers' own sleeps and by the bytes on the bus; the world follows in steps
short enough for what goes on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from random import Random

import msgspec

from condenser_monitor.hardware.boards import Boards
from condenser_monitor.hardware.calibration import Trim
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.readings import FLAGS
from condenser_monitor.monitor.core.records import (
    Change,
    Event,
    Scan,
    StartTransient,
)
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.sim.bus import (
    Ads1115,
    FakeI2C,
    VirtualClock,
    drive,
    pin_factory,
)
from condenser_monitor.sim.scenario import Scenario
from condenser_monitor.sim.waveforms import PROBES, ChipInputs, ProbeBus
from condenser_monitor.sim.wiring import AS_MEANT, WiredInputs, Wiring
from condenser_monitor.sim.world import World

_BUSY_LAG_S, _QUIET_LAG_S = 0.002, 0.010
_NOISE_CODES = 0.7  # data sheet: about one code of noise, RMS, at 860 a second


class Wires:
    """The converters and the presence channels' levels of a world, in step with a clock.

    `put` is called with a reading and whether its pin is high (no voltage) for each change. A fault of
    a sensor acts here: a pin that hangs, an empty jack, a chip that hangs.
    """

    def __init__(
        self,
        world: World,
        clock: VirtualClock,
        put: Callable[[str, bool], None],
        *,
        build: str = "boards",
        wiring: Wiring = AS_MEANT,
    ) -> None:
        self.world = world
        self._put, self._wiring = put, wiring
        self._levels: dict[str, bool] = {}
        seed = world.plan.seed
        self.chips = {
            address: Ads1115(
                _inputs(world, address, seed, wiring, build),
                clock,
                noise_codes=_NOISE_CODES,
                seed=seed * 1000 + address,
            )
            for address in sorted({c.address for c in CHANNELS.values() if c.address is not None})
        }
        self._drive()

    def follow(self, now_s: float) -> None:
        """Have the world follow the clock, in steps short enough for what goes on."""
        world = self.world
        behind_s = now_s - world.t_s
        if behind_s < _BUSY_LAG_S or (behind_s < _QUIET_LAG_S and world.unit.patience_s() >= 0.1):
            return
        world.advance(now_s)
        condition = world.condition
        for address, chip in self.chips.items():
            chip.error_rate = condition.bus_errors
            chip.clock_error = condition.clock_share - 1.0
            chip.stuck = any(
                sense.stuck and CHANNELS[name].address == address for name, sense in condition.senses.items()
            )
        self._drive()

    def _drive(self) -> None:
        """Put the presence channels' levels on the pins: low while voltage is present."""
        world = self.world
        for name in FLAGS:
            sense = world.condition.senses.get(name)
            present = world.presence.seen(self._wiring.taps.get(name, name), world.t_s)
            if sense is not None and sense.stuck:
                continue
            if sense is not None and sense.unplugged:
                present = False
            present = present is not (name in self._wiring.inverted)
            if self._levels.get(name) is not present:
                self._levels[name] = present
                self._put(name, not present)


class RegisterRig:
    """A world, boards on fake wires, and an engine. `items` yields what the service would feed to the engine."""

    def __init__(
        self,
        world: World,
        settings: Settings,
        *,
        scan_s: float = 1.0,
        wall_0_s: float | None = None,
        engine: Engine | None = None,
        wiring: Wiring = AS_MEANT,
        trims: Mapping[str, Trim] | None = None,
    ) -> None:
        settings = _with_probes(settings)
        self.world, self.settings, self.scan_s, self.wall_0_s = world, settings, scan_s, wall_0_s
        self.clock = VirtualClock(world.t_s)
        self.pins = pin_factory()
        self._wires = Wires(world, self.clock, self._level, build=settings.boards.build, wiring=wiring)
        self.chips = self._wires.chips
        self._rng = Random(f"{world.plan.seed}/registers")
        self.clock.follow = self._wires.follow
        self.boards = Boards(
            settings,
            bus=FakeI2C(self.clock, self.chips),
            pin_factory=self.pins,
            one_wire=ProbeBus(world, wiring.taps),
            clock=self.clock,
            sleep=self.clock.sleep,
            wall=self._wall_s,
            trims=trims,
        )
        self.engine = engine or Engine(settings)
        self._next_s = self.clock()
        self._last_s = 0.0

    def _level(self, reading: str, high: bool) -> None:
        """Put a presence channel's level on its mock pin."""
        pin = CHANNELS[reading].pin
        assert pin is not None
        drive(self.pins, pin, high=high)

    def _wall_s(self) -> float | None:
        return None if self.wall_0_s is None else self.wall_0_s + self.clock()

    # ------------------------------------------------------------ scans

    def items(self, until_s: float) -> Iterator[Scan | StartTransient]:
        """Scans, quick scans of the presence channels, and captured starts, from now until `until_s`."""
        while self._next_s <= until_s:
            scans = [self.boards.scan()]
            lost = self.world.condition.lost_scans
            if lost and self._rng.random() < lost:
                scans.clear()
            scans += self.boards.changes()
            for scan in sorted(scans, key=lambda scan: scan.t_s):
                yield self._in_order(scan)
            yield from self.boards.starts()
            self._next_s = max(self._next_s + self.scan_s, self.clock())
            self.boards.idle(self._next_s - self.clock())

    def _in_order(self, scan: Scan) -> Scan:
        """A change that had to stand before it counted is told late: then it counts from the last scan's time."""
        if scan.t_s < self._last_s:
            return msgspec.structs.replace(scan, t_s=self._last_s)
        self._last_s = scan.t_s
        return scan

    def feed(self, item: Scan | StartTransient) -> Sequence[Event]:
        """One item into the engine."""
        return self.engine.hear(item)

    def run(self, until_s: float) -> Iterator[Event]:
        """Move time to `until_s`; the engine's events as they come."""
        for item in self.items(until_s):
            yield from self.feed(item)

    def changes(self, until_s: float) -> list[Change]:
        """Move time to `until_s`; only the changes of findings."""
        return [event for event in self.run(until_s) if isinstance(event, Change)]

    def close(self) -> None:
        """Let go of pins and bus."""
        self.boards.close()


def _with_probes(settings: Settings) -> Settings:
    """The site with the numbers of the probes that the simulated bus has, where it names none of its own."""
    named = {name: {"device": device} for device, name in PROBES.items() if name in settings.fitted}
    wired = {
        **settings.boards.channels,
        **{n: {**row, **settings.boards.channels.get(n, {})} for n, row in named.items()},
    }
    return msgspec.structs.replace(settings, boards=msgspec.structs.replace(settings.boards, channels=wired))


def _inputs(world: World, address: int, seed: int, wiring: Wiring, build: str) -> ChipInputs:
    """The plain inputs where all is as meant: they are asked for every conversion."""
    if wiring is AS_MEANT:
        return ChipInputs(world, address, seed, build)
    return WiredInputs(world, address, seed, wiring, build)


def register_rig_for(scenario: Scenario, seed: int | None = None) -> RegisterRig:
    """A register-level rig of a scenario, at time 0."""
    world = scenario.world(seed)
    return RegisterRig(world, scenario.settings, scan_s=scenario.scan_s, wall_0_s=scenario.start_wall_s)
