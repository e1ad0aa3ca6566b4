"""(edge) Alerts to the owner's phone, through whatever service is already there (apprise addresses in [notify]).

Each address is a publisher of its own, so that one that hangs or refuses holds up no other. What it is to be told is a
plan (phone_plan.py), kept in a small file beside the history before the row it came from counts as delivered: neither
a restart nor an outage of days loses or doubles it. Messages are sent by a short-lived process with a limit of time
(phone_send.py); a failure is shown on the health page and tried again with growing pauses.
"""

from __future__ import annotations

import hashlib
import json
import logging
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from datetime import tzinfo
from typing import Any

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.clock import wall_clock
from condenser_monitor.monitor.core import untrusted_input
from condenser_monitor.monitor.core.config import Notify, Person, Settings
from condenser_monitor.monitor.core.errors import CommandError, NotifyError, SiteError
from condenser_monitor.monitor.core.records import OWN_FAULT, Event, UnitStatus
from condenser_monitor.monitor.private_file import read_private, write_private
from condenser_monitor.monitor.publishers.answer_links import page_links
from condenser_monitor.monitor.publishers.base import EventPublisher
from condenser_monitor.monitor.publishers.notification_policy import (
    BLIND,
    NotificationItem,
    NotificationPolicy,
    PolicyMemory,
)
from condenser_monitor.monitor.publishers.phone_text import MessageWriter, PhoneMessage
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.models import StoredEvent

_log = logging.getLogger(__name__)
Send = Callable[[PhoneMessage], None]


class _Answer(msgspec.Struct, frozen=True):
    """What phone_send.py says became of a message."""

    ok: bool
    why: str = ""


def addresses(notify: Notify) -> tuple[tuple[Person, str], ...]:
    """Return the addresses of everybody, with whose each is, from the site file and from `urls_file`, one a line, '#'
    before a remark.

    Raises SiteError for a file that cannot be read or that others may read, and for more addresses than can be served.
    """
    found = [(person, url) for person in notify.everybody() for url in _addresses_of(person)]
    most = int(limits.NOTIFY.targets_most.value)
    if len(found) > most:
        raise SiteError("notify.urls", f"{len(found)} addresses", f"at most {most}")
    return tuple(found)


def _addresses_of(person: Person) -> list[str]:
    found = list(person.urls)
    if person.urls_file:
        place, allowed = f"notify.urls_file: {person.urls_file}", "a readable file, one address a line"
        try:
            lines = read_private(person.urls_file, SiteError, allowed, place=place).decode("utf-8").splitlines()
        except UnicodeDecodeError as error:
            raise SiteError(place, str(error), allowed) from None
        found += [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
    return found


def sender(url: str, timeout_s: float | None = None) -> Send:
    """A function that sends a message to one address, or raises NotifyError, which holds no secret of it."""
    limit_s = limits.NOTIFY.send_s.value if timeout_s is None else timeout_s
    service = url.partition("://")[0] if "://" in url else "an address"

    def send(message: PhoneMessage) -> None:
        order = json.dumps({"url": url, **message._asdict()}).encode()
        try:
            done = subprocess.run(
                [sys.executable, "-m", "condenser_monitor.monitor.publishers.phone_send"],
                input=order,
                capture_output=True,
                timeout=limit_s,
                check=False,
            )
            answer = untrusted_input.from_json(done.stdout, _Answer)
        except subprocess.TimeoutExpired:
            raise NotifyError(service, f"no answer within {limit_s:g} s", "a service that answers") from None
        except (OSError, ValueError) as error:
            raise NotifyError(service, f"the sender failed: {type(error).__name__}", "a sender that runs") from None
        if not answer.ok:
            raise NotifyError(service, answer.why, "an address that takes the message")

    return send


class Target(EventPublisher):
    """One phone. `send` raises NotifyError; `wall` gives seconds since 1970 or None; `zone` None is the machine's."""

    def __init__(
        self,
        settings: Settings,
        url: str,
        name: str = "phone",
        *,
        send: Send | None = None,
        wall: Callable[[], float | None] = wall_clock,
        clock: Callable[[], float] = time.monotonic,
        zone: tzinfo | None = None,
        person: Person | None = None,
    ) -> None:
        super().__init__(clock=clock)
        self.name, self.person = name, person or settings.notify.owner()
        self._settings, self._wall, self._zone = settings, wall, zone
        self._send = send or sender(url)
        self._write = MessageWriter(settings, zone, person=self.person)
        self._mark = hashlib.sha256(url.encode()).hexdigest()[:16]
        self._plan = self._policy(PolicyMemory(target=self._mark))
        self._unsaved = False
        self._begun_s = clock()

    # ------------------------------------------------------------ the publisher's life

    def start(self, history: History) -> None:
        """Take up the plan as it was kept, and begin the thread."""
        self.open(history)
        super().start(history)

    def open(self, history: History) -> None:
        """Take up the plan as it was kept beside this history."""
        self.history = history
        self._place = history.path.with_name(f"{history.path.name}.{self.name}.json")
        self._plan = self._policy(self._remembered())
        links = page_links(self._settings, history.path, self._wall, self.person.name)
        self._write = MessageWriter(self._settings, self._zone, person=self.person, links=links)
        before = history.status()
        self._before_s = None if before is None else before.wall_s

    def ask_to_stop(self) -> None:
        """Begin to end, without waiting."""
        self._stop.set()
        self._news.set()

    def _policy(self, memory: PolicyMemory) -> NotificationPolicy:
        return NotificationPolicy(self._settings.notify, memory, person=self.person, zone=self._zone)

    def deliver(self, row: StoredEvent, status: UnitStatus | None) -> None:
        """A row is no message: what the phone is told follows from the episodes in the status."""

    def idle(self, status: UnitStatus | None) -> None:
        """Send what the plan says is due. Raises NotifyError when the service does not take it."""
        now, age_s = self._wall(), self._age_s(status)
        if self._clock() - self._begun_s < limits.NOTIFY.begun_s.value and status is None:
            return  # just begun: what was measured comes with the first scan
        faults = self.history.own_faults()
        self._follow_monitor(status, age_s, now)
        if now is not None:
            self._unsaved = self._plan.date_undated(now) or self._unsaved
        items = self._plan.due(() if status is None else status.episodes, now, paused=_in_service(status, now))
        self._save()
        blind = status is None or age_s > limits.PUBLISHERS.blind_s.value
        if items:
            self._notify(items, None if blind else status, now)  # what was measured long ago is not told as of now
        elif now is not None and self._plan.life_due(now):
            self._daily_message(None if blind else status, age_s, now, faulty=bool(faults))

    def _follow_monitor(self, status: UnitStatus | None, age_s: float, now: float | None) -> None:
        """What is the matter with the monitor itself: a fault of its own, no readings, or that it was off."""
        faults = self.history.own_faults()
        since_s = min((one.first_wall_s for one in faults), default=None)
        changed = self._plan.watch(OWN_FAULT, stands=bool(faults), since_wall_s=since_s, now_wall_s=now)
        if not any(now is not None and one.explains_blindness(now) for one in faults) and not _in_service(status, now):
            stands = age_s >= limits.NOTIFY.blind_s.value
            seen_s = None if now is None else now - age_s
            changed |= self._plan.watch(BLIND, stands=stands, since_wall_s=seen_s, now_wall_s=now)
        if status is not None and status.wall_s is not None and self._before_s is not None:
            if status.wall_s - self._before_s >= limits.NOTIFY.off_s.value:
                self._plan.was_off(self._before_s, status.wall_s)
                changed = True
            self._before_s = None
        self._unsaved |= changed

    def _age_s(self, status: UnitStatus | None) -> float:
        """How long the unit has not been seen. A status is offered with each scan; before the first one of this run,
        that of the run before counts."""
        if status is not None:
            return self._clock() - self._offered_s
        age_s = self.history.status_age_s()
        return self._clock() - self._begun_s if age_s is None else age_s

    def _notify(self, items: Sequence[NotificationItem], status: UnitStatus | None, now: float | None) -> None:
        self._send(self._write.message(items, status, now))
        self._plan.sent(items, self._wall())
        self._done()

    def _daily_message(self, status: UnitStatus | None, age_s: float, now: float, *, faulty: bool) -> None:
        faults = self.history.fault_count()
        usual = self._write.blind(age_s) if status is None else self._write.life(status, faults)
        self._send(self._write.own_fault() if faulty else usual)
        self._plan.life_sent(now)
        self._done()

    def _done(self) -> None:
        self._unsaved = True
        self._save()
        self._backoff.went_well()

    # ------------------------------------------------------------ the plan's file

    def _remembered(self) -> PolicyMemory:
        fresh = PolicyMemory(target=self._mark)
        try:
            found = untrusted_input.from_json(
                untrusted_input.read_bytes(self._place, untrusted_input.KEPT_MOST), PolicyMemory
            )
        except (OSError, ValueError):
            return fresh  # what stands is told again: better twice than never
        return found if (found.target, found.version) == (self._mark, fresh.version) else fresh

    def _save(self) -> None:
        """Keep the plan. A disk that fails keeps nobody from being told: it is said, and tried again."""
        if not self._unsaved:
            return
        try:
            write_private(self._place, msgspec.json.encode(self._plan.memory))
        except OSError as error:
            self.history.note(f"{self.name} plan", f"cannot be kept: {error.strerror or error}")
            return
        self._unsaved = False
        self.history.note(f"{self.name} plan", "")


def _in_service(status: UnitStatus | None, now: float | None) -> bool:
    """Whether somebody at work has said so: plugs are pulled then."""
    until_s = None if status is None else status.service_until_wall_s
    return until_s is not None and now is not None and now < until_s


class PhonePublisher:
    """All phones of the site as one publisher for the service: "phone", "phone-2" and so on, each with its thread."""

    name = "phone"

    def __init__(self, settings: Settings, **parts: Any) -> None:
        """`parts` go to each Target. Raises SiteError as `addresses`."""
        found = addresses(settings.notify)
        names = [self.name, *(f"{self.name}-{place}" for place in range(2, len(found) + 1))]
        self.targets = [
            Target(settings, url, name, person=person, **parts)
            for (person, url), name in zip(found, names, strict=False)
        ]

    def start(self, history: History) -> None:
        """Begin each phone."""
        for target in self.targets:
            target.start(history)

    def offer(self, events: Sequence[Event], status: UnitStatus) -> None:
        """Pass on the news."""
        for target in self.targets:
            target.offer(events, status)

    def close(self) -> None:
        """End each phone; all are asked to before any is waited for."""
        for target in self.targets:
            target.ask_to_stop()
        for target in self.targets:
            try:
                target.close()
            except Exception as error:
                _log.error("%s: at the end", target.name, exc_info=error)


def try_phones(settings: Settings, say: Callable[[str], object]) -> int:
    """Send a test message to each address and say what came of it; exit status 0 when all took it, 1 when not.

    Raises CommandError where the site file names no address.
    """
    found = addresses(settings.notify)
    if not found:
        raise CommandError("notify", "no address", "one in [notify] urls or urls_file")
    failed = 0
    for place, (person, url) in enumerate(found, 1):
        whose = f"{person.name}, " if person.name else ""
        say(f"{place} of {len(found)} ({whose}{url.partition('://')[0]}): sending ...")
        try:
            sender(url)(MessageWriter(settings, person=person).trial())
        except NotifyError as error:
            failed += 1
            say(f"  not taken: {error}")
        else:
            say("  taken")
    return 1 if failed else 0
