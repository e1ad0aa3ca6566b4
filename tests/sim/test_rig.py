"""The rigs: senses at the wire, pace, same seed same bytes, and both levels with the same findings."""

from __future__ import annotations

import io
from itertools import pairwise
from math import hypot
from pathlib import Path
from typing import Any

import pytest

from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    Scan,
    StartTransient,
)
from condenser_monitor.monitor.recording.csv_file import Reader, RecordingWriter
from condenser_monitor.sim import simulate
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.house import ThermostatDesign
from condenser_monitor.sim.rig import (
    EVERY_SECOND,
    Pace,
    ReadingsRig,
    rig_for,
)
from condenser_monitor.sim.scenario import load
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.world import World, WorldPlan

ALL = tuple(READINGS)
RUN = ((10.0, 3000.0),)


def make(
    *causes: Planned, pace: Pace = EVERY_SECOND, calls: Any = RUN, fitted: Any = ALL, seed: int = 1, **plan: Any
) -> ReadingsRig:
    design = DESIGNS["three-ton"]
    world = World(WorldPlan(design=design, calls=calls, causes=causes, seed=seed, **plan))
    settings = Settings(unit=design.nameplate(), senses=SensorSettings(fitted=fitted))
    return ReadingsRig(world, settings, pace=pace, starts=True)


def scans(rig: ReadingsRig, until_s: float) -> list[Scan]:
    """Whole scans, without the quick ones of the presence channels."""
    return [item for item in rig.scans(until_s) if isinstance(item, Scan) and item.outdoor_c is not None]


# ---------------------------------------------------------------- senses


def test_senses_read_what_is_on_the_wires() -> None:
    """In a settled run every reading is the world's own value within its accuracy (3 sigma and 2 % of gain)."""
    rig = make()
    last = scans(rig, 900.0)[-1]
    unit = rig.world.unit
    assert all((last.call, last.supply, last.load, last.control_power, last.thermostat))
    assert last.control_v == pytest.approx(unit.unit_v, rel=0.02, abs=0.2)
    assert last.coil_a == pytest.approx(unit.coil_a, rel=0.025, abs=0.01)
    assert last.compressor_a == pytest.approx(unit.compressor_a, rel=0.025, abs=0.05)
    assert last.fan_a == pytest.approx(unit.fan_a, rel=0.025, abs=0.02)
    assert last.outdoor_c == pytest.approx(rig.world.outdoor_c, abs=0.3)


def test_only_fitted_senses_speak() -> None:
    """A reading that is not fitted is missing in every scan."""
    seen = scans(make(fitted=("call", "compressor_a", "outdoor_c")), 30.0)
    assert len(seen) > 1
    for scan in seen:
        assert scan.call is not None
        assert scan.load is scan.fan_a is scan.thermostat is None


@pytest.mark.parametrize(
    ("sense", "cause", "expected"),
    [
        ("compressor_a", "sense-unplugged", None),
        ("outdoor_c", "sense-unplugged", None),
        ("control_v", "sense-unplugged", 0.0),
        ("load", "sense-unplugged", False),
        ("compressor_a", "sense-stuck", None),
    ],
)
def test_faults_at_the_wire(sense: Any, cause: Any, expected: Any) -> None:
    """Unplugged presence reads absent, an unplugged transformer is told by its jack, a hanging chip answers nothing."""
    rig = make(Planned(name=cause, at_s=600.0, sense=sense))
    last = next(scan for scan in rig.scans(700.0) if isinstance(scan, Scan) and scan.t_s == 700.0)
    value = getattr(last, sense)
    assert value is None if expected is None else value == expected


def test_hanging_chip_takes_its_neighbours_along() -> None:
    """Compressor, fan and outdoor temperature share a converter; the control board's stays."""
    rig = make(Planned(name="sense-stuck", at_s=600.0, sense="fan_a"))
    last = next(scan for scan in rig.scans(700.0) if isinstance(scan, Scan) and scan.t_s == 700.0)
    assert last.compressor_a is last.fan_a is last.outdoor_c is None
    assert last.control_v is not None
    assert last.load is True


def test_stuck_presence_keeps_its_last_answer() -> None:
    """The pin hangs at what it was; the other channels go on."""
    rig = make(Planned(name="sense-stuck", at_s=600.0, sense="load"), calls=((10.0, 700.0),))
    last = scans(rig, 800.0)[-1]
    assert last.load is True
    assert last.call is False


def test_drift_pick_up_and_noise() -> None:
    """A drifted sense reads in proportion, picked-up current adds to it, noise adds as the root of squares."""
    for cause, level, formula in (
        ("sense-drifts", 0.3, lambda true: 1.3 * true),
        ("sense-offset", 5.0, lambda true: true + 5.0),
        ("sense-noisy", 6.0, lambda true: hypot(true, 6.0)),
    ):
        rig = make(Planned(name=cause, at_s=0.0, level=level, sense="compressor_a"))
        found = [scan.compressor_a or 0.0 for scan in scans(rig, 900.0)[-60:]]
        assert sum(found) / 60 == pytest.approx(formula(rig.world.unit.compressor_a), rel=0.03)


def test_lost_and_failed_readings_come_at_their_rate() -> None:
    """One scan in ten lost; one transfer in five hundred failed, which costs the drivers seven readings in a
    hundred: counted over some thousand, within three sigma."""
    rig = make(Planned(name="scans-lost", at_s=0.0, level=0.1), pace=Pace(0.5), fitted=("call",))
    got = len([scan for scan in rig.scans(1000.0) if isinstance(scan, Scan)])
    assert got / 2001 == pytest.approx(0.9, abs=0.02)
    rig = make(Planned(name="bus-errors", at_s=0.0, level=0.002), pace=Pace(0.5), fitted=("call", "fan_a"))
    whole = [scan for scan in rig.scans(1000.0) if isinstance(scan, Scan) and scan.t_s * 2 % 1 == 0]
    missing = sum(scan.fan_a is None for scan in whole) / len(whole)
    assert missing == pytest.approx(0.068, abs=0.017)


# ---------------------------------------------------------------- pace and order


def test_scans_come_in_order_and_on_time() -> None:
    """Every second one whole scan; quick scans of the presence channels lie between them; time never runs backwards."""
    times = [item.t_s for item in make().scans(60.0) if isinstance(item, Scan)]
    assert times == sorted(times)
    assert {float(second) for second in range(61)} <= set(times)


def test_quick_scans_tell_of_each_change() -> None:
    """A call of 0.4 s falls between two scans; its coming and going are told all the same."""
    rig = make(calls=((10.3, 10.7),))
    seen = [item.call for item in rig.scans(20.0) if isinstance(item, Scan) and 10.0 < item.t_s < 11.0]
    assert seen == sorted(seen, key=bool) or True in seen
    assert True in seen
    assert False in seen


def test_a_channel_goes_off_when_it_has_held_however_long_a_step_is() -> None:
    """A call that blinks at a thermostat that powers itself through the coil: where nothing else happens a step of the
    world lasts until the next blink, and the edges are those of the same world in steps of 5 ms."""
    seen = []
    for step_s in (0.005, 60.0):
        rig = make(
            Planned(name="call-splice-loose", at_s=20.0, on_s=0.9, off_s=1.1),
            calls=(),
            thermostat=ThermostatDesign(steal_ohm=900.0),
        )
        world, until_s = rig.world, 60.0
        while world.t_s < until_s:
            world.advance(min(until_s, world.t_s + step_s))
        seen.append(world.presence.drain_edges())
    assert len(seen[1]) > 20
    assert [levels for _, levels in seen[1]] == [levels for _, levels in seen[0]]
    assert [at_s for at_s, _ in seen[1]] == pytest.approx([at_s for at_s, _ in seen[0]], abs=0.011)


def test_sparse_pace_is_dense_after_each_change() -> None:
    """Twenty seconds between scans at rest, one second after a change, and back to twenty."""
    rig = make(pace=Pace(1.0, 20.0, 30.0), calls=((500.0, 900.0),))
    times = [scan.t_s for scan in scans(rig, 1500.0)]
    gaps = {round(b - a, 3) for a, b in pairwise(times) if 520 > a > 502}
    assert gaps == {1.0}
    quiet = [b - a for a, b in pairwise(times) if 600 < a < 860]
    assert min(quiet) == pytest.approx(20.0)
    assert max(b - a for a, b in pairwise(times)) <= 20.0 + 1e-6


def test_starts_are_captured_at_their_place() -> None:
    """One start for one run, with the world's own figures; none when it is not asked for."""
    items = list(make().scans(60.0))
    starts = [item for item in items if isinstance(item, StartTransient)]
    assert len(starts) == 1
    assert 0.1 < (starts[0].duration_s or 0.0) < 0.3
    assert starts[0].peak_a > 60
    assert 10.0 <= starts[0].t_s < 10.2


def recorded(seed: int, name: str = "loose-coil-lead-comes-and-goes") -> str:
    rig = rig_for(load(name), seed)
    out = io.StringIO()
    writer = RecordingWriter(out, rig.settings.fitted, 0.0)
    for item in rig.scans(90_000.0):
        writer.write(item)
    return out.getvalue()


def test_same_seed_same_bytes() -> None:
    """A day of an intermittent fault, written twice: equal to the byte; another seed is another recording."""
    assert recorded(3) == recorded(3)
    assert recorded(3) != recorded(4)


# ---------------------------------------------------------------- simulate


def test_simulate_writes_a_recording_that_replays_to_the_same_changes(tmp_path: Path) -> None:
    """What was recorded, read back and replayed, gives the changes that were told at the time."""
    from condenser_monitor.monitor.core.records import Change
    from condenser_monitor.monitor.engine import Engine

    scenario = load("drain-pan-full")
    told: list[Change] = []
    path = tmp_path / "out.csv"
    outcome = simulate.run(scenario, record=path, tell=told.append)
    assert outcome.wrong == ()
    assert tuple(told) == outcome.changes
    engine, again = Engine(scenario.settings), []
    reader = Reader(path)
    for item in reader:
        events = engine.hear(item)
        again += [event for event in events if isinstance(event, Change)]
    assert reader.refused == []
    assert [(c.change, c.finding, c.suspects) for c in again] == [(c.change, c.finding, c.suspects) for c in told]
    assert [c.t_s for c in again] == pytest.approx([c.t_s for c in told], abs=0.001)


def test_simulate_keeps_the_pace_asked_for() -> None:
    """Ten times real time on a virtual wall clock: two hours take twelve minutes of sleep, in short naps."""
    naps: list[float] = []

    class Wall:
        now_s = 0.0

        def sleep(self, seconds: float) -> None:
            naps.append(seconds)
            self.now_s += seconds

    wall = Wall()
    simulate.run(load("healthy-three-runs"), speed=10.0, clock=lambda: wall.now_s, sleep=wall.sleep)
    assert wall.now_s == pytest.approx(720.0, abs=0.5)
    assert max(naps) <= 0.1


@pytest.mark.parametrize("wrong", [{"speed": 0.0}, {"speed": -1.0}, {"level": "atoms"}])
def test_simulate_refuses_what_it_cannot_do(wrong: Any) -> None:
    """A speed of nothing, an unknown level: CommandError, before anything runs."""
    with pytest.raises(CommandError):
        simulate.run(load("healthy-three-runs"), **wrong)


def test_unwritable_recording_is_an_error(tmp_path: Path) -> None:
    """A folder is no file."""
    from condenser_monitor.monitor.core.errors import RecordingError

    with pytest.raises(RecordingError):
        simulate.run(load("healthy-three-runs"), record=tmp_path)


# ---------------------------------------------------------------- fixtures


def test_fixtures_serve(make_rig: Any, scenario: Any, virtual_clock: Any, make_world: Any, register_rig: Any) -> None:
    """A rig, a scenario, a world and virtual time, as anybody would use them."""
    assert make_rig("healthy-three-runs").changes(600.0) == []
    text = 'claim = "Mine."\nhours = 0.1\ncalls = [[10, 200]]\n'
    assert scenario(text).duration_s == 360.0
    assert make_world(calls=((1.0, 5.0),)).advance(3.0) == 3.0
    virtual_clock.sleep(2.5)
    assert virtual_clock() == 2.5
    assert register_rig(text).changes(30.0) == []
