"""What the phone is to be told and when: quiet hours, repeats with back-off, one all-clear, a daily word. Pure.

Theory. The alert desk says once that an alarm is to be told, and once that it is over. The plan keeps a Telling for
each until the phone has been told both, and so decides by states, not by messages: whatever could not be sent yet (a
phone service that is down, the quiet hours) is told later in one message that says how it is by then. What was
acknowledged, shelved or put into service mode before it was told is not told any more: people know. An alarm that came
and went while nothing could be sent is told as what it was, once. Only urgent alarms break the quiet hours, and only
they are repeated, each time after a longer pause, until somebody acknowledges them; all-clears can wait.

Every time here is wall time: the quiet hours and the pauses between repeats must outlive a restart. Where the wall
clock is not known, nothing is held back and nothing is repeated.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time, tzinfo
from typing import Literal, NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Notify
from condenser_monitor.monitor.core.records import (
    OWN_FAULT,
    Alert,
    AlertChange,
    AlertState,
    Severity,
)

BLIND = "monitor-blind"  # beside the findings: the monitor itself sees nothing
SEVERITIES = (Severity.URGENT, Severity.SOON, Severity.WATCH)
_HOUR_S = 3600.0
MEMORY_VERSION = 1


class Telling(msgspec.Struct, kw_only=True):
    """One alarm as this phone has been told of it. `told_wall_s` is when last; 0 with `told` where no clock was known.

    `over_wall_s` is when it was over; the Telling then ends once that has been told."""

    finding: str
    severity: Severity
    since_wall_s: float | None
    open: bool = True  # nobody has acknowledged it
    told: bool = False
    told_wall_s: float = 0.0
    repeats: int = 0
    over: bool = False
    over_wall_s: float | None = None


class PolicyMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What outlives a restart. `target` marks whose memory it is (a digest of the address)."""

    version: int = MEMORY_VERSION
    target: str = ""
    tellings: dict[str, Telling] = {}
    daily: str = ""  # the local day of the last daily word


Kind = Literal["alarm", "repeat", "over", "missed"]


class NotificationItem(NamedTuple):
    """One alarm in a message. missed: it came and went before the phone could be told."""

    kind: Kind
    finding: str
    severity: Severity
    since_wall_s: float | None
    over_wall_s: float | None


class NotificationPolicy:
    """What one phone has been told and is still to be told. `zone` is the local zone, None the machine's own."""

    def __init__(self, notify: Notify, memory: PolicyMemory | None = None, *, zone: tzinfo | None = None) -> None:
        self._notify, self._zone = notify, zone
        self._least = SEVERITIES.index(Severity(notify.least))
        self.memory = memory or PolicyMemory()

    # ------------------------------------------------------------ in

    def take(self, change: AlertChange) -> bool:
        """One step of an alert's life; whether it changed anything here."""
        if SEVERITIES.index(change.severity) > self._least:
            return False
        known = self.memory.tellings.get(change.finding)
        if change.tell == "alarm":
            self._raise(change, known)
        elif change.tell == "all-clear":
            self._over(change, known)
        elif known is None or not self._moved(known, change):
            return False
        return True

    def _raise(self, change: AlertChange, known: Telling | None) -> None:
        if known is not None and known.told and known.over:  # its all-clear was never sent: it has come back
            known.over, known.over_wall_s, known.told, known.open = False, None, False, True
            return
        self.memory.tellings[change.finding] = Telling(
            finding=change.finding, severity=change.severity, since_wall_s=change.wall_s
        )

    def _over(self, change: AlertChange, known: Telling | None) -> None:
        if known is None:  # told by an earlier memory that is lost
            known = Telling(finding=change.finding, severity=change.severity, since_wall_s=None, told=True)
            self.memory.tellings[change.finding] = known
        known.over, known.over_wall_s = True, change.wall_s

    def _moved(self, known: Telling, change: AlertChange) -> bool:
        if known.over:
            return False
        if change.state is AlertState.NORMAL:
            del self.memory.tellings[change.finding]
            return True
        known.open = change.state in (AlertState.UNACKED, AlertState.LATCHED_UNACKED)
        if not known.open and not known.told:
            known.told = True  # who acknowledged or shelved it knows; its end is still told
        return True

    def watch(self, age_s: float, now_wall_s: float | None) -> bool:
        """The monitor has had no reading of the unit for `age_s`: it is told like an alarm that can wait for the end of
        the quiet hours, and its end too, whatever the least severity. Whether anything changed here."""
        since_s = None if now_wall_s is None else now_wall_s - age_s
        return self._of_monitor(BLIND, age_s >= limits.NOTIFY.blind_s.value, since_s, now_wall_s)

    def watch_faults(self, since_wall_s: float | None, now_wall_s: float | None) -> bool:
        """The program has failed by itself since `since_wall_s`, None: not, or somebody has acknowledged it. It is told
        as a monitor that is blind is. Whether anything changed here."""
        return self._of_monitor(OWN_FAULT, since_wall_s is not None, since_wall_s, now_wall_s)

    def _of_monitor(self, name: str, stands: bool, since_wall_s: float | None, now_wall_s: float | None) -> bool:
        known = self.memory.tellings.get(name)
        if stands and (known is None or known.over):
            self.memory.tellings[name] = Telling(finding=name, severity=Severity.SOON, since_wall_s=since_wall_s)
            return True
        if not stands and known is not None and not known.over:
            known.over, known.over_wall_s = True, now_wall_s
            return True
        return False

    def adopt(self, alerts: Sequence[Alert], now_wall_s: float | None) -> bool:
        """Take up alarms that stand unanswered and that this plan does not know: told to nobody by this phone, as it
        is new or its memory was lost. Whether there were any."""
        found = [alert for alert in alerts if self._unknown(alert, now_wall_s)]
        for alert in found:
            self.memory.tellings[alert.finding] = Telling(
                finding=alert.finding, severity=alert.severity, since_wall_s=alert.since_wall_s
            )
        return bool(found)

    def _unknown(self, alert: Alert, now_wall_s: float | None) -> bool:
        if alert.finding in self.memory.tellings or SEVERITIES.index(alert.severity) > self._least:
            return False
        if alert.state is not AlertState.UNACKED or not alert.active:
            return False
        # One just raised is still on its way here as a row of the outbox.
        if now_wall_s is None or alert.since_wall_s is None:
            return False
        return now_wall_s - alert.since_wall_s > limits.NOTIFY.adopt_s.value

    # ------------------------------------------------------------ out

    def due(self, now_wall_s: float | None) -> list[NotificationItem]:
        """What is to be sent now as one message, the worst first; empty for nothing."""
        quiet = self.quiet(now_wall_s)
        found = [
            NotificationItem(kind, telling.finding, telling.severity, telling.since_wall_s, telling.over_wall_s)
            for telling in self.memory.tellings.values()
            if (kind := self._kind(telling, now_wall_s, quiet=quiet)) is not None
        ]
        order = ("alarm", "repeat", "over", "missed")
        found.sort(key=lambda item: (order.index(item.kind), SEVERITIES.index(item.severity)))
        return found

    def _kind(self, telling: Telling, now_wall_s: float | None, *, quiet: bool) -> Kind | None:
        urgent = telling.severity is Severity.URGENT
        if telling.over:
            return None if quiet else "over" if telling.told else "missed"
        if not telling.told:
            return None if quiet and not urgent else "alarm"
        if urgent and telling.open and now_wall_s is not None and now_wall_s >= self._repeat_at(telling):
            return "repeat"
        return None

    def _repeat_at(self, telling: Telling) -> float:
        first_h = self._notify.repeat_h
        pause_h = min(
            first_h * limits.NOTIFY.repeat_growth.value**telling.repeats,
            max(first_h, limits.NOTIFY.repeat_most_h.value),
        )
        return telling.told_wall_s + pause_h * _HOUR_S

    def sent(self, items: Sequence[NotificationItem], now_wall_s: float | None) -> None:
        """The message with these items has been taken."""
        for item in items:
            telling = self.memory.tellings.get(item.finding)
            if telling is None:
                continue
            if item.kind in ("over", "missed"):
                del self.memory.tellings[item.finding]
                continue
            telling.repeats += 1 if item.kind == "repeat" else 0
            telling.told, telling.told_wall_s = True, now_wall_s or 0.0

    def settle(self, now_wall_s: float) -> bool:
        """Give what was told while no clock was known the time now, so that its pauses begin; whether any was.

        So too what was told later than now: a clock that was set back must not silence the repeats."""
        found = [one for one in self.memory.tellings.values() if one.told and not one.told_wall_s]
        found += [one for one in self.memory.tellings.values() if one.told_wall_s > now_wall_s]
        for one in found:
            one.told_wall_s = now_wall_s
        return bool(found)

    # ------------------------------------------------------------ the hours

    def quiet(self, now_wall_s: float | None) -> bool:
        """Whether a moment lies in the quiet hours, local time, beginning included and end not."""
        if now_wall_s is None:
            return False
        begin, end = _clock(self._notify.quiet_from), _clock(self._notify.quiet_to)
        now = self._local(now_wall_s).time().replace(second=0, microsecond=0)
        return begin <= now < end if begin <= end else now >= begin or now < end

    def daily_due(self, now_wall_s: float | None) -> bool:
        """Whether the daily word is to be sent now: from its time of day on, once a day, never hours late."""
        if not self._notify.daily_silence_check or now_wall_s is None:
            return False
        now = self._local(now_wall_s)
        at = datetime.combine(now.date(), _clock(self._notify.silence_check_at), now.tzinfo)
        late_s = (now - at).total_seconds()
        return 0 <= late_s < limits.NOTIFY.check_window_s.value and self.memory.daily != now.date().isoformat()

    def daily_sent(self, now_wall_s: float) -> None:
        """The daily word has been taken."""
        self.memory.daily = self._local(now_wall_s).date().isoformat()

    def _local(self, wall_s: float) -> datetime:
        return datetime.fromtimestamp(wall_s, self._zone)


def _clock(text: str) -> time:
    return time.fromisoformat(text)
