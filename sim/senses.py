"""The monitor's senses as ideal instruments on the simulated wires: world -> Scan, with realistic small errors.

A presence channel is on from its knee upwards and holds on for a moment after its voltage has gone, as its opto and
capacitor do; a number is read with a gain error of its own, noise and resolution. What a fault at the wire does to a
reading is in condition.SenseCondition: unplugged presence reads absent, an unplugged number is missing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from functools import lru_cache
from math import comb, hypot, pi, sin, sqrt
from random import Random
from typing import NamedTuple

from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.readings import FLAGS, NUMBERS, READINGS
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


class Wave(NamedTuple):
    """A wave's form: phase behind the line in rad, share of each odd harmonic (order, share of the fundamental)."""

    phase: float
    harmonics: tuple[tuple[int, float], ...]

    def mean(self, line_hz: float, start_s: float, end_s: float) -> float:
        """Mean over a stretch of the wave of RMS 1."""
        turn = 2 * pi * line_hz
        middle, width = turn * (start_s + end_s) / 2 - self.phase, turn * (end_s - start_s) / 2
        total = sin(middle) * _sinc(width)
        square = 1.0
        for order, share in self.harmonics:
            total += share * sin(order * middle) * _sinc(order * width)
            square += share * share
        return sqrt(2 / square) * total


def _sinc(x: float) -> float:
    return sin(x) / x if abs(x) > 1e-9 else 1.0


class Wire(NamedTuple):
    """What one reading's sensor is wired to: the true value in the reading's unit, of a presence its volts and the knee
    from which it is present; of a number its errors and, for alternating ones, the form of its wave."""

    true: Callable[[CondensingUnit, float], float]  # of the unit, and the outdoor air's temperature in C
    knee_v: float = 0.0
    accuracy: Accuracy = Accuracy(0.0, 0.0, 0.0, 0)
    wave: Wave | None = None
    lag: Callable[[CondensingUnit], float] | None = None  # rad, where the wave's phase follows from the unit


_PROBE = Accuracy(0.0, 0.0, 0.05, 2)  # a thermistor with the converter's noise

# ours: a service a little flattened, an iron-cored coil with a third harmonic, motors a little less clean than
# the line; current transformers of class 1 with 1 % burdens; the floor of the noise is the converter's
WIRES: dict[str, Wire] = {
    "call": Wire(lambda unit, _: unit.volts.unit_v, PRESENT_24V),
    "control_v": Wire(
        lambda unit, _: unit.volts.unit_v,
        accuracy=Accuracy(0.005, 0.001, 0.02, 2),
        wave=Wave(0.1, ((3, 0.01), (5, 0.02))),
    ),
    "coil_a": Wire(
        lambda unit, _: unit.volts.coil_a,
        accuracy=Accuracy(0.006, 0.002, 0.001, 3),
        wave=Wave(1.1, ((3, 0.08), (5, 0.02))),
    ),
    "supply": Wire(lambda unit, _: unit.supply_v, PRESENT_LINE_V),
    "load": Wire(lambda unit, _: unit.load_v, PRESENT_LINE_V),
    "compressor_a": Wire(
        lambda unit, _: unit.compressor_a,
        accuracy=Accuracy(0.006, 0.003, 0.012, 3),
        wave=Wave(0.35, ((3, 0.03), (5, 0.02))),
        lag=lambda unit: unit.compressor_lag,
    ),
    "fan_a": Wire(
        lambda unit, _: unit.fan.amps,
        accuracy=Accuracy(0.006, 0.003, 0.002, 3),
        wave=Wave(0.4, ((3, 0.06), (5, 0.02))),
    ),
    "outdoor_c": Wire(lambda unit, outdoor_c: outdoor_c, accuracy=Accuracy(0.0, 0.0, 0.05, 2)),
    "line_v": Wire(
        lambda unit, _: unit.supply_v,
        accuracy=Accuracy(0.005, 0.0005, 0.1, 1),
        wave=Wave(0.0, ((3, 0.01), (5, 0.02))),
    ),
    "compressor_w": Wire(lambda unit, _: unit.compressor_w, accuracy=Accuracy(0.01, 0.003, 3.0, 1)),
    "start_winding_a": Wire(
        lambda unit, _: unit.start_winding_a,
        accuracy=Accuracy(0.006, 0.003, 0.005, 3),
        wave=Wave(-0.7, ((3, 0.02),)),
    ),
    "suction_c": Wire(lambda unit, _: unit.gas.suction_c, accuracy=_PROBE),
    "liquid_c": Wire(lambda unit, _: unit.gas.liquid_c, accuracy=_PROBE),
    "return_air_c": Wire(lambda unit, _: unit.indoor.return_c, accuracy=_PROBE),
    "supply_air_c": Wire(lambda unit, _: unit.indoor.supply_c, accuracy=_PROBE),
    "coil_v": Wire(
        lambda unit, _: unit.volts.coil_v,
        accuracy=Accuracy(0.005, 0.001, 0.02, 2),
        wave=Wave(0.1, ((3, 0.01), (5, 0.02))),
    ),
    "blower": Wire(lambda unit, _: 24.0 * unit.indoor.blower, PRESENT_24V),
    "discharge_c": Wire(lambda unit, _: unit.gas.discharge_c, accuracy=Accuracy(0.0, 0.0, 0.05, 2)),
    "control_power": Wire(lambda unit, _: unit.rc_v, PRESENT_24V),
    "thermostat": Wire(lambda unit, _: unit.volts.indoor_y_v, PRESENT_24V),
}


_PRESENT = tuple((name, WIRES[name].true, WIRES[name].knee_v) for name in FLAGS)


class SimulatedPresence:
    """The presence channels: when each last had voltage, and the changes since last taken. Told of every step."""

    def __init__(self) -> None:
        self.last_s: dict[str, float] = dict.fromkeys(FLAGS, -1e9)
        self._was = (False,) * len(FLAGS)
        self._edges: deque[tuple[float, tuple[bool, ...]]] = deque(maxlen=EDGES_KEPT)

    def update(self, t_s: float, unit: CondensingUnit) -> None:
        """The voltages as they stand at `t_s`."""
        last = self.last_s
        for name, true, knee_v in _PRESENT:
            if true(unit, 0.0) >= knee_v:
                last[name] = t_s
        now = tuple([t_s - at_s <= HOLD_S for at_s in last.values()])
        if now != self._was:
            self._add_edges(t_s, now)
            self._was = now

    def _add_edges(self, t_s: float, now: tuple[bool, ...]) -> None:
        """Each channel that lost its voltage went off when its hold was over, in the middle of a step too."""
        held_s = list(self.last_s.values())
        off = [(at_s + HOLD_S, place) for place, at_s in enumerate(held_s) if self._was[place] and not now[place]]
        levels = list(self._was)
        for at_s, place in sorted(off):
            levels[place] = False
            self._edges.append((at_s, tuple(levels)))
        if tuple(levels) != now:
            self._edges.append((t_s, now))

    def drain_edges(self) -> list[tuple[float, tuple[bool, ...]]]:
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
        self._gain = {
            name: 1.0 + Random(f"{seed}/senses/{name}").gauss(0.0, WIRES[name].accuracy.gain) for name in NUMBERS
        }
        self._last: dict[str, float | bool | None] = {}
        self._flags = tuple(name for name in self.fitted if name in FLAGS)
        self._numbers = tuple(
            (READINGS[name], WIRES[name].true, self._gain[name], WIRES[name].accuracy)
            for name in self.fitted
            if name not in FLAGS
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
        for reading, wired, gain, row in self._numbers:
            true = wired(self._unit, outdoor_c)
            read = true * gain + self._rng.gauss(0.0, row.noise + row.noise_share * abs(true))
            value = self._number(reading.name, read) if faulty else read
            if value is not None:
                value = min(reading.most, max(reading.least, round(value, row.digits)))
            fields[reading.name] = value
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
        sense, row = senses.get(name), CHANNELS[name]
        if row.kind == "probe" and sense is not None and sense.stuck:
            return None
        chip = row.address
        if row.kind != "probe" and any(one.stuck and CHANNELS[other].address == chip for other, one in senses.items()):
            return None
        if sense is None:
            return value
        if sense.unplugged:
            # an empty jack is told by its switch, an open thermistor by its voltage; open voltage leads read nothing
            return 0.0 if row.kind == "voltage" else None
        value = value * sense.gain + sense.offset
        if row.kind in ("thermistor", "probe"):
            return value + rng.gauss(0.0, sense.noise)
        # pick-up adds to a wave as the root of the squares
        return hypot(value, sense.noise * (1.0 + rng.gauss(0.0, 0.1)))
