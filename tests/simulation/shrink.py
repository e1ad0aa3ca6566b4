"""Shortens the story of a storm that breaks a promise: the fewest steps and misfortunes that still break one.

    python -m tests.simulation.many 3002 --shrink

Steps are cut off at the end, then misfortunes are left out, one after the other, for as long as something is broken
(a simple form of Zeller and Hildebrandt, "Simplifying and isolating failure-inducing input", IEEE TSE 28(2), 2002).
What is left is printed with its log.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple, Protocol

from tests.simulation.story import Storm, played

Play = Callable[[int, frozenset[int]], "Played"]  # steps, misfortunes left out -> the storm, played


class Played(Protocol):
    """What of a storm that was played counts here."""

    broken: list[str]
    happened: list[tuple[int, str]]
    log: list[str]


class Story(NamedTuple):
    """A storm and what it was made of: how many steps, and the misfortunes that are left, as (number, name)."""

    steps: int
    misfortunes: tuple[tuple[int, str], ...]
    storm: Played


def shrink(play: Play, steps: int) -> Story | None:
    """Return the shortest story found; None where nothing is broken in the first place."""
    storm, without = play(steps, frozenset()), frozenset[int]()
    if not storm.broken:
        return None
    low, high = 0, steps
    while low < high:  # promises may be kept again later, so what is found is a story and not always the very shortest
        middle = (low + high) // 2
        shorter = play(middle, without)
        if shorter.broken:
            storm, high = shorter, middle
        else:
            low = middle + 1
    for number in [number for number, _ in reversed(storm.happened)]:
        fewer = play(high, without | {number})
        if fewer.broken:
            storm, without = fewer, without | {number}
    return Story(high, tuple(storm.happened), storm)


def shortest(seed: int) -> int:
    """Print the shortest story of a seed's storm; 1 when there is one."""
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        tried = iter(range(10**9))

        def play(steps: int, without: frozenset[int]) -> Storm:
            return played(Storm(seed, Path(folder) / str(next(tried)), steps, without=without))

        found = shrink(play, 110)
    if found is None:
        print(f"seed {seed} breaks nothing")
        return 0
    print(f"seed {seed}, {found.steps} steps, misfortunes: {', '.join(name for _, name in found.misfortunes)}")
    print(*found.storm.broken, "", *found.storm.log, sep="\n")
    return 1
