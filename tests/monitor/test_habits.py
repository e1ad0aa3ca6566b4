"""What a unit does by design: declared, learned and offered, never alarmed; and what does not keep time stays told."""

from __future__ import annotations

from random import Random
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings, Unit, parse
from condenser_monitor.monitor.core.patterns import Durations, Habits
from condenser_monitor.monitor.core.records import Change, Scan
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import ALL, REST, RUN, SETTINGS, but, events, raised, scans

WAIT = but(RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
CUT = but(REST, thermostat=True)


def played(engine: Engine, *parts: tuple[float, dict[str, object]], from_s: float = 0.0) -> list[str]:
    """What was raised."""
    stream = scans(*parts, from_s=from_s)
    return [
        e.finding for scan in stream for e in engine.feed(scan) if isinstance(e, Change) and e.change.value == "raised"
    ]


def test_a_delay_that_shows_in_every_cycle_is_learned_and_offered() -> None:
    """Told at the first, then silent, as it has never closed at once; the offer names the setting and the time."""
    engine = Engine(SETTINGS, fitted=ALL)
    cycle = ((600, REST), (180, WAIT), (900, RUN))
    assert played(engine, *cycle * 2) == ["call-without-pull-in"]
    assert engine.status().offers == ()
    assert played(engine, *cycle * 8, from_s=3360) == []
    (offer,) = engine.status().offers
    assert (offer.setting, offer.value) == ("unit.delay_on_make_s", 180)
    assert offer.question == "It looks as if a timer holds this unit off for 180 s after each call. Is that so?"


def test_a_delay_that_was_learned_and_does_not_end_is_told() -> None:
    """The timer's relay dies: over its time, the alarm comes."""
    engine = Engine(SETTINGS, fitted=ALL)
    played(engine, *((600, REST), (180, WAIT), (900, RUN)) * 4)
    assert played(engine, (600, REST), (1000, WAIT), from_s=7000) == ["call-without-pull-in"]


def test_what_is_learned_survives_a_restart_and_may_be_switched_off() -> None:
    """From the memory; with `delay_learned = false` each one is told."""
    cycle = ((600, REST), (180, WAIT), (900, RUN))
    first = Engine(SETTINGS, fitted=ALL)
    played(first, *cycle * 4)
    assert played(Engine(SETTINGS, fitted=ALL, memory=first.memory()), *cycle) == []
    plain = Settings(unit=Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, delay_learned=False))
    assert len(played(Engine(plain, fitted=ALL), *cycle * 5)) == 5


def test_what_a_person_denies_is_a_fault_again() -> None:
    """`not_by_design`: there is no timer, so that each wait is told, and nobody is asked again."""
    denied = msgspec.structs.replace(SETTINGS.unit, not_by_design=("delay_on_make_s",))
    engine = Engine(msgspec.structs.replace(SETTINGS, unit=denied), fitted=ALL)
    parts = [part for rest_s in (600, 1500, 900, 2100, 1200) for part in ((rest_s, REST), (180, WAIT), (900, RUN))]
    assert len(played(engine, *parts)) == 5
    assert engine.status().offers == ()


COLD, COLD_RUN = but(REST, outdoor_c=2.0), but(RUN, outdoor_c=2.0)
DEFROSTS = ((1800, COLD), (1500, COLD_RUN), (400, but(COLD_RUN, fan_a=0.0)), (600, COLD_RUN))


def test_a_heat_pump_that_nobody_declared_is_offered_and_its_defrosts_are_no_alarm() -> None:
    """Called and running at 2 °C three times, also over a restart; its fan rests for minutes to defrost."""
    engine = Engine(SETTINGS, fitted=ALL)
    assert played(engine, *DEFROSTS * 2) == []
    assert engine.status().offers == ()
    second = Engine(SETTINGS, fitted=ALL, memory=engine.memory())
    assert played(second, *DEFROSTS) == []
    (offer,) = second.status().offers
    assert (offer.setting, offer.value, offer.name) == ("unit.heat_pump", True, "heat_pump")


def test_a_unit_that_is_no_heat_pump_by_a_persons_word_has_no_defrost() -> None:
    """Denied, a fan at rest in the cold is told as ever; at 31 °C it is in any unit, and nothing is offered."""
    denied = msgspec.structs.replace(SETTINGS.unit, not_by_design=("heat_pump",))
    engine = Engine(msgspec.structs.replace(SETTINGS, unit=denied), fitted=ALL)
    assert "fan-not-running" in played(engine, *DEFROSTS * 3)
    assert engine.status().offers == ()
    warm = Engine(SETTINGS, fitted=ALL)
    played(warm, *((600, REST), (1500, RUN)) * 4)
    assert warm.status().offers == ()


def test_waits_that_keep_no_time_are_no_timer() -> None:
    """A contactor that sticks for 20, 95, 240 s ... is told each time."""
    engine = Engine(SETTINGS, fitted=ALL)
    parts = [part for wait in (20, 95, 240, 50, 130) for part in ((600, REST), (wait, WAIT), (900, RUN))]
    assert played(engine, *parts) == ["call-without-pull-in"] * 5
    assert engine.status().offers == ()


def test_a_timer_after_each_stop_is_learned_from_the_stop() -> None:
    """The pause differs, the time from stop to start does not."""
    engine = Engine(SETTINGS, fitted=ALL)
    parts = [part for rest in (60, 200, 120, 90, 30, 250) for part in ((rest, REST), (300 - rest, WAIT), (900, RUN))]
    told = played(engine, (900, RUN), *parts)
    assert told.count("call-without-pull-in") == 2  # the second wait was shorter than the first
    (offer,) = engine.status().offers
    assert (offer.setting, offer.value) == ("unit.delay_on_break_s", 300)


def test_a_declared_timer_after_a_stop_is_waited_for() -> None:
    """300 s after the stop, and no longer."""
    unit = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, delay_on_break_s=300)
    parts = ((900, RUN), (60, REST), (240, WAIT), (900, RUN))
    assert raised(*parts, settings=Settings(unit=unit)) == []
    assert raised((900, RUN), (60, REST), (600, WAIT), settings=Settings(unit=unit)) == ["call-without-pull-in"]


def test_a_utilitys_switch_is_offered() -> None:
    """Two cuts of 15 min: then silent, and a question."""
    engine = Engine(SETTINGS, fitted=ALL)
    cut = ((900, RUN), (900, CUT), (900, RUN), (3000, REST))
    assert played(engine, *cut * 6).count("call-not-reaching-unit") == 2
    (offer,) = engine.status().offers
    assert (offer.setting, offer.value) == ("unit.load_shed", True)
    assert "for 15 minutes" in offer.question
    shed = Settings(unit=Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, load_shed=True))
    assert raised(*cut, settings=shed) == []


RUN_ON = but(REST, fan_a=RUN["fan_a"])


def test_a_fan_that_a_board_lets_run_on_is_offered() -> None:
    """60 s after each stop, three times; after a confirmation nothing is asked any more."""
    engine = Engine(SETTINGS, fitted=ALL)
    cycle = ((600, REST), (900, RUN), (60, RUN_ON))
    assert played(engine, *cycle * 3, (600, REST)) == []
    (offer,) = engine.status().offers
    assert (offer.setting, offer.value) == ("unit.fan_control", "board")
    assert offer.site_line == '[unit] fan_control = "board"'
    assert "run on for 60 s" in offer.question
    declared = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, fan_control="board")
    engine = Engine(Settings(unit=declared), fitted=ALL)
    assert played(engine, *cycle * 3, (600, REST)) == []
    assert engine.status().offers == ()


def test_two_levels_of_current_are_offered_as_two_stages() -> None:
    """Not where the unit is declared as such, and not one level."""
    (offer,) = Habits(SETTINGS).offers(2.0, stages=2)
    assert (offer.setting, offer.value) == ("unit.kind", "two-stage")
    assert Habits(SETTINGS).offers(2.0, stages=1) == ()
    assert Habits(parse('[unit]\nkind = "two-stage"\n')).offers(2.0, stages=2) == ()


RAMP = but(RUN, compressor_a=0.0)


def test_a_compressor_that_follows_its_fan_is_offered_as_variable_speed() -> None:
    """The fan 80 s before the compressor, as an inverter's board starts them: told three times, then a question and no
    more; no normal current is held against it. A compressor that dies in a run is told as before."""
    engine = Engine(SETTINGS, fitted=ALL)
    cycle = ((600, REST), (80, RAMP), (900, RUN))
    assert played(engine, *cycle * 8) == ["compressor-not-running"] * 3
    (offer,) = engine.status().offers
    assert (offer.setting, offer.value) == ("unit.kind", "variable-speed")
    dies = ((600, REST), (80, RAMP), (900, RUN), (45, RAMP))
    assert played(engine, *dies, from_s=20_000) == ["compressor-not-running"]
    never = ((600, REST), (400, RAMP))
    assert played(engine, *never, from_s=30_000) == ["compressor-not-running"]
    engine = Engine(SETTINGS, fitted=ALL, memory=engine.memory())
    assert played(engine, *cycle, (600, REST)) == []
    slow = but(RUN, compressor_a=1.9)  # 15 % of rated load, where the drive turns it slowly
    assert played(engine, (600, REST), (900, slow), (600, REST), from_s=5000) == []


def test_a_fan_that_stops_when_it_likes_is_no_board() -> None:
    """20, 140, 60 and 200 s: no question."""
    engine = Engine(SETTINGS, fitted=ALL)
    played(engine, *(part for on in (20, 140, 60, 200) for part in ((600, REST), (900, RUN), (on, RUN_ON))))
    assert engine.status().offers == ()


def test_a_blink_of_the_line_is_no_overload() -> None:
    """Gaps of 8 s while the contacts are held by another supply; gaps of 5 min are."""
    gap = but(RUN, compressor_a=0.0)
    assert "overload-cycling" not in raised((600, REST), *((600, RUN), (8, gap)) * 4, (600, RUN))
    assert "overload-cycling" in raised((600, REST), *((600, RUN), (300, gap)) * 4, (600, RUN))


def test_two_cuts_equal_to_the_second_are_a_utilitys_switch_and_nobodys_lie() -> None:
    """Half an hour on, a quarter off, as in a hot afternoon's program (common practice): the third cut is not told, and
    no sensor is accused. Two cuts that differ are a float that comes and goes."""
    demand = but(REST, thermostat=True)
    cuts = [part for _ in range(5) for part in ((900.0, RUN), (900.0, demand))]
    assert raised((600, REST), *cuts, every_s=1.0) == ["call-not-reaching-unit"] * 2
    uneven = [part for n in (1, 3) for part in ((900.0, RUN), (900.0 + 10.0 * n, demand))]
    engine = Engine(SETTINGS, fitted=ALL)
    played(engine, (600, REST), *uneven, (900.0, RUN))
    assert engine.status().offers == ()


@pytest.mark.parametrize("declared", [True, False])
@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
def test_a_utility_that_cuts_half_of_each_half_hour_makes_a_liar_of_no_sensor(every_s: float, declared: bool) -> None:
    """The trade's 50 % cycling (common practice of load control: 15 minutes of each half hour) in a heat in which the
    thermostat is never satisfied: a run ends as often as one of a sound unit, and its thermostat seems stuck."""
    unit = msgspec.structs.replace(SETTINGS.unit, load_shed=declared)
    engine, told = Engine(msgspec.structs.replace(SETTINGS, unit=unit), fitted=ALL), []
    sound = [(600.0, REST), (900.0, RUN)] * 2
    for scan in scans(*sound, *[(900.0, RUN), (900.0, CUT)] * 6, (900.0, RUN), every_s=every_s):
        told += [e.finding for e in engine.feed(scan) if isinstance(e, Change) and e.change.value == "raised"]
        assert engine.status().distrusted == ()
    cuts = 0 if declared else 2 if every_s == 1.0 else 3  # learned once so many were alike
    assert told == ["call-not-reaching-unit"] * cuts
    assert [offer.setting for offer in engine.status().offers] == ([] if declared else ["unit.load_shed"])


def urgencies(*parts: tuple[float, dict[str, object]], every_s: float, settings: Settings = SETTINGS) -> list[Any]:
    """How urgent each cut of the call, or of the coil, was as it was raised, and what it came to be."""
    heard = events(scans(*parts, every_s=every_s), settings, ALL)
    found = [e for e in heard if isinstance(e, Change) and e.finding in ("call-not-reaching-unit", *_NO_PULL)]
    return [(e.change.value, e.severity.value) for e in found if e.change.value != "cleared"]


_NO_PULL = ("call-without-pull-in", "call-without-run")
URGENT, SOON, LATER = ("raised", "urgent"), ("raised", "soon"), ("revised", "urgent")


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize(("off", "cut_s"), [(CUT, 900.0), (WAIT, 900.0), (CUT, 450.0)])
def test_a_switch_that_nobody_declared_is_urgent_once(off: dict[str, object], cut_s: float, every_s: float) -> None:
    """Where it cuts the call, or the coil's lead behind its tap: the next cuts are told as not urgent for as long as
    the first one lasted, until they are learned; one that outlasts it by a fifth is urgent."""
    sound = [(600.0, REST), (900.0, RUN)]
    cuts = [part for _ in range(4) for part in ((cut_s, off), (900.0, RUN))]
    told = urgencies(*sound, *cuts, every_s=every_s)
    assert told[0] == URGENT
    assert set(told[1:]) == {SOON}
    told = urgencies(*sound, (cut_s, off), (900.0, RUN), (cut_s * 1.6, off), every_s=every_s)
    assert told == [URGENT, SOON, LATER]


@pytest.mark.parametrize(
    ("first_s", "second_s"),
    [
        (300.0, 300.0),  # sooner than a switch is back
        (4000.0, 900.0),  # longer than one holds
    ],
)
def test_what_no_switch_does_is_urgent_each_time(first_s: float, second_s: float) -> None:
    """HABITS.shed_least_s and shed_most_s; and what a person has denied, or two cuts that differ, are a float's."""
    sound, run = [(600.0, REST), (900.0, RUN)], (900.0, RUN)
    assert SOON not in urgencies(*sound, (first_s, CUT), run, (second_s, CUT), run, every_s=10.0)
    uneven = [*sound, (700.0, WAIT), run, (800.0, WAIT), run, (700.0, WAIT)]
    assert urgencies(*uneven, every_s=10.0) == [URGENT, SOON, URGENT]
    denied = msgspec.structs.replace(SETTINGS.unit, not_by_design=("load_shed",))
    settings = msgspec.structs.replace(SETTINGS, unit=denied)
    assert SOON not in urgencies(*sound, *[(900.0, CUT), run] * 3, every_s=10.0, settings=settings)


def test_pauses_that_keep_no_time_under_a_thermostat_that_never_rests_are_its_sensors_lie() -> None:
    """A thermostat's own pauses differ by more than a switch's timer does (common practice: by a tenth and more)."""
    engine, told = Engine(SETTINGS, fitted=ALL), []
    runs = [part for s in (700.0, 900.0, 820.0, 640.0, 980.0, 760.0) for part in ((s, RUN), (1.2 * s, CUT))]
    for scan in scans(*[(600.0, REST), (900.0, RUN)] * 2, *runs * 2, every_s=10.0):
        told += [e.evidence for e in engine.feed(scan) if isinstance(e, Change) and e.finding == "sensing-disagrees"]
    assert [one["distrusted"] for one in told[:1]] == [["thermostat"]]


DELAYED = Settings(unit=Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, delay_on_make_s=180))
COIL_TOO = (*ALL, "coil_v")


@pytest.mark.parametrize(
    ("every_s", "wait_s", "told"),
    [(1.0, 185.0, False), (1.0, 200.0, True), (10.0, 180.0, False), (10.0, 210.0, True), (60.0, 330.0, True)],
)
def test_a_declared_delay_is_waited_for_and_ten_seconds_more(every_s: float, wait_s: float, told: bool) -> None:
    """At any rate of scans (contract.md, Findings: 10 s beyond the delay)."""
    found = raised((600, REST), (900, RUN), (600, REST), (wait_s, WAIT), settings=DELAYED, every_s=every_s)
    assert found == ["call-without-pull-in"] * told


@pytest.mark.parametrize(("blink", "coil_v", "told"), [(True, 0.0, False), (False, 0.0, True), (True, 25.0, True)])
def test_a_blink_that_one_scan_reads_begins_the_delay_anew(blink: bool, coil_v: float, told: bool) -> None:
    """A blink of the call resets a delay-on-make relay (common practice: its timing begins when it is energized): a
    hundred seconds into the wait, for one scan, no belief follows it, and the relay does. What has 24 V at the coil's
    own terminals has passed the relay."""
    rest, run, wait = but(REST, coil_v=0.0), but(RUN, coil_v=25.0), but(WAIT, coil_v=coil_v)
    gap = [(1.0, rest if blink else wait)]
    parts = [(600, rest), (900, run), (600, rest), (100, wait), *gap, (170, wait), (600, run)]
    assert raised(*parts, settings=DELAYED, fitted=COIL_TOO) == ["call-without-pull-in"] * told
    dead = [*parts[:-2], (600, wait)]
    assert raised(*dead, settings=DELAYED, fitted=COIL_TOO) == ["call-without-pull-in"]


SHED = Settings(unit=Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, load_shed=True))
SEALED = but(WAIT, coil_a=RUN["coil_a"])
UNSENSED = tuple(name for name in ALL if name != "coil_a")


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
def test_a_declared_switch_behind_the_calls_tap_is_no_open_coil(every_s: float) -> None:
    """A utility's switch is mounted on the outdoor unit and may break the coil's own lead (common practice of load
    control): the call stands at the unit, and the coil gets nothing for a quarter of an hour. Calls that come
    meanwhile find it open, for what is left of it."""
    cut = ((600, REST), (900, RUN), (900, WAIT), (900, RUN), (300, REST), (120, WAIT))
    assert raised(*cut * 3, (900, RUN), settings=SHED, every_s=every_s) == []
    assert raised(*cut, (900, RUN), every_s=every_s) != []


def test_a_declared_switch_excuses_what_it_can_do_and_no_more() -> None:
    """A coil with current is not cut; what is not sensed is not excused; no switch holds for more than an hour."""
    parts = [(600.0, REST), (900.0, RUN)]
    assert raised(*parts, (900, SEALED), settings=SHED) == ["call-without-pull-in"]
    assert raised(*parts, (900, WAIT), settings=SHED, fitted=UNSENSED) == ["call-without-pull-in"]
    assert raised(*parts, (3600, WAIT), settings=SHED) == []
    assert raised(*parts, (3700, WAIT), settings=SHED) == ["call-without-pull-in"]
    tapped = Settings(unit=msgspec.structs.replace(SHED.unit, call_tap="coil"))
    assert raised(*parts, (900, WAIT), settings=tapped) == ["call-without-pull-in"]


def told(*parts: tuple[float, dict[str, object]], fitted: tuple[str, ...], settings: Settings = SHED) -> list[Any]:
    """When that nothing runs was told, and how urgently."""
    fed = [(held_s, {name: row[name] for name in fitted}) for held_s, row in parts]
    heard = events(scans(*fed, every_s=5.0), settings, fitted)
    found = [e for e in heard if isinstance(e, Change) and e.finding.startswith("call-without")]
    return [(e.t_s, e.change.value, e.severity.value) for e in found]


@pytest.mark.parametrize("fitted", [UNSENSED, ("call", "compressor_a")])
def test_a_switch_that_no_sensor_of_the_coil_could_show_is_urgent_after_its_time(fitted: tuple[str, ...]) -> None:
    """HABITS.shed_most_s: it is told at once, and is urgent once no switch of a utility's cuts for so long."""
    parts = [(600.0, REST), (900.0, RUN)]
    found = told(*parts, (900.0, WAIT), (900.0, RUN), fitted=fitted)
    assert [row[1:] for row in found] == [("raised", "soon"), ("cleared", "soon")]
    found = told(*parts, (4000.0, WAIT), fitted=fitted)
    assert [row[1:] for row in found][:2] == [("raised", "soon"), ("revised", "urgent")]
    assert found[0][0] < 1600.0
    assert 5100.0 <= found[1][0] <= 5170.0


@pytest.mark.parametrize(
    ("settings", "parts"),
    [
        (SETTINGS, [(900.0, RUN)]),  # nobody declared one
        (msgspec.structs.replace(SHED, unit=msgspec.structs.replace(SHED.unit, call_tap="coil")), [(900.0, RUN)]),
        (SHED, [(900.0, RUN), (300.0, REST)]),  # the contactor does not pull in as the call comes
        (SHED, [(900.0, RUN), (900.0, but(RUN, compressor_a=15.5))]),  # it let go at a high current
        (SHED, [(600.0, RUN), (120.0, WAIT), (600.0, RUN)]),  # it was back too soon for a utility's switch
    ],
)
def test_what_a_declared_switch_does_not_do_is_urgent_at_once(
    settings: Settings, parts: list[tuple[float, dict[str, object]]]
) -> None:
    found = told((600.0, REST), *parts, (600.0, WAIT), fitted=UNSENSED, settings=settings)
    assert [row[1:] for row in found if row[1] == "raised"][-1] == ("raised", "urgent")
    assert "revised" not in [row[1] for row in found]


def test_a_pressure_switch_of_a_unit_with_a_utilitys_switch_is_told() -> None:
    """It closes again sooner than a utility's switch does (HABITS.shed_least_s), or let go at a high current."""
    trips = [(600.0, RUN), (120.0, WAIT)] * 3
    told = raised((600, REST), *trips, settings=SHED)
    assert told.count("call-without-pull-in") == 2  # the first may have been the utility's
    high = but(RUN, compressor_a=15.5)
    assert "call-without-pull-in" in raised((600, REST), (900, RUN), (900, high), (600, WAIT), settings=SHED)


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
def test_pauses_alike_under_a_stuck_thermostat_are_no_switch(every_s: float) -> None:
    """A house rests as long again and again, within what scans a minute apart can tell (measured: tests/data,
    nist-ashp-hilft-more); how long it runs in between is not alike, and no switch keeps a thermostat from being
    satisfied. Its sensor, stuck at 1, is named at the third pause at the latest, and nothing is offered."""
    engine, told = Engine(SETTINGS, fitted=ALL), []
    runs = [part for on in (780.0, 1260.0, 960.0, 1500.0, 840.0) for part in ((on, RUN), (420.0, CUT))]
    for scan in scans((600.0, REST), (900.0, RUN), (600.0, REST), *runs, (900.0, RUN), every_s=every_s):
        told += [e.finding for e in engine.feed(scan) if isinstance(e, Change) and e.change.value == "raised"]
    assert told == ["call-not-reaching-unit"] * 2 + ["sensing-disagrees"]
    assert engine.status().distrusted == ("thermostat",)
    assert engine.status().offers == ()


def test_a_declared_switch_behind_the_calls_tap_makes_a_liar_of_no_sensor() -> None:
    """Eight cuts of a quarter of an hour in an afternoon, as cycling at 50 % makes them (common practice), with every
    sensor of the 24 V side: the call and its volts are read and true, and the coil is held off."""
    rest, run, wait = but(REST, coil_v=0.0), but(RUN, coil_v=25.0), but(WAIT, coil_v=0.0)
    parts = [(600.0, rest), (900.0, run), (600.0, rest), *[(990.0, run), (810.0, wait)] * 8, (900.0, run)]
    assert raised(*parts, settings=SHED, fitted=COIL_TOO, every_s=30.0) == []


@pytest.mark.parametrize("ghost_v", [0.3, 5.9, 11.0])
@pytest.mark.parametrize(
    ("settings", "waits_s", "told"),
    [
        (DELAYED, [180.0] * 12, set[str]()),
        (SETTINGS, [180.0] * 12, {"call-without-pull-in"}),
        # a coil that opens when it is hot, or whatever else breaks its lead and heals: no timer's time
        (SETTINGS, [180.0 + 47.0 * (number % 5) for number in range(12)], {"call-without-pull-in"}),
    ],
    ids=["declared", "learned", "opens"],
)
def test_a_coil_that_waits_in_each_cycle_makes_a_liar_of_no_sensor(
    settings: Settings, waits_s: list[float], told: set[str], ghost_v: float
) -> None:
    """Outdoors alone, where a long cable or a thermostat that feeds itself over the call's wire leaves some volts at
    rest (common practice): few enough that they may or may not be a call, yet they are others than a call's."""
    outdoors = ("call", "control_v", "coil_a", "load", "compressor_a")
    rest = but(REST, control_v=ghost_v)
    engine = Engine(settings, fitted=outdoors)
    parts = [part for wait_s in waits_s for part in ((600.0, rest), (wait_s, WAIT), (900.0, RUN))]
    assert set(played(engine, *parts)) == told
    assert engine.status().distrusted == ()


@pytest.mark.parametrize(("delay_s", "most"), [(180.0, 1), (45.0, 1), (30.0, 3), (20.0, 1)])
def test_a_timer_nobody_declared_is_learned_at_uneven_scans_too(delay_s: float, most: int) -> None:
    """Scans of 1 to 30 s see a wait of 180 s as one of 150 to 210: it alarms once, as at even ones (contract.md). One
    of 30 s is seen as one of a second to a minute, and three that seem to be over at once may follow each other."""
    for seed in range(5):
        random, told = Random(seed), []
        engine, t_s = Engine(SETTINGS, fitted=ALL), 0.0
        while t_s < 10 * 3600.0:
            t_s += random.choice([1.0, 1.0, 2.0, 3.0, 5.0, 11.0, 30.0])
            at_s = t_s % 1800.0
            readings = REST if at_s < 900.0 else WAIT if at_s < 900.0 + delay_s else RUN
            events = engine.feed(Scan(t_s=t_s, **readings))
            told += [e.t_s for e in events if isinstance(e, Change) and e.change == "raised"]
        assert len(told) <= most, (seed, told)
        assert told or delay_s < 60.0  # a short one may be over before the alarm is due


@pytest.mark.parametrize("waits_s", [(20.0, 0.0, 20.0), (20.0, 1.0, 1.0)])
def test_a_contactor_that_mostly_closes_at_once_has_no_timer(waits_s: tuple[float, ...]) -> None:
    """HABITS.delay_least_s: what was seen late once was a late scan, or a slow start."""
    timer = Durations(limits.HABITS.delay_least_s, limits.HABITS.delay_most_s, late=True)
    timer.lasted_s.extend(waits_s)
    assert timer.learned_s(30.0) is None
    timer.lasted_s.extend((20.0, 5.0, 30.0))
    assert timer.learned_s(30.0) == 30.0


@pytest.mark.parametrize(
    ("control", "late_s", "told"), [("board", 100, False), ("board", 200, True), ("contactor", 100, True)]
)
def test_a_boards_fan_that_waits_for_head_pressure_is_not_dead(control: str, late_s: int, told: bool) -> None:
    """A head-pressure switch starts the fan at some 45 °C of condensing, a minute and more from a mild start
    (common practice), in some runs and not in most; a contactor's fan starts at once, and one that does not start
    within two minutes is told in the same run."""
    unit = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, fan_control=control)
    mild = (1800, but(REST, outdoor_c=25.0)), (900, but(RUN, outdoor_c=25.0))
    waits = (
        (1800, but(REST, outdoor_c=25.0)),
        (late_s, but(RUN, outdoor_c=25.0, fan_a=0.0)),
        (900, but(RUN, outdoor_c=25.0)),
    )
    found = played(Engine(Settings(unit=unit), fitted=ALL), *mild * 3, *waits)
    assert ("fan-not-running" in found) is told


@pytest.mark.parametrize(
    ("outdoor_c", "rests_s", "told"),
    [
        (10.0, (80, 60, 70, 90, 130), 3),  # three times teach it; colder still it rests for longer
        (25.0, (80, 60, 70, 90, 130), 5),  # in warm weather no control stops it
        (10.0, (80, 60, 70, 500), 4),  # it stays off for longer than any control keeps it
        (10.0, (400, 400, 400, 400), 4),  # as a motor's own protector does
    ],
)
def test_a_fan_that_head_pressure_cycles_in_the_cold_is_learned(
    outdoor_c: float, rests_s: tuple[int, ...], told: int
) -> None:
    """A head-pressure control that nobody declared stops the fan in a run under some 15 to 20 °C outdoors and starts it
    again within a minute or two (common practice)."""
    rest, run = but(REST, outdoor_c=outdoor_c), but(RUN, outdoor_c=outdoor_c)
    engine = Engine(SETTINGS, fitted=ALL)
    day = [part for off_s in rests_s for part in ((600, run), (off_s, but(run, fan_a=0.0)), (600, run), (900, rest))]
    assert played(engine, (900, rest), *day).count("fan-not-running") == told
