"""What truly happens to a simulated unit, from the state of its parts alone: no reading, no engine.

The conditions are those of the contract's table of findings, written out once more from its text, and held against
volts, amperes and switches as they are. Each has two strengths: what *could* be told without being untrue, and what
*must* be told by whoever has the sensors for it. In between lies the borderline, where both silence and the finding are
right.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Sequence
from functools import lru_cache
from itertools import pairwise
from math import inf

from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import Design
from condenser_monitor.sim.unit import CondensingUnit, Surroundings
from condenser_monitor.sim.world import World

PRESENT_24V, PRESENT_LINE_V, WEAK_V = 12.0, 62.0, 20.4  # knees of the boards' inputs; 85 % of 24 V (contract.md)
_HOUR_S, _DAY_S = 3600.0, 86400.0
_CALL, _AMPS = "call", "compressor_a"

# Finding -> the readings that it takes to see it, and how long its condition must hold, s (contract.md, Findings). For
# a finding that several sets show, each set.
NEEDS: dict[str, tuple[tuple[str, ...], ...]] = {
    "call-without-pull-in": ((_CALL, "load"),),
    "call-without-run": ((_CALL, _AMPS),),
    "pull-in-without-run": (("load", _AMPS, "fan_a"),),
    "compressor-not-running": ((_CALL, _AMPS, "fan_a"), ("load", _AMPS, "fan_a")),
    "fan-not-running": ((_CALL, _AMPS, "fan_a"), ("load", _AMPS, "fan_a")),
    "locked-rotor": ((_AMPS,),),
    "overload-cycling": (("load", _AMPS),),
    "contacts-stuck-closed": ((_CALL, _AMPS), (_CALL, "load")),
    "contactor-chatter": ((_CALL, "load"),),
    "low-control-voltage": ((_CALL, "control_v"),),
    "line-supply-lost": (("supply",),),
    "control-power-lost": (("control_power",),),
    "call-not-reaching-unit": ((_CALL, "thermostat"),),
    "call-without-thermostat": ((_CALL, "thermostat"),),
    "short-cycling": ((_AMPS,),),
    "high-running-current": ((_AMPS,),),
    "low-running-current": ((_AMPS, "outdoor_c"),),
    "slow-start": ((_AMPS,),),
    "long-run": ((_AMPS,),),
    "no-call-in-heat": ((_CALL, "outdoor_c"),),
    "overdue-call": ((_CALL, "outdoor_c"),),
    "low-line-voltage": (("line_v",),),
    "high-line-voltage": (("line_v",),),
    "run-capacitor-weak": (("line_v", "start_winding_a"),),
    "not-cooling": (("return_air_c", "supply_air_c"), ("suction_c", "liquid_c")),
    "low-split": (("return_air_c", "supply_air_c"),),
    "high-split": (("return_air_c", "supply_air_c"),),
    "hot-discharge": (("discharge_c",),),
    "sensing-disagrees": ((_CALL,),),
    "sensor-silent": ((_CALL,),),
}
HOLD_S: dict[str, float] = {
    "call-without-pull-in": 10.0,
    "call-without-run": 30.0,
    "pull-in-without-run": 15.0,
    "compressor-not-running": 30.0,
    "fan-not-running": 30.0,
    "locked-rotor": 1.5,
    "contacts-stuck-closed": 10.0,
    "low-control-voltage": 5.0,
    "line-supply-lost": 10.0,
    "control-power-lost": 10.0,
    "call-not-reaching-unit": 30.0,
    "call-without-thermostat": 30.0,
    "high-running-current": 600.0,
    "low-running-current": 600.0,
    "long-run": 6 * _HOUR_S,
    "low-line-voltage": 30.0,
    "high-line-voltage": 30.0,
    "not-cooling": 180.0,  # after so many seconds of the run as below
    "low-split": 1200.0,
    "high-split": 1200.0,
    "hot-discharge": 300.0,
}
# How long after it was so a finding may still be raised: patterns and learned normals look back.
_LATE_S = dict.fromkeys(("short-cycling", "overload-cycling", "slow-start", "run-capacitor-weak"), 3 * _HOUR_S)
_HUMS = 0.1  # of the rated current: more than a sound unit at rest draws
_FAST = ("short-cycling", "overload-cycling", "contactor-chatter", "locked-rotor")  # what slow scans do not show
_LATE_S |= dict.fromkeys(("sensing-disagrees", "sensor-silent", "overdue-call", "no-call-in-heat"), 2 * _DAY_S)


@lru_cache(maxsize=64)
def sound_amps(design: Design, second: bool) -> tuple[tuple[float, float], ...]:
    """Running current of the same unit without a fault, settled, at some outdoor temperatures: (C, A) rows."""
    rows = []
    for outdoor_c in (15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0):
        unit = CondensingUnit(design, Condition(), outdoor_c)
        around = Surroundings(service_v=design.line_v, outdoor_c=outdoor_c, indoor_c=25.5)
        around.thermostat_ohm, around.second, now_s = 0.1, second, 0.0
        while now_s < 900.0 + design.delay_on_make_s:
            step_s = max(1e-6, unit.patience_s())
            unit.step(step_s, now_s, around)
            now_s += step_s
        rows.append((outdoor_c, unit.compressor_a))
    return tuple(rows)


def _lately(times_s: Sequence[float], least: int, from_s: float) -> bool:
    """Whether so many of some times, in order, lie at `from_s` or later."""
    return len(times_s) >= least and times_s[-least] >= from_s


def _between(rows: tuple[tuple[float, float], ...], x: float) -> float:
    x = min(max(x, rows[0][0]), rows[-1][0])
    for (x0, y0), (x1, y1) in pairwise(rows):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return rows[-1][1]


class Held:
    """How long a condition has held: `since_s` now, `longest_s` after the fault began, `last_s` when it last had held
    for half of its delay."""

    __slots__ = ("last_s", "longest_s", "since_s")

    def __init__(self) -> None:
        self.since_s: float | None = None
        self.longest_s = 0.0
        self.last_s = -inf

    def update(self, so: bool, now_s: float, least_s: float, from_s: float, began_s: float) -> None:
        """The condition as it is at a time; where it is new, it has been so since `began_s`."""
        if not so:
            self.since_s = None
            return
        if self.since_s is None:
            self.since_s = began_s
        if now_s - self.since_s >= 0.5 * least_s:
            self.last_s = now_s
        if now_s >= from_s:
            self.longest_s = max(self.longest_s, now_s - max(self.since_s, from_s))


class Truth:
    """Watches a world whose fault begins at `broken_s`; `look` is asked at each of its changes and every few seconds.

    `lying_s`: from when on one of the monitor's own sensors lies (inf: none); `fitted`: the sensors that there are;
    `holes`: cells of its recording are missing.
    """

    def __init__(
        self,
        world: World,
        broken_s: float,
        *,
        lying_s: float = inf,
        fitted: Collection[str] = tuple(READINGS),
        holes: bool = False,
    ) -> None:
        self.world, self.broken_s, self.lying_s, self.fitted, self.holes = world, broken_s, lying_s, fitted, holes
        self.could: dict[str, Held] = {name: Held() for name in NEEDS}
        self.must: dict[str, Held] = {name: Held() for name in NEEDS}
        design = world.plan.design
        self._closed_from = (0.25 if design.kind != "variable-speed" else 0.08) * design.compressor_rla_a
        self._starts: deque[float] = deque(maxlen=40)
        self._short_runs = self._short_rests = self._own_stops = 0
        self._ran, self._began_s, self._stopped_s = False, -inf, -inf
        self._switched: deque[float] = deque(maxlen=12)
        self._call_switched: deque[float] = deque(maxlen=12)
        self._called = False
        self._was_closed = False
        self._closings = 0
        self._tripped: deque[float] = deque(maxlen=8)
        self._settled_from_s = self._drawn_from_s = inf
        self._quiet_since_s, self._has_called = 0.0, False
        self._hot_s = 0.0
        self._last_s = 0.0
        self._slow: deque[bool] = deque(maxlen=5)
        self._curves = 0

    # ------------------------------------------------------------ what is so

    def look(self) -> None:
        """Take in the world as it stands."""
        now_s, world = self.world.t_s, self.world
        unit, design, condition = world.unit, world.plan.design, world.condition
        call = unit.unit_v >= PRESENT_24V
        supply, closed = unit.supply_v >= PRESENT_LINE_V, unit.load_v >= PRESENT_LINE_V
        runs = unit.compressor_a >= self._closed_from and unit.load_v > 0.0
        fan = unit.fan_a >= 0.25 * design.fan_fla_a
        self._follow_runs(now_s, runs=runs, closed=closed)
        waits = max(design.delay_on_make_s, 0.0) if call else 0.0
        waiting = call and (unit.relay_s < waits or unit.rest_s < design.delay_on_break_s)
        # What makes and breaks by the second is seen in either state, by whoever looks seldom.
        chatter = _lately(self._switched, 6, now_s - 10.0)
        asked = call and not waiting
        touching = unit.contactor.contacts_closed
        for finding, so in (
            ("call-without-pull-in", asked and unit.panel_v > 100 and not closed),
            # Nothing runs as far as anybody looks: whether a fan turns that is not sensed, nobody can say.
            ("call-without-run", asked and not runs and not (fan and "fan_a" in self.fitted)),
            ("pull-in-without-run", touching and not runs and not fan),
            ("compressor-not-running", (closed or (call and fan)) and fan and not runs),
        ):
            self._set(finding, so or chatter, now_s, so)
        self._set("fan-not-running", runs and not fan and not world.around.heating, now_s)
        locked = unit.compressor_a >= 0.6 * design.compressor_lra_a and unit.compressor.motion.value == "moving"
        self._set("locked-rotor", locked, now_s)
        self._set("contacts-stuck-closed", not call and (closed or runs), now_s)
        weak = call and unit.unit_v < WEAK_V * 1.02
        self._set("low-control-voltage", weak or chatter, now_s, weak and unit.unit_v < WEAK_V * 0.97)
        self._set("line-supply-lost", not supply, now_s)
        self._set("control-power-lost", unit.rc_v < PRESENT_24V, now_s)
        self._way_of_the_call(now_s, call)
        share = unit.supply_v / design.primary_v - 1.0
        settled = now_s >= self._settled_from_s
        steady = supply and (settled or not runs)
        # Low volts under a run that has not settled are low all the same; to be told they must last beyond it.
        self._set("low-line-voltage", supply and share < -0.075, now_s, steady and share < -0.09)
        self._set("high-line-voltage", steady and share > 0.05, now_s, share > 0.065)
        self._set("long-run", runs, now_s)
        self._currents(now_s, settled)
        self._heat_moved(now_s, settled)
        self._calls(now_s, call)
        patterns = self._short_runs >= 3 or self._short_rests >= 3 or _lately(self._starts, 11, now_s - _HOUR_S)
        self._set("short-cycling", patterns, now_s)
        tripped = _lately(self._tripped, 2, now_s - 1.5 * _HOUR_S)
        self._set("overload-cycling", tripped, now_s, self._own_stops >= 2)
        self._set("contactor-chatter", chatter, now_s)
        self._set("slow-start", sum(self._slow) >= 3 or condition.run_capacitor < 0.8, now_s, sum(self._slow) >= 5)
        left = condition.run_capacitor
        self._set("run-capacitor-weak", settled and left < 0.95, now_s, left < 0.85)
        senses = [sense for name, sense in condition.senses.items() if name in self.fitted]
        faulty = bool(senses) or now_s >= self.lying_s
        silent = any(sense.unplugged or sense.stuck for sense in senses)
        holes = self.holes or condition.bus_errors > 0.0 or condition.lost_scans > 0.05
        # What sticks at what it would say anyhow shows to nobody.
        self._set("sensing-disagrees", faulty, now_s, bool(senses))
        self._set("sensor-silent", silent or holes, now_s, silent)
        self._last_s = now_s

    def _set(self, finding: str, so: bool, now_s: float, clearly: bool = True) -> None:
        could = self.could[finding]
        if not so and could.since_s is None:
            return  # nor must it: what is clearly so, is so
        least_s = HOLD_S.get(finding, 0.0)
        # It may have become so at any time since the last look: one finding may not be untrue, another not demanded.
        could.update(so, now_s, least_s, self.broken_s, self._last_s)
        self.must[finding].update(so and clearly, now_s, least_s, self.broken_s, now_s)

    def _way_of_the_call(self, now_s: float, call: bool) -> None:
        """From the thermostat's output to the unit; one that makes and breaks by the second may be told as cut."""
        unit = self.world.unit
        asks = unit.indoor_y_v >= PRESENT_24V
        self._call_switched.extend([now_s] * (call is not self._called))
        self._called = call
        blinks = asks and sum(now_s - at_s <= 10.0 for at_s in self._call_switched) >= 6
        cut = asks and not call and unit.rc_v >= PRESENT_24V
        self._set("call-not-reaching-unit", cut or blinks, now_s, cut)
        self._set("call-without-thermostat", call and not asks, now_s)

    def _follow_runs(self, now_s: float, *, runs: bool, closed: bool) -> None:
        if self.world.unit.compressor_a < _HUMS * self.world.plan.design.compressor_rla_a or not closed:
            self._drawn_from_s = now_s + 300.0
        closings = self.world.unit.contactor.closings
        self._switched.extend([now_s] * (2 * (closings - self._closings)))
        self._closings = closings
        if closed is not self._was_closed:
            self._was_closed = closed
            self._own_stops = 0
        if runs is self._ran:
            return
        self._ran = runs
        if runs:
            self._short_rests = self._short_rests + 1 if now_s - self._stopped_s < 180.0 else 0
            self._began_s, self._settled_from_s = now_s, now_s + 300.0
            self._starts.append(now_s)
        else:
            self._short_runs = self._short_runs + 1 if now_s - self._began_s < 120.0 else 0
            self._own_stops += closed
            if closed:
                self._tripped.append(now_s)
            self._stopped_s, self._settled_from_s = now_s, inf
        curves = self.world.unit.compressor.starts
        for curve in curves[self._curves :]:
            self._slow.append(curve.duration_s is None or curve.duration_s > 0.26)
        self._curves = len(curves)

    def _draws(self, now_s: float, settled: bool) -> bool:
        """Whether current has flowed for as long as settles a run. A winding that is left alone hums through the
        capacitor: whether that is a run is for the monitor to say."""
        return settled or now_s >= self._drawn_from_s

    def _currents(self, now_s: float, settled: bool) -> None:
        unit, design = self.world.unit, self.world.plan.design
        over = unit.compressor_a / design.compressor_rla_a
        if design.kind == "variable-speed":
            ratio = 1.0
        else:
            ratio = unit.compressor_a / _between(sound_amps(design, unit.gas.stage >= 1.0), self.world.outdoor_c)
        high, low = ratio > 1.07 or over > 1.05, ratio < 0.8
        self._set("high-running-current", settled and high, now_s, ratio > 1.2 or over > 1.15)
        low = low and self._draws(now_s, settled)
        self._set("low-running-current", low, now_s, settled and ratio < 0.65)

    def _heat_moved(self, now_s: float, settled: bool) -> None:
        """Cooling against what a sound unit gives: the split follows it, and the air that takes it."""
        gas, condition = self.world.unit.gas, self.world.condition
        self._set("hot-discharge", gas.discharge_c > 104.0, now_s, gas.discharge_c > 109.0)
        share = gas.cooling_share / max(gas.stage, 0.05)
        air = condition.indoor_air() if self.world.unit.indoor.blower else 0.0
        long = now_s - self._began_s >= 900.0
        none = self._draws(now_s, settled) and (share < 0.55 or air < 0.3)
        self._set("not-cooling", none, now_s, settled and long and share < 0.15)
        self._set("low-split", settled and share < 0.95 * min(1.0, air + 0.3), now_s, share < 0.55)
        self._set("high-split", settled and air < 0.85, now_s, air < 0.55)

    def _calls(self, now_s: float, call: bool) -> None:
        if call:
            self._quiet_since_s = now_s
            self._hot_s = 0.0
            self._has_called = True
        elif self.world.outdoor_c > 31.5:
            self._hot_s += now_s - self._last_s
        day_s = now_s + self.world.plan.start_hour * _HOUR_S
        meant_c = self.world.thermostat.set_point_c(day_s) - self.world.condition.set_offset_k
        wants = self.world.house.air_c > meant_c + 1.0
        quiet_s = now_s - self._quiet_since_s
        no_call = quiet_s > 7.5 * _HOUR_S and self._hot_s > 2.5 * _HOUR_S
        # Whether it is used at all nobody can know who has not seen it called.
        self._set("no-call-in-heat", no_call, now_s, self._has_called and no_call and quiet_s > 24 * _HOUR_S)
        long = self._has_called and wants and quiet_s > 36 * _HOUR_S
        self._set("overdue-call", wants and quiet_s > 2 * _HOUR_S, now_s, long)

    # ------------------------------------------------------------ what was right to say

    def bears_out(self, finding: str, t_s: float, scan_s: float) -> bool:
        """Whether a finding that was raised at `t_s`, at scans `scan_s` apart, was no untruth. Ask while it is fresh:
        at the scan that raised it."""
        late_s = _LATE_S.get(finding, 300.0) + 3 * scan_s + HOLD_S.get(finding, 0.0)
        return finding not in self.could or t_s - self.could[finding].last_s <= late_s

    def is_dead(self, sense: str) -> bool:
        """Whether this sensor of the monitor's own is unplugged or hangs by now."""
        condition = self.world.condition.senses.get(sense)
        return condition is not None and (condition.unplugged or condition.stuck)

    def due(self, fitted: Collection[str], scan_s: float, *, starts: bool) -> tuple[str, ...]:
        """The findings that these sensors, read this often, must have shown since the fault began; `starts` are
        captured or not."""
        unseen = _FAST if scan_s >= 10.0 else ()
        return tuple(
            finding
            for finding, held in self.must.items()
            if finding not in unseen
            and (starts or finding != "slow-start")
            and any(all(name in fitted for name in needs) for needs in NEEDS[finding])
            and held.last_s >= self.broken_s
            and held.longest_s >= HOLD_S.get(finding, 0.0) + 4 * scan_s
        )
