"""What people are told, in plain English: one catalogue, read by the page, the phone alerts and the report.

Pure tables and a few functions that put a finding's values in. A translation is another set of these tables with the
same keys; the findings' own are in findings.py, the page's in page.py, the report's in report.py, the phone's in
publishers/phone_text.py. Nothing here is measured or decided; titles of suspects are in suspects/table.py,
those of checks in the rows of checks/.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NamedTuple

from condenser_monitor.monitor.core.config import OFFERED, Unit
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    OWN_FAULT,
    CycleState,
    Finding,
    Offer,
)
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.strings.findings import (
    BRIEF,
    CARE,
    FINDINGS,
    LOOK,
    FindingText,
    TextsByFinding,
)
from condenser_monitor.monitor.strings.phone import OFF, LockText
from condenser_monitor.monitor.strings.translate import Texts, mark, reader, tr, translated

__all__ = [
    "CARE",
    "FINDINGS",
    "LINKS",
    "LOOK",
    "NAMES",
    "TOLD",
    "WORDS",
    "LinkText",
    "avoid",
    "capital",
    "look",
    "measurements",
]
__all__ += ["read_out", "span", "state", "suspect", "value_words"]


# ---------------------------------------------------------------- links of the chain and single words


class LinkText(NamedTuple):
    """A link in words: its title, and what is the case when it is live and when it is dead."""

    title: str
    live: str
    dead: str


class _Links(dict[str, LinkText]):
    """Links in the reader's language."""

    def __getitem__(self, name: str) -> LinkText:
        return translated(super().__getitem__(name))


_LINKS = {
    "control-power": LinkText("24 V supply", "present", "no 24 V"),
    "thermostat-call": LinkText("Thermostat", "calls", "no call"),
    "call": LinkText("Call at unit", "arrives", "no call"),
    "coil-current": LinkText("Contactor coil", "current", "no current"),
    "line-supply": LinkText("Line supply", "present", "no power"),
    "contacts": LinkText("Contacts", "closed", "open"),
    "compressor": LinkText("Compressor", "running", "off"),
    "fan": LinkText("Fan", "running", "off"),
}
LINKS = _Links(_LINKS)

_WORDS = {
    "not-sensed": "not sensed",
    "no-reading": "not known",
    "no-reading-now": "no reading",
    "time-unknown": "a time not known",
    "ago": "{span} ago",
    "inferred": "inferred",
    "stalled": "stalled",
    "mark-break": "break here",
    "mark-stuck-closed": "stuck closed",
    "mark-chatter": "chatters",
    "mark-locked": "cannot turn",
    "mark-overload": "trips",
    "mark-high-current": "high current",
    "mark-low-current": "low current",
    "mark-slow-start": "slow start",
    "mark-low-voltage": "low voltage",
    "mark-high-voltage": "high voltage",
    "mark-weak-capacitor": "weak capacitor",
    "mark-not-cooling": "no cooling",
    "state-live": "on",
    "state-dead": "off",
    "state-unknown": "not known",
    "severity-urgent": "Urgent",
    "severity-soon": "Book a visit",
    "severity-watch": "At the next visit",
    "severity-urgent-means": "no cooling now, or damage under way",
    "severity-soon-means": "not at once, but it will not mend itself",
    "severity-watch-means": "worth telling, nothing more",
    "cycle-unknown": "not known yet",
    "cycle-idle": "resting",
    "cycle-called": "asked to cool",
    "cycle-closed": "starting",
    "cycle-running": "cooling",
    "cycle-overrun": "stopping",
    "blind": "The monitor isn't receiving readings: the last one is {age} old.",
    "blind-means": "Whether the unit works is not known. It was last seen at {when};"
    " everything below may be out of date.",
    "blind-do": "Look whether the monitor's box has power and its light is on. The unit itself may be fine.",
    "own-fault": "The monitor has a fault of its own.",
    "own-fault-stopped": "Its program keeps failing, so the unit is not watched at the moment. The unit may be fine.",
    "own-fault-means": "Part of its program failed and went on. It may have missed something.",
    "own-fault-do": "Ask whoever maintains the monitor to look at Health and at its log. The box needs no new power.",
    "never-means": "No reading has come in since this history began.",
    "never-do": "Start the monitor, or look whether its boards are connected.",
    "alert-normal": "no alert",
    "alert-unacknowledged": "not acknowledged",
    "alert-acknowledged": "acknowledged",
    "alert-returned-unacknowledged": "ended, not yet acknowledged",
    "alert-latched-unacknowledged": "to be reset",
    "alert-latched-acknowledged": "acknowledged, to be reset",
    "alert-shelved": "snoozed",
    "alert-suppressed-by-design": "caused by another alert",
    "alert-out-of-service": "in service mode",
    "symptom-no-cooling": "No cooling",
    "symptom-outdoor-unit-dead": "Outdoor unit silent",
    "symptom-only-the-fan-runs": "Only the outdoor fan runs",
    "symptom-only-the-compressor-runs": "Only the compressor runs",
    "symptom-hums-and-stops": "Hums and stops",
    "symptom-starts-and-stops": "Starts and stops again and again",
    "symptom-does-not-stop": "Does not stop",
    "symptom-cools-poorly": "Cools poorly",
    "quiet-means": "That it stopped does not mean that it is repaired: the next call for cooling will show.",
    "quiet-do": "Have it looked at. Once it is repaired, say so under Alerts; the next run confirms it.",
    "alert-do": "See Alerts.",
    "suspect-other": "something else",
    "service": "Service mode until {until}: nobody is told of anything while somebody works on the unit.",
    "nothing-to-do": "There is nothing to do.",
}
WORDS = Texts(_WORDS)


# What the phone is told of, beside the findings: keys are those of publishers/notification_policy.py.
_TOLD: dict[str, FindingText] = {
    **FINDINGS,
    OWN_FAULT: FindingText(
        headline="The monitor has a fault of its own.",
        means="Its program failed, and may watch only in part or not at all. The air conditioner itself may be fine.",
        do="Ask whoever maintains the monitor to look at its Health page and its log, and acknowledge it there.",
        look=("monitor",),
        avoid=("board", "cabinet", "capacitor"),
        tell="The monitor's program has failed; its log has the details. Nothing is known to be wrong with the unit.",
        lock=LockText(
            mark("The monitor has a fault of its own."),
            mark("Ask whoever maintains it to look."),
            mark("Somebody has seen to the monitor's own fault."),
        ),
    ),
    "monitor-blind": FindingText(
        headline="The monitor has no readings of the air conditioner.",
        means="Whether it works is not known, and trouble would go unseen. The air conditioner itself may be fine.",
        do="Check that the monitor's box has power and its light is on; if so, have the monitor looked at.",
        look=("monitor", "house-power"),
        avoid=("board", "cabinet", "capacitor"),
        tell="The monitor reads nothing: its service runs, but no scan of the boards has come for minutes.",
        lock=LockText(
            mark("Your air conditioner isn't watched."),
            mark("Check the monitor's plug and its light."),
            mark("The monitor is watching the air conditioner again."),
        ),
    ),
}
TOLD = TextsByFinding(_TOLD)
LOCK = {name: text.lock for name, text in _TOLD.items()} | {"monitor-off": OFF}


def add_finding(name: str, text: FindingText, lock: LockText) -> None:
    """Put in the words of a finding of another package: on page and report, and on a lock screen."""
    FINDINGS[name] = TOLD[name] = text._replace(lock=lock)
    LOCK[name] = lock


# ---------------------------------------------------------------- values put in


def asked(offer: Offer) -> str:
    """Return what a unit seems to do by design, as a question in the reader's language."""
    return tr(OFFERED[offer.name]).format(lasted=offer.lasted)


def capital(words: str) -> str:
    """The first letter large, the others as they are ('24 V behind the fuse' keeps its V)."""
    return words[:1].upper() + words[1:]


def look(finding: str, beside: Collection[str] = (), evidence: Mapping[str, object] | None = None) -> tuple[str, ...]:
    """What is safe to look at, in order. `beside`: findings of the same cause; `evidence`: the finding's own. Behind a
    rotor that did not turn, or a supply that went under a call, nobody sets a breaker again before a technician has
    measured the compressor to ground."""
    return tuple(LOOK[key] for key in _look(finding, beside, evidence))


def _look(finding: str, beside: Collection[str], evidence: Mapping[str, object] | None) -> tuple[str, ...]:
    keys = TOLD[finding].look
    lost_under_call = finding == "line-supply-lost" and bool((evidence or {}).get("call"))
    if "locked-rotor" in beside or lost_under_call:
        return tuple("breaker-left" if key == "breakers" else key for key in keys)
    return keys


def avoid(finding: str, unit: Unit) -> tuple[str, ...]:
    """What not to touch; a unit with a one-pole contactor has one caution more."""
    return tuple(CARE[key] for key in _avoid(finding, unit))


def _avoid(finding: str, unit: Unit) -> list[str]:
    keys = list(TOLD[finding].avoid)
    if unit.contactor_poles == 1 and "cabinet" in keys:
        keys.insert(keys.index("cabinet") + 1, "one-pole")
    return keys


def avoid_briefly(
    finding: str, unit: Unit, beside: Collection[str] = (), evidence: Mapping[str, object] | None = None
) -> tuple[str, ...]:
    """The same for a phone, those of the cabinet in one line, with what must be heeded of the looks (see `look`)."""
    keys = _avoid(finding, unit)
    cabinet = [key for key in ("cabinet", "one-pole", "capacitor") if key in keys]
    others = [CARE[key] for key in keys if key not in cabinet]
    heeded = [BRIEF[key] for key in _look(finding, beside, evidence) if key in BRIEF]
    return (*([BRIEF["+".join(cabinet)]] if cabinet else ()), *others, *heeded)


_MEASURED = mark("Measured: {measured}.")
_FIRST = mark("Suspected first: {suspect}.")
_DAYS = mark("{days} days")
_ON, _OFF = mark("on"), mark("off")


def read_out(finding: Finding) -> str:
    """One line to read to the technician: what is the case, what was measured, who is suspected first."""
    measured = ", ".join(f"{name} {shown}" for name, shown in measurements(finding))
    parts = [FINDINGS[finding.name].tell]
    if measured:
        parts.append(tr(_MEASURED).format(measured=measured))
    if finding.suspects:
        parts.append(tr(_FIRST).format(suspect=suspect(finding.suspects[0])))
    return " ".join(parts)


NAMES = Texts({name: row.title for name, row in READINGS.items()})


def measurements(finding: Finding) -> list[tuple[str, str]]:
    """The finding's evidence as (name, value with unit) in words; counted things are left out."""
    return [(NAMES[name], value_words(name, value)) for name, value in finding.evidence.items() if name in READINGS]


def value_words(reading: str, value: object) -> str:
    """A reading's value as people write it, a temperature in the reader's scale."""
    if isinstance(value, bool):
        return tr(_ON if value else _OFF)
    if isinstance(value, int | float):
        if READINGS[reading].unit == "°C" and reader().scale == "F":
            return f"{value * 9 / 5 + 32:.0f} °F"
        return f"{value:.{READINGS[reading].digits}f} {READINGS[reading].unit}"
    return str(value)


def state(cycle: CycleState) -> str:
    """What the unit does, in a word or two."""
    return WORDS[f"cycle-{cycle.value}"]


def suspect(name: str) -> str:
    """A suspect in the trade's words; 'other' is none of them, and an unknown one is called by its name."""
    return tr(SUSPECTS[name].title) if name in SUSPECTS else WORDS.get(f"suspect-{name}", name)


def span(seconds: float) -> str:
    """A length of time in words, to two parts at most: '40 s', '12 min', '3 h 5 min', '2 days'."""
    seconds = max(0.0, seconds)
    if seconds < 60:
        return f"{seconds:.0f} s"
    minutes = int(seconds // 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return tr(_DAYS).format(days=hours // 24)
