"""When this unit is overdue for a call: a learned model of its own calls against outdoor temperature and hour.

Theory. A thermostat calls when heat has come into the house, so the share of each hour that a unit is called rises with
the temperature outdoors, in a way of its own for each part of the day (sun, people, setbacks). It is learned as a
dynamic binomial regression with a logit link (M. West, P. J. Harrison, H. S. Migon, Dynamic generalized linear models
and Bayesian forecasting, J. Am. Stat. Assoc. 80 (1985) 73-83), followed hour by hour with an extended Kalman filter (L.
Fahrmeir, Posterior mode estimation by extended Kalman filtering, J. Am. Stat. Assoc. 87 (1992) 501-509). The share of
an hour counts as a few trials (fractional response: L. E. Papke, J. M. Wooldridge, J. Appl. Econometrics 11 (1996)
619-632). Its terms are a level that may wander from day to day (set points are moved), the temperature now, that of the
last day beside it (a house is slow), one for each stretch of the day, one more for each of them by which workdays
differ from weekends, and one for what each day brings anew: sun, guests, windows, a drive that runs slower and longer.
That one is a first-order autoregression (M. West, J. Harrison, Bayesian Forecasting and Dynamic Models, Springer 1997):
the last hours say of the next ones how this day is, and nothing of the next week. It begins at a prior of the common
house, says how sure it is, and forgets by halves over weeks; what it says is used less its own uncertainty, so that a
unit that is hardly known is not soon overdue, and one that has run within the last hours as it should, sooner.

A silence is the time since the last call. The shares of its hours, summed, are the run time that is *owed*: a cumulated
hazard, by which silences in different weather become comparable (time rescaling: F. Papangelou, Trans. Am. Math. Soc.
165 (1972) 483-506). Each share is that of a day on which sun and people bring about half of the usual heat, as far as
the last hours have not shown what this day brings: it brings that to all of its hours, so that their sum is no surer
than one of them. A run that stored far more cold than a swing of the thermostat, as one stuck on does, is paid off
first, and its hours teach nothing. What is owed fades as fast as a house gives its heat back to cooler nights: a
fortnight of weather in which now and then a call might have come is no fault. A unit is overdue when it owes more than

- chance, the sun and a set point moved by a degree or two explain (`owed_h`, found on simulated house-years); doubled
  for a unit whose habits are not known yet, and more for a silence of many days, as the end of a summer brings;
- some swings of its thermostat. What a call stores, the run beyond what the weather asked for meanwhile, is the cold of
  one swing in hours of this unit's own run: few minutes where it is strong, half an hour where a slow speed meets the
  load. A kelvin of set point is as many hours more (`missed_swings`), within bounds (`missed_most_h`); and
- its own habits: twice the most it has owed in any silence of the last months that began about the same time of day and
  ended by itself. Setbacks, days away and windows opened on mild evenings are in there; who leaves the house at nine
  says nothing of a silence that begins at night, once some weeks have shown the hours of a household.

Silences that were told as overdue teach no habit: a fault must not become one. Whether it was one shows in how calls
come back. A house that grew warmer than its people wanted has its heat carried out again, and runs for hours without a
rest; where a set point had been raised, it has grown as warm as they wanted, and calls less than it is used to. Only
then, with no more run in the next hours than usual, does the silence teach: its hours are learned, and for as long as a
trip lasts the next one must owe more. A person's word that it was switched off or set warmer counts until the next
summer, but never for so much that an open switch would wait for more than half a hot day. Where the call came by itself
within hours, sooner than a repair, the next one must owe a little more; where it does so a second time, that is a
habit. Where the unit has not been called for many days anyway, it is out of season, and nothing is said: somebody
switches it on when it is needed.

A unit that does not cool teaches nothing either: it is called far more than it will be once it is repaired.
"""

from __future__ import annotations

from math import exp, sqrt
from typing import Annotated, Any, NamedTuple, TypeVar

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.load_state import MemoryPart, MonotonicTime, Saved

_B = limits.CALLS
_T = TypeVar("_T")
HOUR_S, DAY_S = 3600.0, 86400.0
_STRETCHES = round(DAY_S / (_B.stretch_h.value * HOUR_S))
WEEK_S, _WEEKEND = 7.0 * DAY_S, (2, 3)  # 1970 began on a Thursday
_DAY = 3  # the term that every day has anew
_BEFORE = 4  # terms before those of the stretches: level, temperature, that of the last day, the day
_WORKDAYS = _BEFORE + _STRETCHES  # those by which workdays differ, and by how much of each either kind of day does
_OF_WORKDAY, _OF_WEEKEND = 2.0 / 7.0, -5.0 / 7.0
_SLOPE_K = 5.0  # slopes are a step of this many degrees
_PRIOR_MEAN = (_B.prior_level.value, _B.prior_slope.value, _B.prior_last_day.value, *([0.0] * (1 + 2 * _STRETCHES)))
_PRIOR_SPREAD = (
    *(_B.level_spread.value, _B.slope_spread.value, _B.last_day_spread.value, _B.day_spread.value),
    *([_B.stretch_spread.value] * _STRETCHES),
    *([_B.workday_spread.value] * _STRETCHES),
)
_EACH = msgspec.Meta(min_length=len(_PRIOR_MEAN), max_length=len(_PRIOR_MEAN))
OfEachTerm = Annotated[list[float], _EACH]
_When = tuple[int, float, int | None]  # stretch of the day, how much of a workday, to the nearest degree outdoors
Terms = tuple[tuple[int, float], ...]  # what is not zero in a row of the regression: place, value


class Belief(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What is believed of the terms: their means and covariances, in logits (of a share of an hour) a unit of each.
    Of the covariance, which is symmetric, the rows are kept up to the diagonal."""

    mean: OfEachTerm
    covariance: Annotated[list[list[float]], _EACH]

    def __post_init__(self) -> None:
        """Raise ValueError for a covariance of another shape."""
        if any(len(row) != place + 1 for place, row in enumerate(self.covariance)):
            raise ValueError("covariance: got rows of other lengths; allowed: one number more in each")

    @classmethod
    def prior(cls) -> Belief:
        """Return what is believed of a unit of which nothing is known."""
        return cls(
            mean=list(_PRIOR_MEAN),
            covariance=[[*[0.0] * place, spread**2] for place, spread in enumerate(_PRIOR_SPREAD)],
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
        rows = self.covariance
        variance = sum(a * b * rows[i][j] * (1.0 if i == j else 2.0) for i, a in terms for j, b in terms if j <= i)
        return _logistic(logit - _B.caution.value * sqrt(max(variance, 0.0)))

    def learn(self, terms: Terms, share: float, trials: float) -> None:
        """Learn from the share that was called of some time, which counts as so many trials."""
        known, rows = self.likely(terms), self.covariance
        slope = max(known * (1.0 - known), 1e-3)
        with_terms = [
            sum((row[place] if place <= at else rows[place][at]) * value for place, value in terms)
            for at, row in enumerate(rows)
        ]
        total = sum(with_terms[place] * value for place, value in terms) + 1.0 / (trials * slope)
        error = min(max((share - known) / slope, -_B.surprise_most.value), _B.surprise_most.value)
        for place, row in enumerate(rows):
            gain = with_terms[place] / total
            self.mean[place] += gain * error
            for other in range(place + 1):
                row[other] -= gain * with_terms[other]

    def age(self, hours: float) -> None:
        """Let hours pass, by which what is known of this day says less of the next ones."""
        kept = exp(-hours / _B.day_h.value)
        self.mean[_DAY] *= kept
        row = self.covariance[_DAY]
        row[:] = [value * kept for value in row]
        for later in self.covariance[_DAY + 1 :]:
            later[_DAY] *= kept
        row[_DAY] = row[_DAY] * kept + (1.0 - kept**2) * _B.day_spread.value**2

    def fade(self, days: float) -> None:
        """Let days pass: what is known becomes less certain, at most as uncertain as nothing known."""
        grown = 2.0 ** (days / _B.half_life_days.value)
        shares = [
            min(sqrt(grown), spread / sqrt(max(row[place], 1e-12)))
            for place, (row, spread) in enumerate(zip(self.covariance, _PRIOR_SPREAD, strict=True))
        ]
        shares[_DAY] = 1.0  # `age` sees to it
        for row, one in zip(self.covariance, shares, strict=True):
            row[:] = [value * one * other for value, other in zip(row, shares, strict=False)]
        self.covariance[0][0] += days * _B.level_walk.value**2

    def turn(self, steps: int) -> None:
        """Move the terms of the stretches `steps` later in the day."""
        turned = [(place - steps) % _STRETCHES for place in range(_STRETCHES)]
        order = [*range(_BEFORE), *(_BEFORE + place for place in turned), *(_WORKDAYS + place for place in turned)]
        self.mean = [self.mean[place] for place in order]
        rows = self.covariance
        self.covariance = [
            [rows[max(row, column)][min(row, column)] for column in order[: place + 1]]
            for place, row in enumerate(order)
        ]


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
    """All that is kept of a unit's calls. `most_h` has, by day and by the stretch of it in which the silence began, the
    most that was owed in one that ended by itself, and `told_day` is the last day on which one that was told did.
    `stored_h` is what the present call stores, or the last one did, in hours of run, `mean_stored_h` what one stores as
    a rule. `aged_x` is when the day's term was brought up last, `week_s` the time of the week at x = 0.
    `explained_h` has by day what was owed in silences that were told and ended as no fault does, `word_h` of those that
    a person explained. `clock_s` is the time of day at x = 0, as far as it is known; `felt` whether it was ever known
    how warm it is."""

    belief: Belief = msgspec.field(default_factory=Belief.prior)
    hour: HourSoFar = msgspec.field(default_factory=HourSoFar)
    calls: int = 0
    days: int = 0
    day: int = -1
    last_day_c: float | None = None
    felt: bool = False
    clock_s: float = 0.0
    most_h: dict[int, dict[int, float]] = {}
    told_day: int | None = None
    stored_h: float = 0.0
    mean_stored_h: float = 0.0
    aged_x: float = 0.0
    week_s: float | None = None
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


def _from_version_2(found: dict[str, Any]) -> dict[str, Any]:
    """Give what was believed the terms of the day and of workdays, of which nothing is known yet."""
    known = [row for row in range(len(_PRIOR_MEAN)) if row != _DAY and row < _WORKDAYS]

    def widened(old: dict[str, Any] | None) -> dict[str, Any] | None:
        if old is None:
            return None
        mean, covariance = list(_PRIOR_MEAN), Belief.prior().covariance
        for place, row in enumerate(known):
            mean[row] = old["mean"][place]
            for other, column in enumerate(known[: place + 1]):
                covariance[row][column] = old["covariance"][place][other]
        return {"mean": mean, "covariance": covariance}

    kept = {name: value for name, value in found.items() if name not in ("call_h", "mean_call_h")}
    if "belief" in kept:
        kept["belief"] = widened(kept["belief"])
    for name in ("silence", "back"):
        if kept.get(name):
            kept[name] = kept[name] | {"taught": widened(kept[name]["taught"])}
    return kept


def _from_version_3(found: dict[str, Any]) -> dict[str, Any]:
    """Nobody knows when the silences of its habits began: they may have at any time of day."""
    most_h = found.get("most_h", {})
    return found | {"most_h": {day: dict.fromkeys(range(_STRETCHES), owed_h) for day, owed_h in most_h.items()}}


CALLS_MEMORY = MemoryPart(
    "calls",
    4,
    CallsMemory,
    what="calls",
    then="learning begins afresh",
    upgrades={1: _from_version_1, 2: _from_version_2, 3: _from_version_3},
)


def _must_owe(most_h: dict[int, float], when: int, owed_h: float) -> None:
    """Keep what a silence owed that was no fault: the next ones must owe more."""
    most_h[when] = max(most_h.get(when, 0.0), owed_h)


def _younger(by_day: dict[int, _T], than_day: float) -> dict[int, _T]:
    return {day: owed for day, owed in by_day.items() if day > than_day}


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
        self._shares: dict[_When, float] = {}
        self._likeliest: dict[_When, float] = {}
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
            counts = outdoor_c is not None or not (self.kept.felt or self._heats)
            if counts:
                self._pass(x_s, held_s / HOUR_S, call, outdoor_c, teaches)
            if call:
                self._end_silence()
                if teaches and counts and not self._cold(outdoor_c):
                    self.kept.stored_h += held_s / HOUR_S * (1.0 - self._likely(x_s, outdoor_c))
            elif self.kept.silence is None:
                self.kept.silence = Silence(since_x=x_s, owed_h=-self._end_call())
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
        habit_h = _B.habit_ratio.value * self._habit_h(silence.since_x)
        explained = (*self.kept.explained_h.values(), *self.kept.word_h.values())
        explained_h = _B.explained_ratio.value * max(explained, default=0.0)
        most_h = max(unsure * self._owed_h, self._swings_h(), habit_h, explained_h)
        limit_h = most_h * max(silent_h / _B.spell_h.value, 1.0)
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
        kept.week_s = (wall_s - x_s) % WEEK_S
        clock_s = kept.week_s % DAY_S
        moved_s = (clock_s - kept.clock_s + DAY_S / 2) % DAY_S - DAY_S / 2
        steps = round(moved_s / (_B.stretch_h.value * HOUR_S))
        if steps:
            for belief in (kept.belief, *_taught(kept)):
                belief.turn(steps)
            kept.most_h = {
                day: {(began + steps) % _STRETCHES: owed_h for began, owed_h in of_day.items()}
                for day, of_day in kept.most_h.items()
            }
            self._forget_shares()
        if steps or not kept.calls:
            kept.clock_s = clock_s

    def _begin_day(self, day: int) -> None:
        kept = self.kept
        if kept.day >= 0:
            kept.days += 1
            passed = max(day - kept.day, 1)
            for belief in (kept.belief, *_taught(kept)):
                belief.fade(passed)
            self._forget_shares()
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
        if (
            self._cold(outdoor_c)
            or (silence is not None and silence.excused and not call)
            or (self.learned and not self.in_season)
        ):
            kept.hour = HourSoFar()
            return
        if kept.back is not None:
            self._watch_return(kept.back, x_s, hours, call, outdoor_c)
        if x_s - kept.aged_x >= HOUR_S:
            for belief in (kept.belief, *_taught(kept)):
                belief.age((x_s - kept.aged_x) / HOUR_S)
            kept.aged_x = x_s
            self._forget_shares()
        if teaches and not (call and kept.stored_h > _B.overcooled_h.value):
            self._watch(x_s, hours, call, outdoor_c)
        else:
            kept.hour = HourSoFar()
        if silence is not None and not call:
            silence.owed_h = silence.owed_h * exp(-hours / _B.fade_h.value) + hours * self._share(x_s, outdoor_c)
            silence.most_h = max(silence.most_h, silence.owed_h)
            owed = self.owed()
            if self.learned and not silence.overdue and owed is not None and owed.owed_h >= owed.limit_h:
                silence.overdue, silence.overdue_x = True, x_s

    def _cold(self, outdoor_c: float | None) -> bool:
        return outdoor_c is not None and outdoor_c < self._from_c

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
        back.usual_h += hours * self._likely(x_s, outdoor_c)
        if back.watched_h < _B.return_h.value:
            return
        kept.back = None
        if back.called_h < back.usual_h:
            _must_owe(kept.explained_h, kept.day, back.most_h)
            kept.belief = back.taught
            if kept.silence is not None:
                kept.silence.taught = None  # its hours are in what is believed now
            self._forget_shares()

    def _forget_shares(self) -> None:
        """Another belief, or another hour."""
        self._shares.clear()
        self._likeliest.clear()

    def _share(self, x_s: float, outdoor_c: float | None) -> float:
        """Return the share of an hour that this unit is called, at this time of day and to the nearest degree."""
        key = self._when(x_s, outdoor_c)
        if key not in self._shares:
            self._shares[key] = self.kept.belief.share(self._terms(*key))
        return self._shares[key]

    def _likely(self, x_s: float, outdoor_c: float | None) -> float:
        """Return the likeliest share, as `_share`."""
        key = self._when(x_s, outdoor_c)
        if key not in self._likeliest:
            self._likeliest[key] = self.kept.belief.likely(self._terms(*key))
        return self._likeliest[key]

    def _when(self, x_s: float, outdoor_c: float | None) -> _When:
        """What a share depends on."""
        return self._stretch(x_s), self._weekday(x_s), None if outdoor_c is None else round(outdoor_c)

    def _stretch(self, x_s: float) -> int:
        return int((x_s + self.kept.clock_s) % DAY_S // (_B.stretch_h.value * HOUR_S))

    def _weekday(self, x_s: float) -> float:
        """How much of the workdays' terms this day has; none while no clock was ever known. Days begin at 0 h UTC, so
        that between 8 and 17 h local time it is the right day all over America and Europe."""
        if self.kept.week_s is None:
            return 0.0
        return _OF_WEEKEND if (x_s + self.kept.week_s) % WEEK_S // DAY_S in _WEEKEND else _OF_WORKDAY

    def _terms(self, stretch: int, weekday: float, outdoor_c: float | None) -> Terms:
        of_day = ((0, 1.0), (_DAY, 1.0), (_BEFORE + stretch, 1.0), (_WORKDAYS + stretch, weekday))
        if outdoor_c is None or self.kept.last_day_c is None:
            return of_day
        warmer_k = outdoor_c - _B.level_c.value
        return (*of_day, (1, warmer_k / _SLOPE_K), (2, (self.kept.last_day_c - outdoor_c) / _SLOPE_K))

    def _learn(self, x_s: float) -> None:
        """Learn the hour that has passed: for good where it held a call, else in case that the silence ends."""
        kept, hour = self.kept, self.kept.hour
        outdoor_c = hour.degree_h / hour.watched_h if kept.felt else None
        middle_x = x_s - HOUR_S / 2.0
        terms = self._terms(self._stretch(middle_x), self._weekday(middle_x), outdoor_c)
        believed = kept.belief
        if not hour.called_h and kept.silence is not None:
            believed = kept.silence.taught = kept.silence.taught or believed.copy()
        known = (believed,) if kept.back is None else (believed, kept.back.taught)
        # At half load one swing lasts four times what it stores: so seldom does the thermostat decide anew.
        trials = hour.watched_h * min(_B.trials_per_h.value, 1.0 / max(4.0 * kept.mean_stored_h, 1e-6))
        for one in known:
            one.learn(terms, hour.called_h / hour.watched_h, trials)
        kept.hour = HourSoFar()
        self._forget_shares()

    def _habit_h(self, since_x: float) -> float:
        """Return the most that was owed in a silence that began about this time of day, and was no fault: at any time
        of day while few days are known."""
        if self.kept.days < _B.habit_hours_days.value:
            return max((max(of_day.values()) for of_day in self.kept.most_h.values()), default=0.0)
        began, within = self._stretch(since_x), round(_B.habit_within_h.value / _B.stretch_h.value)
        near = [(began + step) % _STRETCHES for step in range(-within, within + 1)]
        return max((of_day.get(one, 0.0) for of_day in self.kept.most_h.values() for one in near), default=0.0)

    def _must_owe_then(self, since_x: float, owed_h: float) -> None:
        """Keep what a silence that began then owed, where it raises any limit."""
        if owed_h * _B.habit_ratio.value > self._owed_h:
            _must_owe(self.kept.most_h.setdefault(self.kept.day, {}), self._stretch(since_x), owed_h)

    def _swings_h(self) -> float:
        """Return what some swings of this unit's thermostat store, in hours of its run, within bounds."""
        return min(_B.missed_swings.value * self.kept.mean_stored_h, _B.missed_most_h.value)

    def _end_call(self) -> float:
        """Learn what a call stores; return what this one has stored beyond any swing."""
        kept, most_h = self.kept, self._swings_h()
        if kept.stored_h <= 0.0:
            return 0.0
        swing_h = min(kept.stored_h, max(most_h, self._owed_h))
        kept.mean_stored_h += (swing_h - kept.mean_stored_h) / min(max(kept.calls, 1), _B.call_memory.value)
        return max(kept.stored_h - most_h, 0.0)

    def _end_silence(self) -> None:
        kept, silence = self.kept, self.kept.silence
        if silence is None:
            return
        kept.stored_h = 0.0
        kept.silence = None
        kept.calls += 1
        self._judge()
        if silence.overdue and silence.overdue_x is not None and self._last_x is not None:
            kept.back = Return(most_h=silence.most_h, taught=silence.taught or kept.belief.copy())
            if self._last_x - silence.overdue_x < _B.repair_s.value:
                # Next time it takes a little more than this once; well more after a second time.
                again = kept.told_day is not None and kept.day - kept.told_day < _B.habit_days.value
                self._must_owe_then(silence.since_x, silence.most_h / (1.0 if again else _B.habit_ratio.value))
                kept.told_day = kept.day
            return
        if silence.overdue or silence.excused:
            return
        if silence.taught is not None:
            kept.belief = silence.taught
            self._forget_shares()
        if self.learned:
            self._must_owe_then(silence.since_x, silence.most_h)

    def _forget_silence(self, x_s: float) -> None:
        """Nobody knows whether the unit was called: begin to count again. What is overdue stays so until a call."""
        silence = self.kept.silence
        self.kept.hour = HourSoFar()
        self.kept.back = None
        self.kept.stored_h = 0.0  # what of a call was not watched makes it no shorter one
        if silence is not None and not silence.overdue:
            self.kept.silence = Silence(since_x=x_s, excused=silence.excused)
