"""Seeded storms over the whole program; the same seed is the same storm, to the byte of its log.

With the storms under the shipped drivers (test_wires.py) they are a thousand with WHOLE=1, a few elsewhere.
`STORMS=20000 pytest tests/simulation/test_simulation.py` is the nightly size; `STORM_SEED=7` plays one
storm again, with its log.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import ROOT, SOURCES
from tests.simulation.oracle import PhoneRecord
from tests.simulation.shrink import shrink
from tests.simulation.story import Storm, run
from tests.size import long_one, one_in, sized

STORMS = int(os.environ.get("STORMS") or sized(23, 920))
ONE = os.environ.get("STORM_SEED")
BATCH = 23
BATCHES = [range(first, min(first + BATCH, STORMS)) for first in range(0, STORMS, BATCH)]
_AGAIN = (
    "import pathlib, sys; from tests.simulation.{0} import run; print(run({1}, pathlib.Path(sys.argv[1])).digest())"
)


def told(storm: Storm, seed: int) -> str:
    """How to play a failing storm again, and its whole log."""
    return "\n".join((f"STORM_SEED={seed} plays it again:", *storm.broken, "", *storm.log))


def digest_elsewhere(kind: str, seed: int, folder: Path, hash_seed: str) -> str:
    """The same storm in a process of its own, whose sets are in another order."""
    env = {**os.environ, "PYTHONPATH": SOURCES, "PYTHONHASHSEED": hash_seed}
    command = [sys.executable, "-c", _AGAIN.format(kind, seed), str(folder)]
    done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, timeout=120, check=True)
    return done.stdout.strip()


@long_one
@pytest.mark.parametrize("seeds", BATCHES if ONE is None else [range(int(ONE), int(ONE) + 1)], ids=str)
def test_no_storm_breaks_a_promise(seeds: range, memory_path: Path) -> None:
    """No acknowledged event lost or doubled, order kept; what is stale never looks healthy; a blind monitor says so
    within a minute; what is held and kept is bounded; in the end everything has come."""
    heard = 0
    for seed in seeds:
        storm = run(seed, memory_path / str(seed))
        assert storm.broken == [], told(storm, seed)
        heard += len(storm.stream.first)
    assert heard, "storms in which nothing was told prove nothing"


@one_in(3)
@pytest.mark.parametrize("seed", [3, 14, 15])
def test_same_seed_is_the_same_storm(seed: int, memory_path: Path) -> None:
    """The logs of two runs (each misfortune, each message at the broker and at the phone) are equal byte for byte, and
    those of another process too."""
    one, two = (run(seed, memory_path / str(turn)) for turn in range(2))
    assert "\n".join(one.log).encode() == "\n".join(two.log).encode()
    assert one.digest() == digest_elsewhere("story", seed, memory_path / "elsewhere", str(seed))


def test_another_seed_is_another_storm(memory_path: Path) -> None:
    """Two seeds do not share a log."""
    assert run(1, memory_path / "1").digest() != run(2, memory_path / "2").digest()


def test_what_is_told_twice_or_never_on_the_phone_is_noticed() -> None:
    """The judge itself: a repeat within a life, two after one cut, an end told twice, and what was believed and never
    taken; what is allowed passes."""
    broken: list[str] = []
    record = PhoneRecord(broken.append)
    for kind in ("alarm", "reminder", "reminder", "over", "back", "over"):
        record.take(kind, "fan-1")
    record.take("alarm", "supply-1")
    record.cut()
    record.take("alarm", "supply-1")
    assert broken == []
    record.take("alarm", "supply-1")
    record.take("over", "supply-1")
    record.take("over", "supply-1")
    record.judge(believed=["fan-1", "call-1"], urgent=["coil-1"])
    assert [text.split(":")[1].split()[0] for text in broken] == ["alarm", "the", "call-1", "coil-1"]


def test_a_failing_seed_is_shrunk_to_its_shortest_story(memory_path: Path) -> None:
    """A promise that only two misfortunes together break: of a whole storm these two are left, and no step after."""
    tried = iter(range(1000))

    def play(steps: int, without: frozenset[int]) -> Storm:
        storm = Storm(11, memory_path / str(next(tried)), steps, without=without)
        try:
            for _ in range(steps):
                storm._misfortune()
            names = [name for _, name in storm.happened]
            if "restart" in names and "world" in names:
                storm.breaks("both happened")
        finally:
            storm.close()
        return storm

    found = shrink(play, 110)
    assert found is not None
    assert sorted(name for _, name in found.misfortunes) == ["restart", "world"]
    assert found.steps == max(number for number, _ in found.misfortunes)
    assert shrink(lambda steps, without: Storm(11, memory_path / "none", 0), 0) is None
