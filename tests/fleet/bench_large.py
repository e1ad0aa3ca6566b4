"""Parts of the fleet's bench: an office at its promised size, 100,000 sites, from the broker's start to its pages.

One broker with an account for each site (rules by pattern), one PostgreSQL with its usual durability, one worker. All
sites speak one cycle, as they do 46 times on a hot day; meanwhile the broker is ended in good order and started again,
and the worker is killed and another one started. At the end every message must be in the database, once.
"""

from __future__ import annotations

import multiprocessing as mp
import os
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import sqlalchemy as sa

from condenser_monitor.monitor.fleet import enroll, ingest
from condenser_monitor.monitor.fleet.session import IngestSession
from condenser_monitor.monitor.fleet.setup import Broker, Database, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import asks, cycles, sites, slots, state
from condenser_monitor.sim import broker as private
from condenser_monitor.sim.broker import PrivateBroker
from tests.fleet import bench_season
from tests.fleet.bench import QUIET, make_sites
from tests.fleet.busy import rss
from tests.fleet.load import LoadPublisher
from tests.fleet.servers import Postgres

_SPAWN = mp.get_context("spawn")
_LONG_S = 1800.0
_SEASON_DAYS, _SEASON_CYCLES = 2, 8
_A_DAY = 281  # messages that a site says on a hot day, counted in the simulator (monitor/fleet/README.md)


def _work(port: int, url: str) -> None:
    store = Store(url)
    ingest.spare_collector()
    ingest.Worker(FleetSettings(broker=Broker(port=port, username=""), database=Database(url=url)), store).run(
        lambda: False
    )


def lines(count: int) -> Iterator[str]:
    """Measure step by step; a line each."""
    private.START_S = _LONG_S  # a broker that saves and reads what 100,000 sites have said
    yield from _accounts(count)
    yield from _day(count)
    yield f"pages over {_SEASON_DAYS} days of {_SEASON_CYCLES} cycles a site:"
    season = bench_season.measure(count, _SEASON_DAYS, _SEASON_CYCLES)
    for path, taken in season.times.items():
        yield f"page {path}: {1e3 * sorted(taken)[len(taken) // 2]:.0f} ms, slowest {1e3 * max(taken):.0f}"


def _accounts(count: int) -> Iterator[str]:
    """The broker's start with so many accounts."""
    with PrivateBroker(()) as broker:
        files = broker.home
        secret, credential = enroll.new_credential()
        names = "".join(f"load-{number:06d}:{credential}\n" for number in range(count))
        (files / "passwords").write_text(f"{enroll.FLEET_USER}:{credential}\n{names}")
        broker.kill()
        with (files / "mosquitto.conf").open("a") as config:
            config.write(f"allow_anonymous false\npassword_file {files}/passwords\n")
        began = time.monotonic()
        broker.start()
        (files / "secret").write_text(secret)
        os.chmod(files / "secret", 0o600)
        IngestSession(
            Broker(port=broker.port, username=enroll.FLEET_USER, password_file=str(files / "secret")), "bench"
        ).end()
        yield f"broker with {count} accounts, from its start to the first one let in: {time.monotonic() - began:.1f} s"


def _day(count: int) -> Iterator[str]:
    database = Postgres(options=())
    store = Store(database.database("large"))
    broker = PrivateBroker(QUIET)
    hired: list[Any] = []

    def hire() -> None:
        hired.append(_SPAWN.Process(target=_work, args=(broker.port, str(store.url)), daemon=True))
        hired[-1].start()

    try:
        store.migrate()
        began = time.monotonic()
        make_sites(store, count)
        yield f"{count} sites entered: {time.monotonic() - began:.1f} s"
        began = time.monotonic()
        hire()
        _until(lambda: _beats(store) > 0)
        yield f"worker from its start to its first sign of life: {time.monotonic() - began:.1f} s"
        yield from _spoken(count, store, broker, hired, hire)
    finally:
        for process in hired:
            process.kill()
        store.close()
        broker.close()
        database.close()


def _spoken(
    count: int, store: Store, broker: PrivateBroker, hired: list[Any], hire: Callable[[], None]
) -> Iterator[str]:
    publisher = LoadPublisher(broker.port, range(count))
    enough = threading.Event()

    def speak() -> None:
        while not enough.is_set():  # a fast office has written one round before both failures are over
            publisher.round()

    speaking = threading.Thread(target=speak, daemon=True)
    began = time.monotonic()
    speaking.start()
    _until(lambda: _count(store, cycles) > count // 4)  # in the second half, when cycles end
    stopped = time.monotonic()
    broker.stop()
    down_s, again = time.monotonic() - stopped, time.monotonic()
    broker.start()
    up_s, known = time.monotonic() - again, _count(store, cycles)
    _until(lambda: _count(store, cycles) > known + count // 50)
    back_s = time.monotonic() - again
    yield f"broker restarted: {down_s:.1f} s to save and end, {up_s:.1f} s to listen, {back_s:.1f} s to news written"
    hired[-1].kill()
    killed, known = time.monotonic(), _count(store, cycles)
    hire()
    _until(lambda: _count(store, cycles) > known + count // 50)
    yield f"worker killed: another one's first batches after {time.monotonic() - killed:.1f} s"
    most = 0

    def done() -> bool:
        nonlocal most
        most = max(most, rss(hired[-1].pid or 0))
        return _count(store, cycles) >= count * publisher.cycle

    enough.set()
    speaking.join()
    _until(done, publisher.listen)  # what was under way when the broker ended, and what is asked for again
    publisher.say_all()
    _until(lambda: _heard_last(store) >= count and _holes(store) == 0, publisher.listen)
    took_s, sent = time.monotonic() - began, publisher.sent
    yield f"{sent} messages said and written in {took_s:.0f} s with both failures: {sent / took_s:.0f} a second"
    yield f"cycles in the database {_count(store, cycles)} of {count * publisher.cycle}, numbers missing at"
    yield f"  {_holes(store)} sites, after {_count(store, asks)} requests to send again"
    began = time.monotonic()
    publisher.round()
    _until(done, publisher.listen)
    took_s, sent = time.monotonic() - began, publisher.sent - sent
    publisher.close()
    day_s = _A_DAY * count * took_s / sent
    yield f"a cycle of every site without failures: {sent} messages in {took_s:.0f} s, {sent / took_s:.0f} a second:"
    yield f"  a day's {_A_DAY * count} messages are {day_s / 3600:.2f} hours' work on a machine that says them too"
    yield f"largest worker {most / 1e6:.0f} MB, broker {rss(broker.pid) / 1e6:.0f} MB"


def _until(done: Callable[[], bool], rest: Callable[[float], None] = time.sleep) -> None:
    until = time.monotonic() + _LONG_S
    while not done():
        if time.monotonic() > until:
            raise TimeoutError("the bench waited half an hour")
        rest(0.5)


def _scalar(store: Store, query: sa.Select[Any]) -> int:
    with store.read() as connection:
        return int(connection.scalar(query) or 0)


def _count(store: Store, table: sa.Table) -> int:
    return _scalar(store, sa.select(sa.func.count()).select_from(table))


def _beats(store: Store) -> int:
    return _count(store, slots)


def _holes(store: Store) -> int:
    return _scalar(store, sa.select(sa.func.count()).select_from(state).where(state.c.hole_since.is_not(None)))


def _heard_last(store: Store) -> int:
    """Sites whose `unit` at the end of the cycle has come."""
    query = sa.select(sa.func.count()).select_from(state.join(sites)).where(state.c.cycle == "idle")
    return _scalar(store, query)
