"""Episodes: what people are told of. One root cause, one thread, one clock, one all-clear.

A dead fan gives three findings within two hours, and a breaker that was switched off as asked gives a fourth; for the
house it is one story. The unit's one diagnosis decides: a finding joins the open story whose findings the diagnosis
puts down to the same cause. What the house was asked to do (the power or the thermostat switched off) joins as well,
and makes nothing worse. A story is over when each of its findings is proved repaired (`Trial`), or a person said so
and a run has confirmed it. Pure; times in the timeline's `x`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.findings import (
    CATALOGUE,
    Answer,
    Proof,
    both,
    can_be_meant,
    cooling,
    cools,
    stopped,
)
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.load_state import MemoryPart, MonotonicTime
from condenser_monitor.monitor.core.records import SEVERITIES, Diagnosed, Episode, EpisodeState, Severity

# ---------------------------------------------------------------- what proves a failed part repaired

# What is seen of it is held to the `proof` of its row in core/findings.py. One good run is not enough by itself where
# causes come and go: several are asked for, spread over hours, the more the oftener it has come back. After a person's
# word that it is repaired, one is. What shows in hot weather only is proved in weather as hot alone.


class Trial(msgspec.Struct, forbid_unknown_fields=True):
    """What has been seen of one failed part since it failed; times in the timeline's `x`.

    `good_x`: when it was seen to work for long enough, once a run. `works_x`: since when it works without a break.
    `ran`: a run was seen before the stop that is to prove it. `returns`: how often it failed again after it had worked.
    """

    outdoor_c: float | None = None
    called: bool = True
    good_x: list[float] = []
    works_x: float | None = None
    counted: bool = False
    ran: bool = False
    worked: bool = False
    returns: int = 0
    word: bool = False

    def failed(self, facts: Facts, outdoor_c: float | None) -> None:
        """Begin again: the finding stands (again). A person's word is taken back by it."""
        self.returns += self.worked
        self.called = facts.call is not False or facts.thermostat is True
        self.good_x, self.works_x, self.counted, self.ran, self.worked, self.word = [], None, False, False, False, False
        self.heat(outdoor_c)

    def heat(self, outdoor_c: float | None) -> None:
        """Keep how hot it was while it stood, the hottest."""
        if outdoor_c is not None:
            self.outdoor_c = outdoor_c if self.outdoor_c is None else max(self.outdoor_c, outdoor_c)

    def proved(self, row: Proof, facts: Facts, x_s: float, outdoor_c: float | None) -> bool:
        """Take what is seen at `x_s` while the finding does not stand; return whether that proves it repaired."""
        works = self._works(row, facts)
        if not works:
            self.works_x, self.counted = None, False
            return False
        self.works_x = x_s if self.works_x is None else self.works_x
        held_s = x_s - self.works_x
        self.worked |= row.kind != "state" and held_s >= limits.PROOF.worked_s.value
        if held_s < row.hold_s or self.counted or self._too_mild(row, outdoor_c):
            return False
        self.counted = True
        self.good_x.append(x_s)
        del self.good_x[1 : 1 + max(0, len(self.good_x) - int(limits.PROOF.kept.value))]  # the first one tells the span
        self.ran = False
        return self._enough(row)

    def fails(self, row: Proof, facts: Facts) -> bool:
        """Whether what is seen now, while the finding stands, shows that it does not work: not at rest, but under a
        call (or without one, of what must stop)."""
        if row.at_rest is not None and not self.called:
            return row.at_rest(facts) is False
        if row.kind == "stop":
            return facts.call is False and stopped(facts) is False
        return facts.call is True and cools(facts) is False

    def _works(self, row: Proof, facts: Facts) -> Answer:
        if row.at_rest is not None and not self.called:
            return row.at_rest(facts)
        if row.kind != "stop":
            return row.works(facts)
        if row.works is not stopped and row.works(facts) is False:
            self.ran = False  # it lied, or was contradicted, within the run: that run proves nothing
        elif facts.compressor and facts.call is not False:
            self.ran = True
        return both(self.ran, stopped(facts), row.works(facts))

    def _too_mild(self, row: Proof, outdoor_c: float | None) -> bool:
        if not row.in_heat or self.outdoor_c is None:
            return False
        return outdoor_c is None or outdoor_c < self.outdoor_c - limits.PROOF.cooler_k.value

    def _enough(self, row: Proof) -> bool:
        if self.word:
            return True
        returns = min(self.returns, int(limits.PROOF.returns_most.value))
        times = row.times + returns if row.times > 1 or returns else 1
        span_s = max(row.span_s, returns * limits.PROOF.day_s.value)
        return len(self.good_x) >= times and self.good_x[-1] - self.good_x[0] >= span_s


_HOUR_S, _DAY_S = 3600.0, 86400.0
# The monitor's own sensors tell no story of the unit; two stories that share only these suspects are two.
_OF_THE_MONITOR = frozenset({"sensor-silent", "sensing-disagrees"})
_SUSPECTED_OF_ALL = frozenset({"monitor-sensing", "loose-connection"})
# What follows from switching off what a message asked to switch off.
_OBEYED = frozenset({"line-supply-lost", "control-power-lost", "no-call-in-heat", "overdue-call"})
# Low volts on a wire that no coil loads are what a thermostat that is off lets through: no second cause.
_UNLOADED = frozenset({"low-control-voltage", "call-without-pull-in"})


def by_cause(shares: Mapping[str, float], explained: Mapping[str, Sequence[str]]) -> list[set[str]]:
    """Put findings down to as few causes as explain them all. `shares`: suspects of the diagnosis, the likeliest first;
    `explained`: finding -> who can be behind it. What anything can be put down to joins only where it is likely."""
    order = [
        one for one, share in shares.items() if one not in _SUSPECTED_OF_ALL or share >= limits.EPISODES.share.value
    ]
    left, parts = dict(explained), []
    while left:
        sets = [{name for name, behind in left.items() if suspect in behind} for suspect in order]
        best = max(sets, key=len, default=set[str]()) or {next(iter(left))}
        parts.append(best)
        left = {name: behind for name, behind in left.items() if name not in best}
    return parts


def level(finding: str, severity: Severity) -> int:
    """Return how bad a finding is for the house, to be compared within one story."""
    return (len(SEVERITIES) - SEVERITIES.index(severity)) * 10 + int(cooling(finding))


class Story(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """One episode as it is kept."""

    number: int
    lead: str
    trials: dict[str, Trial]
    proved: set[str] = set()
    standing: set[str] = set()
    suspects: dict[str, tuple[str, ...]] = {}
    severity: Severity
    level: int
    worst: str = ""
    since_x: float
    since_wall_s: float | None
    came_x: list[float] = []
    returns: int = 0
    returned_x: float | None = None
    often: bool = False
    quiet_x: float | None = None
    answered_by: str | None = None
    answered_x: float | None = None
    visit_day: str | None = None
    snoozed_until_x: float | None = None
    repaired_by: str | None = None
    intended_by: str | None = None
    taken_back: int = 0
    merged: list[str] = []
    over_x: float | None = None

    @property
    def id(self) -> str:
        """Its name; it holds no measured value."""
        return f"episode-{self.number}"

    @property
    def state(self) -> EpisodeState:
        """How it stands."""
        if self.over_x is not None:
            return EpisodeState.OVER
        if self.standing:
            return EpisodeState.ACTIVE
        return EpisodeState.REPAIRED if self.repaired_by else EpisodeState.QUIET


class EpisodesMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What is kept over restarts."""

    number: int = 0
    stories: list[Story] = []


EPISODES_MEMORY = MemoryPart("episodes", 1, EpisodesMemory, what="episodes")


class Stands(NamedTuple):
    """A finding that stands, and what is seen with it."""

    finding: str
    severity: Severity
    suspects: tuple[str, ...]
    x_s: float
    wall_s: float | None
    facts: Facts
    outdoor_c: float | None


class EpisodeBook:
    """The stories of one unit, on the manager's timeline. `memory` is what `memory` of an earlier one held."""

    def __init__(self, line: MonotonicTime, memory: EpisodesMemory | None = None) -> None:
        self._line, self.memory = line, memory or EpisodesMemory()
        for story in self.memory.stories:  # of a newer version: nothing here could clear what this one does not know
            story.trials = {name: trial for name, trial in story.trials.items() if name in CATALOGUE}
        self.memory.stories = [story for story in self.memory.stories if story.trials]
        self.diagnosed: Diagnosed | None = None  # the unit's diagnosis as it is by now

    # ------------------------------------------------------------ in

    def diagnose(self, found: Diagnosed | None) -> None:
        """Follow the unit's one diagnosis: open stories that turn out to be one cause become one, under the name and
        the clock of the oldest."""
        before, self.diagnosed = self.diagnosed, found
        if found is None or found == before or not found.suspects:
            return
        first, share = found.suspects[0]
        if first in _SUSPECTED_OF_ALL or share < limits.EPISODES.merge_share.value:
            return
        same = [story for story in self.memory.stories if self._is_of(story, first, found)]
        for story in same[1:]:
            _merge(same[0], story)
            self.memory.stories.remove(story)

    @staticmethod
    def _is_of(story: Story, suspect: str, found: Diagnosed) -> bool:
        """Whether an open story tells of what a suspect is behind, by the diagnosis and by its own finding."""
        heading = story.worst or story.lead
        known = heading in found.findings and suspect in story.suspects.get(heading, ())
        return known and story.over_x is None and story.trials.keys().isdisjoint(_OF_THE_MONITOR)

    def stand(self, seen: Stands, *, told: bool, paused: bool) -> None:
        """Take a finding that stands; `told`: its alarm was, so that a story begins if none can be joined. `paused` in
        service mode: what stands then is news only when it ends. A snooze ends when the story gets worse."""
        name, x_s = seen.finding, seen.x_s
        # Its own story, else the newest that it can be a part of.
        stories = [story for story in self.memory.stories if self._joins(story, seen)]
        story = max(stories, key=lambda one: (name in one.trials, one.over_x is None, one.since_x), default=None)
        if paused and (story is None or name not in story.trials):
            return
        if story is None:
            if not told:
                return
            story = self._begin(seen)
        story.suspects[name] = seen.suspects
        if name in story.standing:
            return
        trial = story.trials.setdefault(name, Trial())
        worked = trial.worked or story.over_x is not None
        trial.failed(seen.facts, seen.outdoor_c)
        if worked:
            self._come_back(story, x_s)
        story.proved.discard(name)
        story.standing.add(name)
        story.over_x = story.quiet_x = None
        if story.intended_by is not None:
            self._call_is_back(story)
        if story.repaired_by is not None and not self._obeys(story, name):
            story.repaired_by, story.taken_back = None, story.taken_back + 1
            story.answered_by = story.answered_x = story.visit_day = None
        now = level(name, seen.severity)
        if now > story.level and not self._obeys(story, name):
            story.level, story.worst, story.snoozed_until_x = now, name, None
        story.severity = min(story.severity, seen.severity, key=SEVERITIES.index)

    @staticmethod
    def _obeys(story: Story, name: str) -> bool:
        """Whether a finding may be no more than what the messages of this story asked for."""
        return name in _OBEYED and name != story.lead and story.lead not in _OBEYED

    @staticmethod
    def _come_back(story: Story, x_s: float) -> None:
        story.returns, story.returned_x = story.returns + 1, x_s
        story.came_x = [at_x for at_x in (*story.came_x, x_s) if x_s - at_x < limits.EPISODES.often_s.value]
        story.often |= len(story.came_x) >= limits.EPISODES.often_times.value

    def clear(self, name: str, x_s: float) -> None:
        """Take a finding that does not stand any more; that proves nothing."""
        for story in self.memory.stories:
            if name in story.standing:
                story.standing.discard(name)
                if not story.standing:
                    story.quiet_x = x_s

    def _begin(self, seen: Stands) -> Story:
        self.memory.number += 1
        story = Story(
            number=self.memory.number,
            lead=seen.finding,
            trials={},
            severity=seen.severity,
            level=level(seen.finding, seen.severity),
            since_x=seen.x_s,
            since_wall_s=seen.wall_s,
            came_x=[seen.x_s],
        )
        self.memory.stories.append(story)
        over = [story for story in self.memory.stories if story.over_x is not None]
        for oldest in over[: max(0, len(self.memory.stories) - int(limits.EPISODES.kept.value))]:
            self.memory.stories.remove(oldest)
        return story

    def _joins(self, story: Story, seen: Stands) -> bool:
        """Whether a finding is or can be a part of a story."""
        name = seen.finding
        if story.over_x is not None:
            return name in story.trials and seen.x_s - story.over_x < limits.EPISODES.reopen_h.value * _HOUR_S
        if name in story.trials:
            return True
        if {name, *story.trials} & _OF_THE_MONITOR:
            return False
        if name in _OBEYED and story.severity is Severity.URGENT:
            return True
        if seen.facts.coil == "none" and name in _UNLOADED and not story.trials.keys().isdisjoint(_UNLOADED):
            return True
        parents = CATALOGUE[name].parents
        if any(one in parents or name in CATALOGUE[one].parents for one in story.trials):
            return True
        return not story.trials.keys().isdisjoint(self._same_cause(story, seen))

    def _same_cause(self, story: Story, seen: Stands) -> Collection[str]:
        """The findings that the diagnosis puts down to the same cause as this one; of those that are too old for it,
        which have gone unrepaired, the ones that were put down to what is suspected now."""
        found = self.diagnosed
        explained = {one: names for one, names in story.suspects.items() if found and one in found.findings}
        shares = dict.fromkeys(seen.suspects, 0.0) if found is None else dict(found.suspects)
        parts = by_cause(shares, {**explained, seen.finding: seen.suspects})
        same = next(part for part in parts if seen.finding in part)
        first = set(seen.suspects[:1]) - _SUSPECTED_OF_ALL
        older = {one for one, names in story.suspects.items() if one not in explained and first & set(names)}
        return (same | older) - {seen.finding}

    # ------------------------------------------------------------ what is seen

    def observe(self, facts: Facts, x_s: float, outdoor_c: float | None) -> list[str]:
        """Take what is seen now; return the findings that it proves repaired."""
        found = []
        for story in self.memory.stories:
            if story.over_x is None:
                found += self._observe(story, facts, x_s, outdoor_c)
        return found

    def _observe(self, story: Story, facts: Facts, x_s: float, outdoor_c: float | None) -> list[str]:
        proved = []
        if story.intended_by is not None and facts.call is True:
            self._call_is_back(story)
        for name, trial in story.trials.items():
            if name in story.standing:
                trial.heat(outdoor_c)
                if trial.word and not self._obeys(story, name) and trial.fails(CATALOGUE[name].proof, facts):
                    self._disprove(story, trial, x_s)
            elif name not in story.proved and trial.proved(CATALOGUE[name].proof, facts, x_s, outdoor_c):
                story.proved.add(name)
                proved.append(name)
        if story.trials.keys() == story.proved:
            story.over_x = x_s
        return proved

    @staticmethod
    def _disprove(story: Story, trial: Trial, x_s: float) -> None:
        """Take a word back that has not come true: it still fails long after it was said to be repaired."""
        if story.repaired_by is not None and x_s - (story.answered_x or 0.0) >= limits.EPISODES.word_s.value:
            trial.word = False
            story.repaired_by, story.taken_back = None, story.taken_back + 1
            story.answered_by = story.answered_x = story.visit_day = None

    @staticmethod
    def _call_is_back(story: Story) -> None:
        """Take back that no call was meant to come: what comes after is to be explained anew."""
        story.intended_by = story.answered_by = story.answered_x = story.visit_day = None

    @property
    def watching(self) -> bool:
        """Whether anything waits for proof."""
        return any(story.over_x is None for story in self.memory.stories)

    def knows(self, name: str) -> bool:
        """Return whether a finding is part of any story that is kept."""
        return any(name in story.trials for story in self.memory.stories)

    def is_proved(self, name: str) -> bool:
        """Return whether this finding's cause is proved repaired since it stood last."""
        found = [story for story in self.memory.stories if name in story.trials]
        return bool(found) and name in found[-1].proved

    # ------------------------------------------------------------ people

    def find(self, name: str) -> Story | None:
        """The open story of this name, or to which a finding of this name belongs."""
        for story in reversed(self.memory.stories):
            if story.over_x is None and name in (story.id, *story.merged, *story.trials):
                return story
        return None

    def open_ids(self) -> list[str]:
        """The names of the open stories, those that were merged into them too: a link to one still answers."""
        found = [story for story in self.memory.stories if story.over_x is None]
        return [name for story in found for name in (story.id, *story.merged)]

    def answer(self, story: Story, by: str, x_s: float, day: str | None = None) -> None:
        """Somebody knows of it; a technician comes on `day`."""
        story.answered_by, story.answered_x, story.visit_day = by, x_s, day or story.visit_day

    def say_repaired(self, story: Story, by: str, x_s: float, names: Iterable[str] | None = None) -> None:
        """Somebody says that it is repaired (of `names`, or all): the next run confirms it or takes it back."""
        for name in story.trials if names is None else names:
            trial = story.trials[name]
            trial.word, trial.good_x = True, []
            trial.counted = False
        if all(trial.word or name in story.proved for name, trial in story.trials.items()):
            story.repaired_by = by
        self.answer(story, by, x_s)

    def say_intended(self, story: Story, by: str, x_s: float) -> None:
        """Somebody says that no call was meant to come: the next call takes it back, and a run is proof enough then."""
        for trial in story.trials.values():
            trial.word = True
        story.intended_by = by
        self.answer(story, by, x_s)

    def is_intended(self, name: str) -> bool:
        """Return whether somebody says that this finding is meant to be so."""
        return any(name in story.trials and story.intended_by is not None for story in self.memory.stories)

    # ------------------------------------------------------------ out

    def episodes(self) -> tuple[Episode, ...]:
        """The stories that people are told: the open ones and those that ended in the last days, oldest first."""
        line = self._line

        def wall(x_s: float | None) -> float | None:
            found = None if x_s is None else line.wall_s(x_s)
            return None if found is None else round(found, 3)

        shown_s = limits.EPISODES.shown_days.value * _DAY_S
        return tuple(
            Episode(
                id=story.id,
                lead=story.lead,
                findings=tuple(story.trials),
                severity=story.severity,
                level=story.level,
                worst=story.worst or story.lead,
                state=story.state,
                since_s=line.t_s(story.since_x),
                since_wall_s=story.since_wall_s if story.since_wall_s is not None else wall(story.since_x),
                suspects=story.suspects.get(story.worst or story.lead, ()),
                returns=story.returns,
                returned_wall_s=wall(story.returned_x),
                often=story.often,
                quiet_wall_s=wall(story.quiet_x),
                answered_by=story.answered_by,
                answered_wall_s=wall(story.answered_x),
                visit_day=story.visit_day,
                snoozed_until_wall_s=wall(story.snoozed_until_x),
                repaired_by=story.repaired_by,
                intended_by=story.intended_by,
                taken_back=story.taken_back,
                merged=tuple(story.merged),
                works=not story.standing
                and all(one.good_x or name in story.proved for name, one in story.trials.items()),
                over_wall_s=wall(story.over_x),
            )
            for story in self.memory.stories
            if story.over_x is None or line.now_x - story.over_x < shown_s
        )


def _merge(into: Story, other: Story) -> None:
    """Make two open stories one. An answer and a snooze go on where they were given to all that is worst in it."""
    worst = [story for story in (into, other) if story.level == max(into.level, other.level)]
    answered = max(worst, key=lambda story: story.answered_x or 0.0) if all(one.answered_by for one in worst) else None
    into.answered_by, into.answered_x, into.visit_day = (
        (None, None, None) if answered is None else (answered.answered_by, answered.answered_x, answered.visit_day)
    )
    until = [story.snoozed_until_x for story in worst]
    into.snoozed_until_x = min(at_x for at_x in until if at_x is not None) if None not in until else None
    if other.level > into.level:
        into.level, into.worst = other.level, other.worst or other.lead
    into.severity = min(into.severity, other.severity, key=SEVERITIES.index)
    into.trials |= {name: trial for name, trial in other.trials.items() if name not in into.standing}
    into.standing |= other.standing
    into.proved = (into.proved | other.proved) - into.standing
    into.suspects |= other.suspects
    into.since_x = min(into.since_x, other.since_x)
    into.came_x = sorted({*into.came_x, *other.came_x})[-int(limits.EPISODES.often_times.value) :]
    into.returns, into.often = into.returns + other.returns, into.often or other.often
    into.returned_x = max((at_x for at_x in (into.returned_x, other.returned_x) if at_x is not None), default=None)
    into.quiet_x = None if into.standing else max(into.quiet_x or 0.0, other.quiet_x or 0.0)
    into.taken_back = max(into.taken_back, other.taken_back)
    word = all(trial.word or name in into.proved for name, trial in into.trials.items())
    into.repaired_by = (into.repaired_by or other.repaired_by) if word else None
    meant = can_be_meant(into.trials) and not into.standing
    into.intended_by = (into.intended_by or other.intended_by) if meant else None
    into.merged += [other.id, *other.merged]
