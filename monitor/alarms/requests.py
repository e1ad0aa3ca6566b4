"""Whether a person's request about an alert makes sense.

Every refusal is a CommandError: what was asked, what is the case, what is allowed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from datetime import date

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.alarms.memory import Slot
from condenser_monitor.monitor.core.errors import CONTROLS, CommandError
from condenser_monitor.monitor.core.records import AlertState, Request, RequestKind

Renew = Callable[[str | None], None]


def no_renewal(part: str | None) -> None:
    """Parts are the trends' affair; a desk alone has none. Raises CommandError."""
    raise CommandError("renew", part, "a request to the engine of a unit")


_WHY_NOT: dict[RequestKind, dict[AlertState, str]] = {
    RequestKind.ACKNOWLEDGE: {
        AlertState.NORMAL: "no alert, so nothing to acknowledge",
        AlertState.ACKED: "already acknowledged",
        AlertState.LATCHED_ACKED: "already acknowledged; it waits for a reset",
        AlertState.SHELVED: "shelved; unshelve it first",
        AlertState.SUPPRESSED: "not told, since it follows from another alert; acknowledge that one",
        AlertState.OUT_OF_SERVICE: "the unit is in service mode; resume first",
    },
    RequestKind.RESET: {
        AlertState.NORMAL: "no alert, so nothing to reset",
        AlertState.UNACKED: "the condition still stands",
        AlertState.ACKED: "the condition still stands",
        AlertState.RETURNED: "already over; acknowledge it",
        AlertState.SHELVED: "shelved; unshelve it first",
        AlertState.SUPPRESSED: "it follows from another alert",
        AlertState.OUT_OF_SERVICE: "the unit is in service mode; resume first",
    },
}
_ALLOWED: dict[RequestKind, str] = {
    RequestKind.ACKNOWLEDGE: "an alert that nobody has acknowledged",
    RequestKind.RESET: "a latched alert whose condition is gone",
    RequestKind.UNSHELVE: "an alert that is shelved",
}


def refused_because(name: str, slot: Slot, kind: RequestKind) -> CommandError:
    """The error that says why a request cannot be done in the state the alert is in."""
    why = _WHY_NOT.get(kind, {}).get(slot.state, "not shelved")
    if slot.acked_by and "already acknowledged" in why:
        why = f"{why} (by {slot.acked_by})"
    return CommandError(f"{kind} {name}", why, _ALLOWED[kind])


def check_request(request: Request, names: Collection[str]) -> None:
    """Raise CommandError for a request that no state could allow. `names`: what can be spoken of."""
    _check_texts(request)
    if request.request in (RequestKind.SHELVE, RequestKind.SERVICE):
        _check_hours(request)
    if request.request in (RequestKind.SERVICE, RequestKind.RESUME, RequestKind.RENEW):
        return
    if request.finding is None:
        raise CommandError(f"{request.request}: finding", None, "the name of a finding or of an episode")
    if request.finding not in names:
        given = request.finding[:80]
        raise CommandError(f"{request.request}: finding", given, "one of " + ", ".join(names))


def _check_texts(request: Request) -> None:
    longest = int(limits.ALARMS.name_most.value)
    for place, text in (("id", request.id), ("by", request.by)):
        if not text.strip() or len(text) > longest or CONTROLS.search(text):
            raise CommandError(f"{request.request}: {place}", text[:80], f"1 to {longest} characters, none a control")
    if request.day is not None:
        try:
            date.fromisoformat(request.day)
        except ValueError:
            raise CommandError(f"{request.request}: day", request.day[:80], "a date as YYYY-MM-DD") from None
    most = int(limits.ALARMS.text_most.value)
    if len(request.note) > most:
        raise CommandError(f"{request.request}: note", f"{len(request.note)} characters", f"at most {most} characters")
    if CONTROLS.search(re.sub(r"[\t\r\n]", "", request.note)):  # a note may have lines
        raise CommandError(f"{request.request}: note", request.note[:80], "a text without controls but line breaks")


def _check_hours(request: Request) -> None:
    least = limits.ALARMS.hours_least.value
    alarms = limits.ALARMS
    most = (alarms.shelve_most_h if request.request is RequestKind.SHELVE else alarms.service_most_h).value
    # NaN fails the comparison too.
    if request.hours is None or not least <= request.hours <= most:
        raise CommandError(f"{request.request}: hours", request.hours, f"{least:g} to {most:g} hours")
