"""A diagnosis as a talk in plain text: one line in, some lines out. Knows no terminal: the caller asks and prints."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import StoredVisit
from condenser_monitor.monitor.diagnosis.checks.base import CAUTIONS, Check
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.visit.session import OTHER, SYMPTOMS, Step, VisitSession

POWER = {"as-is": "nothing is opened or switched", "off": "power off, locked and proved dead", "live": "power on"}
_LISTED = 6  # ours: what a person takes in at a glance
HELP = (
    "Type the reading or what you saw ('13.8 ohm', 'OL', 'dry').",
    "CHECK: READING   answer another check        list          checks worth doing",
    "skip             another check instead       why           who is ruled out, and why",
    "back CHECK       take an answer back         found SUSPECT what it really was (or 'found other')",
    "found SUSPECT still SYMPTOM                  it is repaired, and this is still wrong: the visit goes on",
    "all              everything still suspected  quit          end without a result",
)


class HomeownerWords(NamedTuple):
    """What is said to a homeowner beside the checks: what to do about what was seen, the last first, and the line to
    read out to the technician."""

    advice: Callable[[], Sequence[str]]
    read_out: Callable[[], str]


class Talk:
    """The talk around one session. `visit` holds the result once `found` was said; `over` ends it."""

    def __init__(
        self, session: VisitSession, by: str, wall_s: float | None = None, words: HomeownerWords | None = None
    ) -> None:
        self.session, self.by, self.wall_s = session, by, wall_s
        self._words = words if session.who == "homeowner" else None
        self.visit: StoredVisit | None = None
        self.over = False
        self.still = ""
        self._described: set[str] = set()

    def opening(self) -> list[str]:
        """The first lines: what was answered before, the suspects, the first check, how to answer."""
        return [*self._answered(), *self._suspects(), "", *self._proposal(), "", "Type help for what can be said."]

    def _answered(self) -> Iterator[str]:
        if self.session.answers:
            yield "Answered already, since this was found or on the command line (back CHECK takes one back):"
            for name, judged in self.session.answers.items():
                reading = f"{judged.text}: " if judged.text else ""
                yield f"  {name:<25} {reading}{CHECKS[name].says(judged.outcome)}"
            yield ""

    def answer(self, line: str) -> list[str]:
        """Answer one line. What cannot be understood is answered with what can."""
        word, _, rest = line.strip().partition(" ")
        verbs: dict[str, Callable[[str], list[str]]] = {
            "help": lambda _: list(HELP),
            "list": lambda _: list(self._offers()),
            "why": lambda _: self._why(),
            "all": lambda _: [f"  {name:<25} {SUSPECTS[name].title}" for name in self.session.suspects()],
            "skip": lambda _: self._skip(),
            "back": self._back,
            "found": self._found,
            "quit": lambda _: self._quit(),
        }
        try:
            return verbs[word](rest.strip()) if word in verbs else self._answer(line.strip())
        except CommandError as error:
            return [f"That cannot be used: {error}"]

    # ------------------------------------------------------------ what can be said

    def _answer(self, line: str) -> list[str]:
        name, colon, reading = line.partition(":")
        if not colon:
            check = self.session.next_check()
            if check is None:
                raise CommandError("answer", line, "CHECK: READING, found SUSPECT, or help")
            name, reading = check.name, line
        step = self.session.enter(name.strip(), reading.strip())
        advice = [f"  * {line}" for line in self._words.advice()[:1]] if self._words and step.judged else []
        return [*_told(step), *advice, "", *self._suspects(), "", *self._proposal()]

    def _back(self, name: str) -> list[str]:
        step = self.session.undo(name)
        return [*_told(step), "", *self._suspects(), "", *self._proposal()]

    def _skip(self) -> list[str]:
        check = self.session.next_check()
        if check is not None:
            self.session.skipped.add(check.name)
        return self._proposal()

    def _found(self, was: str) -> list[str]:
        words, still = was.lower().split(), ""
        if "still" in words and self.session.who == "technician":
            words, still = words[: words.index("still")], "-".join(words[words.index("still") + 1 :])
        was = "-".join(words)
        measured = False if self.session.who == "homeowner" else None  # a look from outside shows no cause
        self.visit = self.session.visit(was, self.by, self.wall_s, measured=measured)
        if still:
            self.session.go_on(was, still)  # raises where it cannot be used
        self.over, self.still = True, still
        title = "something else" if was == OTHER else SUSPECTS[was].title
        unmeasured = [] if self.visit.measured else ["Nothing was measured, so the first suspect is not scored by it."]
        return [f"Kept: it was {title}.", *unmeasured]

    def _quit(self) -> list[str]:
        self.over = True
        return ["Ended without a result."]

    # ------------------------------------------------------------ what is said

    def _proposal(self) -> list[str]:
        check = self.session.next_check()
        if check is None:
            shown = self.session.shown()
            if shown and self._words is None:
                titles = "; ".join(SUSPECTS[name].title for name in shown)
                findings, checks = self.session.unexplained()
                beside = [*findings, *(CHECKS[name].says(self.session.answers[name].outcome) for name in checks)]
                return [
                    f"Found: {titles}. Say found {shown[0]} once it is repaired and runs.",
                    *([f"It does not explain: {'; '.join(beside)}."] if beside else []),
                    f"If something is still wrong then, say found {shown[0]} still and what, to go on: "
                    + ", ".join(SYMPTOMS),
                ]
            if self._words:
                return [
                    "No further look would help, and nothing is to be opened. Call a technician, and read out:",
                    f"  {self._words.read_out()}",
                ]
            return ["No further check would help. Say found SUSPECT once it is known."]
        if check.name in self.session.verdict().measure_again:
            why = "what it shows and another reading, or what the monitor senses, cannot both be true"
            why = self.session.answers[check.name].doubt or why
            return [f"Measure again ({check.name}): {check.title}; {why}"]
        if check.name in self.session.answers:
            return [f"Once more ({check.name}): {check.title}; {self.session.why_once_more(check.name)}"]
        if check.name in self._described:
            return [f"Next check ({check.name}): {check.title}, as described above"]
        self._described.add(check.name)
        return describe(check)

    def _suspects(self) -> Iterator[str]:
        verdict = self.session.verdict()
        yield "Still suspected, the likeliest first:"
        left = self.session.suspects()
        for name in left[:_LISTED]:
            yield f"  {name:<25} {SUSPECTS[name].title}"
        if len(left) > _LISTED:
            yield f"  ... and {len(left) - _LISTED} more, less likely: type all"
        for pair in verdict.together:
            yield "  No single one explains it; together these would: " + " and ".join(sorted(pair))
        if wanted := self.session.wanted_senses():
            yield "  Sensors that would narrow it down further: " + ", ".join(READINGS[name].title for name in wanted)

    def _why(self) -> list[str]:
        return [f"  {name:<25} {why}" for name, why in self.session.verdict().ruled_out.items()] or ["Nobody yet."]

    def _offers(self) -> Iterator[str]:
        for offer in self.session.offers():
            check = offer.check
            cost = f"{POWER[check.power]}, about {check.minutes:g} min"
            yield f"  {check.name:<22} {check.title}; {cost}"


def permitted(check: Check) -> str:
    """Who may make a check, in words."""
    return "qualified people only" if check.hazard >= 1 else check.who


def describe(check: Check) -> list[str]:
    """A check in lines: what, where, by whom, how, what to expect, cautions."""
    lines = [
        f"Next check ({check.name}): {check.title}",
        f"  {check.where}; {POWER[check.power]}; {permitted(check)}; about {check.minutes:g} min",
    ]
    if check.tools:
        lines.append("  with: " + ", ".join(check.tools))
    lines += [f"  ! {CAUTIONS[caution]}" for caution in check.cautions]
    lines += [f"  {number}. {step}" for number, step in enumerate(check.steps, 1)]
    lines.append(f"  expected: {check.expected} ({check.basis})")
    if check.quantity == "eye":
        lines.append("  answer: " + " or ".join(check.symbols))
    return lines


def _told(step: Step) -> Iterator[str]:
    if step.judged is not None:
        reading = f"{step.judged.text}: " if step.judged.text else ""
        yield reading + CHECKS[step.judged.check].says(step.judged.outcome)
    for why in dict.fromkeys(step.ruled_out.values()):
        names = [SUSPECTS[name].title for name, reason in step.ruled_out.items() if reason == why]
        yield f"  ruled out, because {why}: " + "; ".join(names)
    if step.back:
        yield "  in question again: " + "; ".join(SUSPECTS[name].title for name in step.back)


class VisitEnded(NamedTuple):
    """How a talk ended: the visit, None after quit or the end of input; `still`: the finding or symptom that is still
    there once it is repaired, "" for none."""

    visit: StoredVisit | None
    session: VisitSession
    still: str = ""


def talk(
    session: VisitSession,
    ask: Callable[[], str | None],
    say: Callable[[str], None],
    by: str,
    wall_s: float | None = None,
    *,
    words: HomeownerWords | None = None,
) -> VisitEnded:
    """Run a talk: `ask` gives the next line, None at the end of input; `say` prints one line."""
    going = Talk(session, by, wall_s, words)
    lines = going.opening()
    while True:
        for line in lines:
            say(line)
        heard = None if going.over else ask()
        if heard is None:
            return VisitEnded(going.visit, session, going.still)
        lines = going.answer(heard)
