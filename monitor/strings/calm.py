"""Calm: whether all is well with a unit, as one answer of one function, and how it is said. Every surface shows this.

Nobody reads all of a page, a list or a message; what people look for is whether they may stop looking. That is said
only when it is known: nothing stands, everything that ever stood is known to be repaired and was answered, every
installed sensor tells, and what is shown is of now. The worst reason against it is the headline. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from typing import Literal

import msgspec

from condenser_monitor.monitor.core.records import (
    SEVERITIES,
    Alert,
    AlertState,
    CycleState,
    EpisodeState,
    LinkState,
    Severity,
    UnitStatus,
)
from condenser_monitor.monitor.strings.texts import TOLD
from condenser_monitor.monitor.strings.translate import mark, reader, translator

Kind = Literal["good", "urgent", "soon", "watch", "blind", "unsure"]


class Reason(StrEnum):
    """Why it is not calm; within one severity the earlier one is the headline."""

    UNSEEN = "unseen"  # there is no status yet
    STALE = "stale"  # the status is too old
    UNHEARD = "unheard"  # the office's ingest has stopped, or has not heard from the site
    FINDING = "finding"  # a finding stands
    QUIET = "quiet"  # its condition is gone, but nothing shows that the cause is repaired
    LATCHED = "latched"  # the same, and a person is asked to look
    REPAIRED = "repaired"  # a person says that it is repaired, and the next run has not confirmed it yet
    INTENDED = "intended"  # a person says that no call was meant to come; the next one takes it back
    RETURNED = "returned"  # it has ended, and nobody has acknowledged it
    SNOOZED = "snoozed"
    CAUSED = "caused"  # an alert that another one caused
    DISTRUSTED = "distrusted"  # a sensor is silent or is not believed
    UNSURE = "unsure"  # too little has been seen to know
    SERVICE = "service"  # alerts are paused while somebody works on the unit
    PROGRAM = "program"  # the monitor itself has a fault
    CALM = "calm"


_OF_ALERT = {
    AlertState.UNACKED: Reason.QUIET,
    AlertState.ACKED: Reason.QUIET,
    AlertState.RETURNED: Reason.RETURNED,
    AlertState.LATCHED_UNACKED: Reason.LATCHED,
    AlertState.LATCHED_ACKED: Reason.LATCHED,
    AlertState.SHELVED: Reason.SNOOZED,
    AlertState.SUPPRESSED: Reason.CAUSED,
    AlertState.OUT_OF_SERVICE: Reason.SERVICE,
}
# Which reason is the headline: by severity, and within one as they stand above.
_PLACE_OF_SEVERITY = {severity: place for place, severity in enumerate((*SEVERITIES, None))}
_PLACE_OF_REASON = {reason: place for place, reason in enumerate(Reason)}
_NOT_OF_NOW = (Reason.UNSEEN, Reason.STALE, Reason.UNHEARD)
_UNSURE = (Reason.UNSURE, Reason.DISTRUSTED, Reason.PROGRAM)


class Calm(msgspec.Struct, frozen=True, kw_only=True):
    """The answer: `reason` with the finding it speaks of ("" for none), and how many things are `open` in all."""

    reason: Reason
    severity: Severity | None = None
    finding: str = ""
    open: int = 0

    @property
    def calm(self) -> bool:
        """True when all is known to be well."""
        return self.reason is Reason.CALM

    @property
    def of_now(self) -> bool:
        """False where nothing is known of this moment."""
        return self.reason not in _NOT_OF_NOW

    @property
    def kind(self) -> Kind:
        """Which sign goes with it: the severity's, "blind", "unsure" or "good"."""
        if not self.of_now:
            return "blind"
        if self.severity is not None:
            return self.severity.value
        if self.reason in _UNSURE:
            return "unsure"
        return "good" if self.calm else "watch"


def calm(status: UnitStatus | None, *, stale: bool = False, heard: bool = True, faults: int = 0) -> Calm:
    """Return whether all is well, or the worst reason why that cannot be said.

    `stale`: the status is too old to be believed. `heard`: False where this reader may have missed news (an office
    whose ingest has stopped). `faults` counts what is wrong with the monitor itself. A status that is not of now still
    gives the number of things that were open.
    """
    if status is None:
        return Calm(reason=Reason.UNSEEN)
    found = sorted(
        _reasons(status, faults), key=lambda one: (_PLACE_OF_SEVERITY[one.severity], _PLACE_OF_REASON[one.reason])
    )
    count = len({one.finding for one in found if one.finding}) + sum(not one.finding for one in found)
    if stale or not heard:
        return Calm(reason=Reason.STALE if stale else Reason.UNHEARD, open=count)
    worst = found[0] if found else Calm(reason=Reason.CALM)
    return msgspec.structs.replace(worst, open=count)


def _reasons(status: UnitStatus, faults: int) -> Iterator[Calm]:
    for finding in sorted(status.findings, key=lambda finding: finding.raised_s):
        yield Calm(reason=Reason.FINDING, severity=finding.severity, finding=finding.name)
    standing = {finding.name for finding in status.findings}
    for alert in status.alerts:
        if alert.state is not AlertState.NORMAL and alert.finding not in standing:
            yield Calm(reason=_of_alert(alert), severity=_severity(alert), finding=alert.finding)
    shown = standing | {alert.finding for alert in status.alerts if alert.state is not AlertState.NORMAL}
    for episode in status.episodes:
        if episode.state is not EpisodeState.OVER and not shown & set(episode.findings):
            if episode.intended_by is not None:
                yield Calm(reason=Reason.INTENDED, severity=Severity.WATCH, finding=episode.lead)
                continue
            reason = Reason.REPAIRED if episode.state is EpisodeState.REPAIRED else Reason.QUIET
            yield Calm(reason=reason, severity=episode.severity, finding=episode.lead)
    if status.distrusted or any("distrusted" in finding.evidence for finding in status.findings):
        yield Calm(reason=Reason.DISTRUSTED)
    if status.cycle is CycleState.UNKNOWN or any(
        link.sense is not None and link.state is LinkState.UNKNOWN for link in status.links
    ):
        yield Calm(reason=Reason.UNSURE)
    if status.service_until_wall_s is not None:
        yield Calm(reason=Reason.SERVICE)
    if faults:
        yield Calm(reason=Reason.PROGRAM)


def _of_alert(alert: Alert) -> Reason:
    return (
        Reason.FINDING
        if alert.active and alert.state in (AlertState.UNACKED, AlertState.ACKED)
        else _OF_ALERT[alert.state]
    )


def _severity(alert: Alert) -> Severity:
    """What has ended is over for the house: to be acknowledged, and no more."""
    return Severity.WATCH if alert.state is AlertState.RETURNED else alert.severity


# ---------------------------------------------------------------- in words: what is said first, and what a list says

_CALM: dict[CycleState, str] = {
    CycleState.IDLE: mark("All is well. The unit is resting."),
    CycleState.CALLED: mark("All is well. Cooling has just been asked for."),
    CycleState.CLOSED: mark("All is well. The unit is just starting."),
    CycleState.RUNNING: mark("All is well. The unit is cooling."),
    CycleState.OVERRUN: mark("All is well. The unit is just stopping."),
}
_TOO_LITTLE = mark("Nothing wrong is seen, but too little is known yet to say that all is well.")
_OF: dict[Reason, str] = {
    Reason.UNSEEN: mark("The monitor has not seen the unit yet."),
    Reason.STALE: mark("The monitor isn't receiving readings; how the unit is now is not known."),
    Reason.UNHEARD: mark("The office has no fresh news of this unit; how it is now is not known."),
    Reason.FINDING: "{headline}",
    Reason.QUIET: mark("Quiet for now, not known to be repaired: {headline}"),
    Reason.LATCHED: mark("Stopped for now, not known to be repaired: {headline}"),
    Reason.REPAIRED: mark("Said to be repaired; the next run will confirm it: {headline}"),
    Reason.INTENDED: mark("No cooling is asked for, and somebody says that this is on purpose."),
    Reason.RETURNED: mark("Ended, not yet acknowledged: {headline}"),
    Reason.SNOOZED: mark("Snoozed: {headline}"),
    Reason.CAUSED: mark("Caused by another alert: {headline}"),
    Reason.DISTRUSTED: mark("Nothing wrong is seen, but one of the sensors cannot be believed."),
    Reason.UNSURE: _TOO_LITTLE,
    Reason.SERVICE: mark("Service mode pauses all alerts while somebody works on the unit."),
    Reason.PROGRAM: mark("No problem is seen with the unit, but the monitor itself has a fault."),
}
_SHORT: dict[Reason, str] = {
    Reason.UNSEEN: mark("not seen yet"),
    Reason.STALE: mark("no fresh readings"),
    Reason.UNHEARD: mark("not heard from"),
    Reason.FINDING: mark("active problem"),
    Reason.QUIET: mark("quiet, not known to be repaired"),
    Reason.LATCHED: mark("quiet, not known to be repaired"),
    Reason.REPAIRED: mark("said to be repaired, not yet confirmed"),
    Reason.INTENDED: mark("no call by intent"),
    Reason.RETURNED: mark("ended, not yet acknowledged"),
    Reason.SNOOZED: mark("snoozed"),
    Reason.CAUSED: mark("caused by another alert"),
    Reason.DISTRUSTED: mark("a sensor cannot be believed"),
    Reason.UNSURE: mark("not known yet"),
    Reason.SERVICE: mark("in service mode"),
    Reason.PROGRAM: mark("the monitor has a fault"),
    Reason.CALM: mark("all is well"),
}
_OPEN = mark("{count} open")


def sentence(found: Calm, cycle: CycleState | None = None, language: str = "") -> str:
    """Return the state in one sentence; `cycle` says what a unit that is well does."""
    text = translator(language or reader().language)
    if found.calm:
        return text(_CALM.get(cycle or CycleState.UNKNOWN, _TOO_LITTLE))
    told = dict.get(TOLD, found.finding)  # as it is written: it is translated here, into `language`
    headline = found.finding if told is None else text(told.headline)
    return text(_OF[found.reason]).format(headline=headline)


def short(found: Calm, language: str = "") -> str:
    """Return the state in a few words, for lists and headers: with how many things are open."""
    text = translator(language or reader().language)
    count = "" if found.open < 2 else " (" + text(_OPEN).format(count=found.open) + ")"
    return text(_SHORT[found.reason]) + count
