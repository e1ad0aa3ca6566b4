"""The step after evaluation: the unit's one diagnosis, the suspects of each finding by it, and the changes people are
told.

It is given one decision (`Observed`) and gives back the changes, parents first, and the diagnosis where it is another
one now. No clock, and nobody is asked.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Mapping, Sequence
from collections.abc import Set as AbstractSet
from math import inf
from typing import NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.evaluation import Cleared, Evaluation
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.inputs import lasted
from condenser_monitor.monitor.core.records import Change, ChangeKind, Diagnosed, Evidence, Finding, Severity
from condenser_monitor.monitor.diagnosis.checks import rows as checks
from condenser_monitor.monitor.diagnosis.evidence import seen_from
from condenser_monitor.monitor.diagnosis.features import FEATURES
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import (
    FOLLOWS,
    MONITOR,
    NOBODY,
    SITUATIONS,
    Diagnosis,
    FindingSeen,
    UnitCase,
    diagnose,
    symbols_of,
)


class Observed(NamedTuple):
    """One decision and what goes with it.

    `evidence`: the readings that go with each finding that was raised or is to be reviewed; `symbols`: what each
    sensor is believed to say; `doubted`: the readings that this scan does not bear out; `last_runs`: what the last
    runs have in common (predictions.HISTORY); `features`: shape, size and history (features.FEATURES); `distrusted`:
    the readings that are not believed.
    """

    now_s: float
    wall_s: float | None
    evaluation: Evaluation
    evidence: Mapping[str, Evidence]
    symbols: Mapping[str, str]
    doubted: Collection[str]
    last_runs: Mapping[str, str]
    features: Mapping[str, str] = {}
    distrusted: tuple[str, ...] = ()


class PastLook(msgspec.Struct, frozen=True, kw_only=True):
    """The fullest look of an hour: when, with how many findings and features, and the suspects' shares by its own
    evidence. `at_s` is an age in the memory that the next process gets."""

    at_s: float
    pieces: int
    shares: dict[str, float]


class FindingsMemory(NamedTuple):
    """What the next process must know of the findings: those that stand; how long ago each last stood (0: it stands),
    or was seen to work again, of late, s; how each of them looked, as symbols; and the looks of the last days, each
    with its age."""

    standing: dict[str, Finding]
    stood_ages_s: dict[str, float]
    worked_ages_s: dict[str, float]
    seen: dict[str, dict[str, str]]
    looks: list[PastLook]


class FindingDiagnosis:
    """The findings that stand, each with its suspects, which stood or worked again of late, and the unit's diagnosis.

    `standing` are the findings of an earlier process, `stood_s` and `worked_s` when its findings last stood or were
    seen to work again, in seconds of this one's clock, `seen` how they looked, as symbols; `looks` what was found in
    the last days, each with its age.
    """

    def __init__(
        self,
        settings: Settings,
        fitted: Collection[str],
        *,
        standing: Mapping[str, Finding] = {},
        stood_s: Mapping[str, float] = {},
        worked_s: Mapping[str, float] = {},
        seen: Mapping[str, Mapping[str, str]] = {},
        looks: Collection[PastLook] = (),
    ) -> None:
        self._settings, self._fitted = settings, fitted
        self._looks = [msgspec.structs.replace(look, at_s=-look.at_s) for look in looks]
        self.standing = dict(standing)
        self.diagnosed: Diagnosed | None = None
        self.stood_s = dict(stood_s)
        self._begun_s: dict[str, float] = {}  # since when what stands has been so
        self._beside_s: dict[str, float] = {}  # when what is over was last part of a diagnosis with an urgent finding
        self.worked_s = dict(worked_s)
        # when what had worked again was last raised again
        self._back_s = {name: worked_s[name] for name in self.standing.keys() & worked_s.keys()}
        self._lied_s: dict[str, float] = {}  # what stands and rested on inputs that were found to lie then
        self._diagnosed_s: deque[float] = deque(maxlen=int(limits.DIAGNOSES_MOST.value))
        self._features: dict[str, str] = {}
        self._restored = set(
            self.standing
        )  # what they looked like is known in part only: their suspects stay as they are
        self._seen = {name: seen_from(one.evidence, settings.unit) for name, one in self.standing.items()}
        for name in seen.keys() & SITUATIONS.keys():  # what another version knew and this one does not is left out
            self._seen[name] = {key: symbol for key, symbol in seen[name].items() if symbol in symbols_of(key)}

    def diagnose(self, observed: Observed) -> list[Change | Diagnosed]:
        """Turn one decision into changes: what was raised and cleared, whose suspects are others now, and the unit's
        diagnosis where it has changed."""
        outcome = observed.evaluation
        for name in outcome.raised.keys() & ages_s(self.worked_s, observed.now_s).keys():
            self._back_s[name] = observed.now_s
        for name, how in outcome.cleared.items():
            self.stood_s[name] = observed.now_s
            if how.works:
                self.worked_s[name] = observed.now_s
            lied_s = self._lied_s.pop(name, -inf)
            if how.withdrawn or not lasted(lied_s, observed.now_s, limits.MINUTE_S.value):
                del self.stood_s[name]  # a sensor's lie tells nothing about the unit
        recent = ages_s(self.stood_s, observed.now_s).keys() | self.standing.keys() | outcome.raised.keys()
        for name in (*outcome.raised, *outcome.review):
            # What this very scan says otherwise clears nobody; it is heard again when it is believed, or was odd.
            doubted = observed.doubted if name in outcome.raised else ()
            known = {reading: symbol for reading, symbol in observed.symbols.items() if reading not in doubted}
            beside = {f"recent:{other}": "yes" for other in recent if other != name}
            runs = {trait: symbol for trait, symbol in observed.last_runs.items() if trait not in FEATURES}
            self._restored.discard(name)
            self._seen[name] = {**known, **runs, **beside}
        stands = (self.standing.keys() | outcome.raised.keys()) - outcome.cleared.keys()
        self._begun_s = {name: self.standing[name].since_s for name in stands & self.standing.keys()}
        self._begun_s |= {name: since_s for name, (_, since_s) in outcome.raised.items()}
        diagnosis = self._diagnosis(observed, stands)
        found = diagnosis or NOBODY
        changes: list[Change | Diagnosed] = []
        for name in outcome.order:
            if name in outcome.raised:
                changes.append(self._raise(name, observed, found))
            elif name in outcome.cleared:
                changes.append(self._clear(name, observed, outcome.cleared[name]))
        # It has changed often within the hour, and no finding is new: who is suspected stays as it is meanwhile.
        times_s = self._diagnosed_s
        often = len(times_s) == times_s.maxlen and observed.now_s - times_s[0] < limits.DIAGNOSES_WINDOW_S.value
        told_of = () if self.diagnosed is None else self.diagnosed.findings
        if diagnosis is None:
            changes += self._review(observed, found)
        elif not (often and diagnosis.explains.keys() <= set(told_of)):
            changes += self._review(observed, found)
            changes += self._diagnosed(observed, found)
        return changes

    def disbelieve(self, lying: AbstractSet[str], new: AbstractSet[str], now_s: float) -> None:
        """Forget what is over and rested on inputs that lie: it told nothing about the unit, also where something else
        had ended it a moment before, and where it ends because some are `new` among them."""
        for name in self.stood_s.keys() - self.standing.keys():
            if not lying.isdisjoint(CATALOGUE[name].needs):
                del self.stood_s[name]
        self._lied_s |= {name: now_s for name in self.standing if not new.isdisjoint(CATALOGUE[name].needs)}

    def escalate(self, name: str, evidence: Evidence, now_s: float, wall_s: float | None) -> list[Change]:
        """Raise the severity of a finding that stands, where what goes with it by now is more urgent."""
        was, row = self.standing[name], CATALOGUE[name]
        if was.severity is Severity.URGENT or row.severity_at(evidence, self._settings) is not Severity.URGENT:
            return []
        finding = msgspec.structs.replace(was, severity=Severity.URGENT, evidence=evidence)
        self.standing[name] = finding
        return [Change.of(finding, ChangeKind.REVISED, now_s, wall_s)]

    def memory(self, now_s: float) -> FindingsMemory:
        """Return what must survive a restart."""
        stood_ages_s = ages_s(self.stood_s, now_s) | dict.fromkeys(self.standing, 0.0)
        return FindingsMemory(
            standing=self.standing,
            stood_ages_s=stood_ages_s,
            worked_ages_s=ages_s(self.worked_s, now_s),
            seen={name: self._seen[name] for name in stood_ages_s if name in self._seen},
            looks=[msgspec.structs.replace(one, at_s=now_s - one.at_s) for one in self._looks],
        )

    def _diagnosis(self, observed: Observed, stands: set[str]) -> Diagnosis | None:
        """The unit's diagnosis over all findings of the last hours."""
        now_s = observed.now_s
        gone = [
            name for name in self.stood_s if name not in stands and name in self._seen and self._belongs(name, now_s)
        ]
        findings = [FindingSeen(name, self._seen.get(name, {})) for name in SITUATIONS if name in stands]
        findings += [
            FindingSeen(name, self._seen[name], stands=False, cycles=self._cycles(name, stands, now_s)) for name in gone
        ]
        if not findings:
            return None
        features = {
            trait: symbol for trait, symbol in {**observed.last_runs, **observed.features}.items() if trait in FEATURES
        }
        back = ages_s(self._back_s, now_s).keys()
        # What is new need not come and go as the others do, unless it is the pattern that they make.
        pattern = {name for name in stands if CATALOGUE[name].pattern and any(name in FOLLOWS.get(b, ()) for b in back)}
        new = {name for name in stands - back - pattern if CATALOGUE[name].severity is Severity.URGENT}
        if back & stands or (back & set(gone) and not new):
            features["comes-and-goes"] = "yes"
        self._features = features
        # Whom the fullest look of the last days was at, with what its shares still count: of evidence that is too old
        # for this diagnosis itself.
        past: dict[str, float] = {}
        old = [
            one
            for one in self._looks
            if lasted(one.at_s, now_s, limits.EPISODE_S.value) and not lasted(one.at_s, now_s, limits.PAST_S.value)
        ]
        if old:
            best = max(old, key=lambda one: (one.pieces, one.at_s))
            left = 0.5 ** ((now_s - best.at_s) / limits.PAST_HALF_S.value)
            past = {name: share * left for name, share in best.shares.items()}
        case = UnitCase(findings, self._settings.unit, self._fitted, features, past=past)
        found = diagnose(case)
        # Keep the fullest look of the hour.
        shares = {name: share for name, share in found.afresh.items() if name != MONITOR}
        look = PastLook(at_s=now_s, pieces=len(findings) + len(features), shares=shares)
        newest = self._looks[-1] if self._looks else None
        if newest is not None and now_s - newest.at_s < limits.PAST_EVERY_S.value:
            if look.pieces < newest.pieces:
                return found
            look = msgspec.structs.replace(look, at_s=newest.at_s)
            self._looks.pop()
        self._looks = [one for one in self._looks if not lasted(one.at_s, now_s, limits.PAST_S.value)] + [look]
        return found

    def _cycles(self, name: str, stands: set[str], now_s: float) -> bool:
        """Whether what is over comes and goes with a pattern that stands and follows from it: a unit that cycles on a
        switch shows it open in one half of each cycle and works in the other."""
        of_late = not lasted(self.stood_s[name], now_s, limits.SHORT_CYCLING.window_s.value)
        return of_late and any(CATALOGUE[other].pattern and name in FOLLOWS.get(other, ()) for other in stands)

    def forget_past(self) -> None:
        """Something was mended: what comes next need not be the same."""
        self._looks.clear()

    def _belongs(self, name: str, now_s: float) -> bool:
        """Whether what is over still belongs to the diagnosis: for some hours, and while a finding stands that came
        within them and is urgent, because a unit that is dead or locked out does not show that the part works again,
        or that may follow from it: a run without end began with what is over."""
        last_s = max(self.stood_s[name], self._beside_s.get(name, -inf))
        urgent = [one.raised_s for one in self.standing.values() if one.severity is Severity.URGENT]
        begun = [
            since_s
            for other, since_s in self._begun_s.items()
            if CATALOGUE[other].severity is Severity.WATCH and name in FOLLOWS.get(other, ())
        ]
        belongs = any(not lasted(last_s, at_s, limits.EPISODE_S.value) for at_s in (now_s, *urgent, *begun))
        belongs = belongs and not lasted(self.stood_s[name], now_s, limits.UNPROVEN_S.value)
        if belongs and (urgent or begun):
            self._beside_s[name] = now_s
        return belongs

    def _raise(self, name: str, observed: Observed, found: Diagnosis) -> Change:
        row, since_s = observed.evaluation.raised[name]
        finding = Finding(
            name=name,
            severity=row.severity_at(observed.evidence[name], self._settings),
            since_s=since_s,
            raised_s=observed.now_s,
            raised_wall_s=observed.wall_s,
            suspects=found.explains.get(name, (MONITOR,)),
            evidence=observed.evidence[name],
            summary=row.summary,
            ruled_out=_ruled_out(name, found),
            wanted_senses=found.wanted_senses,
        )
        self.standing[name] = finding
        return Change.of(finding, ChangeKind.RAISED, observed.now_s, observed.wall_s)

    def _clear(self, name: str, observed: Observed, how: Cleared) -> Change:
        finding = self.standing.pop(name)
        if how.withdrawn:
            finding = msgspec.structs.replace(finding, evidence=finding.evidence | {"distrusted": list(how.withdrawn)})
        return Change.of(finding, ChangeKind.CLEARED, observed.now_s, observed.wall_s)

    def _review(self, observed: Observed, found: Diagnosis) -> list[Change]:
        """The findings that have another first suspect by now, or others than at the end of the list."""
        changes = []
        for name, was in self.standing.items():
            if name in observed.evaluation.raised or name in self._restored:
                continue
            suspects = found.explains.get(name, (MONITOR,))
            if suspects[:1] == was.suspects[:1] and not self._news(set(suspects) ^ set(was.suspects), found):
                continue
            finding = msgspec.structs.replace(
                was,
                suspects=suspects,
                evidence=observed.evidence.get(name, was.evidence),
                ruled_out=_ruled_out(name, found),
                wanted_senses=found.wanted_senses,
            )
            self.standing[name] = finding
            changes.append(Change.of(finding, ChangeKind.REVISED, observed.now_s, observed.wall_s))
        return changes

    def _news(self, moved: Collection[str], found: Diagnosis) -> bool:
        """Whether suspects that have come or gone are more than the end of the list."""
        before = {} if self.diagnosed is None else dict(self.diagnosed.suspects)
        return any(
            max(before.get(name, 0.0), found.shares.get(name, 0.0)) >= limits.REVISED_SHARE.value for name in moved
        )

    def _diagnosed(self, observed: Observed, found: Diagnosis) -> list[Diagnosed]:
        made = Diagnosed(
            t_s=observed.now_s,
            wall_s=observed.wall_s,
            change=ChangeKind.DIAGNOSED,
            findings=tuple(found.explains),
            suspects=tuple(found.shortlist.items()),
            because=found.because,
            distrusted=observed.distrusted,
            next_check=None,
            summary=summary(tuple(found.shortlist), found.because),
            features=self._features,
        )
        if self.diagnosed is not None and _much_the_same(self.diagnosed, made):
            return []
        self._diagnosed_s.append(made.t_s)
        check = checks.next_check(found.rows) or checks.confirming_check(found.rows)
        self.diagnosed = msgspec.structs.replace(made, next_check=None if check is None else check.name)
        return [self.diagnosed]


def summary(suspects: Sequence[str], because: Sequence[str]) -> str:
    """The diagnosis in one plain sentence."""
    if not suspects:
        return "Nothing on the list explains what is seen."
    first = SUSPECTS[suspects[0]].title
    other = f", else {SUSPECTS[suspects[1]].title}" if len(suspects) > 1 else ""
    why = f": {because[0]}" if because else ""
    return f"Most likely {first}{other}{why}."


def _much_the_same(was: Diagnosed, now: Diagnosed) -> bool:
    """Same findings, same first suspect, and no share has moved far enough to be news."""
    if set(was.findings) != set(now.findings) or was.distrusted != now.distrusted:
        return False
    if [name for name, _ in was.suspects[:1]] != [name for name, _ in now.suspects[:1]]:
        return False
    before, after = dict(was.suspects), dict(now.suspects)
    moved = (abs(before.get(name, 0.0) - after.get(name, 0.0)) for name in before.keys() | after.keys())
    return max(moved, default=0.0) < limits.STEADY_SHARE.value


def _ruled_out(name: str, found: Diagnosis) -> dict[str, str]:
    """The suspects of this finding's own table that are out, with the reason."""
    if not found.ruled_out:
        return {}
    own = {cause.suspect for cause in SITUATIONS[name].causes if not cause.marks}
    return {suspect: why for suspect, why in found.ruled_out.items() if suspect in own}


def ages_s(times_s: Mapping[str, float], now_s: float) -> dict[str, float]:
    """Return how long ago each was, of those that still tell."""
    ages = {name: now_s - at_s for name, at_s in times_s.items()}
    return {name: age_s for name, age_s in ages.items() if age_s <= limits.RECENT_S.value}
