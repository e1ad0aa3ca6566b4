"""What the wiring ladder shows, before it is drawn: each link in words, and the state of every part and wire.

Pure: a UnitStatus and the nameplate in, rows out. The drawing (ladder.py) and the list for screen readers are made from
the same rows, so that they cannot say different things.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.links import CHAIN
from condenser_monitor.monitor.core.readings import SHOWN
from condenser_monitor.monitor.core.records import (
    LinkState,
    LinkView,
    UnitStatus,
)
from condenser_monitor.monitor.strings import texts

LIVE, DEAD, UNKNOWN = LinkState.LIVE, LinkState.DEAD, LinkState.UNKNOWN

# Where the trouble is marked when it is no break of the chain: finding -> (link, the catalogue's word for the tag).
MARKS: dict[str, tuple[str, str]] = {
    "contacts-stuck-closed": ("contacts", "mark-stuck-closed"),
    "contactor-chatter": ("contacts", "mark-chatter"),
    "locked-rotor": ("compressor", "mark-locked"),
    "overload-cycling": ("compressor", "mark-overload"),
    "high-running-current": ("compressor", "mark-high-current"),
    "low-running-current": ("compressor", "mark-low-current"),
    "slow-start": ("compressor", "mark-slow-start"),
    "low-control-voltage": ("call", "mark-low-voltage"),
    "low-line-voltage": ("line-supply", "mark-low-voltage"),
    "high-line-voltage": ("line-supply", "mark-high-voltage"),
    "run-capacitor-weak": ("compressor", "mark-weak-capacitor"),
    "not-cooling": ("compressor", "mark-not-cooling"),
}


class WiringRow(NamedTuple):
    """One link as people read it. `mark` is the tag that flags it, "" for none; `reading` may be empty too."""

    name: str
    title: str
    state: LinkState
    words: str
    reading: str
    inferred: bool
    mark: str


def rows(status: UnitStatus) -> tuple[WiringRow, ...]:
    """The chain in its order, one row a link."""
    marked = marks(status)
    views = {view.name: view for view in status.links}
    return tuple(_row(views[link.name], status, marked.get(link.name, "")) for link in CHAIN if link.name in views)


def _row(view: LinkView, status: UnitStatus, mark: str) -> WiringRow:
    return WiringRow(
        name=view.name,
        title=texts.LINKS[view.name].title,
        state=view.state,
        words=texts.WORDS["stalled"] if mark == texts.WORDS["mark-locked"] else _words(view),
        reading=" ".join(_readings(view.name, status)),
        inferred=view.inferred,
        mark=mark,
    )


def _words(view: LinkView) -> str:
    if view.state is UNKNOWN:
        return texts.WORDS["not-sensed" if view.sense is None else "no-reading"]
    link = texts.LINKS[view.name]
    return link.live if view.state is LIVE else link.dead


def _readings(link: str, status: UnitStatus) -> list[str]:
    seen = ((name, status.readings.get(name)) for name in SHOWN.get(link, ()))
    return [texts.value_words(name, float(value)) for name, value in seen if value is not None]


def marks(status: UnitStatus) -> dict[str, str]:
    """link -> the tag that flags it: the break of the chain, and what stands of a part that is no break."""
    found = {} if status.break_at is None else {status.break_at: texts.WORDS["mark-break"]}
    for finding in status.findings:
        link, word = MARKS.get(finding.name, ("", ""))
        if link:
            found.setdefault(link, texts.WORDS[word])
    return found


def blinded(status: UnitStatus) -> UnitStatus:
    """The same unit when its status is too old to be believed: every link unknown, no reading, nothing flagged."""
    links = tuple(
        msgspec.structs.replace(view, state=UNKNOWN, inferred=False, sense=view.sense) for view in status.links
    )
    return msgspec.structs.replace(
        status, links=links, readings=dict.fromkeys(status.readings), break_at=None, findings=()
    )


# ---------------------------------------------------------------- parts and wires of the drawing


class Parts(NamedTuple):
    """Every part and wire of the drawing; a switch is live when it is closed, dead when it is open.

    `safeties` are those ahead of the unit, `switches` the unit's own pressure switches. `return_leg` is the second leg
    behind the contacts: with a one-pole contactor it is never switched.
    """

    transformer: LinkState
    control_power: LinkState
    thermostat: LinkState
    called: LinkState
    safeties: LinkState
    call: LinkState
    switches: LinkState
    coil: LinkState
    supply: LinkState
    contacts: LinkState
    load_leg: LinkState
    return_leg: LinkState
    compressor: LinkState
    fan: LinkState

    def return_side(self, motor: LinkState) -> LinkState:
        """The wire from a motor to the second leg: live with the leg though the motor stands still."""
        return LIVE if self.return_leg is LIVE else motor


def parts(status: UnitStatus, unit: Unit) -> Parts:
    """The state of every part and wire, from the chain alone; what the chain cannot tell is unknown."""
    state = {view.name: view.state for view in status.links}
    power, called, call = state["control-power"], state["thermostat-call"], state["call"]
    supply, contacts = state["line-supply"], state["contacts"]
    return Parts(
        # A dead wire behind the fuse leaves open whether the fuse or the transformer is to blame.
        transformer=LIVE if power is LIVE else UNKNOWN,
        control_power=power,
        thermostat=called if power is LIVE or called is LIVE else UNKNOWN,
        called=called,
        safeties=LIVE if call is LIVE else UNKNOWN,
        call=call,
        switches=LIVE if (state["coil-current"] if unit.call_tap == "y-terminal" else call) is LIVE else UNKNOWN,
        coil=state["coil-current"],
        supply=supply,
        contacts=contacts,
        load_leg=behind(supply, contacts),
        return_leg=supply if unit.contactor_poles == 1 else behind(supply, contacts),
        compressor=state["compressor"],
        fan=state["fan"],
    )


def behind(before: LinkState, switch: LinkState) -> LinkState:
    """A wire behind a switch: dead if either is, live if both are, else not known."""
    if DEAD in (before, switch):
        return DEAD
    return LIVE if before is LIVE and switch is LIVE else UNKNOWN
