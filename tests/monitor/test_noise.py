"""Sensors that jump as what they measure cannot, and what may jump by itself. From physics alone: a motor's current
stands where it is, and a contactor lets go within a cycle or two of its call (common practice)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from random import Random
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import noise
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.records import Change, ChangeKind, Scan
from condenser_monitor.monitor.core.trust import Trust
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import ALL, REST, RUN, SETTINGS, UNIT, but

FEW = int(limits.NOISE_SCANS.value)
RUN_A, FAN_A = 0.7 * UNIT.compressor_rla_a, 0.85 * UNIT.fan_fla_a
STEADY = [RUN_A * (1.0 + 0.01 * (place % 3)) for place in range(2 * FEW)]


def noisy_sensors(scans: Sequence[Scan], unit: Unit) -> Mapping[str, bool]:
    """With one more scan at either end: what begins or stops is not judged."""
    first = msgspec.structs.replace(scans[0], t_s=scans[0].t_s - 1.0)
    last = msgspec.structs.replace(scans[-1], t_s=scans[-1].t_s + 1.0)
    return noise.noisy_sensors([first, *scans, last], unit)


def run(fan_a: Sequence[float], compressor_a: Sequence[float] = STEADY, *, call: bool = True) -> list[Scan]:
    """Scans of a run, or of a rest, a second apart."""
    pairs = zip(fan_a, compressor_a, strict=False)
    return [
        Scan(t_s=float(place), call=call, load=call, fan_a=fan, compressor_a=amps)
        for place, (fan, amps) in enumerate(pairs)
    ]


def jumping(turns: int, to: float, usual: float = FAN_A, scans: int = FEW) -> list[float]:
    """A current that is elsewhere in so many single scans, the last of them at the end but one."""
    amps = [usual] * scans
    for turn in range(turns):
        amps[scans - 2 - 2 * turn] = to
    return amps


@pytest.mark.parametrize(
    ("fan_a", "noisy"),
    [
        (jumping(2, 1.6 * FAN_A), None),  # NOISE_TURNS: each takes the neighbour's turn along
        (jumping(4, 1.6 * FAN_A), True),
        (jumping(4, 1.2 * FAN_A), None),  # NOISE_RATIO
        (jumping(4, 0.0), None),  # a wire that opens: that fan stands
        (jumping(4, 1.6 * FAN_A, scans=FEW - 1), None),  # NOISE_SCANS
        (jumping(0, FAN_A), None),
        (jumping(0, FAN_A, scans=2 * FEW), False),
        ([FAN_A] * FEW + [1.9 * FAN_A] * FEW, False),  # NOISE_CALM: it stalls, once
    ],
)
def test_a_fans_clamp_that_jumps_beside_a_steady_compressor(fan_a: list[float], noisy: bool | None) -> None:
    assert noisy_sensors(run(fan_a), UNIT).get("fan_a") is noisy


def test_what_makes_both_currents_jump_is_no_sensor() -> None:
    """Contacts that chatter, a line that sags: NOISE_CALM of the other clamp."""
    both = run(jumping(4, 1.6 * FAN_A), jumping(4, 1.6 * RUN_A, RUN_A))
    assert not noisy_sensors(both, UNIT)
    assert noisy_sensors(run([FAN_A] * FEW, jumping(4, 1.6 * RUN_A, RUN_A)), UNIT).get("compressor_a") is True


@pytest.mark.parametrize(("every_s", "noisy"), [(10.0, True), (25.0, None)])
def test_a_compressor_may_stall_and_run_again_between_scans_far_apart(every_s: float, noisy: bool | None) -> None:
    """NOISE_APART_S: a protector is open for half a minute at the least (common practice)."""
    scans = run([FAN_A] * FEW, jumping(4, UNIT.compressor_lra_a, RUN_A))
    apart = [msgspec.structs.replace(scan, t_s=scan.t_s * every_s) for scan in scans]
    assert noisy_sensors(apart, UNIT).get("compressor_a") is noisy
    fan = [msgspec.structs.replace(s, t_s=s.t_s * every_s) for s in run(jumping(4, 1.6 * FAN_A), STEADY[:FEW])]
    assert noisy_sensors(fan, UNIT).get("fan_a") is True


def test_a_stalling_compressor_is_not_noisy() -> None:
    """Locked-rotor amps, and none while its protector is open."""
    stalls = [UNIT.compressor_lra_a if place % 2 else 0.0 for place in range(2 * FEW)]
    assert noisy_sensors(run([FAN_A] * 2 * FEW, stalls), UNIT).get("compressor_a") is not True


@pytest.mark.parametrize(("turns", "compressor_a", "noisy"), [(2, 0.0, None), (4, 0.0, True), (4, RUN_A, None)])
def test_a_clamp_that_reads_a_motor_and_none_by_turns_at_rest(
    turns: int, compressor_a: float, noisy: bool | None
) -> None:
    """Nothing is called, and the other clamp reads none."""
    rest = run(jumping(turns, FAN_A, 0.0), [compressor_a] * FEW, call=False)
    assert noisy_sensors(rest, UNIT).get("fan_a") is noisy


@pytest.mark.parametrize("name", ["call", "supply", "load", "control_power", "thermostat"])
@pytest.mark.parametrize(
    ("odd", "compressor_a", "noisy"),
    [
        (1, STEADY, False),  # one odd scan
        (2, STEADY, True),  # two: four changes
        (2, [RUN_A] * 2 * FEW, None),  # a number that does not move is no witness of a run
        (2, jumping(4, UNIT.compressor_lra_a, RUN_A, 2 * FEW), None),  # it is fed anew each time
    ],
)
def test_a_presence_sensor_that_blinks_beside_a_steady_compressor(
    name: str, odd: int, compressor_a: list[float], noisy: bool | None
) -> None:
    """NOISE_TURNS: contacts let go with each of these."""
    count = 2 * FEW
    said = [True] * count
    for place in range(odd):
        said[count - 3 - 3 * place] = False
    if odd == 1:
        said[0] = False  # the scan in which the run began
        said[-3] = True
    scans = [
        Scan(t_s=float(place), compressor_a=amps, **{name: flag})
        for place, (flag, amps) in enumerate(zip(said, compressor_a, strict=True))
    ]
    assert noisy_sensors(scans, UNIT).get(name) is noisy


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
def test_a_noisy_fan_clamp_accuses_nobody_for_long(every_s: float) -> None:
    """A clamp whose reading is spread by half a nameplate, in runs and rests of a quarter of an hour, for five hours:
    named, once and for as long as it is noisy, and nothing urgent beyond the second run."""
    random, engine, urgent, named = Random(6), Engine(SETTINGS), [], 0
    for scan in range(int(5 * 3600 / every_s)):
        t_s = scan * every_s
        readings = RUN if t_s % 1800.0 >= 900.0 else REST
        amps = (readings["compressor_a"] or 0.0) * random.gauss(1.0, 0.005)
        fan_a = abs((readings["fan_a"] or 0.0) + random.gauss(0.0, 0.5 * UNIT.fan_fla_a))
        events = engine.feed(Scan(t_s=t_s, **but(readings, fan_a=fan_a, compressor_a=abs(amps))))
        found = [e for e in events if isinstance(e, Change) and e.change is ChangeKind.RAISED]
        urgent += [(t_s, e.finding) for e in found if e.severity == "urgent"]
        named += sum(e.finding == "sensing-disagrees" for e in found)
    assert (engine.status().distrusted, named) == (("fan_a",), 1)
    assert [row for row in urgent if row[0] > 3600.0] == []


def test_a_noisy_sensor_is_believed_again_once_it_has_been_steady_for_long() -> None:
    """NOISE_STEADY: each minute in which it jumps begins the count again."""
    trust, steady = Trust(UNIT, ALL), int(limits.NOISE_STEADY.value)
    for looks in ([True], [False] * (steady - 1), [True], [False] * (steady - 1)):
        for noisy in looks:
            trust.add_minute(swapped=None, noisy={"fan_a": noisy})
        assert trust.named == ("fan_a",)
    assert not trust.add_minute(swapped=None, noisy={"coil_a": False})  # nobody's look is another's
    assert trust.add_minute(swapped=None, noisy={"fan_a": False})
    assert trust.named == ()


@pytest.mark.parametrize(
    ("turns", "to", "compressor_a", "noisy"),
    [
        (4, 0.5, STEADY, True),
        (4, 0.0, STEADY, True),
        (2, 0.5, STEADY, None),
        (4, 0.3, STEADY, False),  # COIL_NONE_A: a thermostat's or a transformer's few hundredths
        (4, 0.5, jumping(4, UNIT.compressor_lra_a, RUN_A, 2 * FEW), None),  # the contacts let go with it
    ],
)
def test_a_coils_clamp_that_jumps_beside_a_steady_compressor(
    turns: int, to: float, compressor_a: list[float], noisy: bool | None
) -> None:
    """A sealed coil of 6 VA draws 0.25 A (check value 1.14)."""
    coil_a = jumping(turns, to, 0.25, 2 * FEW)
    scans = [
        Scan(t_s=float(place), call=True, compressor_a=amps, coil_a=coil)
        for place, (coil, amps) in enumerate(zip(coil_a, compressor_a, strict=True))
    ]
    assert noisy_sensors(scans, UNIT).get("coil_a") is noisy


@pytest.mark.parametrize("runs_scans", [4, 8, 30])
def test_short_runs_whose_ends_are_read_at_different_scans_make_nobody_noisy(runs_scans: int) -> None:
    """A row a minute of a two-stage unit: the first row of a run has no call yet, and each begins in the low stage
    (tests/data/nist-ashp-hilft)."""
    scans = []
    for start in range(12):
        for place in range(runs_scans):
            amps = 5.6 + 0.01 * place if place < runs_scans // 2 else 8.7
            scans.append((place > 0, amps * (1.0 + 0.002 * start), 0.9))
        scans += [(False, 0.0, 0.0)] * 6
    rows = [
        Scan(t_s=60.0 * place, call=call, compressor_a=amps, fan_a=fan_a)
        for place, (call, amps, fan_a) in enumerate(scans)
    ]
    for count in range(1, len(rows)):
        assert True not in noise.noisy_sensors(rows[:count], UNIT).values()


def _spoilt(name: str, random: Random, *, hours: float, every_s: float) -> list[Scan]:
    """Runs and rests of a quarter of an hour in which one sensor turns noisy after the first hour; the compressor's
    current is never twice the same."""
    scans: list[Scan] = []
    for place in range(int(hours * 3600 / every_s)):
        t_s = place * every_s
        runs = t_s % 1800.0 >= 900.0
        amps, fan_a = (RUN_A, FAN_A) if runs else (0.0, 0.0)
        row: dict[str, Any] = dict.fromkeys(noise.FEEDS, runs)
        row |= {"compressor_a": amps * random.gauss(1.0, 0.005), "fan_a": fan_a, "coil_a": 0.25 * runs}
        if t_s >= 3600.0 and random.random() < 0.4:
            big = {"compressor_a": 2.0 * RUN_A, "fan_a": 2.0 * FAN_A, "coil_a": 0.9}
            row[name] = random.choice([0.0, big[name]]) if name in big else not row[name]
        scans.append(Scan(t_s=t_s, **row))
    return scans


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("name", ["compressor_a", "fan_a", "coil_a", "call", "load", "thermostat"])
def test_who_is_found_noisy_has_jumped_of_late(name: str, every_s: float) -> None:
    """What is asked first each minute leaves nobody out."""
    named = 0
    for seed in range(8):
        scans, watch = _spoilt(name, Random(seed), hours=2.0, every_s=every_s), noise.NoiseWatch(UNIT)
        step = max(int(60 / every_s), 1)
        for count in range(step, len(scans) + 1, step):
            last = scans[max(count - 90, 0) : count]
            found = watch.update(last, last[-1].t_s - 60.0, ())
            if noise.noisy_sensors(last, UNIT).get(name):
                assert found.get(name)
                named += 1
                break
    assert named


def test_a_run_jumps_nowhere() -> None:
    """The few percent of a motor's current are less than NOISE_RATIO, and what begins goes one way: nobody is looked
    at closer, as the steady answer for every sensor would be."""
    sound = [one for one in _spoilt("call", Random(1), hours=1.0, every_s=10.0) if 900.0 <= one.t_s < 1800.0]
    watch = noise.NoiseWatch(UNIT)
    for count in range(6, len(sound), 6):
        looked = watch.update(sound[max(count - 90, 0) : count], sound[count - 1].t_s - 60.0, ())
    assert noise.noisy_sensors(sound, UNIT)
    assert not looked
    odd = msgspec.structs.replace(sound[-3], fan_a=2.0 * FAN_A)
    spoilt = [*sound[-60:-3], odd, *sound[-2:]]
    assert watch.update(spoilt, sound[-1].t_s - 60.0, ()) == noise.noisy_sensors(spoilt, UNIT)


@pytest.mark.parametrize("every_s", [10.0, 60.0])
def test_a_sound_unit_is_looked_at_closer_only_until_enough_scans_were_calm(
    every_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Runs and rests of a quarter of an hour: what begins and what ends is no jump, and the watch counts NOISE_SCANS
    and three since the last one, that of the first scan of all."""
    looked: list[float] = []
    monkeypatch.setattr(noise, "noisy_sensors", lambda scans, unit: looked.append(scans[-1].t_s) or {})
    scans, watch = _spoilt("call", Random(3), hours=1.0, every_s=every_s), noise.NoiseWatch(UNIT)
    sound = [one for one in scans if one.t_s < 3600.0]
    step = int(60 / every_s)
    for count in range(step, len(sound) + 1, step):
        watch.update(sound[max(count - 90, 0) : count], sound[count - 1].t_s - 60.0 + every_s / 2, ())
    assert len(looked) <= (FEW + 3) // step
    stall = msgspec.structs.replace(sound[-2], fan_a=2.0 * FAN_A)
    watch.update([*sound[-30:-2], stall, sound[-1]], sound[-1].t_s - 60.0, ())
    assert looked[-1] == sound[-1].t_s
