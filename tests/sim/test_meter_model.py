"""A hand with a meter in the simulated unit: its physics and the catalogue of checks know nothing of each other."""

from __future__ import annotations

import msgspec
import pytest

from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.diagnosis.checks.meter import classify
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import SITUATIONS
from condenser_monitor.monitor.diagnosis.visit.session import VisitSession
from condenser_monitor.sim.causes import CAUSES
from condenser_monitor.sim.designs import DESIGNS, Design
from condenser_monitor.sim.meter_model import shows
from condenser_monitor.sim.rig import ReadingsRig
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.world import World, WorldPlan
from tests.sim.test_causes_modes import AT_ONCE, OF_THE_UNIT
from tests.size import one_in

CALLS = ((60.0, 420.0), (660.0, 720.0), (800.0, 20_000.0))
# A compressor that is open at its common terminal reads as one whose overload is open: no meter tells them apart.
SAME_TO_A_METER = {"common-winding-opens": "compressor-overload-open"}
ENOUGH = 14
# Nothing of these shows within half an hour.
GROWS_SLOWLY = {"metering-plugs", "air-in-circuit", "indoor-air-blocked", "valves-leak", "blower-dead"}


def world_of(design: Design, *causes: Planned) -> World:
    return World(WorldPlan(design=design, calls=CALLS, causes=causes, start_hour=12.0))


def design_for(name: str) -> Design:
    """The delay relay that dies has to be there."""
    delay_s = 5.0 if name == "delay-relay-dead" else 0.0
    return msgspec.structs.replace(DESIGNS["three-ton"], delay_on_make_s=delay_s)


def test_every_check_of_the_catalogue_can_be_made() -> None:
    """None without an answer, and a check that is none is refused."""
    world = world_of(DESIGNS["three-ton"])
    for name in CHECKS:
        assert shows(name, world)
    with pytest.raises(CommandError):
        shows("tea-leaves", world)


@pytest.mark.parametrize("design", DESIGNS.values(), ids=lambda d: d.name)
def test_a_sound_unit_shows_what_sound_parts_show(design: Design) -> None:
    """Ten minutes into a run, every check gives the outcome that its row calls sound."""
    world = world_of(design)
    world.advance(1400.0)
    unit = design.nameplate()
    for check in CHECKS.values():
        found = classify(check, shows(check.name, world), unit).outcome
        assert check.sound in (None, found), (check.name, shows(check.name, world))


@pytest.mark.parametrize("name", OF_THE_UNIT)
def test_whatever_is_shown_can_be_typed_in(name: str) -> None:
    """Under every cause, called and at rest, each check's answer is one that the guided checks take."""
    design = design_for(name)
    world = world_of(design, Planned(name=name, at_s=500.0))
    for at_s in (505.0, 700.0, 1400.0):
        world.advance(at_s)
        for check in CHECKS.values():
            classify(check, shows(check.name, world), design.nameplate())


def showing(check: str, outcome: str) -> set[str]:
    """The suspects whose own part shows this and nothing sound."""
    return {
        name
        for name, suspect in SUSPECTS.items()
        if check in suspect.meter
        and outcome in suspect.meter[check].usual
        and CHECKS[check].sound not in suspect.meter[check].usual
    }


@one_in(6)
@pytest.mark.parametrize("name", AT_ONCE)
def test_guided_checks_with_honest_answers_keep_the_true_suspect(name: str) -> None:
    """From the finding on, each next check is made in the simulated unit and answered with what it shows: the true
    suspect is still there at the end, at its head, and no check has made the list longer, but by the suspects whose own
    part a reading shows, by what may have opened a switch that is shown open, and by the monitor's sensing where a
    meter denies a sense."""
    design = design_for(name)
    world = world_of(design, Planned(name=name, at_s=500.0))
    settings = Settings(unit=design.nameplate(), senses=SensorSettings(fitted=tuple(READINGS)))
    rig = ReadingsRig(world, settings)
    until_s = 700.0
    while not rig.engine.standing and until_s < 2000.0:
        rig.changes(until_s)
        until_s += 15.0
    if not rig.engine.standing:
        assert name in GROWS_SLOWLY
        return
    session = VisitSession.from_finding(rig.engine.standing[0], unit=settings.unit, fitted=settings.fitted)
    first, shown = session.verdict().suspects, set[str]()
    for _ in range(ENOUGH):
        check = session.next_check()
        if check is None:
            break
        step = session.enter(check.name, shows(check.name, world))
        assert step.judged is not None
        shown |= showing(check.name, step.judged.outcome)
        if step.judged.outcome not in check.innocent:
            causes = SITUATIONS[session.findings[0]].causes
            shown |= {cause.suspect for cause in causes if check.name in cause.marks}
        if step.verdict.measure_again:
            shown.add("monitor-sensing")
    left = session.verdict().suspects
    true = {SAME_TO_A_METER[name]} if name in SAME_TO_A_METER else set(CAUSES[name].suspects)
    assert true & set(left[:3])
    assert len(set(left) - (shown - set(first))) <= len(first)
