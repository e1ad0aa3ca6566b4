"""A real monitor killed again and again, with a real broker that is down for part of it."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Change
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.broker import PrivateBroker
from tests import ROOT, SOURCES
from tests.conformance.mqtt_tools import Heard, Listener, publish
from tests.monitor.edge_tools import until
from tests.simulation.oracle import Item, Stream
from tests.size import long_one

KILLS = 8
IN_FLIGHT = int(limits.PUBLISHERS.in_flight.value)
TOPICS = "condenser/v1/kill-loop"
ASK = '{{"id":"{}","request":"acknowledge","by":"office","finding":"call-without-pull-in"}}'
SITE = """
[site]
id = "kill-loop"
[unit]
compressor_rla_a = 12.8
compressor_lra_a = 68.0
fan_fla_a = 1.1
[boards]
scan_s = 0.1
[limits.call-without-pull-in]
hold_s = 0.2
[mqtt]
host = "127.0.0.1"
port = {port}
[history]
file = "{folder}/history.db"
live_dir = "{folder}/live"
"""


class Program:
    """The monitor's process."""

    def __init__(self, site: Path, began_s: float) -> None:
        command = [sys.executable, "-m", "tests.crash.monitored", str(site), str(began_s)]
        env = {**os.environ, "PYTHONPATH": SOURCES}
        self.process = subprocess.Popen(command, cwd=ROOT, env=env, stderr=subprocess.PIPE, text=True)

    def end(self, how: signal.Signals) -> str:
        """End it; what it complained of."""
        self.process.send_signal(how)
        _, said = self.process.communicate(timeout=30)
        return said

    def __enter__(self) -> Program:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing is left running by a test that failed."""
        if self.process.poll() is None:
            self.end(signal.SIGKILL)


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    """What is put on it is closed at the end, whatever happened."""
    with ExitStack() as made:
        yield made


def judged(heard: list[Heard]) -> tuple[Stream, list[str]]:
    """What a subscriber alone can tell: numbers from 1 on in order and none left out, an id never with two bodies,
    each finding raised and cleared in turn; and what of it was not so."""
    broken: list[str] = []
    stream = Stream("office", broken.append)
    for one in heard:
        if one.name == "events":
            stream.take(Item("events", one.body["seq"], one.body["id"], one.body["run"], one.body))
    return stream, broken


def answered(heard: list[Heard]) -> dict[str, set[str]]:
    """The different answers to each request."""
    found: dict[str, set[str]] = {}
    for one in heard:
        if one.name == "answers":
            found.setdefault(one.body["id"], set()).add(one.payload)
    return found


@long_one
def test_killed_again_and_again_with_the_broker_down_nothing_is_lost_or_doubled(
    broker: PrivateBroker, tmp_path: Path, stack: ExitStack
) -> None:
    """kill -9 at seeded moments while events flow and requests come, the broker away in the middle. From what a
    standard client heard alone: no number is missing, doubled or out of order, findings are raised and cleared in
    turn, each life was heard of, and each request that the broker took is answered once. Only then the file is looked
    at: it holds the same rows and no other."""
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=broker.port, folder=tmp_path))
    session, topics = ("-c", "-i", "office", "-x", "3600"), [f"{TOPICS}/{name}" for name in ("events", "answers")]
    luck, began_s, heard, asked = random.Random(20260714), time.monotonic(), [], []
    client = Listener(broker, *topics, session=session)
    stack.callback(client.close)
    with History(tmp_path / "history.db", keep=config.HistorySettings(live_dir=str(tmp_path / "live"))) as reader:
        for kill in range(KILLS):
            if kill == 2:
                heard += client.heard
                client.close()
                broker.stop()
            if kill == 5:
                broker.start()
                client = Listener(broker, *topics, session=session)
                stack.callback(client.close)
            program = stack.enter_context(Program(site, began_s))
            # An event of its own: what the life before left in the log may come into the file first.
            until(lambda: any(row.run == kill + 1 for row in reader.latest_events(1)), within_s=30.0)  # noqa: B023
            if not 2 <= kill < 5:
                client.wait_named("events")  # the monitor has been at the broker: what is asked from now on is kept
                asked.append(f"ask-{kill}")
                publish(broker, f"{TOPICS}/requests", ASK.format(asked[-1]))
            time.sleep(luck.uniform(0.0, 1.0))
            program.end(signal.SIGKILL)
        program = stack.enter_context(Program(site, began_s))
        until(lambda: reader.latest_events(1)[0].run == KILLS + 1, within_s=30.0)
        until(lambda: reader.health().publishers["mqtt"].waiting == 0, within_s=30.0)
        said = program.end(signal.SIGTERM)
        rows = reader.events(limit=100_000)
    assert said == ""
    client.wait(lambda new: len(judged(heard + new)[0].first) >= len(rows) and answered(heard + new).keys() >= {*asked})
    client.close()
    heard += client.heard
    stream, broken = judged(heard)
    assert broken == []
    assert {one.body["run"] for one in heard if one.name == "events"} == set(range(1, KILLS + 2))
    assert {name: len(found) for name, found in answered(heard).items()} == dict.fromkeys(asked, 1)
    assert stream.repeats <= IN_FLIGHT * KILLS
    assert list(stream.first) == [kept.id for kept in rows]
    told = [one.body["finding"] for one in heard if one.name == "events" and one.body.get("change") == "raised"]
    assert told.count("call-without-pull-in") > 1  # events did flow


def test_the_last_will_tells_of_a_killed_monitor(broker: PrivateBroker, tmp_path: Path) -> None:
    """kill -9: the broker itself says offline; the next start says online."""
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=broker.port, folder=tmp_path))
    with Listener(broker, f"{TOPICS}/availability") as client:
        for _ in range(2):
            with Program(site, time.monotonic()) as program:
                client.wait(lambda heard: [one.payload for one in heard][-1:] == ["online"])
                program.end(signal.SIGKILL)
            client.wait(lambda heard: [one.payload for one in heard][-1:] == ["offline"])
    assert [one.payload for one in client.heard] == ["online", "offline"] * 2


def test_a_killed_writer_leaves_a_sound_file(tmp_path: Path) -> None:
    """kill -9 in the middle of a stream of commits, many times over: SQLite's own check passes each time, the rows are
    a whole beginning of the story, and every one that was seen committed is still there."""
    program = """
import sys
from tests.monitor.edge_tools import *
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.storage.history import History
h = History(sys.argv[1] + "/history.db", owner=True, keep=config.HistorySettings(live_dir=sys.argv[1] + "/live"))
n = int(h.memory() or b"0")
while True:
    n += 1
    h.step(now_s=float(n), wall_s=WALL_S + n, status=status(float(n)), memory=lambda: str(n).encode(),
           events=[change(finding=f"f{n}")])
    print(n, flush=True)
"""
    luck = random.Random(7)
    for _ in range(10):
        command = [sys.executable, "-c", program, str(tmp_path)]
        env = {**os.environ, "PYTHONPATH": SOURCES}
        process = subprocess.Popen(command, cwd=ROOT, env=env, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(luck.uniform(0.0, 0.15))
        process.kill()
        said = process.communicate(timeout=30)[0].splitlines()
        keep = config.HistorySettings(live_dir=str(tmp_path / "live"))
        with History(tmp_path / "history.db", owner=True, keep=keep) as history:
            rows = history.events(limit=1_000_000)
            assert history.health().set_aside == ""
            assert [kept.seq for kept in rows] == list(range(1, len(rows) + 1))
            assert [kept.body.finding for kept in rows if isinstance(kept.body, Change)] == [
                f"f{number}" for number in range(1, len(rows) + 1)
            ]
            assert history.memory() == str(len(rows)).encode()
            if said:
                assert len(rows) >= int(said[-1])
