"""One diagnosis for the unit: shape and size count, findings are weighed together, and nothing abnormal acquits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import msgspec
import numpy as np
import pytest

from condenser_monitor.monitor.core.evaluation import Cleared, Evaluation, Raised
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.records import Change, ChangeKind, Diagnosed, Scan
from condenser_monitor.monitor.diagnosis.checks.meter import classify
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.diagnosis import FindingDiagnosis, Observed
from condenser_monitor.monitor.diagnosis.features import FEATURES, FeatureWatch, ratios
from condenser_monitor.monitor.diagnosis.unit_diagnosis import (
    Diagnosis,
    FindingSeen,
    UnitCase,
    clause,
    contradicted,
    diagnose,
    which_switch,
)
from condenser_monitor.monitor.diagnosis.visit.session import VisitSession, answer_at_once
from condenser_monitor.monitor.engine import Engine
from tests.monitor.suspect_cases import judge
from tests.monitor.units import ALL, REST, RUN, SETTINGS, UNIT, Readings, but, events, scans

NO_PULL = but(RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)


def of(*findings: str, traits: dict[str, str] | None = None, **seen: str) -> Diagnosis:
    """The diagnosis of findings that stand together."""
    return diagnose(UnitCase([FindingSeen(name, seen) for name in findings], UNIT, ALL, traits or {}))


def last_of(told: Sequence[object]) -> Diagnosed:
    return [event for event in told if isinstance(event, Diagnosed)][-1]


def test_a_fan_that_a_board_lets_run_says_nothing_of_an_open_contactor() -> None:
    """With the fan fed by the contactor a sensor is doubted; with a board it is by design."""
    seen = {"coil_a": "none", "control_v": "normal", "load": "off", "fan_a": "running", "compressor_a": "still"}
    first = {}
    for fan_control in ("contactor", "board"):
        unit = msgspec.structs.replace(UNIT, fan_control=fan_control)
        first[fan_control] = judge("call-without-pull-in", seen, unit=unit, fitted=ALL).suspects[0]
    assert first == {"contactor": "monitor-sensing", "board": "coil-open"}


def test_a_start_device_that_nobody_declared_is_less_usual() -> None:
    """A unit without one is the rule; a technician may have put one in all the same."""
    kit = msgspec.structs.replace(UNIT, start_kit=True)
    with_kit, without = (judge("locked-rotor", {}, unit=unit, fitted=ALL).shares for unit in (kit, UNIT))
    assert 0.0 < without["start-device"] < 0.5 * with_kit["start-device"]


# ---------------------------------------------------------------- shape, size and history


@pytest.mark.parametrize("weather", ["hot", "mild"])
@pytest.mark.parametrize("finding", ["call-without-pull-in", "short-cycling"])
def test_trips_at_a_high_current_in_ever_shorter_runs_tell_of_the_high_side(finding: str, weather: str) -> None:
    """A high-pressure switch closes as soon as the pressure is below its own, long before the pressures have met, so
    that the next run lasts seconds; and a coil that is quite blocked trips in the cool of the night (common
    practice)."""
    tripping = {"opened": "in-run", "trip-amps": "high", "trip-after": "seconds", "off-time": "moments"}
    found = of(finding, traits=tripping | {"trip-heat": weather})
    assert "high-pressure-cutout" in found.suspects[:3]
    assert "condenser-dirty" in found.suspects[:3]
    assert "low-pressure-cutout" not in found.suspects[:2]


@pytest.mark.parametrize(("drew", "listed"), [("high", True), ("usual", False), ("low", False)])
def test_what_a_dead_compressor_drew_before_tells_of_its_coil(drew: str, *, listed: bool) -> None:
    """A blocked coil trips it sooner than the ten minutes in which a high current is told; its overload stays the
    first."""
    found = of("compressor-not-running", traits={"trip-amps": drew})
    assert ("condenser-dirty" in found.suspects[:3]) is listed
    assert found.suspects[0] == "compressor-overload-open"


_NO_AIR = {"blower-in-run": "rests"}
_LOW_TRIP = {"opened": "in-run", "trip-amps": "low", "trip-after": "minutes", "off-time": "moments"}


@pytest.mark.parametrize(
    ("findings", "traits", "seen"),
    [
        (("low-split",), {}, {}),
        (("not-cooling",), {}, {"blower": "off"}),
        (("low-running-current",), {"run-amps": "low"}, {"blower": "off"}),
        (("short-cycling",), _LOW_TRIP, {"stopped-at": "contacts"}),
        (("call-without-pull-in",), _LOW_TRIP, {"load": "off", "coil_a": "none", "control_v": "normal"}),
        (("low-running-current", "short-cycling"), _LOW_TRIP, {}),
    ],
)
def test_a_blower_that_stands_in_the_run_leads_to_the_air(
    findings: tuple[str, ...], traits: dict[str, str], seen: dict[str, str]
) -> None:
    """Without air the coil freezes, the suction pressure falls and its switch opens (common practice); with the blower
    seen to run they lead to the charge."""
    without_air, plain = of(*findings, traits=traits | _NO_AIR, **seen), of(*findings, traits=traits)
    assert "indoor-airflow" in without_air.suspects[:2]
    assert "indoor-airflow" not in plain.suspects[:1]
    assert without_air.shares.get("charge-low", 0.0) < plain.shares["charge-low"] / 2


def test_a_unit_that_its_thermostat_does_not_call_has_no_air_by_the_same_fault() -> None:
    """A call wire that touches another starts the outdoor unit alone: the coil freezes, and it trips."""
    found = of("call-without-thermostat", "short-cycling", traits=_LOW_TRIP | _NO_AIR)
    assert found.suspects[0] == "control-wire-shorted"


@pytest.mark.parametrize(
    ("finding", "traits", "better", "worse"),
    [
        ("overload-cycling", {"off-time": "seconds"}, "loose-connection", "compressor-overload-open"),
        ("overload-cycling", {"trip-amps": "locked"}, "run-capacitor", "condenser-dirty"),
        ("overload-cycling", {"trip-amps": "high", "trip-heat": "hot"}, "condenser-dirty", "charge-low"),
        ("overload-cycling", {"trip-amps": "low"}, "charge-low", "condenser-dirty"),
        ("overload-cycling", {"trip-amps": "usual"}, "compressor-overload-open", "condenser-dirty"),
        ("call-without-pull-in", {"opened": "in-run", "run-amps": "low"}, "charge-low", "coil-open"),
        ("call-without-pull-in", {"opened": "in-run", "run-amps": "high"}, "condenser-dirty", "charge-low"),
        ("call-without-pull-in", {"comes-and-goes": "yes"}, "low-pressure-cutout", "coil-open"),
        ("high-running-current", {"fan-amps": "high"}, "fan-motor", "condenser-dirty"),
        ("control-power-lost", {"coil-before": "short"}, "coil-shorted", "control-fuse"),
        ("control-power-lost", {"comes-and-goes": "yes"}, "loose-connection", "control-fuse"),
        ("compressor-not-running", {"calls-satisfied": "yes"}, "monitor-sensing", "compressor-overload-open"),
        ("locked-rotor", {"line-blink": "yes"}, "line-supply-off", "run-capacitor"),
        ("locked-rotor", {"line-blink": "likely"}, "line-supply-off", "run-capacitor"),
        ("locked-rotor", {"line-blink": "likely"}, "compressor-locked", "run-capacitor"),
        ("locked-rotor", {"call-blink": "yes"}, "loose-connection", "run-capacitor"),
        ("compressor-not-running", {"call-blink": "yes", "stalled": "yes"}, "float-switch", "run-capacitor"),
        ("call-without-run", {"call-blink": "yes", "stalled": "yes"}, "thermostat", "run-capacitor"),
        ("pull-in-without-run", {"call-blink": "yes", "stalled": "yes"}, "thermostat", "run-capacitor"),
        ("overload-cycling", {"both-stop": "yes"}, "loose-connection", "compressor-overload-open"),
        ("compressor-not-running", {"fan-fell": "yes"}, "line-leg-lost", "compressor-overload-open"),
        ("short-cycling", {"called-again": "soon"}, "thermostat", "equipment-oversized"),
        ("short-cycling", {"called-again": "soon"}, "fan-capacitor", "thermostat"),
        ("call-without-pull-in", {"opened": "in-run", "trip-amps": "under"}, "low-pressure-cutout", "condenser-dirty"),
        ("fan-not-running", {"fan-stopped": "in-frost"}, "defrost-board", "fan-capacitor"),
        ("overload-cycling", {"fan-amps": "none"}, "fan-motor", "condenser-dirty"),
        ("line-supply-lost", {"supply-lost": "at-rest"}, "line-supply-off", "compressor-grounded"),
        (
            "call-not-reaching-unit",
            {"trip-amps": "high"},
            "high-pressure-cutout",
            "float-switch",
        ),
    ],
)
def test_what_it_looked_like_moves_who_is_suspected(
    finding: str, traits: dict[str, str], better: str, worse: str
) -> None:
    """Each feature shifts belief from one suspect to the other, against the same finding without it."""
    before, after = of(finding).shares, of(finding, traits=traits).shares
    ratio = {when: shares.get(better, 1e-4) / shares.get(worse, 1e-4) for when, shares in (("b", before), ("a", after))}
    assert ratio["a"] > 2 * ratio["b"]


def test_what_closes_by_itself_after_as_long_each_time_is_a_timer() -> None:
    """A loose joint comes and goes too, and keeps no time (common practice)."""
    seen = {"call": "on", "control_v": "normal", "coil_a": "none", "supply": "on", "load": "off"}
    comes = {"comes-and-goes": "yes", "opened": "at-start"}
    assert of("call-without-pull-in", traits=comes, **seen).suspects[0] == "loose-connection"
    assert of("call-without-pull-in", traits=comes | {"waits": "yes"}, **seen).suspects[0] == "time-delay"
    stays = of("call-without-pull-in", traits={"waits": "yes", "opened": "at-start"}, **seen).shares
    assert stays["coil-open"] > 0.5 * stays["time-delay"]


@pytest.mark.parametrize(
    ("gone_s", "first"), [(1.0, "loose-connection"), (5.0, "loose-connection"), (240.0, "run-capacitor")]
)
def test_a_start_that_stalls_after_the_call_blinked_is_the_blinks(gone_s: float, first: str) -> None:
    """Written by hand, with no more than the call and the compressor's current sensed: a joint that opens for a moment
    stops the compressor, and it is called against the pressures of its run and stalls (common practice, and why
    thermostats wait for minutes). After such a rest it is the run capacitor before all."""
    stall = but(RUN, compressor_a=60.0)
    parts = [(600.0, REST), (600.0, RUN)]
    for _ in range(3):
        parts += [(gone_s, REST), (4.0, stall), (26.0, but(RUN, compressor_a=0.0)), (300.0, REST), (300.0, RUN)]
    few = tuple({name: row[name] for name in ("call", "compressor_a")} for _, row in parts)
    heard = events(scans(*((held_s, row) for (held_s, _), row in zip(parts, few, strict=True))), fitted=tuple(few[0]))
    assert last_of([one for one in heard if not isinstance(one, Diagnosed) or one.suspects]).suspects[0][0] == first


def test_where_scans_are_far_apart_nobody_knows_that_it_did_not_stall() -> None:
    """A start that stalls lasts some seconds until the protector opens (common practice): read every second it shows,
    and one that locked up is not behind a compressor that merely does not run; read every ten it may be."""
    seen, few = FindingSeen("call-without-run", {"call": "on", "compressor_a": "still"}), ("call", "compressor_a")
    dense, slow = (diagnose(UnitCase([seen], UNIT, few, scans)) for scans in ({}, {"scans": "apart"}))
    assert slow.shares["compressor-locked"] > 5 * dense.shares.get("compressor-locked", 0.0)


@pytest.mark.parametrize("traits", [{"trip-amps": "usual"}, {"trip-amps": "low"}, {"dead-for": "hours"}])
def test_where_scans_are_far_apart_the_last_reading_acquits_nobody_who_stalls(traits: dict[str, str]) -> None:
    """A rotor that locks in a run draws locked-rotor amps for the seconds until its protector opens (common practice);
    the last scan a minute before shows what it drew until then. Whoever does not stall is told apart as ever, and who
    was seen to stall is the likelier for it."""
    close, apart = (
        next(iter(ratios(told, ["compressor-not-running"]).values())) for told in (traits, traits | {"scans": "apart"})
    )
    stalls = {"compressor-locked", "run-capacitor", "start-device"}
    assert {close[name] < 1.0 for name in stalls & close.keys()} == {True}
    assert {apart[name] for name in stalls & close.keys()} == {1.0}
    for name in close.keys() - stalls - {"compressor-winding-open", "line-voltage"}:
        assert apart[name] == close[name], name
    locked = {"trip-amps": "locked", "scans": "apart"}
    assert ratios(locked, ["compressor-not-running"])["trip-amps"] == FEATURES["trip-amps"]["locked"].ratios


def test_a_call_that_nothing_answers_for_hours_waits_for_no_overload() -> None:
    """The coil holds, line voltage is there and no sensor behind the contacts: a protector would have closed again
    within two hours, and a weak capacitor's stalls would have shown; then the contacts come first (common practice)."""
    seen = FindingSeen(
        "call-without-run",
        {"call": "on", "control_v": "normal", "coil_a": "sealed", "supply": "on", "compressor_a": "still"},
    )
    fitted = ("call", "control_v", "coil_a", "supply", "compressor_a")
    soon, late = (diagnose(UnitCase([seen], UNIT, fitted, traits)) for traits in ({}, {"dead-for": "hours"}))
    assert "compressor-overload-open" in soon.suspects[:3]
    assert late.suspects[0] == "contacts-not-making"
    assert late.shares["compressor-overload-open"] < soon.shares["compressor-overload-open"]
    slow = {"scans": "apart"}  # whose stalls nobody would have seen
    soon, late = (diagnose(UnitCase([seen], UNIT, fitted, slow | traits)) for traits in ({}, {"dead-for": "hours"}))
    assert late.shares == soon.shares


def test_a_compressor_that_locks_in_a_run_is_listed_where_scans_are_far_apart() -> None:
    """The amps of a scan before say nothing of the seconds in which it locked."""
    seen = {"call": "on", "load": "on", "compressor_a": "still", "fan_a": "running"}
    apart = of("compressor-not-running", traits={"trip-amps": "usual", "scans": "apart"}, **seen)
    close = of("compressor-not-running", traits={"trip-amps": "usual"}, **seen)
    assert "compressor-locked" in apart.suspects
    assert "compressor-locked" not in close.suspects


@pytest.mark.parametrize(("off_s", "told"), [(160.0, False), (200.0, True), (600.0, True)])
def test_what_is_back_in_a_minute_or_three_is_no_overload_where_only_the_call_tells_of_contacts(
    off_s: float, told: bool
) -> None:
    """Pressures meet within a minute or three and the switch is closed again; an internal overload takes many minutes
    (common practice). With call and compressor's current alone nothing else tells the two apart: both are listed."""
    run, off = ({"call": True, "compressor_a": amps} for amps in (10.0, 0.0))
    parts = [(600.0, {"call": False, "compressor_a": 0.0}), *[(90.0, run), (off_s, off)] * 3, (90.0, run)]
    heard = events(scans(*parts), fitted=("call", "compressor_a"))
    raised = [one.finding for one in heard if isinstance(one, Change) and one.change is ChangeKind.RAISED]
    assert ("overload-cycling" in raised) is told
    named = last_of([one for one in heard if not isinstance(one, Diagnosed) or one.suspects]).suspects
    assert "low-pressure-cutout" in [name for name, _ in named[:3]]


def test_a_coil_that_draws_more_than_an_open_armature_has_shorted_turns() -> None:
    """How a coil begins to fail (common practice): it stands beside an armature that is blocked, and before it where
    the current is more than its own turns, whole, let through."""
    seen = {"coil_a": "unsealed", "control_v": "normal", "load": "off"}
    told, over = (of("call-without-pull-in", traits=traits, **seen) for traits in ({}, {"coil-amps": "over"}))
    assert told.suspects[:2] == ("armature-blocked", "coil-shorted")
    assert over.suspects[0] == "coil-shorted"


@pytest.mark.parametrize(
    ("seen", "traits", "first"),
    [
        ({"coil_v": "normal"}, {}, "contacts-not-making"),
        ({}, {}, "contacts-not-making"),
        ({"coil_v": "weak"}, {"coil-amps": "open"}, "loose-connection"),
        ({}, {"coil-amps": "open"}, "loose-connection"),
    ],
)
def test_a_joint_that_has_grown_resistance_leaves_the_coil_too_little_to_close(
    seen: dict[str, str], traits: dict[str, str], first: str
) -> None:
    """24 V at the unit's terminal, a part of it at the coil, and more current than the closed armature draws: a voltage
    drop across a joint (common practice); with the coil's full volts and its sealed current the contacts are to
    blame."""
    seen = {"coil_a": "sealed", "control_v": "normal", "supply": "on", "load": "off", **seen}
    found = of("call-without-pull-in", traits=traits, **seen)
    assert found.suspects[0] == first
    closed = "the coil draws its sealed current, so the armature has closed"
    assert (closed in found.because) is not ("coil-amps" in traits)


@pytest.mark.parametrize(("delay_s", "listed"), [(0.0, False), (180.0, True)])
def test_a_delay_that_nobody_declared_is_listed_once_its_runs_have_shown_it(delay_s: float, listed: bool) -> None:
    """Two runs that begin three minutes after their call, and a third call that never reaches the coil."""
    held = but(REST, call=True, thermostat=True, control_v=25.4)
    parts = [(900.0, REST), *[(delay_s, held), (900.0, RUN), (900.0, REST)] * 2, (600.0, held)]
    named = [one for one in events(scans(*parts)) if isinstance(one, Change) and one.change is ChangeKind.RAISED][-1]
    assert named.finding == "call-without-pull-in"
    assert ("time-delay" in named.suspects) is listed


def test_a_run_of_seconds_at_no_locked_rotor_amps_is_no_stall() -> None:
    """A motor that cannot start draws locked-rotor amps until its protector opens; one that ran for half a minute at a
    running current has started (common practice)."""
    ran, stalled, unknown = (
        of("call-without-run", traits={"trip-after": "seconds"} | amps).shares
        for amps in ({"trip-amps": "high"}, {"trip-amps": "locked"}, {})
    )
    assert ran["run-capacitor"] < 0.7 * unknown["run-capacitor"] < stalled["run-capacitor"]


def test_a_plugged_metering_device_stands_beside_low_charge_wherever_the_low_side_starves() -> None:
    """Both starve the evaporator (common practice): wherever a pressure switch lets go with a low current the one is on
    the list if the other is."""
    for finding in ("call-without-pull-in", "call-without-run", "call-not-reaching-unit", "short-cycling"):
        named = of(finding, traits={"opened": "in-run", "trip-amps": "low"}, **{"stopped-at": "contacts"}).suspects
        assert {"charge-low", "metering-device"} <= set(named), finding


def test_what_trips_a_pressure_switch_is_on_the_list_of_short_cycles_that_the_call_ends() -> None:
    """With call and current alone sensed: a pressure switch may sit in the call's own wire, and what opens it time and
    again is a fan that stands or stalls, a dirty condenser or low charge (common practice)."""
    seen = {"call": "on", "compressor_a": "running", "stopped-at": "call"}
    case = UnitCase([FindingSeen("short-cycling", seen)], UNIT, ("call", "compressor_a"), {"called-again": "soon"})
    named = diagnose(case).explains["short-cycling"]
    assert {"fan-motor", "fan-capacitor", "condenser-dirty", "charge-low"} <= set(named)


def test_a_stall_at_once_after_a_stop_tells_of_what_stopped_it() -> None:
    """Started against the pressure that is left, a sound compressor stalls; a joint that opens for seconds is first."""
    stall = {"stalled": "yes", "trip-amps": "locked", "trip-after": "seconds"}
    findings = ("short-cycling", "locked-rotor", "compressor-not-running")
    assert of(*findings, traits={**stall, "off-time": "seconds"}).suspects[0] == "loose-connection"
    assert of(*findings, traits={**stall, "off-time": "minutes"}).suspects[0] == "run-capacitor"


def test_each_clause_of_a_feature_that_decides_is_told() -> None:
    """The reason is in plain words."""
    assert FEATURES["coil-before"]["short"].says in of("control-power-lost", traits={"coil-before": "short"}).because


def test_what_the_coil_drew_in_an_earlier_call_does_not_acquit_it_of_this_one() -> None:
    """A call that ends is off at the unit a moment before it is off at the thermostat, as each channel holds for so
    long; the next one takes the fuse with it before any scan has read the coil."""
    edges = dict.fromkeys(("control_v", "coil_a", "compressor_a", "fan_a", "outdoor_c"))
    ends = [Scan(t_s=600.06, **but(RUN, call=False, **edges)), Scan(t_s=600.072, **but(REST, **edges))]
    comes = [
        Scan(t_s=1200.002, **but(RUN, load=False, **edges)),
        Scan(t_s=1200.9, **but(REST, **edges, thermostat=True)),
    ]
    dead = but(REST, control_power=False)
    stream = [
        *scans((600.0, RUN)),
        *ends,
        *scans((600.0, REST), from_s=601.0),
        *comes,
        *scans((60.0, dead), from_s=1201.0),
    ]
    told = [e for e in events(stream) if isinstance(e, Change) and e.finding == "control-power-lost"]
    assert "coil-shorted" in told[0].suspects


def test_a_blink_that_nobody_believes_begins_no_call() -> None:
    """One scan without the call: the contactor has had all its time, and has not closed."""
    engine = Engine(SETTINGS, fitted=ALL)
    for scan in scans((60.0, REST), (40.0, NO_PULL), (1.0, but(NO_PULL, call=False)), (3.0, NO_PULL)):
        engine.feed(scan)
    assert engine._features.seen(engine.now_s)["opened"] == "at-start"


TRIPS = {"opened": "in-run", "trip-amps": "under", "trip-after": "minutes", "off-time": "minutes"}
SOUND = Facts(call=True, supply=True, load=True, contacts=True, compressor=True, fan=True, thermostat=True)


@pytest.mark.parametrize(
    ("amps", "word"), [(3.0, "low"), (9.6, "usual"), (12.0, None), (15.0, "high"), (50.0, "locked")]
)
def test_before_anything_is_learned_the_nameplate_says_how_much_a_trip_drew(amps: float, word: str | None) -> None:
    """12.8 A rated: no overload of a sound motor opens at 9.6 A; nearer to its rating nobody knows yet."""
    watch = FeatureWatch(UNIT)
    watch.changed(SOUND._replace(compressor=False), SOUND, 0.0, None)
    for t_s in range(600):
        watch.keep(Scan(t_s=float(t_s), **but(RUN, compressor_a=amps)))
    watch.changed(SOUND, SOUND._replace(compressor=False), 600.0, None)
    assert watch.seen(600.0).get("trip-amps") == word


@pytest.mark.parametrize(("kind", "word"), [("single-stage", "high"), ("two-stage", "usual")])
def test_a_high_stage_is_no_high_current_of_the_run_that_began_in_the_low_one(kind: str, word: str) -> None:
    """The measured unit of tests/data/nist-ashp-hilft drew 38 to 50 % more in its high stage."""
    watch = FeatureWatch(msgspec.structs.replace(UNIT, kind=kind))
    watch.changed(SOUND._replace(compressor=False), SOUND, 0.0, None)
    for t_s in range(0, 1200, 60):
        watch.keep(Scan(t_s=float(t_s), **but(RUN, compressor_a=6.5 if t_s < 900 else 9.4)))
    watch.changed(SOUND, SOUND._replace(compressor=False), 1200.0, None)
    assert watch.seen(1200.0).get("trip-amps") == word


def test_a_compressor_that_does_not_pump_trips_on_its_overload() -> None:
    """It draws little and is not cooled by the gas that it does not move (common practice)."""
    low, high = (of("overload-cycling", traits={"trip-amps": drew}).shares for drew in ("low", "high"))
    assert high.get("compressor-not-pumping", 0.0) < 0.25 * low["compressor-not-pumping"]


@pytest.mark.parametrize(
    ("amps", "run_s", "first"),
    [
        (8.2, 480, {"charge-low", "low-pressure-cutout"}),  # nine tenths of what it drew an hour ago
        (8.2, 120, {"low-pressure-cutout"}),  # a run that has not settled draws less, but no more
        (9.1, 480, {"pressure-switch"}),  # as it always did: which switch is not known
        (11.0, 480, {"high-pressure-cutout", "condenser-dirty"}),
    ],
)
def test_on_its_first_day_a_trip_is_held_against_what_the_unit_drew_an_hour_before(
    amps: float, run_s: float, first: set[str]
) -> None:
    """Written by hand: a pressure switch that opens again and again under one call, after five sound runs. That low gas
    draws less and lets the low-pressure switch open, and a hot condenser the reverse, is common practice."""
    sound = [(600.0, REST), (1200.0, but(RUN, compressor_a=9.1))] * 5
    tripped = [(run_s, but(RUN, compressor_a=amps)), (180.0, NO_PULL)] * 4
    told = last_of(events(scans(*sound, (600.0, REST), *tripped, every_s=5.0)))
    said = {8.2: "low", 9.1: "usual", 11.0: "high"}[amps] if run_s > 300 else "under"
    assert told.features.get("trip-amps") == said
    named = [name for name, _ in told.suspects]
    assert named[0] in first
    assert ("charge-low" in named[:2]) is (amps < 9.5)


def test_the_first_suspect_holds_over_the_cycles_of_a_unit_that_cycles_on_its_low_pressure_switch() -> None:
    """Written by hand: the switch opens in the middle of a run and closes again when the pressures have met, under one
    call, for hours; a current that rests under its normal. In one half of each cycle call-without-pull-in stands, in
    the other it does not; that is no news of who is at fault. Low charge and a plugged metering device starve the
    evaporator alike, and pressures tell them apart (common practice): both are named."""
    sound = [(600.0, REST), (1200.0, but(RUN, compressor_a=9.1))] * 5
    cycles = [(90.0, but(RUN, compressor_a=8.4)), (80.0, NO_PULL)] * 60
    heard = events(scans(*sound, (600.0, REST), *cycles, every_s=5.0))
    told = [event for event in heard if isinstance(event, Diagnosed) and event.suspects]
    assert {one.suspects[0][0] for one in told[1:]} == {"low-pressure-cutout"}
    raised = [one for one in heard if isinstance(one, Change) and one.change is ChangeKind.RAISED]
    assert {one.finding for one in raised} == {"call-without-pull-in", "short-cycling"}
    for one in raised[1:]:
        assert one.suspects[0] == "low-pressure-cutout"
        assert {"charge-low", "metering-device"} <= set(one.suspects[:4])


def test_what_comes_and_goes_with_a_pattern_counts_alike_in_both_halves_of_its_cycle() -> None:
    """The same findings and symbols, with the opened contactor standing or just over: the same diagnosis."""
    seen = {"call": "on", "coil_a": "none", "supply": "on", "load": "off"}
    shares = []
    for stands in (True, False):
        open_now = FindingSeen("call-without-pull-in", seen, stands=stands, cycles=not stands)
        case = UnitCase([open_now, FindingSeen("short-cycling", {"stopped-at": "contacts"})], UNIT, (), TRIPS)
        shares.append(diagnose(case).shares)
    assert shares[0] == shares[1]


@pytest.mark.parametrize(("normal_a", "word"), [(9.0, "usual"), (6.5, "high"), (14.0, "low")])
def test_what_a_trip_drew_is_held_against_the_stage_it_ran_in(normal_a: float, word: str) -> None:
    """The normal of the moment of each stop counts, and not that of the other stage, which the next change brings."""
    watch = FeatureWatch(UNIT)
    watch.changed(SOUND._replace(compressor=False), SOUND, 0.0, None)
    for second in range(600):
        watch.keep(Scan(t_s=float(second), compressor_a=9.0, call=True))
    assert watch.drew_a() == 9.0
    watch.changed(SOUND, SOUND._replace(compressor=False), 600.0, normal_a)
    watch.changed(SOUND._replace(compressor=False), SOUND._replace(compressor=False), 700.0, 6.5)
    assert watch.seen(700.0)["trip-amps"] == word


@pytest.mark.parametrize(("open_for", "every", "seen"), [(1, 2, "yes"), (2, 4, "yes"), (9, 24, None)])
def test_contacts_found_open_and_closed_by_turns_flicker(open_for: int, every: int, seen: str | None) -> None:
    """A scan every ten seconds misses the chatter and shows its mix; a pressure switch takes minutes to close again."""
    watch = FeatureWatch(UNIT)
    for scan in range(72):
        closed = scan % every >= open_for
        watch.glimpse(Scan(t_s=10.0 * scan, **but(RUN if closed else NO_PULL)))
    assert watch.seen(720.0).get("flickers") == seen
    if seen:
        found = of("call-without-pull-in", "locked-rotor", traits={"flickers": seen, "trip-amps": "locked"})
        assert found.suspects[0] in ("loose-connection", "control-voltage-weak")


def tripping(fan_a: float, amps: float) -> list[tuple[float, Readings]]:
    """A unit that trips and starts again within a minute, scanned once a minute: sound runs, then a call in which one
    scan in three finds it running."""
    run = but(RUN, fan_a=fan_a, compressor_a=amps)
    return [(600.0, REST), (1200.0, RUN), (600.0, REST), *[(60.0, run), (120.0, NO_PULL)] * 4]


@pytest.mark.parametrize(
    ("fan_a", "amps", "first", "once"),
    [
        (0.0, 11.0, {"fan-motor", "fan-capacitor"}, False),
        (2.4, 11.0, {"fan-motor", "fan-capacitor"}, True),  # told at the first trip, and nothing new since
        (1.0, 9.0, {"low-pressure-cutout", "pressure-switch", "high-pressure-cutout"}, False),
    ],
)
def test_runs_that_only_single_scans_show_tell_a_trip_from_a_dead_coil(
    fan_a: float, amps: float, first: set[str], once: bool
) -> None:
    """A fan that does not turn trips the pressure switch between scans a minute apart; a burnt coil does not heal."""
    told = last_of(events(scans(*tripping(fan_a, amps), every_s=60.0)))
    assert told.findings[:1] == ("call-without-pull-in",)
    assert told.features["opened"] == "in-run"
    assert (told.features.get("comes-and-goes") != "yes") is once
    named = [name for name, _ in told.suspects]
    assert named[0] in first
    assert "coil-open" not in named


def test_where_the_dead_fan_itself_is_found_its_last_scans_tell_nothing_more() -> None:
    """They say what the finding says: a fan's own lead is as likely as before."""
    dead = but(RUN, fan_a=0.0, compressor_a=11.0)
    day = [(600.0, REST), (1200.0, RUN)] * 2 + [(600.0, REST), (600.0, RUN), (60.0, dead)]
    found, tripped = (last_of(events(scans(*day, *after))) for after in ((), ((60.0, but(dead, compressor_a=0.0)),)))
    assert found.findings[:1] == ("fan-not-running",)
    assert "fan-amps" not in found.features
    assert tripped.features["fan-amps"] == "none"
    at_first, then = (dict(told.suspects) for told in (found, tripped))
    assert "loose-connection" in then
    assert list(then)[:2] == list(at_first)[:2]


@pytest.mark.parametrize(("amps", "behind"), [(6.5, True), (9.0, False)])
def test_an_overload_that_opens_after_an_hour_at_little_current_points_at_what_does_not_cool_the_motor(
    amps: float, behind: bool
) -> None:
    """A hermetic motor is cooled by the gas that it draws in: without enough of it the overload opens on little
    current (common practice). With call, clamp and the outdoor temperature, on the first day."""
    lone = ("call", "compressor_a", "outdoor_c")
    day = [(600.0, REST), (900.0, RUN)] * 3 + [(600.0, REST)]
    day += [(4800.0, but(RUN, compressor_a=amps)), (2700.0, NO_PULL)] * 2
    few = [(held_s, {name: scan[name] for name in lone}) for held_s, scan in day]
    told = last_of(events(scans(*few, every_s=10.0), fitted=lone))
    assert told.findings == ("call-without-run",)
    named = [name for name, _ in told.suspects]
    assert named[0] == "compressor-overload-open"
    assert ("charge-low" in named[:2]) is behind


@pytest.mark.parametrize(
    ("last", "every_s", "seen"),
    [
        ({"fan_a": 0.0, "compressor_a": 11.0}, 10.0, {"fan-glimpse": "still"}),
        ({"fan_a": 2.4}, 30.0, {"fan-glimpse": "stalled"}),
        ({"fan_a": 0.0}, 5.0, {"fan-amps": "none"}),  # the seconds that it takes hold two scans
        ({"fan_a": 0.0, "compressor_a": 4.0}, 10.0, {}),  # a scan that the stop itself has cut
        ({"fan_a": 0.0, "compressor_a": 11.0}, 9.0, {}),
        ({}, 10.0, {}),
    ],
)
@pytest.mark.parametrize("sensors", ["contacts", "currents"])
def test_a_fan_that_dies_just_before_its_heat_trips_a_switch_is_seen_in_the_last_scans(
    last: dict[str, float], every_s: float, seen: dict[str, str], sensors: str
) -> None:
    """Without its fan a condenser's pressure opens the switch within seconds in the heat (common practice)."""
    lasts_s = 10.0 if every_s < 9.0 else every_s
    day = [(600.0, REST), (1200.0, RUN)] * 2 + [(600.0, REST), (900.0, RUN), (lasts_s, but(RUN, **last))]
    day.append((900.0, NO_PULL))
    if sensors == "currents":
        day = [(s, but(scan, control_v=None, coil_a=None, supply=None, load=None)) for s, scan in day]
    told = last_of(events(scans(*day, every_s=every_s)))
    shown = {name: symbol for name, symbol in told.features.items() if name in ("fan-glimpse", "fan-amps")}
    assert shown == seen
    named = [name for name, _ in told.suspects]
    assert ({"fan-motor", "fan-capacitor"} <= set(named[:3])) is bool(seen)


@pytest.mark.parametrize("cut", ["contactor", "call"])
def test_a_unit_that_is_locked_out_after_one_short_run_suspects_the_fan_of_the_one_scan(cut: str) -> None:
    """Without its fan a high-pressure switch opens within seconds in the heat, and a board locks the unit out (common
    practice): one scan shows the compressor's run, with the fan at rest. Wired indoors, the switch cuts the call."""
    locked = NO_PULL if cut == "contactor" else but(NO_PULL, call=False, control_v=0.0)
    run = but(RUN, fan_a=0.0, compressor_a=11.0)
    sound = [(600.0, REST), (1200.0, RUN)] * 2
    told = last_of(events(scans(*sound, (600.0, REST), (10.0, run), (600.0, locked), every_s=10.0)))
    assert told.features["fan-glimpse"] == "still"
    named = [name for name, _ in told.suspects]
    assert {"fan-motor", "fan-capacitor"} & set(named[:3])
    turning = last_of(events(scans(*sound, (600.0, REST), (10.0, RUN), (600.0, locked), every_s=10.0)))
    assert "fan-glimpse" not in turning.features
    assert not {"fan-motor", "fan-capacitor"} & {name for name, _ in turning.suspects}


@pytest.mark.parametrize(
    ("every_s", "pattern", "first"),
    [
        (60.0, "1001011001", "loose-connection"),
        (10.0, "1001011001", "loose-connection"),
        (60.0, "1" * 24 + "0" * 40, "float-switch"),  # a pan that fills and drains
    ],
)
def test_a_call_that_is_there_in_every_other_scan_is_a_joint_and_no_pan(
    every_s: float, pattern: str, first: str
) -> None:
    """What makes and breaks by the second is met in either state by whoever looks seldom; a float opens once the pan
    is full, and closes once it has drained, both over many minutes (common practice)."""
    cut = but(REST, thermostat=True)
    parts = [(600.0, REST), (900.0, RUN), (600.0, REST), (120.0, RUN)]
    parts += [(every_s, RUN if sign == "1" else cut) for sign in pattern * (4 if len(pattern) < 20 else 1)]
    told = last_of(events(scans(*parts, (3600.0, cut), every_s=every_s)))
    assert told.suspects[0][0] == first


@pytest.mark.parametrize("finding", ["fan-not-running", "call-without-pull-in", "overload-cycling"])
def test_a_fan_that_a_board_switches_may_lack_its_relay(finding: str) -> None:
    """Motor and capacitor are looked at first, then the board's output (common practice); a fan that the contactor
    feeds has no relay of its own."""
    shares = {}
    for fan_control in ("contactor", "board"):
        unit = msgspec.structs.replace(UNIT, fan_control=fan_control)
        seen = {"fan-in-runs": "still"} if finding == "call-without-pull-in" else {}
        shares[fan_control] = judge(finding, seen, unit=unit, fitted=ALL, traits={"fan-amps": "none"}).shares
    board = shares["board"]
    assert board["fan-control"] > 2.0 * shares["contactor"].get("fan-control", 0.0)
    assert board["fan-motor"] > board["fan-control"]
    assert "fan-control" in sorted(board, key=lambda name: -board[name])[:3] or finding == "overload-cycling"


def test_a_heat_pumps_fan_may_lack_its_defrost_boards_relay() -> None:
    """Its fan is fed by way of that board (common practice): after motor and capacitor, before a plain joint; a unit
    that only cools has none, or one that nobody declared."""
    seen = {"compressor_a": "running", "fan_a": "still", "load": "on"}
    sound = {"capacitor-load": "good"}
    listed = {}
    for heat_pump in (False, True):
        unit = msgspec.structs.replace(UNIT, heat_pump=heat_pump)
        listed[heat_pump] = judge("fan-not-running", seen, unit=unit, fitted=ALL, traits=sound)
    assert listed[True].suspects[:3] == ("fan-capacitor", "fan-motor", "defrost-board")
    assert listed[True].shares["defrost-board"] > 2.0 * listed[False].shares.get("defrost-board", 0.0)


@pytest.mark.parametrize(
    ("findings", "first"),
    [
        # a run capacitor, a fuse or a float is more usual in the trade than what is usual here
        (("contacts-stuck-closed", "fan-not-running"), {"contacts-welded", "fan-capacitor"}),
        (("contacts-stuck-closed", "low-control-voltage"), {"contacts-welded", "control-voltage-weak"}),
        (("contacts-stuck-closed", "call-without-thermostat"), {"contacts-welded", "control-wire-shorted"}),
        (("call-without-pull-in", "low-split"), {"line-supply-off", "charge-low"}),
    ],
)
def test_of_two_faults_each_ones_own_likeliest_are_first(findings: tuple[str, ...], first: set[str]) -> None:
    """Where no single suspect explains two findings: by how likely each is here, and not by how usual it is among all
    calls of the trade."""
    told = of(*findings)
    assert told.together[0] == first
    assert set(told.suspects[:2]) == first
    assert set([*told.shortlist][:2]) == first


@pytest.mark.parametrize(
    ("findings", "monitor"),
    [
        (("run-capacitor-weak", "low-split"), False),
        (("run-capacitor-weak", "low-running-current"), False),
        (("high-line-voltage", "not-cooling"), False),
        (("high-line-voltage", "run-capacitor-weak"), True),  # the microfarads are reckoned from these volts
        (("high-split", "low-split"), True),
    ],
)
def test_two_findings_are_one_lying_sensors_where_both_rest_on_it(findings: tuple[str, ...], *, monitor: bool) -> None:
    """Two that rest on different sensors would take two liars, and two faults of a unit are more usual than that."""
    told = of(*findings)
    assert (told.suspects[0] == "monitor-sensing") is monitor
    assert monitor or "monitor-sensing" not in told.shortlist


def test_a_unit_that_runs_on_and_on_without_its_fan_has_one_fault() -> None:
    """What rejects no heat cools little: the long run follows, and nobody is suspected for it alone."""
    alone, both = of("fan-not-running"), of("fan-not-running", "long-run")
    assert both.suspects[:2] == alone.suspects[:2] == ("fan-capacitor", "fan-motor")
    assert both.together == ()
    assert "charge-low" not in both.shortlist


@pytest.mark.parametrize("told", [True, False])
def test_stops_that_only_single_scans_show_are_counted(told: bool) -> None:
    """A pressure switch that opens for less than two scans a minute apart: contacts and compressor are both off in one
    scan under a standing call, again and again. A single sensor that blinks is no stop."""
    sound = [(600.0, REST), (1200.0, RUN)] * 4
    opened = NO_PULL if told else but(RUN, load=False)
    trips = [(240.0, but(RUN, compressor_a=7.6)), (60.0, opened)] * 7
    found = events(scans(*sound, (600.0, REST), *trips, every_s=60.0))
    raised_names = [e.finding for e in found if isinstance(e, Change) and e.change == "raised"]
    assert ("short-cycling" in raised_names) is told
    if told:
        named = [name for name, _ in last_of(found).suspects]
        assert named[0] in ("charge-low", "low-pressure-cutout")


def test_a_contactor_that_never_closed_under_its_call_is_no_trip() -> None:
    """The run before ended with its call: the next one finds the coil dead from the start, and it stays so."""
    parts = ((600.0, REST), (60.0, RUN), (600.0, REST), (600.0, NO_PULL))
    told = last_of(events(scans(*parts, every_s=60.0)))
    assert told.features["opened"] == "at-start"
    assert "comes-and-goes" not in told.features
    assert told.suspects[0][0] == "coil-open"


def test_a_run_without_end_keeps_what_it_began_with() -> None:
    """A cable that touches R: uncalled at first, then the warm house calls as well. Whatever is read a day later, it is
    still the cable."""
    uncalled, high = but(RUN, thermostat=False), but(RUN, control_v=30.5)
    parts = ((900.0, REST), (900.0, RUN), (900.0, REST), (7 * 3600.0, uncalled), (18 * 3600.0, RUN), (3600.0, high))
    engine = Engine(SETTINGS, fitted=ALL)
    told = last_of(events(scans(*parts, every_s=60.0), engine=engine))
    assert [finding.name for finding in engine.standing] == ["long-run"]
    assert told.suspects[0][0] == "control-wire-shorted"


def test_a_second_fault_is_named_beside_the_first() -> None:
    """What hardly explains the other finding leaves that one its own cause, at the end of the few that are named."""
    found = of("fan-not-running", "call-without-thermostat", load="on", fan_a="still", compressor_a="running")
    assert {"fan-capacitor", "control-wire-shorted"} <= set(found.shortlist)


def test_a_fan_that_stalls_as_its_unit_trips_is_suspected_of_the_trip() -> None:
    """Two scans show twice the fan's current and the compressor's climb; then the pressure switch opens."""
    watch, at_s = FeatureWatch(UNIT), 0.0
    off = SOUND._replace(compressor=False, contacts=False, fan=False, load=False)
    watch.changed(off, SOUND, at_s, None)
    for amps, fan_a in [(7.0, 1.0)] * 60 + [(8.4, 2.4), (9.8, 2.4)]:
        watch.keep(Scan(t_s=at_s, **but(RUN, compressor_a=amps, fan_a=fan_a)))
        at_s += 10.0
    watch.changed(SOUND, off, at_s, None)
    traits = watch.seen(at_s)
    assert (traits["fan-amps"], traits["trip-amps"]) == ("high", "high")
    found = of("call-without-pull-in", traits=traits, coil_a="none", control_v="normal", load="off")
    assert set(found.suspects[:2]) == {"fan-motor", "fan-capacitor"}


def test_the_watch_sees_how_long_it_stays_off_and_what_it_drew() -> None:
    """Two trips at 60 A that take ten minutes each to heal."""
    watch = FeatureWatch(UNIT)
    off = SOUND._replace(compressor=False)
    at_s = 0.0
    for _ in range(2):
        watch.changed(off, SOUND, at_s, None)
        for second in range(6):
            watch.keep(Scan(t_s=at_s + second, compressor_a=60.0, outdoor_c=35.0))
        watch.changed(SOUND, off, at_s + 6.0, None)
        at_s += 606.0
    watch.changed(off, SOUND, at_s, None)
    assert watch.seen(at_s) == {
        "trip-amps": "locked",
        "trip-after": "seconds",
        "trip-heat": "hot",
        "off-time": "minutes",
    }
    assert watch.seen(at_s + 86400.0) == {}


@pytest.mark.parametrize(
    ("later_s", "thermostat", "seen"), [(1.0, None, {}), (3.0, False, {}), (60.0, None, None), (1.0, True, None)]
)
def test_a_stop_that_its_thermostat_asked_for_is_no_trip_though_the_call_is_read_later(
    later_s: float, thermostat: bool | None, seen: dict[str, str] | None
) -> None:
    """A cell of the call that is missing as a run ends leaves the call believed for a moment under a stopped
    compressor; a call that goes within STALE_S had ended. Not where the thermostat calls on, nor minutes later."""
    watch = FeatureWatch(UNIT)
    on, off = SOUND._replace(thermostat=thermostat), SOUND._replace(thermostat=thermostat, compressor=False)
    for run in range(2):
        at_s = 1200.0 * run
        watch.changed(off._replace(call=False), on, at_s, None)
        for second in range(600):
            watch.keep(Scan(t_s=at_s + second, compressor_a=9.0, outdoor_c=30.0))
        watch.changed(on, off, at_s + 600.0, None)
        watch.changed(off, off._replace(call=False), at_s + 600.0 + later_s, None)
    trip = {"trip-amps": "usual", "trip-after": "minutes"}
    assert {name: symbol for name, symbol in watch.seen(1900.0).items() if name in trip} == (
        trip if seen is None else seen
    )


def test_a_fan_that_draws_more_than_it_did_is_suspected_at_the_first_trip() -> None:
    """Trips under one call that goes on for hours: 45 % over its own normal is the fan's or its capacitor's, and not
    dirt (common practice: 35 to 50 %)."""
    weak = [(900.0, but(RUN, fan_a=1.45, compressor_a=11.0)), (1500.0, but(RUN, fan_a=1.4, compressor_a=0.0))] * 3
    sound = [(600.0, REST), (1200.0, RUN)] * 4
    told = [e for e in events(scans(*sound, (600.0, REST), *weak, every_s=5.0)) if isinstance(e, Diagnosed)]
    assert all({name for name, _ in one.suspects[:3]} > {"fan-motor", "fan-capacitor"} for one in told)
    assert {name for name, _ in told[-1].suspects[:2]} == {"fan-motor", "fan-capacitor"}


def test_a_fan_that_dies_after_other_trips_is_dead_for_its_own_reasons() -> None:
    """How a unit short of gas stopped an hour before acquits neither the fan nor its capacitor."""
    found = of("fan-not-running", "call-without-pull-in", traits={"trip-amps": "low", "opened": "in-run"})
    assert set(found.suspects[:4]) >= {"fan-capacitor", "fan-motor"}
    assert "charge-low" in found.suspects


# ---------------------------------------------------------------- one verdict


def test_low_charge_is_first_of_both_its_findings() -> None:
    """Short cycles and calls that do not arrive, after a low current: not a switch here and a float there."""
    low = {"recent:low-running-current": "yes", "stopped-at": "safety"}
    found = of("short-cycling", "call-not-reaching-unit", traits={"trip-amps": "low", "trip-after": "minutes"}, **low)
    assert found.suspects[0] == "charge-low"
    assert all(names[0] == "charge-low" for names in found.explains.values())


def test_after_locked_rotor_amps_a_call_without_run_blames_no_coil() -> None:
    """The coil pulled in a moment ago; capacitor and rotor lead, and the list is short."""
    case = UnitCase(
        [FindingSeen("call-without-run", {"call": "on"}), FindingSeen("locked-rotor", {}, stands=False)],
        UNIT,
        ("call", "compressor_a"),
        {"trip-amps": "locked"},
    )
    found = diagnose(case)
    assert found.suspects[0] == "run-capacitor"
    assert found.shares.get("coil-open", 0.0) < 0.1


def test_a_loose_joint_at_one_place_explains_nothing_at_another() -> None:
    """A disconnect and a burnt coil on one day are two faults, not one wandering joint."""
    found = of("line-supply-lost", "control-power-lost")
    assert found.suspects[0] != "loose-connection"


def test_shares_are_those_of_bayes_rule_where_nothing_is_pooled() -> None:
    """One finding, one reading: prior times likelihood over the sum, computed with numpy."""
    plain = judge("slow-start", {}, unit=UNIT, fitted=())
    weights = {"run-capacitor": 8.0, "loose-connection": 2.0, "compressor-locked": 1.0}
    total = np.sum(list(weights.values())) * 1.03
    for name, weight in weights.items():
        assert plain.shares[name] == pytest.approx(weight / total, abs=2e-3)
    after = judge("slow-start", {}, unit=UNIT, fitted=(), meter={"run-capacitor": "weak"})
    likely = np.array([8.0 * 1.0, 2.0 * CHECKS["run-capacitor"].chance, 1.0 * CHECKS["run-capacitor"].chance])
    assert after.shares["run-capacitor"] == pytest.approx(likely[0] / (likely.sum() * 1.03), abs=2e-3)


# ---------------------------------------------------------------- readings


def test_a_reading_at_a_border_counts_for_both_sides_by_the_meters_error() -> None:
    """42.3 uF of 45 lies on the border of 6 %: half weak, half good; far from it there is no doubt."""
    border = dict(classify(CHECKS["run-capacitor"], "42.3 of 45", UNIT).shares)
    assert border["weak"] == pytest.approx(0.5, abs=0.02)
    assert dict(classify(CHECKS["run-capacitor"], "20 of 45", UNIT).shares)["dead"] == pytest.approx(0.999, abs=0.01)
    assert math.fsum(border.values()) == pytest.approx(1.0, abs=1e-3)


def test_running_amps_make_a_difference() -> None:
    """4 A, 12 A and 20 A lead to refrigerant, to the protector and to the capacitor."""
    first = [
        diagnose(
            UnitCase(
                [FindingSeen("overload-cycling", {})],
                UNIT,
                meter={"running-amps": classify(CHECKS["running-amps"], amps, UNIT)},
            )
        ).suspects[0]
        for amps in ("4", "12", "22")
    ]
    assert first[0] == "charge-low"
    assert first[2] == "run-capacitor"
    assert len(set(first)) == 3


def test_half_the_line_volts_tell_of_a_lost_leg() -> None:
    """120 V from L1 to L2 is not just low."""
    found = answer_at_once("line-supply-lost", ["line-volts=120"], unit=UNIT)
    assert found["suspects"][0][0] == "line-leg-lost"  # type: ignore[index]


@pytest.mark.parametrize(
    ("about", "entries", "again"),
    [
        ("low-running-current", ["coil-ohms=999999"], ["coil-ohms"]),
        ("call-without-pull-in", ["coil_a=0.25", "coil-ohms=999999"], ["coil-ohms"]),
        ("call-without-pull-in", ["coil-ohms=999999"], []),
        ("control-power-lost", ["rc-volts=27"], ["rc-volts"]),
        ("call-not-reaching-unit", ["rc-volts=0", "thermostat-volts=26"], ["rc-volts", "thermostat-volts"]),
        ("high-running-current", ["running-amps=4"], ["running-amps"]),
        # told against its own normal, half to nine tenths of rated load (trade): no contradiction
        ("high-running-current", ["running-amps=11.5"], []),
        ("low-running-current", ["running-amps=6.5"], []),
        # two clamps on one lead show one current
        ("high-running-current", ["compressor_a=24", "running-amps=12"], ["running-amps"]),
        ("high-running-current", ["compressor_a=12", "running-amps=13"], []),
        ("overload-cycling", ["compressor_a=11", "running-amps=68"], []),
        # a compressor that trips is still for longer than it runs, and its protector open (common practice)
        ("overload-cycling", ["compressor_a=11", "listen=fan-only", "running-amps=0", "winding-ohms=OL OL 3"], []),
        ("locked-rotor", ["compressor_a=66", "winding-ohms=OL OL 3", "running-amps=0"], []),
        ("fan-not-running", ["compressor_a=11", "fan_a=0", "listen=nothing"], []),
        ("low-running-current", ["compressor_a=6", "winding-ohms=OL OL 3"], ["winding-ohms"]),
        # nobody called when it was found: a technician makes it call for a reading
        ("overdue-call", ["coil-volts=26"], []),
        ("contacts-stuck-closed", ["call=0", "coil-volts=26"], []),
        ("call-not-reaching-unit", ["thermostat=1", "call=0", "splice-volts=26", "coil-volts=26"], ["coil-volts"]),
        ("compressor-not-running", ["winding-ohms=1.0 2.0 9.0"], ["winding-ohms"]),  # R to S is the sum of both
    ],
)
def test_readings_that_cannot_be_are_measured_again(about: str, entries: list[str], again: list[str]) -> None:
    """What contradicts a sensor, the finding or another reading moves nobody until it is measured once more."""
    found = answer_at_once(about, entries, unit=UNIT)
    assert found["measure_again"] == again
    if again:
        assert found["next_check"] in again


def test_a_switch_that_is_named_with_no_share_left_is_no_error() -> None:
    """A visit may keep a name whose share has come to nothing; the other pressure's switch may not be there at all."""
    assert which_switch({"pressure-switch": 0.0, "low-pressure-cutout": 0.0}) == {
        "pressure-switch": "low-pressure-cutout"
    }


def test_two_meter_readings_accuse_no_sensor() -> None:
    """Where a reading contradicts what is sensed, one side of it is a sensor, which may be the liar."""
    by_meters = {"rc-volts": "absent", "thermostat-volts": "normal"}
    assert contradicted({}, by_meters) == (tuple(by_meters), False)
    assert contradicted({"coil_a": "sealed"}, {"coil-ohms": "open"}) == (("coil-ohms",), True)


def test_a_reading_that_stays_so_is_believed_and_the_visit_goes_on() -> None:
    """Measured again with the same result: the sensor is in doubt, and another check comes next."""
    visit = VisitSession(["low-running-current"], unit=UNIT)
    visit.enter("coil-ohms", "OL")
    assert visit.next_check() is CHECKS["coil-ohms"]
    visit.enter("coil-ohms", "OL")
    assert visit.verdict().measure_again == ()
    assert visit.next_check() is not CHECKS["coil-ohms"]


# ---------------------------------------------------------------- an abnormal reading acquits nobody


@pytest.mark.parametrize("finding", ["short-cycling", "long-run", "overload-cycling", "low-running-current"])
def test_a_dirty_filter_adds_the_air_and_leaves_the_rest(finding: str) -> None:
    """Not only 'charge low' is left."""
    before = judge(finding, {}, unit=UNIT, fitted=())
    after = judge(finding, {}, unit=UNIT, fitted=(), meter={"filter": "dirty"})
    assert after.suspects[0] == "indoor-airflow"
    assert set(before.suspects) <= set(after.suspects)


@pytest.mark.parametrize("finding", ["locked-rotor", "overload-cycling"])
def test_low_line_volts_name_the_line_and_not_the_monitor(finding: str) -> None:
    """Volts that no other suspect explains are no fault of the sensing."""
    after = judge(finding, {}, unit=UNIT, fitted=(), meter={"line-volts": "low"})
    assert after.suspects[0] == "line-voltage"
    assert "run-capacitor" in after.suspects
    assert "monitor-sensing" not in after.suspects


@pytest.mark.parametrize(
    ("finding", "check", "outcome", "suspect"),
    [
        ("line-supply-lost", "compressor-to-ground", "grounded", "compressor-grounded"),
        ("pull-in-without-run", "contacts", "burnt", "contacts-not-making"),
        ("no-call-in-heat", "drain-pan", "wet", "float-switch"),
    ],
)
def test_what_is_found_broken_comes_first(finding: str, check: str, outcome: str, suspect: str) -> None:
    """The part that was seen to be broken leads, whatever the finding usually means."""
    assert judge(finding, {}, unit=UNIT, fitted=(), meter={check: outcome}).suspects[0] == suspect


def test_a_dry_pan_does_not_clear_the_float() -> None:
    """In-line floats trip with a dry pan."""
    before = judge("call-not-reaching-unit", {"thermostat": "on"}, unit=UNIT, fitted=ALL).shares["float-switch"]
    dry = judge("call-not-reaching-unit", {"thermostat": "on"}, unit=UNIT, fitted=ALL, meter={"drain-pan": "dry"})
    assert dry.suspects[0] == "float-switch"
    assert dry.shares["float-switch"] == pytest.approx(before, rel=0.05)


@pytest.mark.parametrize("fitted", [("call", "compressor_a"), ("call",)])
def test_a_breaker_that_nobody_senses_may_have_been_tripped_by_the_compressor(fitted: tuple[str, ...]) -> None:
    """Without the supply sense a dead unit under a call leaves a grounded winding open, behind the supply itself."""
    senses = {"call": "on", "compressor_a": "still"}
    seen = {name: senses[name] for name in fitted}
    found = judge("call-without-run", seen, unit=UNIT, fitted=fitted)
    assert found.shares["compressor-grounded"] < found.shares["line-supply-off"]
    lives = judge("call-without-run", seen | {"supply": "on"}, unit=UNIT, fitted=("supply", *fitted))
    assert "compressor-grounded" not in lives.suspects


@pytest.mark.parametrize("ratio", [6.0, 10.0, 15.0])
def test_swapped_clamps_are_named(ratio: float) -> None:
    """The fan at 6 to 15 times its rating beside a compressor that draws what a fan does: the clamps, in plain words,
    and neither is believed any more, in later runs too. A fan that draws half as much again is still the fan's."""
    swapped = but(RUN, fan_a=ratio * UNIT.fan_fla_a, compressor_a=0.9 * UNIT.fan_fla_a)
    told = events(scans((60, REST), (900, swapped), (300, REST), (900, swapped)))
    raised = [event for event in told if isinstance(event, Change) and event.change.value == "raised"]
    assert [event.finding for event in raised][-1] == "sensing-disagrees"
    assert [event.finding for event in raised].count("compressor-not-running") <= 1  # within the first minute
    assert raised[-1].evidence["distrusted"] == ["compressor_a", "fan_a"]
    assert FEATURES["clamps"]["swapped"].says in last_of(told).because
    # The little that a compressor draws just after its start is no fan's either: the clamps stay named.
    started = but(swapped, fan_a=3.5 * UNIT.fan_fla_a)
    again = events(scans((60, REST), (900, swapped), *[(300, REST), (120, started), (600, swapped)] * 3))
    liars = [event.distrusted for event in again if isinstance(event, Diagnosed)]
    both = ("compressor_a", "fan_a")
    assert both in liars
    assert all(named == both for named in liars[liars.index(both) :])
    for every_s in (1.0, 10.0, 60.0):  # seen before the compressor would be called dead
        told = events(scans((300, REST), (900, swapped), every_s=every_s))
        assert {event.finding for event in told if isinstance(event, Change)} == {"sensing-disagrees"}
    dead = events(scans((60, REST), (900, but(RUN, fan_a=1.5 * UNIT.fan_fla_a, compressor_a=0.0))))
    assert last_of(dead).suspects[0][0] == "compressor-overload-open"


# ---------------------------------------------------------------- what follows from a dead fan


NO_FAN = but(RUN, fan_a=0.0)


@pytest.mark.parametrize("away_s", [600.0, 6 * 3600.0])
def test_a_lockout_does_not_hide_the_dead_fan(away_s: float) -> None:
    """The fan stops, the unit trips on high pressure and its board locks it out: hours later the fan is still the
    first that is suspected, at the next call too. Without the fan's stop it is what sits in the coil's circuit."""
    told = events(scans((60, REST), (600, RUN), (120, NO_FAN), (away_s, NO_PULL), (300, REST), (600, NO_PULL)))
    assert any(isinstance(event, Change) and event.finding == "fan-not-running" for event in told)
    assert {name for name, _ in last_of(told).suspects[:2]} == {"fan-motor", "fan-capacitor"}
    alone = events(scans((60, REST), (720, RUN), (away_s, NO_PULL), (300, REST), (600, NO_PULL)))
    assert not {name for name, _ in last_of(alone).suspects[:2]} & {"fan-motor", "fan-capacitor"}


def test_what_is_behind_the_stopped_fan_is_behind_the_trips_that_follow() -> None:
    """A relay or a joint that stops the fan is not acquitted because the compressor trips on its overload."""
    traits = {"trip-amps": "high", "off-time": "long"}
    seen = {"fan_a": "still", "compressor_a": "running"}
    fan = FindingSeen("fan-not-running", seen)
    trips = FindingSeen("pull-in-without-run", {"fan_a": "still", "compressor_a": "still"}, stands=False)
    alone, after = (
        diagnose(UnitCase(findings, UNIT, ALL, traits if len(findings) > 1 else {}))
        for findings in ([fan], [fan, trips])
    )
    assert {"fan-control", "loose-connection"} <= set(alone.suspects) & set(after.suspects)


@pytest.mark.parametrize("finding", ["overload-cycling", "compressor-not-running"])
def test_a_fan_that_nobody_senses_may_be_behind_a_current_that_stays_high(finding: str) -> None:
    """Without its fan a unit draws more and more until it trips; in a mild night that takes longer than the ten minutes
    after which a high current is told (physics of the condenser). A fan that is seen to turn is another matter."""
    high = FindingSeen("high-running-current", {"compressor_a": "running"}, stands=False)

    def suspects(seen: dict[str, str], fitted: tuple[str, ...]) -> set[str]:
        trips = FindingSeen(finding, {"recent:high-running-current": "yes"} | seen)
        return set(diagnose(UnitCase([trips, high], UNIT, fitted, {"trip-amps": "high"})).shortlist)

    assert {"condenser-dirty", "fan-motor", "fan-capacitor"} <= suspects({}, ("call", "compressor_a"))
    turning = {"fan_a": "running", "recent:fan-not-running": "no"}
    assert not {"fan-motor", "fan-capacitor"} & suspects(turning, ("call", "compressor_a", "fan_a"))


@pytest.mark.parametrize(
    ("findings", "causes"),
    [
        (("fan-not-running", "call-not-reaching-unit"), {"fan-capacitor", "float-switch"}),
        (("fan-not-running", "contacts-stuck-closed"), {"fan-capacitor", "contacts-welded"}),
        (("fan-not-running", "low-control-voltage"), {"fan-capacitor", "control-voltage-weak"}),
    ],
)
@pytest.mark.parametrize("over", [True, False])
def test_two_findings_name_a_cause_for_each(findings: tuple[str, str], causes: set[str], over: bool) -> None:
    """Two faults at once: what may explain both does not push what usually is behind one of them off the list, whether
    the first finding stands or was hidden by the second."""
    first, second = findings
    case = UnitCase([FindingSeen(second, {}), FindingSeen(first, {}, stands=not over)], UNIT, ())
    assert causes <= set(diagnose(case).suspects)


# ---------------------------------------------------------------- lines


def test_a_call_that_goes_as_well_has_a_cause_of_its_own() -> None:
    """A unit trips for want of its fan, and its pressure switch, behind the tap, leaves the call there. Later the call
    goes too: fan and float are named (two things that open in turn are two faults, common practice)."""
    trip = FindingSeen("call-without-pull-in", {"coil_a": "none", "control_v": "normal"}, stands=False)
    fan = FindingSeen("fan-not-running", {"fan_a": "still"}, stands=False)
    cut = {"thermostat": "on", "control_power": "on", "call": "off", "fan-in-runs": "still"}
    traits = {"opened": "in-run", "trip-amps": "high", "trip-after": "minutes"}  # of the trips, and not of the call
    beside = {"recent:call-without-pull-in": "yes", "recent:fan-not-running": "yes"}
    found = diagnose(UnitCase([FindingSeen("call-not-reaching-unit", cut | beside), fan, trip], UNIT, ALL, traits))
    assert {"float-switch", "fan-motor", "fan-capacitor"} <= found.shortlist.keys()
    alone = diagnose(UnitCase([FindingSeen("call-not-reaching-unit", cut)], UNIT, ALL))
    assert next(iter(alone.shortlist)) == "fan-capacitor"  # where nothing tells of another place, the trip explains it


WEAK = {"control_v": "weak", "coil_a": "unsealed", "control_power": "on", "thermostat": "on"}
CHATTERED = [
    FindingSeen(name, WEAK, stands=False)
    for name in ("locked-rotor", "contactor-chatter", "call-without-pull-in", "compressor-not-running")
]


def test_a_fan_that_stands_under_closed_contacts_does_not_follow_from_a_chatter_that_is_over() -> None:
    """Weak 24 V has made the contactor chatter; the fan that stands still later is dead by itself."""
    findings = [FindingSeen("low-control-voltage", WEAK), FindingSeen("fan-not-running", {"fan_a": "still"})]
    found = diagnose(UnitCase([*findings, *CHATTERED], UNIT, ALL, {"flickers": "yes"}))
    assert {"control-voltage-weak", "fan-capacitor"} <= found.shortlist.keys()


def test_what_follows_from_a_fault_that_is_named_is_not_put_down_to_the_monitor() -> None:
    """Runs cut short while the contactor chatters: no row of short cycling names the weak 24 V as likely as others."""
    findings = [FindingSeen(name, WEAK) for name in ("low-control-voltage", "short-cycling")]
    found = diagnose(UnitCase([*findings, *CHATTERED], UNIT, ALL, {"flickers": "yes"}))
    assert next(iter(found.shortlist)) == "control-voltage-weak"
    assert all("monitor-sensing" not in suspects for suspects in found.explains.values())


def test_what_a_run_draws_at_the_border_is_told_once() -> None:
    """Minutes that read 4 and 6 % over the normal by turns are no change; what is clearly over, or normal again, is."""
    watch, seen = FeatureWatch(UNIT), []
    for minute, ratio in enumerate([1.0] * 12 + [1.04, 1.06] * 40 + [1.1] * 12 + [1.045, 1.055] * 20 + [1.0] * 12):
        watch.minute(9.0 * ratio, 9.0, 60.0 * minute)
        seen.append(watch.seen(60.0 * minute)["run-amps"])
    changes = [(was, now) for was, now in pairwise(seen) if was != now]
    assert changes[-1] == ("high", "usual")
    assert len(changes) == 2


GROWN = np.linspace(1.0, 1.13, 300)  # dirt, by one evening
NIGHT = [1.02] * 30


@pytest.mark.parametrize(
    ("steps", "sudden"),
    [
        ([1.0] * 12 + [1.2] * 5, True),
        (np.linspace(1.0, 1.2, 300), False),
        ([*GROWN, *NIGHT, *[1.16] * 5], False),  # high in the evening, normal at night, high again in the morning
        ([*[1.0] * 12, *[1.2] * 5, *NIGHT, *[1.2] * 5], True),  # air let in the day before
    ],
)
def test_a_current_that_rose_at_once_speaks_for_gas_rather_than_dirt(steps: Sequence[float], sudden: bool) -> None:
    """Charge and air come in with a service; dirt builds up over weeks (common practice)."""
    watch = FeatureWatch(UNIT)
    for minute, ratio in enumerate(steps):
        watch.minute(9.0 * ratio, 9.0, 60.0 * minute)
    assert (watch.seen(60.0 * len(steps)).get("rise") == "sudden") is sudden
    found = of("high-running-current", traits={"run-amps": "high", "rise": "sudden"}).shares
    plain = of("high-running-current", traits={"run-amps": "high"}).shares
    assert (
        found["non-condensables"] / found["condenser-dirty"] > 2 * plain["non-condensables"] / plain["condenser-dirty"]
    )


@pytest.mark.parametrize(
    ("amps", "sudden"),
    [
        ([8.1] * 5 + [5.5] + [3.4] * 3, True),
        ([8.1] * 5 + [3.4, 8.0, 8.1], False),  # a blink of the line
        ([8.1] * 5 + [5.3] * 5, False),  # down to the low one of two stages
        (np.linspace(8.1, 3.4, 20), False),  # a coil that ices, within minutes
        ([8.1] * 5 + [3.4] * 3 + [8.1], False),  # and back
    ],
)
def test_a_current_that_falls_at_once_is_no_leak(amps: Sequence[float], sudden: bool) -> None:
    """Gas leaks and filters clog over days, and a coil ices over minutes (common practice); a winding or a clamp lets
    go at once."""
    watch = FeatureWatch(UNIT)
    for minute, drawn_a in enumerate(amps):
        watch.run_minute(drawn_a, 60.0 * minute, slows=False)
    assert (watch.seen(60.0 * len(amps)).get("fall") == "sudden") is sudden
    found = of("low-running-current", traits={"fall": "sudden"})
    assert {"compressor-winding-open", "monitor-sensing"} == set(found.suspects[:2])
    assert of("low-running-current").suspects[0] == "charge-low"


@pytest.mark.parametrize(("fan_ratio", "fell"), [(1.0, True), (0.6, False)])
def test_a_drive_that_nobody_declared_slows_down_with_its_fan_and_has_not_fallen(fan_ratio: float, fell: bool) -> None:
    """A board that sets speeds slows both (common practice); a winding that opens leaves the contactor's fan as it is.
    In its first run, before anything is known of the unit."""
    engine = Engine(SETTINGS, fitted=ALL)
    slow = but(RUN, compressor_a=0.45 * RUN["compressor_a"], fan_a=fan_ratio * RUN["fan_a"])
    events(scans((600.0, REST), (1500.0, RUN), (900.0, slow), every_s=10.0), engine=engine)
    assert ("fall" in msgspec.json.decode(engine.memory())["features"]) is fell


def test_the_diagnosis_is_told_when_it_changes_and_not_at_each_flicker() -> None:
    """A contactor that comes and goes every half minute for two hours: a few lines an hour."""
    parts = [(60.0, REST), *[part for _ in range(120) for part in ((30.0, NO_PULL), (30.0, RUN))]]
    found = [event for event in events(scans(*parts)) if isinstance(event, Diagnosed)]
    assert 1 <= len(found) <= 12
    assert all(sum(share for _, share in one.suspects) <= 1.001 for one in found)


def test_who_is_suspected_stays_as_it_is_from_one_trip_to_the_next() -> None:
    """A compressor that trips at too much current and starts again by itself, with call and clamp alone: what stops and
    runs again is what comes and goes, and the pattern of it is nothing new."""
    lone = ("call", "compressor_a")
    hot = but(RUN, compressor_a=1.35 * RUN["compressor_a"])
    day = [(600.0, REST), (900.0, RUN), (600.0, REST), *[(300.0, hot), (1800.0, NO_PULL)] * 8]
    few = [(held_s, {name: scan[name] for name in lone}) for held_s, scan in day]
    told = [event for event in events(scans(*few), fitted=lone) if isinstance(event, Diagnosed)]
    cycling = [event for event in told if "overload-cycling" in event.findings]
    assert cycling
    assert len({event.suspects[0][0] for event in cycling[1:]}) == 1


def test_what_comes_and_goes_says_so_between_its_times_and_not_of_a_new_fault() -> None:
    """A contactor that let go twice; where the supply goes once, a breaker is as likely as ever, and no loose joint."""
    engine = Engine(SETTINGS, fitted=ALL)
    first = events(scans((60, REST), (60, NO_PULL), (120, RUN), (120, NO_PULL), (120, RUN)), engine=engine)
    assert last_of(first).features["comes-and-goes"] == "yes"
    dead = but(NO_PULL, supply=False)
    then = [change for change in events(scans((60, dead), from_s=480.0), engine=engine) if isinstance(change, Change)]
    lost = next(one for one in then if one.finding == "line-supply-lost")
    assert {"line-supply-off", "compressor-grounded"} & set(lost.suspects[:1])


def test_the_suspects_of_a_finding_change_no_oftener_than_the_diagnosis() -> None:
    """A coil current that comes and goes each minute of two hours moves the first suspect: a few changes an hour."""
    pulls = but(NO_PULL, coil_a=1.2)
    parts = [(60.0, REST), *[part for _ in range(60) for part in ((60.0, pulls), (60.0, NO_PULL))]]
    found = events(scans(*parts))
    told = [event for event in found if isinstance(event, Diagnosed)]
    revised = [event for event in found if isinstance(event, Change) and event.change == "revised"]
    assert 1 < len(told) <= 10
    assert len(revised) <= len(told)


def test_suspects_of_a_finding_are_in_the_order_of_the_diagnosis() -> None:
    """One order for both; the diagnosis names the few that matter, the finding all that can be behind it."""
    told = events(scans((60, REST), (60, NO_PULL)))
    raised = next(event for event in told if isinstance(event, Change))
    diagnosis = next(event for event in told if isinstance(event, Diagnosed))
    order = [name for name, _ in diagnosis.suspects]
    assert list(raised.suspects[: len(order)]) == order
    assert len(order) <= 3 < len(raised.suspects)


# ---------------------------------------------------------------- the few that people are told of


def test_people_are_told_of_few_and_nobody_else_is_cleared() -> None:
    """Three at most where the fourth is far less likely; all who are worth a check stay open, and none of them is
    ruled out."""
    found = of("call-without-pull-in", call="on", control_v="normal", coil_a="none", supply="on", load="off")
    assert len(found.shortlist) <= 3 < len(found.suspects)
    assert list(found.shortlist) == sorted(found.shortlist, key=lambda name: -found.shortlist[name])
    assert not set(found.suspects) & set(found.ruled_out)


@pytest.mark.parametrize(
    ("traits", "name"),
    [
        ({}, "pressure-switch"),
        ({"trip-amps": "low"}, "low-pressure-cutout"),
        ({"trip-amps": "high"}, "high-pressure-cutout"),
    ],
)
def test_a_pressure_switch_is_called_high_or_low_where_what_it_drew_tells_which(
    traits: dict[str, str], name: str
) -> None:
    """One switch, one name."""
    seen = {"call": "on", "control_v": "normal", "coil_a": "none", "coil_v": "dead", "supply": "on", "load": "off"}
    shortlist = of("call-without-pull-in", traits={"opened": "in-run", **traits}, **seen).shortlist
    assert [one for one in shortlist if one.startswith(("pressure", "low-p", "high-p"))] == [name]


@pytest.mark.parametrize(("coil_v", "first"), [("normal", "coil-open"), ("dead", "loose-connection")])
def test_volts_at_the_coil_itself_tell_the_coil_from_what_sits_ahead_of_it(coil_v: str, first: str) -> None:
    """Common practice: 24 V at the coil and no current is the coil; none there is a joint, switch, delay or board."""
    seen = {"call": "on", "control_v": "normal", "coil_a": "none", "coil_v": coil_v, "supply": "on", "load": "off"}
    found = of("call-without-pull-in", traits={"opened": "at-start"}, **seen)
    assert found.suspects[0] == first
    assert ("coil-open" in found.suspects) == (coil_v == "normal")


def test_half_the_line_volts_that_are_sensed_tell_of_a_lost_leg() -> None:
    """With one leg open, some 120 V come back through what is connected to the other (common practice)."""
    assert of("line-supply-lost", supply="off", line_v="low").suspects[0] == "line-leg-lost"
    assert of("line-supply-lost", supply="off", line_v="dead").suspects[0] == "line-supply-off"


@pytest.mark.parametrize(
    "findings",
    [
        ("high-running-current",),
        ("compressor-not-running",),
        ("overload-cycling", "high-running-current"),
        ("compressor-not-running", "overload-cycling", "high-running-current"),
    ],
)
def test_a_start_capacitor_that_stays_in_is_the_start_devices(findings: tuple[str, ...]) -> None:
    """A relay whose contacts weld leaves it in: the motor draws far more than it needs and trips hot (common practice).
    Nothing else sends so much current through the start winding."""
    hot = {"trip-amps": "high", "trip-after": "minutes", "off-time": "long", "trip-heat": "hot"}
    found = of(*findings, traits=hot | {"winding-load": "over"})
    assert found.suspects[0] == "start-device"
    assert "start-device" not in of(*findings, traits=hot).suspects[:2]


@pytest.mark.parametrize("finding", ["locked-rotor", "compressor-not-running"])
def test_a_stall_without_current_in_the_start_winding_is_its_capacitors(finding: str) -> None:
    """A locked rotor and low volts leave the start winding its current, an open capacitor does not (circuit fact)."""
    found = of(finding, traits={"trip-amps": "locked", "trip-after": "seconds", "stall-winding": "none"})
    assert found.suspects[0] == "run-capacitor"
    assert not {"compressor-locked", "line-voltage"}.intersection(found.suspects[:3])


@pytest.mark.parametrize(("line_v", "first"), [("high", True), ("low", True), ("normal", False)])
def test_volts_astray_open_the_coils_circuit_by_a_monitoring_relay(line_v: str, *, first: bool) -> None:
    """One that guards a compressor opens above 110 % and below 90 % of its volts, and closes some minutes after they
    are back (common practice); with 24 V at the unit and none at the coil and the line astray it is the line's."""
    findings = ("call-without-pull-in", f"{line_v}-line-voltage") if first else ("call-without-pull-in",)
    seen = {"call": "on", "control_v": "normal", "coil_a": "none", "coil_v": "dead", "supply": "on", "load": "off"}
    found = of(*findings, traits=None, **seen, line_v=line_v)
    assert (found.suspects[0] == "line-voltage") == first
    assert first or "line-voltage" not in found.suspects[:3]


def test_a_capacitor_that_was_good_in_the_last_run_may_have_failed_since() -> None:
    """What was measured while it ran acquits nothing once it does not start."""
    good = of("locked-rotor", traits={"capacitor-load": "good", "trip-amps": "locked"})
    assert good.suspects[0] == "run-capacitor"


def test_a_stall_that_only_one_slow_scan_caught_is_a_stall() -> None:
    """Locked-rotor amps in one scan in ten seconds and none in the next: too short to be believed as a state."""
    stall = but(RUN, compressor_a=UNIT.compressor_lra_a * 0.9)
    dead = but(RUN, compressor_a=0.0)
    told = last_of(events(scans((600, RUN), (600, REST), (10, stall), (300, dead), every_s=10.0)))
    assert told.features["stalled"] == "yes"
    assert next(name for name, _ in told.suspects) == "run-capacitor"
    started = events(scans((600, REST), (10, stall), (600, RUN), every_s=10.0))
    assert not [event for event in started if isinstance(event, Diagnosed)]
    watch = FeatureWatch(UNIT)
    for t_s, readings in ((0.0, stall), (1.0, REST)):  # the call went in the moment of the start
        scan = Scan(t_s=t_s, **readings)
        watch.glimpse(scan)
    assert "stalled" not in watch.seen(2.0)


def test_how_it_looked_is_known_after_a_restart() -> None:
    """The diagnosis goes on as it was."""
    first = Engine(SETTINGS, fitted=ALL)
    before = last_of(events(scans((60, REST), (60, NO_PULL)), engine=first))
    second = Engine(SETTINGS, fitted=ALL, memory=first.memory())
    after = [event for event in events(scans((60, NO_PULL)), engine=second) if isinstance(event, Diagnosed)]
    assert all(event.suspects == before.suspects for event in after)


def test_a_fan_lead_that_has_come_off_stays_listed_behind_the_trips_it_makes() -> None:
    """Common practice: the lead is looked at before the motor; that the compressor's overload trips clears no lead."""
    found = of("fan-not-running", "overload-cycling", fan_a="still")
    assert {"fan-capacitor", "fan-motor", "loose-connection"} <= set(found.suspects[:4])


# ---------------------------------------------------------------- the last days


def test_what_nobody_mended_is_most_often_the_same_fault_again() -> None:
    """A run without end says little; yesterday's warm pipes said more."""
    seen = [FindingSeen("long-run")]
    alone = diagnose(UnitCase(seen, UNIT, ALL))
    again = diagnose(UnitCase(seen, UNIT, ALL, past={"metering-device": 0.7, "charge-low": 0.2}))
    assert alone.suspects[0] != "metering-device"
    assert again.suspects[0] == "metering-device"
    assert again.afresh["metering-device"] == pytest.approx(alone.afresh["metering-device"], abs=0.002)


@pytest.mark.parametrize("finding", ["fan-not-running", "call-without-pull-in", "locked-rotor", "overload-cycling"])
def test_what_is_found_again_as_it_was_is_no_second_evidence(finding: str) -> None:
    """A fault that stays shows the same from run to run. Counted anew each time, a suspect that is seldom among all
    calls and not so seldom behind this finding, as a heat pump's defrost board is behind a dead fan, would come before
    the more usual ones."""
    unit = msgspec.structs.replace(UNIT, heat_pump=True)
    alone = diagnose(UnitCase([FindingSeen(finding)], unit, ALL))
    again = diagnose(UnitCase([FindingSeen(finding)], unit, ALL, past=alone.afresh))
    assert again.suspects[:2] == alone.suspects[:2]


def days_of(watch: FindingDiagnosis, *days: tuple[float, str, dict[str, str]]) -> list[dict[str, float]]:
    """The diagnosis of each (day, finding, features), with nothing in between."""
    found = []
    for day, finding, traits in days:
        now_s = day * 86400.0
        raised = {finding: Raised(CATALOGUE[finding], now_s)}
        for outcome in (
            Evaluation(raised, {}, (), (finding,)),
            Evaluation({}, {finding: Cleared(False)}, (), (finding,)),
        ):
            watch.diagnose(Observed(now_s, None, outcome, {finding: {}}, {}, (), {}, traits))
        assert watch.diagnosed is not None
        found.append(dict(watch.diagnosed.suspects))
    return found


WARM_PIPES = {"large-pipe": "warm", "small-pipe": "near-outdoor", "run-amps": "low"}


@pytest.mark.parametrize(("gap", "mended", "kept"), [(1.0, False, True), (1.0, True, False), (6.0, False, False)])
def test_a_case_of_days_is_looked_back_at_until_it_is_mended_or_old(gap: float, mended: bool, kept: bool) -> None:
    """Its fullest look of the last days counts, over a restart as well."""
    watch = FindingDiagnosis(SETTINGS, ALL)
    days_of(watch, (1.0, "low-split", WARM_PIPES))
    if mended:
        watch.forget_past()
    later = FindingDiagnosis(SETTINGS, ALL, looks=watch.memory((1.0 + gap) * 86400.0).looks)
    (plain,) = days_of(FindingDiagnosis(SETTINGS, ALL), (0.0, "long-run", {}))
    (found,) = days_of(later, (0.0, "long-run", {}))
    assert (found["charge-low"] > 1.5 * plain["charge-low"]) is kept


def test_one_stall_of_a_compressor_that_runs_between_its_trips_is_no_failing_capacitor() -> None:
    """It was tried again before the pressures had met; one that draws locked-rotor current each time is another."""
    trips = {"trip-amps": "usual", "trip-after": "minutes", "off-time": "minutes", "trip-heat": "hot"}
    ran = of("overload-cycling", traits=trips).suspects
    tried = of("overload-cycling", traits=trips | {"stalled": "yes"}).suspects
    stalls = of("overload-cycling", traits=trips | {"stalled": "yes", "trip-amps": "locked"}).suspects
    assert tried[0] == ran[0] == "compressor-overload-open"
    assert stalls[0] == "run-capacitor"


def test_a_run_that_its_thermostat_did_not_ask_for_explains_that_it_does_not_end() -> None:
    """A wire that touches R calls on; no gas is asked about."""
    found = diagnose(
        UnitCase([FindingSeen("long-run"), FindingSeen("call-without-thermostat", stands=False)], UNIT, ALL)
    )
    assert found.suspects[0] == "control-wire-shorted"


def test_what_is_driven_without_a_call_trips_by_it() -> None:
    """Contacts that are welded stay first while the compressor's own protector opens behind them."""
    cases = [FindingSeen("call-without-run"), FindingSeen("contacts-stuck-closed", stands=False)]
    assert diagnose(UnitCase(cases, UNIT, ("call", "compressor_a"))).suspects[0] == "contacts-welded"


@pytest.mark.parametrize(("amps", "warm_h", "word"), [(12.0, 0.0, "high"), (9.2, 0.0, None), (9.0, 4.0, None)])
def test_before_a_normal_is_learned_the_first_runs_say_what_is_clearly_more(
    amps: float, warm_h: float, word: str | None
) -> None:
    """At a tenth more nothing is said, nor of what a run draws after hours in a house that grows warm."""
    sound = [(1200, RUN), (600, REST)] * 4
    long = [(10800, but(RUN, compressor_a=amps)), (warm_h * 3600, but(RUN, compressor_a=12.0))]
    told = events(scans(*sound, *long, (120, NO_PULL), every_s=10.0))
    assert (last_of(told).features or {}).get("run-amps") == word


@pytest.mark.parametrize(("fan_a", "loose"), [(0.0, True), (1.0, False)])
def test_motors_that_stop_together_behind_closed_contacts_have_lost_one_lead(fan_a: float, loose: bool) -> None:
    """An internal overload breaks the compressor's common lead alone and its fan runs on (common practice); a joint
    behind the contacts that opens with heat takes both, and both are back at one moment."""
    gone = but(RUN, compressor_a=0.0, fan_a=fan_a)
    told = last_of(events(scans((600.0, REST), (900.0, RUN), *[(200.0, gone), (400.0, RUN)] * 3)))
    assert "overload-cycling" in told.findings
    assert (told.features.get("both-stop") == "yes") is loose
    assert (told.suspects[0][0] == "loose-connection") is loose


@pytest.mark.parametrize(("coil_a", "let_go"), [(0.0, True), (0.26, False)])
def test_a_coil_whose_current_goes_in_a_run_has_let_go_where_no_contacts_are_sensed(
    coil_a: float, let_go: bool
) -> None:
    """A low-pressure switch cuts the coil of a unit without a sensor behind the contacts; a coil that draws on has let
    nothing go."""
    fitted = [name for name in ALL if name != "load"]
    cut = but(RUN, coil_a=coil_a, compressor_a=0.0, fan_a=0.0)
    told = last_of(events(scans((600.0, REST), (900.0, RUN), (120.0, cut)), fitted=fitted))
    assert tuple(told.findings) == ("call-without-run",)
    assert (told.features.get("opened") == "in-run") is let_go
    assert ("low-pressure-cutout" in {name for name, _ in told.suspects}) is let_go


@pytest.mark.parametrize(("blower", "airflow"), [("on", False), ("off", True)])
def test_air_that_is_not_cooled_though_the_blower_runs_is_the_circuits_before_a_filters(
    blower: str, airflow: bool
) -> None:
    """A starved coil makes the air that passes colder until it ices over; with the blower dead none passes (common
    practice)."""
    shares = of("not-cooling", blower=blower).shares
    assert (shares.get("indoor-airflow", 0.0) > shares.get("compressor-not-pumping", 0.0)) is airflow


# ---------------------------------------------------------------- reasons


def test_a_part_that_a_meter_found_at_fault_is_the_first_reason_for_it() -> None:
    """Before what is sensed; and it is no reason for a suspect that does not show it."""
    seen = {"load": "on", "coil_a": "sealed", "supply": "on"}
    found = judge("call-without-run", seen, unit=UNIT, fitted=ALL, meter={"run-capacitor": "dead"})
    assert (found.suspects[0], found.because[0]) == ("run-capacitor", CHECKS["run-capacitor"].says("dead"))
    other = judge("line-supply-lost", {}, unit=UNIT, fitted=(), meter={"line-volts": "half", "run-capacitor": "dead"})
    assert (other.suspects[0], other.because[0]) == ("line-leg-lost", CHECKS["line-volts"].says("half"))
    assert CHECKS["run-capacitor"].says("dead") not in other.because


def test_a_sense_that_forbids_others_is_a_reason_and_what_was_not_there_is_none() -> None:
    """Closed contacts rule out what is ahead of them; that the fan had not stopped before is no reason to give."""
    found = judge("call-without-run", {"load": "on", "coil_a": "sealed", "supply": "on"}, unit=UNIT, fitted=ALL)
    assert {clause("load", "on"), clause("supply", "on")} < set(found.because)
    assert found.ruled_out["fan-motor"] == "fan-not-running did not stand in the last two hours"
    assert not any("did not" in says for says in found.because)
    assert clause("recent:locked-rotor", "yes") == "locked-rotor stood in the last two hours"


def test_contacts_that_stay_closed_after_they_chattered_have_welded() -> None:
    """Arcs weld (handbooks on contactors): what made them chatter is no cause of contacts that stay closed without a
    call, and comes after it."""
    stuck = FindingSeen("contacts-stuck-closed", {"load": "on", "control_v": "dead", "coil_a": "none"})
    chatter = FindingSeen("contactor-chatter", {"load": "on", "call": "on", "control_v": "normal"}, stands=False)
    found = diagnose(UnitCase([stuck, chatter], UNIT, (*ALL,)))
    assert found.suspects[0] == "contacts-welded"
    assert "control-voltage-weak" in found.suspects
