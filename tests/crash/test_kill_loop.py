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

from monitor import config
from monitor.history.file import History
from monitor.history.kept import Kept
from monitor.records import Change
from sim.broker import PrivateBroker
from tests.monitor.edge_tools import until
from tests.outside.mqtt_tools import Heard, Listener

ROOT = Path(__file__).parents[2]
KILLS = 8
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
        env = {**os.environ, "PYTHONPATH": str(ROOT)}
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


def firsts(heard: list[Heard]) -> dict[str, Heard]:
    """Messages by id, in the order of their first coming: what a receiver keeps."""
    found: dict[str, Heard] = {}
    for one in heard:
        found.setdefault(one.body["id"], one)
    return found


def check_story(rows: list[Kept]) -> None:
    """The engine's memory went on over every kill: a finding is never raised twice without having been cleared, nor
    cleared without having been raised."""
    story: dict[str, list[str]] = {}
    for kept in rows:
        if isinstance(kept.body, Change) and kept.body.change != "revised":
            story.setdefault(kept.body.finding, []).append(kept.body.change.value)
    assert "call-without-pull-in" in story
    for finding, changes in story.items():
        assert changes == (["raised", "cleared"] * len(changes))[: len(changes)], finding


def test_killed_again_and_again_with_the_broker_down_nothing_is_lost_or_doubled(
    broker: PrivateBroker, tmp_path: Path, stack: ExitStack
) -> None:
    """kill -9 at seeded moments, the broker away in the middle: a standard client, keeping messages by id, ends with
    exactly the rows of the outbox, in order, without a gap; findings are raised and cleared in turn."""
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=broker.port, folder=tmp_path))
    session = ("-c", "-i", "office", "-x", "3600")
    luck, began_s, heard = random.Random(20260714), time.monotonic(), []
    client = Listener(broker, "condenser/v1/kill-loop/events", session=session)
    stack.callback(client.close)
    with History(tmp_path / "history.db", keep=config.History(live_dir=str(tmp_path / "live"))) as reader:
        for kill in range(KILLS):
            if kill == 2:
                heard += client.heard
                client.close()
                broker.stop()
            if kill == 5:
                broker.start()
                client = Listener(broker, "condenser/v1/kill-loop/events", session=session)
                stack.callback(client.close)
            before = len(reader.events(limit=100_000))
            program = stack.enter_context(Program(site, began_s))
            until(lambda: len(reader.events(limit=100_000)) > before, within_s=30.0)  # noqa: B023 - waited for here
            time.sleep(luck.uniform(0.0, 1.0))
            program.end(signal.SIGKILL)
        program = stack.enter_context(Program(site, began_s))
        until(lambda: reader.latest_events(1)[0].run == KILLS + 1, within_s=30.0)
        until(lambda: reader.health().outlets["mqtt"].waiting == 0, within_s=30.0)
        said = program.end(signal.SIGTERM)
        rows = reader.events(limit=100_000)
    assert said == ""
    client.wait(lambda new: len(firsts(heard + new)) >= len(rows))
    client.close()
    got = firsts(heard + client.heard)
    assert list(got) == [kept.id for kept in rows]
    assert [one.body["seq"] for one in got.values()] == list(range(1, len(rows) + 1))
    assert {kept.run for kept in rows} == set(range(1, KILLS + 2))
    check_story(rows)
    repeats = len(heard + client.heard) - len(rows)
    assert repeats <= 16 * KILLS  # at most what is in flight at each kill


def test_the_last_will_tells_of_a_killed_monitor(broker: PrivateBroker, tmp_path: Path) -> None:
    """kill -9: the broker itself says offline; the next start says online."""
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=broker.port, folder=tmp_path))
    with Listener(broker, "condenser/v1/kill-loop/availability") as client:
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
from monitor.history.file import History
from monitor import config
h = History(sys.argv[1] + "/history.db", owner=True, keep=config.History(live_dir=sys.argv[1] + "/live"))
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
        env = {**os.environ, "PYTHONPATH": str(ROOT)}
        process = subprocess.Popen(command, cwd=ROOT, env=env, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(luck.uniform(0.0, 0.15))
        process.kill()
        said = process.communicate(timeout=30)[0].splitlines()
        keep = config.History(live_dir=str(tmp_path / "live"))
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
