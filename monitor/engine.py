"""The mind in one object: scans in, changes of findings, finished cycles and steps of alerts out.

No clock, no file, no socket: every call carries its time, and `next_deadline()` says when the engine next wants to be
asked. Times of one process must not run backwards; a wall clock may. Most scans change nothing, and are let through by
one cheap look (`Sensing.quiet`); the full look is taken when a sense says something new or a deadline has come.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import inf, nan
from typing import Any

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.alarms.alarm_manager import AlarmManager
from condenser_monitor.monitor.baselines.normal import Baselines
from condenser_monitor.monitor.core.bands import draw_bands
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.cycle import CycleWatch, Minute
from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.core.evaluation import FindingEvaluator, restore
from condenser_monitor.monitor.core.findings import Answer, FindingRow, contradictions
from condenser_monitor.monitor.core.inputs import DebouncedInputs, lasted
from condenser_monitor.monitor.core.links import (
    Facts,
    chain,
    facts,
    first_break,
)
from condenser_monitor.monitor.core.load_state import load_state
from condenser_monitor.monitor.core.patterns import Patterns
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    AlertChange,
    Cycle,
    Event,
    Evidence,
    Finding,
    Request,
    Scan,
    StartTransient,
    UnitStatus,
)
from condenser_monitor.monitor.core.records import Answer as RequestAnswer

MEMORY_VERSION = 1
# In a run with one of these, nothing is learned of what is normal.
_UNSOUND_RUN = frozenset({"high-running-current", "low-running-current", "locked-rotor", "fan-not-running"})


class Memory(msgspec.Struct, frozen=True, kw_only=True):
    """What survives a restart, as JSON. Times of the old process are kept as ages."""

    version: int
    findings: dict[str, Finding]
    recent_ages_s: dict[str, float]
    worked_ages_s: dict[str, float] = {}
    called_in_heat_ages_s: list[float]
    alerts: msgspec.Raw
    trends: msgspec.Raw


class Engine:
    """One unit's engine. `fitted` overrides the site's senses (a replay judges the columns it has).

    `memory` is what `memory()` of an earlier engine gave; a memory that cannot be read is set aside, and
    `memory_refused` says why. Raises ContractError when a scan's time runs backwards.
    """

    def __init__(self, settings: Settings, *, memory: bytes | None = None, fitted: Sequence[str] | None = None) -> None:
        self.settings = settings
        self._sensing = DebouncedInputs(settings, fitted)
        self._cycle = CycleWatch()
        self._patterns = Patterns(settings)
        self._judge = FindingEvaluator(settings, self._sensing)
        old, self.memory_refused = load_state(memory, Memory, MEMORY_VERSION, what="the memory of an earlier run")
        self._desk = AlarmManager(settings, None if old is None else bytes(old.alerts))
        self._trends = Baselines(settings, None if old is None else bytes(old.trends))
        # A part of the memory that cannot be used is said as well as the whole.
        refused = (self.memory_refused, self._desk.refused, self._trends.refused)
        self.memory_refused = "; ".join(why for why in refused if why)
        if old is not None:
            self._judge.standing = restore(old.findings)
            self._judge.last_stood_s = {name: -age_s for name, age_s in old.recent_ages_s.items()}
            self._judge.worked_s = {name: -age_s for name, age_s in old.worked_ages_s.items()}
            self._patterns.heat.called_s.extend(-age_s for age_s in old.called_in_heat_ages_s)
        self.now_s = -inf
        self.wall_s: float | None = None
        self.changed_s = 0.0
        self.facts = Facts()
        self._scan: Scan | None = None
        self._numbers: dict[str, float | bool | None] = {}
        self._usual_s = 0.0
        self._deadline_s = self._look_s = self._due_s = self._judge_s = -inf
        self._minute = Minute()
        self._running = False
        self._hasty_first_s = self._hasty_last_s = -inf
        self._normal_a: float | None = nan  # equals nothing: the bands of the draw are set at the first minute
        self._silence = (settings.limit(limits.SENSOR_SILENT.hold_s), settings.limit(limits.SENSOR_SILENT.scans))
        self._counted_answers: dict[str, Callable[[], Answer]] = {
            "sensor-silent": lambda: bool(self._silent()),
            "contactor-chatter": lambda: self._patterns.chatter.stands(self.now_s),
            "short-cycling": lambda: self._patterns.short.stands(self.now_s),
            "overload-cycling": lambda: self._patterns.overload.stands(self.now_s),
            "slow-start": self._trends.slow_start,
            "no-call-in-heat": self._no_call_in_heat,
        }

    # ------------------------------------------------------------ in

    def take(self, scan: Scan) -> Sequence[Event]:
        """One scan; what it changed (mostly nothing)."""
        now_s = scan.t_s
        step_s = now_s - self.now_s
        # A step within twice the usual one is no gap: GAP_FACTOR is never less.
        if now_s < self._look_s and 0 <= step_s <= 2 * self._usual_s and self._sensing.quiet(scan):
            self.now_s, self.wall_s, self._scan = now_s, scan.wall_s, scan
            self._usual_s += (step_s - self._usual_s) * 0.1
            if self._running:
                self._cycle.weigh(scan)
            return ()
        return self._look(scan, step_s)

    def take_start(self, start: StartTransient) -> Sequence[Event]:
        """A start of the compressor captured at the full sample rate."""
        self._trends.take_start(start)
        self._cycle.transient = start
        self._deadline_s = self._look_s = self._judge_s = -inf
        return ()

    def request(
        self, request: Request, now_s: float, wall_s: float | None
    ) -> tuple[RequestAnswer, Sequence[AlertChange]]:
        """A person's wish about an alert, service mode, or a part that was renewed."""
        self._judge_s = -inf
        return self._desk.request(request, now_s, wall_s, self._trends.renew)

    def tick(self, now_s: float, wall_s: float | None) -> Sequence[AlertChange]:
        """Time passes: shelving and service mode end, an all-clear is due. Findings wait for the next scan."""
        return self._desk.tick(now_s, wall_s)

    def next_deadline(self) -> float | None:
        """When `tick` or the next scan is wanted at the latest, s; None when only news can change anything."""
        desk_s = self._desk.next_deadline()
        soonest_s = min(self._deadline_s, inf if desk_s is None else desk_s)
        return None if soonest_s == inf else soonest_s

    # ------------------------------------------------------------ the full look

    def _look(self, scan: Scan, step_s: float) -> Sequence[Event]:
        if step_s < 0:
            raise ContractError("scan", scan.t_s, f"a time from {self.now_s:g} s on")
        events: list[Event] = []
        gap = step_s > self._longest_s
        if gap:
            events += self._gap(scan)
        hasty = self._hasty(scan, step_s)
        if not hasty and not gap:
            self._pace(step_s)
        before_s = self.now_s
        self.now_s, self.wall_s, self._scan = scan.t_s, scan.wall_s, scan
        if self._running:
            self._cycle.weigh(scan)
        self._patterns.chatter.take(load=self._raw_load(scan), call=self.facts.call, now_s=scan.t_s)
        self._keep_numbers(scan)
        same = self._sensing.quiet(scan)
        changed = () if same else self._sensing.take(scan, before_s, numbers=not hasty)
        self.changed_s = max((belief.since_s for belief in changed), default=scan.t_s)
        if changed:
            events += self._moved(scan)
        if self._minute.due(scan.t_s):
            self._each_minute(scan)
        if not (same and self._nothing_due()):
            events += self._decide()
        self._deadline_s = min(self._due_s, self._minute.deadline_s)
        self._look_s = min(self._judge_s, self._minute.deadline_s) - limits.MOMENT_S.value
        return events

    def _nothing_due(self) -> bool:
        """For a scan that says nothing new: no finding can come or go, and none stands whose time is to be kept."""
        early = self.now_s < self._judge_s - limits.MOMENT_S.value
        return early and not self._judge.standing and not self._no_call_in_heat()

    def _decide(self) -> list[Event]:
        changes = self._judge.take(self)
        self._patterns.follow(self._judge.standing)
        events: list[Event] = [*changes]
        for change in changes:
            events += self._desk.take(change)
        self._due_s = min(self._judge.deadline(), self._patterns.deadline(self.now_s), self._silence_deadline())
        # What a finding that has just come or gone takes out of the patterns is heard at the next scan.
        self._judge_s = -inf if changes else self._due_s
        return events

    def _gap(self, scan: Scan) -> list[Event]:
        """Nothing was seen for long: whatever ran may have stopped and started again."""
        self._sensing.forget(scan.t_s)
        self._patterns.gap()
        self._usual_s = 0.0
        was_s, self.now_s = self.now_s, scan.t_s
        self.facts = facts(self._sensing)
        cycle = self._cycle.take(self.facts, was_s, self.wall_s)
        self._running = False
        return [] if cycle is None else self._finish(cycle)

    @property
    def _longest_s(self) -> float:
        """The longest step that is no gap; any, before there is a pace."""
        known = self._usual_s > 0.0
        return max(limits.GAP_MIN_S.value, limits.GAP_FACTOR.value * self._usual_s) if known else inf

    def _pace(self, step_s: float) -> None:
        if step_s == inf:
            return
        # The first step sets the pace; later ones move it slowly, so that one late scan does not.
        self._usual_s = step_s if self._usual_s == 0.0 else self._usual_s + (step_s - self._usual_s) * 0.1

    def _hasty(self, scan: Scan, step_s: float) -> bool:
        """Presence alone, well before the next scan is due: the board tells an edge, and read no numbers for it."""
        if step_s * 2 >= self._usual_s or not self._sensing.presence_alone(scan):
            return False
        first_s = self._hasty_first_s if self._hasty_last_s == self.now_s else scan.t_s
        self._hasty_first_s, self._hasty_last_s = first_s, scan.t_s
        return scan.t_s - first_s < self._usual_s

    def _raw_load(self, scan: Scan) -> bool | None:
        return scan.load if "load" in self._sensing.beliefs else None

    def _keep_numbers(self, scan: Scan) -> None:
        found = zip(self._sensing.fitted, self._sensing.readings_of(scan), strict=True)
        self._numbers.update((name, value) for name, value in found if value is not None)

    def _moved(self, scan: Scan) -> list[Event]:
        was, self.facts = self.facts, facts(self._sensing)
        self._patterns.changed(was, self.facts, self.changed_s)
        cycle = self._cycle.take(self.facts, self.changed_s, scan.wall_s)
        self._running = self._cycle.running_since_s is not None
        return [] if cycle is None else self._finish(cycle)

    def _finish(self, cycle: Cycle) -> list[Event]:
        self._trends.take_cycle(cycle)
        return [cycle]

    # ------------------------------------------------------------ once a minute

    def _each_minute(self, scan: Scan) -> None:
        started_s = self._cycle.running_since_s
        means = self._minute.close(scan.t_s, self._cycle)
        outdoor_c = means["outdoor_c"]
        if outdoor_c is None:
            outdoor_c = scan.outdoor_c
        settled = started_s is not None and lasted(started_s, self._minute.began_s, limits.SETTLE_S.value)
        sound = self.facts.draw == "normal" and not _UNSOUND_RUN & self._judge.standing.keys()
        if settled and sound and means["compressor_a"] is not None:
            self._trends.take_minute(
                t_s=scan.t_s,
                wall_s=scan.wall_s,
                compressor_a=means["compressor_a"],
                outdoor_c=outdoor_c,
                control_v=means["control_v"],
            )
        self._set_draw(outdoor_c)
        self._patterns.heat.take(
            outdoor_c=scan.outdoor_c if "outdoor_c" in self._sensing.fitted else None,
            call=self.facts.call,
            now_s=scan.t_s,
            longest_s=self._longest_s + limits.MINUTE_S.value,
        )
        self._minute.open(scan.t_s, self._cycle)

    def _set_draw(self, outdoor_c: float | None) -> None:
        track = self._sensing.track("compressor_a")
        normal_a = self._trends.normal_a(outdoor_c)
        if track is None or normal_a == self._normal_a:
            return
        self._normal_a = normal_a
        track.set_bands("draw", draw_bands(self.settings, normal_a))

    # ------------------------------------------------------------ what the judge asks

    @property
    def said(self) -> Facts:
        """What the last scan says by itself: the very facts where it bears out all that is believed."""
        return self.facts if self._sensing.settled else facts(self._sensing, said=True)

    def answer(self, row: FindingRow) -> Answer:
        """The answer to a finding's condition at this moment."""
        return self._counted_answers[row.name]() if row.condition is None else row.condition(self.facts)

    @property
    def last_runs(self) -> dict[str, str]:
        """What the last runs have in common."""
        return self._patterns.stops.seen()

    def _no_call_in_heat(self) -> Answer:
        call = self._sensing.beliefs.get("call")
        if call is None or call.symbol is None:
            return None
        idle = lasted(call.since_s, self.now_s, self._patterns.no_call_s)
        return not call.symbol and idle and self._patterns.heat.stands(self.now_s)

    def _silent(self) -> list[str]:
        return self._sensing.silent(self.now_s, *self._silence)

    def _silence_deadline(self) -> float:
        hold_s, _ = self._silence
        due_s = (since_s + hold_s for since_s in self._sensing.missing_since())
        return min((at_s for at_s in due_s if at_s > self.now_s), default=inf)

    def evidence(self, row: FindingRow) -> Evidence:
        """The readings that go with a finding, and what its pattern counted."""
        found: Evidence = {}
        for name in row.evidence:
            value = self._numbers.get(name)
            if value is not None and name in self._sensing.readings and not self._sensing.readings[name].gone:
                found[name] = value if isinstance(value, bool) else round(value, 3)
        return found | self._counted(row.name)

    def _counted(self, name: str) -> Evidence:
        if name == "sensor-silent":
            return {"silent": self._silent()}
        if name == "sensing-disagrees":
            return {"contradiction": "; ".join(row.claim for row in contradictions(self.facts))}
        if name == "short-cycling":
            return {"pattern": "; ".join(self._patterns.short.reasons(self.now_s))}
        if name == "overload-cycling":
            return {"restarts": float(len(self._patterns.overload.times_s))}
        if name == "contactor-chatter":
            return {"changes": float(len(self._patterns.chatter.times_s))}
        if name in ("high-running-current", "low-running-current"):
            normal_a = self._trends.normal_a(self._scan.outdoor_c if self._scan else None)
            return {} if normal_a is None else {"normal_a": round(normal_a, 2)}
        return {}

    # ------------------------------------------------------------ out

    @property
    def standing(self) -> tuple[Finding, ...]:
        """The findings that stand."""
        return tuple(self._judge.standing.values())

    def status(self) -> UnitStatus:
        """All that is shown of the unit, as of the last scan."""
        links = chain(self._sensing)
        scan = self._scan
        return UnitStatus(
            site=self.settings.site.id,
            name=self.settings.site.name,
            t_s=max(self.now_s, 0.0),
            wall_s=self.wall_s,
            cycle=self._cycle.state,
            cycle_since_s=self._cycle.since_s,
            links=links,
            readings={name: getattr(scan, name) if scan else None for name in READINGS if name in self._sensing.fitted},
            findings=self.standing,
            alerts=self._desk.alerts(),
            break_at=first_break(links) if any(f.severity == "urgent" for f in self.standing) else None,
            service_until_wall_s=self._desk.service_until_wall_s,
            trends=self._trends.report(),
        )

    def metrics(self) -> dict[str, Any]:
        """Figures of the alarm system (ISA-18.2): rate, flood, chatter, stale."""
        return self._desk.metrics(self.wall_s)

    def _ages(self, times_s: Mapping[str, float]) -> dict[str, float]:
        """How long ago each was, of those that still tell."""
        ages = {name: self.now_s - at_s for name, at_s in times_s.items()}
        return {name: age_s for name, age_s in ages.items() if age_s <= limits.RECENT_S.value}

    def memory(self) -> bytes:
        """What must survive a restart, as JSON."""
        return msgspec.json.encode(
            Memory(
                version=MEMORY_VERSION,
                findings=self._judge.standing,
                recent_ages_s=self._ages(self._judge.last_stood_s),
                worked_ages_s=self._ages(self._judge.worked_s),
                called_in_heat_ages_s=[self.now_s - at_s for at_s in self._patterns.heat.called_s],
                alerts=msgspec.Raw(self._desk.memory()),
                trends=msgspec.Raw(self._trends.memory()),
            )
        )
