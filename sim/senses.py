"""The monitor's senses as ideal instruments on the simulated wires: world -> Scan, with realistic small errors.

A presence channel is on from its knee upwards and holds on for a moment after its voltage has gone, as its opto and
capacitor do; a number is read with a gain error of its own, noise and resolution. What a fault at the wire does to a
reading is in condition.SenseCondition: unplugged presence reads absent, an unplugged number is missing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from functools import lru_cache
from math import comb, hypot
from random import Random
from typing import NamedTuple

from condenser_monitor.hardware.boards import CHANNELS
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.readings import FLAGS, READINGS
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.unit import CondensingUnit

PRESENT_24V = 12.0  # V RMS; control board: the knee of its two zeners and the opto, computed there
PRESENT_LINE_V = 62.0  # V RMS; line board: 1.1 mA through its droppers
HOLD_S = 0.06  # s; hold capacitor against pull-up, usual parts
EDGES_KEPT = 64
_SETUP, _READS = 35, 125  # counted on the simulated bus under the shipped drivers; a test holds the outcome to it


@lru_cache
def lost_share(bus_errors: float) -> float:
    """Share of readings that the shipped drivers lose where this share of the transfers fails.

    A reading is a burst: some _SETUP transfers each of which must do, and some _READS of which a few may fail.
    """
    may_fail = int(limits.ADC_FAILED_READS.value)
    failing = (comb(_READS, n) * bus_errors**n * (1.0 - bus_errors) ** (_READS - n) for n in range(may_fail + 1))
    return 1.0 - (1.0 - bus_errors) ** _SETUP * sum(failing)


class Accuracy(NamedTuple):
    """One number's errors: gain spread (one sigma, fixed per unit), noise (share and floor, RMS), decimals told."""

    gain: float
    noise_share: float
    noise: float
    digits: int


ACCURACY: dict[str, Accuracy] = {
    # current transformers of class 1 with 1 % burdens; the floor is the converter's noise
    "control_v": Accuracy(0.005, 0.001, 0.02, 2),
    "coil_a": Accuracy(0.006, 0.002, 0.001, 3),
    "compressor_a": Accuracy(0.006, 0.003, 0.012, 3),
    "fan_a": Accuracy(0.006, 0.003, 0.002, 3),
    "outdoor_c": Accuracy(0.0, 0.0, 0.05, 2),
}

WIRED: dict[str, Callable[[CondensingUnit], float]] = {
    "call": lambda unit: unit.unit_v,
    "control_v": lambda unit: unit.unit_v,
    "coil_a": lambda unit: unit.coil_a,
    "supply": lambda unit: unit.supply_v,
    "load": lambda unit: unit.load_v,
    "compressor_a": lambda unit: unit.compressor_a,
    "fan_a": lambda unit: unit.fan_a,
    "control_power": lambda unit: unit.rc_v,
    "thermostat": lambda unit: unit.indoor_y_v,
}
KNEE_V = {name: PRESENT_LINE_V if name in ("supply", "load") else PRESENT_24V for name in FLAGS}


class SimulatedPresence:
    """The presence channels: when each last had voltage, and the changes since last taken. Told of every step."""

    def __init__(self) -> None:
        self.last_s: dict[str, float] = dict.fromkeys(FLAGS, -1e9)
        self._was = (False,) * len(FLAGS)
        self._edges: deque[tuple[float, tuple[bool, ...]]] = deque(maxlen=EDGES_KEPT)

    def take(self, t_s: float, unit: CondensingUnit) -> None:
        """The voltages as they stand at `t_s`."""
        last, volts = self.last_s, unit.volts
        if volts.unit_v >= PRESENT_24V:
            last["call"] = t_s
        if volts.rc_v >= PRESENT_24V:
            last["control_power"] = t_s
        if volts.indoor_y_v >= PRESENT_24V:
            last["thermostat"] = t_s
        if unit.supply_v >= PRESENT_LINE_V:
            last["supply"] = t_s
        if unit.load_v >= PRESENT_LINE_V:
            last["load"] = t_s
        now = tuple([t_s - at_s <= HOLD_S for at_s in last.values()])
        if now != self._was:
            self._was = now
            self._edges.append((t_s, now))

    def take_edges(self) -> list[tuple[float, tuple[bool, ...]]]:
        """(time, what each channel says) for each change since last asked, in order of FLAGS."""
        edges = list(self._edges)
        self._edges.clear()
        return edges

    def seen(self, name: str, t_s: float, hold_s: float = HOLD_S) -> bool:
        """The channel is on."""
        return t_s - self.last_s[name] <= hold_s


class SimulatedSensors:
    """All fitted senses of one unit. `read` gives one Scan; the same seed gives the same errors."""

    def __init__(
        self, unit: CondensingUnit, condition: Condition, presence: SimulatedPresence, fitted: Sequence[str], seed: int
    ) -> None:
        self.fitted = tuple(name for name in READINGS if name in fitted)
        self._unit, self._condition, self._presence = unit, condition, presence
        self._rng = Random(f"{seed}/senses")
        self._gain = {name: 1.0 + self._rng.gauss(0.0, row.gain) for name, row in ACCURACY.items()}
        self._last: dict[str, float | bool | None] = {}
        self._flags = tuple(name for name in self.fitted if name in FLAGS)
        self._numbers = tuple(
            (name, WIRED.get(name), self._gain[name], ACCURACY[name]) for name in self.fitted if name not in FLAGS
        )

    def read(self, t_s: float, outdoor_c: float, wall_s: float | None = None) -> Scan | None:
        """One scan at `t_s`; None when this one is lost on the way."""
        condition = self._condition
        if condition.lost_scans and self._rng.random() < condition.lost_scans:
            return None
        faulty = bool(condition.senses) or condition.bus_errors > 0.0 or condition.glitches > 0.0
        fields: dict[str, float | bool | None] = {}
        for name in self._flags:
            fields[name] = self._flag(name, t_s)
        for name, wired, gain, row in self._numbers:
            true = outdoor_c if wired is None else wired(self._unit)
            read = true * gain + self._rng.gauss(0.0, row.noise + row.noise_share * abs(true))
            value = self._number(name, read) if faulty else read
            if value is not None:
                value = round(value, row.digits)
                value = min(89.0, max(-89.0, value)) if wired is None else max(0.0, value)
            fields[name] = value
        self._last.update(fields)
        return Scan(t_s=t_s, wall_s=wall_s, **fields)  # type: ignore[arg-type]

    def flags_at(self, t_s: float, levels: Sequence[bool]) -> Scan:
        """The presence channels alone, at one of their changes; faults of single channels hold here too."""
        fields: dict[str, bool | None] = {}
        for name, seen in zip(FLAGS, levels, strict=True):
            if name in self.fitted:
                fields[name] = self._told(name, seen)
        return Scan(t_s=t_s, **fields)

    def _flag(self, name: str, t_s: float) -> bool | None:
        condition = self._condition
        seen = self._presence.seen(name, t_s)
        if condition.glitches and self._rng.random() < condition.glitches:
            seen = not seen
        return self._told(name, seen)

    def _told(self, name: str, seen: bool) -> bool:
        """What a presence channel says when this is so, with its fault if it has one."""
        sense = self._condition.senses.get(name)
        if sense is None:
            return seen
        if sense.stuck:
            return bool(self._last.get(name, seen))
        if sense.unplugged:
            return False
        noisy = sense.noise > 0.0 and self._rng.random() < min(0.5, sense.noise)
        return not seen if noisy else seen

    def _number(self, name: str, value: float) -> float | None:
        """A number past what goes wrong on its way."""
        condition, rng = self._condition, self._rng
        if condition.bus_errors and rng.random() < lost_share(condition.bus_errors):
            return None
        if condition.glitches and rng.random() < condition.glitches:
            value += rng.uniform(0.5, 3.0) * (abs(value) + 1.0)
        return self._faulty(name, value) if condition.senses else value

    def _faulty(self, name: str, value: float) -> float | None:
        """What faults at the wire make of a number; None where the board tells that it cannot be had."""
        senses, rng = self._condition.senses, self._rng
        chip = CHANNELS[name].address
        if any(sense.stuck and CHANNELS[other].address == chip for other, sense in senses.items()):
            return None
        sense = senses.get(name)
        if sense is None:
            return value
        if sense.unplugged:
            # an empty jack is told by its switch, an open thermistor by its voltage; open voltage leads read nothing
            return 0.0 if name == "control_v" else None
        value = value * sense.gain + sense.offset
        if name == "outdoor_c":
            return value + rng.gauss(0.0, sense.noise)
        # pick-up adds to a wave as the root of the squares
        return hypot(value, sense.noise * (1.0 + rng.gauss(0.0, 0.1)))
