"""(edge) The terminal: the unit at a glance, following it live, explanations, a guided diagnosis.

Each function takes its streams and gives an exit status, so that commands and tests call them alike. Plain text: what
goes to a terminal is wrapped to its width, what goes into a pipe is one line a statement.
"""

from __future__ import annotations

import re
import shutil
import sys
import textwrap
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from datetime import tzinfo
from functools import partial
from math import inf
from typing import TextIO

from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.errors import CommandError, HistoryError
from condenser_monitor.monitor.core.records import StoredVisit, UnitStatus
from condenser_monitor.monitor.diagnosis.checks.base import Who
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.visit.dialogue import HomeownerWords, talk
from condenser_monitor.monitor.diagnosis.visit.session import OTHER, VisitSession
from condenser_monitor.monitor.storage.history import History, begun_visit
from condenser_monitor.monitor.strings import texts, time_format, visits
from condenser_monitor.monitor.strings.calm import Calm, Reason, calm, short
from condenser_monitor.monitor.terminal.text import (
    beat,
    changed,
    explain,
    look,
    names,
    troubles,
)

__all__ = ["asker", "diagnose", "explain", "explained", "show", "status", "watch"]
CALM, OPEN, UNKNOWN = 0, 1, 4  # exit statuses of a look; 2 and 3 are those of every command
_BEGIN = re.compile(r"\s*(?:[-!] |\d+\. )?")  # what a line is indented by, its mark or number included
_VERBS = ("help", "list", "skip", "why", "back", "found", "quit")
_FIRST_SYMPTOM = "no-cooling"
_EVERY_MOST_S = 86400.0


def show(lines: Iterable[str], out: TextIO) -> None:
    """Write lines; on a terminal each is wrapped to its width, continued under its own text."""
    width = max(40, shutil.get_terminal_size().columns) if out.isatty() else 0
    for line in lines:
        out.write((_wrapped(line, width) if width and len(line) > width else line) + "\n")
    out.flush()


def _wrapped(line: str, width: int) -> str:
    begin = _BEGIN.match(line)
    assert begin is not None
    indent = " " * (len(begin[0]) or 2)
    return "\n".join(textwrap.wrap(line, width, subsequent_indent=indent, break_on_hyphens=False))


# ---------------------------------------------------------------- status and watch


def status(history: History, settings: Settings, out: TextIO, *, zone: tzinfo | None = None) -> int:
    """One look: the state, the chain, the active problems, what to do, what is wrong with the monitor itself.

    Exit status 0: all is well; 1: something is open; 4: that is not known.
    """
    seen, age_s = history.status(), history.status_age_s()
    found = _calm(history, settings)
    show([*look(seen, age_s, settings, found, zone), *troubles(history.health())], out)
    return _exit_status(found)


def _calm(history: History, settings: Settings) -> Calm:
    seen, age_s = history.status(), history.status_age_s()
    stale = age_s is None or age_s > settings.stale_s
    return calm(seen, stale=stale, faults=history.fault_count())


def _exit_status(found: Calm) -> int:
    if found.calm:
        return CALM
    return UNKNOWN if not found.of_now or found.reason is Reason.UNSURE else OPEN


def watch(
    history: History,
    settings: Settings,
    out: TextIO,
    *,
    every_s: float = 1.0,
    seconds: float | None = None,
    sleep: Callable[[float], object] = time.sleep,
    wall: Callable[[], float] = time.time,
    zone: tzinfo | None = None,
) -> int:
    """One look, then a line for each thing that changes, until interrupted (or for some seconds).

    On a terminal the last line shows the readings as they are; a pipe gets the changes alone. Exit status as `status`.
    """
    if not 0 < every_s <= _EVERY_MOST_S:
        raise CommandError("watch: seconds between looks", every_s, f"more than 0, at most {_EVERY_MOST_S:g}")
    if seconds is not None and not 0 <= seconds <= inf:
        raise CommandError("watch: seconds", seconds, "0 or more")
    follower = _Follower(history, settings, out, wall, zone)
    with suppress(KeyboardInterrupt):
        follower.begin()
        passed_s = 0.0
        while seconds is None or passed_s < seconds:
            sleep(every_s)
            passed_s += every_s
            follower.step()
    follower.wipe()
    return _exit_status(_calm(history, settings))


class _Follower:
    """Compares each look with the one before."""

    def __init__(
        self, history: History, settings: Settings, out: TextIO, wall: Callable[[], float], zone: tzinfo | None
    ) -> None:
        self._history, self._settings, self._out, self._wall, self._zone = history, settings, out, wall, zone
        self._was: UnitStatus | None = None
        self._blind: bool | None = None
        self._state = ""
        self._beat = ""

    def begin(self) -> None:
        """The first look, in full."""
        seen, age_s = self._history.status(), self._history.status_age_s()
        found = _calm(self._history, self._settings)
        show(look(seen, age_s, self._settings, found, self._zone), self._out)
        show(["", "Following; each change is one line. Ctrl-C ends."], self._out)
        self._was, self._blind, self._state = seen, not found.of_now, short(found)

    def step(self) -> None:
        """What changed since the last look."""
        seen, found = self._history.status(), _calm(self._history, self._settings)
        blind = not found.of_now
        lines: list[str] = []
        if blind != self._blind:
            lines.append("the monitor isn't receiving readings" if blind else "the monitor sees the unit again")
        if seen is not None and not blind:
            lines += changed(self._was, seen) if self._was is not None else [f"the unit is {texts.state(seen.cycle)}"]
            self._was = seen
        if short(found) != self._state:
            lines.append(f"now: {short(found)}")
        self._blind, self._state = blind, short(found)
        self._say(lines, None if seen is None or blind else seen, found)

    def _say(self, lines: Sequence[str], seen: UnitStatus | None, found: Calm) -> None:
        if lines:
            self.wipe()
            now = time_format.clock(time_format.local(self._wall(), self._zone), seconds=True)
            show([f"{now}  {line}" for line in lines], self._out)
        if self._out.isatty():
            self._pulse(short(found) if seen is None else beat(seen, self._settings, found))

    def _pulse(self, words: str) -> None:
        self.wipe()
        self._beat = words[: max(10, shutil.get_terminal_size().columns - 1)]
        self._out.write(self._beat)
        self._out.flush()

    def wipe(self) -> None:
        """Take the line of readings away."""
        if self._beat:
            self._out.write("\r" + " " * len(self._beat) + "\r")
            self._beat = ""


# ---------------------------------------------------------------- explain


def explained(name: str | None, unit: Unit, out: TextIO) -> int:
    """A finding, a suspect or a check in full; without a name, all names. Raises CommandError for an unknown one."""
    if name is not None:
        show(explain(name, unit), out)
        return 0
    for kind, known in names().items():
        show([f"{kind}:", "  " + ", ".join(known)], out)
    return 0


# ---------------------------------------------------------------- diagnose


def diagnose(
    history: History,
    settings: Settings,
    out: TextIO,
    *,
    about: str | None = None,
    readings: Sequence[str] = (),
    by: str = "technician",
    who: Who = "technician",
    ask: Callable[[], str | None] | None = None,
    wall: Callable[[], float] = time.time,
) -> int:
    """A diagnosis check by check. `about`: a finding or a symptom, else what stands; `readings`: CHECK=READING known
    already; `ask` gives the next line, None at the end of input (standard input, if none is given).

    Every reading is kept in the history as soon as it is understood, and what it really was at the end. Exit status 0.
    Raises CommandError for a name or a reading that cannot be used.
    """
    made = _begin(history, settings, about, who)
    book = _Book(history, made, by, wall, out)
    for entry in readings:
        check, equals, typed = entry.partition("=")
        if not equals:
            raise CommandError("diagnose", entry, "CHECK=READING, such as coil-ohms=OL")
        made.enter(check.strip(), typed.strip())
    given = ask or asker(sys.stdin, out)

    def heard() -> str | None:
        book.keep()
        return given()

    begun_with = about or made.findings[0]
    words = HomeownerWords(partial(visits.advice, made), lambda: visits.read_out(made, begun_with, history.status()))
    while True:
        ended = talk(made, heard, lambda line: show([line], out), by, wall(), words=words)
        book.keep()
        if ended.visit is not None:
            book.end(ended.visit)
        if ended.visit is None or not ended.still:
            return 0
        show(["", f"Going on with what is still wrong: {ended.still}."], out)
        made = made.go_on(ended.visit.was, ended.still)
        book = _Book(history, made, by, wall, out)


def _begin(history: History, settings: Settings, about: str | None, who: Who) -> VisitSession:
    seen = history.status()
    standing = {} if seen is None else {finding.name: finding for finding in seen.findings}
    chosen = about or next(iter(standing), _FIRST_SYMPTOM)
    return begun_visit(history, settings, chosen, seen, who)


class _Book:
    """Keeps the answers of one talk in the history, each once."""

    def __init__(
        self, history: History, session: VisitSession, by: str, wall: Callable[[], float], out: TextIO
    ) -> None:
        self._history, self._session, self._by, self._wall, self._out = history, session, by, wall, out
        self._kept = dict(session.typed)
        self._failed = False

    def keep(self) -> None:
        """Keep what was entered since. A history that cannot be written ends no talk: it is said, once."""
        new = [one for one in self._session.readings(self._by, self._wall()) if self._kept.get(one.check) != one.typed]
        for reading in new:
            self._try(lambda one=reading: self._history.add_meter_reading(one))  # type: ignore[misc]
            self._kept[reading.check] = reading.typed

    def end(self, visit: StoredVisit) -> None:
        """Keep what it really was, and tell how often the first suspect was right so far."""
        if self._try(lambda: self._history.add_visit(visit)):
            right, wrong, unnamed = self._history.score()
            show([f"First suspects so far: {right} right, {wrong} wrong; {unnamed} not counted."], self._out)

    def _try(self, write: Callable[[], None]) -> bool:
        try:
            write()
        except HistoryError as error:
            if not self._failed:
                show([f"This cannot be kept in the history: {error}"], self._out)
            self._failed = True
            return False
        return True


def asker(source: TextIO, out: TextIO, prompt: str = "> ") -> Callable[[], str | None]:
    """A function that gives the next line of `source`, None at its end. On a terminal with a prompt, line editing and
    completion of names; a pipe gets no prompt."""
    if source is sys.stdin and source.isatty() and out.isatty():
        _complete()
        return lambda: _typed(prompt)

    def ask() -> str | None:
        line = source.readline()
        return line.rstrip("\n") if line else None

    return ask


def _typed(prompt: str) -> str | None:
    try:
        return input(prompt)
    except EOFError:
        return None


def _complete() -> None:
    with suppress(ImportError):
        import readline  # noqa: PLC0415 - not on every system

        words = sorted((*_VERBS, *CHECKS, *SUSPECTS, OTHER))

        def complete(begun: str, place: int) -> str | None:
            found = [word for word in words if word.startswith(begun)]
            return found[place] if place < len(found) else None

        readline.set_completer_delims(" :")
        readline.set_completer(complete)
        readline.parse_and_bind("tab: complete")
