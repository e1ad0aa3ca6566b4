"""The alarm life: how a finding becomes something people are told, and stops being it (ISA-18.2 / IEC 62682).

Theory. A finding says what is the case; an alarm asks a person to act, so it has a life of its own. It begins when its
finding is raised: the on-delay lies in the finding, whose condition has held by then. It ends not when the finding is
cleared but when it has *stayed* cleared for the finding's off-delay (`all_clear_s`): whatever comes back before that
is the same alarm and is not told again. Between the two, people may acknowledge it ("I know"), shelve it ("not now",
with an end), or put the whole unit out of service while they work on it (also with an end). None of this touches the
finding. The states bear the letters of the standard:

    A normal                    nothing to tell
    B unacknowledged            told, nobody has answered
    C acknowledged              told and answered
    D returned-unacknowledged   over, and told to be over, but nobody ever answered
    E latched-unacknowledged    the condition is gone, but that proves nothing: somebody has to look and reset it
    F latched-acknowledged      the same, answered
    G shelved                   a person asked not to be told until a given time
    H suppressed-by-design      it follows from another alarm that lasts: telling that one is enough
    I out-of-service            service mode: a person is at the unit

What is told follows from the states: *entering B* tells the alarm; reaching A or D, with an alarm told and its cause
proved repaired (or reset), tells the all-clear. So an all-clear is told once for what was told, also after a restart,
and nothing is told on the way into or within G, H and I. What still stands when those end enters B and is told (again):
that is what their end is for. Suppression only keeps a consequence from being told; it never takes back an alarm
already told (rows B and C of `suppress`). A condition that is gone proves nothing: an alarm that was told latches after
its off-delay until the part was seen to work (episodes.py) or a person resets it. Who resets has seen it, so a reset
acknowledges as well.

The table was written down from memory of the standard's state diagram, with the ends of G, H and I made explicit: they
lead where the condition by then belongs; a
proof resets what latched as a person does. A person's event that leaves the
state as it is, is refused with the reason. People are told of episodes (episodes.py), which are kept here beside it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from datetime import date
from enum import StrEnum
from math import inf
from typing import Any, Literal

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.alarms.episodes import EpisodeBook, EpisodesMemory, Stands, Story
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CONTROLS, CommandError, ContractError
from condenser_monitor.monitor.core.findings import BY_INTENT, CATALOGUE, can_be_meant
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.load_state import MemoryPart, MonotonicTime, Saved
from condenser_monitor.monitor.core.records import (
    Alert,
    AlertChange,
    AlertState,
    Answer,
    Change,
    ChangeKind,
    Request,
    RequestKind,
    Severity,
)

_S = AlertState


class AlertEvent(StrEnum):
    """What can happen to an alert. The `end-` events end G, H or I, and say what lies beneath by then."""

    RAISE = "raise"
    SUPPRESS = "suppress"  # raised, but as the consequence of another alarm that lasts
    RETURN = "return"  # stayed gone for the off-delay
    LATCH = "latch"  # the same, of a finding that latches
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"  # by a person, or because the part was seen to work
    SHELVE = "shelve"
    OUT = "out-of-service"
    END_NORMAL = "end-normal"
    END_STANDING = "end-standing"
    END_LATCHED = "end-latched"
    END_SHELVED = "end-shelved"  # out of service ends, an earlier shelving goes on
    END_SUPPRESSED = "end-suppressed"


_LETTERS = dict(zip("ABCDEFGHI", AlertState, strict=True))
_GRID = """
                A B C D E F G H I
raise           B B C B B B G B I
suppress        H B C H H H G H I
return          A D A D E F G A I
latch           E E F E E F G E I
acknowledge     A C C A F F G H I
reset           A B C D D A G H I
shelve          G G G G G G G G I
out-of-service  I I I I I I I I I
end-normal      A B C D E F A A A
end-standing    A B C D E F B B B
end-latched     A B C D E F E E E
end-shelved     A B C D E F G H G
end-suppressed  A B C D E F H H H
"""


def _read_grid() -> dict[AlertState, dict[AlertEvent, AlertState]]:
    head, *rows = (line.split() for line in _GRID.strip().splitlines())
    return {
        _LETTERS[letter]: {AlertEvent(row[0]): _LETTERS[row[1 + column]] for row in rows}
        for column, letter in enumerate(head)
    }


TRANSITIONS: dict[AlertState, dict[AlertEvent, AlertState]] = _read_grid()

_QUIET = frozenset({_S.SHELVED, _S.SUPPRESSED, _S.OUT_OF_SERVICE})
_OVER = frozenset({_S.NORMAL, _S.RETURNED})


# ---------------------------------------------------------------- figures of the alarm system (ISA-18.2 / IEC 62682)

# Rate, flood, chatter, stale, priorities, top contributors. They are kept as sums a day and a few latest times, so that
# thirty days of them stay small. Days here are spans of 24 h of the monitor's own lasting time, not of the calendar: a
# clock that jumps does not move them. "Told" alarms are those announced to people; chatter is counted on the findings
# themselves, where it arises.

_DAY_S = 86400.0


class AlarmDay(msgspec.Struct, forbid_unknown_fields=True):
    """Sums of one day: told alarms and chatter by finding, told alarms by severity, the fullest window."""

    day: int
    alarms: dict[str, int] = msgspec.field(default_factory=dict, name="told")
    severity: dict[Severity, int] = {}
    chatter: dict[str, int] = {}
    peak: int = 0


class MetricsMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """All that is kept; times in the timeline's `x`."""

    days: list[AlarmDay] = []
    alarms_x: list[float] = msgspec.field(default_factory=list, name="told_x")
    raised_x: dict[str, list[float]] = {}
    floods: list[tuple[float, float]] = []
    flood_since_x: float | None = None


_SHARES = {
    Severity.URGENT: limits.ALARMS.share_urgent,
    Severity.SOON: limits.ALARMS.share_soon,
    Severity.WATCH: limits.ALARMS.share_watch,
}


class AlertMetrics:
    """Fed with what was raised and told, in order of time; asked for a report. `memory` must survive a restart."""

    def __init__(self, memory: MetricsMemory | None = None) -> None:
        self.memory = memory or MetricsMemory()

    def raised(self, finding: str, x_s: float) -> None:
        """A finding was raised. Chatter: raised three times or more within a minute; each such minute counts once."""
        times = self.memory.raised_x.setdefault(finding, [])
        times.append(x_s)
        del times[: -int(limits.ALARMS.chatter_times.value)]
        if len(times) == limits.ALARMS.chatter_times.value and x_s - times[0] <= limits.ALARMS.chatter_s.value:
            chatter = self._day(x_s).chatter
            chatter[finding] = chatter.get(finding, 0) + 1
            times.clear()

    def count_alarm(self, finding: str, severity: Severity, x_s: float) -> None:
        """Count an alarm that people were notified of."""
        if self.memory.flood_since_x is not None:
            self._settle_flood(self.memory.flood_since_x, x_s)
        self.memory.alarms_x.append(x_s)
        del self.memory.alarms_x[: -int(limits.ALARMS.times_kept.value)]
        day, recent = self._day(x_s), self._recent(x_s)
        day.alarms[finding] = day.alarms.get(finding, 0) + 1
        day.severity[severity] = day.severity.get(severity, 0) + 1
        day.peak = max(day.peak, recent)
        if self.memory.flood_since_x is None and recent > limits.ALARMS.flood_from.value:
            self.memory.flood_since_x = x_s

    def _recent(self, x_s: float) -> int:
        return sum(x_s - at_x < limits.ALARMS.window_s.value for at_x in self.memory.alarms_x)

    def _day(self, x_s: float) -> AlarmDay:
        number, days = int(x_s // _DAY_S), self.memory.days
        if not days or days[-1].day < number:
            days.append(AlarmDay(number))
            days[:] = [day for day in days if day.day > number - limits.ALARMS.days.value]
        return days[-1]

    def _settle_flood(self, since_x: float, x_s: float) -> None:
        """A flood ends when fewer than five alarms are left in the window: as the fifth latest leaves it."""
        latest = self.memory.alarms_x[-int(limits.ALARMS.flood_until.value) :]
        end_x = latest[0] + limits.ALARMS.window_s.value if latest else since_x
        if end_x <= x_s:
            self.memory.floods.append((since_x, end_x))
            del self.memory.floods[: -int(limits.ALARMS.times_kept.value)]
            self.memory.flood_since_x = None

    def report(self, x_s: float, lasting: Mapping[str, float]) -> dict[str, Any]:
        """All figures at `x_s`. `lasting` maps the alarms whose condition stands to since when (`x`)."""
        if self.memory.flood_since_x is not None:
            self._settle_flood(self.memory.flood_since_x, x_s)
        first_day = int(x_s // _DAY_S) - int(limits.ALARMS.days.value)
        days = [day for day in self.memory.days if day.day > first_day]
        seen_s = max(min(x_s, limits.ALARMS.days.value * _DAY_S), 1.0)
        total = sum(sum(day.alarms.values()) for day in days)
        per_day = total / max(seen_s / _DAY_S, 1.0)
        return {
            "days": round(seen_s / _DAY_S, 2),
            "told": total,
            "per_day": round(per_day, 2),
            "per_day_allowed": limits.ALARMS.per_day.value,
            "in_10_min": self._recent(x_s),
            "most_in_10_min": max((day.peak for day in days), default=0),
            "flood": self._floods(x_s, seen_s),
            "chatter": _sums(day.chatter for day in days),
            "stale": {
                name: round(x_s - at_x) for name, at_x in lasting.items() if x_s - at_x > limits.ALARMS.stale_s.value
            },
            "severity": _split(days, total),
            "top": _top(_sums(day.alarms for day in days), total),
        }

    def _floods(self, x_s: float, seen_s: float) -> dict[str, Any]:
        spans = [(max(begin_x, x_s - seen_s), end_x) for begin_x, end_x in self.memory.floods if end_x > x_s - seen_s]
        if self.memory.flood_since_x is not None:
            spans.append((self.memory.flood_since_x, x_s))
        share = sum(end_x - begin_x for begin_x, end_x in spans) / seen_s
        now = self.memory.flood_since_x is not None
        return {
            "now": now,
            "floods": len(spans),
            "share_of_time": round(share, 6),
            "aim": limits.ALARMS.flood_share.value,
        }


def _sums(counts: Any) -> dict[str, int]:
    sums: dict[str, int] = {}
    for table in counts:
        for name, count in table.items():
            sums[name] = sums.get(name, 0) + count
    return sums


def _split(days: list[AlarmDay], total: int) -> dict[str, dict[str, float]]:
    sums = _sums(day.severity for day in days)
    return {
        str(severity): {
            "told": sums.get(severity, 0),
            "share": round(sums.get(severity, 0) / total, 4) if total else 0.0,
            "aim": _SHARES[severity].value,
        }
        for severity in Severity
    }


def _top(sums: Mapping[str, int], total: int) -> list[dict[str, Any]]:
    ranked = sorted(sums.items(), key=lambda pair: (-pair[1], pair[0]))[: int(limits.ALARMS.top.value)]
    return [{"finding": name, "told": count, "share": round(count / total, 4)} for name, count in ranked]


# ---------------------------------------------------------------- what is kept, in the process and over restarts


class Slot(msgspec.Struct, forbid_unknown_fields=True):
    """The alert of one finding. Times in the timeline's `x`.

    `standing`: the finding stands. `gone_x`: when it was cleared, while the off-delay runs. `owed`: people were told
    the alarm and not yet the all-clear.
    """

    severity: Severity
    summary: str
    state: AlertState = AlertState.NORMAL
    standing: bool = False
    gone_x: float | None = None
    owed: bool = False
    since_x: float = 0.0
    since_wall_s: float | None = None
    suspects: tuple[str, ...] = ()
    acked_by: str | None = None
    shelved_until_x: float | None = None
    note: str = ""

    @property
    def in_alarm(self) -> bool:
        """Standing, or gone for less than the off-delay."""
        return self.standing or self.gone_x is not None


class AlarmMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What survives a restart; times in the timeline's `x`."""

    version: int
    timeline: Saved
    slots: dict[str, Slot]
    service_until_x: float | None
    answers: list[Answer]
    metrics: MetricsMemory


MEMORY_VERSION = 1
ALERTS_MEMORY = MemoryPart("alerts", MEMORY_VERSION, AlarmMemory, what="alerts")


# ---------------------------------------------------------------- a person's requests; each refusal is a CommandError

Renew = Callable[[str | None], None]


def no_renewal(part: str | None) -> None:
    """Parts are the trends' affair; a manager alone has none. Raises CommandError."""
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


# ---------------------------------------------------------------- the manager


class AlarmManager:
    """Follows the alert of every finding. `memory` is what memory() of an earlier one gave.

    After a restart the manager trusts its memory: what stood then stands until update() says otherwise.
    """

    def __init__(
        self, settings: Settings, memory: AlarmMemory | None = None, episodes: EpisodesMemory | None = None
    ) -> None:
        self._facts = Facts()
        self._outdoor_c: float | None = None
        self._delay_s = {name: settings.limit(limits.FINDINGS[name].all_clear_s) for name in CATALOGUE}
        self._line = MonotonicTime(memory.timeline if memory else None)
        self.episode_book = EpisodeBook(self._line, episodes)
        kept = memory.slots if memory else {}
        self._slots = {name: kept.get(name) or Slot(row.severity, row.summary) for name, row in CATALOGUE.items()}
        self._service_x = memory.service_until_x if memory else None
        self._answers = {answer.id: answer for answer in memory.answers} if memory else {}
        self._metrics = AlertMetrics(memory.metrics if memory else None)
        for name, slot in self._slots.items():
            if (slot.owed or slot.standing) and not self.episode_book.knows(name):  # a version told it that knew none
                self._told_of(name, slot, self._line.now_x, told=slot.owed)
                if not slot.standing:
                    self.episode_book.clear(name, self._line.now_x)

    # ------------------------------------------------------------ in

    def __repr__(self) -> str:
        states = {name: str(slot.state) for name, slot in self._slots.items() if slot.state is not AlertState.NORMAL}
        return f"<AlarmManager {states}>"

    def apply(self, change: Change) -> list[AlertChange]:
        """One change of a finding, in order of time. Timers due before it run first, timers due at its very moment do
        not: call tick() after the changes of a scan. Raises ContractError for a finding not in the catalogue."""
        slot = self._slots.get(change.finding)
        if slot is None:
            raise ContractError("alert", change.finding, "a finding of the catalogue")
        told = self.tick(change.t_s, change.wall_s, at_it=False)
        name, x_s = change.finding, self._line.x(change.t_s)
        if change.change is ChangeKind.CLEARED:
            if slot.standing:
                slot.standing, slot.gone_x = False, x_s
                self.episode_book.clear(name, x_s)
                if self.episode_book.is_intended(name):  # by a person's word: there is nothing to wait for
                    slot.gone_x = None
                    told += self._feed(name, AlertEvent.RETURN, x_s) + self._release(x_s)
        else:
            slot.severity, slot.summary, slot.suspects = change.severity, change.summary, change.suspects
            if not slot.standing:
                if not slot.in_alarm:
                    slot.since_x, slot.since_wall_s = x_s, change.wall_s
                slot.standing, slot.gone_x = True, None
                self._metrics.raised(name, x_s)
                told += self._feed(name, AlertEvent.SUPPRESS if self._follows(name) else AlertEvent.RAISE, x_s)
            self._told_of(name, slot, x_s, told=False)
        return told

    def see(self, facts: Facts, outdoor_c: float | None) -> None:
        """What is seen now, before the changes that follow from it."""
        self._facts, self._outdoor_c = facts, outdoor_c

    def observe(self, now_s: float, wall_s: float | None) -> list[AlertChange]:
        """Judge what is seen, at each change of it and once a minute: it may prove a cause repaired."""
        steps = self.tick(now_s, wall_s, at_it=False)
        if self.episode_book.watching:
            x_s = self._line.x(now_s)
            for name in self.episode_book.observe(self._facts, x_s, self._outdoor_c):
                slot = self._slots[name]
                if slot.shelved_until_x is not None:  # what is proved repaired needs no snooze any more
                    slot.shelved_until_x = None
                    steps += self._end_quiet(name, x_s) if slot.state is _S.SHELVED else []
                elif not slot.in_alarm:
                    steps += self._feed(name, AlertEvent.RESET, x_s)
        return steps

    def request(
        self, request: Request, now_s: float, wall_s: float | None, renew: Renew = no_renewal
    ) -> tuple[Answer, list[AlertChange]]:
        """A person's wish. Never raises: what cannot be done is answered with the reason; a repeated id gets the first
        answer again and changes nothing. `renew` does what is asked of a part that was renewed (no alert changes)."""
        told = self.tick(now_s, wall_s)
        if request.id in self._answers:
            return self._answers[request.id], told
        try:
            check_request(request, (*self._slots, *self.episode_book.open_ids()))
            if request.request is RequestKind.RENEW:
                renew(request.part)
            else:
                told += self._do(request)
            answer = Answer(id=request.id, done=True)
        except CommandError as error:
            answer = Answer(id=request.id, done=False, why=str(error))
        self._remember(answer)
        return answer, told

    def tick(self, now_s: float, wall_s: float | None, *, at_it: bool = True) -> list[AlertChange]:
        """Time has passed: off-delays, shelvings and service mode that end before `now_s` end; `at_it` too."""
        skipped_s = self._line.advance(now_s, wall_s)
        if skipped_s:
            self._shift_off_delays(skipped_s)
        now_x = self._line.x(now_s)
        told: list[AlertChange] = []
        # Each turn ends one timer, and none starts a new one: the loop is bounded by the number of findings.
        while (ends_x := self._next_x) < now_x or (at_it and ends_x == now_x):
            told += self._end_timer(ends_x)
        return told

    def next_deadline(self) -> float | None:
        """When tick() next has something to do, in `t_s`; None: nothing is waiting."""
        ends_x = self._next_x
        return None if ends_x == inf else self._line.t_s(ends_x)

    # ------------------------------------------------------------ out

    def alerts(self) -> tuple[Alert, ...]:
        """The alerts that are not normal, in the catalogue's order; out of service, those with something beneath."""
        return tuple(
            Alert(
                finding=name,
                state=slot.state,
                severity=slot.severity,
                active=slot.standing,
                since_s=self._line.t_s(slot.since_x),
                since_wall_s=slot.since_wall_s,
                summary=slot.summary,
                suspects=slot.suspects,
                acked_by=slot.acked_by,
                shelved_until_wall_s=None if slot.shelved_until_x is None else self._line.wall_s(slot.shelved_until_x),
                note=slot.note,
            )
            for name, slot in self._slots.items()
            if _shown(slot)
        )

    def metrics(self, wall_s: float | None) -> dict[str, Any]:
        """Figures of the alarm system over the last 30 days (ISA-18.2), JSON-able; see AlertMetrics.report."""
        lasting = {n: s.since_x for n, s in self._slots.items() if s.standing and s.state not in _QUIET}
        quiet = {str(state): [n for n, s in self._slots.items() if s.state is state and _shown(s)] for state in _QUIET}
        return self._metrics.report(self._line.now_x, lasting) | {"quiet": dict(sorted(quiet.items()))}

    @property
    def service_until_wall_s(self) -> float | None:
        """When service mode ends, for people; None when not in service mode or the wall clock is not known."""
        return None if self._service_x is None else self._line.wall_s(self._service_x)

    @property
    def in_service(self) -> bool:
        """True while service mode lasts, whether or not the wall clock is known."""
        return self._service_x is not None

    def memory(self) -> AlarmMemory:
        """What must survive a restart."""
        fresh = {name: Slot(row.severity, row.summary) for name, row in CATALOGUE.items()}
        return AlarmMemory(
            version=MEMORY_VERSION,
            timeline=self._line.save(),
            slots={name: slot for name, slot in self._slots.items() if slot != fresh[name]},
            service_until_x=self._service_x,
            answers=list(self._answers.values()),
            metrics=self._metrics.memory,
        )

    # ------------------------------------------------------------ findings

    def _told_of(self, name: str, slot: Slot, x_s: float, *, told: bool) -> None:
        """Put what stands into its story."""
        seen = Stands(name, slot.severity, slot.suspects, x_s, slot.since_wall_s, self._facts, self._outdoor_c)
        self.episode_book.stand(seen, told=told, paused=self._service_x is not None)

    def _follows(self, name: str) -> bool:
        return any(self._slots[parent].in_alarm for parent in CATALOGUE[name].parents)

    # ------------------------------------------------------------ requests

    def _do(self, request: Request) -> list[AlertChange]:
        now_x, kind = self._line.now_x, request.request
        if kind is RequestKind.SERVICE:
            return self._begin_service(request, now_x)
        if kind is RequestKind.RESUME:
            if not self.in_service:
                raise CommandError("resume", "not in service mode", "only while in service mode")
            return self._end_service(now_x, request.by)
        assert request.finding is not None  # check_request has seen to it
        name, story = request.finding, self.episode_book.find(request.finding)
        if story is not None and name in story.merged:
            name = story.id
        if kind is RequestKind.REPAIRED:
            return self._repaired(name, story, request)
        if kind is RequestKind.INTENDED:
            return self._intended(name, story, request)
        if kind is RequestKind.ACKNOWLEDGE:
            return self._acknowledge(name, story, request)
        if kind is RequestKind.SHELVE:
            return self._shelve(name, story, request)
        if kind is RequestKind.UNSHELVE:
            return self._unshelve(name, story, request.by)
        return [step for one in self._meant(name, story) for step in self._reset(one, self._slots[one], request)]

    def _acknowledge(self, name: str, story: Story | None, request: Request) -> list[AlertChange]:
        whole = story is not None and name == story.id
        steps: list[AlertChange] = []
        for one in self._meant(name, story):
            slot = self._slots[one]
            if TRANSITIONS[slot.state][AlertEvent.ACKNOWLEDGE] is not slot.state:
                slot.acked_by, slot.note = request.by, request.note
                steps += self._feed(one, AlertEvent.ACKNOWLEDGE, self._line.now_x, request.by)
            elif not whole and request.day is None:
                raise refused_because(name, slot, RequestKind.ACKNOWLEDGE)
        if story is not None and (whole or not any(self._unanswered(one) for one in story.trials)):
            self.episode_book.answer(story, request.by, self._line.now_x, request.day)
        return steps

    def _unanswered(self, name: str) -> bool:
        return self._slots[name].state in (_S.UNACKED, _S.LATCHED_UNACKED, _S.RETURNED)

    def _repaired(self, name: str, story: Story | None, request: Request) -> list[AlertChange]:
        if story is None:
            raise CommandError(f"repaired {name}", "nothing open of this name", "a finding or an episode that is open")
        steps: list[AlertChange] = []
        for one in story.trials:
            self._slots[one].note = request.note or self._slots[one].note
            if self._unanswered(one):
                self._slots[one].acked_by = request.by
                steps += self._feed(one, AlertEvent.ACKNOWLEDGE, self._line.now_x, request.by)
        self.episode_book.say_repaired(story, request.by, self._line.now_x)
        return steps

    def _intended(self, name: str, story: Story | None, request: Request) -> list[AlertChange]:
        """Take a person's word that no call was meant to come. The engine excuses the silence, and the finding goes."""
        if story is None or not can_be_meant(story.trials):
            allowed = "an open episode of nothing but " + " or ".join(sorted(BY_INTENT))
            raise CommandError(f"intended {name}", "not open, or a fault that nobody can mean", allowed)
        self.episode_book.say_intended(story, request.by, self._line.now_x)
        steps: list[AlertChange] = []
        for one in story.trials:
            slot = self._slots[one]
            slot.note = request.note or slot.note
            if self._unanswered(one):
                slot.acked_by = request.by
                steps += self._feed(one, AlertEvent.ACKNOWLEDGE, self._line.now_x, request.by)
            if not slot.standing:
                slot.gone_x = None
                for event in (AlertEvent.RETURN, AlertEvent.RESET):  # its off-delay ran, or it has latched
                    steps += self._feed(one, event, self._line.now_x, request.by)
        return steps

    def _shelve(self, name: str, story: Story | None, request: Request) -> list[AlertChange]:
        assert request.hours is not None  # check_request has seen to it
        until_x = self._line.now_x + request.hours * 3600.0
        steps: list[AlertChange] = []
        for one in self._meant(name, story):
            self._slots[one].shelved_until_x, self._slots[one].note = until_x, request.note
            steps += self._feed(one, AlertEvent.SHELVE, self._line.now_x, request.by)
        if story is not None and name in (story.id, story.lead):
            story.snoozed_until_x = until_x
        return steps

    def _unshelve(self, name: str, story: Story | None, by: str | None) -> list[AlertChange]:
        names = self._meant(name, story)
        shelved = [one for one in names if self._slots[one].shelved_until_x is not None]
        if not shelved:
            raise refused_because(name, self._slots[names[0]], RequestKind.UNSHELVE)
        if story is not None and name in (story.id, story.lead):
            story.snoozed_until_x = None
        steps: list[AlertChange] = []
        for one in shelved:
            self._slots[one].shelved_until_x = None
            steps += self._end_quiet(one, self._line.now_x, by) if self._slots[one].state is _S.SHELVED else []
        return steps

    @staticmethod
    def _meant(name: str, story: Story | None) -> list[str]:
        """The findings that a name stands for: all of an episode, or the one."""
        return list(story.trials) if story is not None and name == story.id else [name]

    def _reset(self, name: str, slot: Slot, request: Request) -> list[AlertChange]:
        if slot.standing or slot.state in _QUIET | _OVER:
            raise refused_because(name, slot, RequestKind.RESET)
        now_x, by = self._line.now_x, request.by
        slot.gone_x = None  # whoever resets does not wait for the off-delay
        slot.acked_by, slot.note = slot.acked_by or by, request.note
        story = self.episode_book.find(name)
        if story is not None:
            self.episode_book.say_repaired(story, request.by, now_x, (name,))
        steps = (AlertEvent.LATCH, AlertEvent.ACKNOWLEDGE, AlertEvent.RESET)
        told = [change for event in steps for change in self._feed(name, event, now_x, by)]
        return told + self._release(now_x)

    def _begin_service(self, request: Request, now_x: float) -> list[AlertChange]:
        assert request.hours is not None  # check_request has seen to it
        self._service_x = now_x + request.hours * 3600.0
        return [step for name in self._slots for step in self._feed(name, AlertEvent.OUT, now_x, request.by)]

    def _end_service(self, x_s: float, by: str | None = None) -> list[AlertChange]:
        self._service_x = None
        # In the catalogue's order: parents stand before their consequences.
        return [step for name in self._slots for step in self._end_quiet(name, x_s, by)]

    def _remember(self, answer: Answer) -> None:
        if len(answer.id) > limits.ALARMS.name_most.value:
            return
        self._answers[answer.id] = answer
        while len(self._answers) > limits.ALARMS.answers_kept.value:
            del self._answers[next(iter(self._answers))]

    # ------------------------------------------------------------ time

    def _shift_off_delays(self, skipped_s: float) -> None:
        """What was gone has not been *seen* to stay gone while the monitor was off."""
        for slot in self._slots.values():
            if slot.gone_x is not None:
                slot.gone_x += skipped_s

    @property
    def _next_x(self) -> float:
        """When the next timer ends."""
        ends_x = [inf] if self._service_x is None else [self._service_x]
        for name, slot in self._slots.items():
            if slot.gone_x is not None:
                ends_x.append(slot.gone_x + self._delay_s[name])
            if slot.shelved_until_x is not None:
                ends_x.append(slot.shelved_until_x)
        return min(ends_x)

    def _end_timer(self, x_s: float) -> list[AlertChange]:
        if self._service_x is not None and self._service_x <= x_s:
            return self._end_service(x_s)
        for name, slot in self._slots.items():
            if slot.gone_x is not None and slot.gone_x + self._delay_s[name] <= x_s:
                slot.gone_x = None
                latches = slot.owed and not self.episode_book.is_proved(name)
                told = self._feed(name, AlertEvent.LATCH if latches else AlertEvent.RETURN, x_s)
                return told + self._release(x_s)
            if slot.shelved_until_x is not None and slot.shelved_until_x <= x_s:
                slot.shelved_until_x = None
                return self._end_quiet(name, x_s) if slot.state is _S.SHELVED else []
        return []

    # ------------------------------------------------------------ steps

    def _release(self, x_s: float) -> list[AlertChange]:
        """A parent's alarm is over: its consequences stand for themselves."""
        waiting = [name for name, slot in self._slots.items() if slot.state is _S.SUPPRESSED]
        return [step for name in waiting if not self._follows(name) for step in self._end_quiet(name, x_s)]

    def _end_quiet(self, name: str, x_s: float, by: str | None = None) -> list[AlertChange]:
        return self._feed(name, self._beneath(name, self._slots[name]), x_s, by)

    def _beneath(self, name: str, slot: Slot) -> AlertEvent:
        if slot.shelved_until_x is not None:
            return AlertEvent.END_SHELVED
        if slot.standing:
            return AlertEvent.END_SUPPRESSED if self._follows(name) else AlertEvent.END_STANDING
        latches = slot.owed and not self.episode_book.is_proved(name)
        return AlertEvent.END_LATCHED if latches else AlertEvent.END_NORMAL

    def _feed(self, name: str, event: AlertEvent, x_s: float, by: str | None = None) -> list[AlertChange]:
        slot = self._slots[name]
        was, slot.state = slot.state, TRANSITIONS[slot.state][event]
        notice: Literal["no", "alarm", "all-clear"] = "no"
        if slot.state is _S.UNACKED and was is not _S.UNACKED:
            notice, slot.owed = "alarm", True
            slot.acked_by, slot.note = None, ""
            self._metrics.count_alarm(name, slot.severity, x_s)
            self._told_of(name, slot, x_s, told=True)
        elif slot.owed and not slot.in_alarm and slot.state in _OVER:
            notice, slot.owed = "all-clear", False
        elif slot.state is was or {was, slot.state} == {_S.NORMAL, _S.OUT_OF_SERVICE}:
            return []
        return [
            AlertChange(
                t_s=self._line.t_s(x_s),
                wall_s=self._line.wall_s(x_s),
                finding=name,
                state_was=was,
                state=slot.state,
                severity=slot.severity,
                tell=notice,
                summary=slot.summary,
                suspects=slot.suspects,
                by=by,
            )
        ]


def _shown(slot: Slot) -> bool:
    if slot.state is _S.OUT_OF_SERVICE:
        return slot.in_alarm or slot.owed or slot.shelved_until_x is not None
    return slot.state is not _S.NORMAL
