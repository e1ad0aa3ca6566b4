"""(edge) Alerts to the owner's phone, through whatever service is already there (apprise addresses in [notify] urls).

Each message is sent by a short-lived process of its own, with a limit of time: the library is large, a target may
hang, and neither may cost the monitor memory or time. A message that fails is tried again with growing pauses, in
order; the failure is shown on the health page. Urgent alerts go out at any hour and are repeated, less and less often,
while nobody acknowledges them. What can wait is told when the quiet hours end. `watch` is for the page only.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from datetime import datetime

from monitor import limits, texts
from monitor.config import Settings
from monitor.errors import NotifyError
from monitor.kept import Kept
from monitor.outlets import EventOutlet
from monitor.records import Alert, AlertChange, AlertState, Finding, Severity, UnitStatus

Send = Callable[[str, str], None]
_SENDER = (
    "import sys, json, apprise; order = json.load(sys.stdin); box = apprise.Apprise(); "
    "bad = [u for u in order['urls'] if not box.add(u)]; "
    "sys.exit(3 if bad else 0 if box.notify(title=order['title'], body=order['body']) else 4)"
)
_WHY = {1: "the extra `phone` (apprise) is not installed", 3: "an address is not understood", 4: "a service refused"}


def send_with(urls: Sequence[str], timeout_s: float) -> Send:
    """A sender for these addresses. What it is given travels on the pipe, never in the arguments: it holds secrets."""

    def send(title: str, body: str) -> None:
        order = json.dumps({"urls": list(urls), "title": title, "body": body}).encode()
        try:
            done = subprocess.run(
                [sys.executable, "-c", _SENDER], input=order, capture_output=True, timeout=timeout_s, check=False
            )
        except subprocess.TimeoutExpired:
            raise NotifyError("notify", f"no answer within {timeout_s:g} s", "a service that answers") from None
        if done.returncode:
            why = _WHY.get(done.returncode, f"the sender ended with {done.returncode}")
            raise NotifyError("notify.urls", why, "addresses that take the message")

    return send


class PhoneOutlet(EventOutlet):
    """Alerts to the phone. `send(title, body)` raises NotifyError; `wall` gives seconds since 1970."""

    name = "phone"

    def __init__(
        self,
        settings: Settings,
        *,
        send: Send | None = None,
        wall: Callable[[], float] = time.time,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(clock=clock)
        self._settings, self._wall = settings, wall
        self._send = send or send_with(settings.notify.urls, limits.NOTIFY["send_s"].value)
        self._repeats: dict[str, tuple[float, float]] = {}
        self._was_quiet: bool | None = None
        self._checked_day = ""

    # ------------------------------------------------------------ rows of the outbox

    def deliver(self, kept: Kept, status: UnitStatus | None) -> None:
        """Send one step of an alert, if it is one to tell now."""
        step = kept.body
        if not isinstance(step, AlertChange) or step.tell == "no" or step.severity is Severity.WATCH:
            return
        if step.tell == "all-clear":
            self._repeats.pop(step.finding, None)
            if step.severity is Severity.URGENT or not self.quiet():
                self._send(self._title("Over"), f"{texts.FINDINGS[step.finding].headline}\nThis is over.")
            return
        if step.severity is Severity.URGENT or not self.quiet():
            finding = _standing(status, step.finding)
            self._send(self._title(_word(step.severity)), self.body(step.finding, finding, step.wall_s, status))
        if step.severity is Severity.URGENT:
            wait_s = self._settings.notify.repeat_h * 3600
            self._repeats[step.finding] = (self._wall() + wait_s, wait_s)

    # ------------------------------------------------------------ when nothing waits

    def idle(self, status: UnitStatus | None) -> None:
        """Repeats, the end of the quiet hours, and the daily word."""
        if status is None:
            return
        quiet = self.quiet()
        if self._was_quiet and not quiet:
            self._after_quiet(status)
        self._was_quiet = quiet
        for alert in status.alerts:
            self._repeat(alert, status)
        self._daily(status, quiet=quiet)

    def _after_quiet(self, status: UnitStatus) -> None:
        waited = [alert for alert in status.alerts if _untold(alert) and alert.severity is Severity.SOON]
        for alert in waited:
            if alert.since_wall_s is not None and self.quiet(alert.since_wall_s):
                finding = _standing(status, alert.finding)
                body = self.body(alert.finding, finding, alert.since_wall_s, status)
                self._send(self._title(_word(alert.severity)), body)

    def _repeat(self, alert: Alert, status: UnitStatus) -> None:
        due = self._repeats.get(alert.finding)
        if due is None:
            return
        if not _untold(alert):
            self._repeats.pop(alert.finding)
        elif self._wall() >= due[0]:
            finding = _standing(status, alert.finding)
            self._send(self._title("Still"), self.body(alert.finding, finding, alert.since_wall_s, status))
            wait_s = due[1] * limits.NOTIFY["repeat_growth"].value
            self._repeats[alert.finding] = (self._wall() + wait_s, wait_s)

    def _daily(self, status: UnitStatus, *, quiet: bool) -> None:
        now = datetime.fromtimestamp(self._wall())
        if not self._settings.notify.daily_silence_check or quiet or now.date().isoformat() == self._checked_day:
            return
        if not self._checked_day:  # not at every start: the first word comes on the next day
            self._checked_day = now.date().isoformat()
            return
        self._checked_day = now.date().isoformat()
        count = len(status.findings)
        self._send(self._title("Daily word"), f"The monitor itself is fine. Findings that stand: {count or 'none'}.")

    # ------------------------------------------------------------ words

    def quiet(self, wall_s: float | None = None) -> bool:
        """Whether a time (now, if none) lies in the quiet hours, local time."""
        now = datetime.fromtimestamp(self._wall() if wall_s is None else wall_s).strftime("%H:%M")
        begin, end = self._settings.notify.quiet_from, self._settings.notify.quiet_to
        return begin <= now < end if begin <= end else now >= begin or now < end

    def _title(self, word: str) -> str:
        return f"{self._settings.site.name}: {word}"

    def body(self, name: str, finding: Finding | None, since_wall_s: float | None, status: UnitStatus | None) -> str:
        """What stopped, since when, how hot it is, what is safe to look at, what not to touch, one line to read out."""
        text = texts.FINDINGS[name]
        lines = [text.headline, text.means]
        if since_wall_s is not None:
            lines.append("Since " + datetime.fromtimestamp(since_wall_s).strftime("%H:%M on %d %b"))
        outdoor_c = None if status is None else status.readings.get("outdoor_c")
        if outdoor_c is not None:
            lines.append(f"Outdoors: {texts.value_words('outdoor_c', outdoor_c)}")
        lines += [f"Safe to look at: {row}" for row in texts.look(name)]
        lines += [f"Do not touch: {row}" for row in texts.avoid(name, self._settings.unit)]
        if finding is not None:
            lines.append(f"For the technician: {texts.tell(finding)}")
        return "\n".join(lines)


def _standing(status: UnitStatus | None, name: str) -> Finding | None:
    found = () if status is None else status.findings
    return next((finding for finding in found if finding.name == name), None)


def _untold(alert: Alert) -> bool:
    return alert.active and alert.state in (AlertState.UNACKED, AlertState.LATCHED_UNACKED)


def _word(severity: Severity) -> str:
    return "No cooling or damage under way" if severity is Severity.URGENT else "Book a visit"
