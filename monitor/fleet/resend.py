"""Asking again: holes in the numbers of a site become `resend` requests, repeated with patience, given up in the end.

Requests of people (an acknowledgement from the office) wait in the same table `asks` and leave by the same way.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import msgspec
import sqlalchemy as sa

from condenser_monitor.monitor.fleet.reducer import SiteNow, Writes
from condenser_monitor.monitor.fleet.sequence_tracker import Missing
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import asks, sites, state
from condenser_monitor.monitor.fleet.writer import IngestWriter
from condenser_monitor.monitor.limits import FLEET, PUBLISHERS
from condenser_monitor.monitor.publishers.messages import PersonsRequest, ResendRequest, topic

ASKED_BY = "fleet"
_PATIENCE_S = FLEET.hole_patience_s.value
_AGAIN_S = FLEET.ask_again_s.value
_ASKS_MOST = int(FLEET.asks_most.value)
_RESEND_MOST = int(PUBLISHERS.resend_most.value)
_SWEEP_MOST = int(FLEET.sweep_sites.value)


class Unsent(NamedTuple):
    """A request on its way out."""

    id: str
    topic: str
    payload: bytes


class ResendTries(NamedTuple):
    """The resends that a site has been asked for since its holes opened: unanswered ones in a row, and the last."""

    unanswered: int
    last_at: float


def due(tries: ResendTries | None, now: float) -> bool:
    """Whether a site may be asked (again): at once the first time, and after each answer a little later; unanswered
    requests are repeated after twice the time each."""
    if tries is None:
        return True
    wait_s = _PATIENCE_S if not tries.unanswered else _AGAIN_S * 2.0 ** (tries.unanswered - 1)
    return now >= tries.last_at + wait_s


def request(missing: Missing) -> ResendRequest:
    """The first part of what is missing, as much as a site sends for one request."""
    last = min(missing.last, missing.first + _RESEND_MOST - 1)
    return ResendRequest(
        id=f"resend-{secrets.token_hex(8)}",
        request="resend",
        topic="events" if missing.topic == "events" else "cycles",
        from_seq=missing.first,
        to_seq=last,
        origin=missing.origin,
        by=ASKED_BY,
    )


def sweep(writer: IngestWriter, now: float) -> int:
    """Ask the sites that are connected and have had holes for a while, so many in one sweep at the most; how many were
    asked or given up. Those that wait for an answer hold nobody up behind them."""
    done, after = 0, (0.0, 0)
    while done < _SWEEP_MOST and (page := _with_holes(writer.store, now, after)):
        after = page[-1][:2]
        done += _ask(writer, [site for _, _, site in page], now)
    return done


def _ask(writer: IngestWriter, names: Sequence[str], now: float) -> int:
    with writer.store.write() as connection:
        found = writer.lock_sites(connection, names)
        tries = _tries(connection, found)
        ready = [site for site in found if due(tries.get(site.site_id), now)]
        for site in ready:
            so_far = tries.get(site.site_id)
            if so_far is not None and so_far.unanswered >= _ASKS_MOST:
                _give_up(writer, connection, site, now)
            else:
                for missing in site.books.missing()[:1]:
                    put(connection, site.site_id, request(missing), now)
    return len(ready)


def _with_holes(store: Store, now: float, after: tuple[float, int]) -> list[tuple[float, int, str]]:
    """The next sites with holes, in the order of their age, but for those that were asked a moment ago."""
    c = state.c
    lately = sa.exists().where(asks.c.site_id == c.site_id, asks.c.request == "resend")
    lately = lately.where(asks.c.made_at > now - _PATIENCE_S)
    query = sa.select(c.hole_since, c.site_id, sites.c.site).join(sites).where(c.hole_since < now - _PATIENCE_S)
    query = query.where(c.online.is_not(False), sites.c.revoked_at.is_(None), ~lately)
    query = query.where(sa.or_(c.hole_since > after[0], sa.and_(c.hole_since == after[0], c.site_id > after[1])))
    with store.read() as connection:
        rows = connection.execute(query.order_by(c.hole_since, c.site_id).limit(_SWEEP_MOST))
        return [(at, key, site) for at, key, site in rows]


def _tries(connection: sa.Connection, found: Sequence[SiteNow]) -> dict[int, ResendTries]:
    since = {site.site_id: site.hole_since or 0.0 for site in found}
    query = sa.select(asks.c.site_id, asks.c.made_at, asks.c.answered_at)
    query = query.where(asks.c.site_id.in_(since), asks.c.request == "resend").order_by(asks.c.made_at)
    tries: dict[int, ResendTries] = {}
    for site_id, made_at, answered_at in connection.execute(query):
        if made_at >= since[site_id]:
            before = tries.get(site_id, ResendTries(0, 0.0))
            tries[site_id] = (
                ResendTries(before.unanswered + 1, made_at) if answered_at is None else ResendTries(0, answered_at)
            )
    return tries


def _give_up(writer: IngestWriter, connection: sa.Connection, site: SiteNow, now: float) -> None:
    writes = Writes()
    for missing in site.books.missing():
        site.books.give_up(missing.topic, missing.origin, missing.first, missing.last)
        reason = f"numbers {missing.first} to {missing.last} never came, and the site does not answer: given up"
        writes.asides.append((now, topic(site.site, missing.topic), reason, b""))
    site.hole_since = None
    writer.save(connection, writes, [site], now)


# ---------------------------------------------------------------- the way out


def put(connection: sa.Connection, site_id: int, wish: ResendRequest | PersonsRequest, now: float) -> None:
    """Leave a request for a site; an ingest worker sends it within seconds."""
    body = msgspec.json.encode(wish).decode()
    row = {"id": wish.id, "site_id": site_id, "request": str(wish.request), "asked_by": wish.by}
    connection.execute(sa.insert(asks).values(body=body, made_at=now, **row))


def unsent(store: Store, leave: Iterable[str]) -> list[Unsent]:
    """Requests not yet taken by the broker, the oldest first, but for those in `leave`."""
    query = sa.select(asks.c.id, sites.c.site, asks.c.body).join(sites, sites.c.id == asks.c.site_id)
    query = query.where(asks.c.sent_at.is_(None)).order_by(asks.c.made_at).limit(int(FLEET.asks_at_once.value))
    skip = set(leave)
    with store.read() as connection:
        rows = connection.execute(query)
        return [Unsent(key, topic(site, "requests"), body.encode()) for key, site, body in rows if key not in skip]


def sent(store: Store, ids: Sequence[str], now: float) -> None:
    """The broker has taken these requests."""
    if ids:
        with store.write() as connection:
            connection.execute(sa.update(asks).where(asks.c.id.in_(ids)).values(sent_at=now))
