"""Raising, clearing and reviewing findings: each condition against its hold, its parents and what this very scan bears
out.

The evaluator is given an immutable Snapshot and gives back an Evaluation; it asks nobody, and knows no suspects (they
are the next step's: monitor/diagnosis). Nothing is raised or cleared on a scan that does not itself say what is
believed, so the scan taken at the moment a delay ends is heard first, and a missing or odd scan only puts the decision
off.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import inf
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.findings import CATALOGUE, Answer, FindingRow, hold_s
from condenser_monitor.monitor.core.inputs import lasted
from condenser_monitor.monitor.core.links import Facts


class Snapshot(NamedTuple):
    """All that one decision rests on.

    `changed_s` is when the newest of `facts` began; `said` are the facts of this scan by itself, None where it bears
    out what is believed; `counted` has the answers of the patterns; `unsettled` names the inputs that this scan does
    not bear out; `undecided`: readings contradict each other and it is not yet known which of them lie, so nothing is
    raised; `grace_s` is how much longer a condition may hold by design; `distrusted` has the inputs of the readings
    that lie, each with its reading; `new_readings`: a reading says something else than at the last decision; `doubted`:
    the readings that are not borne out; where there are any, what is concluded now is to be looked at again.
    """

    now_s: float
    changed_s: float
    facts: Facts
    said: Facts | None
    counted: Mapping[str, Answer]
    unsettled: frozenset[str] = frozenset()
    undecided: bool = False
    grace_s: Mapping[str, float] = {}
    distrusted: Mapping[str, str] = {}
    new_readings: bool = False
    doubted: Sequence[str] = ()

    def withdrawn(self, row: FindingRow) -> tuple[str, ...]:
        """The readings that a finding needs and that lie; a pattern needs what it is sensed by."""
        needs = row.needs or frozenset().union(*row.sensed_by)
        return tuple(sorted({self.distrusted[name] for name in needs if name in self.distrusted}))


class Raised(NamedTuple):
    """A finding that is raised, and since when its condition has been true."""

    row: FindingRow
    since_s: float


class Cleared(NamedTuple):
    """A finding that is cleared: whether the part was seen to work again, and which readings it rested on have been
    found to lie since."""

    works: bool
    withdrawn: tuple[str, ...] = ()


class Evaluation(NamedTuple):
    """What one decision changed, each in the catalogue's order: parents first. `review` are findings that stand and
    whose evidence has changed and settled. `order` is all of them, as they came.
    """

    raised: dict[str, Raised]
    cleared: dict[str, Cleared]
    review: tuple[str, ...]
    order: tuple[str, ...]


class Timer:
    """Since when a condition has been true or false, how many scans by themselves said that it is true, and whether
    its parent has been holding it down."""

    __slots__ = ("clear_s", "false_s", "grace_s", "hold_s", "review_s", "row", "scans", "suppressed", "true_s")

    def __init__(self, row: FindingRow, settings: Settings) -> None:
        self.row = row
        # A pattern of ours has its times inside it: when it answers True, its condition has held.
        self.hold_s = 0.0 if row.pattern and row.counter is None else hold_s(row, settings)
        clear = limits.FINDINGS[row.name].clear_s
        self.clear_s = settings.limit(clear) if clear else 0.0
        self.grace_s = 0.0
        self.true_s: float | None = None
        self.false_s: float | None = None
        self.review_s = inf
        self.suppressed = False
        self.scans = 0

    def update(
        self, answer: Answer, since_s: float, now_s: float, *, said: Facts | None = None, suppressed: bool
    ) -> None:
        """Note the answer of this moment, which has been so since `since_s`, and count the scan by itself (None: it
        says what is believed): an odd one beside a change that is not yet believed makes a condition of two halves."""
        condition = self.row.condition
        says_so = bool(answer if said is None or condition is None else condition(said))
        self.scans = self.scans + says_so if answer or says_so else 0
        if answer:
            if self.true_s is None:
                self.true_s = since_s
            elif self.suppressed and not suppressed:
                self.true_s = now_s
            self.false_s = None
        else:
            self.true_s = None
            if answer is None:
                self.false_s = None
            elif self.false_s is None:
                self.false_s = since_s
        self.suppressed = suppressed

    def due(self, now_s: float) -> bool:
        """Return whether the finding is to be raised, if the scan bears it out."""
        held = self.true_s is not None and lasted(self.true_s, now_s, self.hold_s + self.grace_s)
        return held and not self.suppressed and (self.row.pattern or self.scans >= limits.CONFIRM_SCANS.value)

    def over(self, now_s: float) -> bool:
        """Return whether the finding is to be cleared, if the scan bears it out."""
        return self.false_s is not None and lasted(self.false_s, now_s, self.clear_s)

    def deadline(self, *, standing: bool) -> float:
        """When the answer to `due` or `over` may next change by time alone, s."""
        if standing:
            return min(self.review_s, inf if self.false_s is None else self.false_s + self.clear_s)
        return inf if self.true_s is None or self.suppressed else self.true_s + self.hold_s + self.grace_s


class FindingEvaluator:
    """All findings of one unit. `standing` names those that stand; `deadline_s` is when the next decision may be due by
    time alone, as of the last one."""

    def __init__(self, settings: Settings, standing: Iterable[str] = ()) -> None:
        self._timers = [Timer(row, settings) for row in CATALOGUE.values()]
        self._awake = self._timers
        self._evaluated: Facts | None = None
        self._odd = False
        self.deadline_s = inf
        self.standing = set(standing)

    def __repr__(self) -> str:
        return f"<FindingEvaluator of {len(self._timers)} findings, raised: {sorted(self.standing)}>"

    def evaluate(self, moment: Snapshot) -> Evaluation:
        """Decide on every finding at one moment."""
        raised: dict[str, Raised] = {}
        cleared: dict[str, Cleared] = {}
        review: list[str] = []
        order: list[str] = []
        # Every finding is asked where the facts are new, or this scan or the one before said something else than is
        # believed. Else nothing has moved for those that are not awake.
        odd = moment.said is not None
        whole = odd or self._odd or moment.facts is not self._evaluated
        self._odd, self._evaluated = odd, moment.facts
        for timer in self._timers if whole else self._awake:
            row = timer.row
            answer = moment.counted[row.name] if row.condition is None else row.condition(moment.facts)
            stands = row.name in self.standing
            withdrawn = moment.withdrawn(row) if stands and answer is None else ()
            if withdrawn:
                answer = False
            if not (whole or answer or timer.true_s is not None or stands):
                continue
            timer.grace_s = moment.grace_s.get(row.name, 0.0)
            suppressed = not self.standing.isdisjoint(row.parents)
            timer.update(answer, moment.changed_s, moment.now_s, said=moment.said, suppressed=suppressed)
            # This scan says what is believed, of all that the finding needs.
            bears_out = moment.unsettled.isdisjoint(row.needs)
            if row.steady and answer and not bears_out:
                timer.true_s = moment.now_s
            if not stands:
                held_back = moment.undecided and not row.pattern
                if not held_back and timer.due(moment.now_s) and bears_out:
                    # What this very scan says otherwise is heard again when it is believed, or was odd.
                    again = bool(moment.doubted) and not row.pattern
                    timer.review_s = moment.now_s + limits.REVISE_S.value if again else inf
                    self.standing.add(row.name)
                    raised[row.name] = Raised(row, moment.now_s if timer.true_s is None else timer.true_s)
                    order.append(row.name)
            elif timer.over(moment.now_s) and bears_out:
                self.standing.discard(row.name)
                works = bool(row.works is not None and row.works(moment.facts))
                cleared[row.name] = Cleared(works, withdrawn)
                order.append(row.name)
            elif answer:
                if moment.new_readings and not row.pattern:
                    timer.review_s = moment.now_s + limits.REVISE_S.value
                if lasted(timer.review_s, moment.now_s, 0.0) and bears_out:
                    timer.review_s = inf
                    review.append(row.name)
                    order.append(row.name)
        if whole or order:
            # The same facts may yet raise one whose condition is true, and a pattern; one that stands is always asked.
            self._awake = [
                timer
                for timer in self._timers
                if timer.true_s is not None or timer.row.pattern or timer.row.name in self.standing
            ]
        self.deadline_s = min(
            (timer.deadline(standing=timer.row.name in self.standing) for timer in self._awake), default=inf
        )
        return Evaluation(raised, cleared, tuple(review), tuple(order))
