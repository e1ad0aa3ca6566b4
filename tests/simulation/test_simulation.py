"""Seeded storms over the whole program on a disk that fails beneath SQLite; a seed is a storm, to the byte of its log.

With the storms under the shipped drivers (test_wires.py) they are a thousand with WHOLE=1, a few elsewhere.
`python -m tests.simulation.many 0 20000 --keep FILE` is the nightly size; with one seed it plays one storm again, with
its log.
"""

from __future__ import annotations

import random
import shutil
from dataclasses import dataclass, field

import pytest

from tests.conftest import need
from tests.simulation.many import results
from tests.simulation.oracle import PhoneRecord
from tests.simulation.shrink import shrink
from tests.size import long_one, sized

STORMS = sized(23, 920)
BATCH = 23


@pytest.fixture(autouse=True)
def compiler() -> None:
    """The stand-in for the disk is built by it."""
    need("cc", shutil.which("cc") is not None)


@long_one
@pytest.mark.parametrize("first", range(0, STORMS, BATCH))
def test_no_storm_breaks_a_promise(first: int) -> None:
    """No acknowledged event lost or doubled, order kept; nothing forgotten without a damage; what is stale never looks
    healthy; a blind monitor says so within a minute; what is held and kept is bounded; in the end everything has
    come. Cuts of power leave states of the disk that are none of the program's making."""
    found = results([str(first), str(first + BATCH)])
    assert len(found) == BATCH
    assert [(row["seed"], row["broken"], row["log"]) for row in found if row["broken"]] == []
    assert sum(row["told"] for row in found) > 100, "storms in which nothing was told prove nothing"
    assert sum(row["states"] for row in found) > 5


@long_one
@pytest.mark.parametrize("seed", [3, 14])
def test_same_seed_is_the_same_storm_and_another_is_another(seed: int) -> None:
    """The logs of two processes (each misfortune, each message at the broker and at the phone), whose sets are in
    another order, are equal byte for byte; the next seed's is not."""
    one, after = results([str(seed), str(seed + 2)], hash_seed="1")
    (two,) = results([str(seed)], hash_seed=str(seed))
    assert one["digest"] == two["digest"] != after["digest"]


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


@dataclass
class Played:
    """A storm of misfortunes alone: it breaks a promise when two of them have both happened."""

    steps: int
    without: frozenset[int]
    log: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        lots = random.Random(11)
        rolled = [(number, lots.choice(("restart", "world", "broker", "blind"))) for number in range(1, 111)]
        self.happened = [one for one in rolled[: self.steps] if one[0] not in self.without]
        names = {name for _, name in self.happened}
        self.broken = ["both happened"] if {"restart", "world"} <= names else []


def test_a_failing_seed_is_shrunk_to_its_shortest_story() -> None:
    """A promise that only two misfortunes together break: of a whole storm these two are left, and no step after."""
    found = shrink(Played, 110)
    assert found is not None
    assert sorted(name for _, name in found.misfortunes) == ["restart", "world"]
    assert found.steps == max(number for number, _ in found.misfortunes)
    assert shrink(Played, 0) is None
