"""What is normal for this unit, and slow drift from it.

Running current against outdoor temperature (baseline.py), its daily deviation through an EWMA and a CUSUM
(drift.py), start times, pull-in delay and coil current against the unit's own first ones, use and wear
(wear.py). Everything that must be learned says what it still needs before it speaks, and is silent until then.
"""

from __future__ import annotations

from typing import Any

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.baseline import Baseline, BaselineMemory
from condenser_monitor.monitor.baselines.drift import Cusum, Drift, Ewma
from condenser_monitor.monitor.baselines.wear import DAY_S, FirstAndLast, Wear
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.load_state import MemoryPart, load_state
from condenser_monitor.monitor.core.monotonic_time import MonotonicTime, Saved
from condenser_monitor.monitor.core.records import Cycle, StartTransient

MEMORY_VERSION = 1
PARTS = ("compressor", "contactor")


class DayMean(msgspec.Struct, forbid_unknown_fields=True):
    """The deviations of one day, being gathered."""

    day: int = -1
    total: float = 0.0
    count: int = 0


class TrendsMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """All that is learned."""

    version: int
    timeline: Saved
    baseline: BaselineMemory
    drift: Drift
    today: DayMean
    starts: FirstAndLast
    pull_in: FirstAndLast
    coil: FirstAndLast
    wear: Wear


def _new_drift() -> Drift:
    return Drift(
        Cusum(limits.BASELINES.drift_allow.value),
        Ewma(limits.BASELINES.ewma_weight.value),
        limits.BASELINES.drift_limit.value,
    )


def _fault(found: TrendsMemory) -> str:
    wings = found.baseline.line is None or set(found.baseline.wings) == {"low", "high"}
    return "" if wings else "it has a line without its wings"


TRENDS_MEMORY = MemoryPart(
    "trends", MEMORY_VERSION, TrendsMemory, what="trends", then="learning begins afresh", check=_fault
)


def read_memory(memory: bytes | None) -> tuple[TrendsMemory | None, str]:
    """Return the memory, or why it cannot be used."""
    then = TRENDS_MEMORY.then
    old, why = load_state(memory, TrendsMemory, MEMORY_VERSION, what="the memory of the trends", then=then)
    if old is not None and (fault := _fault(old)):
        return None, f"the memory of the trends cannot be read ({fault}); {then}"
    return old, why


class Baselines:
    """Learns the unit's own normal. `memory` is what an earlier memory() gave; one that cannot be used is not an error:
    the learning starts fresh and `refused` says why."""

    def __init__(self, settings: Settings, memory: bytes | None = None) -> None:
        old, self.refused = read_memory(memory)
        self._settings = settings
        self._first_starts = settings.limit(limits.SLOW_START.first)
        self._last_starts = settings.limit(limits.SLOW_START.last)
        self._line = MonotonicTime(old.timeline if old else None)
        self._baseline = Baseline(old.baseline if old else None)
        self._drift = _new_drift()
        if old:
            self._drift.carry_on(old.drift)
        self._today = old.today if old else DayMean()
        self._starts = old.starts if old else FirstAndLast()
        self._pull_in = old.pull_in if old else FirstAndLast()
        self._coil = old.coil if old else FirstAndLast()
        self._wear = old.wear if old else Wear()

    # ------------------------------------------------------------ in

    def take_minute(
        self,
        *,
        t_s: float,
        wall_s: float | None,
        compressor_a: float | None,
        outdoor_c: float | None,
        control_v: float | None = None,
    ) -> None:
        """The means of one minute of settled run (A RMS, °C, V RMS), while no finding on currents stands."""
        self._line.take(t_s, wall_s)
        if compressor_a is None or outdoor_c is None or compressor_a <= 0:
            return
        if self._settings.unit.heat_pump and outdoor_c < limits.BASELINES.heat_pump_from_c.value:
            return
        x_s = self._line.x(t_s)
        day = int(x_s // DAY_S)
        self._deviate(compressor_a, outdoor_c, control_v, x_s, day)
        steady = self._drift.state == "steady"
        self._baseline.learn(outdoor_c, compressor_a, control_v, x_s, day, steady=steady)

    def take_cycle(self, cycle: Cycle) -> None:
        """One finished cooling cycle: counts, hours, pull-in delay, coil current."""
        wall_s = None if cycle.started_wall_s is None else cycle.started_wall_s + cycle.stopped_s - cycle.started_s
        self._line.take(cycle.stopped_s, wall_s)
        self._wear.take(cycle, self._line.x(cycle.stopped_s))
        for kept, value in ((self._pull_in, cycle.pull_in_s), (self._coil, cycle.coil_a)):
            if value is not None:
                kept.take(value, first=limits.BASELINES.first.value, last=limits.BASELINES.last.value)

    def take_start(self, start: StartTransient) -> None:
        """One captured start; one captured too slowly to be timed is passed over."""
        self._line.take(start.t_s, None)
        if start.rate_hz >= limits.BASELINES.start_rate_hz.value:
            self._starts.take(start.duration_s, first=self._first_starts, last=self._last_starts)

    def renew(self, part: str | None) -> None:
        """A part was replaced or repaired ("compressor": also refrigerant, capacitor, coil cleaned; "contactor"): what
        was normal for the old one is forgotten. Raises CommandError for any other part."""
        if part == "compressor":
            self._baseline, self._drift, self._today = Baseline(), _new_drift(), DayMean()
            self._starts = FirstAndLast()
        elif part == "contactor":
            self._wear.renew(self._line.now_x)
            self._pull_in, self._coil = FirstAndLast(), FirstAndLast()
        else:
            raise CommandError("renew", part, " or ".join(PARTS))

    # ------------------------------------------------------------ answers

    def normal_a(self, outdoor_c: float | None, control_v: float | None = None) -> float | None:
        """What the compressor normally draws at this outdoor temperature, in A RMS; None until learned, and outside
        the temperatures seen. With `control_v` also at this voltage, where its effect could be learned."""
        return self._baseline.amps(outdoor_c, control_v)

    def slow_start(self) -> bool | None:
        """Whether the last starts (their median) take 1.5 times as long as this unit's own first ones, or over 0.4 s
        (contract, section 5; each number a setting); None: too few captured."""
        now = self._starts.now(self._last_starts)
        if now is None:
            return None
        if now > self._settings.limit(limits.SLOW_START.slow_s):
            return True
        usual = self._starts.usual(self._first_starts)
        apart = self._starts.count >= self._first_starts + self._last_starts
        # A hair less, for a ratio of floats that is meant to be exact.
        return usual is not None and apart and now >= self._settings.limit(limits.SLOW_START.ratio) * usual * (1 - 1e-9)

    def report(self) -> dict[str, Any]:
        """What is normal, drift, days still needed, use and wear: JSON-able, for the page and the contractor."""
        x_s = self._line.now_x
        counts = {"first": limits.BASELINES.first.value, "last": limits.BASELINES.last.value}
        return {
            "normal": self._report_normal(),
            "drift": self._report_drift(),
            "starts": self._starts.report(first=self._first_starts, last=self._last_starts)
            | {"slow": self.slow_start(), "needed": int(self._first_starts + self._last_starts)},
            "pull_in_s": self._pull_in.report(**counts),
            "coil_a": self._coil.report(**counts),
            "use": self._wear.use(x_s),
            "contactor": self._wear.contactor(x_s),
            "refused": self.refused,
        }

    def memory(self) -> bytes:
        """What must survive a restart, as JSON."""
        return msgspec.json.encode(
            TrendsMemory(
                version=MEMORY_VERSION,
                timeline=self._line.save(),
                baseline=self._baseline.kept,
                drift=self._drift,
                today=self._today,
                starts=self._starts,
                pull_in=self._pull_in,
                coil=self._coil,
                wear=self._wear,
            )
        )

    # ------------------------------------------------------------ inside

    def _deviate(self, amps: float, outdoor_c: float, volts: float | None, x_s: float, day: int) -> None:
        """Gather the day's deviations; when a day is over, its mean goes to the drift watch."""
        today = self._today
        if day != today.day:
            if today.count >= limits.BASELINES.day_minutes.value:
                self._drift.take(today.total / today.count, x_s)
            self._today = today = DayMean(day)
        normal_a = self._baseline.amps(outdoor_c, volts)
        if normal_a is not None:
            today.total += amps / normal_a - 1.0
            today.count += 1

    def _report_normal(self) -> dict[str, Any]:
        kept, line = self._baseline.kept, self._baseline.line
        if line is None:
            days, minutes = int(limits.BASELINES.days.value), int(limits.BASELINES.minutes.value)
            seen = min(self._baseline.days_seen, days)
            return {
                "state": "learning",
                "days": seen,
                "days_needed": days - seen,
                "minutes": kept.minutes,
                "minutes_needed": max(minutes - kept.minutes, 0),
                "says": self._says(seen, days, minutes),
            }
        low_c, high_c = kept.wings["low"].reach_c, kept.wings["high"].reach_c
        return {
            "state": "learned",
            "days_needed": 0,
            "minutes_needed": 0,
            "from_c": round(low_c, 1),
            "to_c": round(high_c, 1),
            "a_per_k": round(line.slope_a_per_k, 4),
            "sd_a": round(line.sd_a, 3),
            "curve": self._curve(low_c, high_c),
            "says": f"The normal current of this unit is known from {low_c:.0f} to {high_c:.0f} °C outdoors.",
        }

    def _says(self, seen: int, days: int, minutes: int) -> str:
        if "outdoor_c" not in self._settings.fitted:
            return "Without the outdoor temperature, what is normal for this unit cannot be learned."
        done = min(self._baseline.kept.minutes, minutes)
        return f"Learning what is normal for this unit: {seen} of {days} days, {done} of {minutes} settled minutes."

    def _curve(self, low_c: float, high_c: float, steps: int = 8) -> list[tuple[float, float | None]]:
        at = [low_c + (high_c - low_c) * step / steps for step in range(steps + 1)]
        amps = [self._baseline.amps(c) for c in at]
        return [(round(c, 2), None if a is None else round(a, 3)) for c, a in zip(at, amps, strict=True)]

    def _report_drift(self) -> dict[str, Any]:
        drift = self._drift
        since = drift.since_x
        return {
            "state": drift.state if drift.days else "unknown",
            "level": round(drift.ewma.level, 4),
            "days": drift.days,
            "sum_high": round(drift.cusum.high, 4),
            "sum_low": round(drift.cusum.low, 4),
            "limit": drift.limit,
            "since_wall_s": None if since is None else self._line.wall_s(since),
            "days_since": None if since is None else round((self._line.now_x - since) / DAY_S, 1),
        }
