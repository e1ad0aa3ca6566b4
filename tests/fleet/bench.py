"""Parts of the fleet's bench (tests/fleet/__main__.py): ingest on a private broker and a private PostgreSQL.

In each round the same backlog of messages is drained by (a) a subscriber that does nothing, (b) one ingest worker, (c)
two; each begins with the backlog whole, and PostgreSQL with its usual durability. The figures of a round are taken
within minutes of each other, so that their ratio says more than each of them.
"""

from __future__ import annotations

import itertools
import multiprocessing as mp
import select
import statistics
import threading
import time
from collections.abc import Callable, Sequence
from multiprocessing.sharedctypes import Synchronized
from typing import Any, NamedTuple

import paho.mqtt.client as paho
import sqlalchemy as sa
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from condenser_monitor.monitor.fleet import ingest
from condenser_monitor.monitor.fleet.reducer import Writes
from condenser_monitor.monitor.fleet.session import Arrived, IngestSession
from condenser_monitor.monitor.fleet.setup import Broker, Database, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import state
from condenser_monitor.monitor.publishers.messages import topic
from condenser_monitor.sim.broker import PrivateBroker
from tests.fleet.busy import Busy, rss
from tests.fleet.load import LoadPublisher, LoadSite, site_name
from tests.fleet.office import put_sites
from tests.fleet.servers import Postgres

QUIET = ("allow_anonymous true", "autosave_on_changes false", "autosave_interval 1800", "max_inflight_messages 0")
_SPAWN = mp.get_context("spawn")
_LONG_S = 600.0


def make_sites(store: Store, count: int, *, about: Callable[[int], dict[str, Any]] = lambda _: {}) -> None:
    """Enrol the sites of the load, all at once."""
    rows = [
        {"id": n + 1, "site": site_name(n), "name": f"Site {n}", "enrolled_at": 0.0, **about(n)} for n in range(count)
    ]
    with store.write() as connection:
        put_sites(connection, rows)
        connection.execute(sa.insert(state), [{"site_id": n + 1} for n in range(count)])


# ---------------------------------------------------------------- those who drain, each a process of its own


def _mark_first(first_s: Synchronized[float]) -> None:
    """Have this process say when its first messages arrived: what it reads before its first commit counts too."""
    turn = IngestSession.turn

    def marked(session: IngestSession, most: int) -> list[Arrived]:
        arrived = turn(session, most)
        if arrived and not first_s.value:
            first_s.value = time.monotonic()
        return arrived

    IngestSession.turn = marked  # type: ignore[method-assign, assignment]


def _noop(port: int, group: str, got: Synchronized[int], first_s: Synchronized[float]) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=group, protocol=paho.MQTTv5)

    def count(*_: object) -> None:
        first_s.value = first_s.value or time.monotonic()
        got.value += 1

    client.on_message = count
    client.connect("127.0.0.1", port, clean_start=False, properties=_session())
    client.loop_forever()


def _bare(port: int, _url: str, got: Synchronized[int], first_s: Synchronized[float]) -> None:
    """The worker's own client, which acknowledges at once and does nothing else."""
    _mark_first(first_s)
    session = IngestSession(Broker(port=port, username=""), "condenser-fleet-0")
    while True:
        select.select([] if session.unread else [session], [], [], 0.0 if session.unread else 0.1)
        arrived = session.turn(2000)
        session.acknowledge([item.mid for item in arrived])
        got.value += len(arrived)


def _session() -> Properties:
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3600
    properties.ReceiveMaximum = 8000
    return properties


class _Counted(ingest.Worker):
    got: Synchronized[int]

    def count(self, messages: int, writes: Writes) -> None:
        super().count(messages, writes)
        with self.got.get_lock():
            self.got.value += messages


def _ingest(port: int, url: str, got: Synchronized[int], first_s: Synchronized[float]) -> None:
    _mark_first(first_s)
    store = Store(url)
    worker = _Counted(FleetSettings(broker=Broker(port=port, username=""), database=Database(url=url)), store)
    worker.got = got
    ingest.spare_collector()
    worker.run(lambda: False)


def _subscribed(port: int, group: str) -> None:
    """Make the no-op subscriber's session, so that the broker queues for it."""
    ready = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=group, protocol=paho.MQTTv5)
    client.on_connect = lambda c, *_: c.subscribe([(topic("+", name), 1) for name in ingest.SHARED])
    client.on_subscribe = lambda *_: ready.set()
    client.connect("127.0.0.1", port, clean_start=False, properties=_session())
    client.loop_start()
    ready.wait(10)
    client.disconnect()
    client.loop_stop()


class Drained(NamedTuple):
    """What emptying a queue took: messages a second from the first to the last, the largest resident memory of one
    process in MB, microseconds of processor time a message by those who drained, the database and the broker, and
    bytes that the database wrote to its log."""

    per_s: float
    most_mb: float
    worker_us: float
    database_us: float
    broker_us: float
    log_bytes: float = 0.0


def _drained(
    target: Callable[..., None], arguments: Sequence[Any], processes: int, wanted: int, beside: tuple[Busy, Busy]
) -> Drained:
    got, first_s = _SPAWN.Value("q", 0), _SPAWN.Value("d", 0.0)
    running = [_SPAWN.Process(target=target, args=(*arguments, got, first_s), daemon=True) for _ in range(processes)]
    before = [one.cpu_s() for one in beside]
    for process in running:
        process.start()
    most, at_first, until = 0, list[float](), time.monotonic() + _LONG_S
    while got.value < wanted and time.monotonic() < until:
        if first_s.value and not at_first:
            at_first = [Busy(process.pid).cpu_s() for process in running]
        most = max(most, *(rss(process.pid or 0) for process in running))
        time.sleep(0.005)
    took_s, count = time.monotonic() - first_s.value, got.value
    worked_s = sum(Busy(process.pid).cpu_s() for process in running) - sum(at_first)
    others_s = [one.cpu_s() - was for one, was in zip(beside, before, strict=True)]
    for process in running:
        process.kill()
        process.join()
    costs = (1e6 * spent / count for spent in (worked_s, *others_s))
    return Drained(count / took_s, most / 1e6, *costs)


# ---------------------------------------------------------------- rounds


NO_OP, BARE, ONE, TWO = "no-op subscriber", "no-op, our client", "one worker", "two workers"
DRAINERS = {NO_OP: 0, BARE: 1, ONE: 1, TWO: 2}  # and how many processes drain


def round_of(count: int, backlog: int) -> dict[str, Drained]:
    """One round: a subscriber of paho's that does nothing, one made of the worker's own client, one worker, two; each
    with a fresh broker and database."""
    database = Postgres(options=())
    try:
        return {name: _fresh(database, count, backlog, name) for name in DRAINERS}
    finally:
        database.close()


def _fresh(database: Postgres, count: int, backlog: int, name: str) -> Drained:
    with PrivateBroker(QUIET) as broker:
        return _drain(broker, database, count, backlog, name)


def _drain(broker: PrivateBroker, database: Postgres, count: int, backlog: int, name: str) -> Drained:
    """Fill the broker's queue, then let it be emptied."""
    workers = DRAINERS[name]
    url, port = database.database(f"b{list(DRAINERS).index(name)}"), broker.port
    if workers:
        store = Store(url)
        store.migrate()
        make_sites(store, count)
        store.close()
        for slot in range(workers):
            _hold_slot(port, url, slot)
    else:
        _subscribed(port, "noop")
    publisher = LoadPublisher(port, range(count))
    while publisher.sent < backlog:
        publisher.round()
    publisher.settle(60.0)
    publisher.close()
    wanted = int(publisher.sent * 0.97)  # the last few come singly
    beside = (Busy(database.pid), Busy(broker.pid))
    if workers:
        before = _logged(url)
        found = _drained(_bare if name == BARE else _ingest, (port, url), workers, wanted, beside)
        return found._replace(log_bytes=(_logged(url) - before) / wanted)
    return _drained(_noop, (port, "noop"), 1, wanted, beside)


def _logged(url: str) -> float:
    """Bytes that PostgreSQL has written to its log so far."""
    store = Store(url)
    with store.read() as connection:
        written = connection.exec_driver_sql("SELECT pg_current_wal_insert_lsn() - '0/0'::pg_lsn").scalar()
    store.close()
    return float(written or 0)


def _hold_slot(port: int, url: str, slot: int) -> None:
    """Make the session of a slot, as a worker that had been there before would have left it."""
    session = IngestSession(Broker(port=port, username=""), f"condenser-fleet-{slot}")
    session.subscribe(*(f"$share/condenser-fleet/{topic('+', name)}" for name in ingest.SHARED))
    session.drop()


class Moment(NamedTuple):
    """An even load, at one moment of it: seconds from its beginning, messages sent and not yet committed, MB."""

    at_s: float
    sent: int
    behind: int
    worker_mb: float
    broker_mb: float


def steady(count: int, seconds: float, pace_per_s: float) -> list[Moment]:
    """One worker under an even load for a while: does its memory, or the queue at the broker, grow?"""
    database = Postgres(options=())
    # Held here until the worker has been started and has taken them over.
    got, first_s = _SPAWN.Value("q", 0), _SPAWN.Value("d", 0.0)
    try:
        with PrivateBroker(QUIET) as broker:
            url = database.database("steady")
            store = Store(url)
            store.migrate()
            make_sites(store, count)
            store.close()
            _hold_slot(broker.port, url, 0)
            worker = _SPAWN.Process(target=_ingest, args=(broker.port, url, got, first_s), daemon=True)
            worker.start()
            moments = _watch(
                broker, worker.pid or 0, got, LoadPublisher(broker.port, range(count)), (seconds, pace_per_s)
            )
            if not worker.is_alive():
                raise RuntimeError(f"the worker ended by itself, with {worker.exitcode}")
            worker.kill()
            worker.join()
    finally:
        database.close()
    return moments


def _watch(
    broker: PrivateBroker, pid: int, got: Synchronized[int], publisher: LoadPublisher, load: tuple[float, float]
) -> list[Moment]:
    speaking = threading.Thread(target=_speak, args=(publisher, *load))
    began, seconds = time.monotonic(), load[0]
    speaking.start()
    moments: list[Moment] = []
    while speaking.is_alive():
        time.sleep(0.2)
        at = time.monotonic() - began
        if at >= seconds * len(moments) / 10:
            behind = publisher.sent - got.value
            moments.append(Moment(at, publisher.sent, behind, rss(pid) / 1e6, rss(broker.pid) / 1e6))
    speaking.join()
    return moments


def _speak(publisher: LoadPublisher, seconds: float, pace_per_s: float) -> None:
    until = time.monotonic() + seconds
    for number in itertools.cycle(publisher.sites):
        publisher.speak(number, pace_per_s)
        if time.monotonic() > until:
            break
    publisher.settle(30.0)
    publisher.close()


def payload_size() -> float:
    """Mean bytes of a message of the load."""
    return statistics.mean(len(payload) for n in range(100) for _, payload in LoadSite(n).burst(n % 25 + 1))
