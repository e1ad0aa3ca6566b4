"""The shipped scenarios, run by the real engine: each finds what it must find and nothing else, or stays silent."""

from __future__ import annotations

import pytest

from condenser_monitor.sim.rig import rig_for
from condenser_monitor.sim.scenario import load, names
from condenser_monitor.sim.verdict import verdict
from tests.size import one_in


@one_in(12)
@pytest.mark.parametrize("name", names())
def test_scenario(name: str) -> None:
    """Every finding expected, in its window, with its suspects; nothing that nothing explains."""
    scenario = load(name)
    assert verdict(scenario, rig_for(scenario).changes(scenario.duration_s)) == []


@pytest.mark.parametrize("name", ["drain-pan-full", "healthy-three-runs", "coil-burns-open"])
def test_verdict_can_fail(name: str) -> None:
    """A wrong input proves it: no changes at all, or the changes of another fault, do not satisfy a scenario."""
    scenario = load(name)
    other = load("contacts-foul")
    changes = rig_for(other).changes(other.duration_s)
    assert verdict(scenario, changes)
    assert bool(verdict(scenario, [])) is bool(scenario.expect)
