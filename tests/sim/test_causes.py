"""Causes: every suspect can be caused, a cause touches the condition alone, and the world stays physical under each."""

from __future__ import annotations

from math import inf, isfinite
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor.core.errors import ScenarioError
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.sim.causes import CAUSES, CAUSES_OF, cause_named
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.timeline import Planned, ScenarioTimeline
from condenser_monitor.sim.world import World, WorldPlan
from tests.size import one_in


def test_every_suspect_of_the_contract_can_be_caused() -> None:
    """No suspect without a physical cause, no cause that names an unknown suspect."""
    assert set(CAUSES_OF) == set(SUSPECTS)


@pytest.mark.parametrize("name", CAUSES)
def test_every_cause_changes_the_condition(name: Any) -> None:
    """Written at its usual level, the condition differs from a sound one; level and meaning are told."""
    cause = CAUSES[name]
    condition = Condition()
    cause.write(condition, cause.level, "compressor_a" if cause.of_sense else "")
    assert condition != Condition()
    assert 0 < cause.level <= cause.most
    assert cause.says.endswith(".")


@one_in(8)
@pytest.mark.parametrize("name", CAUSES)
@pytest.mark.parametrize("design", ["three-ton", "two-ton-heat-pump"])
def test_world_stays_physical_under_every_cause(name: Any, design: Any) -> None:
    """Two hours with the cause at its worst: currents and voltages finite, not negative, within the wiring's bounds."""
    cause = CAUSES[name]
    level = None if "break" in cause.means else cause.most
    plan = Planned(name=name, at_s=900.0, level=level, sense="compressor_a" if cause.of_sense else "")
    unit_design = DESIGNS[design]
    calls = ((60.0, 2400.0), (3000.0, 7000.0))
    world = World(WorldPlan(design=unit_design, calls=calls, causes=(plan,), start_hour=12.0))
    for second in range(0, 7200, 20):
        world.advance(float(second))
        unit = world.unit
        assert 0 <= unit.compressor_a <= 1.2 * unit_design.compressor_lra_a
        assert 0 <= unit.fan_a <= 2.5 * unit_design.fan_fla_a
        assert 0 <= unit.coil_a <= 15
        # A class 2 transformer gives 30 V at most at its rated line (UL 1585); more line gives more.
        assert 0 <= unit.unit_v <= unit.rc_v + 1e-9 <= 30 * max(1.0, unit.supply_v / unit_design.line_v)
        most_v = 1.05 * unit_design.line_v * (1.0 + cause.most if name == "line-volts-high" else 1.0)
        assert 0 <= unit.load_v <= unit.supply_v + 1e-9 <= most_v
        assert isfinite(unit.gas.condensing_f)
        assert isfinite(world.house.air_c)
        if unit.supply_v == 0:
            assert unit.compressor_a == unit.fan_a == 0


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        ({"name": "gremlins"}, "name"),
        ({"name": "sense-stuck"}, "sense"),
        ({"name": "sense-stuck", "sense": "volts"}, "sense"),
        ({"name": "fan-seizes", "sense": "fan_a"}, "sense"),
        ({"name": "charge-leaks", "level": 1.5}, "level"),
        ({"name": "charge-leaks", "level": 0.0}, "level"),
        ({"name": "charge-leaks", "level": -0.5}, "level"),
    ],
)
def test_wrong_causes_are_refused(arguments: Any, part: Any) -> None:
    """An unknown cause, a sense too many or too few, a level out of range: the error names place, given and allowed."""
    arguments = dict(arguments)
    with pytest.raises(ScenarioError) as caught:
        cause_named(arguments.pop("name"), "cause[3]", **arguments)
    assert caught.value.place == f"cause[3].{part}"
    assert caught.value.allowed


# ---------------------------------------------------------------- time line


def levels(plan: Planned, times: list[float], seed: int = 1) -> list[float]:
    """The level of one planned cause at rising times."""
    timeline, condition = ScenarioTimeline([plan], seed), Condition()
    found = []
    for t_s in times:
        timeline.write(t_s, condition)
        found.append(timeline.levels.get(plan.name, 0.0))
    return found


def test_a_cause_lasts_from_its_begin_to_its_end() -> None:
    """Nothing before, its level from the first moment on, nothing from its end on."""
    plan = Planned(name="charge-leaks", at_s=10.0, until_s=20.0, level=0.4)
    assert levels(plan, [0.0, 9.999, 10.0, 19.999, 20.0, 99.0]) == [0, 0, 0.4, 0.4, 0, 0]


def test_a_growing_cause_reaches_its_level_and_stays() -> None:
    """Growth is even, from nothing to the level, in steps of a minute at the least."""
    plan = Planned(name="charge-leaks", at_s=0.0, level=0.8, grow_s=86_400.0)
    low, half, full, after = levels(plan, [432.0, 43_200.0, 86_400.0, 200_000.0])
    assert 0 < low < 0.01
    assert half == pytest.approx(0.4, abs=0.01)
    assert full == after == 0.8


@pytest.mark.parametrize("regular", [True, False])
def test_an_intermittent_cause_comes_and_goes(regular: Any) -> None:
    """On for `on_s` and off for `off_s`, exactly or on average; the same seed gives the same times, another others."""
    plan = Planned(name="coil-lead-loose", at_s=0.0, on_s=2.0, off_s=6.0, regular=regular)
    times = [index * 0.1 for index in range(40_000)]
    found = levels(plan, times)
    assert sum(found) / len(found) == pytest.approx(0.25, abs=0.005 if regular else 0.04)
    assert found == levels(plan, times)
    assert regular or found != levels(plan, times, seed=2)


def test_next_change_is_never_missed() -> None:
    """Asked for the next change and moved there, the level changes there and not before."""
    plan = Planned(name="float-switch-open", at_s=5.0, until_s=50.0, on_s=3.0, off_s=4.0)
    timeline, condition = ScenarioTimeline([plan], 3), Condition()
    t_s, seen = 0.0, []
    while t_s < 60.0:
        timeline.write(t_s, condition)
        seen.append((t_s, condition.float_open))
        if timeline.next_s == inf:
            break
        t_s = timeline.next_s
    assert [open_ for _, open_ in seen[:5]] == [False, True, False, True, False]
    assert seen[-1] == (50.0, False)


def test_causes_add_up_and_mend_singly() -> None:
    """Two causes at once both hold; the end of one leaves the other."""
    plans = [Planned(name="charge-leaks", at_s=0.0, until_s=10.0, level=0.3), Planned(name="fan-seizes", at_s=0.0)]
    timeline, condition = ScenarioTimeline(plans, 1), Condition()
    timeline.write(1.0, condition)
    assert (condition.charge, condition.fan_seized) == (0.7, True)
    assert timeline.write(10.0, condition)
    assert (condition.charge, condition.fan_seized) == (1.0, True)


def test_mending_a_short_brings_a_new_fuse() -> None:
    """A shorted coil takes the fuse with it; whoever mends the coil puts in a new one."""
    plan = Planned(name="coil-turns-shorted", at_s=100.0, until_s=2000.0, level=0.97)
    world = World(WorldPlan(calls=((200.0, 4000.0),), causes=(plan,)))
    world.advance(300.0)
    assert world.unit.control.fuse.open
    assert world.unit.rc_v == 0
    world.advance(2100.0)
    assert not world.unit.control.fuse.open
    assert world.unit.load_v > 200


def test_break_and_mend_by_hand() -> None:
    """The bench page's way: broken at once, mended at once, and all mended together."""
    world = World(WorldPlan(calls=((0.0, 9000.0),)))
    world.advance(60.0)
    assert world.unit.compressor_a > 5
    world.timeline.switch("compressor-lead-loose")
    world.advance(62.0)
    assert world.unit.compressor_a == 0
    world.advance(390.0)  # until its pressures are equal: pistons do not start against them
    world.timeline.switch("compressor-lead-loose", 0)
    world.advance(400.0)
    assert world.unit.compressor_a > 5
    world.timeline.switch("fan-seizes")
    world.timeline.switch("control-fuse-open")
    world.advance(402.0)
    assert world.unit.load_v == 0
    world.timeline.mend_all()
    world.advance(404.0)
    assert world.unit.load_v > 200


def test_switch_refuses_what_a_scenario_would() -> None:
    """The same checks by hand: nothing is broken by a wrong name."""
    timeline = ScenarioTimeline([], 1)
    with pytest.raises(ScenarioError):
        timeline.switch("gremlins")
    condition = Condition()
    timeline.write(0.0, condition)
    assert condition == Condition()


def test_planned_records_are_frozen() -> None:
    """A time line cannot be changed under a running world."""
    plan = Planned(name="fan-seizes", at_s=0.0)
    with pytest.raises(AttributeError):
        plan.at_s = 5.0  # type: ignore[misc]
    assert msgspec.structs.replace(plan, at_s=5.0).at_s == 5.0
