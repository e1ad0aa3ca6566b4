"""One diagnosis from the first suspicion to what it really was: pure, so that terminal and page can both drive it.

A session begins with a finding of the monitor or with a symptom that somebody tells, takes typed answers to checks, and
says at any time who is still suspected, who is not and why, and which check comes next. Answers may come in any order,
be replaced and be taken back.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from math import nan
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import Finding, MeterReading, StoredVisit
from condenser_monitor.monitor.diagnosis.checks import rows as checks
from condenser_monitor.monitor.diagnosis.checks.base import Check, Who
from condenser_monitor.monitor.diagnosis.checks.meter import Judged, classify
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS, CheckOffer
from condenser_monitor.monitor.diagnosis.diagnosis import summary
from condenser_monitor.monitor.diagnosis.evidence import numbers_of, seen_from
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import (
    FOLLOWS,
    PRESSURE_SWITCHES,
    SITUATIONS,
    Diagnosis,
    FindingSeen,
    UnitCase,
    accuses,
    diagnose,
    shows_on_part,
    which_switch,
)

# What somebody without a monitor can tell, and the findings that would be behind it.
SYMPTOMS: dict[str, tuple[str, ...]] = {
    "no-cooling": (
        "call-without-run",
        "call-not-reaching-unit",
        "control-power-lost",
        "overdue-call",
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
        "overdue-call",
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
NOTHING_COOLS = ("no-cooling", "outdoor-unit-dead")  # any urgent finding that stands explains these
OTHER = "other"
# What each further start makes worse. A household is told to leave the cooling off, and is asked for no call.
LEAVE_OFF = frozenset(
    {
        "compressor-not-running",
        "fan-not-running",
        "locked-rotor",
        "overload-cycling",
        "contactor-chatter",
        "not-cooling",
    }
)
# Here the unit runs, called or not, or now and then: whether R joined to Y starts it shows nothing.
_RUNS_ALREADY = frozenset(
    {
        *("contacts-stuck-closed", "long-run", "call-without-thermostat", "low-running-current"),
        *("high-running-current", "short-cycling", "overload-cycling", "contactor-chatter"),
    }
)
_HEARD = {"nothing": False, "fan-only": False, "compressor-only": True, "both": True}
GROUND, LARGE_PIPE, LISTEN = "compressor-to-ground", "suction-line", "listen"
WINDINGS = "winding-ohms"
# Why a check is made once more.
ICE_GONE = "once the ice is gone"
COOLED = "once the compressor has cooled and its overload has closed, up to some hours: what lies behind shows then"
SLIPPED = "a slip of the unit or the point would make this of a usual reading, and a part is not called found by one"
UNLIKELY = (
    "everything else makes this reading unlikely, and no part is called found, or sound, by one such reading alone"
)
ONCE_MORE = (ICE_GONE, COOLED, SLIPPED, UNLIKELY)
REPAIRED = "it was found and repaired in this visit"


class Step(NamedTuple):
    """What one answer changed. `ruled_out`: newly, with the reason; `back`: suspects that are in question again."""

    judged: Judged | None
    ruled_out: dict[str, str]
    back: tuple[str, ...]
    verdict: Diagnosis
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
        features: Mapping[str, str] | None = None,
        beside: Collection[str] = (),
        values: Mapping[str, float] | None = None,
    ) -> None:
        self.findings = tuple(findings)
        self.unit = unit
        self.seen = dict(seen or {})
        self.fitted = tuple(fitted)
        self.cleared = dict(cleared or {})
        self.who = who
        self.features = dict(features or {})
        self.beside = tuple(beside)
        self.values = dict(values or {})
        self.answers: dict[str, Judged] = {}
        self.typed: dict[str, str] = {}
        self.confirmed: set[str] = set()  # measured again after it contradicted something
        self.skipped: set[str] = set()  # checks that nobody can make here: no tool, no way to the place
        self._weighed: tuple[object, Diagnosis] | None = None  # what was answered, and the verdict on it
        self._unexpected: tuple[Diagnosis, frozenset[str], str | None] | None = None  # of that verdict: _once_more
        self.first = self.suspects()

    @classmethod
    def from_finding(
        cls,
        finding: Finding,
        *,
        unit: Unit,
        fitted: Collection[str],
        seen: Mapping[str, str] | None = None,
        who: Who = "technician",
        features: Mapping[str, str] | None = None,
    ) -> VisitSession:
        """Begin where the monitor left off: its evidence counts, and whom it ruled out stays out.

        `seen`: symbols of the senses where they are at hand (DebouncedInputs.symbols); else taken from the evidence.
        """
        known = seen_from(finding.evidence, unit) if seen is None else seen
        out = {name: why for name, why in finding.ruled_out.items() if name not in finding.suspects}
        return cls(
            (finding.name,),
            unit=unit,
            seen=known,
            fitted=fitted,
            cleared=out,
            who=who,
            features=features,
            values=numbers_of(finding.evidence),
        )

    @classmethod
    def from_symptom(
        cls, symptom: str, *, unit: Unit, fitted: Collection[str] = (), who: Who = "technician"
    ) -> VisitSession:
        """Begin with nothing but what somebody tells; a finding's name will do too. Raises CommandError."""
        findings = (symptom,) if symptom in SITUATIONS else SYMPTOMS.get(symptom)
        if findings is None:
            raise CommandError("symptom", symptom, ", ".join((*SYMPTOMS, *SITUATIONS)))
        return cls(findings, unit=unit, fitted=fitted, who=who)

    # ------------------------------------------------------------ answers in

    def enter(self, check: str, text: str) -> Step:
        """Take a typed answer to a check. Raises CommandError, and changes nothing, when it cannot be understood."""
        if check not in CHECKS:
            raise CommandError("check", check, "one of " + ", ".join(CHECKS))
        row = CHECKS[check]
        if "leads" in row.cautions and self._outcome("leads") == "broken":
            raise CommandError(
                f"check {check}", text, "nothing in ohms until the meter's leads are whole (check leads)"
            )
        judged = classify(row, text, self.unit)
        before = self.verdict()
        if check == LARGE_PIPE and self._iced:
            self.confirmed.add(check)
        elif check == WINDINGS and self._tripped_open and judged.outcome == "overload-open":
            self.confirmed.add(check)  # it stays open when cold
        elif (earlier := self.answers.get(check)) is not None:
            # What reads otherwise the second time confirms neither.
            asked = check in before.measure_again or check == self._once_more()
            if asked and earlier.outcome == judged.outcome:
                self.confirmed.add(check)
            else:
                self.confirmed.discard(check)
        self.answers.pop(check, None)
        self.answers[check], self.typed[check] = judged, text
        return self._step(judged, before)

    def undo(self, check: str) -> Step:
        """Forget an answer. Raises CommandError for a check that has none."""
        if check not in self.answers:
            raise CommandError("check", check, ", ".join(self.answers) or "none: no check has been answered")
        before = self.verdict()
        del self.answers[check], self.typed[check]
        self.confirmed.discard(check)
        return self._step(None, before)

    def _outcome(self, check: str) -> str | None:
        judged = self.answers.get(check)
        return None if judged is None else judged.outcome

    def _step(self, judged: Judged | None, before: Diagnosis) -> Step:
        after = self.verdict()
        newly = {name: why for name, why in after.ruled_out.items() if name in before.suspects}
        back = tuple(name for name in after.suspects if name not in before.suspects)
        return Step(judged, newly, back, after, self.next_check())

    # ------------------------------------------------------------ what it says

    def verdict(self) -> Diagnosis:
        """Who is left, with shares, who is not and why. Kept until an answer changes: one page asks many times."""
        answered = (
            *(tuple(part.items()) for part in (self.answers, self.seen, self.values)),
            frozenset(self.confirmed),
        )
        if self._weighed is None or self._weighed[0] != answered:
            self._weighed = answered, self._weigh(self.answers)
        return self._weighed[1]

    def _weigh(self, answers: Mapping[str, Judged]) -> Diagnosis:
        first, *others = self.findings
        beside = [FindingSeen(name, stands=False) for name in self.beside if name not in self.findings]
        case = UnitCase(
            [FindingSeen(first, self.seen, or_else=tuple(others)), *beside],
            self.unit,
            self.fitted,
            self.features,
            answers,
            self.cleared,
            self.confirmed,
            values=self.values,
        )
        return diagnose(case)

    def suspects(self) -> tuple[str, ...]:
        """Who is left, in the order in which the monitor names them: those it tells people of first. A pressure switch
        stands there under one name, until it is known which."""
        found = self.verdict()
        alias = which_switch(found.shares)
        return tuple(dict.fromkeys(alias.get(name, name) for name in (*found.shortlist, *found.suspects)))

    def wanted_senses(self) -> tuple[str, ...]:
        """The readings that are not fitted and would tell those who are left further apart, the best first."""
        return tuple(name for name in self.verdict().wanted_senses if name not in self.fitted)

    def offers(self) -> list[CheckOffer]:
        """The checks worth doing, the next one first."""
        return self._offers(self.verdict())

    def _offers(self, found: Diagnosis) -> list[CheckOffer]:
        offered = checks.offers(
            found.rows,
            list(self.answers),
            self.who,
            breaker_off=self._breaker_off,
            barred=self._barred,
            runs=self._runs,
        )
        if self._tripped:  # what is looked at from outside first, then what the breaker may have tripped of
            offered.sort(key=lambda offer: (checks.stage(offer.check) > 0, offer.check.name != GROUND))
        return offered

    @property
    def _breaker_off(self) -> bool:
        return self._outcome("breakers") == "off"

    @property
    def _tripped(self) -> bool:
        """A breaker was found off that a grounded compressor may have tripped, and nobody has measured that yet."""
        causes = {cause.suspect for name in self.findings for cause in SITUATIONS[name].causes}
        return self._breaker_off and "compressor-grounded" in causes and self._outcome(GROUND) is None

    @property
    def _barred(self) -> frozenset[str]:
        """The checks that are not to be made. A compressor that is grounded, or may have tripped the breaker by that,
        is not energized again; behind a leg that a meter found dead nothing is measured; no compressor is left running
        for a reading while its fan stands still; a household is asked for no call where each start makes it worse;
        nobody joins R to Y to start what runs; the charge is never judged on an iced coil; and the pressure at rest,
        which takes an hour, waits for the ohms of a compressor that is silent behind closed contacts.
        """
        grounded = self._outcome(GROUND) == "grounded" or self._tripped
        unfed = self._outcome("line-volts") in ("absent", "half")
        unfed = unfed or self._outcome("leg-to-ground") in ("one-missing", "none")
        fanless = self.seen.get("fan_a") == "still" and self.seen.get("compressor_a") == "running"
        fanless = fanless or set(self.findings) == {"fan-not-running"} or self._outcome("listen") == "compressor-only"
        left_off = self.who == "homeowner" and LEAVE_OFF.issuperset(self.findings)
        silent = self.seen.get("load") == "on" and self.seen.get("compressor_a") == "still"
        named = {"standing-pressure"} if silent and not self._outcome("winding-ohms") else set()
        if _RUNS_ALREADY.issuperset(self.findings):
            named.add("jumper-ry")
        return frozenset(
            check.name
            for check in CHECKS.values()
            if check.name in named
            or (grounded and checks.energizes(check))
            or (unfed and check.fed)
            or (fanless and check.running)
            or (left_off and check.calls)
            or (self._iced and check.thawed)
        )

    @property
    def _runs(self) -> bool | None:
        """Whether the compressor ran when somebody last listened to it or clamped it; None: nobody has."""
        for name, judged in reversed(self.answers.items()):
            if name == LISTEN:
                return _HEARD[judged.outcome]
            if name == "running-amps":
                return judged.outcome != "none"
        return None

    @property
    def _iced(self) -> bool:
        return self._outcome(LARGE_PIPE) == "iced"

    @property
    def _tripped_open(self) -> bool:
        """The windings were measured behind an open overload, which hides the run and start windings from each other,
        and nothing else has been shown."""
        return self._outcome(WINDINGS) == "overload-open" and self.who == "technician"

    def next_check(self) -> Check | None:
        """The check to do next: one to measure again; else the one that tells most, else one that confirms the first
        suspect; None at the end, and once the first suspect is as good as certain and was shown on its own part. One
        that was skipped is not asked for again; an iced pipe is looked at once more when no check is left that ice
        does not spoil."""
        found = self.verdict()
        barred = self._barred | self.skipped
        again = [name for name in found.measure_again if name not in barred]
        if again:
            return CHECKS[again[-1]]
        if self._certain() or self._all_shown():
            once_more = self._once_more()
            return None if once_more is None else CHECKS[once_more]
        # In place of one that cannot be made, what tells less.
        least = (limits.CHECK_SCARCE_BITS if self.skipped else limits.CHECK_LEAST_BITS).value
        offered = [offer for offer in self._offers(found) if offer.check.name not in self.skipped]
        telling = [offer.check for offer in offered if offer.bits >= least]
        if telling:
            return self._looked_first(telling[0], barred)
        left = checks.confirming_check(found.rows, list(self.answers), self.who, barred=barred, runs=self._runs)
        if left is None and self._iced and LARGE_PIPE not in self.skipped | self.confirmed:
            return CHECKS[LARGE_PIPE]
        if left is None and self._tripped_open and WINDINGS not in self.skipped | self.confirmed:
            return CHECKS[WINDINGS]
        if left is None and (once_more := self._once_more()) is not None:
            return CHECKS[once_more]
        return left

    def _looked_first(self, check: Check, barred: Collection[str]) -> Check:
        """Whether the compressor runs, ahead of a first check that only a running one answers: where it does not, that
        is news, and the check is none."""
        unheard = check.running and self._runs is None and LISTEN not in barred and LISTEN not in self.answers
        return CHECKS[LISTEN] if unheard else check

    def _once_more(self) -> str | None:
        """The check to make once more before a part is called found, or all are given up: its reading is what
        everything else makes least likely, and unlikely enough that a slip is as good a reason; or a slip of unit or
        point would make it of a usual one. With a part shown, only what shows it counts. None for a homeowner, who
        calls nothing found."""
        known = (self.verdict(), frozenset(self.skipped))  # a verdict is made anew with each answer, and kept till then
        if self._unexpected is None or self._unexpected[0] is not known[0] or self._unexpected[1] != known[1]:
            self._unexpected = *known, self._least_expected()
        return self._unexpected[2]

    def _least_expected(self) -> str | None:
        found = self.verdict()
        first = next(iter(found.shortlist), "")
        names = [name for name in self.answers if name not in self.confirmed | self.skipped | self._barred]
        names = [name for name in names if CHECKS[name].news and name not in found.measure_again]
        on_part = [name for name in names if shows_on_part(first, name, self.answers[name].outcome)]
        if self.who != "technician" or (not on_part and self._shown_on_part(first)):
            return None
        likely = {}
        for name in on_part or names:
            less = {other: judged for other, judged in self.answers.items() if other != name}
            likely[name] = 0.0 if self.answers[name].slip else found.fits / max(self._weigh(less).fits, 1e-12)
        least = min(likely, key=lambda name: likely[name], default=None)
        return least if least is not None and likely[least] < limits.VISIT_UNEXPECTED.value else None

    def why_once_more(self, check: str) -> str:
        """Why a check that was answered is proposed again though nothing contradicts it, in one clause."""
        if check == LARGE_PIPE and self._iced:
            return ICE_GONE
        if check == WINDINGS and self._tripped_open:
            return COOLED
        return SLIPPED if self.answers[check].slip else UNLIKELY

    def _certain(self) -> bool:
        """Whether the first suspect is as good as certain and was shown on its own part. A winding to ground is enough
        by itself: whatever else is wrong, that compressor is not energized again."""
        first, share = next(iter(self.verdict().shortlist.items()), ("", 0.0))
        if self._shown_on_part("compressor-grounded"):
            return True
        return share >= limits.VISIT_CERTAIN.value and self._shown_on_part(first)

    def _all_shown(self) -> bool:
        """Whether what explains everything together, as nearly certain, was shown on each of its parts."""
        found = self.verdict()
        whole = found.together[0] if found.together else frozenset()
        shares = sum(found.shares[name] for name in whole)
        return bool(whole) and shares >= limits.VISIT_CERTAIN.value and all(map(self._shown_on_part, whole))

    def _shown_on_part(self, name: str) -> bool:
        """Whether an answer shows the suspect on its own part, and not only what may be so behind it."""
        again = self.verdict().measure_again
        if name == "compressor-grounded":  # a breaker that has tripped may have other reasons
            return self._outcome(GROUND) == "grounded" and GROUND not in again
        return any(
            shows_on_part(name, check, judged.outcome) for check, judged in self.answers.items() if check not in again
        )

    def shown(self) -> tuple[str, ...]:
        """What a meter or a look has shown on its own part once no check is left: the first suspect, or all of a set
        that explains everything together; else nothing. A breaker that has tripped is no cause while nobody has
        measured whether a grounded compressor tripped it."""
        found = self.verdict()
        first = next(iter(found.shortlist), "")
        if self.next_check() is not None or not first or self._tripped:
            return ()
        if self._shown_on_part("compressor-grounded"):
            return ("compressor-grounded",)
        sets = () if self._certain() else found.together
        whole = next((names for names in sets if first in names and all(map(self._shown_on_part, names))), None)
        if whole is not None:
            return tuple(sorted(whole, key=lambda name: (-found.shares[name], name)))
        return (first,) if self._shown_on_part(first) else ()

    def unexplained(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Findings, and answered checks, of what was found that has another cause than what was shown; nothing while no
        part is shown. A second fault is looked for once the first is repaired (`go_on`)."""
        shown = set(self.shown())
        if not shown:
            return (), ()
        known = [*(self.findings if len(self.findings) == 1 else ()), *self.beside]
        findings = [
            name
            for name in known
            if shown.isdisjoint(cause.suspect for cause in SITUATIONS[name].causes)
            and FOLLOWS[name].isdisjoint(self.findings)
        ]
        again = self.verdict().measure_again
        rows = [row for row in self.verdict().rows if row.suspect in shown]
        checks_left = [
            name
            for name, judged in self.answers.items()
            if accuses(name, judged.outcome) and CHECKS[name].news and name not in again
            if not any(name in row.predicts and row.predicts[name].fit(judged.outcome) for row in rows)
        ]
        return tuple(findings), tuple(checks_left)

    def go_on(self, repaired: str, about: str) -> VisitSession:
        """Return the visit that looks for what is still wrong once a cause is repaired: `about`, the finding or symptom
        that is left. The repaired part is out; what was seen and measured of other parts at rest still counts; what
        was live or called, and what the monitor sensed, is of the unit as it was. Raises CommandError."""
        if repaired not in SUSPECTS:
            raise CommandError("what it was", repaired, ", ".join(SUSPECTS))
        left = VisitSession.from_symptom(about, unit=self.unit, fitted=self.fitted, who=self.who)
        out = dict(self.cleared)
        if repaired != "loose-connection":  # there are others
            out[repaired] = REPAIRED
        meter = SUSPECTS[repaired].meter
        following = VisitSession(left.findings, unit=self.unit, fitted=self.fitted, cleared=out, who=self.who)
        for name, judged in self.answers.items():
            check = CHECKS[name]
            by_it = accuses(name, judged.outcome) and name in meter and judged.outcome in meter[name].usual
            at_rest = check.power == "off" or (check.power == "as-is" and not check.calls and not check.running)
            if at_rest and not by_it and judged.outcome not in ("overload-open", "iced", "wrong", "blank"):
                following.answers[name], following.typed[name] = judged, self.typed[name]
        following.confirmed = self.confirmed & following.answers.keys()
        following.skipped = set(self.skipped)
        following.first = following.suspects()
        return following

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

    def visit(
        self, was: str, by: str, wall_s: float | None = None, note: str = "", *, measured: bool | None = None
    ) -> StoredVisit:
        """What it really was, with what was suspected before any check; `measured`: whether that was shown, None: by
        whatever was answered. Raises CommandError for an unknown suspect."""
        if was not in SUSPECTS and was != OTHER:
            raise CommandError("what it was", was, ", ".join((*SUSPECTS, OTHER)))
        finding = self.findings[0] if len(self.findings) == 1 else None
        # A pressure switch counts under any of its names.
        named_so = self.first and {was, self.first[0]} <= PRESSURE_SWITCHES
        return StoredVisit(
            was=was,
            by=by,
            wall_s=wall_s,
            finding=finding,
            suspects=(was, *self.first[1:]) if named_so else self.first,
            note=note,
            measured=bool(self.answers) if measured is None else measured,
        )


def answer_at_once(about: str, entries: Iterable[str], *, unit: Unit, who: Who = "technician") -> dict[str, object]:
    """Diagnose a finding or symptom from `entries`, each CHECK=READING, or READING=NUMBER for what a sensor shows now.

    Gives the suspects with their shares, the next check, and what is to be measured again, as plain data.

    Raises CommandError for a name or a reading that cannot be used.
    """
    session = VisitSession.from_symptom(about, unit=unit, who=who)
    for entry in entries:
        name, equals, typed = (part.strip() for part in entry.partition("="))
        if not equals:
            raise CommandError("diagnose", entry, "CHECK=READING, such as coil-ohms=OL")
        if name in READINGS:
            value = _sensed(name, typed)
            session.seen |= seen_from({name: value}, unit)
            session.values |= numbers_of({name: value})
        else:
            session.enter(name, typed)
    found, check = session.verdict(), session.next_check()
    return {
        "findings": list(session.findings),
        "suspects": [[name, found.shares[name]] for name in found.suspects],
        "because": list(found.because),
        "ruled_out": found.ruled_out,
        "together": [sorted(one) for one in found.together],
        "next_check": None if check is None else check.name,
        "measure_again": list(found.measure_again),
        "summary": summary(found.suspects, found.because),
    }


def _sensed(name: str, typed: str) -> bool | float:
    row = READINGS[name]
    try:
        value = float(typed)
    except ValueError:
        value = nan
    if not row.least <= value <= row.most or (row.kind == "flag" and value not in (0.0, 1.0)):
        raise CommandError(f"reading {name}", typed, row.allowed)
    return bool(value) if row.kind == "flag" else value
