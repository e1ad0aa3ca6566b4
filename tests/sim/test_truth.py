"""What truly happens in the simulated world, by its own state: each finding's condition, by scenarios and by hand."""

from __future__ import annotations

import pytest

from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.truth import HOLD_S, NEEDS, Truth, sound_amps
from condenser_monitor.sim.world import World, WorldPlan
from tests.size import one_in

BROKEN_S = 1800.0
CALLS = tuple((900.0 * index + 60.0, 900.0 * index + 660.0) for index in range(5))
ALL = tuple(READINGS)
NO_RUN = ("call-without-pull-in", "call-without-run", "pull-in-without-run")


def watched(*names: str, level: float | None = None, until_s: float = 4200.0) -> Truth:
    """A unit with these causes from BROKEN_S on, looked at every second."""
    causes = tuple(Planned(name=name, at_s=BROKEN_S, level=level) for name in names)
    world = World(WorldPlan(calls=CALLS, causes=causes, start_hour=12.0))
    truth = Truth(world, BROKEN_S if names else 0.0)
    for second in range(int(until_s)):
        world.advance(float(second))
        truth.look()
    return truth


def due(truth: Truth, scan_s: float = 1.0, fitted: tuple[str, ...] = ALL) -> set[str]:
    return set(truth.due(fitted, scan_s, starts=False))


def test_every_finding_of_the_catalogue_has_its_truth() -> None:
    """None is left out, and what it takes to see it are readings."""
    assert set(NEEDS) == set(CATALOGUE)
    assert {name for sets in NEEDS.values() for needs in sets for name in needs} <= set(READINGS)
    assert set(HOLD_S) <= set(NEEDS)


def test_what_nobody_senses_does_not_make_it_untrue_that_nothing_runs() -> None:
    """contract.md, call-without-run: nothing runs, as far as is sensed. Behind an open protector the fan turns: told by
    whoever senses it, and by nobody else."""
    causes = (Planned(name="protector-stuck-open", at_s=BROKEN_S),)
    told = []
    for fitted in (("call", "compressor_a"), ("call", "compressor_a", "fan_a")):
        world = World(WorldPlan(calls=CALLS, causes=causes, start_hour=12.0))
        truth = Truth(world, BROKEN_S, fitted=fitted)
        for second in range(4200):
            world.advance(float(second))
            truth.look()
        told.append("call-without-run" in due(truth, fitted=fitted))
    assert told == [True, False]


def test_of_a_sound_unit_nothing_is_true() -> None:
    """Five calls of ten minutes: no finding could be told, none must be."""
    truth = watched()
    assert due(truth) == set()
    assert [name for name in NEEDS if truth.bears_out(name, 4200.0, 1.0)] == []


@one_in(4)
@pytest.mark.parametrize(
    ("cause", "findings"),
    [
        ("coil-burnt-open", {"call-without-pull-in", "call-without-run"}),
        ("contacts-fouled", {"call-without-pull-in", "call-without-run"}),
        ("high-pressure-switch-open", {"call-without-pull-in", "call-without-run"}),
        ("float-switch-open", {"call-not-reaching-unit"}),
        ("control-fuse-open", {"control-power-lost"}),
        ("disconnect-pulled", {"line-supply-lost", *NO_RUN}),
        ("compressor-lead-loose", {"compressor-not-running"}),
        ("fan-lead-loose", {"fan-not-running", "call-without-run", "pull-in-without-run"}),  # once the protector opens
        ("load-lead-loose", {"pull-in-without-run", "call-without-run"}),
        ("contacts-weld", {"contacts-stuck-closed", "low-split"}),
        ("call-wire-on-r", {"call-without-thermostat"}),
    ],
)
def test_a_cause_makes_true_what_follows_from_it(cause: str, findings: set[str]) -> None:
    """By the wiring and the physics, and nothing else about the first minutes of its calls."""
    found = due(watched(cause))
    assert found & findings
    assert found <= findings | {"low-split", "not-cooling"}


def test_what_sensors_and_scans_cannot_show_need_not_be_told() -> None:
    """Without the indoor board an open float switch shows nothing; a locked rotor shows not at a scan a minute."""
    float_open = watched("float-switch-open")
    assert due(float_open, fitted=("call", "supply", "compressor_a", "outdoor_c")) == set()
    locked = watched("compressor-seizes")
    assert "locked-rotor" in due(locked, 0.2)
    assert "locked-rotor" not in due(locked, 10.0)  # a stall, or a run into the pressure switch, may be over by then


@pytest.mark.parametrize("calls", [(), CALLS])
def test_that_a_call_is_missing_must_be_told_of_a_unit_that_has_been_called(
    calls: tuple[tuple[float, float], ...],
) -> None:
    """contract.md: "in a unit that called on earlier days like it". Whether another is used at all nobody can know."""
    world = World(WorldPlan(calls=calls, start_hour=9.0))
    truth = Truth(world, 0.0)
    for look in range(12 * 40):
        world.advance(300.0 * look)
        truth.look()
    assert ("no-call-in-heat" in due(truth)) is bool(calls)
    assert truth.bears_out("no-call-in-heat", 300.0 * 479, 1.0)


def test_no_cooling_may_be_told_once_the_run_is_long_and_its_air_uncooled_for_a_while() -> None:
    """By the contract's words: a run of 15 min and more, and the split; how long it is uncooled is the monitor's own
    caution. In a run of 25 min, valves that leak from its 10th on may be told at its 18th and not at once."""
    plan = WorldPlan(calls=((60.0, 1800.0),), causes=(Planned(name="valves-leak", at_s=660.0),), start_hour=12.0)
    world = World(plan)
    truth = Truth(world, 660.0)
    said = {}
    for second in range(1800):
        world.advance(float(second))
        truth.look()
        said[second] = truth.bears_out("not-cooling", float(second), 1.0)
    assert not said[700]
    assert said[1140]


def test_a_motor_that_hums_on_one_winding_may_be_told_as_a_run_that_does_not_cool() -> None:
    """With its run winding open the start winding alone draws through the capacitor (about 4 A of 16.7): the current is
    low and nothing is cooled, whatever one calls it; nobody need take it for a run."""
    plan = WorldPlan(calls=((60.0, 3000.0),), causes=(Planned(name="run-winding-opens", at_s=900.0),), start_hour=12.0)
    world = World(plan)
    truth = Truth(world, 900.0)
    for second in range(2400):
        world.advance(float(second))
        truth.look()
    assert 2.0 < world.unit.compressor_a < 5.0
    assert all(truth.bears_out(name, 2399.0, 1.0) for name in ("not-cooling", "low-running-current"))
    assert not {"not-cooling", "low-running-current"} & due(truth)


@pytest.mark.parametrize("so", [True, False])
def test_a_call_that_makes_and_breaks_by_the_second_may_be_told_as_cut(so: bool) -> None:
    """Who looks once a minute meets one state or the other, at random, and maybe the same one for minutes; nobody has
    to call that a cut. The thermostat calls all the while."""
    causes = (Planned(name="call-splice-loose", at_s=300.0, on_s=0.9, off_s=1.1),) if so else ()
    world = World(WorldPlan(calls=((60.0, 900.0),), causes=causes, start_hour=12.0))
    truth = Truth(world, 300.0)
    for second in range(700):
        world.advance(float(second))
        truth.look()
    assert truth.bears_out("call-not-reaching-unit", 699.0, 1.0) is so
    assert "call-not-reaching-unit" not in due(truth)


def test_a_sensor_that_is_unplugged_is_dead_and_no_other() -> None:
    """Whatever cells of a recording are missing besides, to call it silent is true."""
    cause = Planned(name="sense-unplugged", at_s=300.0, sense="compressor_a")
    world = World(WorldPlan(calls=((60.0, 900.0),), causes=(cause,), start_hour=12.0))
    truth = Truth(world, 300.0, holes=True)
    before: list[str] = []
    after: list[str] = []
    for told, at_s in ((before, 299.0), (after, 301.0)):
        world.advance(at_s)
        told += [name for name in ALL if truth.is_dead(name)]
    assert (before, after) == ([], ["compressor_a"])


def test_borderline_is_neither_untrue_nor_demanded() -> None:
    """A little less current than a sound unit draws."""
    truth = watched("charge-leaks", level=0.42)
    assert "low-running-current" not in due(truth)


@pytest.mark.parametrize("name", ["three-ton", "five-ton", "three-ton-two-stage"])
def test_sound_current_rises_with_the_heat(name: str) -> None:
    """More in heat, under rated load at 35 C, and less in the first stage (common practice)."""
    design = DESIGNS[name]
    rows = dict(sound_amps(design, True))
    assert list(rows.values()) == sorted(rows.values())
    assert 0.5 * design.compressor_rla_a < rows[35.0] < design.compressor_rla_a
    assert (dict(sound_amps(design, False))[35.0] < rows[35.0]) is (design.kind == "two-stage")
