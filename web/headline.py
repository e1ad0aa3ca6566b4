"""What the page says first: one plain sentence, what it means and what to do now.

Pure. Whether all is well is the answer of strings/calm.py; this adds what it means and what to do.
"""

from __future__ import annotations

from typing import NamedTuple

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.records import Finding, UnitStatus
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.strings.calm import Calm, Kind, Reason, sentence
from condenser_monitor.monitor.strings.episodes import beside


class Headline(NamedTuple):
    """`kind` chooses the sign beside the sentence; the lists are empty where there is nothing to look at or avoid."""

    kind: Kind
    headline: str
    means: str = ""
    do: str = ""
    look: tuple[str, ...] = ()
    avoid: tuple[str, ...] = ()
    tell: str = ""
    finding: Finding | None = None


def headline(
    status: UnitStatus | None, found: Calm, *, age: str, when: str, unit: Unit, stopped: bool = False
) -> Headline:
    """Return the sentence for a status and its answer. `age` and `when` are words: how old it is, and the time of day
    it was taken. `stopped`: a fault of the program itself keeps it from watching."""
    words = texts.WORDS
    if stopped:
        return Headline("blind", words["own-fault"], words["own-fault-stopped"], words["own-fault-do"])
    if status is None:
        return Headline("blind", sentence(found), words["never-means"], words["never-do"])
    if not found.of_now:
        headline = words["blind"].format(age=age)
        return Headline("blind", headline, words["blind-means"].format(when=when), words["blind-do"])
    finding = next((one for one in status.findings if one.name == found.finding), None)
    if found.reason is Reason.FINDING and finding is not None:
        return _about(finding, unit, status)
    return _otherwise(status, found)


def _about(finding: Finding, unit: Unit, status: UnitStatus) -> Headline:
    text = texts.FINDINGS[finding.name]
    return Headline(
        kind=finding.severity.value,
        headline=text.headline,
        means=text.means,
        do=text.do,
        look=texts.look(finding.name, beside(status, finding.name), finding.evidence),
        avoid=texts.avoid(finding.name, unit),
        tell=texts.read_out(finding),
        finding=finding,
    )


def _otherwise(status: UnitStatus, found: Calm) -> Headline:
    words = texts.WORDS
    said = sentence(found, status.cycle)
    if found.calm:
        return Headline("good", said, do=words["nothing-to-do"])
    if found.reason in (Reason.QUIET, Reason.LATCHED):
        return Headline(found.kind, said, words["quiet-means"], words["quiet-do"])
    if found.reason is Reason.PROGRAM:
        return Headline(found.kind, words["own-fault"], words["own-fault-means"], words["own-fault-do"])
    if found.finding:
        return Headline(found.kind, said, do=words["alert-do"])
    return Headline(found.kind, said)
