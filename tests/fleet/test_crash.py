"""Killed in turn under load: an ingest worker, the database, the broker. Nothing lost, nothing counted twice.

Real processes: two workers, PostgreSQL, mosquitto; the sites are those of tests/fleet/load.py, which keep what the
broker has not taken and send again what they are asked for, as a monitor does.
"""

from __future__ import annotations

import multiprocessing as mp
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from paho.mqtt import publish

from condenser_monitor.monitor.fleet import ingest, resend, slots
from condenser_monitor.monitor.fleet.setup import Broker, Database, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    asks,
    cycles,
    events,
    set_aside,
    site_days,
    sites,
    standing,
    state,
)
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.sim.broker import PrivateBroker
from tests.conftest import need
from tests.fleet.bench import make_sites
from tests.fleet.load import LoadPublisher, site_number
from tests.fleet.servers import Postgres, postgres_bin
from tests.size import long_one

_SITES = 12
_LONG_S = 60.0
_SPAWN = mp.get_context("spawn")


def _work(port: int, url: str) -> None:
    """An ingest worker in a process of its own, hurried."""
    for limit, value in ((FLEET.retry_s, 0.05), (FLEET.beat_s, 0.1), (FLEET.sweep_s, 0.2), (FLEET.drained_s, 0.5)):
        setattr(FLEET, limit.key, limit._replace(value=value))
    slots._IDLE_S, resend._PATIENCE_S, resend._AGAIN_S = 1.0, 0.5, 0.5
    resend._ASKS_MOST = 1000  # an impatient office that never gives up
    settings = FleetSettings(broker=Broker(port=port, username=""), database=Database(url=url))
    ingest.Worker(settings, Store(url)).run(lambda: False)


class Yard:
    """Database, broker, two workers and the sites, with everything to kill and to start again."""

    def __init__(self) -> None:
        self.database, self.broker = Postgres(), PrivateBroker()
        self.url = self.database.database("crash")
        self.store = Store(self.url)
        self.store.migrate()
        make_sites(self.store, _SITES)
        self.workers = [self.hire(), self.hire()]
        self._hush, self._quiet, self._quit = threading.Event(), threading.Event(), threading.Event()
        self.publisher = LoadPublisher(self.broker.port, range(_SITES), window=100)
        self._thread = threading.Thread(target=self._speak)
        self._thread.start()

    def hire(self) -> Any:
        worker = _SPAWN.Process(target=_work, args=(self.broker.port, self.url), daemon=True)
        worker.start()
        return worker

    def _speak(self) -> None:
        while not self._hush.is_set():
            self.publisher.round(pace_per_s=600)
        while not self.publisher.settle(0.2) and not self._quit.is_set():
            pass
        self.publisher.say_all()
        self._quiet.set()
        while not self._quit.is_set():
            self.publisher.listen(0.2)

    def fall_silent(self) -> None:
        """The sites end their story, say how far they have numbered, and go on answering."""
        self._hush.set()
        assert self._quiet.wait(_LONG_S)

    def count(self, table: sa.Table) -> int:
        return _rows(self.store, table)

    def more(self, cycles_more: int = 40) -> None:
        """Wait until work goes on: so many more cycles are in the database."""
        wanted = self.count(cycles) + cycles_more
        _wait(lambda: self.count(cycles) >= wanted)

    def close(self) -> None:
        self._hush.set()
        self._quit.set()
        self._thread.join(_LONG_S)
        for worker in self.workers:
            worker.kill()
            worker.join()
        self.store.close()
        self.broker.close()
        self.database.close()


@pytest.fixture
def yard() -> Iterator[Yard]:
    """The yard at work, closed at the end."""
    need("mosquitto")
    need("postgresql", postgres_bin() is not None)
    made = Yard()
    yield made
    made.close()


@long_one
def test_worker_database_and_broker_killed_in_turn_lose_nothing_and_double_nothing(yard: Yard) -> None:
    """Every number that a site has given, events and cycles, is in the database exactly once, sums included."""
    yard.more()
    yard.workers.pop(0).kill()
    yard.more()
    yard.workers.append(yard.hire())
    yard.more()
    yard.database.kill()
    time.sleep(0.3)
    yard.database.start()
    yard.store.engine.dispose()
    yard.more()
    yard.broker.kill()
    time.sleep(0.2)
    yard.broker.start()
    yard.more()
    yard.workers.pop().kill()  # for good: the one that is left takes over its share
    yard.more()
    yard.fall_silent()
    sent = {site.name: (yard.publisher.cycle, site.events_up_to(yard.publisher.cycle)) for site in _sites(yard)}
    _wait(lambda: _have(yard) == sent)
    _wait(lambda: _holes(yard) == 0)
    _check_everything_once(yard, sent)


@long_one
def test_a_worker_killed_at_any_moment_leaves_what_it_had_not_committed_to_the_next(tmp_path: Path) -> None:
    """Four workers one after the other, each killed at work; the sites send nothing again, and all is there once."""
    need("mosquitto")
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    make_sites(store, 3)
    with PrivateBroker() as broker:
        work = (broker.port, f"sqlite:///{tmp_path}/fleet.db")
        publisher = LoadPublisher(broker.port, range(3))
        wanted = 0
        for stage in range(4):
            worker = _SPAWN.Process(target=_work, args=work, daemon=True)
            worker.start()
            if not stage:
                _wait(lambda: _heard(broker, store))  # what is said before it listens, nobody hears
            for _ in range(50):
                publisher.round()
            wanted += 150
            assert publisher.settle(_LONG_S)
            _wait(lambda least=wanted - 140 if stage < 3 else wanted: _rows(store, cycles) >= least)  # type: ignore[misc]
            worker.kill()
            worker.join()
        publisher.close()
    with store.read() as connection:
        assert sorted(connection.execute(sa.select(cycles.c.site_id, cycles.c.seq))) == [
            (site, seq) for site in (1, 2, 3) for seq in range(1, 201)
        ]
        assert connection.scalar(sa.select(sa.func.count()).select_from(asks)) == 0
    store.close()


def _heard(broker: PrivateBroker, store: Store) -> bool:
    """Say something that will be set aside; whether any of it has been."""
    publish.single("condenser/v1/nobody/events", b"?", qos=1, port=broker.port)
    return _rows(store, set_aside) > 0


def _rows(store: Store, table: sa.Table) -> int:
    with store.read() as connection:
        return connection.scalar(sa.select(sa.func.count()).select_from(table)) or 0


def _wait(what: Callable[[], bool]) -> None:
    end = time.monotonic() + _LONG_S
    while not what():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.01)


def _sites(yard: Yard) -> Any:
    return yard.publisher.sites.values()


def _have(yard: Yard) -> dict[str, tuple[int, int]]:
    with yard.store.read() as connection:
        names = {row.id: row.site for row in connection.execute(sa.select(sites.c.id, sites.c.site))}
        counts = {
            table: {
                row.site_id: row.n
                for row in connection.execute(
                    sa.select(table.c.site_id, sa.func.count().label("n")).group_by(table.c.site_id)
                )
            }
            for table in (cycles, events)
        }
    return {name: (counts[cycles].get(key, 0), counts[events].get(key, 0)) for key, name in names.items()}


def _holes(yard: Yard) -> int:
    with yard.store.read() as connection:
        query = sa.select(sa.func.count()).select_from(state).where(state.c.hole_since.is_not(None))
        return connection.scalar(query) or 0


def _check_everything_once(yard: Yard, sent: dict[str, tuple[int, int]]) -> None:
    with yard.store.read() as connection:
        pairs = connection.execute(sa.select(cycles.c.site_id, cycles.c.seq)).all()
        assert len(set(pairs)) == len(pairs) == sum(row[0] for row in sent.values())
        pairs = connection.execute(sa.select(events.c.site_id, events.c.seq)).all()
        assert len(set(pairs)) == len(pairs) == sum(row[1] for row in sent.values())
        sums = connection.execute(sa.select(sa.func.sum(site_days.c.cycles), sa.func.sum(site_days.c.run_s))).one()
        assert tuple(sums) == (sum(row[0] for row in sent.values()), 900.0 * sum(row[0] for row in sent.values()))
        query = sa.select(sites.c.site, standing.c.finding).join(sites).where(standing.c.active)
        found = {(site_number(row.site), row.finding) for row in connection.execute(query)}
    last = yard.publisher.cycle
    stands = {(site.number, fault.finding) for site in _sites(yard) if (fault := site.fault(last)) is not None}
    assert found == stands
