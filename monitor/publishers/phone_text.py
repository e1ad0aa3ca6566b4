"""The words of a message to the phone: a title and a body, most important first. Pure.

The body's first 90 characters say what it means for the house and what to do (strings/phone.py); numbers, cautions and
links follow. Where several episodes are sent together the worst is told in full, the others with a line each. A
contractor reads a technician's words instead.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import tzinfo
from functools import wraps
from typing import Concatenate, NamedTuple, ParamSpec, TypeVar

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Person, Settings
from condenser_monitor.monitor.core.records import (
    OWN_FAULT,
    Episode,
    EpisodeState,
    Finding,
    LinkState,
    Severity,
    UnitStatus,
)
from condenser_monitor.monitor.publishers.notification_policy import BLIND, OF_MONITOR, NotificationItem
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.calm import calm, sentence
from condenser_monitor.monitor.strings.phone import BEGIN, BUTTONS, BUTTONS_MOST, DO_FOR, TITLE, WORDS
from condenser_monitor.monitor.strings.translate import Reader, one_stop, reading, translator

Links = Callable[[Episode], Mapping[str, str]]
_ENDS = ("over", "missed", "off")
_JUST_NOW_S = 60.0
_Given = ParamSpec("_Given")
_Made = TypeVar("_Made")


class PhoneMessage(NamedTuple):
    """What a phone service is given; `level` is one of failure, warning, success, info. `buttons` are (words, link),
    for services that carry them; the links stand in the body as well."""

    title: str
    body: str
    level: str = "info"
    buttons: tuple[tuple[str, str], ...] = ()


def _for_its_person(
    method: Callable[Concatenate[MessageWriter, _Given], _Made],
) -> Callable[Concatenate[MessageWriter, _Given], _Made]:
    """Have a method of the writer look texts up in the language of whom it writes for."""

    @wraps(method)
    def written(writer: MessageWriter, /, *given: _Given.args, **named: _Given.kwargs) -> _Made:
        with reading(writer._reader):
            return method(writer, *given, **named)

    return written


def no_links(episode: Episode) -> Mapping[str, str]:
    """Give no links: no address is known at which the page could be reached."""
    return {}


class MessageWriter:
    """Writes messages for one person. `zone` is the local zone, None the machine's own; `links` gives the addresses of
    an episode, by what they do ("know", "visit", "repaired", "intended", "page")."""

    def __init__(
        self,
        settings: Settings,
        zone: tzinfo | None = None,
        *,
        person: Person | None = None,
        links: Links = no_links,
    ) -> None:
        self._settings, self._zone, self._links = settings, zone, links
        self._person = person or settings.notify.owner()
        self._text = translator(self._person.language)
        self._reader = Reader(self._person.language, settings.web.clock, settings.web.temperature)

    # ------------------------------------------------------------ episodes

    @_for_its_person
    def message(
        self, items: Sequence[NotificationItem], status: UnitStatus | None, now_wall_s: float | None
    ) -> PhoneMessage:
        """Return one message for all items, the first one in full."""
        first, *others = items
        lines = self._full(first, status, now_wall_s)
        shown = others[: int(limits.NOTIFY.listed_most.value)]
        lines[1:1] = [self._words("also", line=self.begin(item, now_wall_s)) for item in shown]
        if len(others) > len(shown):
            lines.append(self._words("more", count=len(others) - len(shown)))
        return PhoneMessage(self._title(first), "\n".join(lines), _level(first), self._buttons(first))

    def _buttons(self, item: NotificationItem) -> tuple[tuple[str, str], ...]:
        links = {} if item.kind in _ENDS else self._links(item.episode)
        shown = [name for name in BUTTONS if name in links]
        if len(shown) > BUTTONS_MOST:
            shown.remove("know")
        return tuple((self._text(BUTTONS[name]), links[name]) for name in shown)

    @_for_its_person
    def begin(self, item: NotificationItem, now_wall_s: float | None = None) -> str:
        """Return what a lock screen shows of an episode."""
        episode, lock = item.episode, texts.LOCK[self._headed_by(item)]
        suspect = episode.suspects[0] if episode.suspects else ""
        line = self._text(BEGIN[self._beginning(item)]).format(
            means=self._text(lock.means),
            do=self._text(DO_FOR.get((self._headed_by(item), suspect), lock.do)),
            over=self._text(lock.over),
            count=episode.returns + 1,
            since=self.when(episode.since_wall_s, now_wall_s),
            when=self.when(episode.over_wall_s, now_wall_s),
        )
        return one_stop(line)

    @staticmethod
    def _beginning(item: NotificationItem) -> str:
        episode = item.episode
        if item.kind == "reminder" and episode.state is EpisodeState.QUIET:
            return "quiet"
        return "visit" if item.kind == "check" and episode.visit_day is not None else item.kind

    @staticmethod
    def _headed_by(item: NotificationItem) -> str:
        """The finding that speaks: the worst of the episode, so that one headline at a time is told of it."""
        episode = item.episode
        return episode.heading if episode.heading in texts.LOCK else episode.lead

    def _words(self, key: str, **values: object) -> str:
        return one_stop(self._text(WORDS[key]).format(**values))

    def _title(self, item: NotificationItem) -> str:
        means = self._text(texts.LOCK[self._headed_by(item)].means).rstrip(".")
        return f"{self._settings.site.name}: {self._text(TITLE[item.kind]).format(means=means)}"

    def _full(self, item: NotificationItem, status: UnitStatus | None, now_wall_s: float | None) -> list[str]:
        episode = item.episode
        lines = [self.begin(item, now_wall_s)]
        if item.kind == "off":
            return lines
        text = texts.TOLD[self._headed_by(item)]
        if item.kind in ("over", "missed"):
            since, over = (self.when(at_s, now_wall_s) for at_s in (episode.since_wall_s, episode.over_wall_s))
            if over and (since or item.kind == "over"):
                lines.append(self._words(item.kind, since=since, when=over, headline=self._text(text.headline)))
            return lines
        lines.append(f"{self._since(episode, now_wall_s)} {self._heat(status)}")
        if self._person.role == "contractor":
            taps = [self._words(name, link=link) for name, link in self._links(episode).items() if name != "look"]
            return [*lines, *self._for_technicians(episode, status), *(["", *taps] if taps else [])]
        links = dict(self._links(episode))
        lines.append(self._text(text.headline))
        lines += [*([] if "look" in links else [self._text(text.means)]), self._text(text.do)]
        lines += self._cautions(item, status, links.pop("look", ""))
        lines += ["", *self._called(episode), self._words("tell"), f"“{_explanation(episode.heading, status)}”"]
        lines += self._unknowable(episode)
        shown = [self._words(name, link=link) for name, link in links.items() if name != "page" or "know" not in links]
        asked = [self._words("answer")] if episode.severity is Severity.URGENT else []
        lines += ["", *asked, *shown] if asked or shown else []
        if self._late(item, now_wall_s):
            lines.append(self._words("late"))
        return lines

    def _cautions(self, item: NotificationItem, status: UnitStatus | None, link: str) -> list[str]:
        """What is safe to look at, behind a `link` or in full, and what not to touch."""
        name, unit, beside = self._headed_by(item), self._settings.unit, item.episode.findings
        finding = _found(name, status)
        evidence = None if finding is None else finding.evidence
        if link:
            lines = [self._words("look-link", link=link)]
            avoided = texts.avoid_briefly(name, unit, beside, evidence)
        else:
            lines = ["", self._words("look"), *(f"- {self._text(row)}" for row in texts.look(name, beside, evidence))]
            avoided = texts.avoid(name, unit)
        return [*lines, "", self._words("avoid"), *(f"- {self._text(row)}" for row in avoided)]

    def _for_technicians(self, episode: Episode, status: UnitStatus | None) -> list[str]:
        names = ", ".join(texts.suspect(name) for name in episode.suspects[:4])
        return [_explanation(episode.heading, status), *([self._words("suspects", names=names)] if names else [])]

    def _called(self, episode: Episode) -> list[str]:
        """The contractor's number, where it is known."""
        number = self._settings.notify.contractor_phone
        if not number or episode.lead in OF_MONITOR:
            return []
        name = self._settings.notify.contractor_name or self._words("contractor")
        return [f"{name}: tel:{number.replace(' ', '')}"]

    def _unknowable(self, episode: Episode) -> list[str]:
        """What this site cannot tell for want of a sensor, said where it matters."""
        if episode.lead in ("no-call-in-heat", "overdue-call") and "thermostat" not in self._settings.fitted:
            return ["", self._words("not-known", what=self._words("indoor"))]
        return []

    def _late(self, item: NotificationItem, now_wall_s: float | None) -> bool:
        since_s = item.episode.since_wall_s
        if item.kind != "alarm" or now_wall_s is None or since_s is None:
            return False
        return now_wall_s - since_s - self._person.delay_h * 3600.0 > limits.NOTIFY.late_s.value

    def _since(self, episode: Episode, now_wall_s: float | None) -> str:
        if episode.since_wall_s is None or now_wall_s is None:
            return self._words("since-unknown")
        when, since_s = self.when(episode.since_wall_s, now_wall_s), now_wall_s - episode.since_wall_s
        if since_s < _JUST_NOW_S:
            return self._words("since-now", when=when)
        return self._words("since", when=when, span=texts.span(since_s))

    def _heat(self, status: UnitStatus | None) -> str:
        outdoor_c = None if status is None else status.readings.get("outdoor_c")
        if outdoor_c is None:
            return self._words("outdoors-unknown")
        return self._words("outdoors", degrees=time_format.degrees(outdoor_c, self._settings.web.temperature))

    def when(self, wall_s: float | None, now_wall_s: float | None) -> str:
        """A moment in words: the time alone for today, else with the day; empty when not known."""
        return "" if wall_s is None else time_format.moment(wall_s, now_wall_s, self._zone)

    # ------------------------------------------------------------ the monitor itself

    @_for_its_person
    def life(self, status: UnitStatus, faults: int = 0) -> PhoneMessage:
        """Return the proof of life. Its title is the unit's state, so that silence is known to mean something."""
        state = calm(status, faults=faults)
        lines = [
            self._words("life", scan=texts.span(self._settings.boards.scan_s)),
            self._words("unit", state=self._text(texts.state(status.cycle))),
            self._heat(status),
        ]
        if status.findings:
            names = " ".join(self._text(texts.FINDINGS[finding.name].headline) for finding in status.findings)
            lines.append(self._words("stands", findings=names.rstrip(".")))
        unseen = [link.name for link in status.links if link.sense is not None and link.state is LinkState.UNKNOWN]
        if unseen:
            lines.append(self._words("unseen", links=", ".join(texts.LINKS[name].title for name in unseen)))
        if "thermostat" not in self._settings.fitted:
            lines.append(self._words("not-known", what=self._words("indoor")))
        title = f"{self._settings.site.name}: {sentence(state, status.cycle, self._person.language)}"
        return PhoneMessage(title, "\n".join(lines), "info" if state.calm else "warning")

    @_for_its_person
    def blind(self, age_s: float) -> PhoneMessage:
        """Return what comes instead of the proof of life when the monitor sees nothing."""
        body = self._words("blind-body", age=texts.span(age_s))
        means = self._text(texts.LOCK[BLIND].means).rstrip(".")
        return PhoneMessage(f"{self._settings.site.name}: {means}", body, "warning")

    @_for_its_person
    def own_fault(self) -> PhoneMessage:
        """Say, instead of the proof of life, that the program has failed and nobody has looked at it."""
        lock, told = texts.LOCK[OWN_FAULT], texts.TOLD[OWN_FAULT]
        title = f"{self._settings.site.name}: {self._text(lock.means).rstrip('.')}"
        return PhoneMessage(title, f"{self._text(told.means)}\n{self._text(told.do)}", "warning")

    @_for_its_person
    def trial(self) -> PhoneMessage:
        """A message for whoever sets the phone up."""
        return PhoneMessage(f"{self._settings.site.name}: {self._words('test')}", self._words("test-body"))


def _found(name: str, status: UnitStatus | None) -> Finding | None:
    """The finding as it stands; None where it does not, or no status is known."""
    found: Sequence[Finding] = () if status is None else status.findings
    return next((one for one in found if one.name == name), None)


def _explanation(name: str, status: UnitStatus | None) -> str:
    finding = _found(name, status)
    return texts.TOLD[name].tell if finding is None else texts.read_out(finding)


def _level(item: NotificationItem) -> str:
    if item.kind in _ENDS:
        return "success"
    return "failure" if item.episode.severity is Severity.URGENT else "warning"
