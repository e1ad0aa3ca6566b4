"""What a run achieves: the heat that it moves and the run capacitor's microfarads, held against the unit's own normal.

Means of a minute of run go in, answers of three values come out: True, False, or None where a run at rest or too few
sensors tell nothing. The split is the air's across the indoor coil, or the pipes' at the outdoor unit where no air is
sensed. Its normal is a plane over outdoor and return temperature, learned from this unit's sound minutes: what is
normal differs with the house's humidity and airflow, so there is no figure to fall back on before it is learned.

Microfarads are what the current through the capacitor gives at the volts across it, I / (2 pi f V): 2652 I / V at
60 Hz (common practice). The capacitor stands at more than the line's volts, as start winding and line add up; their
ratio is taken at commissioning (`[unit] capacitor_volts_ratio`), or the unit's first runs stand for its normal.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import inf, pi, sqrt
from statistics import median
from typing import Any, NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.minutes import MinuteMeans, heats
from condenser_monitor.monitor.baselines.regression import least_squares
from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.inputs import lasted
from condenser_monitor.monitor.core.load_state import MemoryPart
from condenser_monitor.monitor.core.records import Evidence, StartTransient

Answer = bool | None
Means = Mapping[str, float | None]


# ---------------------------------------------------------------- figures derived from readings


def power_factor(means: Means) -> float | None:
    """Return real over apparent power (IEEE 1459); None where one of the three readings is missing or nothing flows."""
    watts, volts, amps = means.get("compressor_w"), means.get("line_v"), means.get("compressor_a")
    return min(1.0, watts / (volts * amps)) if watts is not None and volts and amps else None


def apparent_uf(means: Means, unit: Unit) -> float | None:
    """Return the microfarads that the start winding's current needs at the line's volts; None where one is missing.

    No current is no small capacitor: without one the motor would not have started. The clamp is off, or a drive feeds
    the motor and there is no run capacitor. The turning rotor adds to the capacitor's volts, and less so under load:
    where power is sensed, watts over volts squared bring the current back to that of one load.
    """
    amps, volts, watts = means.get("start_winding_a"), means.get("line_v"), means.get("compressor_w")
    if amps is None or amps < limits.START_WINDING_NONE_A.value or not volts:
        return None
    found = amps / (2 * pi * unit.line_hz * volts) * 1e6
    if watts is None:
        return found
    rated = limits.RATED_LOAD_RATIO.value * unit.compressor_rla_a / unit.line_v
    return found * (1.0 + limits.START_WINDING_LOAD.value * (watts / volts**2 / rated - 1.0))


def air_split_k(means: Means) -> float | None:
    """Return the air's fall across the indoor coil, K."""
    before, after = means.get("return_air_c"), means.get("supply_air_c")
    return None if before is None or after is None else before - after


def pipe_split_k(means: Means) -> float | None:
    """Return how much warmer the small pipe is than the large one, K."""
    liquid, suction = means.get("liquid_c"), means.get("suction_c")
    return None if liquid is None or suction is None else liquid - suction


def air_contradicted(minute: MinuteMeans, unit: Unit, least_k: float) -> bool:
    """Return whether the air is said to pass the indoor coil as it came, though the blower drives it over a coil that
    boils refrigerant as a sound unit's does: large pipe cool and not freezing, small pipe warm, current normal. Then
    one of the air's two sensors lies. A coil without air freezes, and one without refrigerant leaves the large pipe
    warm."""
    split_k = air_split_k(minute.readings)
    if split_k is None or split_k >= least_k or not minute.blower or not minute.sound:
        return False
    seen = observed(minute.readings, unit)
    return seen.get("large-pipe") == "cool" and seen.get("small-pipe") == "warm"


# ---------------------------------------------------------------- what is remembered


class SplitPoint(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One sound stretch: temperatures in C, split in K."""

    outdoor_c: float
    return_c: float
    split_k: float


class PerformanceMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What survives a restart: points of the split, by air or by pipes, and microfarads of the first and last runs."""

    air: list[SplitPoint] = []
    pipes: list[SplitPoint] = []
    first_uf: list[float] = []
    last_uf: list[float] = []


_OF_SEVERAL_RUNS = (
    "start-sag",
    "capacitor-load",
    "winding-load",
)  # what a run too short to settle does not put out of date
PERFORMANCE_MEMORY = MemoryPart("performance", 1, PerformanceMemory, what="what runs achieve")


class Performance:
    """Watches the runs of one unit. `memory` is what `memory` of an earlier one held."""

    def __init__(self, settings: Settings, memory: PerformanceMemory | None = None) -> None:
        self._settings = settings
        self.alike = settings.unit.kind == "single-stage"  # runs move the same heat, as far as is declared or known
        self._ratio = settings.unit.capacitor_volts_ratio or 1.0
        self.memory = memory or PerformanceMemory()
        self._uf: list[float] = []
        self._outside: dict[str, float] = {}  # finding -> since when its minutes have been so, s
        # Whether each of the four findings holds; None: not known.
        self.answers: dict[str, Answer] = dict.fromkeys(
            ("not-cooling", "low-split", "high-split", "run-capacitor-weak")
        )
        self.evidence: dict[str, Evidence] = {}  # finding -> the figures that go with it
        self._point_s = -limits.PERFORMANCE.point_every_s.value
        self._plane: _Plane | None = None
        self.seen: dict[str, str] = {}  # what the last runs say, in the symbols of the checks that show the same
        self._split_of: tuple[str, ...] = ()  # the readings that the last split was made of
        self._run_s: float | None = None  # since when the last minute's run lasts, and whether it has settled
        self._settled = False
        if self.memory.last_uf:
            self._judge_capacitor()

    # ------------------------------------------------------------ in

    def add_minute(self, minute: MinuteMeans) -> bool:
        """Add one minute, of run or rest; whether an answer has changed by it."""
        was = dict(self.answers)
        if any(minute.readings.get(name) is None for name in self._split_of):
            self._forget_split()  # also where one is not believed any more
        if minute.running_since_s != self._run_s:
            if self._run_s is not None and not self._settled:
                # A run too short to settle: what the one before it showed is not the last any more.
                self.seen = {name: symbol for name, symbol in self.seen.items() if name in _OF_SEVERAL_RUNS}
            self._run_s, self._settled = minute.running_since_s, False
        if minute.running_since_s is None:
            self._end_run()
            return self.answers != was
        # The capacitor's current waits for no pressure: runs of five minutes, as a thermostat of six an hour makes
        # them, tell of it as well.
        if lasted(minute.running_since_s, minute.began_s, limits.PERFORMANCE.capacitor_after_s.value):
            value = apparent_uf(minute.readings, self._settings.unit)
            if value is not None:
                self._uf.append(value)
        if minute.settled:
            self._settled = True
            self._add_settled(minute)
        else:
            self._outside.clear()  # what must be so without a break is counted from the run's next settled minute
        return self.answers != was

    def _add_settled(self, minute: MinuteMeans) -> None:
        outdoor_c = minute.readings.get("outdoor_c")
        cold = outdoor_c is None or outdoor_c < limits.BASELINES.heat_pump_from_c.value
        if cold and heats(self._settings.unit, minute.readings):
            return  # the pipes change their parts, and the split its sign; in the heat it would be a stuck valve
        self._judge_heat(minute)
        self.seen |= observed(minute.readings, self._settings.unit)

    def add_start(self, start: StartTransient) -> None:
        """Add a captured start: how far the line sagged under it."""
        if start.before_v and start.lowest_v is not None:
            sag = 1.0 - start.lowest_v / start.before_v
            self.seen["start-sag"] = "deep" if sag > limits.PERFORMANCE.sag_deep.value else "usual"

    def _end_run(self) -> None:
        """Close the run: its microfarads are the median of its minutes."""
        self._outside.clear()
        for name in ("not-cooling", "low-split", "high-split"):
            if not self.answers[name]:
                self.answers[name] = None
        uf, self._uf = self._uf, []
        if len(uf) >= limits.PERFORMANCE.run_minutes.value:
            kept = self.memory
            value = round(median(uf), 3)
            if len(kept.first_uf) < limits.PERFORMANCE.first_runs.value:
                kept.first_uf.append(value)
            kept.last_uf.append(value)
            del kept.last_uf[: -int(self._settings.limit(limits.RUN_CAPACITOR_WEAK.runs))]
            self._judge_capacitor()

    def reset(self) -> None:
        """Forget what was normal: a part was replaced, or the refrigerant circuit or a coil was worked on."""
        self.memory = PerformanceMemory()
        self._uf, self._plane, self.seen = [], None, {}
        self.answers = dict.fromkeys(self.answers)

    # ------------------------------------------------------------ the capacitor

    def usual_uf(self) -> float | None:
        """What was usual in the unit's first runs, uF: absolute where the ratio of volts is known, else apparent; None
        until there are enough of them."""
        first = self.memory.first_uf
        return median(first) / self._ratio if len(first) >= limits.PERFORMANCE.usual_runs.value else None

    def _judge_capacitor(self) -> None:
        settings, unit = self._settings, self._settings.unit
        share = settings.limit(limits.RUN_CAPACITOR_WEAK.ratio)
        known = unit.run_capacitor_uf if unit.capacitor_volts_ratio else 0.0
        bounds = [bound for bound in (known, self.usual_uf()) if bound]
        last = [value / self._ratio for value in self.memory.last_uf]
        evidence: Evidence = {"microfarads": round(last[-1], 1)}
        if bounds:
            evidence["usual_microfarads"] = round(max(bounds), 1)
        self.evidence["run-capacitor-weak"] = evidence
        self.seen.pop("winding-load", None)
        if not bounds or len(last) < settings.limit(limits.RUN_CAPACITOR_WEAK.runs):
            self.answers["run-capacitor-weak"] = None
            self.seen.pop("capacitor-load", None)
        else:
            weak = self.answers["run-capacitor-weak"] = all(value < share * max(bounds) for value in last)
            self.seen["capacitor-load"] = "weak" if weak else "good"
            stays = last[-1] > limits.PERFORMANCE.start_capacitor_ratio.value * max(bounds)
            self.seen |= {"winding-load": "over"} if stays else {}

    # ------------------------------------------------------------ the heat

    def _judge_heat(self, minute: MinuteMeans) -> None:
        if air_contradicted(minute, self._settings.unit, self._settings.limit(limits.NOT_COOLING.air_k)):
            without = dict.fromkeys(("return_air_c", "supply_air_c"))
            minute = msgspec.structs.replace(minute, readings={**minute.readings, **without})
        means, (air_k, pipes_k) = minute.readings, (air_split_k(minute.readings), pipe_split_k(minute.readings))
        split_k = pipes_k if air_k is None else air_k
        if split_k is None or minute.running_since_s is None:
            return
        self._split_of = ("liquid_c", "suction_c") if air_k is None else ("return_air_c", "supply_air_c")
        least_k = limits.NOT_COOLING.air_k if air_k is not None else limits.NOT_COOLING.pipes_k
        evidence: Evidence = {"split_k": round(split_k, 1)}
        normal_k = self.normal_split_k(means)
        if normal_k is not None:
            evidence["normal_split_k"] = round(normal_k, 1)
        self.evidence |= dict.fromkeys(("not-cooling", "low-split", "high-split"), evidence)
        nothing = split_k < self._settings.limit(least_k)
        long = lasted(minute.running_since_s, minute.ended_s, self._settings.limit(limits.NOT_COOLING.run_s))
        self._outlasts("not-cooling", minute.ended_s, nothing and long, limits.PERFORMANCE.sure_s.value)
        if normal_k is None:
            self._learn(minute, split_k)
            return
        sd_k = 0.0 if self._plane is None else self._plane.sd_k
        slack_k = max(limits.PERFORMANCE.slack_k.value, limits.PERFORMANCE.slack_sd.value * sd_k)
        low = split_k < min(normal_k * self._settings.limit(limits.LOW_SPLIT.ratio), normal_k - slack_k)
        high = split_k > max(normal_k * self._settings.limit(limits.HIGH_SPLIT.ratio), normal_k + slack_k)
        # A unit with stages or a drive moves more heat at full speed, by design, than in the runs it was learned from.
        blocked = high and self.alike and not self._warmer_indoors(means)
        for name, holds, numbers in (("low-split", low, limits.LOW_SPLIT), ("high-split", blocked, limits.HIGH_SPLIT)):
            self._outlasts(name, minute.ended_s, holds, self._settings.limit(numbers.run_s))
        self.seen["split"] = "low" if nothing or low else "high" if blocked else "normal"
        if not (low or high or nothing):
            self._learn(minute, split_k)

    def _forget_split(self) -> None:
        """Answer nothing that rests on the split."""
        self._split_of = ()
        self._outside.clear()
        self.answers |= dict.fromkeys(("not-cooling", "low-split", "high-split"))

    def _outlasts(self, name: str, t_s: float, holds: bool, least_s: float) -> None:
        """Answer a finding whose minutes must be so for a while without a break."""
        if not holds:
            self._outside.pop(name, None)
            self.answers[name] = False
            return
        began_s = self._outside.setdefault(name, t_s - limits.MINUTE_S.value)
        if lasted(began_s, t_s, least_s):
            self.answers[name] = True

    # ------------------------------------------------------------ its normal

    def normal_split_k(self, means: Means) -> float | None:
        """Return what the split normally is at these temperatures, K; None until learned, and outside of those seen."""
        plane = self._fitted(air_split_k(means) is not None)
        return None if plane is None else plane.at(means.get("outdoor_c"), means.get("return_air_c"))

    def _warmer_indoors(self, means: Means) -> bool:
        """Whether the house is warmer than it was in any sound run, as after days without cooling: more heat is moved
        out of it then, by how much nobody has seen."""
        return_c = means.get("return_air_c")
        most_c = max((point.return_c for point in self.memory.air), default=inf)
        return return_c is not None and return_c > most_c + limits.PERFORMANCE.margin_k.value

    def _fitted(self, air: bool) -> _Plane | None:
        points = self.memory.air if air else self.memory.pipes
        if self._plane is None or self._plane.points != len(points) or self._plane.air is not air:
            self._plane = _fit(points, air)
        return self._plane if self._plane.known else None

    def _learn(self, minute: MinuteMeans, split_k: float) -> None:
        """Keep a point in ten minutes, so that one long run does not rule; the oldest go first."""
        outdoor_c, air = minute.readings.get("outdoor_c"), air_split_k(minute.readings) is not None
        return_c = minute.readings.get("return_air_c")
        every_s = limits.PERFORMANCE.point_every_s.value
        if not minute.sound or outdoor_c is None or not 0 <= every_s <= minute.ended_s - self._point_s:
            return
        self._point_s = minute.ended_s
        points = self.memory.air if air else self.memory.pipes
        points.append(SplitPoint(round(outdoor_c, 2), round(return_c or 0.0, 2), round(split_k, 2)))
        del points[: -int(limits.PERFORMANCE.points_most.value)]
        self._plane = None

    # ------------------------------------------------------------ out

    def report(self) -> dict[str, Any]:
        """Figures for people and programs: JSON-able, rounded; None where not known."""
        last, usual = self.memory.last_uf, self.usual_uf()
        return {
            "microfarads": round(median(last) / self._ratio, 1) if last else None,
            "usual_microfarads": None if usual is None else round(usual, 1),
            "absolute": bool(self._settings.unit.capacitor_volts_ratio),
            "split_points": len(self.memory.air) or len(self.memory.pipes),
            "split_points_needed": int(limits.PERFORMANCE.points_least.value),
        }


class _Plane(NamedTuple):
    """split = mean + by outdoor + by return temperature, about the middle of the points."""

    air: bool
    points: int
    known: bool
    middle: tuple[float, float] = (0.0, 0.0)
    factors: tuple[float, float, float] = (0.0, 0.0, 0.0)
    reach: tuple[float, float] = (0.0, 0.0)
    sd_k: float = 0.0

    def at(self, outdoor_c: float | None, return_c: float | None) -> float | None:
        margin_k = limits.PERFORMANCE.margin_k.value
        if outdoor_c is None or not self.reach[0] - margin_k <= outdoor_c <= self.reach[1] + margin_k:
            return None
        mean_k, per_outdoor, per_return = self.factors
        off = (return_c - self.middle[1]) if return_c is not None else 0.0
        return mean_k + per_outdoor * (outdoor_c - self.middle[0]) + per_return * off


def _fit(points: list[SplitPoint], air: bool) -> _Plane:
    """Fit the plane; one without enough points, or without spread, is not known."""
    count = len(points)
    if count < limits.PERFORMANCE.points_least.value:
        return _Plane(air, count, known=False)
    middle = (sum(p.outdoor_c for p in points) / count, sum(p.return_c for p in points) / count)
    rows = [(1.0, p.outdoor_c - middle[0], p.return_c - middle[1]) for p in points]
    values = [p.split_k for p in points]
    # Held back by one row each way: points at one temperature alone give no slope.
    held = limits.PERFORMANCE.slope_ridge.value
    found = least_squares([*rows, (0.0, held, 0.0), (0.0, 0.0, held)], [*values, 0.0, 0.0])
    if found is None:
        return _Plane(air, count, known=False)
    left = [
        value - sum(a * b for a, b in zip(found, row, strict=True)) for row, value in zip(rows, values, strict=True)
    ]
    warmth = [p.outdoor_c for p in points]
    return _Plane(
        air,
        count,
        known=True,
        middle=middle,
        factors=(found[0], found[1], found[2]),
        reach=(min(warmth), max(warmth)),
        sd_k=sqrt(sum(value * value for value in left) / count),
    )


# ---------------------------------------------------------------- observables of the diagnosis


def observed(means: Means, unit: Unit) -> dict[str, str]:
    """What a settled minute says of the power factor and the pipes, in the symbols of the diagnosis.

    Behind a fixed orifice the large pipe of a sound unit is warmer in mild weather; so it may be where nobody has said
    that there is a valve."""
    seen: dict[str, str] = {}
    factor = power_factor(means)
    if factor is not None:
        seen["power-factor"] = "low" if factor < limits.PERFORMANCE.power_factor_low.value else "normal"
    suction_c, liquid_c, outdoor_c = means.get("suction_c"), means.get("liquid_c"), means.get("outdoor_c")
    if suction_c is not None:
        cold, warm = limits.PERFORMANCE.suction_cold_c.value, limits.PERFORMANCE.suction_warm_c.value
        if unit.metering != "txv" and outdoor_c is not None:
            mild_k = max(0.0, limits.PERFORMANCE.suction_warm_from_c.value - outdoor_c)
            warm += limits.PERFORMANCE.suction_warm_slope.value * mild_k
        seen["large-pipe"] = "freezing" if suction_c < cold else "warm" if suction_c > warm else "cool"
    if liquid_c is not None and outdoor_c is not None:
        over_k = liquid_c - outdoor_c
        near, hot = limits.PERFORMANCE.liquid_near_k.value, limits.PERFORMANCE.liquid_hot_k.value
        seen["small-pipe"] = "near-outdoor" if over_k < near else "hot" if over_k > hot else "warm"
    return seen
