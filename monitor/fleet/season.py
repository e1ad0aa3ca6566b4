"""The season: for a customer one page as PDF, for the whole plan one line a site as CSV.

A season is the days `from_day` to `to_day`, both included, in the office's time zone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from typing import Any, NamedTuple

import msgspec
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import Episode, EpisodeState
from condenser_monitor.monitor.fleet import tenants, triage
from condenser_monitor.monitor.fleet.csv_cells import csv_line
from condenser_monitor.monitor.fleet.days import begins_at, later, office_day
from condenser_monitor.monitor.fleet.messages import read_kept_episode
from condenser_monitor.monitor.fleet.people import Viewer, visible
from condenser_monitor.monitor.fleet.tables import (
    ABOUT,
    HOUSED,
    episodes,
    events,
    premises,
    site_days,
    sites,
    state,
    visits,
)
from condenser_monitor.monitor.fleet.tenants import Tenancy
from condenser_monitor.monitor.fleet.visits import DONE, KINDS, day
from condenser_monitor.monitor.limits import EPISODES
from condenser_monitor.monitor.report.blocks import (
    Block,
    Document,
    Heading,
    Para,
    Table,
)
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.episodes import besides, headline, stands

_DAYS_MOST = 366
_SAME_S = 60.0  # a beginning that was dated before the clock was right moves by less


class SeasonSpan(NamedTuple):
    """The days of a season."""

    from_day: str
    to_day: str

    @classmethod
    def of(cls, from_day: str, to_day: str) -> SeasonSpan:
        """Raises CommandError for days that are none, the wrong way round or more than a year apart."""
        span = cls(day(from_day), day(to_day))
        length = (date.fromisoformat(span.to_day) - date.fromisoformat(span.from_day)).days + 1
        if not 1 <= length <= _DAYS_MOST:
            raise CommandError("season", f"{from_day} to {to_day}", f"1 to {_DAYS_MOST} days, the first day first")
        return span

    @classmethod
    def this_year(cls, now: float) -> SeasonSpan:
        """From the first of January to today."""
        today = office_day(now)
        return cls(f"{today[:4]}-01-01", today)

    def within(self, whose: Tenancy) -> SeasonSpan:
        """As much of it as is a tenant's. The day on which a house changes hands is the former tenant's; the first
        one's time reaches back to before the enrolment, for a monitor tells its past."""
        from_day = self.from_day if whose.first else max(self.from_day, later(office_day(whose.from_at), 1))
        return SeasonSpan(from_day, self.to_day if whose.to_at is None else min(self.to_day, office_day(whose.to_at)))

    @property
    def from_at(self) -> float:
        """The first instant."""
        return begins_at(self.from_day)

    @property
    def to_at(self) -> float:
        """The instant after the last."""
        return begins_at(later(self.to_day, 1))


class SeasonSums(NamedTuple):
    """What a season came to: counts, hours, the run-weighted running current, the hottest outdoor temperature."""

    days: int
    cycles: int
    starts: int
    run_h: float
    mean_a: float | None
    hottest_c: float | None


class Trouble(NamedTuple):
    """One time a finding stood; `to_at` is None where it still did at the end of the season."""

    finding: str
    from_at: float
    to_at: float | None


_NOTHING = SeasonSums(0, 0, 0, 0.0, None, None)


def _sums(connection: sa.Connection, span: SeasonSpan, *where: sa.ColumnElement[bool]) -> dict[int, SeasonSums]:
    c = site_days.c
    total = [sa.func.sum(c[name]) for name in ("cycles", "starts", "run_s", "amp_s", "measured_s")]
    query = sa.select(c.site_id, sa.func.count(), *total, sa.func.max(c.outdoor_max_c)).group_by(c.site_id)
    query = query.where(c.day >= span.from_day, c.day <= span.to_day, *where)
    rows = connection.execute(query)
    return {
        key: SeasonSums(
            days, int(count), int(starts), run_s / 3600.0, amp_s / measured_s if measured_s else None, hottest
        )
        for key, days, count, starts, run_s, amp_s, measured_s, hottest in rows
    }


def _steps(
    connection: sa.Connection, span: SeasonSpan, *where: sa.ColumnElement[bool]
) -> Iterator[tuple[int, list[Any]]]:
    """The changes of findings of each site within the span, in order."""
    c = events.c
    query = sa.select(c.site_id, c.at, c.finding, c.step).where(c.kind == "finding", c.step != "revised", *where)
    query = query.where(c.at >= span.from_at, c.at < span.to_at).order_by(c.site_id, c.at, c.seq)
    key, rows = None, list[Any]()
    for row in connection.execution_options(yield_per=2000).execute(query):
        if key is not None and row.site_id != key:
            yield key, rows
            rows = []
        key = row.site_id
        rows.append(row)
    if key is not None:
        yield key, rows


def troubles(rows: Iterable[Any], span: SeasonSpan) -> list[Trouble]:
    """Changes of one site as times that a finding stood, in order of their beginning. One cleared that was not seen to
    begin has stood since the season began; one that stood all through it, without a change, is not seen."""
    stood: dict[str, float] = {}
    found: list[Trouble] = []
    for row in rows:
        if row.step == "raised":
            stood.setdefault(row.finding, row.at)
        else:
            found.append(Trouble(row.finding, stood.pop(row.finding, span.from_at), row.at))
    found += [Trouble(finding, at, None) for finding, at in stood.items()]
    return sorted(found, key=lambda row: row.from_at)


def hours_without(found: Iterable[Trouble], end_at: float) -> float:
    """Hours without cooling: the time covered by findings that mean no cooling, overlaps counted once."""
    spans = sorted((t.from_at, end_at if t.to_at is None else t.to_at) for t in found if t.finding in triage.NO_COOLING)
    covered, reached = 0.0, 0.0
    for from_at, to_at in spans:
        covered += max(0.0, to_at - max(from_at, reached))
        reached = max(reached, to_at)
    return covered / 3600.0


class EpisodeTime(NamedTuple):
    """One episode as the household was told it, and from when to when; `to_at` is None where it is still open. Of one
    that the monitor forgot (a disk that was replaced) `to_at` is when it spoke of it last."""

    episode: Episode
    from_at: float
    to_at: float | None
    seen_at: float


def episode_times(
    connection: sa.Connection, span: SeasonSpan, *where: sa.ColumnElement[bool]
) -> dict[int, list[EpisodeTime]]:
    """Return the episodes of each site that were open within the span, the oldest first. What turned out to be part of
    another one is told with that; one that a monitor took over from its backup under a new origin stands once."""
    c = episodes.c
    query = sa.select(episodes, state.c.unit_at).join(state, state.c.site_id == c.site_id)
    query = query.where(c.since_at < span.to_at, sa.func.coalesce(c.over_at, c.seen_at) >= span.from_at, *where)
    found: dict[int, list[EpisodeTime]] = {}
    for row in connection.execute(query.order_by(c.site_id, c.seen_at)):
        episode = read_kept_episode(row.body)
        if episode is None:
            continue
        open_ = row.over_at is None and row.seen_at >= (row.unit_at or 0.0)
        one = EpisodeTime(episode, row.since_at, None if open_ else row.over_at or row.seen_at, row.seen_at)
        found[row.site_id] = [known for known in found.get(row.site_id, []) if not _is_part(known, one)] + [one]
    return {key: sorted(known, key=lambda one: one.from_at) for key, known in found.items()}


def _is_part(known: EpisodeTime, one: EpisodeTime) -> bool:
    """Whether an episode is an older word of another one, or was merged into it."""
    if known.episode.id == one.episode.id:
        return abs(known.from_at - one.from_at) < _SAME_S
    return known.episode.id in one.episode.merged and known.from_at >= one.from_at


# ---------------------------------------------------------------- the whole plan, as CSV


HEADER = (
    *("site", "name", "customer", "address", "plan", "plan_visit_due", "days_with_cooling", "cycles", "starts"),
    *("run_h", "mean_running_a", "hottest_c", "findings", "hours_without_cooling", "visits", "episodes"),
)


def plan_csv(connection: sa.Connection, viewer: Viewer, span: SeasonSpan, now: float) -> Iterator[str]:
    """The lines of the report, a header first; one line for each site that the viewer may see."""
    sums = _sums(connection, span)
    end_at = min(now, span.to_at)
    trouble = {key: troubles(rows, span) for key, rows in _steps(connection, span)}
    made, told = _visit_counts(connection, span), episode_times(connection, span)
    yield csv_line(HEADER)
    query = sa.select(*ABOUT.values()).select_from(HOUSED).where(visible(viewer)).order_by(sites.c.site)
    for row in connection.execute(query):
        found = trouble.get(row.id, [])
        total = sums.get(row.id, _NOTHING)
        about = (row.site, row.name, row.customer, row.address, row.plan, row.plan_visit_due or "")
        numbers = (total.days, total.cycles, total.starts, f"{total.run_h:.1f}", _number(total.mean_a))
        rest = (
            _number(total.hottest_c),
            len(found),
            f"{hours_without(found, end_at):.1f}",
            made.get(row.id, 0),
            len(told.get(row.id, ())),
        )
        yield csv_line((*about, *numbers, *rest))


def _visit_counts(connection: sa.Connection, span: SeasonSpan) -> dict[int, int]:
    query = sa.select(visits.c.site_id, sa.func.count()).where(visits.c.status == DONE).group_by(visits.c.site_id)
    query = query.where(visits.c.done_at >= span.from_at, visits.c.done_at < span.to_at)
    return {row[0]: row[1] for row in connection.execute(query)}


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.1f}"


# ---------------------------------------------------------------- one customer, as a document


def customer_document(
    connection: sa.Connection,
    viewer: Viewer,
    site: str,
    span: SeasonSpan,
    *,
    company: str,
    scale: str,
    now: float,
    tenant: int | None = None,
) -> Document | None:
    """What the season was like at one site, in a customer's words; None for a site that the viewer may not see. It
    holds the time of one tenant only: of the present one, or of a former one by number."""
    query = sa.select(sites.c.id, sites.c.name, premises.c.address).select_from(HOUSED)
    row = connection.execute(query.where(sites.c.site == site, visible(viewer))).one_or_none()
    if row is None:
        return None
    whose = tenants.tenancy(tenants.of_site(connection, row.id), tenant)
    span = span.within(whose)
    total = _sums(connection, span, site_days.c.site_id == row.id).get(row.id, _NOTHING)
    steps = [rows for _, rows in _steps(connection, span, events.c.site_id == row.id)]
    found = troubles(steps[0], span) if steps else []
    told = episode_times(connection, span, episodes.c.site_id == row.id).get(row.id, [])
    told = [_of_tenant(one, span, whose) for one in told if whose.first or one.from_at >= whose.from_at]
    made = connection.execute(_visits_of(row.id, span)).all()
    blocks: list[Block] = [
        Heading(f"Your air conditioner, {span.from_day} to {span.to_day}", 1),
        Para(", ".join(part for part in (whose.customer, row.name, row.address) if part), "soft"),
        Para(_sentence(total, found, told, min(now, span.to_at)), "lead"),
        *_figures(total, scale),
        *_episode_table(told),
        *_trouble_table([one for one in found if not _is_told(one, told)], min(now, span.to_at), beside=bool(told)),
        *_visit_table(made),
    ]
    return Document(
        f"Season report for {row.name}", f"{company}. Days and times are those of the office.", tuple(blocks)
    )


def _visits_of(key: int, span: SeasonSpan) -> sa.Select[Any]:
    query = sa.select(visits).where(visits.c.site_id == key, visits.c.status == DONE).order_by(visits.c.done_at)
    return query.where(visits.c.done_at >= span.from_at, visits.c.done_at < span.to_at)


def _sentence(total: SeasonSums, found: list[Trouble], told: list[EpisodeTime], end_at: float) -> str:
    if not total.cycles:
        return "Nothing was recorded in this time: either no cooling was called for, or the monitor was not running."
    without = hours_without(found, end_at)
    ran = f"It cooled {total.cycles} times on {total.days} days, {total.run_h:.0f} hours in all."
    if not found and not told:
        return f"{ran} The monitor found nothing wrong."
    lost = f"It could not cool for {texts.span(without * 3600)}." if without else "It never failed to cool."
    return f"{ran} {lost}"


def _figures(total: SeasonSums, scale: str) -> list[Block]:
    if not total.cycles:
        return []
    rows = [["Cooling runs", str(total.cycles)], ["Hours running", f"{total.run_h:.0f}"]]
    rows.append(["Mean length of a run", texts.span(3600.0 * total.run_h / total.cycles)])
    if total.mean_a is not None:
        rows.append(["Mean running current of the compressor", f"{total.mean_a:.1f} A"])
    if total.hottest_c is not None:
        rows.append(["Hottest air at the unit at the start of a run", time_format.degrees(total.hottest_c, scale)])
    return [Heading("In numbers"), Table(("", ""), rows, (0.6, 0.4), right=(1,))]


def _of_tenant(one: EpisodeTime, span: SeasonSpan, whose: Tenancy) -> EpisodeTime:
    """The episode as it was while this tenant lived there: what people said of it later is the next one's."""
    if whose.to_at is None or (one.to_at is not None and one.to_at < span.to_at):
        return one
    then = msgspec.structs.replace(
        one.episode, state=EpisodeState.ACTIVE, answered_by=None, visit_day=None, repaired_by=None
    )
    return one._replace(episode=then, to_at=None)


def _is_told(trouble: Trouble, told: Iterable[EpisodeTime]) -> bool:
    """Whether an episode told of this time of a finding."""
    return any(
        trouble.finding in one.episode.findings
        and (one.to_at is None or trouble.from_at <= one.to_at)
        and (trouble.to_at is None or trouble.to_at >= one.from_at)
        for one in told
    )


def _episode_table(told: list[EpisodeTime]) -> list[Block]:
    """One line an episode, in the words that the household was told; the newest where they are many."""
    most = int(EPISODES.kept.value)
    rows = [
        [
            " ".join((headline(one.episode), *(f"{texts.capital(line)}." for line in besides(one.episode)))),
            time_format.day(one.from_at),
            texts.capital(stands(one.episode)) if one.to_at is None else time_format.day(one.to_at),
        ]
        for one in told[-most:]
    ]
    if not rows:
        return []
    earlier = [Para(f"{len(told) - most} earlier ones are left out.", "soft")] if len(told) > most else []
    return [Heading("What you were told"), *earlier, Table(("What", "From", "Until"), rows, (0.58, 0.18, 0.24))]


def _trouble_table(found: list[Trouble], end_at: float, *, beside: bool) -> list[Block]:
    """One line a finding, in order of its first time; a customer's page has no room for each of two hundred times."""
    kinds: dict[str, list[Trouble]] = {}
    for trouble in found:
        kinds.setdefault(trouble.finding, []).append(trouble)
    rows = [_line(finding, times, end_at) for finding, times in kinds.items()]
    head = ("What", "First", "Times", "In all")
    title = "What was found besides" if beside else "What was found"
    return [Heading(title), Table(head, rows, (0.52, 0.16, 0.1, 0.22), right=(2,))] if rows else []


def _line(finding: str, times: list[Trouble], end_at: float) -> list[str]:
    headline = texts.FINDINGS[finding].headline if finding in texts.FINDINGS else finding
    stood_s = sum((end_at if one.to_at is None else one.to_at) - one.from_at for one in times)
    still = ", still stands" if any(one.to_at is None for one in times) else ""
    return [headline, time_format.day(times[0].from_at), str(len(times)), texts.span(stood_s) + still]


def _visit_table(made: Iterable[Any]) -> list[Block]:
    rows = [
        [
            time_format.day(row.done_at),
            KINDS[row.kind],
            ". ".join(part for part in (texts.capital(texts.suspect(row.was)) if row.was else "", row.note) if part),
            ", ".join(row.parts),
        ]
        for row in made
    ]
    head = ("Day", "Visit", "What it was", "Parts")
    return [Heading("Visits"), Table(head, rows, (0.18, 0.14, 0.43, 0.25))] if rows else []
