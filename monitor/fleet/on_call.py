"""(edge) A notice to whoever is on call: new urgent cases out of the office's hours, once each, by apprise.

The cases told of are kept in `notices`, so that a restart tells nobody twice. Names and headlines only: a notice goes
through somebody else's service, and says nothing of who lives there.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime

import sqlalchemy as sa

from condenser_monitor.monitor.core.config import Notify
from condenser_monitor.monitor.core.errors import NotifyError
from condenser_monitor.monitor.core.records import AlertState, Severity
from condenser_monitor.monitor.fleet.inference import headline, outage_words
from condenser_monitor.monitor.fleet.queries import SUPPLY_LOST
from condenser_monitor.monitor.fleet.setup import OnCall
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import notices, sites
from condenser_monitor.monitor.fleet.tables import standing as standing_table
from condenser_monitor.monitor.limits import FLEET_INFERENCE
from condenser_monitor.monitor.publishers.phone import Send, addresses, sender
from condenser_monitor.monitor.publishers.phone_text import PhoneMessage

_log = logging.getLogger(__name__)
_NAMED = 5  # cases by name in one notice; the rest by number
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
    told = sa.exists().where(
        notices.c.site_id == c.site_id, notices.c.finding == c.finding, notices.c.since_at == c.since_at
    )
    query = sa.select(c.site_id, c.finding, c.since_at, sites.c.name).join(sites, sites.c.id == c.site_id)
    query = query.where(c.active, c.severity == Severity.URGENT.value, sites.c.revoked_at.is_(None), sa.not_(told))
    with store.read() as connection:
        new = connection.execute(query.where(c.alert_state.not_in(_ANSWERED)).order_by(c.since_at)).all()
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


def _send(settings: OnCall, message: PhoneMessage, send_to: Callable[[str], Send]) -> bool:
    """Whether at least one address took the message."""
    took = False
    for _, url in addresses(Notify(urls_file=settings.urls_file)):
        try:
            send_to(url)(message)
            took = True
        except NotifyError as error:
            _log.warning("whoever is on call could not be told: %s", error)
    return took
