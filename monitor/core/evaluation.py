"""Raising, revising and clearing: each condition against its hold, its parents and what this very scan bears out.

Nothing is raised or cleared on a scan that does not itself say what is believed, so the scan taken at the moment a
delay ends is heard first, and a missing or odd scan only puts the decision off.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from math import inf
from typing import Protocol

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.findings import (
    ROWS,
    Answer,
    FindingRow,
    hold_s,
)
from condenser_monitor.monitor.core.inputs import DebouncedInputs, lasted
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.records import (
    Change,
    ChangeKind,
    Evidence,
    Finding,
)
from condenser_monitor.monitor.diagnosis.verdict import Verdict, judge


class Snapshot(Protocol):
    """What the judge is told of one scan."""

    now_s: float
    wall_s: float | None
    changed_s: float
    facts: Facts

    @property
    def said(self) -> Facts: ...  # the very facts, where the scan bears out all that is believed

    @property
    def last_runs(self) -> Mapping[str, str]: ...

    def answer(self, row: FindingRow) -> Answer: ...

    def evidence(self, row: FindingRow) -> Evidence: ...


class Timer:
    """Since when a condition has been true or false, how many scans by themselves said that it is true, and whether
    its parent has been holding it down."""

    __slots__ = ("clear_s", "false_s", "hold_s", "revise_s", "row", "scans", "suppressed", "true_s")

    def __init__(self, row: FindingRow, settings: Settings) -> None:
        self.row = row
        # A pattern has its times inside it: when it answers True, its condition has held.
        self.hold_s = 0.0 if row.pattern else hold_s(row, settings)
        clear = limits.FINDINGS[row.name].clear_s
        self.clear_s = settings.limit(clear) if clear else 0.0
        self.true_s: float | None = None
        self.false_s: float | None = None
        self.revise_s = inf
        self.suppressed = False
        self.scans = 0

    def count(self, answer: Answer, said: Facts | None) -> None:
        """One scan by itself (None: it says what is believed): an odd one beside a change that is not yet believed
        makes a condition of two halves."""
        condition = self.row.condition
        bears_out = bool(answer if said is None or condition is None else condition(said))
        self.scans = self.scans + bears_out if answer or bears_out else 0

    def take(self, answer: Answer, since_s: float, now_s: float, *, suppressed: bool) -> None:
        if answer:
            if self.true_s is None:
                self.true_s = since_s
            elif self.suppressed and not suppressed:
                self.true_s = now_s
            self.false_s = None
        else:
            self.true_s = None
            if answer is None:
                self.false_s = None
            elif self.false_s is None:
                self.false_s = since_s
        self.suppressed = suppressed

    @property
    def awake(self) -> bool:
        """The same facts may yet raise the finding; one that stands is always asked."""
        return self.true_s is not None or self.row.pattern

    def due(self, now_s: float) -> bool:
        held = self.true_s is not None and lasted(self.true_s, now_s, self.hold_s)
        return held and not self.suppressed and (self.row.pattern or self.scans >= limits.CONFIRM_SCANS.value)

    def over(self, now_s: float) -> bool:
        return self.false_s is not None and lasted(self.false_s, now_s, self.clear_s)

    def deadline(self, *, standing: bool) -> float:
        if standing:
            return min(self.revise_s, inf if self.false_s is None else self.false_s + self.clear_s)
        return inf if self.true_s is None or self.suppressed else self.true_s + self.hold_s


class FindingEvaluator:
    """All findings of one unit. `standing` maps the name of each finding that stands to it."""

    def __init__(self, settings: Settings, sensing: DebouncedInputs) -> None:
        self._settings, self._sensing = settings, sensing
        self._timers = [Timer(row, settings) for row in ROWS]
        self._awake = self._timers
        self._told: Facts | None = None
        self._odd = False
        self._revision = -1
        self.standing: dict[str, Finding] = {}
        self.last_stood_s: dict[str, float] = {}
        self.worked_s: dict[str, float] = {}
        self._symbols: dict[str, str] = {}

    def take(self, moment: Snapshot) -> list[Change]:
        """Judge every finding at one moment; the changes, parents first."""
        changes: list[Change] = []
        fresh = self._fresh_symbols()
        by_itself = moment.said
        said = None if by_itself is moment.facts else by_itself
        whole = self._whole(moment.facts, odd=said is not None)
        for timer in self._timers if whole else self._awake:
            row = timer.row
            answer = moment.answer(row)
            if not (whole or answer or timer.true_s is not None or row.name in self.standing):
                continue
            suppressed = not self.standing.keys().isdisjoint(row.parents)
            timer.count(answer, said)
            timer.take(answer, moment.changed_s, moment.now_s, suppressed=suppressed)
            if row.steady and answer and not self._borne_out(row):
                timer.true_s = moment.now_s
            change = self._decide(timer, answer, moment, fresh=fresh)
            if change is not None:
                changes.append(change)
        if whole or changes:
            self._awake = [timer for timer in self._timers if timer.awake or timer.row.name in self.standing]
        for name in self.standing:
            self.last_stood_s[name] = moment.now_s
        return changes

    def _whole(self, facts: Facts, *, odd: bool) -> bool:
        """Whether every finding is asked: the facts are new, or this scan or the one before said something else than is
        believed. Else nothing has moved for those that are not awake."""
        whole = odd or self._odd or facts is not self._told
        self._odd, self._told = odd, facts
        return whole

    def deadline(self) -> float:
        """When a decision may next be due by time alone, s."""
        return min((timer.deadline(standing=timer.row.name in self.standing) for timer in self._awake), default=inf)

    def _fresh_symbols(self) -> bool:
        if self._sensing.revision == self._revision:
            return False
        self._revision = self._sensing.revision
        symbols = self._sensing.symbols()
        fresh, self._symbols = symbols != self._symbols, symbols
        return fresh

    def _decide(self, timer: Timer, answer: Answer, moment: Snapshot, *, fresh: bool) -> Change | None:
        row, now_s = timer.row, moment.now_s
        if row.name not in self.standing:
            if timer.due(now_s) and self._borne_out(row):
                return self._raise(timer, moment)
            return None
        if timer.over(now_s) and self._borne_out(row):
            return self._clear(row, moment)
        if fresh and not row.pattern and answer:
            timer.revise_s = now_s + limits.REVISE_S.value
        if lasted(timer.revise_s, now_s, 0.0) and answer and self._borne_out(row):
            timer.revise_s = inf
            return self._revise(row, moment)
        return None

    def _borne_out(self, row: FindingRow) -> bool:
        beliefs = self._sensing.beliefs
        return all(beliefs[name].settled or beliefs[name].gone for name in row.needs if name in beliefs)

    def _verdict(self, row: FindingRow, moment: Snapshot, doubted: Collection[str] = ()) -> Verdict:
        known = {name: symbol for name, symbol in self._symbols.items() if name not in doubted}
        seen, now_s = {**known, **moment.last_runs}, moment.now_s
        worked_s = self.worked_s.get(row.name)
        if worked_s is not None and now_s - worked_s <= limits.RECENT_S.value:
            seen["comes-and-goes"] = "yes"
        for name, last_s in self.last_stood_s.items():
            if name != row.name and now_s - last_s <= limits.RECENT_S.value:
                seen[f"recent:{name}"] = "yes"
        return judge(row.name, seen, unit=self._settings.unit, fitted=self._sensing.fitted)

    def _raise(self, timer: Timer, moment: Snapshot) -> Change:
        # What this very scan says otherwise clears nobody; it is heard again when it is believed, or was odd.
        row, doubted = timer.row, self._sensing.doubted(moment.now_s)
        verdict = self._verdict(row, moment, doubted)
        timer.revise_s = moment.now_s + limits.REVISE_S.value if doubted and not row.pattern else inf
        finding = Finding(
            name=row.name,
            severity=row.severity,
            since_s=moment.now_s if timer.true_s is None else timer.true_s,
            raised_s=moment.now_s,
            raised_wall_s=moment.wall_s,
            suspects=verdict.suspects,
            evidence=moment.evidence(row),
            summary=row.summary,
            ruled_out=dict(verdict.ruled_out),
            wanted_senses=verdict.wanted_senses,
        )
        self.standing[row.name] = finding
        return _change(ChangeKind.RAISED, finding, moment)

    def _clear(self, row: FindingRow, moment: Snapshot) -> Change:
        finding = self.standing.pop(row.name)
        if row.works is not None and row.works(moment.facts):
            self.worked_s[row.name] = moment.now_s
        return _change(ChangeKind.CLEARED, finding, moment)

    def _revise(self, row: FindingRow, moment: Snapshot) -> Change | None:
        was, verdict = self.standing[row.name], self._verdict(row, moment)
        if verdict.suspects == was.suspects:
            return None
        finding = msgspec.structs.replace(
            was,
            suspects=verdict.suspects,
            evidence=moment.evidence(row),
            ruled_out=dict(verdict.ruled_out),
            wanted_senses=verdict.wanted_senses,
        )
        self.standing[row.name] = finding
        return _change(ChangeKind.REVISED, finding, moment)


def _change(kind: ChangeKind, finding: Finding, moment: Snapshot) -> Change:
    return Change(
        t_s=moment.now_s,
        wall_s=moment.wall_s,
        change=kind,
        finding=finding.name,
        severity=finding.severity,
        suspects=finding.suspects,
        evidence=finding.evidence,
        summary=finding.summary,
        wanted_senses=finding.wanted_senses,
    )


def restore(findings: Mapping[str, Finding]) -> dict[str, Finding]:
    """Findings of an earlier process, whose seconds began elsewhere: they stand since before this one began."""
    return {name: msgspec.structs.replace(old, since_s=0.0, raised_s=0.0) for name, old in findings.items()}
