"""What one person is told and when: one thread an episode, within a budget, reminders by day, one all-clear. Pure.

Theory. The monitor keeps episodes (alarms/episodes.py); this keeps what one phone has been told of each. It compares
states and never counts messages of the monitor's: whatever could not be sent yet (a phone service that is down, the
quiet hours) is told later in one message that says how it is by then, and a lost memory tells twice, never not at all.

A house gets at most three messages on an episode's first day, the third kept for its end or for worse, and one a day
after that. Only what is urgent breaks the quiet hours, and only when it begins or gets worse; reminders come by day.
What somebody has answered is brought up again after three days, or the day after the visit that was named.

Every time here is wall time: pauses must outlive a restart. Where the wall clock is not known, nothing is held back and
nothing is brought up again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, time, tzinfo
from typing import Literal, NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Notify, Person
from condenser_monitor.monitor.core.records import OWN_FAULT, SEVERITIES, Episode, EpisodeState, Severity

BLIND = "monitor-blind"  # beside the findings: the monitor itself sees nothing
OFF = "monitor-off"  # it was off, and is back
OF_MONITOR = (BLIND, OFF, OWN_FAULT)
_MAY_BE_NO_COOLING = frozenset({"no-call-in-heat"})
_DAY_S = 86400.0
MEMORY_VERSION = 2
_N = limits.NOTIFY
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")

Kind = Literal["alarm", "worse", "back", "often", "reminder", "check", "over", "missed", "off"]
_ORDER: tuple[Kind, ...] = ("alarm", "worse", "back", "often", "reminder", "check", "off", "over", "missed")
_SPARED: tuple[Kind, ...] = ("often", "reminder", "check")  # these leave the last message of the first day free


class Notified(msgspec.Struct, kw_only=True):
    """What this phone has been told of one episode. `day_wall_s` is when its first day began (again, when it got
    worse), `count` the messages in it. `silent`: somebody had answered before it was sent."""

    day_wall_s: float
    last_wall_s: float
    count: int = 0
    level: int = 0
    often: bool = False
    taken_back: int = 0
    silent: bool = False
    over: bool = False


class OfMonitor(msgspec.Struct, kw_only=True):
    """A story of the monitor itself, as this phone follows it."""

    number: int
    since_wall_s: float | None
    over_wall_s: float | None = None


class PolicyMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What outlives a restart. `target` marks whose memory it is (a digest of the address); what ended before
    `begun_wall_s` is no news for it; `life` is the local day of the last proof of life."""

    version: int = MEMORY_VERSION
    target: str = ""
    begun_wall_s: float | None = None
    notified: dict[str, Notified] = msgspec.field(default_factory=dict, name="told")
    own: dict[str, OfMonitor] = {}
    numbers: int = 0
    life: str = ""


class NotificationItem(NamedTuple):
    """One episode in a message. missed: it came and went before the phone could be notified."""

    kind: Kind
    episode: Episode


class NotificationPolicy:
    """What one person has been told and is still to be notified. `zone` is the local zone, None the machine's own."""

    def __init__(
        self,
        notify: Notify,
        memory: PolicyMemory | None = None,
        *,
        person: Person | None = None,
        zone: tzinfo | None = None,
    ) -> None:
        self._notify, self._zone = notify, zone
        self.person = person or notify.owner()
        self._least = SEVERITIES.index(Severity(self.person.least))
        self.memory = memory or PolicyMemory()

    # ------------------------------------------------------------ the monitor itself

    def watch(self, name: str, *, stands: bool, since_wall_s: float | None, now_wall_s: float | None) -> bool:
        """The monitor is blind, or has a fault of its own: a story that can wait for the end of the quiet hours, told
        whatever the least severity. Return whether anything changed here."""
        known = self.memory.own.get(name)
        if stands and (known is None or known.over_wall_s is not None):
            self.memory.numbers += 1
            self.memory.own[name] = OfMonitor(number=self.memory.numbers, since_wall_s=since_wall_s)
            return True
        if not stands and known is not None and known.over_wall_s is None:
            known.over_wall_s = now_wall_s or 0.0
            return True
        return False

    def was_off(self, from_wall_s: float, to_wall_s: float) -> None:
        """The monitor is back after it was off for so long that people are told from when to when."""
        self.memory.numbers += 1
        own = OfMonitor(number=self.memory.numbers, since_wall_s=from_wall_s, over_wall_s=to_wall_s)
        self.memory.own[OFF] = own

    def _own(self) -> Iterable[Episode]:
        for name, own in self.memory.own.items():
            yield Episode(
                id=f"{name}-{own.number}",
                lead=name,
                findings=(name,),
                severity=Severity.SOON,
                level=0,
                state=EpisodeState.ACTIVE if own.over_wall_s is None else EpisodeState.OVER,
                since_s=0.0,
                since_wall_s=own.since_wall_s,
                over_wall_s=own.over_wall_s,
            )

    # ------------------------------------------------------------ out

    def due(
        self, episodes: Sequence[Episode], now_wall_s: float | None, *, paused: bool = False
    ) -> list[NotificationItem]:
        """Return what is to be sent now as one message, the worst first; empty for nothing. `paused`: service mode."""
        if self.memory.begun_wall_s is None:
            self.memory.begun_wall_s = now_wall_s
        for episode in episodes:
            self._follow_merge(episode)
        seen = [one for one in episodes if self._severity(one) <= self._least]
        found = []
        for episode in (*seen, *self._own()):
            kind = None if paused else self._kind(episode, now_wall_s)
            if kind is not None:
                found.append(NotificationItem(kind, episode))
        found.sort(key=lambda item: (_ORDER.index(item.kind), SEVERITIES.index(item.episode.severity)))
        return found

    def _follow_merge(self, episode: Episode) -> None:
        """Put what was sent of an episode that turned out to be this one down to its clock and budget."""
        notified = self.memory.notified
        for name in episode.merged:
            other = notified.pop(name, None)
            if other is None:
                continue
            mine = notified.setdefault(episode.id, other)
            if mine is not other:
                mine.day_wall_s = min(mine.day_wall_s, other.day_wall_s)
                mine.last_wall_s, mine.count = max(mine.last_wall_s, other.last_wall_s), mine.count + other.count
                mine.level, mine.often = max(mine.level, other.level), mine.often or other.often
                mine.taken_back, mine.silent = max(mine.taken_back, other.taken_back), mine.silent and other.silent

    @staticmethod
    def _severity(episode: Episode) -> int:
        """How severe it is for a house; heat in which nothing is called may be no cooling at all, and is told once."""
        severe = Severity.SOON if episode.lead in _MAY_BE_NO_COOLING else Severity.WATCH
        return min(SEVERITIES.index(episode.severity), SEVERITIES.index(severe))

    def _kind(self, episode: Episode, now_s: float | None) -> Kind | None:
        notified = self.memory.notified.get(episode.id)
        if notified is None:
            return self._first(episode, now_s)
        if notified.over and episode.state is not EpisodeState.OVER:  # it has come back: a new first day
            notified.over, notified.silent, notified.day_wall_s, notified.count = False, False, now_s or 0.0, 0
            return None if self._waits(episode, now_s) else "back"
        kind = None if notified.over else self._next(episode, notified, now_s)
        if kind is None or now_s is None or kind == "worse" or self._has_room(notified, kind, now_s):
            return kind
        return None

    def _first(self, episode: Episode, now_s: float | None) -> Kind | None:
        if episode.state is EpisodeState.OVER:
            return self._missed(episode, now_s)
        if episode.answered_by is not None and self.person.role != "contractor":
            self._know(episode, now_s)  # people know; its end is still told
            return None
        if self._snoozed(episode, now_s) or self._waits(episode, now_s) or self._too_early(episode, now_s):
            return None
        return "alarm"

    def _missed(self, episode: Episode, now_s: float | None) -> Kind | None:
        begun_s, over_s = self.memory.begun_wall_s, episode.over_wall_s
        if episode.lead == OFF:
            return None if self._quiet(now_s) else "off"
        if begun_s is None or over_s is None or over_s < begun_s or self.person.role != "homeowner":
            return None
        return None if self._quiet(now_s) else "missed"

    def _next(self, episode: Episode, notified: Notified, now_s: float | None) -> Kind | None:
        if episode.state is EpisodeState.OVER:
            return None if self._quiet(now_s) else "over"
        if episode.level > notified.level and not notified.silent:
            return None if self._waits(episode, now_s) else "worse"
        if self._snoozed(episode, now_s):
            return None
        if episode.taken_back > notified.taken_back:
            return None if self._waits(episode, now_s) else "back"
        if episode.often and not notified.often and not notified.silent:
            return None if self._quiet(now_s) else "often"
        if now_s is None or not self._is_day(now_s):
            return None
        return self._reminder(episode, notified, now_s)

    def _reminder(self, episode: Episode, notified: Notified, now_s: float) -> Kind | None:
        if episode.state is EpisodeState.REPAIRED or episode.intended_by is not None or episode.lead in OF_MONITOR:
            return None
        if episode.works and not episode.often and now_s - (episode.quiet_wall_s or 0.0) < _N.answered_again_s.value:
            return None  # it has been seen to work: its end is told when that is proved
        if episode.answered_by is not None:
            return "check" if now_s >= self._check_at(episode, notified) else None
        pause_s = _N.soon_again_s.value
        if episode.often:
            pause_s = _DAY_S
        elif episode.severity is Severity.URGENT:
            first = now_s - notified.day_wall_s < _DAY_S
            pause_s = self._notify.repeat_h * 3600.0 if first else _DAY_S
        elif episode.severity is Severity.WATCH:
            return None
        return "reminder" if now_s - notified.last_wall_s >= pause_s else None

    def _check_at(self, episode: Episode, notified: Notified) -> float:
        """When what somebody answered is brought up again: three days later, or the day after the visit."""
        last_s = max(notified.last_wall_s, episode.answered_wall_s or 0.0)
        if episode.visit_day is not None:
            visit = datetime.combine(datetime.fromisoformat(episode.visit_day).date(), time(23, 59))
            end_s = visit.replace(tzinfo=self._zone).timestamp()
            if notified.last_wall_s < end_s:
                return end_s
        return last_s + _N.answered_again_s.value

    def _has_room(self, notified: Notified, kind: Kind, now_s: float) -> bool:
        """Whether the budget of a house has room: so many on the first day, then one a day."""
        if now_s - notified.day_wall_s < _DAY_S:
            return notified.count < int(_N.first_day.value) - (kind in _SPARED)
        return now_s - notified.last_wall_s >= _DAY_S or notified.count == 0

    def _too_early(self, episode: Episode, now_s: float | None) -> bool:
        if now_s is None or episode.since_wall_s is None or episode.lead in OF_MONITOR or not self.person.delay_h > 0:
            return False
        return now_s - episode.since_wall_s < self.person.delay_h * 3600.0

    def _snoozed(self, episode: Episode, now_s: float | None) -> bool:
        until_s = episode.snoozed_until_wall_s
        return until_s is not None and now_s is not None and now_s < until_s

    def _waits(self, episode: Episode, now_s: float | None) -> bool:
        return self._quiet(now_s) and episode.severity is not Severity.URGENT

    def _know(self, episode: Episode, now_s: float | None) -> None:
        now_s = now_s or 0.0
        self.memory.notified[episode.id] = Notified(
            day_wall_s=now_s, last_wall_s=now_s, level=episode.level, taken_back=episode.taken_back, silent=True
        )

    def sent(self, items: Sequence[NotificationItem], now_wall_s: float | None) -> None:
        """The message with these items has been taken."""
        now_s = now_wall_s or 0.0
        for kind, episode in items:
            notified = self.memory.notified.setdefault(episode.id, Notified(day_wall_s=now_s, last_wall_s=now_s))
            if kind == "worse":
                notified.day_wall_s, notified.count = now_s, 0
            notified.last_wall_s, notified.count = now_s, notified.count + 1
            notified.level, notified.often = max(notified.level, episode.level), notified.often or episode.often
            notified.taken_back, notified.over = episode.taken_back, episode.state is EpisodeState.OVER
            notified.silent = False
            if notified.over and episode.lead in OF_MONITOR:
                self.memory.own.pop(episode.lead, None)
                self.memory.notified.pop(episode.id, None)
        for name in list(self.memory.notified)[: -int(_N.remembered.value)]:
            del self.memory.notified[name]

    def date_undated(self, now_wall_s: float) -> bool:
        """Give what was told while no clock was known the time now, so that its pauses begin; whether any was.

        So too what was told later than now: a clock that was set back must not silence the reminders."""
        found = [one for one in self.memory.notified.values() if not one.last_wall_s or one.last_wall_s > now_wall_s]
        for one in found:
            one.last_wall_s = now_wall_s
            one.day_wall_s = now_wall_s if not one.day_wall_s else min(one.day_wall_s, now_wall_s)
        return bool(found)

    # ------------------------------------------------------------ the hours

    def _quiet(self, now_wall_s: float | None) -> bool:
        if now_wall_s is None or self.person.quiet_from == self.person.quiet_to:
            return False
        return self._within(now_wall_s, self.person.quiet_from, self.person.quiet_to)

    def _is_day(self, now_wall_s: float) -> bool:
        return self._within(now_wall_s, self._notify.remind_from, self._notify.remind_to)

    def _within(self, now_wall_s: float, begin_text: str, end_text: str) -> bool:
        """Whether a moment lies between two times of day, local time, the first included and the second not."""
        begin, end = time.fromisoformat(begin_text), time.fromisoformat(end_text)
        now = self._local(now_wall_s).time().replace(second=0, microsecond=0)
        return begin <= now < end if begin <= end else now >= begin or now < end

    def life_due(self, now_wall_s: float | None) -> bool:
        """Whether the proof of life is to be sent now: from its time of day on, on its days, never hours late."""
        every = "daily" if self._notify.daily_silence_check else self._notify.proof_of_life
        if every == "off" or now_wall_s is None or self.person.role == "contractor":
            return False
        now = self._local(now_wall_s)
        if every == "weekly" and WEEKDAYS[now.weekday()] != self._notify.proof_day:
            return False
        at = datetime.combine(now.date(), time.fromisoformat(self._notify.silence_check_at), now.tzinfo)
        late_s = (now - at).total_seconds()
        return 0 <= late_s < _N.check_window_s.value and self.memory.life != now.date().isoformat()

    def life_sent(self, now_wall_s: float) -> None:
        """The proof of life has been taken."""
        self.memory.life = self._local(now_wall_s).date().isoformat()

    def _local(self, wall_s: float) -> datetime:
        return datetime.fromtimestamp(wall_s, self._zone)
