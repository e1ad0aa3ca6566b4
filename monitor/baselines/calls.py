"""When this unit is overdue for a call: a learned model of its own calls against outdoor temperature and hour.

Theory. A thermostat calls when heat has come into the house, so the share of each hour that a unit is called rises with
the temperature outdoors, in a way of its own for each part of the day (sun, people, setbacks). It is learned as a
dynamic binomial regression with a logit link (M. West, P. J. Harrison, H. S. Migon, Dynamic generalized linear models
and Bayesian forecasting, J. Am. Stat. Assoc. 80 (1985) 73-83), followed hour by hour with an extended Kalman filter (L.
Fahrmeir, Posterior mode estimation by extended Kalman filtering, J. Am. Stat. Assoc. 87 (1992) 501-509). The share of
an hour counts as a few trials (fractional response: L. E. Papke, J. M. Wooldridge, J. Appl. Econometrics 11 (1996)
619-632). Its terms are a level that may wander from day to day (set points are moved), the temperature now, that of the
last day beside it (a house is slow), and one for each stretch of the day. It begins at a prior of the common house,
says how sure it is, and forgets by halves over weeks; what it says is used less its own uncertainty, so that a unit
that is hardly known is not soon overdue.

A silence is the time since the last call. The shares of its hours, summed, are the run time that is *owed*: a cumulated
hazard, by which silences in different weather become comparable (time rescaling: F. Papangelou, Trans. Am. Math. Soc.
165 (1972) 483-506). Each share is that of a day on which sun and people bring about half of the usual heat: what a day
brings it brings to all of its hours, so that their sum is no surer than one of them. What is owed fades as fast as a
house gives its heat back to cooler nights: a fortnight of weather in which now and then a call might have come is no
fault. A unit is overdue when it owes more than

- chance, the sun and a set point moved by a degree or two explain (`owed_h`, found on simulated house-years); doubled
  for a unit whose habits are not known yet, and more for a silence of many days, as the end of a summer brings;
- some of its own calls: one that runs for hours at each call, as a variable-speed unit does, has missed none yet when
  it owes an hour, but where it runs all day three calls would be too many (`missed_most_h`); and
- its own habits: well more than the most it has owed in any silence of the last months that ended by itself. Setbacks,
  weekends away and windows opened on mild days are in there.

Silences that were told as overdue teach no habit: a fault must not become one. Whether it was one shows in how calls
come back. A house that grew warmer than its people wanted has its heat carried out again, and runs for hours without a
rest; where a set point had been raised, it has grown as warm as they wanted, and calls less than it is used to. Only
then, with no more run in the next hours than usual, does the silence teach: its hours are learned, and for as long as
a trip lasts the next one must owe more. A person's word that it was switched off or set warmer counts until the next
summer, but never for so much that an open switch would wait for more than half a hot day. Where the call came by itself
within hours, sooner than a repair, the next one must owe a little more. Where the unit has not been called for many
days anyway, it is out of season, and nothing is said: somebody switches it on when it is needed.

A unit that does not cool teaches nothing either: it is called far more than it will be once it is repaired.
"""

from __future__ import annotations

from math import exp, sqrt
from typing import Annotated, Any, NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.load_state import MemoryPart, MonotonicTime, Saved

_B = limits.CALLS
HOUR_S, DAY_S = 3600.0, 86400.0
_STRETCHES = round(DAY_S / (_B.stretch_h.value * HOUR_S))
_BEFORE = 3  # terms before those of the stretches: level, temperature, that of the last day
_SLOPE_K = 5.0  # slopes are a step of this many degrees
_PRIOR_MEAN = (_B.prior_level.value, _B.prior_slope.value, _B.prior_last_day.value, *([0.0] * _STRETCHES))
_PRIOR_SPREAD = (
    *(_B.level_spread.value, _B.slope_spread.value, _B.last_day_spread.value),
    *([_B.stretch_spread.value] * _STRETCHES),
)
_EACH = msgspec.Meta(min_length=len(_PRIOR_MEAN), max_length=len(_PRIOR_MEAN))
OfEachTerm = Annotated[list[float], _EACH]
Terms = tuple[tuple[int, float], ...]  # what is not zero in a row of the regression: place, value


class Belief(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What is believed of the terms: their means and covariances, in logits (of a share of an hour) a unit of each."""

    mean: OfEachTerm
    covariance: Annotated[list[OfEachTerm], _EACH]

    @classmethod
    def prior(cls) -> Belief:
        """Return what is believed of a unit of which nothing is known."""
        places = range(len(_PRIOR_MEAN))
        return cls(
            mean=list(_PRIOR_MEAN),
            covariance=[[_PRIOR_SPREAD[row] ** 2 * (row == column) for column in places] for row in places],
        )

    def copy(self) -> Belief:
        """Return one that can be taught without teaching this one."""
        return Belief(mean=list(self.mean), covariance=[list(row) for row in self.covariance])

    def likely(self, terms: Terms) -> float:
        """Return the share of an hour called that is the likeliest."""
        return _logistic(sum(self.mean[place] * value for place, value in terms))

    def share(self, terms: Terms) -> float:
        """Return the share of an hour called, as far as it is certain: of what is learned, and of the day."""
        logit = sum(self.mean[place] * value for place, value in terms)
        variance = max(sum(a * b * self.covariance[i][j] for i, a in terms for j, b in terms), 0.0)
        return _logistic(logit - _B.caution.value * sqrt(variance + _B.day_spread.value**2))

    def learn(self, terms: Terms, share: float, hours: float) -> None:
        """Learn from `hours` of which a share was called."""
        known = self.likely(terms)
        slope = max(known * (1.0 - known), 1e-3)
        with_terms = [sum(row[place] * value for place, value in terms) for row in self.covariance]
        total = sum(with_terms[place] * value for place, value in terms) + 1.0 / (_B.trials_per_h.value * hours * slope)
        error = min(max((share - known) / slope, -_B.surprise_most.value), _B.surprise_most.value)
        gains = [value / total for value in with_terms]
        for place, gain in enumerate(gains):
            self.mean[place] += gain * error
            row = self.covariance[place]
            for other, value in enumerate(with_terms):
                row[other] -= gain * value

    def fade(self, days: float) -> None:
        """Let days pass: what is known becomes less certain, at most as uncertain as nothing known."""
        grown = 2.0 ** (days / _B.half_life_days.value)
        shares = [
            min(sqrt(grown), spread / sqrt(max(row[place], 1e-12)))
            for place, (row, spread) in enumerate(zip(self.covariance, _PRIOR_SPREAD, strict=True))
        ]
        for row, one in zip(self.covariance, shares, strict=True):
            row[:] = [value * one * other for value, other in zip(row, shares, strict=True)]
        self.covariance[0][0] += days * _B.level_walk.value**2
        # What rounding leaves unlike on both sides of the diagonal no hour corrects, and it would grow by halves too.
        for place, row in enumerate(self.covariance):
            for other in range(place):
                row[other] = self.covariance[other][place] = (row[other] + self.covariance[other][place]) / 2.0

    def turn(self, steps: int) -> None:
        """Move the terms of the stretches `steps` later in the day."""
        order = [*range(_BEFORE), *(_BEFORE + (place - steps) % _STRETCHES for place in range(_STRETCHES))]
        self.mean = [self.mean[place] for place in order]
        self.covariance = [[self.covariance[row][column] for column in order] for row in order]


def _logistic(logit: float) -> float:
    return 1.0 / (1.0 + exp(-min(max(logit, -50.0), 50.0)))


class HourSoFar(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What was watched since the model last learned: hours, of them called, and degrees times hours."""

    watched_h: float = 0.0
    called_h: float = 0.0
    degree_h: float = 0.0


class Silence(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """The time since the last call. `owed_h` is the run time owed; `taught` what would be believed if it ends by
    itself. `overdue` stays until the next call, or a person's word (`excused`)."""

    since_x: float
    owed_h: float = 0.0
    most_h: float = 0.0
    taught: Belief | None = None
    overdue: bool = False
    overdue_x: float | None = None
    excused: bool = False


class Return(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """How calls came back after a silence that was told: hours watched since, of them called, and what they are called
    as a rule. `most_h` and `taught` are the silence's: what it owed, and what would be believed if it taught."""

    most_h: float
    taught: Belief
    watched_h: float = 0.0
    called_h: float = 0.0
    usual_h: float = 0.0


class CallsMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """All that is kept of a unit's calls. `most_h` has, by day, the most that was owed in a silence that ended by
    itself. `call_h` is how long the present call has lasted, or the last one did, `mean_call_h` how long one lasts.
    `explained_h` has the same of silences that were told and ended as no fault does, `word_h` of those that a person
    explained. `clock_s` is the time of day at x = 0, as far as it is known; `felt` whether it was ever known how warm
    it is."""

    belief: Belief = msgspec.field(default_factory=Belief.prior)
    hour: HourSoFar = msgspec.field(default_factory=HourSoFar)
    calls: int = 0
    days: int = 0
    day: int = -1
    last_day_c: float | None = None
    felt: bool = False
    clock_s: float = 0.0
    most_h: dict[int, float] = {}
    call_h: float = 0.0
    mean_call_h: float = 0.0
    silence: Silence | None = None
    back: Return | None = None
    explained_h: dict[int, float] = {}
    word_h: dict[int, float] = {}
    timeline: Saved = Saved()


def _taught(kept: CallsMemory) -> tuple[Belief, ...]:
    in_silence = None if kept.silence is None else kept.silence.taught
    return tuple(one for one in (in_silence, None if kept.back is None else kept.back.taught) if one is not None)


def _from_version_1(found: dict[str, Any]) -> dict[str, Any]:
    """Keep the clock of a memory that held a table of hours; its calls are learned again."""
    return {name: found[name] for name in ("clock_s", "timeline", "last_day_c") if name in found}


CALLS_MEMORY = MemoryPart(
    "calls",
    2,
    CallsMemory,
    what="calls",
    then="learning begins afresh",
    upgrades={1: _from_version_1},
)


def _must_owe(by_day: dict[int, float], day: int, owed_h: float) -> None:
    """Keep what a silence owed that was no fault: the next ones must owe more."""
    by_day[day] = max(by_day.get(day, 0.0), owed_h)


def _younger(by_day: dict[int, float], than_day: float) -> dict[int, float]:
    return {day: owed_h for day, owed_h in by_day.items() if day > than_day}


class Owed(NamedTuple):
    """What a silence owes, and what would be overdue: hours of run."""

    silent_h: float
    owed_h: float
    limit_h: float


class Calls:
    """Learns how a unit is called, and says when it is overdue. `memory` is what `kept` of an earlier one held.

    `learned`: there is enough to judge by. `in_season`: the model speaks at all: learned, and called within the last
    days. `overdue`: this unit should have been called; None while it is not known well enough, or out of season.
    """

    def __init__(self, settings: Settings, memory: CallsMemory | None = None) -> None:
        self.kept = memory or CallsMemory()
        self._heats = settings.unit.heat_pump
        self._from_c = limits.BASELINES.heat_pump_from_c.value if self._heats else _B.from_c.value
        self._owed_h = settings.limit(limits.OVERDUE_CALL.owed_h)
        self._line = MonotonicTime(None if memory is None else memory.timeline)
        self._last_x: float | None = None if memory is None else memory.timeline.x_s
        self._lately_c: tuple[float | None, float | None] = (None, None)
        self._shares: dict[tuple[int, int | None], float] = {}
        self.learned = self.in_season = False
        self.overdue: bool | None = None
        self._judge()

    # ------------------------------------------------------------ in

    def update(
        self, t_s: float, *, wall_s: float | None, call: bool | None, outdoor_c: float | None, teaches: bool = True
    ) -> None:
        """Add the time since the last update: whether the unit is called, and the temperature outdoors. None: not
        known, or of no matter because the unit could not have been called. Without `teaches` nothing is learned of
        it: a unit that hardly cools is called far more than it will be once it is repaired."""
        self._line.advance(t_s, wall_s)
        self.kept.timeline = self._line.save()
        x_s = self._line.now_x
        last_x, self._last_x = self._last_x, x_s
        self._set_clock(x_s, wall_s)
        self._lately_c = self._lately_c[1], outdoor_c
        day = int((x_s + self.kept.clock_s) // DAY_S)
        if day != self.kept.day:
            self._begin_day(day)
        self._judge()
        held_s = 0.0 if last_x is None else x_s - last_x
        if call is None or held_s > _B.gap_s.value:
            self._forget_silence(x_s)
        else:
            if outdoor_c is not None or not (self.kept.felt or self._heats):
                self._pass(x_s, held_s / HOUR_S, call, outdoor_c, teaches)
            if call:
                self._end_silence()
                self.kept.call_h += held_s / HOUR_S * teaches
            elif self.kept.silence is None:
                self._end_call()
                self.kept.silence = Silence(since_x=x_s)
        self._judge()

    def excuse(self) -> None:
        """A person says that the unit was not to be called: nothing is overdue until the next call."""
        if self.kept.silence is not None:
            _must_owe(self.kept.word_h, self.kept.day, min(self.kept.silence.most_h, _B.word_most_h.value))
            self.kept.silence.overdue, self.kept.silence.excused = False, True
            self._judge()

    # ------------------------------------------------------------ answers

    @property
    def excused(self) -> bool:
        """Whether a person says that the present silence is meant."""
        return self.kept.silence is not None and self.kept.silence.excused

    @property
    def outdoor_c(self) -> float | None:
        """The outdoor temperature that the last two updates bear out."""
        known = [celsius for celsius in self._lately_c if celsius is not None]
        return min(known, default=None)

    def owed(self) -> Owed | None:
        """What the present silence owes; None while there is none."""
        silence = self.kept.silence
        if silence is None or self._last_x is None:
            return None
        silent_h = (self._last_x - silence.since_x) / HOUR_S
        unsure = 1.0 + 0.5 ** (self.kept.days / _B.habits_known_days.value)
        if not self.kept.felt:
            unsure *= _B.unfelt_ratio.value
        habit_h = _B.habit_ratio.value * max(self.kept.most_h.values(), default=0.0)
        missed_h = min(_B.missed_calls.value * self.kept.mean_call_h, _B.missed_most_h.value)
        explained = (*self.kept.explained_h.values(), *self.kept.word_h.values())
        explained_h = _B.explained_ratio.value * max(explained, default=0.0)
        limit_h = max(unsure * self._owed_h, missed_h, habit_h, explained_h) * max(silent_h / _B.spell_h.value, 1.0)
        return Owed(silent_h=silent_h, owed_h=silence.owed_h, limit_h=limit_h)

    # ------------------------------------------------------------ inside

    def _judge(self) -> None:
        """Say what is known by now."""
        kept, silence = self.kept, self.kept.silence
        self.learned = kept.days >= _B.days.value and kept.calls >= _B.calls.value
        if silence is None:
            self.in_season, self.overdue = self.learned, False if self.learned else None
            return
        recent = self._last_x is None or self._last_x - silence.since_x <= _B.season_s.value
        self.in_season = self.learned and (recent or silence.overdue)
        if silence.overdue:
            self.overdue = True
        else:
            self.overdue = False if self.in_season or silence.excused else None

    def _set_clock(self, x_s: float, wall_s: float | None) -> None:
        """Keep the time of day; where it becomes known only now, or jumps by hours, what was learned moves along."""
        if wall_s is None:
            return
        kept = self.kept
        clock_s = (wall_s - x_s) % DAY_S
        moved_s = (clock_s - kept.clock_s + DAY_S / 2) % DAY_S - DAY_S / 2
        steps = round(moved_s / (_B.stretch_h.value * HOUR_S))
        if steps:
            for belief in (kept.belief, *_taught(kept)):
                belief.turn(steps)
            self._shares.clear()
        if steps or not kept.calls:
            kept.clock_s = clock_s

    def _begin_day(self, day: int) -> None:
        kept = self.kept
        if kept.day >= 0:
            kept.days += 1
            passed = max(day - kept.day, 1)
            for belief in (kept.belief, *_taught(kept)):
                belief.fade(passed)
            self._shares.clear()
        kept.day = day
        kept.most_h = _younger(kept.most_h, day - _B.habit_days.value)
        kept.explained_h = _younger(kept.explained_h, day - _B.explained_days.value)
        kept.word_h = _younger(kept.word_h, day - _B.word_days.value)

    def _pass(self, x_s: float, hours: float, call: bool, outdoor_c: float | None, teaches: bool) -> None:
        kept, silence = self.kept, self.kept.silence
        if outdoor_c is not None:
            if not kept.felt:
                kept.felt, kept.hour = True, HourSoFar()
            if kept.last_day_c is None:
                kept.last_day_c = outdoor_c
            kept.last_day_c += (outdoor_c - kept.last_day_c) * (1.0 - exp(-hours / 24.0))
        cold = outdoor_c is not None and outdoor_c < self._from_c
        if cold or (silence is not None and silence.excused and not call) or (self.learned and not self.in_season):
            kept.hour = HourSoFar()
            return
        if kept.back is not None:
            self._watch_return(kept.back, x_s, hours, call, outdoor_c)
        if teaches:
            self._watch(x_s, hours, call, outdoor_c)
        else:
            kept.hour = HourSoFar()
        if silence is not None and not call:
            silence.owed_h = silence.owed_h * exp(-hours / _B.fade_h.value) + hours * self._share(x_s, outdoor_c)
            silence.most_h = max(silence.most_h, silence.owed_h)
            owed = self.owed()
            if self.learned and not silence.overdue and owed is not None and owed.owed_h >= owed.limit_h:
                silence.overdue, silence.overdue_x = True, x_s

    def _watch(self, x_s: float, hours: float, call: bool, outdoor_c: float | None) -> None:
        """Add to the hour that passes, and learn it when it is over."""
        hour = self.kept.hour
        hour.watched_h += hours
        hour.called_h += hours * call
        hour.degree_h += hours * (outdoor_c or 0.0)
        if hour.watched_h >= 1.0:
            self._learn(x_s)

    def _watch_return(self, back: Return, x_s: float, hours: float, call: bool, outdoor_c: float | None) -> None:
        """Follow how calls come back. Where no run is made up, none was missed: the silence was no fault, and it
        teaches."""
        kept = self.kept
        back.watched_h += hours
        back.called_h += hours * call
        back.usual_h += hours * kept.belief.likely(self._terms(self._stretch(x_s), outdoor_c))
        if back.watched_h < _B.return_h.value:
            return
        kept.back = None
        if back.called_h < back.usual_h:
            _must_owe(kept.explained_h, kept.day, back.most_h)
            kept.belief = back.taught
            if kept.silence is not None:
                kept.silence.taught = None  # its hours are in what is believed now
            self._shares.clear()

    def _share(self, x_s: float, outdoor_c: float | None) -> float:
        """Return the share of an hour that this unit is called, at this time of day and to the nearest degree."""
        degree = None if outdoor_c is None else round(outdoor_c)
        key = self._stretch(x_s), degree
        if key not in self._shares:
            self._shares[key] = self.kept.belief.share(self._terms(key[0], degree))
        return self._shares[key]

    def _stretch(self, x_s: float) -> int:
        return int((x_s + self.kept.clock_s) % DAY_S // (_B.stretch_h.value * HOUR_S))

    def _terms(self, stretch: int, outdoor_c: float | None) -> Terms:
        of_day = ((0, 1.0), (_BEFORE + stretch, 1.0))
        if outdoor_c is None or self.kept.last_day_c is None:
            return of_day
        warmer_k = outdoor_c - _B.level_c.value
        return (*of_day, (1, warmer_k / _SLOPE_K), (2, (self.kept.last_day_c - outdoor_c) / _SLOPE_K))

    def _learn(self, x_s: float) -> None:
        """Learn the hour that has passed: for good where it held a call, else in case that the silence ends."""
        kept, hour = self.kept, self.kept.hour
        outdoor_c = hour.degree_h / hour.watched_h if kept.felt else None
        terms = self._terms(self._stretch(x_s - HOUR_S / 2.0), outdoor_c)
        believed = kept.belief
        if not hour.called_h and kept.silence is not None:
            believed = kept.silence.taught = kept.silence.taught or believed.copy()
        known = (believed,) if kept.back is None else (believed, kept.back.taught)
        for one in known:
            one.learn(terms, hour.called_h / hour.watched_h, hour.watched_h)
        kept.hour = HourSoFar()
        self._shares.clear()

    def _end_call(self) -> None:
        """Learn how long a call lasts."""
        kept = self.kept
        if kept.call_h > 0.0:
            kept.mean_call_h += (kept.call_h - kept.mean_call_h) / min(max(kept.calls, 1), _B.call_memory.value)

    def _end_silence(self) -> None:
        kept, silence = self.kept, self.kept.silence
        if silence is None:
            return
        kept.call_h = 0.0
        kept.silence = None
        kept.calls += 1
        self._judge()
        if silence.overdue and silence.overdue_x is not None and self._last_x is not None:
            kept.back = Return(most_h=silence.most_h, taught=silence.taught or kept.belief.copy())
            if self._last_x - silence.overdue_x < _B.repair_s.value:
                # next time it takes a little more than this once
                _must_owe(kept.most_h, kept.day, silence.most_h / _B.habit_ratio.value)
            return
        if silence.overdue or silence.excused:
            return
        if silence.taught is not None:
            kept.belief = silence.taught
            self._shares.clear()
        if self.learned:
            _must_owe(kept.most_h, kept.day, silence.most_h)

    def _forget_silence(self, x_s: float) -> None:
        """Nobody knows whether the unit was called: begin to count again. What is overdue stays so until a call."""
        silence = self.kept.silence
        self.kept.hour = HourSoFar()
        self.kept.back = None
        self.kept.call_h = 0.0  # what of a call was not watched makes it no shorter one
        if silence is not None and not silence.overdue:
            self.kept.silence = Silence(since_x=x_s, excused=silence.excused)
