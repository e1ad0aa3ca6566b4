"""The words of a message to the phone: a title and a short body, most important first. Pure.

One alarm is told in full; where several are sent together, the worst is, and the others with a line each. Texts of the
findings are in words/; WORDS below holds the rest, ready for translation.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.alarms.calm import calm
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.records import (
    OWN_FAULT,
    Finding,
    LinkState,
    Severity,
    UnitStatus,
)
from condenser_monitor.monitor.publishers.notification_policy import BLIND, NotificationItem
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.calm import sentence

WORDS: dict[str, str] = {
    "urgent": "Urgent",
    "soon": "Book a visit",
    "watch": "For the next visit",
    "repeat": "Still urgent",
    "over": "Over",
    "missed": "Was, and is over",
    "blind": "The monitor is blind",
    "own-fault": "The monitor has a fault of its own",
    "test": "A trial message",
    "since": "Since {when} ({span}).",
    "since-unknown": "Since when is not known.",
    "outdoors": "Outdoors it is {degrees}.",
    "outdoors-unknown": "How hot it is outdoors is not known.",
    "look": "Safe to look at, without tools:",
    "avoid": "Do not touch:",
    "tell": "Read this to the technician:",
    "also": "Also: {headline}",
    "over-body": "This is over since {when}: {headline}",
    "over-unknown": "This is over: {headline}",
    "missed-body": "From {since} to {when}: {headline} You could not be told then.",
    "missed-unknown": "This came and went while you could not be told: {headline}",
    "latched": "That it stopped does not mean that it is mended.",
    "acknowledge": "It is told again until somebody acknowledges it on the page.",
    "late": "This message could not be sent earlier.",
    "more": "and {count} more: see the page.",
    "daily-body": "It looks at the unit every {scan} and would tell you.",
    "daily-unit": "The unit: {state}.",
    "daily-stands": "Known and standing: {findings}.",
    "daily-unseen": "Not watched at the moment, for want of a reading: {links}.",
    "blind-body": "It has had no reading of the unit for {age}. Look whether its box has power and its lamp is on."
    " The unit itself may be fine.",
    "test-body": "Alerts of the air conditioner's monitor reach you here.",
}


_OF_MONITOR = {BLIND: "blind", OWN_FAULT: "own-fault"}  # what is not of the unit, and its title


class PhoneMessage(NamedTuple):
    """What a phone service is given; `level` is one of failure, warning, success, info."""

    title: str
    body: str
    level: str = "info"


class MessageWriter:
    """Writes messages for one site. `zone` is the local zone, None the machine's own."""

    def __init__(self, settings: Settings, zone: tzinfo | None = None) -> None:
        self._settings, self._zone = settings, zone

    # ------------------------------------------------------------ alarms

    def message(
        self, items: Sequence[NotificationItem], status: UnitStatus | None, now_wall_s: float | None
    ) -> PhoneMessage:
        """One message for all items, the first one in full."""
        first, *others = items
        lines = self._full(first, status, now_wall_s)
        shown = others[: int(limits.NOTIFY.listed_most.value)]
        lines[1:1] = [self._line(item, now_wall_s) for item in shown]
        if len(others) > len(shown):
            lines.append(WORDS["more"].format(count=len(others) - len(shown)))
        return PhoneMessage(self._title(first), "\n".join(lines), _level(first))

    def _title(self, item: NotificationItem) -> str:
        alarm = _OF_MONITOR.get(item.finding, item.severity.value)
        word = WORDS[alarm if item.kind == "alarm" else item.kind]
        return f"{self._settings.site.name}: {word}"

    def _full(self, item: NotificationItem, status: UnitStatus | None, now_wall_s: float | None) -> list[str]:
        if item.kind in ("over", "missed"):
            return [self._line(item, now_wall_s)]
        text = texts.TOLD[item.finding]
        lines = [text.headline, f"{self._since(item, now_wall_s)} {self._heat(status)}", text.means, text.do]
        lines += ["", WORDS["look"], *(f"- {row}" for row in texts.look(item.finding))]
        lines += ["", WORDS["avoid"], *(f"- {row}" for row in texts.avoid(item.finding, self._settings.unit))]
        lines += ["", WORDS["tell"], f"“{_tell(item.finding, status)}”"]
        if item.severity is Severity.URGENT:
            lines += ["", WORDS["acknowledge"]]
        if self._late(item, now_wall_s):
            lines.append(WORDS["late"])
        return lines

    def _late(self, item: NotificationItem, now_wall_s: float | None) -> bool:
        if item.kind != "alarm" or now_wall_s is None or item.since_wall_s is None:
            return False
        return now_wall_s - item.since_wall_s > limits.NOTIFY.late_s.value

    def _line(self, item: NotificationItem, now_wall_s: float | None) -> str:
        headline = texts.TOLD[item.finding].headline
        since, over = self.when(item.since_wall_s, now_wall_s), self.when(item.over_wall_s, now_wall_s)
        if item.kind == "over":
            return WORDS["over-body" if over else "over-unknown"].format(when=over, headline=headline)
        if item.kind == "missed":
            known = since and over
            return WORDS["missed-body" if known else "missed-unknown"].format(since=since, when=over, headline=headline)
        return WORDS["also"].format(headline=headline)

    def _since(self, item: NotificationItem, now_wall_s: float | None) -> str:
        if item.since_wall_s is None or now_wall_s is None:
            return WORDS["since-unknown"]
        span = texts.span(now_wall_s - item.since_wall_s)
        return WORDS["since"].format(when=self.when(item.since_wall_s, now_wall_s), span=span)

    def _heat(self, status: UnitStatus | None) -> str:
        outdoor_c = None if status is None else status.readings.get("outdoor_c")
        if outdoor_c is None:
            return WORDS["outdoors-unknown"]
        return WORDS["outdoors"].format(degrees=time_format.degrees(outdoor_c, self._settings.web.temperature))

    def when(self, wall_s: float | None, now_wall_s: float | None) -> str:
        """A moment in words: the time alone for today, else with the day; empty when not known."""
        return "" if wall_s is None else time_format.moment(wall_s, now_wall_s, self._zone)

    # ------------------------------------------------------------ the monitor itself

    def daily(self, status: UnitStatus, faults: int = 0) -> PhoneMessage:
        """Return the proof of life. Its title is the unit's state; that silence means something stands below it."""
        state = calm(status, faults=faults)
        scan = texts.span(self._settings.boards.scan_s)
        lines = [
            WORDS["daily-body"].format(scan=scan),
            WORDS["daily-unit"].format(state=texts.state(status.cycle)),
        ]
        lines += [self._heat(status)]
        if status.findings:
            names = " ".join(texts.FINDINGS[finding.name].headline for finding in status.findings)
            lines.append(WORDS["daily-stands"].format(findings=names.rstrip(".")))
        unseen = [link.name for link in status.links if link.sense is not None and link.state is LinkState.UNKNOWN]
        if unseen:
            lines.append(WORDS["daily-unseen"].format(links=", ".join(texts.LINKS[name].title for name in unseen)))
        level = "info" if state.calm else "warning"
        return PhoneMessage(f"{self._settings.site.name}: {sentence(state, status.cycle)}", "\n".join(lines), level)

    def blind(self, age_s: float) -> PhoneMessage:
        """What comes instead of the daily word when the monitor sees nothing."""
        body = WORDS["blind-body"].format(age=texts.span(age_s))
        return PhoneMessage(f"{self._settings.site.name}: {WORDS['blind']}", body, "warning")

    def own_fault(self) -> PhoneMessage:
        """Say, instead of the daily word, that the program has failed and nobody has looked at it."""
        text = texts.TOLD[OWN_FAULT]
        title = f"{self._settings.site.name}: {WORDS['own-fault']}"
        return PhoneMessage(title, f"{text.means}\n{text.do}", "warning")

    def trial(self) -> PhoneMessage:
        """A message for whoever sets the phone up."""
        return PhoneMessage(f"{self._settings.site.name}: {WORDS['test']}", WORDS["test-body"])


def _tell(name: str, status: UnitStatus | None) -> str:
    found: Sequence[Finding] = () if status is None else status.findings
    finding = next((one for one in found if one.name == name), None)
    return texts.TOLD[name].tell if finding is None else texts.tell(finding)


def _level(item: NotificationItem) -> str:
    if item.kind in ("over", "missed"):
        return "success"
    return "failure" if item.severity is Severity.URGENT else "warning"
