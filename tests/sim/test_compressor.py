"""The compressor and its protector: starts, stalls, trips and resets."""

from math import inf
from typing import Any

import msgspec
import pytest

from condenser_monitor.sim.compressor import LOCKED_S, Compressor, Motion
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.fan import Fan, FanMotion
from tests.sim.unit_bench import Bench


def test_start_takes_as_long_as_the_one_that_was_measured() -> None:
    """A 3 ton reciprocating compressor, equalised, at 230 V: about 180 ms (trade training site); within 25 %."""
    start = Bench().call(2.0).unit.compressor.starts[0]
    assert start.duration_s == pytest.approx(0.18, rel=0.25)


def test_scroll_starts_within_the_usual_time() -> None:
    """0.1 to 0.3 s (from memory; unloaded start: scroll application guide)."""
    start = Bench(DESIGNS["five-ton"]).call(2.0).unit.compressor.starts[0]
    assert start.duration_s is not None
    assert 0.1 <= start.duration_s <= 0.3


WITH_INRUSH = [design for design in DESIGNS.values() if design.kind != "variable-speed"]


@pytest.mark.parametrize("design", WITH_INRUSH, ids=lambda d: d.name)
def test_start_current_is_four_to_seven_times_the_rated_one(design: Any) -> None:
    """Locked-rotor over rated-load amps: 4.6 to 5.9 on nameplates, 5 to 7 in a trade guide."""
    start = Bench(design).call(2.0).unit.compressor.starts[0]
    assert 4.0 <= start.peak_a / design.compressor_rla_a <= 7.0
    assert start.settled_a < design.compressor_rla_a


@pytest.mark.parametrize("design", DESIGNS.values(), ids=lambda d: d.name)
def test_running_current_stays_under_rated_load_on_a_hot_day(design: Any) -> None:
    """Rated-load amps are drawn at the hardest condition: a settled run at 35 C stays below (common practice)."""
    unit = Bench(design).call(1200).unit
    assert 0.5 * design.compressor_rla_a < unit.compressor_a < design.compressor_rla_a


def test_current_grows_with_outdoor_temperature_as_the_default_line_says() -> None:
    """About 1.4 % per F around 95 F, 2.5 % per K (arithmetic on a published map); within a third of that."""
    at = {c: Bench(outdoor_c=c).call(1800).unit.compressor_a for c in (30.0, 35.0, 40.0)}
    per_k = (at[40.0] - at[30.0]) / 10 / at[35.0]
    assert per_k == pytest.approx(0.0252, rel=0.33)


def test_stalls_when_the_voltage_falls_to_half_or_two_thirds() -> None:
    """Stalls below roughly 50 to 65 % volts (utility tests, from memory), then draws near locked-rotor current."""
    stalls = []
    for percent in range(90, 30, -1):
        bench = Bench().call(900)
        bench.condition.service_share = percent / 100
        bench.run(0.3)
        if bench.unit.compressor.motion is not Motion.TURNING:
            stalls.append(percent)
            bench.run(1.0)
            locked_a = bench.unit.design.compressor_lra_a * bench.unit.supply_v / 230
            assert bench.unit.compressor_a > 0.8 * locked_a
            break
    assert stalls
    assert 48 <= stalls[0] <= 68


def test_dead_run_capacitor_gives_no_starting_torque() -> None:
    """A single-phase winding alone does not start a rotor, but keeps one going."""
    running = Bench().call(600)
    running.condition.run_capacitor = 0.0
    assert running.run(5).unit.compressor.turning
    running.rest(300)
    assert not running.call(2).unit.compressor.turning


@pytest.mark.parametrize(
    ("volts_share", "trips_s"),
    [
        (1.0, 45.0),  # the constant's own
        (0.8, 85.6),  # 45 ln(1.6²/(1.6²-1.25²)) / ln(2²/(2²-1.25²)): the cold curve of IEC 60255-149
        (0.6, None),  # 1.2 of its full load: less than the protector holds
        (0.03, None),  # what comes through other windings when a leg is lost
    ],
)
def test_a_stalled_fans_protector_opens_by_its_current(volts_share: float, trips_s: float | None) -> None:
    """Held at volts too low to turn or by a seized bearing, it opens the sooner the more it draws, or never."""
    design = Bench().unit.design
    fan = Fan(design, Condition(fan_seized=True))
    elapsed_s, volts = 0.0, volts_share * design.rated_v
    fan.step(0.1, volts)
    while fan.motion is FanMotion.STALLED and elapsed_s < 3600:
        step_s = min(7.0, fan.patience_s())
        fan.step(step_s, volts)
        elapsed_s += step_s
    if trips_s is None:
        assert fan.motion is FanMotion.STALLED
        assert fan.amps > 0
    else:
        assert fan.motion is FanMotion.TRIPPED
        assert elapsed_s == pytest.approx(trips_s, rel=0.01)


def test_protector_trips_a_locked_rotor_in_seconds_and_takes_its_time() -> None:
    """Cold it opens within 2 to 10 s and closes again after 15 min to 2 h (field practice); the fan runs meanwhile."""
    bench = Bench(run_capacitor=0.0).call(0.5)
    assert bench.unit.compressor_a > 0.85 * bench.unit.design.compressor_lra_a * bench.unit.load_v / 230
    assert 2 <= bench.until(True, 20) + 0.5 <= 10
    assert bench.unit.compressor_a == 0
    assert bench.unit.fan.motion is FanMotion.TURNING
    assert 15 * 60 <= bench.until(False, 3 * 3600) <= 2 * 3600


@pytest.mark.parametrize(
    ("faults", "called_s"), [({"run_capacitor": 0.0}, 3600), ({"seized": True}, 3600), ({"leg_open": True}, 300)]
)
def test_a_locked_rotor_is_looked_at_seldom_and_shows_the_same(
    faults: dict[str, Any], called_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A call, looked at ten times a second and as seldom as it is content with: the protector opens and closes
    at the same tenths of a second, the amperes are the same to a part in a thousand. On one leg, where too little flows
    to trip it, that takes a twentieth of the looks."""

    def shown() -> tuple[list[float], float, int]:
        bench, looks = Bench(**faults), 0
        acts: list[float] = []
        step = bench.unit.step

        def counted(dt: float, now_s: float, around: Any) -> None:
            nonlocal looks
            looks += 1
            was = bench.unit.compressor.protector.open
            step(dt, now_s, around)
            if bench.unit.compressor.protector.open is not was:
                acts.append(now_s + dt)

        monkeypatch.setattr(bench.unit, "step", counted)
        bench.call(called_s)
        return acts, bench.unit.compressor_a, looks

    seldom = shown()
    monkeypatch.setattr(Compressor, "_locked_s", lambda self, volts: LOCKED_S)
    often = shown()
    assert seldom[0] == pytest.approx(often[0], abs=0.11)
    assert seldom[1] == pytest.approx(often[1], rel=1e-3)
    assert bool(often[0]) is ("leg_open" not in faults)
    if not often[0]:
        assert seldom[2] * 20 < often[2]


def test_protector_leaves_a_hot_sound_unit_alone() -> None:
    """Twelve hours at 46 C (115 F, the high-ambient test) and no trip."""
    assert Bench(outdoor_c=46.0).call(12 * 3600).unit.compressor.protector.trips == 0


def test_dead_fan_overheats_the_compressor() -> None:
    """Without air the condensing temperature and the current rise until the protector opens."""
    bench = Bench(fan_open=True).call(60)
    assert bench.unit.fan_a == 0
    assert bench.until(True, 1800) > 30


@pytest.mark.parametrize(
    ("fault", "low", "high"),
    [
        ({"condenser_share": 0.5}, 1.15, 1.6),
        ({"charge": 1.3}, 1.10, 1.6),
        ({"charge": 0.2}, 0.3, 0.75),
        ({"run_capacitor": 0.3}, 1.05, 1.4),
    ],
    ids=lambda v: next(iter(v)) if isinstance(v, dict) else None,
)
def test_faults_move_the_running_current(fault: Any, low: Any, high: Any) -> None:
    """Dirty or overcharged: more current; little charge: much less; weak capacitor: somewhat more (common practice)."""
    sound = Bench().call(1500).unit.compressor_a
    faulty = Bench(**fault).call(1500).unit.compressor_a
    assert low < faulty / sound < high


def test_weak_capacitor_starts_slowly() -> None:
    """Seven tenths lost: more than 1.5 times as long (the finding slow-start must have something to find)."""
    weak = Bench(run_capacitor=0.3).call(3).unit.compressor.starts[0]
    assert (weak.duration_s or 0.0) > 1.5 * (Bench().call(3).unit.compressor.starts[0].duration_s or inf)


def test_reciprocating_compressor_cannot_restart_at_once_and_a_scroll_can() -> None:
    """Pistons stand against the pressure for a minute; a scroll lets go inside (scroll application manual)."""
    for name, turns in (("three-ton", False), ("five-ton", True)):
        bench = Bench(DESIGNS[name]).call(900).rest(8)
        assert bench.call(2).unit.compressor.turning is turns
    assert Bench().call(900).rest(240).call(2).unit.compressor.turning


@pytest.mark.parametrize(("uf", "amps"), [(15, 1.36), (20, 1.81), (35, 3.17), (45, 4.07)])
def test_trickle_past_one_open_pole(uf: Any, amps: Any) -> None:
    """240 V 60 Hz through the run capacitor, V / Xc (arithmetic); the winding's reactance may shift it by 6 %."""
    design = msgspec.structs.replace(DESIGNS["three-ton"], trickle=True, run_uf=float(uf), line_v=240.0)
    unit = Bench(design).rest(10).unit
    assert unit.load_v == 0
    assert unit.compressor_a == pytest.approx(amps, rel=0.06)


def test_two_poles_leave_nothing_standing() -> None:
    """With both legs open no trickle flows, capacitor or not."""
    design = msgspec.structs.replace(DESIGNS["three-ton"], trickle=True, contactor_poles=2)
    assert Bench(design).rest(10).unit.compressor_a == 0


def test_run_winding_open_leaves_the_capacitor_current() -> None:
    """Only capacitor and start winding conduct: some amperes, and nothing turns."""
    unit = Bench(run_winding_open=True).call(30).unit
    assert 2 < unit.compressor_a < 5
    assert unit.compressor.motion is Motion.DEAD


def test_delay_relay_holds_each_start_back() -> None:
    """Three minutes between the call at the unit and the closing of the contacts."""
    bench = Bench(msgspec.structs.replace(DESIGNS["three-ton"], delay_on_make_s=180.0)).call(178)
    assert bench.unit.unit_v > 20
    assert bench.unit.load_v == 0
    assert bench.run(4).unit.load_v > 200


def test_poor_line_joint_starves_the_start() -> None:
    """Some ohms in the line: the start's own current pulls its voltage down, and the run draws more than before."""
    sound, poor = Bench().call(900), Bench(line_joint_ohm=1.5).call(900)
    assert poor.unit.compressor.starts[0].duration_s is None or (
        (poor.unit.compressor.starts[0].duration_s or 0.0) > 1.5 * (sound.unit.compressor.starts[0].duration_s or inf)
    )
    assert poor.unit.supply_v < sound.unit.supply_v - 10


def test_stalled_fan_hums_then_trips_and_tries_again() -> None:
    """Dead fan capacitor: about twice full load until the fan's protector opens, minutes of nothing, and again."""
    bench = Bench(fan_capacitor=0.0).call(10)
    assert bench.unit.fan_a == pytest.approx(2 * bench.unit.design.fan_fla_a, rel=0.1)
    bench.run(60)
    assert bench.unit.fan_a == 0
    bench.run(290)
    assert bench.unit.fan_a > 0
