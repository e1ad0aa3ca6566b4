"""The step after evaluation: the suspects of each finding that stands, and the changes that people are told.

It is given one decision (`Observed`) and gives back the changes, parents first. No clock, and nobody is asked.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.evaluation import Cleared, Evaluation
from condenser_monitor.monitor.core.findings import FindingRow
from condenser_monitor.monitor.core.records import Change, ChangeKind, Evidence, Finding
from condenser_monitor.monitor.diagnosis.verdict import Verdict, judge


class Observed(NamedTuple):
    """One decision and what goes with it.

    `evidence`: the readings that go with each finding that was raised or is to be reviewed; `symbols`: what each
    sensor is believed to say; `doubted`: the readings that this scan does not bear out; `last_runs`: what the last
    runs have in common (predictions.HISTORY).
    """

    now_s: float
    wall_s: float | None
    evaluation: Evaluation
    evidence: Mapping[str, Evidence]
    symbols: Mapping[str, str]
    doubted: Collection[str]
    last_runs: Mapping[str, str]


class FindingDiagnosis:
    """The findings that stand, each with its suspects, and which stood or worked again of late.

    `standing` are the findings of an earlier process, `cleared_s` and `worked_s` when its findings last stood or were
    seen to work again, in seconds of this one's clock.
    """

    def __init__(
        self,
        settings: Settings,
        fitted: Collection[str],
        *,
        standing: Mapping[str, Finding] = {},
        stood_s: Mapping[str, float] = {},
        worked_s: Mapping[str, float] = {},
    ) -> None:
        self._settings, self._fitted = settings, fitted
        self.standing = dict(standing)
        self._stood_s = dict(stood_s)
        self._worked_s = dict(worked_s)

    def diagnose(self, observed: Observed) -> list[Change]:
        """Turn one decision into changes: what was raised and cleared, and whose suspects are others now."""
        recent = self._recent(observed.now_s)
        outcome, changes = observed.evaluation, []
        for name in outcome.order:
            if name in outcome.raised:
                changes.append(self._raise(*outcome.raised[name], observed, recent))
            elif name in outcome.cleared:
                changes.append(self._clear(name, observed, outcome.cleared[name]))
            else:
                changes += self._review(name, observed, recent)
        return changes

    def stood_ages_s(self, now_s: float) -> dict[str, float]:
        """How long ago each finding of the last hours stood, s; 0 for those that stand."""
        return _ages(self._stood_s, now_s) | dict.fromkeys(self.standing, 0.0)

    def worked_ages_s(self, now_s: float) -> dict[str, float]:
        """How long ago each part of the last hours was seen to work again by itself, s."""
        return _ages(self._worked_s, now_s)

    def _recent(self, now_s: float) -> set[str]:
        return set(self.stood_ages_s(now_s))

    def _verdict(
        self, name: str, observed: Observed, recent: Collection[str], doubted: Collection[str] = ()
    ) -> Verdict:
        known = {reading: symbol for reading, symbol in observed.symbols.items() if reading not in doubted}
        seen = {**known, **observed.last_runs, **{f"recent:{other}": "yes" for other in recent if other != name}}
        if name in self.worked_ages_s(observed.now_s):
            seen["comes-and-goes"] = "yes"
        return judge(name, seen, unit=self._settings.unit, fitted=self._fitted)

    def _raise(self, row: FindingRow, since_s: float, observed: Observed, recent: Collection[str]) -> Change:
        # What this very scan says otherwise clears nobody; it is heard again when it is believed, or was odd.
        verdict = self._verdict(row.name, observed, recent, observed.doubted)
        finding = Finding(
            name=row.name,
            severity=row.severity,
            since_s=since_s,
            raised_s=observed.now_s,
            raised_wall_s=observed.wall_s,
            suspects=verdict.suspects,
            evidence=observed.evidence[row.name],
            summary=row.summary,
            ruled_out=dict(verdict.ruled_out),
            wanted_senses=verdict.wanted_senses,
        )
        self.standing[row.name] = finding
        return _change(ChangeKind.RAISED, finding, observed)

    def _clear(self, name: str, observed: Observed, how: Cleared) -> Change:
        finding = self.standing.pop(name)
        self._stood_s[name] = observed.now_s
        if how.works:
            self._worked_s[name] = observed.now_s
        if how.withdrawn:
            finding = msgspec.structs.replace(finding, evidence=finding.evidence | {"distrusted": list(how.withdrawn)})
        return _change(ChangeKind.CLEARED, finding, observed)

    def _review(self, name: str, observed: Observed, recent: Collection[str]) -> list[Change]:
        was, verdict = self.standing[name], self._verdict(name, observed, recent)
        if verdict.suspects == was.suspects:
            return []
        finding = msgspec.structs.replace(
            was,
            suspects=verdict.suspects,
            evidence=observed.evidence[name],
            ruled_out=dict(verdict.ruled_out),
            wanted_senses=verdict.wanted_senses,
        )
        self.standing[name] = finding
        return [_change(ChangeKind.REVISED, finding, observed)]


def _ages(times_s: Mapping[str, float], now_s: float) -> dict[str, float]:
    """How long ago each was, of those that still tell."""
    ages = {name: now_s - at_s for name, at_s in times_s.items()}
    return {name: age_s for name, age_s in ages.items() if age_s <= limits.RECENT_S.value}


def _change(kind: ChangeKind, finding: Finding, observed: Observed) -> Change:
    return Change(
        t_s=observed.now_s,
        wall_s=observed.wall_s,
        change=kind,
        finding=finding.name,
        severity=finding.severity,
        suspects=finding.suspects,
        evidence=finding.evidence,
        summary=finding.summary,
        wanted_senses=finding.wanted_senses,
    )
