"""What the page says first: one plain sentence, what it means and what to do now.

Pure. A status that is too old is never healthy: the sentence then says that the monitor is blind, whatever the status
held. A finding comes before everything but that; "all is well" is said only when enough is known to say it.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.records import (
    AlertState,
    CycleState,
    Finding,
    LinkState,
    UnitStatus,
)
from condenser_monitor.monitor.drawing.wiring import worst
from condenser_monitor.monitor.strings import texts

Kind = Literal["good", "urgent", "soon", "watch", "blind", "unsure"]
_LATCHED = (AlertState.LATCHED_UNACKED, AlertState.LATCHED_ACKED)


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


# Of the program itself: none, some that nobody has acknowledged, one that stopped the watch.
OwnFaults = Literal["", "some", "stopped"]


def headline(
    status: UnitStatus | None, *, blind: bool, age: str, when: str, unit: Unit, fault: OwnFaults = ""
) -> Headline:
    """The sentence for a status. `age` and `when` are words: how old it is, and the time of day it was taken."""
    words = texts.WORDS
    if fault == "stopped":
        return Headline("blind", words["own-fault"], words["own-fault-stopped"], words["own-fault-do"])
    if status is None:
        return Headline("blind", words["never"], words["never-means"], words["never-do"])
    if blind:
        headline = words["blind"].format(age=age)
        return Headline("blind", headline, words["blind-means"].format(when=when), words["blind-do"])
    finding = worst(status.findings)
    if finding is not None:
        return _about(finding, unit)
    if fault:
        return Headline("unsure", words["own-fault"], words["own-fault-means"], words["own-fault-do"])
    return _healthy(status)


def _about(finding: Finding, unit: Unit) -> Headline:
    text = texts.FINDINGS[finding.name]
    return Headline(
        kind=finding.severity.value,
        headline=text.headline,
        means=text.means,
        do=text.do,
        look=texts.look(finding.name),
        avoid=texts.avoid(finding.name, unit),
        tell=texts.tell(finding),
        finding=finding,
    )


def _healthy(status: UnitStatus) -> Headline:
    words = texts.WORDS
    latched = [alert for alert in status.alerts if alert.state in _LATCHED]
    if latched:
        headline = texts.FINDINGS[latched[0].finding].headline
        return Headline("soon", words["latched"], words["latched-means"].format(headline=headline), words["latched-do"])
    if status.cycle is CycleState.UNKNOWN:
        return Headline("unsure", words["healthy-unknown"])
    if any(link.sense is not None and link.state is LinkState.UNKNOWN for link in status.links):
        return Headline("unsure", words["partly"])
    return Headline("good", words[f"healthy-{status.cycle.value}"], do=words["nothing-to-do"])
