"""Seeded storms under the shipped drivers (80 with WHOLE=1, 8 elsewhere).

`WIRE_STORMS=2000 pytest tests/simulation/test_wires.py` is the nightly size; `STORM_SEED=7` plays one
again, with its log.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from condenser_monitor.hardware import sample_clock
from condenser_monitor.monitor.core import config
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    UNIT,
)
from tests.simulation.plant import Plant
from tests.simulation.test_simulation import digest_elsewhere, told
from tests.simulation.wires import TOLERANCE, run
from tests.size import long_one, one_in, sized

pytestmark = long_one

STORMS = int(os.environ.get("WIRE_STORMS") or sized(4, 80))
ONE = os.environ.get("STORM_SEED")
BATCH = 8
BATCHES = [range(first, min(first + BATCH, STORMS)) for first in range(0, STORMS, BATCH)]


@one_in(3)
@pytest.mark.parametrize("seeds", BATCHES if ONE is None else [range(int(ONE), int(ONE) + 1)], ids=str)
def test_no_storm_at_the_wires_breaks_a_promise(seeds: range, memory_path: Path) -> None:
    """As in test_storm.py; and what comes from a dead chip is missing, and in the calm all is read truly."""
    heard = 0
    for seed in seeds:
        storm = run(seed, memory_path / str(seed))
        assert storm.broken == [], told(storm, seed)
        heard += len(storm.stream.first)
    assert heard, "storms in which nothing was told prove nothing"


@one_in(2)
@pytest.mark.parametrize("seed", [2, 11])
def test_same_seed_is_the_same_storm_at_the_wires(seed: int, memory_path: Path) -> None:
    """The logs of two runs are equal byte for byte, and those of another process too."""
    one, two = (run(seed, memory_path / str(turn)) for turn in range(2))
    assert "\n".join(one.log).encode() == "\n".join(two.log).encode()
    assert one.digest() == digest_elsewhere("wires", seed, memory_path / "elsewhere", "7")


def test_a_dead_chip_shown_as_healthy_would_be_seen(tmp_path: Path) -> None:
    """The judge of the storms itself: a chip that is said to be dead and still answers breaks the promise."""
    storm = run(2, tmp_path / "calm", steps=0)
    assert storm.broken == []
    status = storm.history.status()
    assert status is not None
    storm._hold_silent(status, "calm")
    assert storm.broken == []
    storm.silent_s["compressor_a"], storm.born_s = storm.seen_s - 100.0, 0.0
    storm.silent_scans["compressor_a"] = 50
    storm._hold_silent(status, "calm")
    assert len(storm.broken) == 2  # shown, and not said to be silent


def test_leads_that_carry_nothing_cost_no_search_for_the_beat_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """The noise of a unit at rest tells no beat of the converter: looked for once in a while, not in each burst (that
    was nine tenths of a scan's work); a run that begins is read truly in its first scan all the same."""
    searches: list[float] = []
    best = sample_clock._best
    monkeypatch.setattr(sample_clock, "_best", lambda *given: searches.append(given[2]) or best(*given))
    plant = Plant(1)
    plant.show(REST)
    boards = plant.boards(config.Settings(unit=UNIT, senses=config.SensorSettings(fitted=ALL)), lambda: None)
    for _ in range(40):
        boards.scan()
    assert 0 < len(searches) < 40  # of 160 bursts
    plant.show(RUN)
    plant.sleep(2.0)
    scan = boards.scan()
    for name, wrong in TOLERANCE.items():
        assert getattr(scan, name) == pytest.approx(RUN[name], abs=wrong), name
    boards.close()
