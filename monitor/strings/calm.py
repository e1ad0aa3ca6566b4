"""The unit's state in one sentence: what every surface says first, and what a list says in a word or two.

The answer itself is alarms/calm.py's; here are its words. Pure.
"""

from __future__ import annotations

from condenser_monitor.monitor.alarms.calm import Calm, Reason
from condenser_monitor.monitor.core.records import CycleState
from condenser_monitor.monitor.strings.texts import TOLD
from condenser_monitor.monitor.strings.translate import mark, reader, translator

_CALM: dict[CycleState, str] = {
    CycleState.IDLE: mark("All is well. The unit is resting."),
    CycleState.CALLED: mark("All is well. Cooling has just been asked for."),
    CycleState.CLOSED: mark("All is well. The unit is just starting."),
    CycleState.RUNNING: mark("All is well. The unit is cooling."),
    CycleState.OVERRUN: mark("All is well. The unit is just stopping."),
}
_UNSURE = mark("Nothing wrong is seen, but too little is known yet to say that all is well.")
_OF: dict[Reason, str] = {
    Reason.UNSEEN: mark("The monitor has not seen the unit yet."),
    Reason.STALE: mark("The monitor isn't receiving readings; how the unit is now is not known."),
    Reason.UNHEARD: mark("The office has no fresh news of this unit; how it is now is not known."),
    Reason.FINDING: "{headline}",
    Reason.QUIET: mark("Quiet for now, not known to be repaired: {headline}"),
    Reason.LATCHED: mark("Stopped for now, not known to be repaired: {headline}"),
    Reason.REPAIRED: mark("Said to be repaired; the next run will confirm it: {headline}"),
    Reason.RETURNED: mark("Ended, not yet acknowledged: {headline}"),
    Reason.SNOOZED: mark("Snoozed: {headline}"),
    Reason.CAUSED: mark("Caused by another alert: {headline}"),
    Reason.DISTRUSTED: mark("Nothing wrong is seen, but one of the sensors cannot be believed."),
    Reason.UNSURE: _UNSURE,
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
        return text(_CALM.get(cycle or CycleState.UNKNOWN, _UNSURE))
    told = dict.get(TOLD, found.finding)  # as it is written: it is translated here, into `language`
    headline = found.finding if told is None else text(told.headline)
    return text(_OF[found.reason]).format(headline=headline)


def short(found: Calm, language: str = "") -> str:
    """Return the state in a few words, for lists and headers: with how many things are open."""
    text = translator(language or reader().language)
    count = "" if found.open < 2 else " (" + text(_OPEN).format(count=found.open) + ")"
    return text(_SHORT[found.reason]) + count
