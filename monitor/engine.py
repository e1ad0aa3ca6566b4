"""The engine that joins all parts: scans in, changes of findings, finished cycles and steps of alerts out.

This is the public face for a program that embeds the monitor: make `Settings`, feed `Scan`s, read what comes back and
`status()`. No clock, no file, no socket: every call carries its time, and `next_deadline()` says when the engine next
wants to be asked. Times of one process must not run backwards; a wall clock may.

One scan goes through: inputs (debounced) -> facts and links -> cycle and patterns -> evaluation of findings ->
diagnosis -> alarms. Most scans change nothing and are let through by one cheap look (`DebouncedInputs.quiet`); the full
look is taken when a sensor says something new or a deadline has come.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from math import inf
from statistics import median
from typing import Any

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.alarms.alarm_manager import ALERTS_MEMORY, AlarmManager
from condenser_monitor.monitor.alarms.episodes import EPISODES_MEMORY
from condenser_monitor.monitor.baselines.baseline import ANY, NormalRange
from condenser_monitor.monitor.baselines.calls import CALLS_MEMORY, Calls
from condenser_monitor.monitor.baselines.minutes import MinuteMeans
from condenser_monitor.monitor.baselines.normal import TRENDS_MEMORY, Baselines
from condenser_monitor.monitor.baselines.performance import PERFORMANCE_MEMORY, Performance
from condenser_monitor.monitor.core.blinks import FINDINGS as FINDINGS_AT_REST
from condenser_monitor.monitor.core.blinks import RestBlinks
from condenser_monitor.monitor.core.blower import BlowerSays, BlowerWatch
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.cooled_air import CooledAir
from condenser_monitor.monitor.core.cycle import CycleWatch, Minute
from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.core.evaluation import FindingEvaluator, Snapshot
from condenser_monitor.monitor.core.findings import (
    CATALOGUE,
    MAY_BE_SHED,
    RUNS_UNCALLED,
    Answer,
    FindingRow,
    can_be_meant,
    contradictions,
)
from condenser_monitor.monitor.core.inputs import DebouncedInputs, lasted
from condenser_monitor.monitor.core.links import Facts, chain, facts, first_break
from condenser_monitor.monitor.core.load_state import EngineMemory, MemoryPart
from condenser_monitor.monitor.core.noise import NoiseWatch
from condenser_monitor.monitor.core.patterns import (
    FINDINGS_OF_NO_CURRENT,
    GRACED,
    FanlessRuns,
    FlapFilter,
    FlapMemory,
    HabitMemory,
    Habits,
    Patterns,
)
from condenser_monitor.monitor.core.readings import NUMBERS, READINGS, draw_bands
from condenser_monitor.monitor.core.records import (
    AlertChange,
    Change,
    Cycle,
    Diagnosed,
    Event,
    Evidence,
    Finding,
    LinkView,
    Offer,
    Request,
    RequestKind,
    Scan,
    Severity,
    StartTransient,
    UnitStatus,
)
from condenser_monitor.monitor.core.records import Answer as RequestAnswer
from condenser_monitor.monitor.core.trust import Evidence as Testimony
from condenser_monitor.monitor.core.trust import LiarMemory, Trust
from condenser_monitor.monitor.diagnosis.diagnosis import FindingDiagnosis, Observed, PastLook
from condenser_monitor.monitor.diagnosis.features import FeatureWatch

__all__ = [
    "AlertChange",
    "Change",
    "Cycle",
    "Diagnosed",
    "Engine",
    "Event",
    "Finding",
    "Request",
    "RequestAnswer",
    "Scan",
    "Settings",
    "StartTransient",
    "UnitStatus",
]

# While one of these stands, nothing can call the unit.
_UNCALLABLE = frozenset({"line-supply-lost", "control-power-lost", "call-not-reaching-unit"})
# What a utility's switch may bring about, and what may come to be urgent while it stands.
_SHED = ("call-without-pull-in", "call-without-run", "call-not-reaching-unit")
_ESCALATES = ("overdue-call", *_SHED)
Symbols = dict[str, str]  # observable -> symbol
FeatureSeen = tuple[str, float]  # its symbol, and how many seconds ago it was seen
Ages = dict[str, float]  # name -> how many seconds ago, when the memory was written
FINDINGS_MEMORY = MemoryPart("findings", 1, dict[str, Finding], what="findings")
STOOD_MEMORY = MemoryPart("recent_ages_s", 1, Ages, what="findings that stood")
WORKED_MEMORY = MemoryPart("worked_ages_s", 1, Ages, what="findings that worked again")
SEEN_MEMORY = MemoryPart("seen", 1, dict[str, Symbols], what="how findings looked")
LOOKS_MEMORY = MemoryPart("looks", 1, list[PastLook], what="what was suspected in the last days")
FEATURES_MEMORY = MemoryPart("features", 1, dict[str, FeatureSeen], what="shape, size and history")
HEAT_MEMORY = MemoryPart("called_in_heat_ages_s", 1, list[float], what="calls in the heat")
HABITS_MEMORY = MemoryPart("habits", 1, list[HabitMemory], what="what the unit does by design")
FLAPS_MEMORY = MemoryPart("flapping", 1, list[FlapMemory], what="findings that come and go")
LIARS_MEMORY = MemoryPart("liars", 1, list[LiarMemory], what="sensors that lie")


class Engine:
    """One unit's engine. `fitted` overrides the site's senses (a replay judges the columns it has).

    `memory` is what `memory()` of an earlier engine gave, `last_good` an older one that was read in whole: what cannot
    be read of the first is taken from the second, part by part, and `memory_refused` says so. Raises ContractError when
    a scan's time runs backwards.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        memory: bytes | None = None,
        last_good: bytes | None = None,
        fitted: Sequence[str] | None = None,
    ) -> None:
        self.settings = settings
        self._inputs = DebouncedInputs(settings, fitted)
        self._cycle = CycleWatch([name for name in self._inputs.fitted if name in NUMBERS])
        self._patterns = Patterns(settings)
        old = self._memory = EngineMemory(memory, last_good)
        marks, seen, looks = old.load(FEATURES_MEMORY), old.load(SEEN_MEMORY), old.load(LOOKS_MEMORY)
        self._features = FeatureWatch(settings.unit, marks or {}, settings.limit(limits.SHORT_CYCLING.off_s))
        self._features_seen: dict[str, str] = {}
        self._alarms = AlarmManager(settings, old.load(ALERTS_MEMORY), old.load(EPISODES_MEMORY))
        self._baselines = Baselines(settings, old.load(TRENDS_MEMORY))
        self._performance = Performance(settings, old.load(PERFORMANCE_MEMORY))
        self._calls = Calls(settings, old.load(CALLS_MEMORY))
        findings = _restored(old.load(FINDINGS_MEMORY))
        self._evaluator = FindingEvaluator(settings, findings)
        self._diagnosis = FindingDiagnosis(
            settings,
            self._inputs.fitted,
            standing=findings,
            stood_s=_times_s(old.load(STOOD_MEMORY)),
            worked_s=_times_s(old.load(WORKED_MEMORY)),
            seen=seen or {},
            looks=looks or (),
        )
        habits, flaps, liars = old.load(HABITS_MEMORY), old.load(FLAPS_MEMORY), old.load(LIARS_MEMORY)
        self._habits, self._flaps = Habits(settings, habits or ()), FlapFilter(flaps or ())
        self._trust = Trust(settings.unit, self._inputs.fitted, liars or ())
        self._inputs.distrusted = self._features.distrusted = self._trust.distrusted
        self._counters = {
            name: row.counter(settings)
            for name, row in CATALOGUE.items()
            if row.counter is not None and row.can_be_seen(self._inputs.fitted)
        }
        # A pattern whose readings are not fitted has no counter, and so no answer.
        self._answers: dict[str, Answer] = {name: None for name, row in CATALOGUE.items() if row.counter is not None}
        self._answered = dict(self._answers)
        self.counter_faults: list[tuple[str, Exception]] = []
        self._trust_due_s = inf
        self._claims = ""
        self._outdoor_c: float | None = None
        self._fanless, self._blower, self._air = FanlessRuns(), BlowerWatch(), CooledAir()
        self._noise, self._blinks = NoiseWatch(settings.unit), RestBlinks()
        self._broken_s = self._uncalled_s = -inf  # when a scan last read a run, or a call, broken, believed or not
        self._patterns.heat.called_s.extend(-age_s for age_s in old.load(HEAT_MEMORY) or ())
        # What could not be read, in one line, and the parts that could not be kept, by name, and why.
        self.memory_refused, self.memory_faults = old.why_refused(), old.faults
        self.now_s = self._read_s = (
            self._fed_s
        ) = -inf  # the last: when a scan read a call, or closed contacts, amid none
        self.wall_s: float | None = None
        self.changed_s = 0.0
        self.facts = Facts()
        self._scan: Scan | None = None
        self._stall: list[tuple[float, float]] = []  # a captured start that never came down, until the next scan
        self._numbers: dict[str, float | bool | None] = {}
        self._usual_s = self._apart_s = 0.0
        self._deadline_s = self._look_s = self._due_s = self._decide_s = -inf
        self._hasty_first_s = self._hasty_last_s = -inf
        self._minute = Minute()
        # Of the last: what the compressor draws is what a lost leg has left.
        self._running = self._modulates = self._cold = self._hums = False
        self._normal: NormalRange | None = None  # the bands of the draw are set at the first minute
        self._trends: dict[str, Any] | None = None  # what is shown of the learning, until more is learned
        self._offers: tuple[Offer, ...] | None = None  # what is asked of the unit's design, as of this minute
        self._chain: tuple[tuple[LinkView, ...], str | None] | None = None  # the links and the break, until one changes
        self._silence = (settings.limit(limits.SENSOR_SILENT.hold_s), settings.limit(limits.SENSOR_SILENT.scans))
        self._symbols: dict[str, str] = {}
        self._symbols_revision = -1

    def __repr__(self) -> str:
        standing = ", ".join(self._diagnosis.standing) or "nothing"
        return f"<Engine {self.settings.site.id} at {self.now_s:g} s: {self._cycle.state}, raised: {standing}>"

    # ------------------------------------------------------------ in

    def hear(self, item: Scan | StartTransient) -> Sequence[Event]:
        """One item of what boards and recordings give: a scan, or a captured start."""
        return self.feed_start(item) if isinstance(item, StartTransient) else self.feed(item)

    def feed(self, scan: Scan) -> Sequence[Event]:
        """One scan; what it changed (mostly nothing)."""
        now_s = scan.t_s
        step_s = now_s - self.now_s
        if self._counters:
            self._count(scan)
        # A step within twice the usual one is no gap: GAP_FACTOR is never less.
        if now_s < self._look_s and 0 <= step_s <= 2 * self._usual_s and self._inputs.quiet(scan):
            self.now_s, self.wall_s, self._scan = now_s, scan.wall_s, scan
            self._usual_s += (step_s - self._usual_s) * 0.1
            if self._running:
                self._cycle.weigh(scan)
            self._features.keep(scan)
            return ()
        if self._stall:
            return [*self._read_stall(scan), *self._look(scan, scan.t_s - self.now_s)]
        return self._look(scan, step_s)

    def _count(self, scan: Scan) -> None:
        """Let the counters that come with their findings hear a scan. What two scans in a row say is their answer; one
        that raises answers no more in this process, and what it raised waits in `counter_faults` to be shown."""
        for name, counter in list(self._counters.items()):
            try:
                answer = counter.update(scan)
            except Exception as error:  # whatever another package does must not keep the unit from being watched
                answer = self._answered[name] = None
                del self._counters[name]
                self.counter_faults.append((name, error))
            same, self._answered[name] = answer is self._answered[name], answer
            if same and answer is not self._answers[name]:
                self._answers[name] = answer
                self._look_s = self._decide_s = -inf

    def feed_start(self, start: StartTransient) -> Sequence[Event]:
        """A start of the compressor captured at the full sample rate."""
        self._trends = None
        self._baselines.add_start(start)
        self._performance.add_start(start)
        self._features.starts(self._baselines.slow_start, start.t_s)
        if start.duration_s is None:
            self._stall = [(start.t_s + at_s, amps) for at_s, amps in start.trace_a or ((0.0, start.peak_a),)]
        self._cycle.transient = start
        self._deadline_s = self._look_s = self._decide_s = -inf
        return ()

    def request(
        self, request: Request, now_s: float, wall_s: float | None
    ) -> tuple[RequestAnswer, Sequence[AlertChange]]:
        """A person's wish about an alert, service mode, or a part that was renewed."""
        self._decide_s = -inf
        if request.request is RequestKind.RENEW and request.part == "call" and (told := self._told_uncalled()):
            request = msgspec.structs.replace(request, request=RequestKind.INTENDED, finding=told, part=None)
        answer, steps = self._alarms.request(request, now_s, wall_s, self._reset)
        if answer.done and request.request is RequestKind.INTENDED:
            self._calls.excuse()
        if answer.done and request.request in (RequestKind.REPAIRED, RequestKind.RESET):
            self._diagnosis.forget_past()
        return answer, steps

    def _told_uncalled(self) -> str | None:
        """The open episode of a call that does not come, which a person's word that none was meant to ends."""
        stories = self._alarms.episode_book.memory.stories
        return next((one.id for one in stories if one.over_x is None and can_be_meant(one.trials)), None)

    def _reset(self, part: str | None) -> None:
        """Forget what was normal for a part that was replaced; "call": the unit was not to be called. Raises
        CommandError."""
        if part == "call":
            self._calls.excuse()
            return
        self._trends = self._offers = None
        self._diagnosis.forget_past()
        self._baselines.reset(part)
        if part == "compressor":
            self._performance.reset()

    def tick(self, now_s: float, wall_s: float | None) -> Sequence[AlertChange]:
        """Time passes: shelving and service mode end, an all-clear is due. Findings wait for the next scan."""
        return self._alarms.tick(now_s, wall_s)

    def next_deadline(self) -> float | None:
        """When `tick` or the next scan is wanted at the latest, s; None when only news can change anything."""
        alarm_s = self.alarm_deadline()
        soonest_s = min(self._deadline_s, inf if alarm_s is None else alarm_s)
        return None if soonest_s == inf else soonest_s

    def alarm_deadline(self) -> float | None:
        """When `tick` has something to do, s: an all-clear or the end of a snooze or of service mode; None: never."""
        return self._alarms.next_deadline()

    # ------------------------------------------------------------ the full look

    def _look(self, scan: Scan, step_s: float) -> Sequence[Event]:
        if step_s < 0:
            raise ContractError("scan", scan.t_s, f"a time from {self.now_s:g} s on")
        events: list[Event] = []
        gap = step_s > self._longest_s
        if gap:
            events += self._gap(scan)
        hasty = step_s * 2 < self._usual_s and self._hasty(scan)
        if not gap and step_s != inf:
            self._keep_pace(step_s, hasty=hasty)
        before_s = self.now_s
        self.now_s, self.wall_s, self._scan = scan.t_s, scan.wall_s, scan
        if self._running:
            self._cycle.weigh(scan)
        self._features.glimpse(scan)
        senses_load = "load" in self._inputs.by_name and "load" not in self._trust.distrusted
        load = scan.load if senses_load else None
        chatter = self._patterns.chatter
        blinks = chatter.turns(load) and self._draws_on(scan)
        chatter.update(load=None if blinks else load, call=self.facts.call, now_s=scan.t_s)
        if load is False:
            self._patterns.overload.read_open_s = scan.t_s
        found = zip(self._inputs.fitted, self._inputs.readings_of(scan), strict=True)
        self._numbers.update((name, value) for name, value in found if value is not None)
        same = self._inputs.quiet(scan)
        if not same:
            self._hear_news(scan, before_s)
            self._inputs.slowed = self._glides(scan)
        changed = () if same else self._inputs.update(scan, before_s, numbers=not hasty)
        self.changed_s = max((one.since_s for one in changed), default=scan.t_s)
        if changed:
            self._read_s = self.changed_s
            self._trust_due_s = self.changed_s + limits.TRUST.settle_s.value
            events += self._moved(scan, self.changed_s)
        minute = lasted(self._minute.deadline_s, scan.t_s, 0.0)
        if minute:
            events += self._each_minute(scan)
            events += self._with_alerts(self._flaps.tick(scan.t_s, scan.wall_s))
        # One more scan after the last change bears it out: an odd one accuses nobody.
        if not changed and lasted(self._trust_due_s, scan.t_s, 0.0) and not self._inputs.unsettled():
            events += self._weigh_sensors(scan)
        look = bool(changed) or minute
        if look:
            self._alarms.see(self.facts, self._trusted_in(scan, "outdoor_c"))
        # A scan that says nothing new is let through while no finding can come or go, or stands and has its time kept.
        due = not same or self.now_s >= self._decide_s - limits.MOMENT_S.value
        if due or self._evaluator.standing or self._calls.overdue or self._no_call_in_heat():
            events += self._decide()
        if look:
            events += self._alarms.observe(scan.t_s, scan.wall_s)
        self._deadline_s = min(self._due_s, self._minute.deadline_s, self._trust_due_s)
        self._look_s = min(self._decide_s, self._minute.deadline_s, self._trust_due_s) - limits.MOMENT_S.value
        return events

    def _hear_news(self, scan: Scan, before_s: float) -> None:
        """Take a scan that does not bear out what is believed by itself, before it is."""
        self._blinks.update(scan)
        if scan.call or scan.load:
            self._fed_s = scan.t_s
        if scan.call is False and self.facts.call:
            self._uncalled_s = scan.t_s
        elif scan.call and self._uncalled_s == before_s and self.facts.call:
            self._trust.forget_runs(scan.t_s)  # it is called anew, before anybody believed that it was not
        if self._running:
            if self._breaks_run(scan):
                self._broken_s = scan.t_s
            elif self._broken_s == before_s:
                self._trust.forget_runs(scan.t_s)  # it is back before the break was believed: no whole run was done

    def _glides(self, scan: Scan) -> bool:
        """Whether the compressor's current has glided below a run's, and not been gone since."""
        compressor = self._inputs.by_name.get("compressor")
        if compressor is None or not compressor.symbol or scan.compressor_a is None:
            return compressor is not None and bool(compressor.symbol) and self._inputs.slowed
        last = self._features.last  # this scan with them
        return self._inputs.slowed or (len(last) > 1 and self._habits.glides(last[-2].compressor_a, scan.compressor_a))

    def _keep_pace(self, step_s: float, *, hasty: bool) -> None:
        """Follow the usual step between scans, and the longest of late: a change is known only as exactly as the pause
        before the scan that tells it."""
        self._apart_s = max(step_s, self._apart_s * limits.APART_RATIO.value)
        if not hasty:
            # The first step sets the pace; later ones move it slowly, so that one late scan does not.
            self._usual_s = step_s if self._usual_s == 0.0 else self._usual_s + (step_s - self._usual_s) * 0.1

    def _read_stall(self, scan: Scan) -> list[Event]:
        """Read a captured start that never came down as scans with its current: while it was captured no scan was
        taken, and the compressor's own protector may have opened before this one."""
        events: list[Event] = []
        stall, self._stall = self._stall, []
        # The chain as this scan finds it; where the contacts have opened since, as it was when they closed.
        closed = scan.load or (scan.load is None and scan.call)
        near = scan if closed or self._scan is None else self._scan
        chain = {name: getattr(near, name) for name, row in READINGS.items() if row.link}
        for at_s, amps in stall:
            if at_s < scan.t_s and (at_s - self.now_s >= limits.STALL_STEP_S.value or len(stall) == 1):
                wall_s = None if scan.wall_s is None else scan.wall_s + at_s - scan.t_s
                seen = Scan(t_s=max(at_s, self.now_s), wall_s=wall_s, **{**chain, "compressor_a": amps})
                events += self._look(seen, seen.t_s - self.now_s)
        return events

    def _decide(self) -> list[Event]:
        crossed: list[Event] = []
        if self._scan is not None and self.facts.fan and self.facts.compressor is False:
            crossed = self._judge_clamps(self._scan)
        if self._scan is not None and self._scan.call is False and self.facts.call:
            self._habits.call_blinked(self.now_s)
        moment = self._snapshot()
        if self._usual_s >= limits.GLIMPSE_STEP_S.value and self._scan is not None:
            within = self._features.glimpse_run(self._scan, moment.said or self.facts, self.facts)
            if within is not None:
                self._patterns.stops.within(*within)
            stop = self._features.glimpse_stop(self._scan, moment.said or self.facts, self.facts)
            if stop is not None:
                self._patterns.stopped_within(self.facts, *stop, self._scan.t_s)
        outcome = self._evaluator.evaluate(moment)
        self._patterns.follow(self._evaluator.standing)
        features = self._features_seen
        if self._evaluator.standing or outcome.order:
            # What was seen before the first urgent finding that stands was raised belongs to it.
            urgent = (one.raised_s for one in self._diagnosis.standing.values() if one.severity is Severity.URGENT)
            features = self._features.seen(self.now_s, min(urgent, default=self.now_s), self._usual_s)
            features |= {"left-volts": "hum"} if self._hums or self._hums_on() else {}
        changes: list[Change] = []
        diagnosed: list[Event] = []
        before = dict(self._diagnosis.standing) if outcome.cleared else {}
        if outcome.order or features != self._features_seen:
            self._features_seen = features
            made = self._diagnosis.diagnose(
                Observed(
                    now_s=self.now_s,
                    wall_s=self.wall_s,
                    evaluation=outcome,
                    evidence={
                        name: self._evidence(CATALOGUE[name]) for name in outcome.order if name not in outcome.cleared
                    },
                    symbols=self._telling_symbols(),
                    doubted=moment.doubted,
                    last_runs=self._patterns.stops.seen()
                    | self._patterns.short.seen()
                    | self._performance.seen
                    | self._habits.seen(self._usual_s),
                    features=features,
                    distrusted=self._trust.named,
                )
            )
            changes = [change for change in made if isinstance(change, Change)]
            diagnosed = [change for change in made if isinstance(change, Diagnosed)]
            self._alarms.episode_book.diagnose(self._diagnosis.diagnosed)
        for name in _ESCALATES:
            if name in self._diagnosis.standing:
                evidence = self._evidence(CATALOGUE[name])
                changes += self._diagnosis.escalate(name, evidence, self.now_s, self.wall_s)
        events = crossed + self._with_alerts(self._flaps.update(changes, self._diagnosis.standing, before)) + diagnosed
        silence_s = self._inputs.silence_deadline(self.now_s, self._silence[0])
        self._due_s = min(self._evaluator.deadline_s, self._patterns.deadline(self.now_s), silence_s)
        if self._evaluator.standing:
            self._due_s = min(self._due_s, self._features.deadline(self.now_s))
        # What a finding that has just come or gone takes out of the patterns is heard at the next scan.
        self._decide_s = -inf if changes else self._due_s
        return events

    def _telling_symbols(self) -> Mapping[str, str]:
        """What the believed readings say, without line volts that are no witness, and what a lost leg makes hum."""
        mute = {"compressor_a", "compressor_w", "draw"} if self._hums else set[str]()
        if self._symbols.get("line_v") in ("normal", "high") and self._volts_stand_still():
            mute.add("line_v")
        return {name: symbol for name, symbol in self._symbols.items() if name not in mute} if mute else self._symbols

    def _volts_stand_still(self) -> bool:
        """Whether line volts repeat to the last digit beside a supply that is gone: no witness against that."""
        return self.facts.supply is False and "line_v" in self._features.repeats()

    def _with_alerts(self, changes: Sequence[Change]) -> list[Event]:
        """Return the changes, each with what it does to the alerts."""
        events: list[Event] = [*changes]
        for change in changes:
            events += self._alarms.apply(change)
        return events

    def _gap(self, scan: Scan) -> list[Event]:
        """Nothing was seen for long: whatever ran may have stopped and started again."""
        self._inputs.forget(scan.t_s)
        self._trust.forget_state()
        self._habits.forget()
        self._patterns.gap()
        self._features.gap()
        self._blinks.forget()
        self._air = CooledAir()
        self._usual_s = 0.0
        self._chain = None
        was_s, self.now_s = self.now_s, scan.t_s
        self.facts = self._facts()
        cycle = self._cycle.update(self.facts, was_s, self.wall_s)
        self._running = False
        return [] if cycle is None else self._finish(cycle)

    @property
    def _longest_s(self) -> float:
        """The longest step that is no gap; any, before there is a pace."""
        known = self._usual_s > 0.0
        return max(limits.GAP_MIN_S.value, limits.GAP_FACTOR.value * self._usual_s) if known else inf

    def _breaks_run(self, scan: Scan) -> bool:
        """Whether a scan reads the compressor stopped or starting. A single one moves no one; but where a unit trips
        and starts again between slow scans, what it achieves is not what a run achieves."""
        amps, unit = scan.compressor_a, self.settings.unit
        if amps is None or "compressor_a" in self._trust.distrusted:
            return False
        running_a = unit.compressor_rla_a * limits.RUNNING_OFF_RATIO.value
        return not running_a <= amps < unit.locked_a

    def _hasty(self, scan: Scan) -> bool:
        """Whether a scan well before the next is due has presence alone: the board tells an edge, and read no numbers
        for it."""
        if not self._inputs.presence_alone(scan):
            return False
        first_s = self._hasty_first_s if self._hasty_last_s == self.now_s else scan.t_s
        self._hasty_first_s, self._hasty_last_s = first_s, scan.t_s
        return scan.t_s - first_s < self._usual_s

    def _moved(self, scan: Scan, since_s: float) -> list[Event]:
        self._chain = self._offers = None
        was, self.facts = self.facts, self._facts()
        self._patterns.changed(was, self.facts, since_s)
        cold = self._outdoor_c is not None and self._outdoor_c < limits.HABITS.board_fan_c.value
        self._habits.update(self.facts, since_s, cold=cold)
        self._trust.know_timers(sheds=self._habits.sheds(self._usual_s), waits=self._habits.waits(self._usual_s))
        call, blower = self._inputs.by_name.get("call"), self._inputs.by_name.get("blower")
        if call is not None and blower is not None:
            self._blower.update(call, blower)
        drew_a = self._features.drew_a()
        if was.compressor and self.facts.compressor is False:
            self._count_steady_run(was, drew_a, since_s)
            self._trust.tripped = (drew_a or 0.0) >= self.settings.unit.compressor_rla_a * limits.OVERLOADED_RATIO.value
        self._features.changed(was, self.facts, since_s, *self._normals(self._trusted_in(scan, "outdoor_c"), drew_a))
        cycle = self._cycle.update(self.facts, since_s, scan.wall_s)
        self._running = self._cycle.running_since_s is not None
        return [] if cycle is None else self._finish(cycle)

    def _normals(
        self, outdoor_c: float | None, near_a: float | None
    ) -> tuple[float | None, tuple[float, float] | None]:
        """What the compressor normally draws at this temperature; or, while that is not learned yet, the least and the
        most that its first runs have shown."""
        known = self._baselines.normal_a(outdoor_c, near_a=near_a)
        return known, self._baselines.roughly_a(outdoor_c) if known is None else None

    def _normal_a(self, outdoor_c: float | None, near_a: float | None) -> float | None:
        """What the compressor normally draws at this temperature; while that is not learned yet, the bound of what its
        first runs have shown, where it is clearly beyond."""
        known, rough = self._normals(outdoor_c, near_a)
        if rough is None or near_a is None:
            return known
        least_a, most_a = rough[0] * limits.ROUGH_LOW_RATIO.value, rough[1] * limits.ROUGH_HIGH_RATIO.value
        return None if least_a <= near_a <= most_a else most_a if near_a > most_a else least_a

    def _facts(self, *, said: bool = False) -> Facts:
        return facts(
            self._inputs,
            said=said,
            distrusted=self._trust.distrusted,
            hums=self._hums,
            fan_may_rest=self._fan_may_rest(self._outdoor_c),
            drive=self._drive,
        )

    @property
    def _drive(self) -> bool:
        """Whether a board sets the compressor's speed, as declared or as this unit has shown."""
        return self._modulates or self.settings.unit.kind == "variable-speed"

    def _fan_may_rest(self, outdoor_c: float | None) -> bool:
        """Whether a defrost or the unit's board may hold the fan off; where the temperature is not known, it may."""
        unit = self.settings.unit
        warm = -inf if outdoor_c is None else outdoor_c
        draw, amps = self._inputs.by_name.get("draw"), self._numbers.get("compressor_a")
        if draw is not None and draw.symbol == "high" and (amps or 0.0) >= unit.compressor_rla_a:
            return False  # a defrost and a cold condenser ask little of a motor; one that is overloaded wants its fan
        # What runs in such cold heats, declared or not, and defrosts.
        heats = -inf < warm < limits.HABITS.heats_below_c.value and "heat_pump" not in unit.not_by_design
        frost = heats or (unit.heat_pump and warm < limits.HABITS.frost_c.value)
        return frost or (unit.fan_by_board and warm < limits.HABITS.board_fan_c.value)

    def _weigh_sensors(self, scan: Scan) -> list[Event]:
        """What is read has settled: decide which sensors to believe."""
        if self._inputs.back(scan.t_s) and not lasted(self._read_s, scan.t_s, limits.FLICKERS_WINDOW_S.value):
            # What was borne out is of before the scan that said otherwise; the next one says which of the two it is.
            self._trust_due_s = scan.t_s + limits.TRUST.settle_s.value
            return []
        if self._features.call_flickers(scan.t_s):
            # What makes and breaks from one reading of a scan to the next contradicts itself, and no sensor lies.
            self._trust_due_s = scan.t_s + limits.TRUST.settle_s.value
            self._trust.forget_runs(scan.t_s)
            return []
        self._trust.stalled_s = self._features.stall_read_s
        hums, self._hums = self._hums, self._left_by_a_lost_leg()
        evidence, fan = self._witnessed(), self._inputs.by_name.get("fan")
        self._trust_due_s = inf
        started_s = self._cycle.running_since_s
        if started_s is not None and fan is not None and fan.symbol is False:
            since_s = max(fan.since_s, started_s)
            looks_s = (since_s + span.value for span in (limits.TRUST.flat_s, limits.TRUST.cooled_s))
            self._trust_due_s = min((look_s for look_s in looks_s if look_s > scan.t_s), default=inf)
        call, blower = self._inputs.by_name.get("call"), self._inputs.by_name.get("blower")
        if call is not None and blower is not None and blower.symbol:
            asks_s = self._blower.asks_from_s(call, self._usual_s)
            self._trust_due_s = min(self._trust_due_s, asks_s if asks_s > scan.t_s else inf)
        if self._volts_stand_still():
            self._trust_due_s = min(self._trust_due_s, scan.t_s + limits.TRUST.settle_s.value)  # it may move again
        if "contactor-chatter" in self._evaluator.standing:
            self._trust.forget_runs(scan.t_s)
        news = self._trust.update(evidence, scan.t_s)
        return self._believe(scan) if news or hums is not self._hums else []

    def _left_by_a_lost_leg(self) -> bool:
        """Whether the compressor's current fell, as the line was lost, to what a lost leg still drives: the dead leg
        hangs on the neutral through the house's other loads, and what is left makes a motor hum. A clamp that hangs
        does not change at that moment, nor does one of a motor that runs on beside a supply's sensor that lies. A leg
        that goes in a rest leaves the volts as they were until the contacts close, and its current begins as they go.
        """
        by_name = self._inputs.by_name
        compressor, supply, load = (by_name.get(name) for name in ("compressor", "supply", "load"))
        if compressor is None or supply is None or not compressor.symbol or supply.symbol is not False:
            return False
        if load is not None and load.symbol:
            return False
        if self._hums:
            return True
        after_s = compressor.since_s - supply.since_s
        if abs(after_s) < limits.TRUST.settle_s.value:
            before_a = self._trust.ran_a if supply.was else None
        else:
            before_a = self._features.drew_a(before_s=supply.since_s) if after_s < 0.0 else None
        now_a = self._features.drew_a(supply.since_s)
        return before_a is not None and now_a is not None and now_a < limits.FALL_RATIO.value * before_a

    def _hums_on(self) -> bool:
        """Whether, called and with its line said to be dead, the compressor goes on drawing some current, far below a
        run's: through closed contacts a lost leg still drives that, and a dead line does not."""
        facts = self.facts
        if not facts.call or facts.supply is not False or facts.load or facts.compressor is not False:
            return False
        last = [scan.compressor_a or 0.0 for scan in self._features.last][-int(limits.CONFIRM_SCANS.value) :]
        believed = "compressor_a" not in self._trust.distrusted
        return believed and bool(last) and min(last) >= limits.LEG_HUM_A.value

    def _witnessed(self) -> Testimony:
        """What the sensors say by now, and what else bears witness for or against them."""
        return self._trust.read(
            self._inputs,
            cooled=self._cooled(),
            rested=self._rested(),
            standing=self._stands_current(),
            heated=self._heated(),
            blower=self._blower_says(),
            air=self._air.cooled,
            repeats=self._features.repeats(),
            hums=self._hums,
        )

    def _blower_says(self) -> BlowerSays:
        """What the indoor blower says of a thermostat whose call does not arrive."""
        call, blower, thermostat = (self._inputs.by_name.get(name) for name in ("call", "blower", "thermostat"))
        if call is None or blower is None or thermostat is None or "call" in self._trust.distrusted:
            return ""
        return self._blower.says(call, blower, thermostat, self.now_s, self._usual_s)

    def _believe(self, scan: Scan) -> list[Event]:
        """Other sensors are distrusted now: what is believed follows."""
        believed_yet = self._trust.distrusted - self._inputs.distrusted
        self._inputs.distrusted = self._features.distrusted = self._trust.distrusted
        if self._trust.distrusted:
            new = self._inputs_of(believed_yet)
            self._diagnosis.disbelieve(self._inputs_of(self._trust.distrusted), new, scan.t_s)
            claims = [row.claim for row in contradictions(facts(self._inputs))]
            still = sorted(READINGS[name].title for name in self._trust.frozen.names)
            claims += [f"{title} reads the same for too long, to the last digit" for title in still]
            cold = sorted(READINGS[name].title for name in self._trust.frozen.cold)
            claims += [f"{title} reads colder than it can be while the unit cools" for title in cold]
            claims += ["the fan's clamp reads the compressor's current"] if self._trust.swapped else []
            jumpy = sorted(READINGS[name].title for name in self._trust.noisy)
            claims += [f"{title} jumps from scan to scan as what it measures cannot" for title in jumpy]
            self._claims = "; ".join(claims) or self._claims
        self._symbols_revision = -1
        self._decide_s = -inf
        self.changed_s = self._read_s
        return self._moved(scan, scan.t_s)

    def _draws_on(self, scan: Scan) -> bool:
        """Whether the compressor draws what it drew at the scan before, as behind contacts that have let go in between
        it does not: fed again it starts anew. A number that does not move at all is no witness."""
        was_a, now_a = self._numbers.get("compressor_a"), scan.compressor_a
        if was_a is None or now_a is None or was_a == now_a or "compressor_a" in self._trust.distrusted:
            return False
        least_a = self.settings.unit.compressor_on_a
        return min(was_a, now_a) >= max(least_a, max(was_a, now_a) * (1.0 - limits.NOISE_RATIO.value))

    def _inputs_of(self, readings: Collection[str]) -> set[str]:
        return {one.name for reading in readings for one in self._inputs.inputs_of(reading)}

    def _stands_current(self) -> bool:
        """Whether current stands in the lead of a compressor that rests, while the line is said to be dead. Under a
        call that tells nothing: through closed contacts what a lost leg still has drives a current too."""
        compressor, supply, call = (self._inputs.by_name.get(name) for name in ("compressor", "supply", "call"))
        if compressor is None or supply is None or compressor.symbol is not False or supply.symbol is not False:
            return False
        if call is not None and call.symbol is not False:
            return False
        return (self._numbers.get("compressor_a") or 0.0) >= limits.TRUST.standing_a.value

    def _rested(self) -> bool:
        """Whether a fan's current is read so long after the compressor's stop that no board lets it run on: after the
        call's end too or, of a fan that its contactor feeds, behind contacts that are said to be open."""
        by_name = self._inputs.by_name
        fan, compressor, call = by_name.get("fan"), by_name.get("compressor"), by_name.get("call")
        if not (fan and compressor and call) or not fan.symbol or compressor.symbol is not False:
            return False
        gone = call
        if call.symbol and not (self.settings.unit.fan_by_board or self._drive) and "load" in by_name:
            gone = by_name["load"]
        since_s = max(fan.since_s, compressor.since_s, gone.since_s, self._fed_s)
        return gone.symbol is False and lasted(since_s, self.now_s, limits.HABITS.run_on_s.value)

    def _cooled(self) -> bool:
        """Whether the compressor has run on for minutes without its fan's current and draws no more than with it.

        Until then a dead fan is told as one: how fast the current of a start rises differs from house to house, and an
        alarm that is taken back costs less than one that never comes. Where runs are short, two of them tell; where the
        fan's current went in a settled run, half a minute does.
        """
        fan, started_s = self._inputs.by_name.get("fan"), self._cycle.running_since_s
        if fan is None or fan.symbol is not False or started_s is None:
            return False
        least_s = limits.TRUST.cooled_again_s if self._fanless.steady_runs else limits.TRUST.cooled_s
        long = lasted(max(fan.since_s, started_s), self.now_s, least_s.value)
        if not long and lasted(fan.since_s, self.now_s, limits.TRUST.flat_s.value):
            drawn = self._drawn_since_fan()
            long = drawn is not None and abs(drawn - 1.0) <= limits.TRUST.flat_ratio.value
        now_a = self._numbers.get("compressor_a")
        if not long and self._fanless.short_runs >= limits.TRUST.short_runs.value:
            as_before = lasted(max(fan.since_s, started_s), self.now_s, limits.TRUST.flat_s.value)
            return as_before and self._as_in_short_runs(self.facts, self.now_s - started_s, now_a)
        return long and self._steady_without_fan(self.facts, now_a)

    def _as_in_short_runs(self, running: Facts, ran_s: float, now_a: float | None) -> bool:
        """Whether a run without its fan's current is as short as those with it were, and draws no more than they did:
        of those that end before they settle several in a row tell."""
        calm = not self._cold and not running.fan_may_rest and running.draw == "normal"
        moves = "compressor_a" not in self._features.repeats()  # one that does not is no witness
        return calm and moves and self._fanless.as_short(ran_s, now_a, self._outdoor_c)

    def _heated(self) -> bool:
        """Whether the compressor has come to draw more since its fan's current went, as without a fan it does sooner or
        later: then the fan's sensor is believed again."""
        drawn = self._drawn_since_fan()
        return drawn is not None and drawn > limits.TRUST.steady_ratio.value

    def _drawn_since_fan(self) -> float | None:
        """Return what the compressor draws now, of what it drew in the last minute with its fan; None where the fan's
        current did not go in a settled run, or went long ago, or where the compressor's does not move at all; nor of a
        drive, whose board slows it down before it draws more."""
        fan, started_s = self._inputs.by_name.get("fan"), self._cycle.running_since_s
        if fan is None or fan.symbol is not False or started_s is None or self._drive or not self._fanless.early_a:
            return None
        if not lasted(started_s, fan.since_s, limits.SETTLE_S.value):
            return None
        recent_s = max(fan.since_s, self.now_s - limits.TRUST.settle_s.value)
        drawn_a, still = self._features.drew_a(recent_s), "compressor_a" in self._features.repeats()
        if drawn_a is None or still or lasted(fan.since_s, self.now_s, limits.TRUST.heated_s.value):
            return None
        return drawn_a / self._fanless.early_a

    def _steady_without_fan(self, running: Facts, now_a: float | None) -> bool:
        """Whether the compressor draws no more than it does with its fan, as far as that is known."""
        if self._cold or running.fan_may_rest or running.draw != "normal" or not now_a or self._fanless.early_a is None:
            return False
        if abs(now_a - self._fanless.early_a) <= limits.TRUST.frozen_ratio.value * self._fanless.early_a:
            return False  # a number that does not move at all is no witness
        known_a, most_a = self._usual_with_fan()
        if most_a is not None and now_a > most_a * limits.HIGH_TRIP_RATIO.value:
            return False  # as steady as it is, it draws more than this unit does with its fan
        return now_a <= max(self._fanless.early_a, known_a or 0.0) * limits.TRUST.steady_ratio.value

    def _usual_with_fan(self) -> tuple[float | None, float | None]:
        """Return what the compressor draws with its fan, and the most that it does; None where that is not known.

        Many a unit's current rises for its first ten minutes, so its normal with the fan counts too, once that is
        known: in the stage that it began in, for one that goes over to a higher one draws more by that alone."""
        known_a, rough = self._normals(self._outdoor_c, self._fanless.early_a)
        if rough is None:
            known_a = self._fanless.with_fan_a(self._outdoor_c) if known_a is None else known_a
            return known_a, known_a
        alike = rough[1] <= rough[0] * limits.HIGH_TRIP_RATIO.value  # its first runs, so that they were of one stage
        return (rough[1] if alike else known_a), rough[1]

    def _count_steady_run(self, was: Facts, drew_a: float | None, stopped_s: float) -> None:
        """Count a run that its thermostat ended and in which the compressor drew no more than usual, though no fan was
        sensed; one in which it drew more, or that ended otherwise, begins the count again."""
        started_s = self._cycle.running_since_s
        if started_s is None:
            return
        if not lasted(started_s, stopped_s, limits.TRUST.cooled_again_s.value):
            self._count_short_run(was, drew_a, stopped_s - started_s)
            return
        known = self._usual_with_fan()[1] is not None
        if was.fan is False and self.facts.call is False and known and self._steady_without_fan(was, drew_a):
            self._fanless.steady_runs += 1
            return
        self._fanless.steady_runs = 0
        if was.fan and drew_a is not None and self._outdoor_c is not None:
            self._fanless.fan_run = drew_a, self._outdoor_c

    def _count_short_run(self, was: Facts, drew_a: float | None, ran_s: float) -> None:
        """Count one that was too short to settle, likewise; what a run with its fan drew is kept to compare."""
        ended = self.facts.call is False
        if was.fan is False and ended and self._as_in_short_runs(was, ran_s, drew_a):
            self._fanless.short_runs += 1
            return
        self._fanless.short_runs = 0
        if was.fan and ended and drew_a is not None and self._outdoor_c is not None:
            self._fanless.short_run = ran_s, drew_a, self._outdoor_c

    def _finish(self, cycle: Cycle) -> list[Event]:
        self._trends = None
        stood_s = self._diagnosis.stood_s
        if any(stood_s.get(name, -1.0) >= cycle.started_s for name in ("call-without-pull-in", "call-without-run")):
            # What was repaired in the middle of a call was not slow.
            cycle = msgspec.structs.replace(cycle, pull_in_s=None, run_delay_s=None)
        self._baselines.add_cycle(cycle)
        self._features.cycle(cycle)
        self._trust.ran(cycle)
        return [cycle]

    # ------------------------------------------------------------ once a minute

    def _each_minute(self, scan: Scan) -> list[Event]:
        self._trends = self._offers = None
        started_s = self._cycle.running_since_s
        means = self._minute.close(scan.t_s, self._cycle)
        outdoor_c = means["outdoor_c"]
        outdoor_c = self._trusted("outdoor_c", scan.outdoor_c if outdoor_c is None else outdoor_c)
        self._watch_draw(scan.t_s, means["compressor_a"], outdoor_c)
        self._take_temperature(outdoor_c)
        minute = MinuteMeans(
            began_s=self._minute.began_s,
            ended_s=scan.t_s,
            wall_s=scan.wall_s,
            running_since_s=None if started_s is None else max(started_s, self._broken_s),
            sound=self.facts.draw == "normal" and not any(CATALOGUE[name].unsound for name in self._evaluator.standing),
            readings={name: self._trusted(name, value) for name, value in (means | {"outdoor_c": outdoor_c}).items()},
            blower=self.facts.others.get("blower"),
        )
        minute_a = minute.readings["compressor_a"]
        if started_s is not None and lasted(started_s, self._minute.began_s, limits.MINUTE_S.value):
            self._habits.mind_speed(started_s, minute_a, minute.readings["fan_a"])
        blower = self._inputs.by_name.get("blower")
        if started_s is not None and blower is not None and self.facts.call:
            rests_since_s = max(started_s, blower.since_s)
            self._features.blower_minute(blower=minute.blower, rests_since_s=rests_since_s, at_s=scan.t_s)
        if started_s is not None and "compressor_a" not in self._trust.distrusted:
            slows = self._drive or self._habits.slowed_down
            self._features.run_minute(minute_a, scan.t_s, slows=slows)
        if started_s is not None and lasted(started_s, self._minute.began_s, limits.SETTLE_S.value):
            if not lasted(started_s, scan.t_s, limits.RUN_ALIKE_S.value):
                self._features.minute(minute_a, self._normal_a(outdoor_c, minute_a), scan.t_s)
            if self._outdoor_c is not None and self._outdoor_c < limits.HABITS.heats_below_c.value and self.facts.call:
                self._habits.ran_in_the_cold(started_s)
        self._baselines.add_minute(minute)
        self._mind_air(scan)
        if RUNS_UNCALLED & self._evaluator.standing:
            minute = msgspec.structs.replace(minute, running_since_s=None)  # the blower is off, and no air is cooled
        if self._performance.add_minute(minute):
            self._decide_s = -inf
        self._features.winding_known = bool(self._performance.memory.last_uf)
        fed = not any(self._trusted_in(scan, name) is False for name in ("load", "supply"))
        called = fed and bool(scan.call or self.facts.call)
        self._habits.mind_current(self._draws_by_now(scan.t_s), called=called)
        self._set_draw(outdoor_c)
        cools = not any(CATALOGUE[name].severity is Severity.URGENT for name in self._evaluator.standing)
        self._calls.update(scan.t_s, wall_s=scan.wall_s, call=self._called(), outdoor_c=self._outdoor_c, teaches=cools)
        self._patterns.heat.update(
            outdoor_c=self._trusted_in(scan, "outdoor_c"),
            call=self.facts.call,
            now_s=scan.t_s,
            longest_s=self._longest_s + limits.MINUTE_S.value,
        )
        began_s = self._minute.began_s
        self._minute.open(scan.t_s, self._cycle)
        read = dict(zip(self._inputs.fitted, self._inputs.readings_of(scan), strict=True))
        settled = started_s is None or lasted(started_s, scan.t_s, limits.SETTLE_S.value)
        if (call := self.facts.call) is not None and (clamp := self._runs_by(scan)) is not None:
            self._trust.frozen.called(*clamp, call=call)
        self._trust.frozen.add_minute(read)
        noisy = self._noise.update(self._features.last, began_s, self._trust.noisy)
        return self._judge_clamps(scan, read if settled else None, runs=started_s is not None, noisy=noisy)

    def _runs_by(self, scan: Scan) -> tuple[str, float] | None:
        """The clamp by which the unit runs, if it reads a running motor's current, and that current: the fan's only
        while nothing is known of the compressor's."""
        unit, fitted = self.settings.unit, self._inputs.fitted
        amps = scan.compressor_a if "compressor_a" in fitted else None
        if amps is not None:
            return ("compressor_a", amps) if amps >= unit.compressor_on_a else None
        fan_a = scan.fan_a if "fan_a" in fitted else None
        return ("fan_a", fan_a) if fan_a is not None and fan_a >= unit.fan_on_a else None

    def _judge_clamps(
        self,
        scan: Scan,
        numbers: Mapping[str, float | None] | None = None,
        *,
        runs: bool = False,
        noisy: Mapping[str, bool] = {},
    ) -> list[Event]:
        """See whether the clamps read each other's current: each minute, with the minute's numbers and which of them
        are noisy, and before a compressor is called dead beside a fan that runs."""
        others = self._trust.add_minute(
            swapped=self._features.judge_clamps(scan.t_s),
            noisy=noisy,
            numbers=numbers,
            runs=runs,
        )
        return self._believe(scan) if others else []

    def _called(self) -> bool | None:
        """Whether the unit is called; None while it is not known, or could not be called."""
        if self.facts.runs:
            return True
        return None if _UNCALLABLE & self._evaluator.standing else self.facts.call

    def _trusted(self, reading: str, value: float | None) -> float | None:
        return None if reading in self._trust.distrusted else value

    def _trusted_in(self, scan: Scan, reading: str) -> float | None:
        """What a scan reads, as far as that is fitted and believed."""
        return self._trusted(reading, getattr(scan, reading)) if reading in self._inputs.fitted else None

    def _take_temperature(self, outdoor_c: float | None) -> None:
        """Keep the temperature by which a fan may rest; what follows from it changes when it crosses that border."""
        was, self._outdoor_c = self._outdoor_c, outdoor_c
        if self._fan_may_rest(was) is not self._fan_may_rest(self._outdoor_c):
            self.facts = self._facts()
            self._decide_s = -inf

    def _watch_draw(self, now_s: float, minute_a: float | None, outdoor_c: float | None) -> None:
        """Keep what the compressor draws: while the fan runs the last minute, without it the first whole one."""
        started_s, fan = self._cycle.running_since_s, self._inputs.by_name.get("fan")
        self._cold = outdoor_c is not None and outdoor_c < limits.TRUST.warm_c.value
        if started_s is None or minute_a is None or fan is None:
            self._fanless.early_a = None
        elif lasted(started_s, self._minute.began_s, limits.MINUTE_S.value) and (
            fan.symbol or self._fanless.early_a is None
        ):
            self._fanless.early_a = minute_a
        if self._cooled() or self._rested() or self._heated():
            self._trust_due_s = min(self._trust_due_s, now_s)

    def _mind_air(self, scan: Scan) -> None:
        """Hold the air indoors against a compressor that is said to stand under a call: trust asks it each minute."""
        compressor = self._inputs.by_name.get("compressor")
        # What a drive draws at its slowest is little; a clamp that is dead reads nothing.
        nothing = scan.compressor_a is not None and scan.compressor_a < limits.TRUST.standing_a.value
        stands = nothing and compressor is not None and compressor.symbol is False and bool(self.facts.call)
        return_c, supply_c = self._trusted_in(scan, "return_air_c"), self._trusted_in(scan, "supply_air_c")
        if self._air.update(scan.t_s, stands=stands, return_c=return_c, supply_c=supply_c):
            self._trust_due_s = min(self._trust_due_s, scan.t_s)

    def _draws_by_now(self, now_s: float) -> float | None:
        """The middle of what the compressor drew in the last minute, be it called running or not; None: not known."""
        if "compressor_a" not in self._inputs.fitted or "compressor_a" in self._trust.distrusted:
            return None
        recent = (one.compressor_a for one in self._features.last if not lasted(one.t_s, now_s, limits.MINUTE_S.value))
        drew = [amps for amps in recent if amps is not None]
        return median(drew) if drew else None

    def _set_draw(self, outdoor_c: float | None) -> None:
        track, modulates = self._inputs.track("compressor_a"), self._habits.modulates(self._usual_s)
        normal = ANY if modulates else self._baselines.normal_range(outdoor_c)
        if track is None or (normal, modulates) == (self._normal, self._modulates):
            return
        self._normal, self._modulates, settings = normal, modulates, self.settings
        if modulates:
            # One whose board sets its speed is read as such also where nobody has declared it.
            self._baselines.modulates, self._performance.alike = True, False
            unit = msgspec.structs.replace(settings.unit, kind="variable-speed")
            settings = msgspec.structs.replace(settings, unit=unit)
            self._inputs.read_as(unit)
        track.set_bands("draw", draw_bands(settings, *normal))

    # ------------------------------------------------------------ what a decision rests on

    def _snapshot(self) -> Snapshot:
        inputs, now_s, patterns = self._inputs, self.now_s, self._patterns
        new_readings = inputs.revision != self._symbols_revision
        if new_readings:
            self._symbols_revision, was = inputs.revision, self._symbols
            said = inputs.symbols()
            self._symbols = {name: symbol for name, symbol in said.items() if name not in self._trust.distrusted}
            new_readings = self._symbols != was
        return Snapshot(
            now_s=now_s,
            changed_s=self.changed_s,
            facts=self.facts,
            said=None if inputs.settled else self._facts(said=True),
            counted={
                "sensor-silent": bool(inputs.silent(now_s, *self._silence)),
                "contactor-chatter": patterns.chatter.stands(now_s),
                "short-cycling": patterns.short.stands(now_s),
                "overload-cycling": patterns.overload.stands(now_s),
                "slow-start": self._baselines.slow_start,
                "no-call-in-heat": self._no_call_in_heat(),
                **self._performance.answers,
                "overdue-call": self._calls.overdue,
                **self._answers,
            },
            unsettled=inputs.unsettled(),
            undecided=self._trust_due_s < inf and self._in_doubt(now_s),
            grace_s=self._grace_s(now_s),
            distrusted={one.name: reading for reading in self._trust.distrusted for one in inputs.inputs_of(reading)},
            new_readings=new_readings,
            doubted=inputs.doubted(now_s),
        )

    def _grace_s(self, now_s: float) -> dict[str, float]:
        """How much longer than its delay each finding's condition may hold, s."""
        grace_s = {name: self._habits.grace_s(name, self.facts, now_s, self._usual_s, self._apart_s) for name in GRACED}
        if self.facts.call and self._habits.may_be_drive(self._scan.compressor_a if self._scan else None):
            for name in FINDINGS_OF_NO_CURRENT:
                grace_s[name] = max(limits.HABITS.drive_shows_s.value, grace_s[name])
        if self._features.fell_with_call:
            grace_s["contacts-stuck-closed"] = inf  # what its clamp reads is no run that goes on
        if self.facts.call is False:
            for name in FINDINGS_AT_REST:
                grace_s[name] = max(self._blinks.grace_s(name, now_s), grace_s.get(name, 0.0))
        return grace_s

    def _in_doubt(self, now_s: float) -> bool:
        """Whether the sensors will be weighed with the next scan that bears this one out, and will be found to lie."""
        evidence = self._witnessed()
        return self._trust.contradicted(evidence, now_s) or self._trust.would_accuse(evidence, now_s)

    def _no_call_in_heat(self) -> Answer:
        call = self._inputs.by_name.get("call")
        if self._calls.in_season or self._calls.excused:
            return False  # what this unit itself has shown tells better: overdue-call; or a person has said why
        if call is None or call.symbol is None or "call" in self._trust.distrusted:
            return None
        idle = lasted(call.since_s, self.now_s, self._patterns.no_call_s)
        return not call.symbol and idle and self._patterns.heat.stands(self.now_s)

    def _evidence(self, row: FindingRow) -> Evidence:
        """The readings that go with a finding, and what its pattern counted."""
        found: Evidence = {}
        # What lies is shown where it is told, and is no evidence of anything else.
        hidden = () if row.name == "sensing-disagrees" else self._trust.distrusted
        for name in row.evidence:
            if name in hidden:
                continue
            value = self._numbers.get(name)
            if value is not None and name in self._inputs.readings and not self._inputs.readings[name].gone:
                found[name] = value if isinstance(value, bool) else round(value, 3)
        return found | self._counted(row.name)

    def _may_be_shed(self, name: str) -> bool:
        """Whether a utility's switch, declared or not, may be behind a finding for as long as it stands by now."""
        if name != "call-not-reaching-unit" and self._habits.shed_unseen(self.facts, self.now_s):
            return True
        return self._habits.shed_as_before(name, self.now_s, self._usual_s)

    def _counted(self, name: str) -> Evidence:
        if name == "sensor-silent":
            return {"silent": self._inputs.silent(self.now_s, *self._silence)}
        if name == "sensing-disagrees":
            return {"contradiction": self._claims, "distrusted": sorted(self._trust.distrusted)}
        if name == "short-cycling":
            return {"pattern": "; ".join(self._patterns.short.reasons(self.now_s))}
        if name == "overload-cycling":
            return {"restarts": float(len(self._patterns.overload.times_s))}
        if name in _SHED and self._may_be_shed(name):
            return {MAY_BE_SHED: True}
        if name == "overdue-call" and (owed := self._calls.owed()) is not None:
            counted: Evidence = {"silent_h": round(owed.silent_h, 1), "missed_run_h": round(owed.owed_h, 1)}
            return counted | ({} if self._calls.outdoor_c is None else {"outdoor_c": round(self._calls.outdoor_c, 3)})
        if name == "contactor-chatter":
            return {"changes": float(len(self._patterns.chatter.times_s))}
        if name in ("high-running-current", "low-running-current"):
            scan = self._scan
            outdoor_c = self._trusted_in(scan, "outdoor_c") if scan else None
            normal_a = self._baselines.normal_a(outdoor_c, near_a=scan.compressor_a) if scan else None
            return {} if normal_a is None else {"normal_a": round(normal_a, 2)}
        return self._performance.evidence.get(name, {})

    # ------------------------------------------------------------ out

    @property
    def standing(self) -> tuple[Finding, ...]:
        """The findings that stand; one that comes and goes stands until it has been quiet for long."""
        standing = self._diagnosis.standing
        return (*standing.values(), *self._flaps.held(standing).values())

    def status(self) -> UnitStatus:
        """All that is shown of the unit, as of the last scan."""
        if self._trends is None:
            self._trends = self._baselines.report() | {"performance": self._performance.report()}
        if self._offers is None:
            self._offers = self._habits.offers(self._usual_s, stages=self._baselines.stages)
        if self._chain is None:
            found = chain(self._inputs, self._trust.distrusted)
            self._chain = found, first_break(found)
        links, break_at = self._chain
        scan, standing = self._scan, self.standing
        return UnitStatus(
            site=self.settings.site.id,
            name=self.settings.site.name,
            t_s=max(self.now_s, 0.0),
            wall_s=self.wall_s,
            cycle=self._cycle.state,
            cycle_since_s=self._cycle.since_s,
            links=links,
            readings={name: getattr(scan, name) if scan else None for name in READINGS if name in self._inputs.fitted},
            findings=standing,
            alerts=self._alarms.alerts(),
            episodes=self._alarms.episode_book.episodes(),
            break_at=break_at if any(f.severity == "urgent" for f in standing) else None,
            service_until_wall_s=self._alarms.service_until_wall_s,
            trends=self._trends,
            distrusted=self._trust.named,
            offers=self._offers,
            diagnosis=self._diagnosis.diagnosed if standing else None,
        )

    def metrics(self) -> dict[str, Any]:
        """Figures of the alarm system (ISA-18.2): rate, flood, chatter, stale."""
        return self._alarms.metrics(self.wall_s)

    def memory(self) -> bytes:
        """Return what must survive a restart, as JSON. Times of this process are kept as ages."""
        # Before the first scan the times are those of the last memory, before 0: they stay as old as they were.
        now_s = max(self.now_s, 0.0)
        keep = self._memory.keep
        found = self._diagnosis.memory(now_s)
        keep(FINDINGS_MEMORY, found.standing)
        keep(STOOD_MEMORY, found.stood_ages_s)
        keep(WORKED_MEMORY, found.worked_ages_s)
        keep(SEEN_MEMORY, found.seen)
        keep(LOOKS_MEMORY, found.looks)
        keep(FEATURES_MEMORY, self._features.memory(now_s))
        keep(HABITS_MEMORY, self._habits.memory())
        keep(FLAPS_MEMORY, self._flaps.memory(now_s))
        keep(LIARS_MEMORY, self._trust.memory)
        keep(CALLS_MEMORY, self._calls.kept)
        keep(HEAT_MEMORY, [now_s - at_s for at_s in self._patterns.heat.called_s])
        keep(PERFORMANCE_MEMORY, self._performance.memory)
        keep(ALERTS_MEMORY, self._alarms.memory())
        keep(EPISODES_MEMORY, self._alarms.episode_book.memory)
        keep(TRENDS_MEMORY, self._baselines.kept)
        return self._memory.to_json()


def _restored(findings: Mapping[str, Finding] | None) -> dict[str, Finding]:
    """Findings of an earlier process, whose seconds began elsewhere: they stand since before this one began.

    What a newer version of the program found and this one does not know is left out: nothing here could clear it."""
    known = {name: old for name, old in (findings or {}).items() if name in CATALOGUE}
    return {name: msgspec.structs.replace(old, since_s=0.0, raised_s=0.0) for name, old in known.items()}


def _times_s(ages: Ages | None) -> dict[str, float]:
    """When each was, in seconds of a process that begins at 0."""
    return {name: -age_s for name, age_s in (ages or {}).items()}
