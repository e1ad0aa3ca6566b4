"""Seeded storms under the shipped drivers (80 with WHOLE=1, 4 elsewhere).

`python -m tests.simulation.many 0 2000 --wires --keep FILE` is the nightly size; with one seed it plays one again.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from condenser_monitor.hardware import sample_clock
from condenser_monitor.monitor.core import config
from tests.conftest import need
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    UNIT,
)
from tests.simulation.many import results
from tests.simulation.plant import Plant
from tests.simulation.wires import TOLERANCE, run
from tests.size import long_one, sized

pytestmark = long_one

STORMS = sized(4, 80)
BATCH = 4


@pytest.mark.parametrize("first", range(0, STORMS, BATCH))
def test_no_storm_at_the_wires_breaks_a_promise(first: int) -> None:
    """As in test_simulation.py; and what comes from a dead chip is missing, and in the calm all is read truly."""
    need("cc", shutil.which("cc") is not None)
    found = results([str(first), str(first + BATCH), "--wires"])
    assert len(found) == BATCH
    assert [(row["seed"], row["broken"], row["log"]) for row in found if row["broken"]] == []
    assert sum(row["told"] for row in found), "storms in which nothing was told prove nothing"


def test_same_seed_is_the_same_storm_at_the_wires() -> None:
    """The logs of two processes, whose sets are in another order, are equal byte for byte."""
    need("cc", shutil.which("cc") is not None)
    one, two = (results(["2", "--wires"], hash_seed=seed)[0] for seed in ("1", "7"))
    assert one["digest"] == two["digest"]


def test_a_dead_chip_shown_as_healthy_would_be_seen(tmp_path: Path) -> None:
    """The judge of the storms itself: a chip that is said to be dead and still answers breaks the promise."""
    storm = run(2, tmp_path / "calm", steps=0)
    assert storm.broken == []
    status = storm.history.status()
    assert status is not None
    storm._hold_silent(status, "calm")
    assert storm.broken == []
    storm.silent_s["compressor_a"], storm.first_seen_s = storm.seen_s - 100.0, 0.0
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
