"""Real file systems under the real SQLite: read-only and writable again, full, and a full ext4 of small blocks.

They are mounted for the test, which needs root; where that cannot be, the tests are left out (they run in CI).
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.service.run_loop import Service
from condenser_monitor.monitor.storage.history import History
from tests import ROOT, SOURCES
from tests.monitor.edge_tools import MEMORY, WALL_S, Hand, ReplayBoards, change
from tests.monitor.test_history_disk import Desk
from tests.monitor.test_service import DEAF, made
from tests.monitor.units import REST, RUN, scans
from tests.size import long_one

pytestmark = long_one

RETRY_S, EXPOSE_S = limits.HISTORY.retry_s.value, limits.HISTORY.expose_s.value


def _mount(*words: str) -> None:
    done = subprocess.run(["mount", *words], capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"mount: {done.stderr.strip()}")


@pytest.fixture
def mounted(tmp_path: Path) -> Iterator[Path]:
    """A file system in memory of 3 MB."""
    place = tmp_path / "disk"
    place.mkdir()
    _mount("-t", "tmpfs", "-o", "size=3m", "none", str(place))
    yield place
    subprocess.run(["umount", "-l", str(place)], check=False)


@pytest.fixture
def small_blocks(tmp_path: Path) -> Iterator[Path]:
    """An ext4 of 1 KiB blocks."""
    image, place = tmp_path / "image", tmp_path / "disk"
    place.mkdir()
    image.write_bytes(b"")
    os.truncate(image, 8 << 20)
    made = subprocess.run(["mkfs.ext4", "-q", "-b", "1024", "-m", "0", str(image)], capture_output=True, check=False)
    if made.returncode:
        pytest.skip("mkfs.ext4 is not installed")
    _mount("-o", "loop", str(image), str(place))
    yield place
    subprocess.run(["umount", str(place)], check=False)


def keep_in(place: Path, tmp_path: Path) -> config.HistorySettings:
    return config.HistorySettings(file=str(place / "history.db"), live_dir=str(tmp_path / "live"))


def run_life(keep: config.HistorySettings, *, killed: bool) -> None:
    """A life of three rows that are delivered, in a process of its own, ended in good order or killed."""
    run_program(
        f"""
import os
from condenser_monitor.monitor.core import config
from tests.monitor.edge_tools import change
from tests.monitor.test_history_disk import Desk
desk = Desk(config.HistorySettings(file={keep.file!r}, live_dir={keep.live_dir!r}))
desk.step(change(), change(), change())
desk.deliver()
desk.step(last=True)
os._exit(0) if {killed} else desk.history.close()
"""
    )


def run_program(program: str) -> str:
    env = {**os.environ, "PYTHONPATH": SOURCES}
    command = [sys.executable, "-c", program]
    done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, (done.returncode, done.stderr[-2000:])
    return done.stdout.strip()


def remount(place: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(place)], check=True)


def fill(place: Path) -> Path:
    """Take all the room there is."""
    stuff = place / "stuff"
    with stuff.open("wb", buffering=0) as file, suppress(OSError):
        for size in (1 << 16, 1 << 10, 1):
            with suppress(OSError):
                while True:
                    file.write(bytes(size))
    return stuff


def delivered(desk: Desk) -> list[int]:
    found = []
    while rows := desk.deliver():
        found += rows
    return found


@pytest.mark.parametrize("killed", [False, True])
def test_a_disk_that_is_read_only_at_the_start_heals_without_a_restart(
    mounted: Path, tmp_path: Path, killed: bool
) -> None:
    """Memory, cursors and numbers are read; new alerts are told; made writable, all is written and nothing told twice.
    `killed`: the log of the last life still has its rows."""
    keep = keep_in(mounted, tmp_path)
    run_life(keep, killed=killed)
    remount(mounted, "ro")
    desk = Desk(keep)
    assert desk.history.memory() == MEMORY
    reader = History(keep.file, keep=keep)
    assert desk.deliver() == []  # not the whole outbox again
    desk.step(change())
    desk.pass_time(EXPOSE_S + 1)
    assert len(desk.deliver()) == 1
    assert desk.error
    reader.events()
    remount(mounted, "rw")
    desk.pass_time(RETRY_S + 1)
    assert desk.error == ""
    desk.step(change())
    delivered(desk)
    assert len(set(desk.got)) == len(desk.got) == 2
    assert [row.seq for row in desk.history.events()] == [1, 2, 3, 4, 5]
    assert len(reader.events()) == 5
    reader.close()
    desk.history.close()


def test_a_disk_that_is_full_at_the_start_forgets_nothing(mounted: Path, tmp_path: Path) -> None:
    """The same for want of room: what the file holds is known, and room that is given back is used."""
    keep = keep_in(mounted, tmp_path)
    first = Desk(keep)
    first.step(change(), change())
    first.deliver()
    first.step(last=True)
    first.history.close()
    stuff = fill(mounted)
    desk = Desk(keep)
    assert desk.history.memory() == MEMORY
    assert desk.deliver() == []
    for _ in range(3):
        desk.step(change())
        desk.pass_time(EXPOSE_S + 1)
    told = delivered(desk)
    assert len(told) == 3
    stuff.unlink()
    desk.pass_time(RETRY_S + 1)
    assert desk.error == ""
    delivered(desk)
    assert len(set(desk.got)) == 3
    assert [row.seq for row in desk.history.events()] == [1, 2, 3, 4, 5]
    desk.history.close()


@pytest.mark.parametrize("left", [0, 10, 14, 20])
def test_a_full_disk_of_small_blocks_does_not_end_the_process(small_blocks: Path, tmp_path: Path, left: int) -> None:
    """With a few blocks left, SQLite's index of the log would have holes, and touching one is SIGBUS: owner and page
    live on."""
    keep = keep_in(small_blocks, tmp_path)
    first = Desk(keep)
    first.step(change(), change())
    first.step(last=True)
    first.history.close()
    stuff = fill(small_blocks)
    os.truncate(stuff, stuff.stat().st_size - left * 1024)
    program = f"""
from pathlib import Path
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.storage.history import History
from tests.monitor.edge_tools import change
from tests.monitor.test_history_disk import Desk
keep = config.HistorySettings(file={keep.file!r}, live_dir={keep.live_dir!r})
desk = Desk(keep)
assert desk.history.memory() is not None
for _ in range(30):
    desk.step(change())
    desk.pass_time(2)
reader = History(keep.file, keep=keep)
reader.events(); reader.health(); reader.status()
assert "full" in desk.error or "space" in desk.error, desk.error
print("alive")
"""
    assert run_program(program) == "alive"


def test_a_card_that_stays_full_costs_no_alarm_and_no_message(mounted: Path, tmp_path: Path) -> None:
    """The whole watch over an hour: the card fills up, stays full for forty minutes and over a restart of the service,
    and has room again. It is said as long as it lasts and no longer; alarms of both lives are told at once and none is
    told twice; cycles, readings and alarms of the whole time are in the history."""
    keep, clock = keep_in(mounted, tmp_path), Hand()
    quarter = ((60, REST), (300, RUN), (60, REST), (60, DEAF), (120, REST), (240, RUN), (60, REST))
    told: list[tuple[float, str, str]] = []

    def watch(service: Service, seconds: int) -> None:
        for _ in range(seconds):
            service.step()
            clock.sleep(1.0)
            for row in service.history.outbox("all", begin=True):
                service.history.delivered("all", row.offset)
                told.append((clock() - row.t_s, row.id, getattr(row.body, "change", "")))

    first = made(keep, ReplayBoards(scans(*quarter * 3)), clock)
    watch(first, 900)
    assert first.history.health().disk_error == ""
    stuff = fill(mounted)
    watch(first, 1500)
    health = first.history.health()
    assert "No space left on device" in health.disk_error or "full" in health.disk_error
    assert health.held > 0
    first.close()
    second = made(keep, ReplayBoards(scans(*quarter * 2, from_s=clock())), clock)
    watch(second, 900)
    assert "full" in second.history.health().disk_error
    stuff.unlink()
    watch(second, int(RETRY_S) + 2)
    health = second.history.health()
    assert (health.disk_error, health.held) == ("", 0)
    watch(second, 600)
    assert [change for _, _, change in told if change] == ["raised", "cleared"] * 5
    assert max(delay_s for delay_s, _, change in told if change) <= EXPOSE_S + RETRY_S
    assert len({name for _, name, _ in told}) == len(told)
    kept = second.history
    assert [change.change for _, change in reversed(kept.changes(0.0, 2 * WALL_S))] == ["raised", "cleared"] * 5
    assert len(kept.cycles(0.0, 2 * WALL_S)) == 13, "eight runs and five calls that nothing followed"
    found = kept.readings("outdoor_c", WALL_S, WALL_S + 3600, points=120)
    assert len(found) == 120, "a stretch for each half minute of the hour"
    second.close()
