"""Seeded storms under the shipped drivers (40 on CI, 6 elsewhere; about two seconds of processor each).

`WIRE_STORMS=1000 pytest tests/storm/test_wires.py` is the nightly size; `STORM_SEED=7` plays one again, with its log.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from hardware import beat
from monitor import config
from tests.monitor.units import ALL, REST, RUN, UNIT
from tests.storm.plant import Plant
from tests.storm.wires import TOLERANCE, run

STORMS = int(os.environ.get("WIRE_STORMS", "40" if os.environ.get("CI") else "6"))
ONE = os.environ.get("STORM_SEED")
BATCH = 6
BATCHES = [range(first, min(first + BATCH, STORMS)) for first in range(0, STORMS, BATCH)]


@pytest.mark.parametrize("seeds", BATCHES if ONE is None else [range(int(ONE), int(ONE) + 1)], ids=str)
def test_no_storm_at_the_wires_breaks_a_promise(seeds: range, tmp_path: Path) -> None:
    """No event lost, doubled or out of order; what comes from a dead chip is missing; in the calm all is read truly."""
    told = 0
    for seed in seeds:
        storm = run(seed, tmp_path / str(seed))
        assert storm.broken == [], f"STORM_SEED={seed} plays it again; {storm.log}"
        told += len(storm.got)
    assert told, "storms in which nothing was told prove nothing"


def test_same_seed_is_the_same_storm_at_the_wires(tmp_path: Path) -> None:
    """What happened and what was told are the same to the letter."""
    assert len({run(11, tmp_path / str(turn)).digest() for turn in range(2)}) == 1


def test_a_dead_chip_shown_as_healthy_would_be_seen(tmp_path: Path) -> None:
    """The judge of the storms itself: a chip that is said to be dead and still answers breaks the promise."""
    storm = run(2, tmp_path / "calm", steps=0)
    assert storm.broken == []
    status = storm.history.status()
    assert status is not None
    storm._missing(0x49, status)
    assert len(storm.broken) == 1


def test_leads_that_carry_nothing_cost_no_search_for_the_beat_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """The noise of a unit at rest tells no beat of the converter: looked for once in a while, not in each burst (that
    was nine tenths of a scan's work); a run that begins is read truly in its first scan all the same."""
    searches: list[float] = []
    best = beat._best
    monkeypatch.setattr(beat, "_best", lambda *given: searches.append(given[2]) or best(*given))
    plant = Plant(1)
    plant.show(REST)
    boards = plant.boards(config.Settings(unit=UNIT, senses=config.Senses(fitted=ALL)), lambda: None)
    for _ in range(40):
        boards.scan()
    assert 0 < len(searches) < 40  # of 160 bursts
    plant.show(RUN)
    plant.sleep(2.0)
    scan = boards.scan()
    for name, wrong in TOLERANCE.items():
        assert getattr(scan, name) == pytest.approx(RUN[name], abs=wrong), name
    boards.close()
