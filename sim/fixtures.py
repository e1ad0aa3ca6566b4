"""pytest fixtures for whoever tests against the simulated world: a scenario, a rig, virtual time.

Used as a plugin: `pytest_plugins = ["condenser_monitor.sim.fixtures"]` in a conftest, or
`pytest -p condenser_monitor.sim.fixtures`. sim/README.md shows
how, and tests/sim/test_readme.py runs what it shows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from condenser_monitor.sim.bus import VirtualClock
from condenser_monitor.sim.registers import RegisterRig, register_rig_for
from condenser_monitor.sim.rig import ReadingsRig, rig_for
from condenser_monitor.sim.scenario import Scenario, load, parse
from condenser_monitor.sim.world import World, WorldPlan

__all__ = ["make_rig", "make_world", "register_rig", "scenario", "virtual_clock"]


@pytest.fixture
def virtual_clock() -> VirtualClock:
    """A clock that only moves when told: `clock()`, `clock.sleep(s)`."""
    return VirtualClock()


@pytest.fixture
def scenario() -> Callable[[str], Scenario]:
    """A scenario by its name, by the path of its file, or from its text (anything with a line break)."""
    return lambda name: parse(name, "scenario of the test") if "\n" in name else load(name)


@pytest.fixture
def make_world() -> Callable[..., World]:
    """A world from the keywords of sim.world.WorldPlan, with `weather` if one is wanted."""

    def make(weather: object = None, **plan: object) -> World:
        return World(WorldPlan(**plan), weather)  # type: ignore[arg-type]

    return make


@pytest.fixture
def make_rig(scenario: Callable[[str], Scenario]) -> Callable[..., ReadingsRig]:
    """A readings-level rig of a scenario: `make_rig("drain-pan-full", seed=3)`; then `rig.changes(until_s)`."""

    def make(name: str, seed: int | None = None) -> ReadingsRig:
        return rig_for(scenario(name), seed)

    return make


@pytest.fixture
def register_rig(scenario: Callable[[str], Scenario]) -> Iterator[Callable[[str], RegisterRig]]:
    """A register-level rig of a scenario, under the real drivers; closed at the end of the test."""
    made: list[RegisterRig] = []

    def make(name: str) -> RegisterRig:
        made.append(register_rig_for(scenario(name)))
        return made[-1]

    yield make
    for rig in made:
        rig.close()
