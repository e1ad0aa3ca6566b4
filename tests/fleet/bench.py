"""A bench of the fleet on this machine: what ingest and the morning list can do with thousands of sites.

    python -m tests.fleet.bench --sites 10000 --backlog 60000 --rounds 3

In each round, on one private broker and one private PostgreSQL with its usual durability, the same backlog of messages
is drained by (a) a subscriber that does nothing, (b) one ingest worker, (c) two; each begins with the backlog whole.
The figures of a round are taken within minutes of each other, so that their ratio says more than each of them.
"""

from __future__ import annotations

import argparse
import itertools
import multiprocessing as mp
import os
import statistics
import sys
import threading
import time
from collections.abc import Callable, Sequence
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import sqlalchemy as sa
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.fleet import ingest
from monitor.fleet.fold import Writes
from monitor.fleet.setup import Broker, Database, FleetSettings
from monitor.fleet.store import Store
from monitor.fleet.tables import sites, state
from monitor.messages import topic
from sim.broker import PrivateBroker
from sim.load import LoadSite, Publisher, site_name
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
        connection.execute(sa.insert(sites), rows)
        connection.execute(sa.insert(state), [{"site_id": n + 1} for n in range(count)])


# ---------------------------------------------------------------- those who drain, each a process of its own


def _noop(port: int, group: str, got: Synchronized[int]) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=group, protocol=paho.MQTTv5)

    def count(*_: object) -> None:
        got.value += 1

    client.on_message = count
    client.connect("127.0.0.1", port, clean_start=False, properties=_session())
    client.loop_forever()


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


def _ingest(port: int, url: str, got: Synchronized[int]) -> None:
    store = Store(url)
    worker = _Counted(FleetSettings(broker=Broker(port=port, username=""), database=Database(url=url)), store)
    worker.got = got
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


def _rate(target: Callable[..., None], arguments: Sequence[Any], processes: int, wanted: int) -> tuple[float, int]:
    """Messages a second from the first to the last, and the largest resident memory of one process, bytes."""
    got = _SPAWN.Value("q", 0)
    running = [_SPAWN.Process(target=target, args=(*arguments, got), daemon=True) for _ in range(processes)]
    for process in running:
        process.start()
    most, began, first, until = 0, 0.0, 0, time.monotonic() + _LONG_S
    while got.value < wanted and time.monotonic() < until:
        if not began and got.value:
            began, first = time.monotonic(), got.value
        most = max(most, *(_rss(process.pid or 0) for process in running))
        time.sleep(0.005)
    took_s = time.monotonic() - began
    for process in running:
        process.kill()
        process.join()
    return (got.value - first) / took_s, most


def _rss(pid: int) -> int:
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except (OSError, IndexError):
        return 0
    return pages * os.sysconf("SC_PAGE_SIZE")


# ---------------------------------------------------------------- rounds


def round_of(count: int, backlog: int) -> dict[str, float]:
    """One round: rates of the no-op subscriber, one worker, two workers; each with a fresh broker and database."""
    rates: dict[str, float] = {}
    database = Postgres(options=())
    try:
        for name, workers in (("no-op", 0), ("one worker", 1), ("two workers", 2)):
            with PrivateBroker(QUIET) as broker:
                url = database.database(f"b{workers}")
                rates[name], rates[f"{name} MB"] = _drain(broker.port, url, count, backlog, workers)
    finally:
        database.close()
    return rates


def _drain(port: int, url: str, count: int, backlog: int, workers: int) -> tuple[float, float]:
    """Fill the broker's queue, then let so many workers (0: the no-op subscriber) empty it; rate and memory in MB."""
    if workers:
        store = Store(url)
        store.migrate()
        make_sites(store, count)
        for slot in range(workers):
            _hold_slot(port, url, slot)
    else:
        _subscribed(port, "noop")
    publisher = Publisher(port, range(count))
    while publisher.sent < backlog:
        publisher.round()
    publisher.settle(60.0)
    publisher.close()
    wanted = int(publisher.sent * 0.97)  # the last few come singly
    if workers:
        rate, memory = _rate(_ingest, (port, url), workers, wanted)
    else:
        rate, memory = _rate(_noop, (port, "noop"), 1, wanted)
    return rate, memory / 1e6


def _hold_slot(port: int, url: str, slot: int) -> None:
    """Make the session of a slot, as a worker that had been there before would have left it."""
    session = ingest.Session(Broker(port=port, username=""), f"condenser-fleet-{slot}")
    session.subscribe(*(f"$share/condenser-fleet/{topic('+', name)}" for name in ingest.SHARED))
    session.drop()


def steady(count: int, seconds: float, pace_per_s: float) -> None:
    """One worker under an even load for a while: does its memory, or the queue at the broker, grow?"""
    database = Postgres(options=())
    got = _SPAWN.Value("q", 0)
    try:
        with PrivateBroker(QUIET) as broker:
            url = database.database("steady")
            store = Store(url)
            store.migrate()
            make_sites(store, count)
            _hold_slot(broker.port, url, 0)
            worker = _SPAWN.Process(target=_ingest, args=(broker.port, url, got), daemon=True)
            worker.start()
            _watch(broker, worker.pid or 0, got, Publisher(broker.port, range(count)), (seconds, pace_per_s))
            worker.kill()
            worker.join()
    finally:
        database.close()


def _watch(
    broker: PrivateBroker, pid: int, got: Synchronized[int], publisher: Publisher, load: tuple[float, float]
) -> None:
    speaking = threading.Thread(target=_speak, args=(publisher, *load))
    began, seconds = time.monotonic(), load[0]
    speaking.start()
    shown = 0
    while speaking.is_alive():
        time.sleep(0.2)
        at = time.monotonic() - began
        if at >= seconds * shown / 10:
            behind = publisher.sent - got.value
            sizes = f"worker {_rss(pid) / 1e6:.1f} MB, broker {_rss(broker.pid) / 1e6:.1f} MB"
            print(f"{at:6.0f} s: {publisher.sent} sent, {behind} behind, {sizes}", flush=True)
            shown += 1
    speaking.join()


def _speak(publisher: Publisher, seconds: float, pace_per_s: float) -> None:
    until = time.monotonic() + seconds
    for number in itertools.cycle(publisher.sites):
        publisher.speak(number, pace_per_s)
        if time.monotonic() > until:
            break
    publisher.settle(30.0)
    publisher.close()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the rounds and print them."""
    parser = argparse.ArgumentParser(prog="python -m tests.fleet.bench")
    parser.add_argument("--sites", type=int, default=10_000)
    parser.add_argument("--backlog", type=int, default=60_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--steady", type=float, metavar="S", help="instead: an even load for so many seconds")
    parser.add_argument("--pace", type=float, default=2000.0, help="messages a second of the even load")
    chosen = parser.parse_args(arguments)
    if chosen.steady:
        steady(chosen.sites, chosen.steady, chosen.pace)
        return 0
    size = statistics.mean(len(payload) for n in range(100) for _, payload in LoadSite(n).burst(n % 25 + 1))
    print(f"{chosen.sites} sites, backlog {chosen.backlog} messages of {size:.0f} bytes on average")
    rounds = [round_of(chosen.sites, chosen.backlog) for _ in range(chosen.rounds)]
    for name in ("no-op", "one worker", "two workers"):
        rates = [row[name] for row in rounds]
        ratios = [row[name] / row["no-op"] for row in rounds]
        memory = max(row[f"{name} MB"] for row in rounds)
        print(
            f"{name:12} {statistics.median(rates):8.0f}/s ({', '.join(f'{rate:.0f}' for rate in rates)})"
            f"  ratio to no-op {statistics.median(ratios):.2f}  largest RSS {memory:.0f} MB"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
