"""(edge) Whose a unit is: customers, premises and units are three things, and a house changes hands.

A *customer* has a name, a telephone number and perhaps the office's own number, and may have several *premises*; on one
premises stand one or several *units*, each with its monitor and so a SITE-ID. A *tenancy* joins a unit to a customer
for a time, with what is known of those who live there: their plan, their health, whether they are away. When they
leave, notes on health are forgotten; the unit keeps its history, and the customer goes on to another house as the same
one. What is handed to a customer (season report, export) holds their own time only.

Two lines of a list speak of one customer when they give the same number, or else the same name and telephone number;
of one premises, when they give the same name of it and no other address. A customer without units is forgotten, and so
is a premises.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet.people import Role, Viewer, note, visible
from condenser_monitor.monitor.fleet.tables import ABOUT, HOUSED, customers, premises, sites, tenancies, visits

WHOLE = Viewer(id=0, login="", name="", role=Role.OWNER)  # who sees everything
OF_CUSTOMER = {"customer": "name", "customer_number": "number", "phone": "phone"}
OF_TENANCY = ("plan", "vulnerability", "vulnerability_note", "away_until")
OF_PREMISES = {"premises": "name", "address": "address"}
_OPEN = tenancies.c.to_at.is_(None)


# ---------------------------------------------------------------- what is known of a unit


def enter(connection: sa.Connection, about: Mapping[str, Any]) -> int:
    """Enter a new unit with its premises and its customer, found or new ones; `about` is by the names of ABOUT. Return
    its key."""
    own = {name: value for name, value in about.items() if name in sites.c}
    where = _premises(connection, WHOLE, about.get("premises") or "", about.get("address") or "")
    made = sa.insert(sites).values(**own, premises_id=where).returning(sites.c.id)
    key: int = connection.execute(made).scalar_one()
    whose = _customer(connection, WHOLE, {name: about.get(name) or "" for name in OF_CUSTOMER})
    living = {name: about[name] for name in OF_TENANCY if name in about}
    row = {"site_id": key, "customer_id": whose, "from_at": about["enrolled_at"]}
    connection.execute(sa.insert(tenancies).values(**row, **living))
    return key


def edit(connection: sa.Connection, viewer: Viewer, site: str, about: Mapping[str, Any], *, house: bool = False) -> int:
    """Change what is known of a unit, by the names of ABOUT; how many of these were something else before. `house`: a
    person corrects what is known of the customer and of all their units in the house; otherwise it is a line of a list
    and speaks of its unit alone. Raises CommandError."""
    before = _row(connection, viewer, site)
    changes = {name: value for name, value in about.items() if _kept(before._mapping[name]) != _kept(value)}
    keys = _together(connection, viewer, before) if house else [before.id]
    own = {name: value for name, value in changes.items() if name in sites.c}
    if own:
        connection.execute(sa.update(sites).where(sites.c.id == before.id).values(own))
    living = {name: value for name, value in changes.items() if name in OF_TENANCY}
    if living:
        connection.execute(sa.update(tenancies).where(tenancies.c.site_id.in_(keys), _OPEN).values(living))
    if changes.keys() & OF_CUSTOMER.keys():
        _name_customer(connection, viewer, before, about, keys, house=house)
    if changes.keys() & OF_PREMISES.keys():
        _place(connection, viewer, before, changes, house=house)
    return len(changes)


def edit_customer(connection: sa.Connection, viewer: Viewer, key: int, about: Mapping[str, str], now: float) -> None:
    """Change a customer's name, telephone number or number, by the names of OF_CUSTOMER. Raises CommandError."""
    if customer_row(connection, viewer, key) is None:
        raise CommandError("customer", key, "a customer that you may see")
    number = about.get("customer_number")
    if number and connection.scalar(sa.select(customers.c.id).where(_c.number == number, _c.id != key)) is not None:
        raise CommandError("customer_number", number, "a number that no other customer has")
    values = {OF_CUSTOMER[name]: value for name, value in about.items()}
    connection.execute(sa.update(customers).where(_c.id == key).values(_nulled(values)))
    note(connection, now, viewer.login, "changed", log_name(key), **about)


def log_name(customer: int) -> str:
    """Under what name the log speaks of a customer."""
    return f"customer {customer}"


_c = customers.c


def _kept(value: Any) -> Any:
    return None if value == "" else value


def _nulled(values: Mapping[str, Any]) -> dict[str, Any]:
    """An empty number is none: two customers without one are not of the same."""
    return {name: value or None if name == "number" else value for name, value in values.items()}


def _row(connection: sa.Connection, viewer: Viewer, site: str) -> sa.Row[Any]:
    query = sa.select(*ABOUT.values()).select_from(HOUSED)
    row = connection.execute(query.where(sites.c.site == site, visible(viewer))).one_or_none()
    if row is None:
        raise CommandError("site", site, "a site that you may see")
    return row


def _together(connection: sa.Connection, viewer: Viewer, row: sa.Row[Any]) -> list[int]:
    """The units of one customer on one premises: they change hands together."""
    query = sa.select(sites.c.id).select_from(HOUSED).where(sites.c.premises_id == row.premises_id, visible(viewer))
    return list(connection.scalars(query.where(tenancies.c.customer_id == row.customer_id).order_by(sites.c.id)))


def _name_customer(
    connection: sa.Connection,
    viewer: Viewer,
    before: sa.Row[Any],
    about: Mapping[str, Any],
    keys: Sequence[int],
    *,
    house: bool,
) -> None:
    """Correct whose these units are: another customer whom the office knows, else this one by another name; of one who
    has units elsewhere a line of a list says nothing, so that it makes a new one."""
    given = {name: about.get(name, before._mapping[name]) or "" for name in ("customer", "phone")}
    given["customer_number"] = about.get("customer_number") or ""  # only one that is given says who is meant
    known = _known(connection, viewer, given)
    elsewhere = sa.select(tenancies.c.id).where(
        tenancies.c.customer_id == before.customer_id, tenancies.c.site_id.not_in(keys)
    )
    if known is None and (house or connection.scalar(elsewhere.limit(1)) is None):
        known = before.customer_id
    if known == before.customer_id:
        values = {OF_CUSTOMER[name]: value for name, value in about.items() if name in OF_CUSTOMER}
        connection.execute(sa.update(customers).where(_c.id == known).values(_nulled(values)))
        return
    whose = _customer(connection, viewer, given)
    connection.execute(sa.update(tenancies).where(tenancies.c.site_id.in_(keys), _OPEN).values(customer_id=whose))
    forget_unused(connection)


def _customer(connection: sa.Connection, viewer: Viewer, given: Mapping[str, str]) -> int:
    """The key of a customer known by what is given, or of a new one."""
    known = _known(connection, viewer, given)
    values = _nulled({OF_CUSTOMER[name]: value for name, value in given.items()})
    if known is None:
        return int(connection.execute(sa.insert(customers).values(values).returning(_c.id)).scalar_one())
    connection.execute(sa.update(customers).where(_c.id == known).values({k: v for k, v in values.items() if v}))
    return known


def _known(connection: sa.Connection, viewer: Viewer, given: Mapping[str, str]) -> int | None:
    """The key of the customer of that number, else of the one of that name and telephone number without another one."""
    name, number = given["customer"], given["customer_number"]
    seen = sa.true() if viewer == WHOLE else _c.id.in_(_seen(viewer))
    if number:
        row = connection.execute(sa.select(_c.id, seen.label("seen")).where(_c.number == number)).one_or_none()
        if row is not None and not row.seen:
            raise CommandError("customer_number", number, "a number that is not in use")
        if row is not None:
            return int(row.id)
    if not name:
        return None
    query = sa.select(_c.id).where(_c.name == name, _c.phone == given["phone"], seen)
    found = connection.scalars(query.where(_c.number.is_(None)) if number else query).all()
    return found[0] if len(found) == 1 else None  # of two alike nobody knows which is meant


def _seen(viewer: Viewer) -> sa.Select[int]:
    """The keys of the customers who have, or had, a unit that the viewer may see."""
    return sa.select(tenancies.c.customer_id).join(sites, sites.c.id == tenancies.c.site_id).where(visible(viewer))


def customer_row(connection: sa.Connection, viewer: Viewer, key: int) -> sa.Row[Any] | None:
    """A customer that the viewer may see."""
    return connection.execute(sa.select(customers).where(_c.id == key, _c.id.in_(_seen(viewer)))).one_or_none()


def _place(
    connection: sa.Connection, viewer: Viewer, before: sa.Row[Any], changes: Mapping[str, Any], *, house: bool
) -> None:
    """Correct where a unit stands: another premises that the office knows, else these by another name or address; a
    line of a list moves its own unit only."""
    given = {name: changes.get(name, before._mapping[name]) or "" for name in OF_PREMISES}
    shared = connection.scalar(
        sa.select(sites.c.id).where(sites.c.premises_id == before.premises_id, sites.c.id != before.id).limit(1)
    )
    if shared is None or (house and "premises" not in changes):
        values = {OF_PREMISES[name]: value for name, value in given.items()}
        found = _known_premises(connection, viewer, given["premises"], given["address"])
        if found is None or found == before.premises_id or "premises" not in changes:
            connection.execute(sa.update(premises).where(premises.c.id == before.premises_id).values(values))
            return
    where = _premises(connection, viewer, given["premises"], given["address"])
    connection.execute(sa.update(sites).where(sites.c.id == before.id).values(premises_id=where))
    forget_unused(connection)


def _premises(connection: sa.Connection, viewer: Viewer, name: str, address: str) -> int:
    """The key of a premises known by its name and address, or of a new one."""
    known = _known_premises(connection, viewer, name, address)
    if known is None:
        made = sa.insert(premises).values(name=name, address=address).returning(premises.c.id)
        return int(connection.execute(made).scalar_one())
    if address:
        connection.execute(sa.update(premises).where(premises.c.id == known).values(address=address))
    return known


def _known_premises(connection: sa.Connection, viewer: Viewer, name: str, address: str) -> int | None:
    if not name:
        return None
    query = sa.select(premises.c.id, premises.c.address).where(premises.c.name == name).order_by(premises.c.id)
    if viewer != WHOLE:
        query = query.where(premises.c.id.in_(sa.select(sites.c.premises_id).where(visible(viewer))))
    rows = connection.execute(query).all()
    same = [row.id for row in rows if row.address == address or not address]
    return next(iter([*same, *(row.id for row in rows if not row.address)]), None)


def forget_unused(connection: sa.Connection) -> int:
    """Remove the customers and premises that no unit has or had; how many."""
    had = sa.exists().where(tenancies.c.customer_id == _c.id)
    gone = connection.execute(sa.delete(customers).where(~had)).rowcount
    housed = sa.exists().where(sites.c.premises_id == premises.c.id)
    return gone + connection.execute(sa.delete(premises).where(~housed)).rowcount


# ---------------------------------------------------------------- houses that change hands


class Tenancy(NamedTuple):
    """Whose a unit is between two instants; `to_at` None: still. `number` is that of a former tenant; `first`: since it
    was enrolled, so that what it tells of the time before is theirs too."""

    number: int | None
    customer: str
    customer_id: int
    from_at: float
    to_at: float | None
    key: int
    first: bool = False


def change(
    connection: sa.Connection,
    viewer: Viewer,
    site: str,
    *,
    customer: str,
    phone: str,
    plan: str,
    number: str = "",
    now: float,
) -> list[str]:
    """Make the units of one customer on a premises another customer's, a new one or one whom the office knows; the
    sites that changed hands. What was noted of the former tenant's health is forgotten, and visits that were booked
    for them are dropped. Raises CommandError."""
    if not customer.strip():
        raise CommandError("customer", customer, "the name of the new customer; `revoke` for an empty house")
    before = _row(connection, viewer, site)
    keys = _together(connection, viewer, before)
    names = list(connection.scalars(sa.select(sites.c.site).where(sites.c.id.in_(keys)).order_by(sites.c.id)))
    given = {"customer": customer.strip(), "customer_number": number, "phone": phone}
    if _known(connection, viewer, given) == before.customer_id:
        raise CommandError("customer", customer, "another customer than the present one")
    whose = _customer(connection, viewer, given)
    over = {"to_at": now, "vulnerability": 0, "vulnerability_note": "", "away_until": None}
    connection.execute(sa.update(tenancies).where(tenancies.c.site_id.in_(keys), _OPEN).values(over))
    about = {"customer_id": whose, "plan": plan, "from_at": now}
    connection.execute(sa.insert(tenancies), [{"site_id": key, **about} for key in keys])
    connection.execute(sa.update(sites).where(sites.c.id.in_(keys)).values(plan_visit_due=None))
    dropped = sa.update(visits).where(visits.c.site_id.in_(keys), visits.c.status == "booked")
    connection.execute(dropped.values(status="dropped", done_at=now))
    for name in names:
        note(connection, now, viewer.login, "changed the tenant of", name)
    return names


def leave_empty(connection: sa.Connection, key: int, now: float) -> None:
    """Leave a unit without a customer, and end its monitor's right to the broker."""
    whose = connection.execute(sa.insert(customers).values(name="").returning(_c.id)).scalar_one()
    connection.execute(sa.insert(tenancies).values(site_id=key, customer_id=whose, from_at=now))
    ended = {"revoked_at": now, "credential": "", "plan_visit_due": None, "name": sites.c.site}
    connection.execute(sa.update(sites).where(sites.c.id == key).values(ended))


def of_site(connection: sa.Connection, key: int) -> list[Tenancy]:
    """Return who has lived at a unit, the newest first; the first of them lives there now."""
    c = tenancies.c
    columns = (c.id, _c.name, c.customer_id, c.from_at, c.to_at, sites.c.enrolled_at)
    joined = sites.join(tenancies, c.site_id == sites.c.id).join(customers, _c.id == c.customer_id)
    query = sa.select(*columns).select_from(joined).where(sites.c.id == key)
    return [
        Tenancy(
            number=None if row.to_at is None else row.id,
            customer=row.name,
            customer_id=row.customer_id,
            from_at=row.from_at,
            to_at=row.to_at,
            key=row.id,
            first=row.from_at <= row.enrolled_at,
        )
        for row in connection.execute(query.order_by(sa.nulls_first(c.to_at.desc()), c.id))
    ]


def former_homes(connection: sa.Connection, viewer: Viewer, customer: int) -> Sequence[Any]:
    """Return where a customer lived and lives no more, as far as the viewer may see it, the latest first."""
    c = tenancies.c
    joined = sites.join(premises, premises.c.id == sites.c.premises_id).join(tenancies, c.site_id == sites.c.id)
    query = sa.select(c.id, sites.c.site, sites.c.name, premises.c.address, c.from_at, c.to_at).select_from(joined)
    query = query.where(c.customer_id == customer, c.to_at.is_not(None), visible(viewer))
    return connection.execute(query.order_by(c.to_at.desc(), sites.c.site)).all()


def tenancy(found: Sequence[Tenancy], number: int | None) -> Tenancy:
    """Return one of `of_site`: a former tenant's by number, else the present one. Raises CommandError."""
    for one in found:
        if one.number == number:
            return one
    allowed = ", ".join(str(one.number) for one in found if one.number is not None) or "none: nobody lived there before"
    raise CommandError("tenant", number, allowed)
