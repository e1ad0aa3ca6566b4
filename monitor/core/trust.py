"""Which sensors to believe: the step between inputs and links.

Theory. Readings that contradict each other are explained by small *sets of liars*: sensors that do not follow what they
measure. Of all sets of at most two, and the control board as a whole, the one wanted is that which needs the least else
to be assumed. What else there is to assume is physics: for every set, the readings of the other sensors leave a few
states of the unit possible (power, thermostat, call, coil, supply, contacts, compressor, fan: each on or off), and each
state costs what is odd about it: a fault of the unit costs about as much as a sensor that lies, and what cannot be
(current without a supply) costs far more. So a supply sensor that says "off" under a running compressor is the liar by
itself, and not the clamp, the fan's clamp and the load sensor together.

Time decides the rest. The costs are added up along time, as on the cheapest path through a hidden Markov model
(Viterbi, IEEE Trans. Inf. Theory 13, 1967): at each step a sensor may begin to lie, or begin to tell the truth again,
each at a price. What follows from that:

- A fault is paid for once, when it begins, and a little when it comes back.
- A liar that is known costs nothing more, so it stays distrusted; each time that it changes as a stuck sensor would
  not, its being a liar costs a little, so that it is believed again after it told the truth through several changes.
- What has nothing to do with each other seldom begins at one moment: a sensor that begins to lie as a fault begins, or
  as another one does, costs more than both.
- What a fault would have made impossible counts against that fault: a thermostat that is satisfied again and again
  although the compressor is "dead", contacts that close without a pull, currents that stay normal without a fan.

Only readings that have been settled for a while are weighed. While all is consistent and nobody is suspected, a step is
one look into a table.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import combinations, product
from math import inf
from statistics import median
from typing import Any, NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.blower import BlowerSays
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.inputs import DebouncedInputs, lasted
from condenser_monitor.monitor.core.own_cycles import OwnCycles
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import Cycle

# ---------------------------------------------------------------- the unit as physics


class ReadWorld(NamedTuple):
    """One possible state of the unit: 24 V behind the fuse, the thermostat's output, 24 V at the unit's call terminal,
    current in the coil, line voltage ahead of the contactor, contacts closed, current in compressor and fan."""

    power: bool
    demand: bool
    call: bool
    coil: bool
    supply: bool
    contacts: bool
    compressor: bool
    fan: bool

    @property
    def load(self) -> bool:
        """Line voltage behind the contacts."""
        return self.contacts and self.supply


Reading = bool | None
_FAULTS = limits.TRUST


class Physics:
    """What is odd about a state, by the unit's kind. Costs are in units of about one fault."""

    def __init__(self, unit: Unit) -> None:
        self._board_fan = unit.fan_by_board
        self._fan_rests = self._board_fan or unit.heat_pump
        # What a fan at rest costs less than a fault, because it may be by design.
        self.rest_cost = _FAULTS.fault.value - _FAULTS.designed.value if self._fan_rests else 0.0
        self._soft = unit.kind == "variable-speed"
        self.sheds = False
        self._timed = unit.delay_on_make_s > 0 or unit.delay_on_break_s > 0
        self.waits = self._timed
        self._faults: dict[ReadWorld, frozenset[str]] = {}  # of each state that was met: 256 at most

    def know_timers(self, *, sheds: bool, waits: bool) -> bool:
        """Note whether a switch cuts the call, or a timer keeps the coil waiting, for as long each time, declared or
        not; return whether that is news."""
        was = self.sheds, self.waits
        self.sheds, self.waits = sheds, waits or self._timed
        if (self.sheds, self.waits) == was:
            return False
        self._faults.clear()
        return True

    def faults(self, world: ReadWorld) -> frozenset[str]:
        """Return the names of the state's oddities, "" among them where no fault explains one."""
        found = self._faults.get(world)
        if found is None:
            found = self._faults[world] = frozenset(name for name, _ in self.oddities(world))
        return found

    def oddities(self, world: ReadWorld) -> Iterator[tuple[str, float]]:
        """Yield each fault of the state with what it costs to begin; "" is what no fault explains."""
        fault = _FAULTS.fault.value
        w = world
        if not w.power:
            yield "power-lost", fault
        impossible = (
            (w.demand or w.call) and not w.power,
            w.coil and not w.call,
            w.compressor and not w.load,
            w.fan and not w.supply,
        )
        for _ in range(sum(impossible)):
            yield "", _FAULTS.impossible.value
        if w.demand and not w.call:
            yield ("call-shed", _FAULTS.designed.value) if self.sheds else ("call-cut", _FAULTS.usual_fault.value)
        if w.call and not w.demand:
            yield "call-crossed", _FAULTS.seldom_fault.value
        if w.call and not w.coil:
            # The utility's switch may sit behind the call's tap.
            held = "coil-shed" if self.sheds else "coil-waits" if self.waits else "coil-open"
            yield held, _FAULTS.rare_fault.value if held == "coil-open" else _FAULTS.designed.value
        if w.coil and not w.contacts:
            yield "contacts-open", fault
        if w.contacts and not w.coil:
            # The board of a drive may be fed all the time, and rests until it is called.
            fed = self._soft and not w.compressor
            yield ("fed", _FAULTS.designed.value) if fed else ("welded", _FAULTS.weld.value)
        if w.fan and w.supply and not w.contacts:
            # A board may let it run on, declared or not; for minutes, and no longer.
            yield "fan-runs-on", _FAULTS.designed.value if self._board_fan else _FAULTS.rare_fault.value
        if not w.supply:
            yield "supply-lost", fault
        if w.load and not w.compressor:
            yield "compressor-off", _FAULTS.designed.value if self._soft else fault
        if w.load and not w.fan:
            yield "fan-off", _FAULTS.designed.value if self._fan_rests else fault


# What keeps the unit from cooling while it is called.
_BY_TIMER = frozenset({"call-shed", "coil-shed", "coil-waits"})
NO_COOLING = _BY_TIMER | {"call-cut", "coil-open", "contacts-open", "supply-lost", "compressor-off"}
# What would last for more than one run if it were a fault.
LASTING = NO_COOLING - _BY_TIMER | {"call-crossed"}


# ---------------------------------------------------------------- what the sensors say of it


class Witness(NamedTuple):
    """A sensor that tells one part of the state: `part` of ReadWorld ("load": contacts and supply), from its debounced
    input `name`; `true` are the symbols that say yes, `mute` those that say nothing."""

    part: str
    name: str
    true: frozenset[Any] = frozenset({True})
    mute: frozenset[Any] = frozenset()

    def read(self, symbol: Any) -> Reading:
        """What the symbol says of the part."""
        return None if symbol is None or symbol in self.mute else symbol in self.true


WITNESSES: dict[str, Witness] = {
    "control_power": Witness("power", "control_power"),
    "thermostat": Witness("demand", "thermostat"),
    "call": Witness("call", "call"),
    # A few volts tell neither that the call is there nor that it is not.
    "control_v": Witness("call", "control_v", frozenset({"normal", "high"}), frozenset({"ghost", "weak"})),
    # Volts at the coil's own terminals come by way of the call; none tell only of a switch between the two.
    "coil_v": Witness("call", "coil_v", frozenset({"normal", "high"}), frozenset({"dead", "ghost", "weak"})),
    "coil_a": Witness("coil", "coil_a", frozenset({"sealed", "unsealed", "short"})),
    "supply": Witness("supply", "supply"),
    # Half of the volts: one leg is lost, and a presence sensor may say either.
    "line_v": Witness("supply", "line_v", frozenset({"normal", "high"}), frozenset({"low"})),
    "load": Witness("load", "load"),
    "compressor_a": Witness("compressor", "compressor"),
    "compressor_w": Witness("compressor", "compressor_w", frozenset({"draws"}), frozenset({"little"})),
    "fan_a": Witness("fan", "fan"),
}
_FIELDS = ReadWorld._fields


class Evidence(NamedTuple):
    """What was read, sensor by sensor in the order of `Trust.sensors`.

    `cooled`: the compressor has run for long with a normal current, or draws as before the loss of its fan's, so its
    fan must have run too, if that current is right; `heated`: it has come to draw more, as it does without a fan;
    `rested`: it has rested for so long that no board lets the fan run on; `standing`: a current that stands in its lead
    at rest, as a heater or a trickle past the contactor makes, which no dead line feeds; `blower`: what the blower says
    of a thermostat that calls on past the call's end (core/blower.py); `air`: the air indoors is cooled though the
    compressor is said to stand (core/cooled_air.py); `shown`: what the sensors showed where that is more than it tells
    of the unit: volts that may or may not be a call are another reading than a call's (empty: just what was read).
    """

    readings: tuple[Reading, ...]
    cooled: bool = False
    rested: bool = False
    standing: bool = False
    heated: bool = False
    blower: BlowerSays = ""
    air: bool = False
    shown: tuple[Reading, ...] = ()

    def changed(self, before: Evidence, places: Iterable[int]) -> int:
        """How many of these sensors show something else than before."""
        now, was = self.shown or self.readings, before.shown or before.readings
        return sum(now[at] is not None and was[at] is not None and now[at] is not was[at] for at in places)


class SensorStory(NamedTuple):
    """The cheapest course of things under one set of liars: what it costs, the state by now, the faults that were
    paid for, since when the thermostat demands, the contacts are closed, and open, whether that was for as long as a
    thermostat rests before they closed, whether a whole run has been done since a fault last stood, whether its length
    and that rest are as this thermostat makes them, and when the thermostat was satisfied although nothing had cooled
    (inf: not at the last time)."""

    cost: float
    world: ReadWorld | None
    faults: frozenset[str]
    demand_s: float = inf
    closed_s: float = inf
    opened_s: float = -inf
    rested: bool = True
    long_run: bool = False
    own_run: bool = False
    satisfied_s: float = inf


class LiarMemory(msgspec.Struct, frozen=True, kw_only=True):
    """A set of liars and what believing in it costs more than the best one, for the next process."""

    liars: tuple[str, ...]
    cost: float


Liars = frozenset[int]


def _moves(was: ReadWorld | None, now: ReadWorld) -> int:
    """In how many parts a state differs from the one before."""
    return 0 if was is None else sum(one is not other for one, other in zip(was, now, strict=True))


CLAMPS = frozenset({"compressor_a", "fan_a"})
# What is colder or warmer in each run than in the rest before it, and what the day warms and cools.
MOVES = ("suction_c", "liquid_c", "supply_air_c")
DRIFTS = ("outdoor_c", "return_air_c")
NEVER_COLD = ("return_air_c", "liquid_c")
# What no call changes in a clamp that hangs, and by how little of itself a run's current moves there: welded contacts
# feed on motors whose current moves.
HANGS = {"compressor_a": limits.TRUST.fine_ratio, "fan_a": limits.TRUST.fan_fine_ratio}


class FrozenWatch:
    """Names sensors whose number repeats to its last digit through a rest and the settled run after it, or a run and
    the rest after it; of those that only the day moves, one that has been moving and then repeats for hours. One that
    moves again is believed after it has moved as often as a liar has to. `cold`: the return air and the small pipe,
    while they are said to be colder in a run in warm weather than a house that is cooled, or a condenser, ever is.

    The clamps are judged by calls, as a run is told by them: one that reads a run's current to the last digit through a
    rest and a call hangs: soon where it has been seen to tell small steps from each other, later else. `hung`: all that
    its board reads, where every other number of it has stood still as long, and each had been moving before."""

    def __init__(self, fitted: Iterable[str]) -> None:
        self.names: frozenset[str] = frozenset()
        self.cold: frozenset[str] = frozenset()
        self._step_a = dict.fromkeys(HANGS, inf)  # the smallest that each has been seen to move by
        self.hung: frozenset[str] = frozenset()
        self._line = frozenset(name for name in fitted if READINGS[name].board == "line" and not READINGS[name].probe)
        self._still: dict[str, tuple[float | None, int, int]] = {
            name: (None, 0, 0) for name in self._line if READINGS[name].unit
        }  # what each number is, for how many minutes, and how often it has moved
        watched = (name for name in fitted if name in (*MOVES, *DRIFTS, *HANGS))
        self._stands: dict[str, tuple[float | None, int, int]] = dict.fromkeys(watched, (None, 0, 0))
        self._moved: dict[str, int] = {}

    def called(self, name: str, amps: float, *, call: bool) -> None:
        """Add a minute of a call, or of none, in which a clamp reads a running motor's current, A RMS."""
        was = self._stands[name][0]
        if was is not None and was != amps:
            self._step_a[name] = min(self._step_a[name], abs(was - amps))
        coarse = self._coarse(name, amps)
        least = 1.0 if coarse <= 1.0 else limits.TRUST.coarse_times.value * coarse
        self._stand(name, amps, runs=call, least=least * limits.TRUST.still_minutes.value)

    def _coarse(self, name: str, amps: float) -> float:
        """How much coarser a clamp's steps are than a motor's current moves."""
        return self._step_a[name] / (amps * HANGS[name].value)

    def add_minute(self, readings: Mapping[str, float | None]) -> None:
        """Add a minute of whatever: whether all numbers of the line board stand still together."""
        for name, (was, minutes, moved) in self._still.items():
            now = readings.get(name)
            if now is not None:
                self._still[name] = (now, minutes + 1, moved) if now == was else (now, 0, moved + 1)
        clamp = "compressor_a"
        amps = self._still[clamp][0] if clamp in self.names else None  # it hangs by itself
        hangs = bool(amps) and len(self._still) > 1 and self._coarse(clamp, amps or 0.0) <= 1.0
        least, moves = 2 * limits.TRUST.still_minutes.value, limits.TRUST.moves.value  # of rest and of run
        hangs = hangs and all(still >= least and moved >= moves for _, still, moved in self._still.values())
        self.hung = self._line if hangs else frozenset()

    def update(self, readings: Mapping[str, float | None], *, runs: bool) -> None:
        """Add a minute of rest, or of a run that has settled."""
        if runs:
            outdoor_c = readings.get("outdoor_c")
            warm = outdoor_c is not None and outdoor_c >= limits.TRUST.warm_c.value
            numbers = ((name, readings.get(name)) for name in NEVER_COLD)
            least_c = limits.TRUST.cold_c.value
            self.cold = frozenset(name for name, now in numbers if warm and now is not None and now < least_c)
        for name in self._stands:
            now = readings.get(name)
            if now is not None and name not in HANGS:
                self._stand(name, now, runs=runs)

    def _stand(self, name: str, now: float, *, runs: bool, least: float = limits.TRUST.still_minutes.value) -> None:
        """Count how long a sensor has repeated its number; `least`: minutes of rest and of run each that tell."""
        value, rests, run = self._stands[name]
        if now != value:
            self._stands[name] = (now, 0, 0)
            self._moved[name] = self._moved.get(name, 0) + 1
            if self._moved[name] >= limits.TRUST.moves.value:
                self.names -= {name}
            return
        still = (rests + (not runs), run + runs)
        self._stands[name] = (value, *still)
        if name in DRIFTS:
            moved_before = self._moved.get(name, 0) >= limits.TRUST.moves.value
            frozen = moved_before and sum(still) >= limits.TRUST.drift_minutes.value
        else:
            frozen = min(still) >= least
        if frozen:
            self._moved[name] = 0
            self.names |= {name}


class Trust:
    """Follows the sensors of one unit. `distrusted` are the readings that are not believed and count as missing by now:
    those of liars, of clamps that read each other's current (`swapped`), those that jump (`noisy`), and those
    that stand still where they must move (`frozen`); `named` are the same in the order of the readings.

    `memory` is what `memory` of an earlier process held; sensors that are no longer fitted are passed over.
    """

    def __init__(self, unit: Unit, fitted: Collection[str], memory: Iterable[LiarMemory] = ()) -> None:
        self.sensors = tuple(name for name in WITNESSES if name in fitted)
        self._liars: frozenset[str] = frozenset()
        self.swapped = False
        self.noisy: frozenset[str] = frozenset()
        self._steady: dict[str, int] = {}  # in how many minutes of run each has been steady since it was noisy
        self.tripped = False  # the compressor's last stop came from far above its rated current
        self.stalled_s = -inf  # when its clamp last read a stall, as no clamp does that reads nothing
        self._rests_s: deque[float] = deque(maxlen=int(limits.TRUST.rests.value))  # between its last whole runs
        self._ran_until_s = -inf  # when the last of them ended
        self._own = OwnCycles()
        self.ran_a: float | None = None  # what the compressor drew in the last run that settled
        self.frozen = FrozenWatch(fitted)
        self._witnesses = [WITNESSES[name] for name in self.sensors]
        self._physics = Physics(unit)
        places = range(len(self.sensors))
        sets = [frozenset(some) for size in (0, 1, 2) for some in combinations(places, size)]
        # What a line board shows that reads nothing is a pulled disconnect; a control board's reads as a rest.
        control = frozenset(place for place in places if READINGS[self.sensors[place]].board == "control")
        self._board = control if len(control) > 2 else None
        sets += [control] if self._board else []
        self._prior = {some: inf if some else 0.0 for some in sets}
        self._stories = {some: SensorStory(cost, None, frozenset()) for some, cost in self._prior.items()}
        self._states: dict[tuple[Any, ...], tuple[tuple[ReadWorld, tuple[tuple[str, float], ...]], ...]] = {}
        self._evidence = Evidence((None,) * len(self.sensors))
        self._calm = True
        # The sets of liars that are likelier than they are at the start, for the next process.
        self.memory: list[LiarMemory] = []
        self._name_distrusted()
        self._recall(memory)

    @staticmethod
    def _onset(reading: Reading) -> float:
        """What it costs that a sensor begins to lie; one that says "on" does so less often than one that is dead."""
        return limits.TRUST.liar.value + (limits.TRUST.high.value if reading else 0.0)

    def _name_distrusted(self) -> None:
        """Put together who is not believed by now."""
        still = self.frozen.names | self.frozen.cold | self.frozen.hung
        self.distrusted = self._liars | still | self.noisy | (CLAMPS if self.swapped else frozenset())
        self.named = tuple(name for name in READINGS if name in self.distrusted)

    # ------------------------------------------------------------ in

    def read(
        self,
        inputs: DebouncedInputs,
        *,
        cooled: bool = False,
        rested: bool = False,
        standing: bool = False,
        heated: bool = False,
        blower: BlowerSays = "",
        air: bool = False,
        repeats: Collection[str] = (),
        hums: bool = False,
    ) -> Evidence:
        """Return what the sensors say by now; `repeats` are the readings whose number does not move at all; `hums`: the
        compressor's current is what a lost leg has left, which says neither that it runs nor that it stands."""
        by_name = inputs.by_name
        readings = [witness.read(by_name[witness.name].symbol) for witness in self._witnesses]
        volts = by_name.get("control_v")
        if "compressor_w" in self.sensors and "compressor_a" in self.sensors:
            # Power is taken with the current's own clamp: that the two agree says nothing more. A number that never
            # moves is no witness of a run that might be.
            amps, watts = (self.sensors.index(name) for name in ("compressor_a", "compressor_w"))
            load = by_name.get("load")
            frozen = "compressor_w" in repeats and (load is None or load.symbol is not False)
            if readings[watts] is readings[amps] or (readings[watts] and frozen):
                readings[watts] = None
        if "line_v" in repeats and readings[place := self.sensors.index("line_v")]:
            readings[place] = None  # no service stands still to the last digit
        for name in {"compressor_a", "compressor_w"}.intersection(self.sensors) if hums else ():
            readings[self.sensors.index(name)] = None
        for name in self.noisy.intersection(self.sensors):
            readings[self.sensors.index(name)] = None  # it says now this and now that, and accuses nobody by it
        said = tuple(readings)
        if volts is None or volts.symbol not in ("ghost", "weak"):
            return Evidence(said, cooled, rested, standing, heated, blower, air)
        # So few volts may or may not be seen as a call; they are others than a call's all the same.
        said = tuple(None if name == "call" else value for name, value in zip(self.sensors, said, strict=True))
        shown = tuple(
            None if name in self.noisy else False if name == "control_v" else value
            for name, value in zip(self.sensors, readings, strict=True)
        )
        return Evidence(said, cooled, rested, standing, heated, blower, air, shown)

    def contradicted(self, evidence: Evidence, now_s: float) -> bool:
        """Return whether no fault of the unit explains these readings, those of sensors that are distrusted aside, or
        only three at once: then the next scan says more, and an alarm waits for it."""
        best = min(self._stories, key=lambda some: self._stories[some].cost)
        readings = tuple(
            None if place in best or self.sensors[place] in self.distrusted else value
            for place, value in enumerate(evidence.readings)
        )
        story = self._stories[best]
        believed = "compressor_a" not in self.distrusted
        costs = [
            self._surprise(story, world, oddities, now_s) + believed * self._amiss(world, evidence)
            for world, oddities in self._possible(readings)
        ]
        return min(costs, default=inf) > limits.TRUST.at_once.value

    def ran(self, cycle: Cycle) -> None:
        """Note a finished cycle: how long this unit rests between runs in which its compressor was seen to run, and
        what it drew."""
        whole = cycle.compressor_starts > 0 and cycle.run_s >= limits.TRUST.satisfied_least_s.value
        if whole and cycle.start_seen and self._ran_until_s > -inf:
            self._rests_s.append(cycle.started_s - self._ran_until_s)
        self._ran_until_s = cycle.stopped_s if whole else -inf
        self._own.ran(cycle)
        if cycle.run_s >= limits.SETTLE_S.value and "compressor_a" not in self.distrusted:
            self.ran_a = cycle.compressor_a

    @property
    def pause_s(self) -> float:
        """How long a call has to be gone to have been satisfied, s: less where this unit has rested less while it ran,
        as one whose thermostat keeps no rest does."""
        if len(self._rests_s) < limits.TRUST.rests.value:
            return limits.TRUST.pause_s.value
        own_s = limits.TRUST.rest_ratio.value * median(self._rests_s)
        return max(limits.TRUST.rest_least_s.value, min(limits.TRUST.pause_s.value, own_s))

    def would_accuse(self, evidence: Evidence, now_s: float) -> bool:
        """Return whether a sensor that is believed would be distrusted if this stayed as it is."""
        kept = self._stories, self._evidence, self._calm, self._liars, self.memory
        named = self.distrusted, self.named
        changed = evidence != self._evidence and self._weigh(evidence, now_s)
        accused = changed and not self._liars <= kept[3]
        self._stories, self._evidence, self._calm, self._liars, self.memory = kept
        self.distrusted, self.named = named
        return accused

    def update(self, evidence: Evidence, now_s: float) -> bool:
        """Weigh what has been settled; True when other sensors are distrusted by it."""
        if evidence == self._evidence:
            return False
        if "thermostat" in self.sensors:
            believed = "thermostat" not in self.distrusted
            self._own.thermostat(evidence.readings[self.sensors.index("thermostat")] if believed else None, now_s)
        return self._weigh(evidence, now_s)

    def _weigh(self, evidence: Evidence, now_s: float) -> bool:
        before, self._evidence = self._evidence, evidence
        if self._calm and self._consistent(evidence, now_s):
            return False
        if self._calm:
            trusting = self._stories[frozenset()]
            self._stories = {some: trusting._replace(cost=cost) for some, cost in self._prior.items()}
        self._step(before, evidence, now_s)
        return self._judge()

    def add_minute(
        self,
        *,
        swapped: bool | None,
        noisy: Mapping[str, bool] = {},
        numbers: Mapping[str, float | None] | None = None,
        runs: bool = False,
    ) -> bool:
        """Add a minute, or what is seen before it is over: whether the clamps read each other's current (None: not
        known), which of them is noisy and which is not, and the numbers of a rest or of a run that has settled; True
        when other sensors are distrusted by it."""
        was = self.distrusted
        for name, so in noisy.items():
            self._steady[name] = 0 if so else self._steady.get(name, 0) + 1
            if so:
                self.noisy |= {name}
            elif self._steady[name] >= limits.NOISE_STEADY.value:
                self.noisy -= {name}
        self.swapped = self.swapped if swapped is None else swapped
        if numbers is not None:
            self.frozen.update(numbers, runs=runs)
        self._name_distrusted()
        return self.distrusted != was

    def know_timers(self, *, sheds: bool, waits: bool) -> None:
        """Learn that a switch cuts the call, or a timer keeps the coil waiting, for as long each time: by design, and
        no fault that heals."""
        if self._physics.know_timers(sheds=sheds, waits=waits):
            self._states.clear()

    def forget_state(self) -> None:
        """After a gap in what was seen: nothing is known of the state; who lies is."""
        self._stories = {
            some: story._replace(world=None, demand_s=inf, closed_s=inf, opened_s=-inf)
            for some, story in self._stories.items()
        }
        self._evidence = Evidence((None,) * len(self.sensors))

    def forget_runs(self, now_s: float) -> None:
        """While the contactor chatters: between the moments that are weighed it opens too shortly to be settled. What
        looks like a whole run is none in which a fault has healed, and a call that ends is not a satisfied one."""
        self._stories = {
            some: story._replace(demand_s=inf, closed_s=inf, opened_s=now_s, long_run=False, satisfied_s=inf)
            for some, story in self._stories.items()
        }

    def _consistent(self, evidence: Evidence, now_s: float) -> bool:
        """Nothing is odd when everybody is believed; then only the state moves on."""
        story = self._stories[frozenset()]
        states = self._possible(evidence.readings)
        if not states or states[0][1] or self._amiss(states[0][0], evidence):
            return False
        self._stories = self._stories | {frozenset(): self._moved(story, states[0][0], frozenset(), 0.0, now_s)}
        return True

    # ------------------------------------------------------------ one step along time

    def _step(self, before: Evidence, evidence: Evidence, now_s: float) -> None:
        old = self._stories
        self._stories = {
            some: self._continue(self._best_way(some, evidence, old), some, before, evidence, now_s) for some in old
        }
        least = min(story.cost for story in self._stories.values())
        self._stories = {some: story._replace(cost=story.cost - least) for some, story in self._stories.items()}
        trusting = self._stories[frozenset()]
        self._calm = not trusting.faults and all(
            story.cost >= self._least(some) - limits.MOMENT_S.value for some, story in self._stories.items()
        )

    def _best_way(
        self, some: Liars, evidence: Evidence, old: Mapping[Liars, SensorStory]
    ) -> tuple[SensorStory, bool, int]:
        """The cheapest story that leads to this set of liars, whether its liars are the same as before, and how many of
        them begin to lie now."""
        best, same, begun = old[some], True, 0
        whole = some == self._board
        for fewer in [some - {place} for place in some if not whole] + [frozenset()] * bool(some):
            cost = old[fewer].cost
            if whole:
                cost += self._board_onset(evidence, some)
            else:
                cost += sum(self._onset(evidence.readings[place]) for place in some - fewer)
            if cost < best.cost:
                best, same, begun = old[fewer]._replace(cost=cost), False, 1 if whole else len(some - fewer)
        mores = [some | {place} for place in range(len(self.sensors)) if place not in some] if len(some) < 2 else []
        for more in [*mores, self._board] if self._board and not some else mores:
            if old[more].cost + limits.TRUST.recover.value < best.cost:
                best = old[more]._replace(cost=old[more].cost + limits.TRUST.recover.value)
                same, begun = False, 0
        return best, same, begun

    def _least(self, some: Liars) -> float:
        """What it costs at the least that these begin to lie."""
        return limits.TRUST.board.value if some == self._board else len(some) * limits.TRUST.liar.value

    @staticmethod
    def _board_onset(evidence: Evidence, board: Liars) -> float:
        """What it costs that all which one board reads begins to lie: its cable or its supply is lost, and it reads
        nothing; one that still reads something is as many sensors."""
        silent = all(not evidence.readings[place] for place in board)
        return limits.TRUST.board.value if silent else len(board) * limits.TRUST.liar.value

    def _continue(
        self, way: tuple[SensorStory, bool, int], some: Liars, before: Evidence, evidence: Evidence, now_s: float
    ) -> SensorStory:
        story, same, begun = way
        readings = tuple(None if place in some else value for place, value in enumerate(evidence.readings))
        # A stuck sensor does not change.
        moved = evidence.changed(before, some) if same else 0
        known = {name for place, name in enumerate(self.sensors) if place not in some}
        heard = evidence.blower if evidence.blower != before.blower else ""  # each time it is said it counts once
        stood = self._physics.faults(story.world) if story.world and begun else None
        best = None
        for world, oddities in self._possible(readings):
            cost = self._surprise(story, world, oddities, now_s)
            if stood is not None:
                at_once = begun + any(name and name not in stood for name, _ in oddities)
                cost += (at_once - 1) * limits.TRUST.coincidence.value
            if heard == "asks" and not world.demand:
                cost += limits.TRUST.fan_set_on.value
            elif heard == "stopped" and world.demand:
                cost += limits.TRUST.stopped_with_call.value
            if "compressor_a" in known:
                cost += self._amiss(world, evidence)
            elif "load" in known:
                cost += self._runs_on(world, evidence)  # contacts that are seen open drive no compressor
            if best is None or cost < best[0] - limits.MOMENT_S.value:
                best = cost, world, oddities
            elif cost < best[0] + limits.MOMENT_S.value and _moves(story.world, world) < _moves(story.world, best[1]):
                best = best[0], world, oddities  # what nobody reads by now is as it was
        if best is None:
            return story._replace(cost=story.cost + limits.TRUST.impossible.value)
        cost, world, oddities = best
        cost += moved * limits.TRUST.change.value
        return self._moved(story, world, frozenset(name for name, _ in oddities if name), cost, now_s)

    def _amiss(self, world: ReadWorld, evidence: Evidence) -> float:
        """What it costs that fan, supply or the air are not as the compressor's current shows them to be."""
        if evidence.standing and not world.supply:
            return limits.TRUST.impossible.value
        cost = limits.TRUST.impossible_fan.value
        if evidence.cooled and not world.fan:
            # In such weather no defrost and no board holds it off.
            return cost + self._physics.rest_cost
        if (evidence.heated and world.fan) or (evidence.air and not world.compressor):
            return cost
        return self._runs_on(world, evidence)

    @staticmethod
    def _runs_on(world: ReadWorld, evidence: Evidence) -> float:
        """What it costs that the fan runs behind open contacts for longer than any board lets it."""
        amiss = evidence.rested and world.fan and not world.contacts
        return limits.TRUST.impossible_fan.value if amiss else 0.0

    def _surprise(
        self, story: SensorStory, world: ReadWorld, oddities: Sequence[tuple[str, float]], now_s: float
    ) -> float:
        """What it costs that the unit goes over from the story's state to this one."""
        cost, was = 0.0, story.world
        standing = self._physics.faults(was) if was else frozenset()
        for name, begins in oddities:
            if not name:
                cost += begins
            elif name == "welded" and was is not None and not was.contacts:
                # Contacts that are open close by a pull, or by somebody's hand; those behind which the compressor
                # stopped on its own protector were never open.
                stayed = self.tripped and "welded" in story.faults
                cost += 0.0 if stayed else limits.TRUST.pushed.value
            elif name in standing:
                continue
            elif name == "compressor-off" and self._trips(story, world, now_s):
                cost += limits.TRUST.designed.value if name not in story.faults else 0.0
            elif name not in story.faults:
                cost += begins
            elif name in LASTING and self._whole_run(story, world, now_s):
                # A fault that lets the unit do a whole run in between, and comes back.
                cost += limits.TRUST.heals.value
                if name == "call-cut" and self._own_run(story, now_s):
                    cost += limits.TRUST.own_run.value
        if world.demand and lasted(story.satisfied_s, now_s, self.pause_s):
            # A thermostat that was satisfied as soon as ever, and nothing had cooled.
            cost += limits.TRUST.satisfied.value
        return cost

    def _trips(self, story: SensorStory, world: ReadWorld, now_s: float) -> bool:
        """Whether the compressor trips on its own protector by what is known already: what was driven without a call,
        and maybe without its fan; what drew far too much without its fan, again and again; or what was fed again before
        its pressures were even."""
        hasty = not self._rested(story, world, now_s)
        return hasty or "welded" in story.faults or (self.tripped and "fan-off" in story.faults and not world.fan)

    def _rested(self, story: SensorStory, world: ReadWorld, now_s: float) -> bool:
        """Whether the contacts had been open for as long as a thermostat rests before they closed."""
        if world.contacts and story.closed_s == inf:
            return lasted(story.opened_s, now_s, self.pause_s)
        return story.rested

    def _moved(
        self, story: SensorStory, world: ReadWorld, faults: frozenset[str], cost: float, now_s: float
    ) -> SensorStory:
        demand_s = story.demand_s if world.demand and story.world and story.world.demand else inf
        closed_s = story.closed_s if world.contacts and story.world and story.world.contacts else inf
        opened_s, rested = story.opened_s, self._rested(story, world, now_s)
        if not world.contacts and story.world is not None and story.world.contacts:
            opened_s = now_s
        # It is asked of the next time that a fault comes back.
        long_run = self._whole_run(story, world, now_s) and not self._lasting(world)
        satisfied_s = inf if world.demand else story.satisfied_s
        if story.world is not None and story.world.demand and not world.demand:
            cooled = NO_COOLING.isdisjoint(self._physics.faults(story.world))
            held_s = now_s - story.demand_s
            usual = limits.TRUST.satisfied_least_s.value <= held_s <= limits.TRUST.satisfied_most_s.value
            # A call that was back sooner than a thermostat calls again ends with what cuts it.
            usual = usual and story.rested and lasted(self.stalled_s, now_s, limits.EPISODE_S.value)
            satisfied_s = now_s if usual and not cooled else inf
        return SensorStory(
            story.cost + cost,
            world,
            story.faults | faults,
            now_s if world.demand and demand_s == inf else demand_s,
            now_s if world.contacts and closed_s == inf else closed_s,
            opened_s,
            rested,
            long_run,
            long_run and self._own_run(story, now_s),
            satisfied_s,
        )

    def _lasting(self, world: ReadWorld) -> bool:
        """A fault stands that would last for more than one run."""
        return not LASTING.isdisjoint(self._physics.faults(world))

    def _whole_run(self, story: SensorStory, world: ReadWorld, now_s: float) -> bool:
        """Whether a whole run has been done by now since a fault last stood, after a rest as a thermostat makes."""
        if story.long_run or story.world is None or world.contacts or not story.world.contacts:
            return story.long_run
        # A run in which it did not cool is none in which its fault was away.
        cooled = NO_COOLING.isdisjoint(self._physics.faults(story.world))
        if not cooled:
            return False
        rest_s, run_s = story.closed_s - story.opened_s, now_s - story.closed_s
        if story.rested and lasted(story.closed_s, now_s, limits.TRUST.whole_run_s.value):
            return not self._own.unlike(rest_s, run_s)
        return self._own.alike(rest_s, run_s)  # as short as this thermostat's own are

    def _own_run(self, story: SensorStory, now_s: float) -> bool:
        """Whether the whole run that has been done by now, and the rest before it, are as the thermostat makes them."""
        if story.long_run or story.closed_s == inf:
            return story.own_run
        return self._own.alike(story.closed_s - story.opened_s, now_s - story.closed_s)

    def _possible(self, readings: tuple[Reading, ...]) -> tuple[tuple[ReadWorld, tuple[tuple[str, float], ...]], ...]:
        """The states that these readings leave, each with its oddities, the least odd first. Readings of one part that
        differ from each other leave both."""
        found = self._states.get(readings)
        if found is None:
            if len(self._states) >= limits.TRUST.states_kept.value:
                self._states.clear()  # met over months in all their combinations, they would never stop growing
            found = self._states[readings] = tuple(self._enumerate(readings))
        return found

    def _enumerate(self, readings: tuple[Reading, ...]) -> list[tuple[ReadWorld, tuple[tuple[str, float], ...]]]:
        said: dict[str, set[bool]] = {}
        for witness, value in zip(self._witnesses, readings, strict=True):
            if value is not None:
                said.setdefault(witness.part, set()).add(value)
        loads = said.pop("load", {False, True})
        rows = []
        for values in product(*(sorted(said.get(name, {True, False}), reverse=True) for name in _FIELDS)):
            world = ReadWorld(*values)
            if world.load not in loads:
                continue
            oddities = [*self._physics.oddities(world)]
            oddities += [("", limits.TRUST.impossible.value)] * sum(len(both) > 1 for both in said.values())
            rows.append((sum(cost for _, cost in oddities), world, tuple(oddities)))
        rows.sort(key=lambda row: row[0])
        return [(world, oddities) for _, world, oddities in rows]

    # ------------------------------------------------------------ out

    def _judge(self) -> bool:
        """Name the sensors without which the best story cannot do."""
        best = min(self._stories, key=lambda some: self._stories[some].cost)
        doubtful: set[int] = set()
        for place in best:
            otherwise = min(story.cost for some, story in self._stories.items() if place not in some)
            if otherwise - self._stories[best].cost >= limits.TRUST.margin.value:
                doubtful.add(place)
        if best and not doubtful:
            # Two explanations are as good as each other: whoever is in one of them is in doubt.
            near = self._stories[best].cost + limits.TRUST.margin.value
            if self._stories[frozenset()].cost >= near:
                doubtful = {place for some, story in self._stories.items() if story.cost < near for place in some}
        was, self._liars = self._liars, frozenset(self.sensors[place] for place in doubtful)
        self._name_distrusted()
        self.memory = [
            LiarMemory(liars=tuple(self.sensors[place] for place in sorted(some)), cost=round(story.cost, 3))
            for some, story in self._stories.items()
            if not self._calm and (story.cost < self._prior[some] or not some)
        ]
        return self._liars != was

    def _recall(self, memory: Iterable[LiarMemory]) -> None:
        places = {name: place for place, name in enumerate(self.sensors)}
        for row in memory:
            some = frozenset(places[name] for name in row.liars if name in places)
            if len(some) == len(row.liars) and some in self._stories:
                self._stories[some] = self._stories[some]._replace(cost=row.cost)
                self._calm = False
        if not self._calm:
            self._judge()
