"""What each state of the unit costs to believe, what each sensor says of it, and how costs add up along time: the parts
of trust, each by itself. What is a fault and what is impossible is common practice; which fault is the more usual is
this project's own estimate (`limits.TRUST`)."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import SensorSettings, Settings, Unit
from condenser_monitor.monitor.core.inputs import DebouncedInputs
from condenser_monitor.monitor.core.records import Change, Scan
from condenser_monitor.monitor.core.trust import WITNESSES, Evidence, FrozenWatch, LiarMemory, Physics, ReadWorld, Trust
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import ALL, REST, SETTINGS, UNIT

AT_REST = ReadWorld(
    power=True, demand=False, call=False, coil=False, supply=True, contacts=False, compressor=False, fan=False
)
RUNNING = ReadWorld(*(True,) * len(ReadWorld._fields))
# The unit does nothing: what hangs on the contacts.
IDLE = {"contacts": False, "compressor": False, "fan": False}
BOARD = msgspec.structs.replace(UNIT, fan_control="board")
HEAT_PUMP = msgspec.structs.replace(UNIT, heat_pump=True)
VARIABLE = msgspec.structs.replace(UNIT, kind="variable-speed")
TIMERS = (
    msgspec.structs.replace(UNIT, delay_on_make_s=180.0),
    msgspec.structs.replace(UNIT, delay_on_break_s=180.0),
)


def costs(world: ReadWorld, unit: Unit = UNIT, *, sheds: bool = False, waits: bool = False) -> dict[str, float]:
    """What is odd about a state, each with its cost; "" is what no fault explains, added up."""
    physics = Physics(unit)
    physics.know_timers(sheds=sheds, waits=waits)
    found: dict[str, float] = {}
    for name, cost in physics.oddities(world):
        found[name] = found.get(name, 0.0) + cost
    return found


STATES: list[tuple[ReadWorld, dict[str, Any], set[str]]] = [
    (AT_REST, {}, set()),
    (RUNNING, {}, set()),
    # one fault each
    (AT_REST, {"power": False}, {"power-lost"}),
    (AT_REST, {"supply": False}, {"supply-lost"}),
    (AT_REST, {"fan": True}, {"fan-runs-on"}),
    (AT_REST, {"contacts": True, "compressor": True, "fan": True}, {"welded"}),
    (RUNNING, {"call": False, "coil": False} | IDLE, {"call-cut"}),
    (RUNNING, {"demand": False}, {"call-crossed"}),
    (RUNNING, {"coil": False} | IDLE, {"coil-open"}),
    (RUNNING, IDLE, {"contacts-open"}),
    (RUNNING, {"supply": False, "compressor": False, "fan": False}, {"supply-lost"}),
    (RUNNING, {"compressor": False}, {"compressor-off"}),
    (RUNNING, {"fan": False}, {"fan-off"}),
    # two, and three
    (RUNNING, {"compressor": False, "fan": False}, {"compressor-off", "fan-off"}),
    (AT_REST, {"contacts": True}, {"welded", "compressor-off", "fan-off"}),
    (AT_REST, {"supply": False, "contacts": True}, {"supply-lost", "welded"}),
    # what cannot be: a call without power, a coil without a call, a motor without volts
    (RUNNING, {"power": False}, {"power-lost", ""}),
    (AT_REST, {"power": False, "demand": True}, {"power-lost", "", "call-cut"}),
    (AT_REST, {"power": False, "call": True}, {"power-lost", "", "call-crossed", "coil-open"}),
    (AT_REST, {"coil": True}, {"", "contacts-open"}),
    (AT_REST, {"compressor": True}, {""}),
    (RUNNING, {"supply": False, "fan": False}, {"supply-lost", ""}),
    (AT_REST, {"supply": False, "fan": True}, {"supply-lost", ""}),
]


@pytest.mark.parametrize(("base", "changed", "odd"), STATES)
def test_each_state_has_the_faults_that_a_technician_would_name(
    base: ReadWorld, changed: dict[str, Any], odd: set[str]
) -> None:
    """Common practice: each link needs the one before it, and what stands still behind a live one is the fault."""
    assert set(costs(base._replace(**changed))) == odd


def test_the_usual_fault_costs_less_than_the_seldom_one_and_all_less_than_what_cannot_be() -> None:
    """A cut call before a dead motor, that before an open coil or a weld, that before a crossed wire."""
    every: dict[str, float] = {}
    for base, changed, _ in STATES:
        every |= costs(base._replace(**changed))
    motors = {every[name] for name in ("power-lost", "supply-lost", "contacts-open", "compressor-off", "fan-off")}
    [motor] = motors
    assert every["call-cut"] < motor < every["welded"] <= every["coil-open"] < every["call-crossed"]
    assert every["fan-runs-on"] == every["coil-open"]
    # No two faults and two liars together cost as much as one thing that cannot be.
    assert 2 * every["call-crossed"] + 2 * Trust._onset(True) < every[""]
    two = costs(RUNNING._replace(power=False, supply=False))
    assert two[""] == 3 * every[""]  # a call without power; a compressor and a fan without a supply


@pytest.mark.parametrize(
    ("unit", "by_design"),
    [
        (UNIT, set[str]()),
        (BOARD, {"fan-off", "fan-runs-on"}),
        (HEAT_PUMP, {"fan-off"}),
        (VARIABLE, {"fan-off", "fan-runs-on", "compressor-off", "fed"}),
        (TIMERS[0], {"coil-waits"}),
        (TIMERS[1], {"coil-waits"}),
    ],
)
def test_what_a_kind_of_unit_does_by_design_costs_next_to_nothing(unit: Unit, by_design: set[str]) -> None:
    """A board's fan rests and runs on, a heat pump's rests in a defrost, a variable speed compressor ramps and its
    board may be fed while it rests, a timer keeps the coil waiting."""
    cheap = set()
    for base, changed, _ in STATES:
        found = costs(base._replace(**changed), unit)
        cheap |= {name for name, cost in found.items() if cost == limits.TRUST.designed.value}
    assert cheap == by_design


def test_a_switch_that_sheds_the_load_is_no_cut_call() -> None:
    """The utility's switch between thermostat and unit, once it is known."""
    cut = RUNNING._replace(call=False, coil=False, **IDLE)
    assert costs(cut, sheds=True) == {"call-shed": limits.TRUST.designed.value}
    assert dict(Physics(UNIT).oddities(cut)) == {"call-cut": limits.TRUST.usual_fault.value}


def test_a_timer_that_keeps_the_coil_waiting_is_no_open_coil() -> None:
    """Declared, or learned since."""
    waiting = RUNNING._replace(coil=False, **IDLE)
    designed = {"coil-waits": limits.TRUST.designed.value}
    assert costs(waiting) == {"coil-open": limits.TRUST.rare_fault.value}
    assert costs(waiting, waits=True) == costs(waiting, TIMERS[0]) == costs(waiting, TIMERS[1]) == designed


@pytest.mark.parametrize("declared", [True, False])
def test_a_timer_makes_a_liar_of_nobody(*, declared: bool) -> None:
    """Twenty cycles, each with its wait of three minutes under the call. Five volts that a long cable picks up at rest
    leave the call unknown there, so that it never changes as a stuck sensor would not."""
    outdoors = [name for name in ALL if name not in ("coil_v", "thermostat", "control_power")]
    trust = Trust(TIMERS[0] if declared else UNIT, outdoors)
    trust.know_timers(sheds=False, waits=not declared)
    at_rest = says(trust, AT_REST, call=None, control_v=None)
    for cycle in range(20):
        at_s = 1800.0 * cycle
        trust.update(Evidence(at_rest), at_s)
        trust.update(Evidence(says(trust, RUNNING._replace(coil=False, **IDLE))), at_s + 600.0)
        trust.update(Evidence(says(trust, RUNNING)), at_s + 780.0)
    assert trust.distrusted == set()


@pytest.mark.parametrize(
    ("name", "symbols"),
    [
        ("supply", {True: True, False: False, None: None}),
        ("control_v", {"normal": True, "high": True, "dead": False, "ghost": None, "weak": None, None: None}),
        ("coil_v", {"normal": True, "high": True, "dead": None, "ghost": None, "weak": None}),
        ("coil_a", {"sealed": True, "unsealed": True, "short": True, "dead": False, None: None}),
        ("line_v", {"normal": True, "high": True, "low": None, "dead": False}),
        ("compressor_w", {"draws": True, "little": None, "none": False}),
    ],
)
def test_a_sensor_that_cannot_tell_says_nothing(name: str, symbols: dict[object, bool | None]) -> None:
    """A few induced volts, one leg of two, the little that a heater draws: neither yes nor no."""
    assert {symbol: WITNESSES[name].read(symbol) for symbol in symbols} == symbols


# ---------------------------------------------------------------- one look


def says(trust: Trust, world: ReadWorld, **lies: bool | None) -> tuple[bool | None, ...]:
    """What the sensors of a trust read of a state; some lie or are silent."""
    return tuple(lies.get(name, getattr(world, WITNESSES[name].part)) for name in trust.sensors)


@pytest.mark.parametrize(
    ("changed", "doubted"),
    [
        ({}, False),
        ({"supply": False}, False),
        ({"fan": True}, False),
        ({"contacts": True, "compressor": True}, False),  # a weld and a dead fan
        ({"contacts": True}, True),  # and a dead compressor with them
        ({"compressor": True}, True),  # nothing drives it
    ],
)
def test_two_faults_may_begin_at_once_and_three_are_doubted(changed: dict[str, Any], doubted: bool) -> None:
    """Of a unit that is seen for the first time."""
    trust = Trust(UNIT, ALL)
    world = AT_REST._replace(**changed)
    assert trust.contradicted(Evidence(says(trust, world)), 0.0) is doubted


def test_contacts_that_were_seen_open_do_not_weld_together_with_a_dead_fan() -> None:
    """By hand, or a spring that gave way, and a fan on top of it: the next scan says more."""
    trust = Trust(UNIT, ALL)
    trust.update(Evidence(says(trust, AT_REST)), 0.0)
    assert trust.contradicted(Evidence(says(trust, AT_REST._replace(contacts=True, compressor=True))), 300.0)
    assert not trust.contradicted(
        Evidence(says(trust, AT_REST._replace(contacts=True, compressor=True, fan=True))), 1.0
    )


def test_what_a_known_liar_says_contradicts_nobody() -> None:
    """The supply sensor was found out; from then on it delays no alarm. A clamp that is not believed neither."""
    trust = Trust(UNIT, ALL)
    dark = Evidence(says(trust, RUNNING, supply=False))
    assert trust.contradicted(dark, 0.0)
    assert trust.update(dark, 0.0)
    assert trust.distrusted == {"supply"}
    assert not trust.contradicted(dark, 10.0)
    assert trust.update(dark, 20.0) is False  # nobody else by it
    crossed = Trust(UNIT, ALL)
    on = says(crossed, AT_REST, compressor_a=True, fan_a=True)
    assert crossed.contradicted(Evidence(on), 0.0)
    crossed.add_minute(swapped=True)
    assert not crossed.contradicted(Evidence(on), 0.0)


@pytest.mark.parametrize(
    ("shown", "odd"),
    [({"cooled": True}, RUNNING._replace(fan=False)), ({"standing": True}, AT_REST._replace(supply=False))],
)
def test_what_the_compressors_current_shows_counts_while_its_clamp_is_believed(
    shown: dict[str, Any], odd: ReadWorld
) -> None:
    """A usual current for long: the fan runs. A current at rest: there is a line. Neither without the clamp."""
    trust = Trust(UNIT, ALL)
    assert not trust.contradicted(Evidence(says(trust, odd)), 0.0)
    assert trust.contradicted(Evidence(says(trust, odd), **shown), 0.0)
    trust.add_minute(swapped=True)
    assert not trust.contradicted(Evidence(says(trust, odd), **shown), 0.0)


def test_a_fan_that_runs_long_behind_open_contacts_is_doubted() -> None:
    """A board lets it run on for a minute or two; after a long rest it is the clamp."""
    trust = Trust(UNIT, ALL)
    on = says(trust, AT_REST._replace(fan=True))
    assert not trust.contradicted(Evidence(on), 0.0)
    assert trust.contradicted(Evidence(on, rested=True), 0.0)
    assert not trust.contradicted(Evidence(says(trust, RUNNING), rested=True), 0.0)


def read(*fitted: str, repeats: Sequence[str] = (), **readings: Any) -> dict[str, bool | None]:
    """What two scans that agree say, sensor by sensor; REST and what is given."""
    inputs = DebouncedInputs(SETTINGS, fitted)
    for t_s in (0.0, 1.0):
        inputs.update(Scan(t_s=t_s, **{name: value for name, value in (REST | readings).items() if name in fitted}))
    trust = Trust(UNIT, fitted)
    return dict(zip(trust.sensors, trust.read(inputs, repeats=repeats).readings, strict=True))


@pytest.mark.parametrize(("volts", "call"), [(0.3, True), (8.0, None), (16.0, None), (26.0, True)])
def test_a_few_induced_volts_leave_the_call_open(volts: float, call: bool | None) -> None:
    """A presence sensor may see them as a call, or may not: it contradicts nobody then (common practice: ghost volts
    in a cable beside another)."""
    said = read("call", "control_v", "coil_a", call=True, control_v=volts)
    assert said["call"] is call
    assert said["coil_a"] is False


@pytest.mark.parametrize(
    ("amps", "watts", "repeats", "load", "said"),
    [
        (9.0, 1990.0, False, True, (True, None)),  # one clamp in both: agreement says nothing more
        (0.0, 2.0, False, False, (False, None)),
        (0.0, 1990.0, False, True, (False, True)),  # a power that moves contradicts a dead clamp
        (0.0, 1990.0, True, True, (False, None)),  # one that is stuck does not, where a run might be
        (0.0, 1990.0, True, None, (False, None)),  # the same where nobody watches the contacts
        (0.0, 1990.0, True, False, (False, True)),  # behind open contacts it shows itself
        (9.0, 2.0, False, True, (True, False)),
        (9.0, 0.0, True, True, (True, False)),  # a dead power reading repeats as well, and is named
    ],
)
def test_power_bears_witness_of_a_run_only_where_it_says_more_than_the_current(
    amps: float, watts: float, repeats: bool, load: bool | None, said: tuple[bool | None, bool | None]
) -> None:
    """Power is taken with the compressor's own clamp; a number that never moves is no witness of a run."""
    fitted = ["call", "compressor_a", "compressor_w", *(["load"] if load is not None else [])]
    found = read(
        *fitted,
        repeats=["compressor_w"] if repeats else [],
        call=True,
        compressor_a=amps,
        compressor_w=watts,
        load=bool(load),
    )
    assert (found["compressor_a"], found["compressor_w"]) == said


# ---------------------------------------------------------------- who is named


def cost(trust: Trust, *liars: str) -> float:
    """What a set of liars costs more than the best one, as it is kept for the next process."""
    return {frozenset(row.liars): row.cost for row in trust.memory}[frozenset(liars)]


def test_a_lie_that_begins_as_a_fault_does_costs_more_than_one_that_was_seen_before() -> None:
    """Independent events fall into one moment by chance alone: a load sensor that hangs at rest and a call that is cut
    an hour later, or both at once. What speaks against the lie is what it would all cost without it."""
    costs_without = []
    for first in (AT_REST._replace(demand=True), AT_REST):
        trust = Trust(UNIT, ALL)
        trust.update(Evidence(says(trust, AT_REST)), 0.0)
        trust.update(Evidence(says(trust, first, load=True)), 600.0)
        trust.update(Evidence(says(trust, AT_REST._replace(demand=True), load=True)), 4200.0)
        assert trust.distrusted == {"load"}
        costs_without.append(cost(trust))
    at_once, apart = costs_without
    assert apart - at_once == pytest.approx(limits.TRUST.coincidence.value)


def test_two_explanations_that_are_as_good_leave_both_sensors_in_doubt() -> None:
    """The unit runs without a call: a call that is not read, through a crossed wire; or welded contacts and a coil's
    current that is not there. Where the contacts were seen open before, a weld is the less likely."""
    fitted = [name for name in ALL if name != "control_v"]
    lie = {"call": False, "thermostat": False}
    found = Trust(UNIT, fitted)
    assert found.update(Evidence(says(found, RUNNING, **lie)), 0.0)
    assert found.distrusted == {"call", "thermostat", "coil_a"}
    seen = Trust(UNIT, fitted)
    seen.update(Evidence(says(seen, AT_REST)), 0.0)
    assert seen.update(Evidence(says(seen, RUNNING, **lie)), 600.0)
    assert seen.distrusted == {"call"}


def test_a_fan_at_rest_in_a_long_warm_run_weighs_alike_for_every_kind_of_unit() -> None:
    """What a board or a defrost excuses in the cold, it does not excuse where the compressor has run for long at its
    usual current."""
    weighed = set()
    for unit in (UNIT, BOARD, HEAT_PUMP):
        trust = Trust(unit, ALL)
        assert trust.update(Evidence(says(trust, RUNNING._replace(fan=False)), cooled=True), 0.0)
        assert trust.distrusted == {"fan_a"}
        weighed.add(round(cost(trust), 6))
    [weight] = weighed
    assert weight == limits.TRUST.fault.value + limits.TRUST.impossible_fan.value - limits.TRUST.liar.value


def test_a_sensor_that_says_on_lies_less_often_than_one_that_is_dead() -> None:
    """Most failures are an open wire (common practice): of volts behind the contacts that are not read and a current
    that is, the volts are the lie, by a little."""
    assert Trust._onset(True) > Trust._onset(False) == Trust._onset(None)
    trust = Trust(UNIT, ("load", "compressor_a"))
    assert trust.update(Evidence((False, True)), 0.0)
    assert trust.distrusted == {"load"}
    assert cost(trust, "compressor_a") == pytest.approx(limits.TRUST.high.value)


def test_two_liars_are_found_where_one_does_not_explain_it() -> None:
    """Supply sensor and fan clamp are both dead in a long run."""
    trust = Trust(UNIT, ALL)
    trust.update(Evidence(says(trust, RUNNING, supply=False, fan_a=False), cooled=True), 0.0)
    assert trust.distrusted == {"supply", "fan_a"}


def test_what_no_two_liars_explain_stays_doubted() -> None:
    """Supply, call and transformer all read off in a run: three sensors at once, or something that nobody knows. It is
    doubted at the next look as it was at the first."""
    trust = Trust(UNIT, ALL)
    lies = {"supply": False, "call": False, "control_v": False, "control_power": False}
    assert trust.contradicted(Evidence(says(trust, RUNNING, **lies)), 0.0)
    trust.update(Evidence(says(trust, RUNNING, **lies)), 0.0)
    assert trust.contradicted(Evidence(says(trust, RUNNING, **lies, fan_a=None)), 60.0)


def test_two_sensors_of_one_thing_that_differ_cannot_both_be_right() -> None:
    """Volts of the line and a presence sensor of it, at rest: no fault of the unit explains it."""
    trust = Trust(UNIT, ("supply", "line_v"))
    assert trust.contradicted(Evidence((True, False)), 0.0)
    assert not trust.contradicted(Evidence((False, False)), 0.0)


# ---------------------------------------------------------------- along time


def sound_cycles(trust: Trust, from_s: float, times: int) -> float:
    """Runs and rests in which all is well; when the last ended."""
    for _ in range(times):
        trust.update(Evidence(says(trust, RUNNING)), from_s)
        trust.update(Evidence(says(trust, AT_REST)), from_s + 900.0)
        from_s += 1800.0
    return from_s


@pytest.mark.parametrize("fitted", [ALL, ("call", "coil_a", "supply"), ("supply", "compressor_a", "fan_a")])
def test_a_trust_that_nothing_disturbs_keeps_nothing(fitted: Sequence[str]) -> None:
    """Sound cycles leave the step at one look into a table, also where few sensors are fitted."""
    trust = Trust(UNIT, fitted)
    assert not any(trust.update(Evidence(says(trust, world)), 0.0) for world in (AT_REST, RUNNING))
    sound_cycles(trust, 900.0, 3)
    assert trust.memory == []


def test_states_are_tried_the_least_odd_first_and_of_equals_the_unit_that_runs() -> None:
    """Where nothing is read, all are there."""
    trust = Trust(UNIT, ALL)
    found = trust._possible((None,) * len(trust.sensors))
    sums = [sum(cost for _, cost in oddities) for _, oddities in found]
    assert sums == sorted(sums)
    assert [world for world, _ in found[:2]] == [RUNNING, AT_REST]
    assert len(found) == 2 ** len(RUNNING)


def test_a_run_without_a_call_is_a_weld_rather_than_a_wire_that_nobody_watches() -> None:
    """Both cost the same where the contacts were seen open; a weld is the less odd by itself. The compressor that then
    stops under closed contacts trips on its own protector: that follows, and is no second fault."""
    trust = Trust(UNIT, ("thermostat", "load", "compressor_a"))
    trust.update(Evidence(says(trust, AT_REST)), 0.0)
    trust.update(Evidence(says(trust, AT_REST, load=True, compressor_a=True)), 600.0)
    assert cost(trust, "thermostat") == 0.0
    trust.update(Evidence(says(trust, AT_REST, load=True)), 1200.0)
    saved = limits.TRUST.fault.value - limits.TRUST.designed.value
    assert cost(trust, "thermostat") == pytest.approx(saved)


def test_a_liar_that_told_the_truth_for_long_leaves_no_trace() -> None:
    """Three changes that agree are not enough, more are; then all is as new."""
    trust = Trust(UNIT, ALL)
    trust.update(Evidence(says(trust, AT_REST)), 0.0)
    trust.update(Evidence(says(trust, RUNNING, load=False)), 600.0)
    assert trust.distrusted == {"load"}
    trust.update(Evidence(says(trust, AT_REST)), 1500.0)
    end_s = sound_cycles(trust, 2100.0, 1)
    assert trust.distrusted == {"load"}
    end_s = sound_cycles(trust, end_s, 4)
    assert trust.distrusted == set()
    assert trust.memory == []
    # and the next that lies is weighed as if it had been the first
    new = Trust(UNIT, ALL)
    sound_cycles(new, end_s - 1800.0, 1)
    for one in (trust, new):
        one.update(Evidence(says(one, AT_REST, load=True, call=True)), end_s)
    assert trust.memory == new.memory != []


def test_four_changes_that_agree_outweigh_a_lie() -> None:
    """Each change that a stuck sensor would not make costs the lie its price; falling silent is no change."""
    trust, change = Trust(UNIT, ALL), limits.TRUST.change.value
    trust.update(Evidence(says(trust, AT_REST)), 0.0)
    trust.update(Evidence(says(trust, RUNNING, load=False)), 600.0)
    left = []
    for at_s, world, load in (
        (1500.0, AT_REST, False),
        (2100.0, RUNNING, None),
        (3000.0, AT_REST, False),
        (3600.0, RUNNING, True),
        (4500.0, AT_REST, False),
        (5100.0, RUNNING, True),
    ):
        trust.update(Evidence(says(trust, world, load=load)), at_s)
        left.append(cost(trust))
    told = limits.TRUST.recover.value
    assert left == pytest.approx([told, told, told, told - change, told - 2 * change, told - 3 * change])
    assert trust.distrusted == {"load"}
    trust.update(Evidence(says(trust, AT_REST)), 6000.0)
    assert trust.distrusted == set()


DEAD = RUNNING._replace(compressor=False)


def calls(
    trust: Trust, held_s: float, rest_s: float, *, dead: ReadWorld = DEAD, after: ReadWorld = AT_REST
) -> set[str]:
    """Six calls that a unit with one fault answers, with rests between them; who is distrusted at the end.
    Between call and rest, a minute of `after`; within each call the fan's clamp once says nothing."""
    at_s = 0.0
    trust.update(Evidence(says(trust, AT_REST)), at_s)
    for _ in range(6):
        at_s += rest_s
        trust.update(Evidence(says(trust, dead)), at_s)
        trust.update(Evidence(says(trust, dead, fan_a=None)), at_s + held_s / 2.0)
        at_s += held_s
        trust.update(Evidence(says(trust, after)), at_s)
        trust.update(Evidence(says(trust, AT_REST)), at_s + 60.0)
    return set(trust.distrusted)


@pytest.mark.parametrize(
    ("held_s", "rest_s", "liar"),
    [
        (900.0, 600.0, True),
        (300.0, 600.0, True),
        (3600.0, 600.0, True),
        (900.0, 240.0, True),
        (239.0, 600.0, False),
        (3601.0, 600.0, False),
        (900.0, 239.0, False),
    ],
)
def test_a_thermostat_that_is_satisfied_again_and_again_acquits_the_compressor(
    held_s: float, rest_s: float, liar: bool
) -> None:
    """Calls of five minutes to an hour with rests of four minutes: something cools. A shorter call is a try, a longer
    one may end with the cool of the night, one that is back sooner had not ended. The call's length counts from its
    beginning, whatever a clamp says in between, and the fan that runs on after it is no new call."""
    assert (calls(Trust(UNIT, ALL), held_s, rest_s) == {"compressor_a"}) is liar
    after = AT_REST._replace(fan=True)
    assert (calls(Trust(BOARD, ALL), held_s, rest_s, after=after) == {"compressor_a"}) is liar


def test_a_unit_that_cools_without_its_fans_clamp_acquits_nobody() -> None:
    """The fan is dead and the compressor runs: that the thermostat is satisfied is no wonder."""
    assert calls(Trust(UNIT, ALL), 900.0, 600.0, dead=RUNNING._replace(fan=False)) == set()


@pytest.mark.parametrize(
    ("run_s", "rest_s", "healed"),
    [(900.0, 600.0, True), (240.0, 240.0, True), (239.0, 600.0, False), (900.0, 239.0, False)],
)
def test_a_fault_that_was_away_for_a_whole_run_is_less_likely_when_it_comes_back(
    run_s: float, rest_s: float, healed: bool
) -> None:
    """A dead compressor that does a whole run after a thermostat's rest and is dead again: its clamp is a little more
    likely to lie, once. Not after a short run, nor where the rest before it was none of a thermostat."""
    trust = Trust(UNIT, ALL)
    heals = limits.TRUST.heals.value if healed else 0.0
    trust.update(Evidence(says(trust, AT_REST)), 0.0)
    trust.update(Evidence(says(trust, DEAD)), 600.0)
    trust.update(Evidence(says(trust, AT_REST)), 700.0)  # too short a call for a satisfied thermostat
    trust.update(Evidence(says(trust, AT_REST, fan_a=None)), 700.0 + rest_s / 2.0)
    at_s = 700.0 + rest_s
    trust.update(Evidence(says(trust, RUNNING)), at_s)
    trust.update(Evidence(says(trust, RUNNING, fan_a=None)), at_s + run_s / 2.0)
    at_s += run_s
    trust.update(Evidence(says(trust, AT_REST)), at_s)
    lie = limits.TRUST.liar.value
    assert trust.distrusted == set()
    trust.update(Evidence(says(trust, DEAD)), at_s + 600.0)
    assert cost(trust, "compressor_a") == pytest.approx(lie - heals)
    trust.update(Evidence(says(trust, AT_REST)), at_s + 700.0)
    trust.update(Evidence(says(trust, DEAD)), at_s + 1300.0)
    assert cost(trust, "compressor_a") == pytest.approx(lie - heals)


def test_a_fault_that_stands_costs_nothing_more_when_the_run_ends() -> None:
    """A crossed wire calls the unit for a whole run, then the coil opens: the wire is paid for, and so is the lie of a
    thermostat in its place; neither gets likelier by it."""
    trust = Trust(UNIT, ALL)
    trust.update(Evidence(says(trust, AT_REST)), 0.0)
    trust.update(Evidence(says(trust, RUNNING, thermostat=False)), 600.0)
    assert cost(trust) == cost(trust, "thermostat") == 0.0
    trust.update(Evidence(says(trust, AT_REST, call=True, control_v=True)), 1500.0)
    assert cost(trust) == cost(trust, "thermostat") == 0.0


def course(trust: Trust, *steps: tuple[float, ReadWorld], chatters_s: float = inf) -> None:
    """Sound readings of some states, each from its time on; at `chatters_s` the contactor chatters."""
    for at_s, world in steps:
        if chatters_s < at_s:
            trust.forget_runs(chatters_s)
            chatters_s = inf
        trust.update(Evidence(says(trust, world)), at_s)


@pytest.mark.parametrize("chatters_s", [inf, 1000.0, 1800.0])
def test_a_contactor_that_chatters_satisfies_no_thermostat(chatters_s: float) -> None:
    """It opens too shortly to be settled, in a call or after it: the call that ended need not have been one."""
    trust = Trust(UNIT, ALL)
    steps = (0.0, AT_REST), (600.0, DEAD), (1500.0, AT_REST), (2100.0, DEAD)
    course(trust, *steps, chatters_s=chatters_s)
    satisfied = limits.TRUST.satisfied.value if chatters_s == inf else 0.0
    assert cost(trust, "compressor_a") == pytest.approx(limits.TRUST.liar.value - limits.TRUST.fault.value - satisfied)


@pytest.mark.parametrize("chatters_s", [inf, 1200.0, 1600.0, 2500.0])
def test_a_contactor_that_chatters_does_no_whole_run(chatters_s: float) -> None:
    """Before the run, in it or after it: the dead compressor that seemed to be back was not, and its clamp is no more
    suspected than before."""
    trust = Trust(UNIT, ALL)
    tried = (0.0, AT_REST), (600.0, DEAD), (700.0, AT_REST)
    course(trust, *tried, (1300.0, RUNNING), (2200.0, AT_REST), (2800.0, DEAD), chatters_s=chatters_s)
    healed = limits.TRUST.heals.value if chatters_s == inf else 0.0
    assert cost(trust, "compressor_a") == pytest.approx(limits.TRUST.liar.value - healed)


def test_a_fan_clamp_stuck_on_is_the_liar_though_the_compressors_clamp_is_one_too() -> None:
    """Contacts that are seen open drive no compressor, and no board lets a fan run on for so long; without a look at
    the contacts nobody can tell."""
    stuck = AT_REST._replace(fan=True)
    for fitted, known in ((ALL, True), ([name for name in ALL if name != "load"], False)):
        trust = Trust(UNIT, fitted)
        trust.update(Evidence(says(trust, AT_REST)), 0.0)
        trust.update(Evidence(says(trust, stuck), rested=True), 900.0)
        assert trust.distrusted == {"fan_a"}
        alone = cost(trust, "compressor_a")
        assert (alone > limits.TRUST.liar.value) is known


def test_after_a_gap_nothing_is_known_of_the_state_but_who_lies() -> None:
    """A monitor that was off for an hour: contacts that are closed then need not have closed by hand."""
    trust = Trust(UNIT, ALL)
    trust.update(Evidence(says(trust, AT_REST, supply=False)), 0.0)
    trust.update(Evidence(says(trust, RUNNING, supply=False)), 600.0)
    trust.update(Evidence(says(trust, AT_REST, supply=False)), 1500.0)
    welded = Evidence(says(trust, AT_REST._replace(contacts=True, compressor=True), supply=False))
    assert trust.contradicted(welded, 2000.0)
    trust.forget_state()
    assert not trust.contradicted(welded, 2000.0)
    assert trust.distrusted == {"supply"}


def test_a_switch_that_sheds_is_weighed_so_from_when_it_is_known() -> None:
    """Combinations that were met before it was known are weighed anew."""
    cut = RUNNING._replace(call=False, coil=False, **IDLE)
    met, new = Trust(UNIT, ALL), Trust(UNIT, ALL)
    for trust in (met, new):
        trust.update(Evidence(says(trust, AT_REST)), 0.0)
    met.contradicted(Evidence(says(met, cut)), 500.0)
    for trust in (met, new):
        trust.know_timers(sheds=True, waits=False)
        trust.update(Evidence(says(trust, cut)), 600.0)
    assert met.memory == new.memory != []


# ---------------------------------------------------------------- after a restart


def test_liars_that_are_no_longer_fitted_are_passed_over() -> None:
    """The owner took the supply sensor out: the next process knows of it no more, and of the others all it knew."""
    trust = Trust(UNIT, ALL)
    trust.update(Evidence(says(trust, RUNNING, load=False)), 0.0)
    assert trust.distrusted == {"load"}
    fitted = [name for name in ALL if name != "supply"]
    next_one = Trust(UNIT, fitted, trust.memory)
    assert all("supply" not in row.liars for row in next_one.memory)
    assert cost(next_one, "load") == cost(trust, "load")
    assert next_one.distrusted == {"load"}
    assert Trust(UNIT, ALL, [LiarMemory(liars=("load", "fan_a", "coil_a"), cost=0.0)]).memory == []


# ---------------------------------------------------------------- what stands still


def minutes(watch: FrozenWatch, runs: bool, *values: float | None, name: str = "suction_c") -> frozenset[str]:
    """What is named after some minutes of rest, or of a run."""
    for value in values:
        watch.update({name: value}, runs=runs)
    return watch.names


def test_a_pipe_is_named_after_eight_still_minutes_of_rest_and_of_run() -> None:
    """In either order; a minute without a reading counts for nothing, a moved digit begins anew."""
    still = int(limits.TRUST.still_minutes.value)
    for first in (True, False):
        watch = FrozenWatch(["suction_c", "coil_a"])
        assert minutes(watch, first, *(7.0,) * (still + 5)) == set()
        assert minutes(watch, not first, *(7.0,) * (still - 1), None) == set()
        assert minutes(watch, not first, 7.0) == {"suction_c"}
    watch = FrozenWatch(["suction_c"])
    minutes(watch, False, *(7.0,) * 20)
    assert minutes(watch, True, 7.1, *(7.1,) * 20) == set()


def test_one_that_moves_again_is_believed_after_it_has_moved_as_often_as_a_liar_has_to() -> None:
    """Nine moves do not do, the tenth does; it can be named again."""
    watch = FrozenWatch(["suction_c"])
    minutes(watch, False, *(7.0,) * 9)
    assert minutes(watch, True, *(7.0,) * 8) == {"suction_c"}
    moves = int(limits.TRUST.moves.value)
    assert minutes(watch, True, *(7.0 + n for n in range(1, moves))) == {"suction_c"}
    assert minutes(watch, True, 99.0) == set()
    minutes(watch, False, *(99.0,) * 8)
    assert minutes(watch, True, *(99.0,) * 8) == {"suction_c"}


def test_air_outdoors_is_named_after_four_still_hours_once_it_has_moved() -> None:
    """Hours of rest and of run together."""
    hours = int(limits.TRUST.drift_minutes.value)
    watch = FrozenWatch(["outdoor_c"])
    assert (
        minutes(watch, False, *(30.0,) * (hours + 20), name="outdoor_c") == set()
    )  # never moved: commissioning's affair
    minutes(watch, False, *(30.0 + n for n in range(1, 10)), name="outdoor_c")
    assert minutes(watch, False, *(30.0,) * 100, name="outdoor_c") == set()
    assert minutes(watch, True, *(30.0,) * (hours - 100), name="outdoor_c") == set()
    assert minutes(watch, True, 30.0, name="outdoor_c") == {"outdoor_c"}


@pytest.mark.parametrize(
    ("step_a", "rest_a", "minutes_each", "hangs"),
    [
        (0.05, 9.0, 8, True),  # still_minutes
        (0.05, 9.0, 7, False),
        (0.5, 9.0, 60, False),  # fine_ratio: a clamp that reads in half amperes may well stand
        (0.5, 9.0, 88, False),  # coarse_times: 2 of 0.5 A over 1 % of 9 A, of eight minutes
        (0.5, 9.0, 90, True),
        (0.05, 9.01, 60, False),  # welded contacts: what they feed moves
    ],
)
def test_a_compressors_clamp_that_hangs_at_a_runs_current(
    step_a: float, rest_a: float, minutes_each: int, hangs: bool
) -> None:
    """A motor's current moves by a percent with a degree outdoors or two volts (AHRI 540 map: check value 12.7)."""
    next_a = 9.0 if rest_a == 9.0 else 9.02
    found = _hanging("compressor_a", (9.0 - step_a, 9.0), rest_a, next_a, minutes_each)
    assert found == ({"compressor_a"} if hangs else set())


@pytest.mark.parametrize(
    ("step_a", "rest_a", "minutes_each", "hangs"),
    [
        (0.002, 1.0, 7, False),
        (0.002, 1.0, 8, True),
        (0.01, 1.0, 52, False),  # fan_fine_ratio: hundredths of an ampere tell no half volt from the next
        (0.01, 1.0, 54, True),
        (0.002, 1.002, 60, False),  # welded contacts
    ],
)
def test_a_fans_clamp_that_hangs_at_a_runs_current(
    step_a: float, rest_a: float, minutes_each: int, hangs: bool
) -> None:
    """A fan's current follows the line's voltage, which wanders by a volt in minutes (common practice)."""
    next_a = 1.0 if rest_a == 1.0 else 1.004
    found = _hanging("fan_a", (1.0 - step_a, 1.0), rest_a, next_a, minutes_each)
    assert found == ({"fan_a"} if hangs else set())


def _hanging(clamp: str, ran_a: tuple[float, float], rest_a: float, next_a: float, minutes_each: int) -> frozenset[str]:
    """Who is said to hang: of a clamp that has read two currents of a call, then `rest_a` without one and `next_a` in
    the next call, for so many minutes each."""
    watch = FrozenWatch([clamp])
    for amps in ran_a:
        watch.called(clamp, amps, call=True)
    for _ in range(minutes_each):
        watch.called(clamp, rest_a, call=False)
    for _ in range(minutes_each):
        watch.called(clamp, next_a, call=True)
    return watch.names


@pytest.mark.parametrize(("stuck", "alarms"), [(True, 1), (False, 4)])
def test_the_only_clamp_alarms_once_where_it_hangs(stuck: bool, alarms: int) -> None:
    """Of a fan whose compressor nobody senses; contacts that weld feed a fan whose current still moves."""
    senses, raised = SensorSettings(fitted=("call", "fan_a")), 0
    engine = Engine(Settings(unit=Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1), senses=senses))
    for second in range(0, 6 * 1800, 5):
        run = second % 1800 >= 900
        moves = 0.93 + 0.002 * (second // 5 % 3)
        fan_a = moves if second < 1500 or not stuck else 0.932
        fan_a = fan_a if run or second >= 1500 else 0.0
        events = engine.feed(Scan(t_s=float(second), call=run, fan_a=fan_a))
        raised += sum(
            isinstance(e, Change) and e.change == "raised" and e.finding == "contacts-stuck-closed" for e in events
        )
    assert raised == 1 if stuck else raised >= alarms
