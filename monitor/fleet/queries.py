"""What the pages show, read from the database. Every query is made for a viewer and shows only what they may see.

Rows come back as records; how they are ordered is said in triage.py and done by the database.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Generic, NamedTuple, TypeVar

import msgspec
import sqlalchemy as sa

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.findings import Cooling
from condenser_monitor.monitor.core.records import SEVERITIES, Episode, EpisodeState, Severity
from condenser_monitor.monitor.fleet import load_list, tenants, triage
from condenser_monitor.monitor.fleet.active_alerts import ActiveAlerts
from condenser_monitor.monitor.fleet.days import later, office_day
from condenser_monitor.monitor.fleet.messages import read_kept_episode
from condenser_monitor.monitor.fleet.people import Viewer, visible
from condenser_monitor.monitor.fleet.tables import (
    ABOUT,
    HOUSED,
    asks,
    cycles,
    episodes,
    events,
    premises,
    set_aside,
    site_days,
    sites,
    slots,
    snapshots,
    state,
    tenancies,
    users,
    visits,
)
from condenser_monitor.monitor.fleet.tables import customers as people
from condenser_monitor.monitor.fleet.tables import standing as standing_table
from condenser_monitor.monitor.fleet.tenants import Tenancy
from condenser_monitor.monitor.limits import FLEET, FLEET_INFERENCE
from condenser_monitor.monitor.strings.calm import Calm, Reason

PAGE_ROWS = int(FLEET.page_rows.value)
ALIVE_S = 4 * FLEET.beat_s.value
SUPPLY_LOST = "line-supply-lost"
assert SUPPLY_LOST in triage.MEANS
_SILENT_S, _UNHEARD_S = FLEET.silent_s.value, FLEET.unheard_s.value
_Row = TypeVar("_Row")


class Page(NamedTuple, Generic[_Row]):
    """Some rows of a longer list, beginning at `offset` of `total`."""

    rows: Sequence[_Row]
    total: int
    offset: int


class Case(msgspec.Struct, frozen=True, kw_only=True):
    """A site with the finding for which it is on a list."""

    site: str
    name: str
    customer: str
    address: str
    phone: str
    vulnerability: int
    vulnerability_note: str
    technician: str | None
    outdoor_c: float | None
    online: bool | None
    online_at: float | None
    service_until_at: float | None
    finding: str
    severity: Severity
    since_at: float
    suspects: tuple[str, ...]
    summary: str
    alert_state: str
    alert_by: str
    unit: Unit | None
    booked_day: str | None
    booked_for: str | None
    visited_at: float | None = None  # of the last visit made since it stands
    stage: int = 0  # see triage.STAGES
    away_until: str | None = None

    @property
    def cooling(self) -> str:
        """What the finding means for the house, in words."""
        return triage.cooling_words(self.finding)

    @property
    def heat(self) -> str:
        """How hot it is there, in words."""
        return triage.heat_words(self.outdoor_c)

    @property
    def part(self) -> str:
        """The likely part."""
        return load_list.likely_part(self.suspects)

    @property
    def load(self) -> tuple[str, ...]:
        """What to take along."""
        return load_list.loads(self.suspects, self.unit)[0]

    @property
    def perhaps(self) -> tuple[str, ...]:
        """What is wanted besides, should it be none of the likeliest."""
        return load_list.loads(self.suspects, self.unit)[1]


def unit_of(stored: Mapping[str, Any] | None) -> Unit | None:
    """The nameplate as stored; None where there is none."""
    return None if stored is None else msgspec.convert(stored, Unit)


# ---------------------------------------------------------------- lists of cases


def morning(
    connection: sa.Connection, viewer: Viewer, now: float, *, offset: int = 0, limit: int = PAGE_ROWS
) -> Page[Case]:
    """Who needs somebody now: sites where an urgent finding stands, one row each by its worst, in triage's order; those
    that wait for somebody first, then those booked, then those visited where it still stands, last those without power
    among many. A temperature that a site has not told of lately counts as not known."""
    worst = (_URGENCY.desc(), standing_table.c.since_at)
    ranked = _cases(viewer, now, sa.func.row_number().over(partition_by=standing_table.c.site_id, order_by=worst))
    ranked = ranked.where(standing_table.c.severity == Severity.URGENT.value)
    return _page(
        *(connection, ranked),
        (sa.text("stage"), sa.text("urgency DESC"), sa.text("need DESC"), sa.text("since_at")),
        *(offset, limit),
    )


def drifting(
    connection: sa.Connection, viewer: Viewer, now: float, *, offset: int = 0, limit: int = PAGE_ROWS
) -> Page[Case]:
    """Units to book before they fail: something stands that is not urgent, nothing that is, and no visit is booked.
    What is only to be asked is no such thing."""
    first = (sa.case((standing_table.c.severity == Severity.SOON.value, 0), else_=1), standing_table.c.since_at)
    urgent = sa.select(standing_table.c.site_id).where(
        standing_table.c.active, standing_table.c.severity == Severity.URGENT.value
    )
    ranked = _cases(viewer, now, sa.func.row_number().over(partition_by=standing_table.c.site_id, order_by=first))
    ranked = ranked.where(
        standing_table.c.severity != Severity.URGENT.value, sites.c.id.not_in(urgent), _booked_day().is_(None)
    )
    ranked = ranked.where(standing_table.c.finding != triage.NOT_RUN)
    return _page(connection, ranked, (sa.text("severity"), sa.text("since_at")), offset, limit)


def to_ask(
    connection: sa.Connection, viewer: Viewer, now: float, *, offset: int = 0, limit: int = PAGE_ROWS
) -> Page[Case]:
    """Units that have not run while their neighbors' did, where nothing says whether they stopped or nobody is home,
    the longest first."""
    ranked = _cases(viewer, now, sa.literal(1)).where(standing_table.c.finding == triage.NOT_RUN)
    return _page(connection, ranked, (sa.text("since_at"),), offset, limit)


class QuietCase(msgspec.Struct, frozen=True, kw_only=True):
    """A site where nothing urgent stands any more, and nothing shows that what stood is repaired."""

    site: str
    name: str
    customer: str
    phone: str
    address: str
    episode: Episode
    since_at: float
    booked_day: str | None
    booked_for: str | None


def quiet(connection: sa.Connection, viewer: Viewer, *, limit: int = PAGE_ROWS) -> list[QuietCase]:
    """Return the sites whose urgent episode is quiet or said to be repaired, the longest first. A thermostat that was
    switched off, as the message asked, mends nothing; the household is told so, and the office is not to lose sight."""
    c = episodes.c
    urgent = sa.select(standing_table.c.site_id).where(
        standing_table.c.active, standing_table.c.severity == Severity.URGENT.value
    )
    about = [ABOUT[name] for name in ("site", "name", "customer", "phone", "address")]
    query = sa.select(*about, c.since_at, c.body, _booked_day().label("booked_day"), _booked_for().label("booked_for"))
    query = query.select_from(HOUSED.join(state, state.c.site_id == sites.c.id).join(episodes, c.site_id == sites.c.id))
    query = query.where(
        c.over_at.is_(None),
        c.state.in_([EpisodeState.QUIET.value, EpisodeState.REPAIRED.value]),
        c.severity == Severity.URGENT.value,
        c.seen_at >= sa.func.coalesce(state.c.unit_at, 0.0),
        sites.c.revoked_at.is_(None),
        sites.c.id.not_in(urgent),
        visible(viewer),
    )
    rows = connection.execute(query.order_by(c.since_at, sites.c.site).limit(limit)).all()
    found = []
    for row in rows:
        values = dict(row._mapping)
        episode = read_kept_episode(values.pop("body"))
        if episode is not None and episode.intended_by is None:
            found.append(QuietCase(**values, episode=episode))
    return found


_URGENCY = sa.case(
    *((standing_table.c.finding == name, int(means)) for name, means in triage.MEANS.items()),
    else_=int(Cooling.DAMAGE),
)


def _outdoor_c(now: float) -> sa.ColumnElement[float | None]:
    """The outdoor temperature, where the site has told of it lately."""
    return sa.case((state.c.unit_received_at > now - _UNHEARD_S, state.c.outdoor_c), else_=sa.null())


def _need(outdoor_c: sa.ColumnElement[float | None]) -> sa.ColumnElement[int]:
    """Heat and vulnerability together, as triage.place has it."""
    bands = ((outdoor_c >= low, weight) for low, weight, _ in reversed(triage.HEAT[1:]))
    heat = sa.case(*bands, (outdoor_c.is_(None), triage.heat_weight(None)), else_=0)
    levels = ((tenancies.c.vulnerability == level, row.weight) for level, row in triage.VULNERABILITY.items())
    return heat + sa.case(*levels, else_=0)


def _booked_day() -> sa.ScalarSelect[str | None]:
    return _booked(sa.select(visits.c.due_day))


def _booked_for() -> sa.ScalarSelect[str | None]:
    who = users.alias("who")
    return _booked(sa.select(who.c.name).select_from(visits.outerjoin(who, who.c.id == visits.c.technician_id)))


def booked_at(connection: sa.Connection, key: int) -> tuple[str, str]:
    """Return what a site is called, and day and technician's name of what is booked there, as the lists show them."""
    name, *booked = connection.execute(
        sa.select(sites.c.name, _booked_day(), _booked_for()).where(sites.c.id == key)
    ).one()
    return name, " ".join(part for part in booked if part)


def _visited_at() -> sa.ScalarSelect[float | None]:
    c = visits.c
    query = sa.select(sa.func.max(c.done_at)).where(c.site_id == sites.c.id, c.status == "done")
    return query.where(c.done_at > standing_table.c.since_at).correlate(sites, standing_table).scalar_subquery()


def _booked(query: sa.Select[Any]) -> sa.ScalarSelect[Any]:
    """Of the first visit booked to mend something."""
    query = query.where(visits.c.site_id == sites.c.id, visits.c.status == "booked", visits.c.kind != "plan")
    return query.order_by(visits.c.due_day, visits.c.id).limit(1).correlate(sites).scalar_subquery()


def _power_cut() -> sa.ColumnElement[bool]:
    """Whether a site lost its line supply together with others (see inference.outages)."""
    c, within_s = standing_table.c, int(FLEET_INFERENCE.together_s.value)
    beside = sa.func.count().over(partition_by=c.finding, order_by=c.since_at, range_=(-within_s, within_s))
    return sa.and_(c.finding == SUPPLY_LOST, beside >= int(FLEET_INFERENCE.together_least.value))


def _cases(viewer: Viewer, now: float, place: sa.ColumnElement[Any]) -> sa.Select[Any]:
    plain = [name for name in Case.__struct_fields__ if name in ABOUT]
    outdoor_c = _outdoor_c(now)
    stands = ("finding", "severity", "since_at", "suspects", "summary", "alert_state", "alert_by")
    columns = [ABOUT[name] for name in plain] + [state.c.online, state.c.online_at, state.c.service_until_at]
    columns += [standing_table.c[name] for name in stands]
    query = sa.select(
        *columns,
        outdoor_c.label("outdoor_c"),
        users.c.name.label("technician"),
        _booked_day().label("booked_day"),
        _booked_for().label("booked_for"),
        _visited_at().label("visited_at"),
        sa.case(
            (_booked_day().is_not(None), 1),
            (_power_cut(), triage.POWER_CUT),
            (_visited_at().is_not(None), 2),
            else_=0,
        ).label("stage"),
        _URGENCY.label("urgency"),
        _need(outdoor_c).label("need"),
        place.label("place"),
    )
    joined = HOUSED.join(standing_table, sites.c.id == standing_table.c.site_id).join(
        state, state.c.site_id == sites.c.id
    )
    query = query.select_from(joined.outerjoin(users, users.c.id == sites.c.technician_id))
    return query.where(standing_table.c.active, sites.c.revoked_at.is_(None), visible(viewer))


def _page(
    connection: sa.Connection, ranked: sa.Select[Any], order: Sequence[sa.TextClause], offset: int, limit: int
) -> Page[Case]:
    inner = ranked.subquery()
    query = sa.select(inner, sa.func.count().over().label("total")).where(inner.c.place == 1)
    rows = connection.execute(query.order_by(*order, sa.text("site")).limit(limit).offset(offset)).all()
    return Page([_case(row._mapping) for row in rows], rows[0].total if rows else 0, offset)


def _case(row: sa.RowMapping) -> Case:
    values = {name: row[name] for name in Case.__struct_fields__}
    values["suspects"] = tuple(msgspec.json.decode(row["suspects"]))
    values["severity"] = Severity(row["severity"])
    return Case(**{**values, "unit": unit_of(row["unit"])})


def standing_counts(connection: sa.Connection, viewer: Viewer) -> list[tuple[str, int]]:
    """How often each finding stands now, the most often first."""
    query = sa.select(standing_table.c.finding, sa.func.count()).join(sites, sites.c.id == standing_table.c.site_id)
    query = query.where(standing_table.c.active, sites.c.revoked_at.is_(None), visible(viewer))
    rows = connection.execute(query.group_by(standing_table.c.finding))
    return sorted(((finding, count) for finding, count in rows), key=lambda row: (-row[1], row[0]))


# ---------------------------------------------------------------- silent monitors, plan visits, search


class SiteLine(msgspec.Struct, frozen=True, kw_only=True):
    """A site in a plain list."""

    site: str
    name: str
    customer: str
    address: str
    phone: str
    plan: str
    plan_visit_due: str | None
    branch: str
    customer_id: int
    premises_id: int
    premises: str
    technician: str | None
    online: bool | None
    online_at: float | None
    heard_at: float | None
    revoked_at: float | None


def is_silent(now: float) -> sa.ColumnElement[bool]:
    """Return the condition on `sites` and `state` that a monitor is off, or has not been heard of for longer than a
    working one stays quiet."""
    off = sa.and_(state.c.online.is_(False), state.c.online_at < now - _SILENT_S)
    return sa.func.coalesce(
        sa.or_(off, sa.func.coalesce(state.c.heard_at, sites.c.enrolled_at) < now - _UNHEARD_S), sa.false()
    )


def silent(connection: sa.Connection, viewer: Viewer, now: float, *, offset: int = 0) -> Page[SiteLine]:
    """Monitors that are off, or have not been heard of for longer than a working one stays quiet; longest first."""
    query = _lines(viewer).where(sites.c.revoked_at.is_(None), is_silent(now))
    return _line_page(connection, query, sa.func.coalesce(state.c.heard_at, 0.0), offset)


def addresses_heard(connection: sa.Connection, viewer: Viewer) -> Sequence[str]:
    """Addresses of the sites in force whose monitor is there."""
    query = sa.select(premises.c.address).select_from(HOUSED.join(state, state.c.site_id == sites.c.id))
    query = query.where(sites.c.revoked_at.is_(None), state.c.online.is_(True), visible(viewer))
    return connection.scalars(query).all()


def due(connection: sa.Connection, viewer: Viewer, now: float, *, offset: int = 0) -> Page[SiteLine]:
    """Plan visits due within a month, or overdue, and not booked; the earliest first."""
    until = later(office_day(now), int(FLEET.due_days.value))
    booked = sa.select(visits.c.site_id).where(visits.c.status == "booked", visits.c.kind == "plan")
    query = _lines(viewer).where(sites.c.plan_visit_due <= until, sites.c.id.not_in(booked))
    return _line_page(connection, query.where(sites.c.revoked_at.is_(None)), sites.c.plan_visit_due, offset)


def search(connection: sa.Connection, viewer: Viewer, words: str, *, offset: int = 0) -> Page[SiteLine]:
    """Sites whose id, name, customer, address or phone hold every one of the words; all sites for none."""
    columns = (sites.c.site, sites.c.name, people.c.name, premises.c.address, people.c.phone)
    text = sa.func.lower(sum((column + " " for column in columns[1:]), columns[0] + " "))
    query = _lines(viewer)
    for word in words.lower().split()[:8]:
        query = query.where(text.contains(word, autoescape=True))
    return _line_page(connection, query, sites.c.name, offset)


class Premises(msgspec.Struct, frozen=True, kw_only=True):
    """A house or shop of a customer's, with the ids of its sites."""

    premises: str
    address: str
    sites: tuple[str, ...]


class Customer(msgspec.Struct, frozen=True, kw_only=True):
    """A customer with the premises and the sites that are theirs; none of a former one."""

    id: int
    customer: str
    customer_number: str | None
    phone: str
    premises: tuple[Premises, ...]
    sites: tuple[SiteLine, ...]


def customers(
    connection: sa.Connection, viewer: Viewer, words: str, *, former: bool = False, offset: int = 0
) -> Page[Customer]:
    """Customers whose name, number or telephone number holds every one of the words, by name, each with the sites in
    force; or those who have none any more."""
    c = people.c
    theirs = sa.select(tenancies.c.customer_id).join(sites, sites.c.id == tenancies.c.site_id).where(visible(viewer))
    present = theirs.where(tenancies.c.to_at.is_(None), sites.c.revoked_at.is_(None))
    query = sa.select(c.id, c.name, c.number, c.phone, sa.func.count().over().label("total")).where(c.name != "")
    query = query.where(c.id.in_(theirs), c.id.not_in(present)) if former else query.where(c.id.in_(present))
    text = sa.func.lower(c.name + " " + c.phone + " " + sa.func.coalesce(c.number, ""))
    for word in words.lower().split()[:8]:
        query = query.where(text.contains(word, autoescape=True))
    shown = connection.execute(query.order_by(c.name, c.id).limit(PAGE_ROWS).offset(offset)).all()
    units = _units(connection, viewer, [row.id for row in shown])
    rows = [_customer(row, units.get(row.id, [])) for row in shown]
    return Page(rows, shown[0].total if shown else 0, offset)


def customer(connection: sa.Connection, viewer: Viewer, key: int) -> Customer | None:
    """One customer, a former one too; None where there is none whom the viewer may see."""
    row = tenants.customer_row(connection, viewer, key)
    return None if row is None else _customer(row, _units(connection, viewer, [key]).get(key, []))


def _units(connection: sa.Connection, viewer: Viewer, keys: Sequence[int]) -> dict[int, list[SiteLine]]:
    """The sites in force of each of these customers, by name."""
    query = _lines(viewer).where(people.c.id.in_(keys), sites.c.revoked_at.is_(None))
    found: dict[int, list[SiteLine]] = {}
    for row in connection.execute(query.order_by(sites.c.site)):
        line = SiteLine(**{name: row._mapping[name] for name in SiteLine.__struct_fields__})
        found.setdefault(line.customer_id, []).append(line)
    return found


def _customer(row: Any, units: Sequence[SiteLine]) -> Customer:
    houses: dict[int, list[SiteLine]] = {}
    for line in units:
        houses.setdefault(line.premises_id, []).append(line)
    at = [
        Premises(premises=lines[0].premises, address=lines[0].address, sites=tuple(line.site for line in lines))
        for lines in houses.values()
    ]
    return Customer(
        id=row.id,
        customer=row.name,
        customer_number=row.number,
        phone=row.phone,
        premises=tuple(at),
        sites=tuple(units),
    )


def _lines(viewer: Viewer) -> sa.Select[Any]:
    columns = [ABOUT[name] for name in SiteLine.__struct_fields__ if name in ABOUT]
    columns += [state.c[name] for name in ("online", "online_at", "heard_at")]
    query = sa.select(*columns, users.c.name.label("technician"), sa.func.count().over().label("total"))
    joined = HOUSED.join(state, state.c.site_id == sites.c.id).outerjoin(users, users.c.id == sites.c.technician_id)
    return query.select_from(joined).where(visible(viewer))


def _line_page(
    connection: sa.Connection, query: sa.Select[Any], order: sa.ColumnElement[Any], offset: int
) -> Page[SiteLine]:
    rows = connection.execute(query.order_by(order, sites.c.site).limit(PAGE_ROWS).offset(offset)).all()
    names = SiteLine.__struct_fields__
    lines = [SiteLine(**{name: row._mapping[name] for name in names}) for row in rows]
    return Page(lines, rows[0].total if rows else 0, offset)


# ---------------------------------------------------------------- calm


class _Said(msgspec.Struct, frozen=True, kw_only=True):
    """What a `unit` message says of whether all is well; a monitor of an older version says nothing of it."""

    reason: Reason = Reason.UNSURE
    open: int = 0


def hears(connection: sa.Connection, now: float) -> bool:
    """Return whether an ingest worker lives; if not, the office has no news of anybody."""
    newest = connection.scalar(sa.select(sa.func.max(slots.c.used_at)))
    return newest is not None and now - newest < ALIVE_S


def calms(connection: sa.Connection, names: Sequence[str], now: float) -> dict[str, Calm]:
    """Return whether all is well at each of these sites, by its own answer and by what has come in since.

    A site that is offline or has not been heard of, and every site while no ingest worker lives, is not known to be
    well.
    """
    working = hears(connection, now)
    query = sa.select(sites.c.id, sites.c.site, state.c.online, state.c.heard_at, snapshots.c.body)
    query = query.select_from(
        sites.join(state, state.c.site_id == sites.c.id).outerjoin(snapshots, snapshots.c.site_id == sites.c.id)
    )
    rows = connection.execute(query.where(sites.c.site.in_(names))).all()
    stands = _worst_standing(connection, [row.id for row in rows])
    found = {}
    for row in rows:
        heard = working and row.online is not False and row.heard_at is not None and now - row.heard_at < _UNHEARD_S
        said = Calm(reason=Reason.UNSEEN) if row.body is None else _said(row.body)
        worst = stands.get(row.id)
        answer = said if worst is None else msgspec.structs.replace(worst, open=max(1, said.open))
        found[row.site] = answer if heard or not answer.of_now else Calm(reason=Reason.UNHEARD, open=answer.open)
    return found


def _said(body: str) -> Calm:
    try:
        said = msgspec.json.decode(body, type=_Said)
    except msgspec.DecodeError:
        return Calm(reason=Reason.UNSURE)
    return Calm(reason=said.reason, open=said.open)


def _worst_standing(connection: sa.Connection, keys: Sequence[int]) -> dict[int, Calm]:
    """The most severe finding that stands at each site, of these the one that stands longest."""
    query = sa.select(standing_table).where(standing_table.c.site_id.in_(keys), standing_table.c.active)
    found: dict[int, Calm] = {}
    rows = connection.execute(query).all()
    for row in sorted(rows, key=lambda row: (SEVERITIES.index(Severity(row.severity)), row.since_at)):
        severity = Severity(row.severity)
        found.setdefault(row.site_id, Calm(reason=Reason.FINDING, severity=severity, finding=row.finding))
    return found


# ---------------------------------------------------------------- one site


class SitePage(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the page of one site shows. `snapshot` is its newest `unit` message."""

    id: int
    about: SiteLine
    customer_number: str | None
    vulnerability: int
    vulnerability_note: str
    away_until: str | None
    technician_id: int | None
    unit: Unit | None
    outdoor_c: float | None
    cycle: str | None
    hole_since: float | None
    unit_received_at: float | None
    clock_off_s: float | None
    snapshot: str | None
    beside: tuple[tuple[str, str], ...]
    tenancies: tuple[Tenancy, ...]
    stands: tuple[ActiveAlerts, ...]
    days: tuple[Any, ...]
    history: tuple[Any, ...]
    visits: tuple[Any, ...]
    asked: tuple[Any, ...]


_OF_SITE = ("customer_number", "vulnerability", "vulnerability_note", "away_until", "technician_id")


def site(connection: sa.Connection, viewer: Viewer, name: str, *, days: int = 60) -> SitePage | None:
    """One site; None when there is no such site or the viewer may not see it: which of the two is not told."""
    extra = (sites.c.id, *(ABOUT[field] for field in _OF_SITE), sites.c.unit)
    now = (state.c.outdoor_c, state.c.cycle, state.c.hole_since, state.c.unit_received_at, state.c.clock_off_s)
    query = _lines(viewer).add_columns(*extra, *now, snapshots.c.body).where(sites.c.site == name)
    query = query.outerjoin(snapshots, snapshots.c.site_id == sites.c.id)
    row = connection.execute(query).one_or_none()
    if row is None:
        return None
    at = row._mapping
    return SitePage(
        id=row.id,
        about=SiteLine(**{field: at[field] for field in SiteLine.__struct_fields__}),
        unit=unit_of(row.unit),
        snapshot=row.body,
        beside=_beside(connection, viewer, row),
        tenancies=tuple(tenants.of_site(connection, row.id)),
        stands=stands_at(connection, row.id),
        days=_latest(connection, site_days, site_days.c.day, row.id, days),
        history=_latest(connection, events, events.c.at, row.id, PAGE_ROWS),
        visits=_latest(connection, visits, visits.c.made_at, row.id, PAGE_ROWS),
        asked=_latest(connection, asks, asks.c.made_at, row.id, 10),
        **{field: at[field] for field in _OF_SITE},
        **{field: at[field] for field in ("outdoor_c", "cycle", "hole_since", "unit_received_at", "clock_off_s")},
    )


def _beside(connection: sa.Connection, viewer: Viewer, row: Any) -> tuple[tuple[str, str], ...]:
    """Id and name of the other sites on the same premises."""
    query = sa.select(sites.c.site, sites.c.name).where(sites.c.premises_id == row.premises_id, visible(viewer))
    query = query.where(sites.c.id != row.id, sites.c.revoked_at.is_(None))
    return tuple((name, words) for name, words in connection.execute(query.order_by(sites.c.site)))


def may_see(connection: sa.Connection, viewer: Viewer, name: str) -> int | None:
    """The key of a site; None when there is none of that name or the viewer may not see it."""
    return connection.scalar(sa.select(sites.c.id).where(sites.c.site == name, visible(viewer)))


def site_id(connection: sa.Connection, viewer: Viewer, name: str) -> int:
    """The key of a site that the viewer may see. Raises CommandError."""
    found = may_see(connection, viewer, name)
    if found is None:
        raise CommandError("site", name, "a site that you may see")
    return found


def stands_at(connection: sa.Connection, key: int) -> tuple[ActiveAlerts, ...]:
    """Return what stands at a site, the worst for the house first."""
    query = sa.select(standing_table).where(standing_table.c.site_id == key, standing_table.c.active)
    found = [ActiveAlerts(**row._mapping) for row in connection.execute(query)]
    return tuple(sorted(found, key=lambda row: (-int(triage.means(row.finding)), row.since_at)))


def _latest(
    connection: sa.Connection, table: sa.Table, order: sa.ColumnElement[Any], key: int, limit: int
) -> tuple[Any, ...]:
    query = sa.select(table).where(table.c.site_id == key).order_by(order.desc()).limit(limit)
    return tuple(connection.execute(query))


def cycles_of(connection: sa.Connection, key: int, limit: int = PAGE_ROWS) -> tuple[Any, ...]:
    """The newest cycles of a site."""
    return _latest(connection, cycles, cycles.c.at, key, limit)


# ---------------------------------------------------------------- the fleet's own state


def workers(connection: sa.Connection) -> Sequence[Any]:
    """Ingest workers by slot: when last heard of, and what they have done."""
    return connection.execute(sa.select(slots).order_by(slots.c.slot)).all()


def asides(connection: sa.Connection, limit: int = PAGE_ROWS) -> Sequence[Any]:
    """Messages set aside, the newest first."""
    return connection.execute(sa.select(set_aside).order_by(set_aside.c.at.desc()).limit(limit)).all()


def holes(connection: sa.Connection, viewer: Viewer | None = None) -> int:
    """How many sites have numbers missing; of all, or of those that the viewer may see."""
    query = sa.select(sa.func.count()).select_from(sites.join(state, state.c.site_id == sites.c.id))
    return (
        connection.scalar(
            query.where(state.c.hole_since.is_not(None), sa.true() if viewer is None else visible(viewer))
        )
        or 0
    )
