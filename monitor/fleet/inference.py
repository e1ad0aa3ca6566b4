"""(edge) What a monitor cannot know: a unit that stopped while its neighbours run, and one that changed against its own
past in the same weather.

Neighbours share the weather, so that what all of them do is taken out first; what is left is judged by robust
statistics against the unit's own four weeks:

- *Stopped.* Time is counted in runs: how many this unit would have made since its last one, by its share of all runs of
  the plan so far and the runs of the plan since (a change to operational time). It has stopped when that count is
  far above its own largest gap in four weeks, counted the same way (a record rule: no distribution is assumed), and
  the neighbours run about as much as they did. A house that was switched off by its people looks the same, and no
  statistics tells them apart: where the office was told that nobody is home, nothing is concluded; where it was not,
  the line is a question to ask, and no case. It is a case where something else speaks for a stop: somebody says that
  they are home, another unit of the house has run since, the monitor told of trouble in the week before, the pause is
  longer than people are away. Where heat is hard on somebody there nobody waits for an answer.
- *Restarts* within a call (a compressor that its overload stops and lets go): on each of the last days, far more in all
  than on any days in a row of its past, and on days on which few neighbours restart: a sag of the line makes all of
  them restart. The monitor's own rule wants two within 90 minutes; one each hot afternoon escapes it.
- *Changed* hours, starts an hour and amps: two-way median polish of the logarithms, sites by days (Tukey, Exploratory
  Data Analysis, 1977, ch. 11); amps after a slope with outdoor temperature that is the median over the plan. The
  residual over the unit's own scaled median absolute deviation is its modified z-score (Iglewicz and Hoaglin, 1993,
  who take 3.5; the bound here is higher, for thousands of scores a week), beyond the bound on each of the last days.

What silent monitors' units do is not known, and nothing is concluded from their silence; monitors that fell silent and
units that lost their line supply within minutes are one event of the grid or a provider (`outages`). The findings stand
in the same tables as the monitors' own, under names of their own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from statistics import median
from typing import Any, NamedTuple

import msgspec
import sqlalchemy as sa

from condenser_monitor.monitor.core.records import Severity
from condenser_monitor.monitor.fleet import queries, webhooks
from condenser_monitor.monitor.fleet.active_alerts import OFFICE, ActiveAlerts
from condenser_monitor.monitor.fleet.days import begins_at, later, office_day
from condenser_monitor.monitor.fleet.people import Viewer, visible
from condenser_monitor.monitor.fleet.retention import Month, ensure_months
from condenser_monitor.monitor.fleet.tables import HOUSED, cycles, events, premises, site_days, sites, state, tenancies
from condenser_monitor.monitor.fleet.tables import standing as standing_table
from condenser_monitor.monitor.fleet.triage import NOT_RUN, STOPPED
from condenser_monitor.monitor.fleet.writer import IngestWriter
from condenser_monitor.monitor.limits import FLEET_INFERENCE as LIMITS
from condenser_monitor.monitor.strings import texts

RESTARTS = f"{OFFICE}restarts"
WORDS: dict[str, str] = {
    STOPPED: "The unit has not run while its neighbors' units do.",
    NOT_RUN: "Not run while its neighbors' units do: switched off by its people, or stopped? Ask.",
    RESTARTS: "The compressor stops and restarts by itself within a call, day after day.",
    f"{OFFICE}hours-up": "The unit runs far longer than its neighbors in the same weather.",
    f"{OFFICE}starts-up": "The unit starts far more often than it used to, in the same weather.",
    f"{OFFICE}amps-up": "The unit draws more current than it used to, in the same weather.",
    f"{OFFICE}amps-down": "The unit draws less current than it used to, in the same weather.",
}
_HOUR_S, _DAY_S = 3600.0, 86400.0
_UNCALLED = ("overdue-call", "no-call-in-heat", queries.SUPPLY_LOST)  # of a house switched off too, or a power cut
_MAD = 1.4826  # makes the median absolute deviation the standard deviation of a normal distribution
_FLOOR_H, _FLOOR_STARTS = 0.5, 1.0  # added before the logarithm: a day of no runs is not minus infinity


def headline(finding: str) -> str:
    """Return what a finding is called, the office's own and the monitors'."""
    if finding in WORDS:
        return WORDS[finding]
    return texts.FINDINGS[finding].headline if finding in texts.FINDINGS else finding


class Day(NamedTuple):
    """One site's sums of one day: hours run, starts, mean amps with the mean outdoor temperature while running, and how
    many of the starts were restarts within a call."""

    hours: float
    starts: int
    amps: float | None = None
    outdoor_c: float | None = None
    restarts: int = 0


class Found(NamedTuple):
    """One line of the office's own: since when, and why in words."""

    finding: str
    severity: Severity
    since_at: float
    evidence: dict[str, float]
    summary: str


Active = Mapping[tuple[int, str], ActiveAlerts]  # by site and finding


# ---------------------------------------------------------------- changed, by days. Pure


def changed(days: Sequence[str], sites_days: Mapping[int, Mapping[str, Day]]) -> dict[int, list[tuple[str, float]]]:
    """Return by site the findings (hours, starts, amps) that the last of `days` show, each with the factor against
    what was expected. `days` are complete, rise, and the last `judged_days` are those judged."""
    out: dict[int, list[tuple[str, float]]] = {}
    measures = (
        (
            "hours",
            {site: {d: math.log(r.hours + _FLOOR_H) for d, r in rows.items()} for site, rows in sites_days.items()},
        ),
        ("starts", {s: {d: _starts(r) for d, r in rows.items() if r.hours >= 1.0} for s, rows in sites_days.items()}),
        ("amps", _level_amps(sites_days)),
    )
    for name, table in measures:
        floor = {"hours": LIMITS.hours_spread, "starts": LIMITS.starts_spread, "amps": LIMITS.amps_spread}[name].value
        for site, factor in _outliers(days, table, floor):
            finding = f"{OFFICE}{name}-{'up' if factor > 1.0 else 'down'}"
            if finding in WORDS:
                out.setdefault(site, []).append((finding, factor))
    return out


def restarting(days: Sequence[str], sites_days: Mapping[int, Mapping[str, Day]]) -> dict[int, int]:
    """Return the sites whose compressors have begun to restart within calls, each with how often on the judged days.
    `days` as in `changed`."""
    count = int(LIMITS.judged_days.value)
    past, judged = days[:-count], days[-count:]
    if len(sites_days) < LIMITS.neighbors_least.value:
        return {}
    restarts = {site: {d: row.restarts for d, row in rows.items()} for site, rows in sites_days.items()}
    for d in judged:
        ran = [rows[d] for rows in restarts.values() if d in rows]
        if sum(number > 0 for number in ran) > LIMITS.restarts_share.value * len(ran):
            return {}
    found: dict[int, int] = {}
    for site, rows in restarts.items():
        now = [rows.get(d, 0) for d in judged]
        if min(now) < 1 or sum(now) < LIMITS.restarts_least.value or len(rows) < LIMITS.past_least_days.value:
            continue
        most = max(sum(rows.get(d, 0) for d in past[at : at + count]) for at in range(len(past) - count + 1))
        if sum(now) > LIMITS.restarts_factor.value * most:
            found[site] = sum(now)
    return found


def _starts(row: Day) -> float:
    return math.log((row.starts + _FLOOR_STARTS) / (row.hours + _FLOOR_H))


def _level_amps(sites_days: Mapping[int, Mapping[str, Day]]) -> dict[int, dict[str, float]]:
    """Logarithms of amps, brought to one outdoor temperature by the plan's median slope."""
    slopes, levels = [], {}
    for site, rows in sites_days.items():
        known = [(d, math.log(r.amps), r.outdoor_c) for d, r in rows.items() if r.amps and r.outdoor_c is not None]
        levels[site] = known
        cold_first = sorted(known, key=lambda row: row[2])
        third = len(known) // 3
        if third >= 2:  # resistant line, of the outer thirds' medians (Tukey 1977, ch. 5)
            low, high = cold_first[:third], cold_first[-third:]
            wide = median(row[2] for row in high) - median(row[2] for row in low)
            if wide >= 2.0:
                slopes.append((median(row[1] for row in high) - median(row[1] for row in low)) / wide)
    slope = median(slopes) if slopes else 0.0
    return {site: {d: level - slope * (c - 30.0) for d, level, c in rows} for site, rows in levels.items()}


def _outliers(
    days: Sequence[str], table: Mapping[int, Mapping[str, float]], floor: float
) -> Iterator[tuple[int, float]]:
    """Sites beyond the bound on each of the judged days, all on one side, with the factor of the mildest of them."""
    judged_count = int(LIMITS.judged_days.value)
    past, judged = days[:-judged_count], days[-judged_count:]
    least = int(LIMITS.past_least_days.value)
    known = {site: rows for site, rows in table.items() if sum(d in rows for d in past) >= least}
    if len(known) < LIMITS.neighbors_least.value:
        return
    level = {site: median(rows[d] for d in past if d in rows) for site, rows in known.items()}
    weather: dict[str, float] = {}
    for _ in range(2):  # two sweeps: a third moves nothing that matters
        for d in days:
            left = [rows[d] - level[site] for site, rows in known.items() if d in rows]
            weather[d] = median(left) if left else 0.0
        level = {site: median(rows[d] - weather[d] for d in past if d in rows) for site, rows in known.items()}
    for site, rows in known.items():
        left = [rows[d] - weather[d] - level[site] for d in past if d in rows]
        spread = max(floor, _MAD * median(abs(value) for value in left))
        scores = [(rows[d] - weather[d] - level[site]) / spread for d in judged if d in rows]
        if len(scores) < judged_count:
            continue
        mildest = min(scores, key=abs)
        if abs(mildest) > LIMITS.score_bound.value and all(score * mildest > 0 for score in scores):
            yield site, math.exp(mildest * spread)


# ---------------------------------------------------------------- stopped, by the neighbours' runs. Pure


class PlanClock:
    """The plan's time in runs: how many runs all neighbours began up to an instant, from counts by the hour."""

    def __init__(self, by_hour: Mapping[int, int]) -> None:
        """`by_hour` counts runs begun, by whole hours since 1970."""
        self._first = min(by_hour, default=0)
        self._sums = [0.0]
        for hour in range(self._first, max(by_hour, default=-1) + 1):
            self._sums.append(self._sums[-1] + by_hour.get(hour, 0))

    def at(self, instant: float) -> float:
        """Return the count at an instant; within an hour runs are taken as even."""
        place = min(max(instant / _HOUR_S - self._first, 0.0), len(self._sums) - 1.0)
        whole = min(int(place), max(len(self._sums) - 2, 0))
        if len(self._sums) < 2:
            return 0.0
        return self._sums[whole] + (place - whole) * (self._sums[whole + 1] - self._sums[whole])

    def is_busy(self, from_at: float, to_at: float, share: float) -> bool:
        """Whether the neighbours ran about as much in between as in all the time counted, the unit's own share aside:
        in milder weather a house whose people are away may well need none."""
        usual = (1.0 - share) * self._sums[-1] / (len(self._sums) - 1) / _HOUR_S
        return self.at(to_at) - self.at(from_at) >= LIMITS.busy_share.value * usual * (to_at - from_at)

    def runs(self, from_at: float, to_at: float, share: float) -> float:
        """Return how many runs a unit with that share of all would have begun in between."""
        return share * (self.at(to_at) - self.at(from_at))


def stopped(clock: PlanClock, begun: Sequence[float], now: float) -> tuple[float, float] | None:
    """Return, for a unit that has stopped, how many runs it would have made since its last and its largest gap before,
    counted alike; None for one that may be sound. `begun` are its runs of the past four weeks, the oldest first."""
    if len(begun) < LIMITS.runs_least.value or begun[-1] >= now:
        return None
    whole = clock.at(begun[-1]) - clock.at(begun[0])
    share = (len(begun) - 1) / whole if whole > 0 else 0.0
    gaps = [clock.runs(before, after, share) for before, after in pairwise(begun)]
    gap, largest = clock.runs(begun[-1], now, share), max(gaps)
    long = gap > LIMITS.gap_runs.value and gap > LIMITS.gap_factor.value * largest
    return (gap, largest) if long and clock.is_busy(begun[-1], now, share) else None


# ---------------------------------------------------------------- over the database


def infer(writer: IngestWriter, now: float) -> int:
    """Judge every site that can be heard, and write what is new and what is over; how many rows changed."""
    with writer.store.read() as connection:
        heard = _heard(connection, now)
        active = _active(connection)
        found = _found(connection, heard, active, now)
    rows = [*_raised(found, active, now), *_cleared(found, active, heard, now)]
    if rows:
        ensure_months(writer.store, [Month.of(now)])
        with writer.store.write() as connection:
            _put(writer, connection, rows, now)
    return len(rows)


def answer(writer: IngestWriter, connection: sa.Connection, site_id: int, now: float, *, home: bool) -> bool:
    """Take what the customer said of a unit that has not run: a case where somebody is home, nothing where they are
    away (`away_until` says for how long; the caller writes it). Return whether anything was asked."""
    asked = _active(connection).get((site_id, NOT_RUN))
    if asked is None:
        return False
    rows = [msgspec.structs.replace(asked, active=False, changed_at=now)]
    if home:
        text = f"{asked.summary} Somebody is home, as the customer said."
        case = {"finding": STOPPED, "severity": Severity.URGENT.value, "summary": text}
        rows.append(msgspec.structs.replace(asked, changed_at=now, **case))
    _put(writer, connection, rows, now)
    return True


def _put(writer: IngestWriter, connection: sa.Connection, rows: Sequence[ActiveAlerts], now: float) -> None:
    webhooks.put_cases(connection, [row for row in rows if row.finding != NOT_RUN], now)
    writer.put_standing(connection, list(rows))
    connection.execute(sa.insert(events), [_event(row, now) for row in rows])


def _heard(connection: sa.Connection, now: float) -> set[int]:
    query = (
        sa.select(sites.c.id)
        .select_from(sites.join(state))
        .where(sites.c.revoked_at.is_(None), state.c.hole_since.is_(None), sa.not_(queries.is_silent(now)))
    )
    return set(connection.scalars(query))


def _found(connection: sa.Connection, heard: set[int], active: Active, now: float) -> dict[int, list[Found]]:
    """What is so now, by site; `active` is what the office had found before."""
    found: dict[int, list[Found]] = {}
    today = office_day(now)
    days = [later(today, -back) for back in range(int(LIMITS.past_days.value), 0, -1)]
    table: dict[int, dict[str, Day]] = {key: {} for key in heard}
    c = site_days.c
    for row in connection.execute(sa.select(site_days).where(c.day >= days[0], c.day < today)):
        if row.site_id in table:
            amps = row.amp_s / row.measured_s if row.measured_s else None
            outdoor_c = row.degree_s / row.measured_s if row.measured_s else None
            restarts = max(0, row.starts - row.cycles)
            table[row.site_id][row.day] = Day(row.run_s / _HOUR_S, row.starts, amps, outdoor_c, restarts)
    since_at = begins_at(days[-int(LIMITS.judged_days.value)])
    for key, rows in changed(days, table).items():
        for finding, factor in rows:
            text = (
                f"{WORDS[finding]} {factor:.1f} times what is expected, {int(LIMITS.judged_days.value)} days in a row."
            )
            found.setdefault(key, []).append(
                Found(finding, Severity.WATCH, since_at, {"factor": round(factor, 2)}, text)
            )
    for key, number in restarting(days, table).items():
        text = f"{number} restarts within calls in {int(LIMITS.judged_days.value)} days; its neighbors have none."
        one = Found(RESTARTS, Severity.SOON, since_at, {"restarts": float(number)}, text)
        found.setdefault(key, []).append(one)
    away = set(connection.scalars(sa.select(tenancies.c.site_id).where(tenancies.c.away_until >= today)))
    for key, one in _stopped(connection, heard - away, active, now):
        found.setdefault(key, []).append(one)
    return found


def _stopped(connection: sa.Connection, heard: set[int], active: Active, now: float) -> Iterator[tuple[int, Found]]:
    from_at = now - LIMITS.past_days.value * _DAY_S
    hour = sa.cast(sa.func.floor(cycles.c.at / _HOUR_S), sa.BigInteger)
    count = sa.select(hour, sa.func.count()).where(cycles.c.at >= from_at, cycles.c.at < now).group_by(hour)
    by_hour = {int(at): int(number) for at, number in connection.execute(count)}
    clock = PlanClock(by_hour)
    query = sa.select(cycles.c.site_id, sa.func.count(), sa.func.min(cycles.c.at), sa.func.max(cycles.c.at))
    query = query.where(cycles.c.at >= from_at, cycles.c.at < now).group_by(cycles.c.site_id)
    rows = {row[0]: row for row in connection.execute(query) if row[0] in heard}
    if len(rows) < LIMITS.neighbors_least.value:
        return
    found: dict[int, tuple[float, str, dict[str, float]]] = {}
    for key, number, first, last in rows.values():
        whole = clock.at(last) - clock.at(first)
        share = number / whole if whole > 0 else 0.0
        if clock.runs(last, now, share) <= LIMITS.gap_runs.value:
            continue  # most: their own runs need not be read
        own = sa.select(cycles.c.at).where(cycles.c.site_id == key, cycles.c.at >= from_at, cycles.c.at < now)
        gaps = stopped(clock, list(connection.scalars(own.order_by(cycles.c.at))), now)
        if gaps is not None:
            gap, largest = (round(value, 1) for value in gaps)
            text = f"No run since then: by its neighbors {gap:.0f} were due, and never before more than {largest:.0f}."
            found[key] = (last, text, {"runs_expected": gap, "largest_before": largest})
    if clock.at(now) - clock.at(now - 7 * _DAY_S) >= 7 * len(rows):  # else nobody is called: no run is none missed
        for (key, finding), row in active.items():  # milder weather, or a past that is over, proves nothing repaired
            if finding in (STOPPED, NOT_RUN) and key in heard and (key not in rows or rows[key][3] <= row.since_at):
                found.setdefault(key, (row.since_at, row.summary, msgspec.json.decode(row.evidence)))
    hot_c = connection.scalar(
        sa.select(sa.func.avg(state.c.outdoor_c)).where(state.c.unit_received_at > now - 4 * _HOUR_S)
    )
    severity = Severity.URGENT if hot_c is not None and hot_c >= LIMITS.urgent_c.value else Severity.SOON
    for key, (last, text, evidence) in found.items():
        case, question = (active.get((key, finding)) for finding in (STOPPED, NOT_RUN))
        why = "" if case else _besides(connection, key, last, now)
        if case:  # a cool night makes it no less urgent
            worst = Severity.URGENT if case.severity == Severity.URGENT.value else severity
            yield key, Found(STOPPED, worst, last, evidence, case.summary)
        elif why:
            yield key, Found(STOPPED, severity, last, evidence, f"{text} {why}")
        else:
            asked = question.summary if question else f"{text} Is nobody home, is it switched off, or has it stopped?"
            yield key, Found(NOT_RUN, Severity.WATCH, last, evidence, asked)


def _besides(connection: sa.Connection, key: int, last: float, now: float) -> str:
    """Return what else than its pause speaks for a unit that has stopped, or for not waiting; nothing: empty."""
    if now - last > LIMITS.away_days.value * _DAY_S:
        return f"People are seldom away for {LIMITS.away_days.value:.0f} days."
    c, own = tenancies.c, sa.select(sites.c.premises_id).where(sites.c.id == key).scalar_subquery()
    if connection.scalar(sa.select(c.vulnerability).where(c.site_id == key, c.to_at.is_(None))):
        return "Heat is hard on somebody there."
    beside = sa.select(sa.func.count()).select_from(cycles.join(sites, sites.c.id == cycles.c.site_id))
    beside = beside.where(sites.c.premises_id == own, sites.c.id != key, cycles.c.at > last, cycles.c.at < now)
    if (connection.scalar(beside) or 0) >= LIMITS.beside_runs.value:
        return "Another unit of the house has run since."
    e = events.c
    trouble = sa.select(e.finding).where(e.site_id == key, e.at > last - 7 * _DAY_S, e.at < now, e.kind == "finding")
    trouble = trouble.where(e.step == "raised", e.severity == Severity.URGENT.value, e.finding.not_in(_UNCALLED))
    name = connection.scalar(trouble.where(e.finding.not_like(f"{OFFICE}%")).order_by(e.at.desc()).limit(1))
    return f"Its monitor told of trouble shortly before: {name}." if name else ""


def _active(connection: sa.Connection) -> dict[tuple[int, str], ActiveAlerts]:
    c = standing_table.c
    query = sa.select(standing_table).where(c.active, c.finding.startswith(OFFICE))
    return {(row.site_id, row.finding): ActiveAlerts(**row._mapping) for row in connection.execute(query)}


def _raised(found: Mapping[int, Sequence[Found]], active: Active, now: float) -> Iterator[ActiveAlerts]:
    for key, rows in found.items():
        for one in rows:
            was = active.get((key, one.finding))
            if was is None or was.severity != one.severity.value:
                yield ActiveAlerts(
                    site_id=key,
                    finding=one.finding,
                    active=True,
                    severity=one.severity.value,
                    since_at=one.since_at if was is None else was.since_at,
                    changed_at=now,
                    evidence=msgspec.json.encode(one.evidence).decode(),
                    summary=one.summary,
                )


def _cleared(
    found: Mapping[int, Sequence[Found]], active: Active, heard: set[int], now: float
) -> Iterator[ActiveAlerts]:
    for (key, finding), row in active.items():
        if key in heard and finding not in {one.finding for one in found.get(key, ())}:  # silence proves nothing
            row.active, row.changed_at = False, now
            yield row


def _event(row: ActiveAlerts, now: float) -> dict[str, object]:
    step = "raised" if row.active else "cleared"
    return {
        "site_id": row.site_id,
        "at": now,
        "origin": "office",
        "seq": sum(map(ord, row.finding)),  # tells findings of one instant apart
        "kind": "finding",
        "finding": row.finding,
        "step": step,
        "severity": row.severity,
        "received_at": now,
        "body": msgspec.json.encode({"summary": row.summary}).decode(),
    }


# ---------------------------------------------------------------- out together


class Outage(NamedTuple):
    """Monitors that fell silent, and units that lost their line supply, together: the grid's or a provider's doing
    rather than each one's own."""

    from_at: float
    to_at: float
    sites: tuple[tuple[str, str, str], ...]  # id, name, address; each once
    unpowered: int  # how many of them say themselves that the line supply is gone

    @property
    def words(self) -> str:
        """What happened, and whose doing it is."""
        return outage_words(len(self.sites) - self.unpowered, self.unpowered)


def outage_words(silent: int, unpowered: int) -> str:
    """Return what put out so many monitors and units together, in words."""
    parts = [f"{silent} monitors fell silent"] * (silent > 0)
    parts += [f"{unpowered} units lost their line supply"] * (unpowered > 0)
    whose = "a power cut" if unpowered else "the grid or a provider"
    return f"{' and '.join(parts)} together: {whose}, hardly each one's own fault"


def outages(connection: sa.Connection, viewer: Viewer, now: float) -> list[Outage]:
    """Return the events that put out several sites within minutes and still last, the latest first."""
    about = (sites.c.site, sites.c.name, premises.c.address)
    silent = sa.select(state.c.online_at.label("at"), *about, sa.false().label("unpowered"))
    silent = silent.select_from(HOUSED.join(state)).where(state.c.online.is_(False), state.c.online_at < now)
    c = standing_table.c
    dark = sa.select(c.since_at, *about, sa.true()).select_from(HOUSED.join(standing_table))
    dark = dark.where(c.active, c.severity == Severity.URGENT.value, c.finding == queries.SUPPLY_LOST)
    both = [query.where(sites.c.revoked_at.is_(None), visible(viewer)) for query in (silent, dark)]
    groups: list[list[Any]] = []  # rows of the query
    for row in connection.execute(sa.union_all(*both).order_by("at")):
        if groups and row.at - groups[-1][-1].at <= LIMITS.together_s.value:
            groups[-1].append(row)
        else:
            groups.append([row])
    found = []
    for group in groups:
        out = {row.site: (row.site, row.name, row.address) for row in group}
        if len(out) >= LIMITS.together_least.value:
            unpowered = len({row.site for row in group if row.unpowered})
            found.append(Outage(group[0].at, group[-1].at, tuple(out.values()), unpowered))
    return found[::-1]
