"""(edge) Whether the office itself can be trusted: is ingest at work and has it caught up, who is silent, how much disk
is left, until when the certificate holds, does the broker let us in. One answer for `check`, pages and metrics.
"""

from __future__ import annotations

import os
import shutil
import socket
import ssl
from collections.abc import Iterator
from pathlib import Path

import msgspec
import sqlalchemy as sa
from prometheus_client import CollectorRegistry
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import generate_latest
from prometheus_client.registry import Collector

from condenser_monitor.monitor.core.errors import BrokerError, CondenserError
from condenser_monitor.monitor.fleet import on_call, queries, webhooks
from condenser_monitor.monitor.fleet.session import IngestSession
from condenser_monitor.monitor.fleet.setup import Broker, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import set_aside, sites, slots, standing, state
from condenser_monitor.monitor.limits import FLEET, PUBLISHERS
from condenser_monitor.monitor.publishers.broker import tls_context

_DAY_S = 86400.0


class Freshness(msgspec.Struct, frozen=True, kw_only=True):
    """How far what the office shows is of now. `lag_s`: since when the slowest worker has not read all that the broker
    had for it. `heard_at` is the newest message of any site."""

    workers: int
    lag_s: float | None
    heard_at: float | None
    sites: int
    silent: int

    @property
    def working(self) -> bool:
        """Whether ingest lives."""
        return self.workers > 0

    @property
    def behind(self) -> bool:
        """Whether ingest lives, and lags."""
        return self.lag_s is not None and self.lag_s > FLEET.lag_s.value

    @property
    def many_silent(self) -> bool:
        """Whether so many monitors are silent at once that it is hardly each one's own fault."""
        least = FLEET.silent_share_pct.value / 100.0
        return self.silent >= FLEET.silent_least.value and self.silent >= least * self.sites

    @property
    def trusted(self) -> bool:
        """Whether a list may be taken for what is so now; only then may it look calm."""
        return self.working and not self.behind and not self.many_silent

    @property
    def silent_pct(self) -> float:
        """Share of the enrolled sites whose monitor is silent, in percent."""
        return 100.0 * self.silent / self.sites if self.sites else 0.0


def freshness(connection: sa.Connection, now: float) -> Freshness:
    """Return how fresh everything is, by the database alone."""
    rows = connection.execute(sa.select(slots.c.used_at, slots.c.caught_up_at)).all()
    alive = [row for row in rows if now - row.used_at < queries.ALIVE_S]
    lags = [row.used_at - row.caught_up_at for row in alive if row.caught_up_at is not None]
    enrolled = sites.c.revoked_at.is_(None)
    query = sa.select(
        sa.func.count(), sa.func.max(state.c.heard_at), sa.func.sum(sa.case((queries.is_silent(now), 1), else_=0))
    )
    count, heard_at, silent = connection.execute(query.select_from(sites.join(state)).where(enrolled)).one()
    return Freshness(
        workers=len(alive),
        lag_s=max(lags, default=None),
        heard_at=heard_at,
        sites=int(count),
        silent=int(silent or 0),
    )


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """The office's own state; `problems` are plain sentences, none when all is well. `free_mb` and `certificate_days`
    are None where there is nothing to look at from here."""

    fresh: Freshness
    holes: int
    asides: int
    standing: dict[str, int]
    free_mb: float | None
    certificate_days: float | None
    broker: str
    untold: tuple[str, ...]
    problems: tuple[str, ...]


def health(store: Store, settings: FleetSettings, now: float, *, ask_broker: bool = True) -> Health:
    """Look at everything. Raises DatabaseError where the database does not answer."""
    with store.read() as connection:
        fresh = freshness(connection, now)
        holes = queries.holes(connection)
        asides = connection.scalar(sa.select(sa.func.count()).select_from(set_aside)) or 0
        count = sa.select(standing.c.severity, sa.func.count()).where(standing.c.active).group_by(standing.c.severity)
        active = {row[0]: int(row[1]) for row in connection.execute(count)}
        late = (*webhooks.problems(connection, now), *on_call.problems(connection, settings.on_call, now))
    free_mb, days, broker = _free_mb(store, settings), None, ""
    if ask_broker:
        try:
            days = certificate_days(settings.broker, now)
            IngestSession(settings.broker, f"condenser-fleet-check-{os.getpid()}").end()
        except CondenserError as error:
            broker = str(error)
    found = Health(
        fresh=fresh,
        holes=holes,
        asides=asides,
        standing=active,
        free_mb=free_mb,
        certificate_days=days,
        broker=broker,
        untold=late,
        problems=(),
    )
    return msgspec.structs.replace(found, problems=tuple(_problems(found)))


def _problems(found: Health) -> Iterator[str]:
    fresh = found.fresh
    if not fresh.working:
        yield "no ingest worker lives: nothing that the sites send comes in; start `ingest`"
    if fresh.behind:
        yield f"ingest is {fresh.lag_s:.0f} s behind what the broker has: start another worker, or look at the database"
    if fresh.many_silent:
        yield f"{fresh.silent} of {fresh.sites} monitors are silent ({fresh.silent_pct:.0f} %)"
    if found.broker:
        yield found.broker
    if found.free_mb is not None and found.free_mb < FLEET.free_least_mb.value:
        yield f"{found.free_mb:.0f} MB are free on the disk; at least {FLEET.free_least_mb.value:.0f} MB are wanted"
    if found.certificate_days is not None and found.certificate_days < FLEET.certificate_days.value:
        yield f"the broker's certificate ends in {found.certificate_days:.0f} days: no site can connect after that"
    yield from found.untold


def _free_mb(store: Store, settings: FleetSettings) -> float | None:
    """The least free space of the disks that this machine has a part of the office on."""
    places = [] if store.postgres else [Path(store.url.database or "").resolve().parent]
    places += [Path(settings.broker.files)] if settings.broker.files else []
    free = [shutil.disk_usage(place).free / 1e6 for place in places if place.exists()]
    return min(free, default=None)


def name_wanted(host: str) -> str:
    """Return what is allowed where the broker's name is not found on the office's own machine."""
    return f"a name that this machine finds too; where the broker runs here, a line `127.0.0.1 {host}` in /etc/hosts"


def certificate_days(broker: Broker, now: float) -> float | None:
    """Return in how many days the broker's certificate ends; None without TLS. Raises BrokerError, such as for one that
    has ended."""
    if not broker.tls:
        return None
    place = f"broker {broker.host}:{broker.port}"
    try:
        where = (broker.host, broker.port)
        with (
            socket.create_connection(where, timeout=PUBLISHERS.connect_s.value) as plain,
            tls_context(broker.ca_file).wrap_socket(plain, server_hostname=broker.host) as speaking,
        ):
            certificate = speaking.getpeercert() or {}
    except socket.gaierror as error:
        raise BrokerError(place, error.strerror or str(error), name_wanted(broker.host)) from None
    except (OSError, ValueError) as error:
        raise BrokerError(place, str(error), "a broker with a certificate in force") from None
    return (ssl.cert_time_to_seconds(str(certificate["notAfter"])) - now) / _DAY_S


# ---------------------------------------------------------------- OpenMetrics


class _Office(Collector):
    def __init__(self, found: Health, counts: list[tuple[int, dict[str, int]]], now: float) -> None:
        self._found, self._counts, self._now = found, counts, now

    def collect(self) -> Iterator[Metric]:
        found, fresh = self._found, self._found.fresh
        numbers: tuple[tuple[str, str, float | None], ...] = (
            ("workers", "Ingest workers that live.", fresh.workers),
            ("ingest_lag_seconds", "Since when the slowest worker has not read all that the broker had.", fresh.lag_s),
            (
                "last_message_age_seconds",
                "Age of the newest message of any site.",
                None if fresh.heard_at is None else self._now - fresh.heard_at,
            ),
            ("sites", "Sites enrolled.", fresh.sites),
            ("sites_silent", "Sites whose monitor is silent.", fresh.silent),
            ("sites_with_messages_missing", "Sites whose numbers have holes.", found.holes),
            ("messages_set_aside", "Messages kept aside because they could not be used.", found.asides),
            ("disk_free_bytes", "Least free space of the office's disks.", found.free_mb and found.free_mb * 1e6),
            ("problems", "Reasons for which `fleet check` would not be content.", len(found.problems)),
        )
        for name, about, value in numbers:
            if value is not None:
                yield GaugeMetricFamily(f"condenser_fleet_{name}", about, value=value)
        active = GaugeMetricFamily("condenser_fleet_findings", "Findings that stand.", labels=["severity"])
        for severity, count in sorted(found.standing.items()):
            active.add_metric([severity], count)
        yield active
        done = GaugeMetricFamily(
            "condenser_fleet_worker_messages", "What each worker has done since it started.", labels=["worker", "what"]
        )
        for slot, by_kind in self._counts:
            for what, count in by_kind.items():
                done.add_metric([str(slot + 1), what], count)
        yield done


def metrics(store: Store, settings: FleetSettings, now: float) -> bytes:
    """Return the office's numbers in the OpenMetrics text format, version 1.0.0."""
    found = health(store, settings, now, ask_broker=False)
    with store.read() as connection:
        counts = [
            (row.slot, {name: getattr(row, name) for name in ("messages", "taken", "known", "aside")})
            for row in queries.workers(connection)
        ]
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Office(found, counts, now))
    return bytes(generate_latest(registry))  # type: ignore[no-untyped-call]
