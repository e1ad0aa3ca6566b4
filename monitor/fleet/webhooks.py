"""(edge) Webhooks: what happens to cases and visits, told to other programs at once, signed as Standard Webhooks says
(https://www.standardwebhooks.com, specification 1.0).

A message is put into `outbox` in the transaction of the change itself, so that what was committed is told and what was
not is not. The worker in the first slot posts what waits, each receiver in order: a message counts as delivered when
the receiver has answered 2xx, and comes again under the same `webhook-id` when the worker dies before that is written
down.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
import urllib.error
import urllib.request
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from http.client import HTTPException
from ipaddress import ip_address
from typing import Any, NamedTuple
from urllib.parse import urlsplit

import msgspec
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CONTROLS, CommandError
from condenser_monitor.monitor.fleet.active_alerts import ActiveAlerts
from condenser_monitor.monitor.fleet.people import checked_branch, note
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import outbox, sites, users, visits, webhooks
from condenser_monitor.monitor.fleet.tables import standing as standing_table
from condenser_monitor.monitor.hosts import is_number
from condenser_monitor.monitor.limits import FLEET

EVENTS: dict[str, str] = {
    "case.opened": "a finding stands at a site",
    "case.closed": "it stands no more",
    "visit.booked": "a visit was booked",
    "visit.moved": "it has another day or technician",
    "visit.made": "it was made, and what it really was",
    "visit.dropped": "it will not be made",
}
PING = "ping"  # to try a receiver; every receiver gets it
RETRIES_S = (5.0, 300.0, 1800.0, 7200.0, 18000.0, 36000.0, 50400.0, 72000.0, 86400.0)  # the specification's own
_SECRET_BYTES = 32  # the specification: 24 to 64
_PREFIX, _VERSION = "whsec_", "v1"
_GONE = 410
_AT_ONCE = 50  # messages to one receiver before the next one is served
_PROBLEM_MOST = 200

Post = Callable[[str, bytes, Mapping[str, str]], int]


class Webhook(NamedTuple):
    """A receiver as the office sees it: never its secret. `problem` is why the last try failed, "" when it did not."""

    name: str
    url: str
    events: str
    waiting: int
    waits_since: float | None
    delivered_at: float | None
    off_at: float | None
    problem: str

    @property
    def how(self) -> str:
        """How it does, in words; a receiver that never took anything isn't called well."""
        return self.problem or ("not tried yet" if self.delivered_at is None else "well")


# ---------------------------------------------------------------- receivers


def add(store: Store, name: str, url: str, events: Sequence[str], *, branch: str = "", by: str, now: float) -> str:
    """Return the secret of a new receiver, which is shown to nobody again. No `events` means all; one of a `branch` is
    told of its sites only. Raises CommandError."""
    if not name.strip() or len(name) > 64 or CONTROLS.search(name):
        raise CommandError("webhook: name", name, "1 to 64 characters")
    if not set(events) <= set(EVENTS):
        raise CommandError("webhook: events", " ".join(events), f"any of {', '.join(EVENTS)}")
    secret = _PREFIX + base64.b64encode(secrets.token_bytes(_SECRET_BYTES)).decode()
    row = {"name": name, "url": _checked(url), "events": " ".join(events or EVENTS), "secret": secret, "made_at": now}
    row["branch"] = checked_branch(branch)
    with store.write() as connection:
        if connection.scalar(sa.select(webhooks.c.name).where(webhooks.c.name == name)) is not None:
            raise CommandError("webhook: name", name, "a name not in use")
        connection.execute(sa.insert(webhooks).values(row))
        note(connection, now, by, "made a webhook", name, url=url, events=row["events"])
    return secret


def _checked(url: str) -> str:
    """Return the URL when it can be posted to: encrypted, but for what stays in the house."""
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname or "", parts.port
    except ValueError:
        host = ""
    near = host == "localhost" or (is_number(host) and ip_address(host).is_private)
    known = host and not (parts.username or parts.password or CONTROLS.search(url) or " " in url)
    if known and (parts.scheme == "https" or (parts.scheme == "http" and near)):
        return url
    raise CommandError("webhook: URL", url, "https://HOST/..., without a password; http:// only to a private address")


def drop(store: Store, name: str, *, by: str, now: float) -> None:
    """End a receiver, and what waits for it. Raises CommandError for one that there is not."""
    with store.write() as connection:
        connection.execute(sa.delete(outbox).where(outbox.c.webhook == name))
        if not connection.execute(sa.delete(webhooks).where(webhooks.c.name == name)).rowcount:
            raise CommandError("webhook: name", name, "the name of a webhook")
        note(connection, now, by, "ended a webhook", name)


def resume(store: Store, name: str, *, by: str, now: float, skip: bool = False) -> None:
    """Post to a receiver again at once, with all that waits for it; `skip` leaves the first out, for one that the
    receiver will never take. Puts a `ping` behind the rest. Raises CommandError for one that there is not."""
    with store.write() as connection:
        change = sa.update(webhooks).where(webhooks.c.name == name)
        if not connection.execute(change.values(off_at=None, tries=0, next_at=0.0, problem="")).rowcount:
            raise CommandError("webhook: name", name, "the name of a webhook")
        if skip:
            first = sa.select(sa.func.min(outbox.c.id)).where(outbox.c.webhook == name, outbox.c.delivered_at.is_(None))
            connection.execute(sa.delete(outbox).where(outbox.c.id == first.scalar_subquery()))
        connection.execute(sa.insert(outbox).values(_row(name, PING, now, None, {})))
        note(connection, now, by, "resumed a webhook", name, skip=skip)


def listed(connection: sa.Connection) -> list[Webhook]:
    """Return all receivers by name, with how much waits for each."""
    waits = outbox.c.delivered_at.is_(None)
    query = sa.select(outbox.c.webhook, sa.func.count(), sa.func.min(outbox.c.made_at)).where(waits)
    waiting = {row[0]: (int(row[1]), row[2]) for row in connection.execute(query.group_by(outbox.c.webhook))}
    return [
        Webhook(
            *(row.name, row.url, row.events, *waiting.get(row.name, (0, None))),
            *(row.delivered_at, row.off_at, row.problem),
        )
        for row in connection.execute(sa.select(webhooks).order_by(webhooks.c.name))
    ]


def problems(connection: sa.Connection, now: float) -> list[str]:
    """Return what is wrong with receivers, a plain sentence each."""
    late_s = FLEET.webhook_late_s.value
    return [
        f"webhook {row.name}: {row.waiting} messages wait, {row.how}"
        + ("; `resume-webhook` tries again" if row.off_at is not None else "")
        for row in listed(connection)
        if row.off_at is not None or (row.waits_since is not None and now - row.waits_since > late_s)
    ]


# ---------------------------------------------------------------- into the outbox


def put_cases(connection: sa.Connection, rows: Sequence[ActiveAlerts], now: float) -> None:
    """Tell of cases that open or close when these rows of `standing` are written; to be called just before that."""
    hooks = _receivers(connection) if rows else ()
    if not hooks:
        return
    c = standing_table.c
    keys = sorted({row.site_id for row in rows})
    was = {
        (row.site_id, row.finding)
        for row in connection.execute(sa.select(c.site_id, c.finding).where(c.site_id.in_(keys), c.active))
    }
    turned = [row for row in rows if row.active is not ((row.site_id, row.finding) in was)]
    names = _names(connection, [row.site_id for row in turned])
    made = [
        _row(hook, kind, now, row.site_id, _case(row, names[row.site_id]))
        for row in turned
        for kind in ["case.opened" if row.active else "case.closed"]
        for hook in _wanting(hooks, kind, names[row.site_id].branch)
    ]
    if made:
        connection.execute(sa.insert(outbox), made)


def _case(row: ActiveAlerts, site: _Told) -> dict[str, Any]:
    suspects = msgspec.json.decode(row.suspects)
    words = {"finding": row.finding, "severity": row.severity, "since": _instant(row.since_at)}
    words["changed"] = _instant(row.changed_at)
    return {"site": site.site, "name": site.name, **words, "suspects": suspects, "summary": row.summary}


def put_visit(connection: sa.Connection, kind: str, visit: int, now: float) -> None:
    """Tell what became of a visit, in the transaction that changed it."""
    hooks = _receivers(connection)
    if not hooks:
        return
    query = sa.select(visits, users.c.login).outerjoin(users, users.c.id == visits.c.technician_id)
    row = connection.execute(query.where(visits.c.id == visit)).one()
    site = _names(connection, [row.site_id])[row.site_id]
    data = {
        "visit": visit,
        "site": site.site,
        "name": site.name,
        "kind": row.kind,
        "status": row.status,
        "day": row.due_day,
    }
    data |= {"technician": row.login, "finding": row.finding, "was": row.was}
    made = [_row(hook, kind, now, row.site_id, data) for hook in _wanting(hooks, kind, site.branch)]
    if made:
        connection.execute(sa.insert(outbox), made)


class _Told(NamedTuple):
    """What a receiver is told of a site, and which branch's receivers are told."""

    site: str
    name: str
    branch: str


def _receivers(connection: sa.Connection) -> Sequence[Any]:
    return connection.execute(sa.select(webhooks.c.name, webhooks.c.events, webhooks.c.branch)).all()


def _wanting(hooks: Sequence[Any], kind: str, branch: str) -> Iterable[str]:
    return (hook.name for hook in hooks if kind in hook.events.split() and hook.branch in ("", branch))


def _names(connection: sa.Connection, keys: Sequence[int]) -> dict[int, _Told]:
    query = sa.select(sites.c.id, sites.c.site, sites.c.name, sites.c.branch).where(sites.c.id.in_(sorted(set(keys))))
    return {key: _Told(*about) for key, *about in connection.execute(query)}


def _row(hook: str, kind: str, at: float, site_id: int | None, data: Mapping[str, Any]) -> dict[str, Any]:
    body = msgspec.json.encode({"type": kind, "timestamp": _instant(at), "data": data}).decode()
    head = {"webhook": hook, "message_id": f"msg_{secrets.token_urlsafe(18)}", "site_id": site_id}
    return {**head, "body": body, "made_at": at}


def _instant(at: float) -> str:
    return datetime.fromtimestamp(at, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


# ---------------------------------------------------------------- out of it


def signature(secret: str, message_id: str, at_s: int, body: bytes) -> str:
    """Return what stands in `webhook-signature`: HMAC-SHA256 over id, instant and body, a dot between."""
    key = base64.b64decode(secret.removeprefix(_PREFIX))
    signed = b".".join((message_id.encode(), str(at_s).encode(), body))
    return f"{_VERSION},{base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode()}"


class _Here(urllib.request.HTTPRedirectHandler):
    """Follows nothing: a receiver that has moved is to be told to the office."""

    def redirect_request(self, *_: object, **__: object) -> None:
        return None


def post(url: str, body: bytes, headers: Mapping[str, str]) -> int:
    """Return the status of the answer. Raises OSError where there is none."""
    request = urllib.request.Request(url, body, dict(headers), method="POST")  # noqa: S310 - http and https alone, see _checked
    try:
        with urllib.request.build_opener(_Here).open(request, timeout=FLEET.webhook_wait_s.value) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        with error:
            return error.code
    except HTTPException as error:
        raise OSError(f"no answer of HTTP: {type(error).__name__}") from error


def deliver(
    store: Store, wall: Callable[[], float], *, stopped: Callable[[], bool] = lambda: False, send: Post = post
) -> int:
    """Post what waits, each receiver in order until one refuses; how many were delivered. A receiver that refuses is
    tried again later and later, and after the last time, or when it says 410, no more."""
    c, count = webhooks.c, 0
    with store.read() as connection:
        due = connection.execute(sa.select(webhooks).where(c.off_at.is_(None), c.next_at <= wall())).all()
    for hook in due:
        query = sa.select(outbox).where(outbox.c.webhook == hook.name, outbox.c.delivered_at.is_(None))
        with store.read() as connection:
            waiting = connection.execute(query.order_by(outbox.c.id).limit(_AT_ONCE)).all()
        for place, message in enumerate(waiting):
            if stopped():
                return count
            problem = _answer(hook, message, int(wall()), send)
            row = _after(problem, 0 if place else hook.tries, wall())
            with store.write() as connection:
                if not problem:
                    connection.execute(sa.update(outbox).where(outbox.c.id == message.id).values(delivered_at=wall()))
                connection.execute(sa.update(webhooks).where(c.name == hook.name).values(row))
            if problem:
                break
            count += 1
    return count


def _after(problem: str, tries: int, now: float) -> dict[str, Any]:
    """Return what becomes of a receiver's row after a message that had failed `tries` times before."""
    if not problem:
        return {"tries": 0, "next_at": 0.0, "problem": "", "delivered_at": now}
    ended = tries >= len(RETRIES_S) or problem.endswith(f" {_GONE}")
    next_at = now if ended else now + RETRIES_S[tries]
    return {"tries": tries + 1, "next_at": next_at, "problem": problem, "off_at": now if ended else None}


def _answer(hook: Any, message: Any, at_s: int, send: Post) -> str:
    """Post one message; "" when it was taken, else why not."""
    body = message.body.encode()
    headers = {
        "content-type": "application/json",
        "user-agent": "condenser-monitor",
        "webhook-id": message.message_id,
        "webhook-timestamp": str(at_s),
        "webhook-signature": signature(hook.secret, message.message_id, at_s, body),
    }
    try:
        status = send(hook.url, body, headers)
    except (OSError, ValueError) as error:
        return f"no answer: {getattr(error, 'reason', None) or error or type(error).__name__}"[:_PROBLEM_MOST]
    return "" if status // 100 == 2 else f"the receiver answers {status}"
