"""Visits: booked for a technician, done with what it really was and what was used; and what that says of the program.

A visit keeps the suspects as they stood when it was booked, so that the score judges what was really said.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from math import sqrt
from typing import Any, NamedTuple

import msgspec
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.fleet import load_list, queries, webhooks
from condenser_monitor.monitor.fleet.days import office_day
from condenser_monitor.monitor.fleet.people import (
    Role,
    Viewer,
    colleagues,
    note,
    visible,
)
from condenser_monitor.monitor.fleet.queries import site_id, unit_of
from condenser_monitor.monitor.fleet.tables import ABOUT, HOUSED, sites, users, visits

KINDS = {"repair": "repair", "drift": "before it fails", "plan": "plan visit", "monitor": "silent monitor"}
BOOKED, DONE, DROPPED = "booked", "done", "dropped"
NOT_FOUND = "not-found"  # somebody looked, and the cause was not found: no word on the suspects
OTHER = "other"  # what it was, when it was no suspect of the program's
NOTE_MOST = 4000
_Z = 1.959964  # of the normal distribution, 95 % two-sided


class VisitConflict(CommandError):
    """What is wanted of a visit speaks against one that is booked, or done."""


class Booked(msgspec.Struct, frozen=True, kw_only=True):
    """A visit with its site, as lists show it."""

    id: int
    site: str
    name: str
    address: str
    phone: str
    kind: str
    status: str
    technician: str | None
    due_day: str
    finding: str
    suspects: tuple[str, ...]
    note: str
    was: str
    parts: tuple[str, ...]
    made_at: float
    done_at: float | None
    load: tuple[str, ...]
    perhaps: tuple[str, ...]


# ---------------------------------------------------------------- changes


def book(
    connection: sa.Connection,
    viewer: Viewer,
    site: str,
    *,
    kind: str,
    due_day: str,
    technician_id: int | None,
    finding: str = "",
    suspects: Sequence[str] = (),
    text: str = "",
    now: float,
) -> int:
    """Book a visit; its number. Raises CommandError for what cannot be booked."""
    if kind not in KINDS:
        raise CommandError("visit: kind", kind, " or ".join(KINDS))
    _check_technician(connection, viewer, technician_id)
    key = site_id(connection, viewer, site)
    connection.execute(sa.select(sites.c.id).where(sites.c.id == key).with_for_update())  # one booking at a time
    there = connection.execute(_booked_at(key, kind)).first()
    if there is not None:
        raise VisitConflict(
            "visit", f"one more to {site}", f"one at a time: visit {there.id} is booked for {there.due_day}"
        )
    row = {
        "site_id": key,
        "kind": kind,
        "status": BOOKED,
        "technician_id": technician_id,
        "due_day": day(due_day),
        "finding": finding,
        "suspects": list(suspects),
        "note": _text(text),
        "parts": [],
        "made_at": now,
    }
    made: int = connection.execute(sa.insert(visits).values(row).returning(visits.c.id)).scalar_one()
    webhooks.put_visit(connection, "visit.booked", made, now)
    note(connection, now, viewer.login, "booked a visit to", site, visit=made, kind=kind, due=row["due_day"])
    return made


def _booked_at(key: int, kind: str) -> sa.Select[Any]:
    """The visit booked at a site that another one of this kind would double: a plan visit goes beside a repair."""
    same = visits.c.kind == "plan" if kind == "plan" else visits.c.kind != "plan"
    query = sa.select(visits.c.id, visits.c.due_day).where(visits.c.site_id == key, visits.c.status == BOOKED, same)
    return query.order_by(visits.c.due_day)


KEEP = -1  # the technician as it is


def put(
    connection: sa.Connection, viewer: Viewer, site: str, *, due_day: str, technician_id: int | None, now: float
) -> bool:
    """Book a repair for the worst that stands at a site, or move and assign the one that is booked; whether it is a
    new one. `technician_id` may be KEEP."""
    key = site_id(connection, viewer, site)
    there = connection.execute(_booked_at(key, "repair")).first()
    if there is not None:
        move(connection, viewer, there.id, due_day=due_day, technician_id=technician_id, now=now)
        return False
    usual = connection.scalar(sa.select(sites.c.technician_id).where(sites.c.id == key))
    stands = queries.stands_at(connection, key)
    book(
        *(connection, viewer, site),
        kind="repair",
        due_day=due_day,
        technician_id=usual if technician_id == KEEP else technician_id,
        finding=stands[0].finding if stands else "",
        suspects=msgspec.json.decode(stands[0].suspects) if stands else (),
        now=now,
    )
    return True


def move(
    connection: sa.Connection, viewer: Viewer, visit: int, *, due_day: str, technician_id: int | None, now: float
) -> None:
    """Move a booked visit to a day and assign it; `technician_id` may be KEEP."""
    values: dict[str, Any] = {"due_day": day(due_day)}
    if technician_id != KEEP:
        _check_technician(connection, viewer, technician_id)
        values["technician_id"] = technician_id
    _change(connection, viewer, visit, values)
    webhooks.put_visit(connection, "visit.moved", visit, now)
    note(connection, now, viewer.login, "moved visit", str(visit), due=values["due_day"], technician=technician_id)


def cancel(connection: sa.Connection, viewer: Viewer, site: str, *, now: float) -> int:
    """Drop what is booked to repair a site; how many visits."""
    rows = connection.execute(_booked_at(site_id(connection, viewer, site), "repair")).all()
    for row in rows:
        drop(connection, viewer, row.id, text="", now=now)
    return len(rows)


def suspects_now(connection: sa.Connection, viewer: Viewer, site: str, finding: str) -> tuple[str, ...] | None:
    """Return what is suspected for a finding that stands at a site; None where it does not stand."""
    rows = queries.stands_at(connection, site_id(connection, viewer, site))
    stands = {row.finding: tuple(msgspec.json.decode(row.suspects)) for row in rows}
    return stands.get(finding)


def finish(
    connection: sa.Connection, viewer: Viewer, visit: int, *, was: str, used: Sequence[str], text: str, now: float
) -> None:
    """A visit was made: what it really was (a suspect, `other`, `not-found`, or "" where nothing was wrong), and the
    parts used."""
    if was not in ("", OTHER, NOT_FOUND, *SUSPECTS):
        raise CommandError("visit: what it was", was, "a suspect of the program, other or not-found")
    done = {"status": DONE, "was": was, "parts": [_text(part) for part in used], "note": _text(text), "done_at": now}
    row = _change(connection, viewer, visit, done)
    if row.kind == "plan":
        _next_plan_visit(connection, row.site_id, now)
    webhooks.put_visit(connection, "visit.made", visit, now)
    note(connection, now, viewer.login, "finished visit", str(visit), was=was, parts=list(used))


def drop(connection: sa.Connection, viewer: Viewer, visit: int, *, text: str, now: float) -> None:
    """A visit will not be made."""
    _change(connection, viewer, visit, {"status": DROPPED, "note": _text(text), "done_at": now})
    webhooks.put_visit(connection, "visit.dropped", visit, now)
    note(connection, now, viewer.login, "dropped visit", str(visit))


def _change(connection: sa.Connection, viewer: Viewer, visit: int, values: dict[str, Any]) -> Any:
    seen = sa.select(sites.c.id).where(visible(viewer))
    change = sa.update(visits).where(visits.c.id == visit, visits.c.status == BOOKED, visits.c.site_id.in_(seen))
    if viewer.role is Role.TECHNICIAN:
        change = change.where(visits.c.technician_id == viewer.id)
    row = connection.execute(change.values(values).returning(visits.c.site_id, visits.c.kind)).one_or_none()
    if row is None:
        raise VisitConflict("visit", visit, "a visit that is booked, and yours to change")
    return row


def _check_technician(connection: sa.Connection, viewer: Viewer, technician_id: int | None) -> None:
    if technician_id is None:
        return
    query = sa.select(users.c.id).where(users.c.id == technician_id, users.c.active, colleagues(viewer))
    if connection.scalar(query) is None:
        raise CommandError("visit: technician", technician_id, "a person who may sign in, of the same branch")


def _next_plan_visit(connection: sa.Connection, key: int, now: float) -> None:
    """A plan visit made is due again in a year."""
    today = date.fromisoformat(office_day(now))
    later = today.replace(year=today.year + 1, day=min(today.day, 28))
    connection.execute(sa.update(sites).where(sites.c.id == key).values(plan_visit_due=later.isoformat()))


def day(text: str) -> str:
    """A day as `2026-07-14`. Raises CommandError."""
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        raise CommandError("day", text, "a date such as 2026-07-14") from None


def _text(text: str) -> str:
    if len(text) > NOTE_MOST or "\x00" in text:
        raise CommandError("text", f"{len(text)} characters", f"at most {NOTE_MOST}")
    return text.strip()


# ---------------------------------------------------------------- lists


def listed(
    connection: sa.Connection, viewer: Viewer, *, status: str = BOOKED, limit: int | None = None, offset: int = 0
) -> list[Booked]:
    """Visits of a status that the viewer may see, booked ones by day; a technician's own only."""
    query = _visits().where(*_mine(viewer, status))
    order = visits.c.due_day if status == BOOKED else visits.c.done_at.desc()
    rows = connection.execute(query.order_by(order, visits.c.id).limit(limit).offset(offset))
    return [_booked(row) for row in rows]


def count(connection: sa.Connection, viewer: Viewer, status: str) -> int:
    """Return how many visits `listed` has in all."""
    query = sa.select(sa.func.count()).select_from(visits.join(sites, sites.c.id == visits.c.site_id))
    return connection.scalar(query.where(*_mine(viewer, status))) or 0


def _mine(viewer: Viewer, status: str) -> list[sa.ColumnElement[bool]]:
    own = [visits.c.technician_id == viewer.id] if viewer.role is Role.TECHNICIAN else []
    return [visits.c.status == status, visible(viewer), *own]


def one(connection: sa.Connection, viewer: Viewer, visit: int) -> Booked | None:
    """One visit; None where there is none that the viewer may see."""
    query = _visits().where(visits.c.id == visit, visible(viewer))
    if viewer.role is Role.TECHNICIAN:
        query = query.where(visits.c.technician_id == viewer.id)
    row = connection.execute(query).one_or_none()
    return None if row is None else _booked(row)


def _visits() -> sa.Select[Any]:
    columns = [ABOUT[name] for name in ("site", "name", "address", "phone", "unit")]
    joined = HOUSED.join(visits, visits.c.site_id == sites.c.id).outerjoin(users, users.c.id == visits.c.technician_id)
    return sa.select(visits, *columns, users.c.name.label("technician")).select_from(joined)


def _booked(row: Any) -> Booked:
    at = row._mapping
    values: dict[str, Any] = {name: at[name] for name in Booked.__struct_fields__ if name not in ("load", "perhaps")}
    values |= {"suspects": tuple(row.suspects), "parts": tuple(row.parts)}
    load, perhaps = load_list.loads(row.suspects, unit_of(row.unit))
    return Booked(**values, load=load, perhaps=perhaps)


# ---------------------------------------------------------------- how good the first suspect is


class FindingScore(NamedTuple):
    """Visits for one finding where it was found out what it was: `first` of them the first suspect, `listed` any of
    the suspects. `low` and `high` bound the share of `first` (Wilson score interval, 95 %)."""

    finding: str
    visits: int
    first: int
    listed: int
    low: float
    high: float


def score(connection: sa.Connection, viewer: Viewer, since: float = 0.0) -> list[FindingScore]:
    """Over all visits done since then, by finding, the most visited first; the last row, named "", is all together."""
    query = sa.select(visits.c.finding, visits.c.suspects, visits.c.was).where(visible(viewer))
    query = query.select_from(visits.join(sites, sites.c.id == visits.c.site_id))
    query = query.where(
        visits.c.status == DONE, visits.c.done_at >= since, visits.c.was.not_in(("", NOT_FOUND)), visits.c.finding != ""
    )
    counts: dict[str, list[int]] = {}
    for finding, suspects, was in connection.execute(query):
        for name in (finding, ""):
            row = counts.setdefault(name, [0, 0, 0])
            row[0] += 1
            row[1] += bool(suspects) and suspects[0] == was
            row[2] += was in suspects
    rows = [FindingScore(name, of, first, among, *wilson(first, of)) for name, (of, first, among) in counts.items()]
    return sorted(rows, key=lambda row: (row.finding == "", -row.visits, row.finding))


def wilson(right: int, of: int) -> tuple[float, float]:
    """95 % interval of a share (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209); 0 to 1 for no trial at all."""
    if not of:
        return 0.0, 1.0
    share, z2 = right / of, _Z * _Z
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = _Z * sqrt(share * (1 - share) / of + z2 / (4 * of * of)) / (1 + z2 / of)
    return max(0.0, middle - half), min(1.0, middle + half)
