"""(edge) A notice to whoever is on call: new urgent cases out of the office's hours, once each, by apprise.

The cases told of are kept in `notices`, so that a restart tells nobody twice. Names and headlines only: a notice goes
through somebody else's service, and says nothing of who lives there.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from condenser_monitor.monitor.core.config import Notify, Settings, Site
from condenser_monitor.monitor.core.errors import CommandError, NotifyError, SiteError
from condenser_monitor.monitor.core.records import AlertState, Severity
from condenser_monitor.monitor.fleet.inference import headline, outage_words
from condenser_monitor.monitor.fleet.queries import SUPPLY_LOST
from condenser_monitor.monitor.fleet.setup import FleetSettings, OnCall
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import notices, sites, state
from condenser_monitor.monitor.fleet.tables import standing as standing_table
from condenser_monitor.monitor.limits import FLEET, FLEET_INFERENCE
from condenser_monitor.monitor.publishers.phone import Send, addresses, sender, try_phones
from condenser_monitor.monitor.publishers.phone_text import PhoneMessage

_log = logging.getLogger(__name__)
_NAMED = 5  # cases by name in one notice; the rest by number
_LOOKS = 3  # a case that so many looks at the addresses have left untold is one that nobody takes
_ANSWERED = (AlertState.ACKED.value, AlertState.LATCHED_ACKED.value, AlertState.SHELVED.value)


def in_hours(settings: OnCall, now: float) -> bool:
    """Return whether the office is staffed at this instant, by its own clock."""
    at = datetime.fromtimestamp(now)
    return at.weekday() < settings.days and settings.from_hour <= at.hour < settings.to_hour


def notify(store: Store, settings: OnCall, now: float, *, send_to: Callable[[str], Send] = sender) -> int:
    """Tell of urgent cases that nobody has been told of; how many. In office hours they are only noted as seen. A
    notice that no address took is tried again at the next call."""
    if not settings.urls_file:
        return 0
    c = standing_table.c
    query = _untold().add_columns(c.site_id, c.finding, c.since_at, sites.c.name).order_by(c.since_at)
    with store.read() as connection:
        new = connection.execute(query).all()
    if not new:
        return 0
    if not in_hours(settings, now):
        dark = [row for row in new if row.finding == SUPPLY_LOST]
        cut = len(dark) >= FLEET_INFERENCE.together_least.value
        single = [row for row in new if not cut or row.finding != SUPPLY_LOST]
        lines = [f"{row.name}: {headline(row.finding)}" for row in single[:_NAMED]]
        if len(single) > _NAMED:
            lines.append(f"and {len(single) - _NAMED} more")
        if cut:
            lines.append(outage_words(0, len(dark)))
        title = f"{len(new)} new urgent {'case' if len(new) == 1 else 'cases'}"
        if not _send(settings, PhoneMessage(title=title, body="\n".join(lines), level="failure"), send_to):
            return 0
    with store.write() as connection:
        rows = [{"site_id": r.site_id, "finding": r.finding, "since_at": r.since_at, "made_at": now} for r in new]
        connection.execute(sa.insert(notices), rows)
    return len(new)


def _untold() -> sa.Select[Any]:
    """The urgent cases that nobody has answered and nobody on call was told of; the columns are the caller's."""
    c = standing_table.c
    told = sa.exists().where(
        notices.c.site_id == c.site_id, notices.c.finding == c.finding, notices.c.since_at == c.since_at
    )
    query = sa.select().select_from(standing_table.join(sites, sites.c.id == c.site_id))
    query = query.where(c.active, c.severity == Severity.URGENT.value, sites.c.revoked_at.is_(None), sa.not_(told))
    return query.where(c.alert_state.not_in(_ANSWERED))


def problems(connection: sa.Connection, settings: OnCall, now: float) -> Iterator[str]:
    """Say what keeps whoever is on call from being told: a file of addresses that cannot be used on this machine, cases
    that no address took. A site that was heard just now has its case told at the next look."""
    if not settings.urls_file:
        return
    try:
        if not addresses(Notify(urls_file=settings.urls_file)):
            yield f"nobody is on call: {settings.urls_file} holds no address"
    except SiteError as error:
        yield f"nobody on call can be told: {error}"
    late = _untold().add_columns(sa.func.count()).join(state, state.c.site_id == standing_table.c.site_id)
    count = connection.scalar(late.where(state.c.heard_at < now - _LOOKS * FLEET.on_call_s.value)) or 0
    if count:
        yield f"nobody on call was told of {count} urgent {'case' if count == 1 else 'cases'}: `on-call` says why"


def try_addresses(settings: FleetSettings, say: Callable[[str], object]) -> int:
    """Send a test message to whoever is on call and say what came of it; exit status 0 when all took it, 1 when not.

    Raises CommandError where the fleet file names no file of addresses, SiteError where that cannot be used.
    """
    if not settings.on_call.urls_file:
        raise CommandError("[on_call] urls_file", "", "the path of a file of addresses, one a line, mode 600")
    site, notify = Site(name=settings.name), Notify(urls_file=settings.on_call.urls_file)
    return try_phones(Settings(site=site, notify=notify), say)


def _send(settings: OnCall, message: PhoneMessage, send_to: Callable[[str], Send]) -> bool:
    """Whether at least one address took the message."""
    took = False
    try:
        found = addresses(Notify(urls_file=settings.urls_file))
    except SiteError as error:  # no reason for the worker to end: what the sites send comes in all the same
        _log.warning("nobody on call can be told: %s", error)
        return False
    for _, url in found:
        try:
            send_to(url)(message)
            took = True
        except NotifyError as error:
            _log.warning("whoever is on call could not be told: %s", error)
    return took
