"""Storms under the shipped drivers: the same program and the same promises as in storm.py, but its boards are the real
ones, on register-level chips, a bus and pins that fail as wires do (quick.py: the plain chips' bytes, sooner).

Further promises: what comes from a dead chip is missing within a minute, never a healthy value; the status is never
told younger than it is, also while a scan hangs; what the wires tell truly is read truly.
"""

from __future__ import annotations

from pathlib import Path

from condenser_monitor.hardware.boards import Boards
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.readings import NUMBERS
from condenser_monitor.sim.bus import VirtualClock
from tests.monitor.units import ALL, REST
from tests.simulation.plant import ADDRESSES, ON_CHIP
from tests.simulation.quick import QuickPlant
from tests.simulation.story import (
    BLIND_S,
    SCAN_S,
    SLICE_S,
    WORLDS,
    Misfortune,
    Storm,
    played,
)

TOLERANCE = {"control_v": 0.15, "coil_a": 0.02, "compressor_a": 0.15, "fan_a": 0.03, "outdoor_c": 0.5}
LONGEST_SCAN_S = 200.0
EDGES_MOST = 256


class WireStorm(Storm):
    """One seeded run under the drivers."""

    def __init__(self, seed: int, folder: Path, steps: int = 60) -> None:
        self.plant = QuickPlant(seed)
        self.longest_scan_s = 0.0
        self.looked_s = -1e9
        self.plant.show(REST)
        super().__init__(seed, folder, steps)

    # ------------------------------------------------------------ otherwise than in the storm above ideal senses

    def _clock(self) -> VirtualClock:
        return self.plant.clock

    def _boards(self) -> Boards:
        self.wired = self.plant.boards(self.settings, self.wall)
        return self.wired

    def _idle(self, seconds: float) -> None:
        if self.alive and self.disk.image is None:
            self.wired.idle(seconds)
        else:
            self.plant.sleep(seconds)

    def misfortunes(self) -> tuple[Misfortune, ...]:
        chance = self.rng
        return (
            (0.060, "world", self._turn_world),
            (0.006, "flood of changes", lambda: setattr(self, "wild_left", 15)),
            (0.012, "no answer", lambda: self._chip("absent", True)),
            (0.008, "stuck", lambda: self._chip("stuck", True)),
            (0.008, "frozen", lambda: self._chip("frozen", True)),
            (0.012, "errors", lambda: self._chip("error_rate", chance.choice((0.001, 0.02, 0.3, 1.0)))),
            (0.008, "noise", lambda: self._chip("noise_codes", chance.choice((5.0, 60.0, 500.0)))),
            (0.006, "fast or slow", lambda: self._chip("clock_error", chance.choice((-0.1, 0.1)))),
            (0.010, "supply dips", lambda: self.plant.at(chance.random(), self._dip)),
            (0.008, "bus hangs", self._hang),
            (0.010, "pin sticks", lambda: self.plant.held.add(chance.choice(tuple(self.plant.wanted)))),
            (0.008, "pin flickers", lambda: self.plant.flickering.add(chance.choice(tuple(self.plant.wanted)))),
            (0.008, "empty jack", self._unplug),
            (0.030, "wires mended", self._mended),
            (0.008, "phone down", self._phone_down),
            (0.008, "phone hangs", self._phone_hangs),
            *self._edge_misfortunes(),
        )

    # ------------------------------------------------------------ wires

    def _turn_world(self) -> None:
        self.readings = self.rng.choice(WORLDS)
        self.plant.at(self.rng.random() * SCAN_S, lambda: self.plant.show(self.readings))

    def _chip(self, what: str, value: object) -> None:
        chip = self.plant.chips[self.rng.choice(ADDRESSES)]
        self.plant.at(self.rng.random() * SCAN_S, lambda: setattr(chip, what, value))

    def _dip(self) -> None:
        self.plant.chips[self.rng.choice(ADDRESSES)].restart()

    def _hang(self) -> None:
        self.plant.bus.hang_s = self.rng.choice((0.05, 1.0, 20.0))

    def _unplug(self) -> None:
        name = self.rng.choice(("coil_a", "compressor_a", "fan_a"))
        for inputs in self.plant.inputs.values():
            inputs.unplugged.add(name)

    def _mended(self) -> None:
        self.plant.settle()

    def _calm(self) -> None:
        super()._calm()
        self.plant.settle()
        self.plant.show(REST)

    # ------------------------------------------------------------ a step and who looks on

    def _step(self) -> None:
        self.plant.clock.follow = self._while_hanging if self.plant.bus.hang_s else None
        super()._step()

    def _scanned(self, began_s: float) -> None:
        self.plant.clock.follow = None
        self._seen()
        self.longest_scan_s = max(self.longest_scan_s, self.clock() - began_s)
        dead = {name for address in ADDRESSES if self.plant.dead(address) for name in ON_CHIP[address] if name in REST}
        self._silence(tuple(dead), tuple(name for names in ON_CHIP.values() for name in names if name in REST))

    def _while_hanging(self, now_s: float) -> None:
        """Time passes in a scan: the others go on."""
        if now_s - self.looked_s >= SLICE_S:
            self.looked_s = now_s
            self.plant.clock.follow = None
            self._send_due()
            self._watch()
            self.plant.clock.follow = self._while_hanging

    def _blind_most_s(self) -> float:
        """A minute, and three scans; scans that take long themselves are told by the age of the status."""
        return BLIND_S + 3 * max(SCAN_S, self.longest_scan_s)

    # ------------------------------------------------------------ the promises

    def _watch_bounds(self) -> None:
        super()._watch_bounds()
        edges = max(len(presence._edges) for presence in self.wired._presence.values())
        for what, found, most in (
            ("quick scans", len(self.wired._quick), limits.QUICK_SCANS.value),
            ("edges", edges, EDGES_MOST),
            ("scan, s", self.longest_scan_s, LONGEST_SCAN_S),
        ):
            if found > most:
                self.breaks(f"{what}: {found:g} of {most:g}")

    def check(self) -> list[str]:
        super().check()
        for _ in range(3):  # one odd scan is nothing: the monitor does not believe it either
            wrong = self._wrong()
            if not wrong:
                break
            self._step()
        else:
            self.breaks(f"in the calm the wires are read wrongly: {wrong}")
        return self.broken

    def _wrong(self) -> dict[str, object]:
        """Readings of the last scan that are not what is on the wires."""
        status = self.history.status()
        assert status is not None
        seen = status.readings
        wrong: dict[str, object] = {n: seen[n] for n in ALL if n not in NUMBERS and seen[n] is not REST[n]}
        for name, most in TOLERANCE.items():
            value = seen[name]
            if value is None or abs(value - REST[name]) > most:
                wrong[name] = value
        return wrong


def run(seed: int, folder: Path, steps: int = 60) -> WireStorm:
    """One whole storm, checked."""
    return played(WireStorm(seed, folder, steps))
