"""(edge) Alerts on the command line: the open episodes, and a person's answer to one of them."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from datetime import tzinfo
from typing import TextIO

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import shown
from condenser_monitor.monitor.core.records import AlertState, Episode, EpisodeState, Request, RequestKind, UnitStatus
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.episodes import besides, headline, stands
from condenser_monitor.monitor.terminal.say import show

_LINE_MOST = 2000  # characters: longer than anything that is said here, but for what somebody else wrote
KINDS = {
    "acknowledge": RequestKind.ACKNOWLEDGE,
    "snooze": RequestKind.SHELVE,
    "repaired": RequestKind.REPAIRED,
    "intended": RequestKind.INTENDED,
}


def listed(history: History, out: TextIO, *, zone: tzinfo | None = None) -> int:
    """Print the episodes and the alerts that are open. Exit status 0 none, 1 some, 4 nothing is known."""
    status = history.status()
    if status is None:
        out.write("The monitor has not seen the unit yet.\n")
        return 4
    lines = list(_lines(status, zone))
    show(lines or ["Nothing is open."], out)
    return 1 if lines else 0


def _lines(status: UnitStatus, zone: tzinfo | None) -> Iterator[str]:
    told: set[str] = set()
    for episode in status.episodes:
        if episode.state is not EpisodeState.OVER:
            told.update(episode.findings)
            yield from _episode(episode, zone)
    for alert in status.alerts:
        if alert.state is not AlertState.NORMAL and alert.finding not in told:
            yield f"{alert.finding}: {texts.WORDS[f'alert-{alert.state.value}']}"


def _episode(episode: Episode, zone: tzinfo | None) -> Iterator[str]:
    since = "" if episode.since_wall_s is None else f", since {time_format.moment(episode.since_wall_s, None, zone)}"
    yield f"{episode.id} ({episode.severity.value}, {stands(episode)}{since})"
    yield f"  {headline(episode)}"
    yield from (f"  {shown(line, _LINE_MOST)}" for line in besides(episode))


def answer(
    history: History,
    out: TextIO,
    what: str,
    name: str,
    *,
    by: str,
    hours: float | None = None,
    day: str | None = None,
    note: str = "",
) -> int:
    """Leave a person's answer to an episode or a finding, and say what became of it. Exit status 0 done, 1 refused or
    not answered yet."""
    request = Request(
        id=secrets.token_hex(8), request=KINDS[what], by=by, finding=name, hours=hours, day=day, note=note
    )
    return _ask(history, out, request, "Done.")


def renew(history: History, out: TextIO, part: str, *, by: str) -> int:
    """Say that a part was renewed, and what became of it. Exit status as `answer`."""
    request = Request(id=secrets.token_hex(8), request=RequestKind.RENEW, by=by, part=part)
    return _ask(history, out, request, f"What was normal for the {part} is reset.")


def _ask(history: History, out: TextIO, request: Request, done: str) -> int:
    reply = history.ask(request, limits.WEB.answer_wait_s.value)
    if reply is None:
        out.write("Left for the monitor, which has not answered yet.\n")
        return 1
    out.write(f"{done}\n" if reply.done else f"Not done: {reply.why}\n")
    return 0 if reply.done else 1
