"""One diagnosis from the first suspicion to what it really was: pure, so that terminal and page can both drive it.

A session begins with a finding of the monitor or with a symptom that somebody tells, takes typed answers to checks, and
says at any time who is still suspected, who is not and why, and which check comes next. Answers may come in any order,
be replaced and be taken back.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.bands import (
    Bands,
    coil_bands,
    run_bands,
    volt_bands,
)
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.readings import FLAGS
from condenser_monitor.monitor.core.records import (
    Evidence,
    Finding,
    MeterReading,
    StoredVisit,
)
from condenser_monitor.monitor.diagnosis.checks import rows as checks
from condenser_monitor.monitor.diagnosis.checks.base import Check, Who
from condenser_monitor.monitor.diagnosis.checks.meter import Judged, classify
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS, Offer
from condenser_monitor.monitor.diagnosis.elimination import PredictionRow
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.verdict import (
    SITUATIONS,
    Verdict,
    judge_any,
    open_rows,
)

# What somebody without a monitor can tell, and the findings that would be behind it.
SYMPTOMS: dict[str, tuple[str, ...]] = {
    "no-cooling": (
        "call-without-run",
        "call-not-reaching-unit",
        "control-power-lost",
        "no-call-in-heat",
        "line-supply-lost",
        "compressor-not-running",
        "fan-not-running",
        "low-running-current",
    ),
    "outdoor-unit-dead": (
        "call-without-run",
        "call-not-reaching-unit",
        "control-power-lost",
        "no-call-in-heat",
        "line-supply-lost",
    ),
    "only-the-fan-runs": ("compressor-not-running",),
    "only-the-compressor-runs": ("fan-not-running",),
    "hums-and-stops": ("locked-rotor", "overload-cycling"),
    "starts-and-stops": ("short-cycling", "overload-cycling", "contactor-chatter"),
    "does-not-stop": ("contacts-stuck-closed", "long-run"),
    "cools-poorly": ("long-run", "low-running-current", "high-running-current"),
}
OTHER = "other"


class Step(NamedTuple):
    """What one answer changed. `ruled_out`: newly, with the reason; `back`: suspects that are in question again."""

    judged: Judged | None
    ruled_out: dict[str, str]
    back: tuple[str, ...]
    verdict: Verdict
    next: Check | None


class VisitSession:
    """One diagnosis. `answers` maps each check done to its outcome, in the order in which they came."""

    def __init__(
        self,
        findings: Iterable[str],
        *,
        unit: Unit,
        seen: Mapping[str, str] | None = None,
        fitted: Collection[str] = (),
        cleared: Mapping[str, str] | None = None,
        who: Who = "technician",
    ) -> None:
        self.findings = tuple(findings)
        self.unit = unit
        self.seen = dict(seen or {})
        self.fitted = tuple(fitted)
        self.cleared = dict(cleared or {})
        self.who = who
        self.answers: dict[str, Judged] = {}
        self.typed: dict[str, str] = {}
        self.first = self.verdict().suspects

    @classmethod
    def from_finding(
        cls,
        finding: Finding,
        *,
        unit: Unit,
        fitted: Collection[str],
        seen: Mapping[str, str] | None = None,
        who: Who = "technician",
    ) -> VisitSession:
        """Begin where the monitor left off: its evidence counts, and whom it ruled out stays out.

        `seen`: symbols of the senses where they are at hand (beliefs.Sensing.symbols); else taken from the evidence.
        """
        known = seen_from(finding.evidence, unit) if seen is None else seen
        out = {name: why for name, why in finding.ruled_out.items() if name not in finding.suspects}
        return cls((finding.name,), unit=unit, seen=known, fitted=fitted, cleared=out, who=who)

    @classmethod
    def from_symptom(cls, symptom: str, *, unit: Unit, who: Who = "technician") -> VisitSession:
        """Begin with nothing but what somebody tells; a finding's name will do too. Raises CommandError."""
        findings = (symptom,) if symptom in SITUATIONS else SYMPTOMS.get(symptom)
        if findings is None:
            raise CommandError("symptom", symptom, ", ".join((*SYMPTOMS, *SITUATIONS)))
        return cls(findings, unit=unit, who=who)

    # ------------------------------------------------------------ answers in

    def enter(self, check: str, text: str) -> Step:
        """Take a typed answer to a check. Raises CommandError, and changes nothing, when it cannot be understood."""
        if check not in CHECKS:
            raise CommandError("check", check, ", ".join(CHECKS))
        row = CHECKS[check]
        if "leads" in row.cautions and self._outcome("leads") == "broken":
            raise CommandError(
                f"check {check}", text, "nothing in ohms until the meter's leads are whole (check leads)"
            )
        judged = classify(row, text, self.unit)
        before = self.verdict()
        self.answers.pop(check, None)
        self.answers[check], self.typed[check] = judged, text
        return self._step(judged, before)

    def take_back(self, check: str) -> Step:
        """Forget an answer. Raises CommandError for a check that has none."""
        if check not in self.answers:
            raise CommandError("check", check, ", ".join(self.answers) or "none: no check has been answered")
        before = self.verdict()
        del self.answers[check], self.typed[check]
        return self._step(None, before)

    def _outcome(self, check: str) -> str | None:
        judged = self.answers.get(check)
        return None if judged is None else judged.outcome

    def _step(self, judged: Judged | None, before: Verdict) -> Step:
        after = self.verdict()
        newly = {name: why for name, why in after.ruled_out.items() if name in before.suspects}
        back = tuple(name for name in after.suspects if name not in before.suspects)
        return Step(judged, newly, back, after, self.next_check())

    # ------------------------------------------------------------ what it says

    @property
    def meter(self) -> dict[str, str]:
        """check -> outcome, the newest answer first, without those that speak of no suspect."""
        latest = reversed(self.answers.items())
        return {name: judged.outcome for name, judged in latest if CHECKS[name].news}

    def verdict(self) -> Verdict:
        """Who is left, who is not and why."""
        return judge_any(
            self.findings, self.seen, unit=self.unit, fitted=self.fitted, meter=self.meter, cleared=self.cleared
        )

    def _open(self) -> list[PredictionRow]:
        return open_rows(
            self.findings, self.seen, unit=self.unit, fitted=self.fitted, meter=self.meter, cleared=self.cleared
        )

    def offers(self) -> list[Offer]:
        """The checks worth doing, the next one first."""
        return checks.offers(self._open(), self.answers, self.who)

    def next_check(self) -> Check | None:
        """The check to do next: the one that tells most, else one that confirms the first suspect; None at the end."""
        rows = self._open()
        splits = checks.next_check(rows, self.answers, self.who)
        return splits or checks.confirming_check(rows, self.answers, self.who)

    # ------------------------------------------------------------ records out

    def readings(self, by: str, wall_s: float | None = None) -> list[MeterReading]:
        """The answers as records to keep."""
        finding = self.findings[0] if len(self.findings) == 1 else None
        return [
            MeterReading(
                check=name,
                typed=self.typed[name],
                by=by,
                wall_s=wall_s,
                value=judged.value,
                unit=CHECKS[name].quantity if judged.value is not None else "",
                symbol=judged.outcome,
                finding=finding,
            )
            for name, judged in self.answers.items()
        ]

    def visit(self, was: str, by: str, wall_s: float | None = None, note: str = "") -> StoredVisit:
        """What it really was, with what was suspected before any check. Raises CommandError for an unknown suspect."""
        if was not in SUSPECTS and was != OTHER:
            raise CommandError("what it was", was, ", ".join((*SUSPECTS, OTHER)))
        finding = self.findings[0] if len(self.findings) == 1 else None
        return StoredVisit(was=was, by=by, wall_s=wall_s, finding=finding, suspects=self.first, note=note)


# ---------------------------------------------------------------- from a finding's evidence back to symbols


def seen_from(evidence: Evidence, unit: Unit) -> dict[str, str]:
    """A finding's readings as symbols; one that lies between two bands, and all that is no reading, is left out."""
    seen: dict[str, str] = {}
    for name, value in evidence.items():
        if name in FLAGS and isinstance(value, bool):
            seen[name] = "on" if value else "off"
        elif isinstance(value, int | float) and not isinstance(value, bool):
            symbol = _symbol(name, float(value), unit)
            if symbol is not None:
                seen[name] = symbol
    return seen


def _symbol(name: str, value: float, unit: Unit) -> str | None:
    if name == "compressor_a" and value >= unit.compressor_lra_a * limits.LOCKED_RATIO.value:
        return "locked"
    bands: dict[str, Bands] = {
        "control_v": volt_bands(),
        "coil_a": coil_bands(),
        "compressor_a": run_bands(unit.compressor_rla_a, limits.RUNNING_ON_RATIO, limits.RUNNING_OFF_RATIO),
        "fan_a": run_bands(unit.fan_fla_a, limits.FAN_ON_RATIO, limits.FAN_OFF_RATIO),
    }
    if name not in bands:
        return None
    places = {bands[name].place(value, was) for was in range(len(bands[name].names))}
    if len(places) != 1:
        return None
    word = bands[name].names[places.pop()]
    return ("running" if word else "still") if isinstance(word, bool) else str(word)
