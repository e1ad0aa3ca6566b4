"""Nothing is lost and nothing doubled when the broker or the monitor goes away: real mosquitto, standard client."""

from __future__ import annotations

import os
import signal
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.sim.broker import PrivateBroker, free_port
from tests.conformance.mqtt_tools import Listener
from tests.conformance.stations import Station, numbers, site
from tests.conftest import set_limit
from tests.monitor.edge_tools import (
    alert,
    change,
    cycle,
    until,
)
from tests.size import long_one

pytestmark = long_one

pytestmark = pytest.mark.usefixtures("impatient_publishers")


def test_a_fault_during_an_outage_is_told_whole_afterwards(broker: PrivateBroker, keep: config.HistorySettings) -> None:
    """The broker is down from before the fault until after it: raised, alert, cleared and the cycle come in order."""
    settings, session = site(broker), ("-c", "-i", "office", "-x", "3600")
    topics = [f"condenser/v1/{settings.site.id}/{name}" for name in ("events", "cycles")]
    with Listener(broker, *topics, session=session):
        pass  # from now on the broker keeps for it what comes before it is back
    broker.stop()
    station = Station(settings, keep)
    station.step(change(kind="raised"), alert())
    station.step(change(kind="revised"))
    station.step(change(kind="cleared"), cycle())
    until(lambda: "broker" in station.error)
    assert station.waiting == 5
    broker.start()
    with Listener(broker, *topics, session=session) as client:
        client.wait_named("events", 4)
        client.wait_named("cycles")
        until(lambda: station.waiting == 0)
    assert [one.body.get("change", "alert") for one in client.named("events")] == [
        "raised",
        "alert",
        "revised",
        "cleared",
    ]
    until(lambda: station.error == "")
    station.stop()


def test_numbers_that_a_lying_disk_lost_are_not_given_out_again(
    broker: PrivateBroker, keep: config.HistorySettings
) -> None:
    """The disk said that it had written, and after a power cut it has the state of before: what the office was told
    then is numbered, as the broker knows. What comes next has numbers of a new origin, from 1, though the monitor has
    told something before it reached the broker; so no office takes it for a repeat."""
    settings, session = site(broker), ("-c", "-i", "office", "-x", "3600")
    home = Path(keep.file).parent
    with Listener(broker, f"condenser/v1/{settings.site.id}/events", session=session) as client:
        station = Station(settings, keep)
        station.step(change(finding="f1"), change(finding="f2"))
        client.wait_named("events", 2)
        until(lambda: station.waiting == 0)
        before = {path: path.read_bytes() for path in home.iterdir() if path.is_file() and path.suffix != ".db-shm"}
        station.step(change(finding="f3"), change(finding="f4"))
        client.wait_named("events", 4)
        station.stop()
        for path in [path for path in home.rglob("*") if path.is_file()]:
            path.unlink()
        for path, data in before.items():
            path.write_bytes(data)
        station.start()
        station.step(change(finding="f5"), change(finding="f6"))
        client.wait_named("events", 6)
        station.stop()
        bodies = {one.body["id"]: one.body for one in client.named("events")}
    assert [body["finding"] for body in bodies.values()] == [f"f{number}" for number in range(1, 7)]
    assert [body["seq"] for body in bodies.values()] == [1, 2, 3, 4, 1, 2]
    assert len({name.partition("-")[0] for name in bodies}) == 2


def test_a_monitor_restarted_while_the_broker_is_down_loses_nothing(
    broker: PrivateBroker, keep: config.HistorySettings
) -> None:
    """What an earlier run could not send is sent by a later one, under the same numbers."""
    broker.stop()
    for _ in range(3):
        station = Station(site(broker), keep)
        station.step(change(), alert())
        station.stop()
    broker.start()
    settings = site(broker)
    with Listener(broker, f"condenser/v1/{settings.site.id}/#") as client:
        station = Station(settings, keep)
        client.wait_named("events", 6)
        assert [one.body["seq"] for one in client.named("events")] == [1, 2, 3, 4, 5, 6]
        assert [one.body["run"] for one in client.named("events")] == [1, 1, 2, 2, 3, 3]
        station.stop()


def test_a_broker_that_comes_and_goes_gets_all_in_order(broker: PrivateBroker, keep: config.HistorySettings) -> None:
    """The broker is killed again and again while rows stream; by id nothing is missing, doubled or out of order. A
    client whose session the broker keeps hears them all."""
    settings = site(broker)
    station = Station(settings, keep)
    session = ("-c", "-i", "office", "-x", "3600")
    heard = []
    for _ in range(5):
        with Listener(broker, f"{station.root}/events", session=session) as client:
            for _ in range(30):
                station.step(change())
            client.wait_named("events", 5)
        heard += client.named("events")
        broker.stop()
        station.step(change(), cycle(), change())
        broker.start()
    expected = [kept.seq for kept in station.history.events(limit=1000)]
    with Listener(broker, f"{station.root}/events", session=session) as client:
        until(lambda: station.waiting == 0)
        client.wait(lambda _: set(numbers(heard + client.named("events"))) >= set(expected))
        heard += client.named("events")
    assert numbers(heard) == expected == list(range(1, len(expected) + 1))
    ids = [kept.id for kept in station.history.events(limit=1000)]
    assert list(dict.fromkeys(one.body["id"] for one in heard)) == ids
    station.stop()


def test_the_last_will_tells_of_a_connection_cut(broker: PrivateBroker, keep: config.HistorySettings) -> None:
    """The connection is cut without a word: the broker says offline, retained; online again after it is back."""
    station = Station(site(broker), keep)
    with Listener(broker, f"{station.root}/availability") as client:
        station.step()
        client.wait(lambda heard: [one.payload for one in heard][-1:] == ["online"])
        inner = station.publisher._client
        assert inner is not None
        sock = inner.socket()
        assert sock is not None
        assert isinstance(sock, socket.socket)
        sock.shutdown(socket.SHUT_RDWR)
        client.wait(lambda heard: [one.payload for one in heard][-2:] == ["offline", "online"])
    station.stop()


@contextmanager
def silent_server(port: int) -> Iterator[list[socket.socket]]:
    """Something that takes connections and never answers: a half-open broker."""
    taken: list[socket.socket] = []
    with socket.create_server(("127.0.0.1", port)) as server:
        server.settimeout(0.2)
        stop = threading.Event()

        def accept() -> None:
            while not stop.is_set():
                with suppress(OSError):
                    taken.append(server.accept()[0])

        thread = threading.Thread(target=accept, daemon=True)
        thread.start()
        try:
            yield taken
        finally:
            stop.set()
            thread.join(5)
            for sock in taken:
                sock.close()


def test_a_broker_that_never_answers_delays_neither_the_loop_nor_the_end(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Connections are taken and nothing comes back: said, tried again; steps go on, and the end comes."""
    set_limit(monkeypatch, limits.PUBLISHERS.connect_s, 0.3)
    port = free_port()
    with silent_server(port) as taken:

        class Silent:
            pass

        broker = Silent()
        broker.port = port  # type: ignore[attr-defined]
        station = Station(site(broker), keep)  # type: ignore[arg-type]
        until(lambda: "no answer" in station.error)
        began_s = time.monotonic()
        for _ in range(100):
            station.step(change())
        assert time.monotonic() - began_s < 30  # a hang, not a speed: each step would wait for the broker otherwise
        assert station.waiting == 100
        until(lambda: len(taken) >= 2)
        station.stop()


def test_a_broker_that_freezes_is_left_and_found_again(broker: PrivateBroker, keep: config.HistorySettings) -> None:
    """The process is stopped, not ended: the keep-alive notices, and after it goes on nothing is missing."""
    settings = site(broker, keepalive_s=2)
    station = Station(settings, keep)
    with Listener(broker, f"{station.root}/events", options=("-V", "5", "-k", "60")) as client:
        station.step(change())
        client.wait_named("events")
        os.kill(broker.pid, signal.SIGSTOP)
        try:
            for _ in range(40):
                station.step(change())
            until(lambda: station.error != "", within_s=20.0)
        finally:
            os.kill(broker.pid, signal.SIGCONT)
        until(lambda: station.waiting == 0, within_s=20.0)
        client.wait(lambda heard: len(numbers(client.named("events"))) == 41)
    assert numbers(client.named("events")) == list(range(1, 42))
    station.stop()
