"""(edge) A house changes hands: from then on its sites are the new customer's; what came before stays the old one's.

Customer, premises and site are three things: a customer may have several premises, and on one premises several units,
each with a monitor and thus a SITE-ID of its own. Sites with the same text in the column `premises` change hands
together. What is handed to a customer (season report, export) holds their own time only; the office keeps all of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet.people import Viewer, note, visible
from condenser_monitor.monitor.fleet.tables import former_tenants, sites, visits


class Tenancy(NamedTuple):
    """Whose data it is, between two instants; `to_at` None: still. `number` is that of a former tenant; `first`: nobody
    of whom the office knows lived there before."""

    number: int | None
    customer: str
    from_at: float
    to_at: float | None
    first: bool = False


def change(
    connection: sa.Connection, viewer: Viewer, site: str, *, customer: str, phone: str, plan: str, now: float
) -> list[str]:
    """Make a premises another customer's; the sites that changed hands. What was noted of the former tenant's health
    is forgotten, and visits that were booked for them are dropped. Raises CommandError."""
    if not customer.strip():
        raise CommandError("customer", customer, "the name of the new customer; `revoke` for an empty house")
    row = connection.execute(sa.select(sites).where(sites.c.site == site, visible(viewer))).one_or_none()
    if row is None:
        raise CommandError("site", site, "a site that you may see")
    same = sites.c.premises == row.premises if row.premises else sites.c.id == row.id
    changed = connection.execute(sa.select(sites).where(same, sites.c.customer == row.customer, visible(viewer))).all()
    keys = [one.id for one in changed]
    former = [
        {
            **{name: getattr(one, name) for name in ("customer", "phone", "plan")},
            "site_id": one.id,
            "from_at": _since(one),
            "to_at": now,
        }
        for one in changed
    ]
    connection.execute(sa.insert(former_tenants), former)
    about: dict[str, Any] = {"customer": customer.strip(), "phone": phone, "plan": plan, "tenant_since": now}
    about |= {"vulnerability": 0, "vulnerability_note": "", "plan_visit_due": None, "away_until": None}
    connection.execute(sa.update(sites).where(sites.c.id.in_(keys)).values(about))
    dropped = sa.update(visits).where(visits.c.site_id.in_(keys), visits.c.status == "booked")
    connection.execute(dropped.values(status="dropped", done_at=now))
    for one in changed:
        note(connection, now, viewer.login, "changed the tenant of", one.site)
    return [one.site for one in changed]


def tenancies(connection: sa.Connection, key: int) -> list[Tenancy]:
    """Return who has lived at a site, the newest first; the first of them lives there now."""
    row = connection.execute(sa.select(sites).where(sites.c.id == key)).one()
    c = former_tenants.c
    query = sa.select(c.id, c.customer, c.from_at, c.to_at).where(c.site_id == key).order_by(c.to_at.desc(), c.id)
    found = [Tenancy(None, row.customer, _since(row), None), *(Tenancy(*one) for one in connection.execute(query))]
    return [*found[:-1], found[-1]._replace(first=True)]


def _since(row: Any) -> float:
    """Since when a site's present customer lives there."""
    since: float = row.enrolled_at if row.tenant_since is None else row.tenant_since
    return since


def tenancy(found: Sequence[Tenancy], number: int | None) -> Tenancy:
    """Return one of `tenancies`: a former tenant's by number, else the present one. Raises CommandError."""
    for one in found:
        if one.number == number:
            return one
    allowed = ", ".join(str(one.number) for one in found if one.number is not None) or "none: nobody lived there before"
    raise CommandError("tenant", number, allowed)
