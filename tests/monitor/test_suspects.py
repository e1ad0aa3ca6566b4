"""Who is suspected: the contract's example, situations with the list an experienced technician would give, totality.

The lists are common practice of the trade, from the circuit: what a part that fails must show, and how usual it is.
"""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from monitor import suspects
from monitor.checks import CHECKS
from monitor.config import Unit
from monitor.errors import ContractError
from monitor.findings import CATALOGUE
from monitor.predictions import METER_BY_SENSE, STOPPED_AT
from monitor.records import READINGS, SYMBOLS
from monitor.suspects import ROWS, SITUATIONS, judge, symbols_of
from monitor.suspects_table import SAYS, SUSPECTS, clause

CONTRACT_SUSPECTS = """\
coil-open coil-shorted armature-blocked contacts-not-making contacts-welded armature-stuck-in control-voltage-weak
control-fuse control-transformer float-switch pressure-switch control-wire-open loose-connection line-supply-off
time-delay run-capacitor compressor-overload-open compressor-locked compressor-winding-open fan-motor fan-capacitor
condenser-dirty charge-low charge-high thermostat-setting thermostat equipment-oversized monitor-sensing"""

PLAIN, DELAYED = Unit(), Unit(delay_on_make_s=300.0)
ALL = tuple(READINGS)
OUTDOOR = ("call", "control_v", "coil_a", "supply", "load", "compressor_a", "fan_a", "outdoor_c")

_INDOOR = {"control_power": "on", "thermostat": "on"}
OPEN = {
    "call": "on",
    "control_v": "normal",
    "coil_a": "none",
    "supply": "on",
    "load": "off",
    "compressor_a": "still",
    "fan_a": "still",
    **_INDOOR,
}
RUN = OPEN | {"coil_a": "sealed", "load": "on", "compressor_a": "running", "fan_a": "running"}
NO_CALL = OPEN | {"call": "off", "control_v": "dead", "thermostat": "off"}
STUCK = NO_CALL | {"load": "on", "compressor_a": "running", "fan_a": "running"}


def but(base: Mapping[str, str], **changes: str | None) -> dict[str, str]:
    """`base` with some senses changed; None: not known. `recent_x_y` stands for `recent:x-y`."""
    named = {suspects_key(name): symbol for name, symbol in changes.items()}
    return {name: symbol for name, symbol in {**base, **named}.items() if symbol is not None}


def suspects_key(word: str) -> str:
    if word.startswith("recent_"):
        return "recent:" + word.removeprefix("recent_").replace("_", "-")
    return "stopped-at" if word == "stopped_at" else word


def only(base: Mapping[str, str], *names: str) -> dict[str, str]:
    """Of `base` no more than these senses."""
    return {name: symbol for name, symbol in base.items() if name in names}


LOCKED = RUN | {"compressor_a": "locked"}
FAN_ONLY = RUN | {"compressor_a": "still"}
NO_FAN = RUN | {"fan_a": "still"}

# finding, what is seen, who is left in order; with the nameplate of a unit without a delay relay
CASES: list[tuple[str, dict[str, str], str]] = [
    # --- the contactor does not close
    ("call-without-pull-in", OPEN, "coil-open loose-connection"),
    ("call-without-pull-in", but(OPEN, coil_a="sealed"), "contacts-not-making"),
    (
        "call-without-pull-in",
        but(OPEN, coil_a="sealed", supply=None),
        "line-supply-off contacts-not-making loose-connection",
    ),
    ("call-without-pull-in", but(OPEN, coil_a="unsealed"), "armature-blocked coil-shorted"),
    (
        "call-without-pull-in",
        but(OPEN, coil_a="unsealed", control_v="weak"),
        "control-voltage-weak armature-blocked coil-shorted",
    ),
    ("call-without-pull-in", but(OPEN, coil_a="short", control_v="weak"), "coil-shorted"),
    (
        "call-without-pull-in",
        but(OPEN, coil_a=None),
        "contacts-not-making coil-open loose-connection armature-blocked coil-shorted",
    ),
    (
        "call-without-pull-in",
        only(OPEN, "call", "load"),
        "line-supply-off contacts-not-making coil-open loose-connection control-voltage-weak armature-blocked"
        " coil-shorted",
    ),
    # --- nothing runs, contacts not sensed
    (
        "call-without-run",
        only(OPEN, "call", "compressor_a"),
        "line-supply-off run-capacitor contacts-not-making compressor-overload-open coil-open loose-connection"
        " control-voltage-weak armature-blocked coil-shorted compressor-winding-open compressor-locked",
    ),
    ("call-without-run", but(OPEN, load=None), "coil-open loose-connection"),
    ("call-without-run", but(OPEN, load=None, coil_a="sealed"), "contacts-not-making loose-connection"),
    ("call-without-run", but(OPEN, load=None, coil_a="unsealed"), "armature-blocked coil-shorted"),
    (
        "call-without-run",
        only(OPEN, "call", "compressor_a") | {"recent:locked-rotor": "yes"},
        "run-capacitor compressor-locked line-supply-off contacts-not-making compressor-overload-open coil-open"
        " loose-connection control-voltage-weak armature-blocked coil-shorted compressor-winding-open",
    ),
    # --- the contacts close, the motors do not run
    (
        "pull-in-without-run",
        but(RUN, compressor_a="still", fan_a="still"),
        "loose-connection run-capacitor compressor-overload-open fan-capacitor fan-motor",
    ),
    (
        "pull-in-without-run",
        but(RUN, compressor_a="still", fan_a="still", recent_fan_not_running="yes"),
        "fan-capacitor fan-motor loose-connection run-capacitor compressor-overload-open",
    ),
    (
        "pull-in-without-run",
        but(RUN, compressor_a="still", fan_a=None),
        "run-capacitor compressor-overload-open loose-connection compressor-winding-open fan-capacitor fan-motor"
        " compressor-locked",
    ),
    (
        "compressor-not-running",
        FAN_ONLY,
        "compressor-overload-open run-capacitor loose-connection compressor-winding-open compressor-locked",
    ),
    (
        "compressor-not-running",
        but(FAN_ONLY, recent_locked_rotor="yes"),
        "run-capacitor compressor-locked compressor-overload-open loose-connection compressor-winding-open",
    ),
    (
        "compressor-not-running",
        but(FAN_ONLY, recent_high_running_current="yes"),
        "condenser-dirty charge-high compressor-overload-open run-capacitor loose-connection compressor-winding-open"
        " compressor-locked",
    ),
    (
        "compressor-not-running",
        but(FAN_ONLY, recent_low_running_current="yes"),
        "charge-low compressor-overload-open run-capacitor loose-connection compressor-winding-open compressor-locked",
    ),
    (
        "compressor-not-running",
        but(FAN_ONLY, recent_fan_not_running="yes"),
        "fan-motor fan-capacitor compressor-overload-open run-capacitor loose-connection compressor-winding-open"
        " compressor-locked",
    ),
    ("fan-not-running", NO_FAN, "fan-capacitor fan-motor run-capacitor loose-connection"),
    ("locked-rotor", LOCKED, "run-capacitor compressor-locked loose-connection compressor-winding-open"),
    (
        "locked-rotor",
        but(LOCKED, recent_line_supply_lost="yes"),
        "run-capacitor compressor-locked loose-connection line-supply-off compressor-winding-open",
    ),
    (
        "overload-cycling",
        RUN,
        "condenser-dirty run-capacitor charge-low compressor-overload-open loose-connection charge-high fan-capacitor"
        " fan-motor compressor-locked",
    ),
    (
        "overload-cycling",
        but(NO_FAN, recent_fan_not_running="yes"),
        "fan-capacitor fan-motor",
    ),
    (
        "overload-cycling",
        but(RUN, recent_locked_rotor="yes"),
        "run-capacitor compressor-locked condenser-dirty charge-low compressor-overload-open loose-connection"
        " charge-high fan-capacitor fan-motor",
    ),
    # --- it does not stop, it flutters
    ("contacts-stuck-closed", STUCK, "contacts-welded armature-stuck-in"),
    ("contacts-stuck-closed", only(STUCK, "call", "compressor_a"), "contacts-welded armature-stuck-in"),
    ("contacts-stuck-closed", but(STUCK, control_v="weak", coil_a="sealed"), "thermostat"),
    ("contacts-stuck-closed", but(STUCK, coil_a="sealed"), "monitor-sensing"),
    ("contacts-stuck-closed", but(STUCK, control_v="normal"), "monitor-sensing"),
    (
        "contacts-stuck-closed",
        but(STUCK, compressor_a="still", fan_a="still"),
        "monitor-sensing contacts-welded armature-stuck-in",
    ),
    (
        "pull-in-without-run",
        but(STUCK, compressor_a="still", fan_a="still"),
        "monitor-sensing loose-connection run-capacitor compressor-overload-open fan-capacitor fan-motor",
    ),
    (
        "line-supply-lost",
        but(OPEN, supply="off", recent_sensing_disagrees="yes"),
        "line-supply-off monitor-sensing",
    ),
    (
        "contactor-chatter",
        but(RUN, control_v="weak", coil_a="unsealed"),
        "control-voltage-weak loose-connection thermostat float-switch pressure-switch coil-shorted armature-blocked",
    ),
    (
        "contactor-chatter",
        RUN,
        "control-voltage-weak loose-connection thermostat float-switch pressure-switch armature-blocked",
    ),
    ("low-control-voltage", but(RUN, control_v="weak"), "control-voltage-weak loose-connection"),
    (
        "low-control-voltage",
        but(OPEN, control_v="weak", coil_a="unsealed"),
        "control-voltage-weak loose-connection armature-blocked coil-shorted",
    ),
    ("low-control-voltage", but(OPEN, control_v="weak", coil_a="short"), "coil-shorted"),
    # --- supplies and calls that do not arrive
    ("line-supply-lost", but(OPEN, supply="off"), "line-supply-off"),
    ("line-supply-lost", but(RUN, supply="off"), "monitor-sensing"),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off"),
        "control-fuse line-supply-off control-transformer coil-shorted loose-connection",
    ),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off", supply="off"),
        "line-supply-off control-fuse control-transformer coil-shorted loose-connection",
    ),
    ("control-power-lost", but(OPEN, control_power="off"), "monitor-sensing"),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on"),
        "float-switch pressure-switch control-wire-open loose-connection",
    ),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on", recent_low_running_current="yes"),
        "float-switch pressure-switch charge-low control-wire-open loose-connection",
    ),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on", recent_high_running_current="yes"),
        "float-switch pressure-switch condenser-dirty control-wire-open loose-connection charge-high",
    ),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on", control_v="weak", coil_a="unsealed"),
        "control-voltage-weak",
    ),
    ("call-not-reaching-unit", but(NO_CALL, thermostat="on", coil_a="short"), "coil-shorted"),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on", control_power=None),
        "float-switch pressure-switch control-wire-open loose-connection",
    ),
    (
        "no-call-in-heat",
        only(NO_CALL, *OUTDOOR),
        "thermostat-setting thermostat control-fuse float-switch line-supply-off control-transformer control-wire-open"
        " pressure-switch loose-connection",
    ),
    ("no-call-in-heat", NO_CALL, "thermostat-setting thermostat control-wire-open loose-connection"),
    # --- how it runs
    (
        "short-cycling",
        RUN,
        "thermostat equipment-oversized pressure-switch thermostat-setting loose-connection charge-low condenser-dirty"
        " float-switch charge-high fan-capacitor fan-motor control-voltage-weak compressor-overload-open run-capacitor",
    ),
    (
        "short-cycling",
        but(RUN, stopped_at="thermostat"),
        "thermostat equipment-oversized thermostat-setting loose-connection",
    ),
    (
        "short-cycling",
        but(RUN, stopped_at="safety"),
        "pressure-switch loose-connection charge-low condenser-dirty float-switch charge-high fan-capacitor fan-motor",
    ),
    ("short-cycling", but(RUN, stopped_at="contacts"), "loose-connection control-voltage-weak"),
    (
        "short-cycling",
        but(RUN, stopped_at="compressor", recent_overload_cycling="yes"),
        "compressor-overload-open run-capacitor charge-low condenser-dirty charge-high loose-connection fan-capacitor"
        " fan-motor",
    ),
    (
        "short-cycling",
        but(NO_FAN, stopped_at="safety", recent_fan_not_running="yes"),
        "fan-capacitor fan-motor pressure-switch loose-connection charge-low condenser-dirty float-switch charge-high",
    ),
    (
        "high-running-current",
        RUN,
        "condenser-dirty charge-high run-capacitor fan-capacitor fan-motor loose-connection compressor-locked"
        " monitor-sensing",
    ),
    ("low-running-current", RUN, "charge-low monitor-sensing compressor-winding-open"),
    ("slow-start", RUN, "run-capacitor loose-connection compressor-locked"),
    ("long-run", RUN, "thermostat-setting charge-low condenser-dirty thermostat"),
    (
        "long-run",
        but(RUN, recent_low_running_current="yes"),
        "charge-low thermostat-setting condenser-dirty thermostat",
    ),
    # --- the monitor itself
    ("sensing-disagrees", but(OPEN, compressor_a="running"), "monitor-sensing"),
    ("sensor-silent", but(RUN, fan_a=None), "monitor-sensing"),
]


@pytest.mark.parametrize(("finding", "seen", "left"), CASES, ids=[f"{n}-{c[0]}" for n, c in enumerate(CASES)])
def test_who_is_left_and_in_which_order(finding: str, seen: dict[str, str], left: str) -> None:
    """The suspects consistent with all that is seen, the most usual first."""
    assert " ".join(judge(finding, seen, unit=PLAIN, fitted=ALL).suspects) == left


def test_the_contracts_example_with_and_without_a_delay_relay() -> None:
    """26.4 V and no coil current: coil open or a loose connection; a delay relay, where fitted, may be it too."""
    seen = only(OPEN, *OUTDOOR)
    assert judge("call-without-pull-in", seen, unit=PLAIN, fitted=OUTDOOR).suspects == ("coil-open", "loose-connection")
    assert judge("call-without-pull-in", seen, unit=DELAYED, fitted=OUTDOOR).suspects == (
        "coil-open",
        "loose-connection",
        "time-delay",
    )


def test_who_is_ruled_out_is_told_why_in_one_clause() -> None:
    """Each ruled-out suspect has the reading that contradicts it."""
    verdict = judge("call-without-pull-in", OPEN, unit=PLAIN, fitted=ALL)
    assert verdict.ruled_out == {
        "line-supply-off": "the coil draws no current",
        "contacts-not-making": "the coil draws no current",
        "control-voltage-weak": "the control voltage is normal",
        "armature-blocked": "the coil draws no current",
        "coil-shorted": "the coil draws no current",
        "time-delay": "no time-delay relay is fitted",
    }
    away = judge("call-not-reaching-unit", but(NO_CALL, thermostat="on"), unit=PLAIN, fitted=ALL).ruled_out
    assert away["control-fuse"] == "24 V is there behind the control fuse"
    assert away["thermostat"] == "the thermostat calls"


def test_a_fuse_is_ruled_out_by_the_thermostats_output_alone() -> None:
    """24 V on the thermostat's output proves the fuse, where control power itself is not sensed."""
    seen = but(NO_CALL, thermostat="on", control_power=None)
    assert judge("call-not-reaching-unit", seen, unit=PLAIN, fitted=OUTDOOR).ruled_out["control-fuse"] == (
        "the thermostat calls"
    )


@pytest.mark.parametrize("missing", ["control_v", "coil_a", "supply", "load", "fan_a", "control_power", "thermostat"])
@pytest.mark.parametrize("case", CASES, ids=[f"{n}-{c[0]}" for n, c in enumerate(CASES)])
def test_a_missing_sense_narrows_less_and_accuses_nobody(case: tuple[str, dict[str, str], str], missing: str) -> None:
    """Without a sense nobody of the full list is lost, unless the full list itself needed that sense's odd mark."""
    finding, seen, left = case
    fewer = set(judge(finding, but(seen, **{missing: None}), unit=PLAIN, fitted=ALL).suspects)
    marked = {row.suspect for row in SITUATIONS[finding].causes if missing in row.marks}
    fallback = {"monitor-sensing"} if left == "monitor-sensing" else set()
    assert set(left.split()) - marked - fallback <= fewer


def test_wanted_senses_are_those_that_would_split_the_rest() -> None:
    """Coil current parts coil from contacts; with the coil open, nothing more can be sensed apart."""
    assert judge("call-without-pull-in", OPEN, unit=PLAIN, fitted=ALL).wanted_senses == ()
    assert judge("call-without-pull-in", but(OPEN, coil_a=None), unit=PLAIN, fitted=OUTDOOR).wanted_senses == (
        "coil_a",
    )
    bare = judge("call-without-run", only(OPEN, "call", "compressor_a"), unit=PLAIN, fitted=("call", "compressor_a"))
    assert set(bare.wanted_senses) == {"coil_a", "load", "fan_a", "supply", "control_v"}


def test_a_fitted_but_silent_sense_is_wanted_before_one_to_be_fitted() -> None:
    """Mending what is there comes first."""
    seen = only(OPEN, "call", "compressor_a")
    assert judge("call-without-run", seen, unit=PLAIN, fitted=("call", "compressor_a", "control_v")).wanted_senses[
        0
    ] == ("control_v")


DOUBTED = [f for f in SITUATIONS if f not in ("sensing-disagrees", "sensor-silent")]


@pytest.mark.parametrize("finding", DOUBTED)
def test_senses_that_contradicted_each_other_of_late_are_suspected_too(finding: str) -> None:
    """Within two hours of sensing-disagrees the monitor itself is in question, beside and not before the usual."""
    plain = judge(finding, {}, unit=PLAIN, fitted=ALL).suspects
    doubted = judge(finding, {"recent:sensing-disagrees": "yes"}, unit=PLAIN, fitted=ALL).suspects
    assert "monitor-sensing" in doubted
    assert doubted[0] == plain[0]
    assert [name for name in doubted if name != "monitor-sensing"] == [n for n in plain if n != "monitor-sensing"]


def test_two_faults_together_are_named_where_no_single_one_explains() -> None:
    """Coil over range and a blocked plunger: both at once."""
    seen = but(OPEN, coil_a=None)
    meter = {"coil-ohms": "open", "plunger": "blocked"}
    verdict = judge("call-without-pull-in", seen, unit=PLAIN, fitted=ALL, meter=meter)
    assert verdict.together == ({"coil-open", "armature-blocked"},)
    assert set(verdict.suspects) == {"coil-open", "armature-blocked"}


def test_what_nothing_explains_is_left_to_the_monitors_own_sensing() -> None:
    """A fan that runs behind contacts said to be open is no fault of the unit."""
    verdict = judge("call-without-pull-in", but(OPEN, fan_a="running"), unit=PLAIN, fitted=ALL)
    assert verdict.suspects == ("monitor-sensing",)
    assert verdict.together == ()


METER_CASES: list[tuple[str, dict[str, str], dict[str, str], str]] = [
    (
        "call-without-run",
        only(OPEN, "call", "compressor_a"),
        {"line-volts": "absent"},
        "line-supply-off loose-connection",
    ),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off"),
        {"transformer-volts": "absent", "breakers": "on", "connections": "tight"},
        "control-transformer line-supply-off loose-connection",
    ),
    ("call-without-pull-in", OPEN, {"coil-ohms": "open"}, "coil-open"),
    ("call-without-pull-in", OPEN, {"coil-ohms": "usual"}, "loose-connection"),
    ("call-without-pull-in", OPEN, {"coil-volts": "absent"}, "loose-connection"),
    ("call-without-pull-in", but(OPEN, coil_a=None), {"plunger": "blocked"}, "armature-blocked"),
    ("call-without-pull-in", but(OPEN, coil_a=None), {"contacts": "burnt"}, "contacts-not-making"),
    ("call-without-pull-in", but(OPEN, coil_a="unsealed"), {"coil-ohms": "low"}, "coil-shorted"),
    ("call-without-pull-in", only(OPEN, "call", "load"), {"line-volts": "absent"}, "line-supply-off loose-connection"),
    ("call-without-pull-in", only(OPEN, "call", "load"), {"breakers": "off"}, "line-supply-off"),
    (
        "call-without-pull-in",
        only(OPEN, "call", "load"),
        {"coil-volts": "low"},
        "control-voltage-weak coil-shorted contacts-not-making coil-open armature-blocked",
    ),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off"),
        {"control-fuse": "closed", "transformer-volts": "absent"},
        "line-supply-off control-transformer loose-connection",
    ),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off"),
        {"transformer-volts": "normal"},
        "control-fuse coil-shorted loose-connection",
    ),
    (
        "control-power-lost",
        but(NO_CALL, control_power="off"),
        {"control-fuse": "open", "coil-ohms": "low"},
        "coil-shorted",
    ),
    ("call-not-reaching-unit", but(NO_CALL, thermostat="on"), {"float-switch": "open"}, "float-switch"),
    ("call-not-reaching-unit", but(NO_CALL, thermostat="on"), {"drain-pan": "wet"}, "float-switch"),
    (
        "call-not-reaching-unit",
        but(NO_CALL, thermostat="on"),
        {"control-wire": "open"},
        "control-wire-open loose-connection",
    ),
    ("call-not-reaching-unit", but(NO_CALL, thermostat="on"), {"pressure-switch": "open"}, "pressure-switch"),
    (
        "compressor-not-running",
        FAN_ONLY,
        {"winding-ohms": "overload-open"},
        "compressor-overload-open compressor-locked",
    ),
    ("compressor-not-running", FAN_ONLY, {"winding-ohms": "winding-open"}, "compressor-winding-open"),
    ("compressor-not-running", FAN_ONLY, {"run-capacitor": "weak"}, "run-capacitor"),
    (
        "compressor-not-running",
        FAN_ONLY,
        {"run-capacitor": "good", "winding-ohms": "balanced", "connections": "loose"},
        "loose-connection",
    ),
    ("fan-not-running", NO_FAN, {"fan-blade": "stiff"}, "fan-motor"),
    ("fan-not-running", NO_FAN, {"fan-ohms": "open"}, "fan-motor"),
    ("fan-not-running", NO_FAN, {"fan-capacitor": "dead"}, "fan-capacitor run-capacitor"),
    ("fan-not-running", NO_FAN, {"fan-capacitor": "dead", "run-capacitor": "good"}, "fan-capacitor"),
    (
        "locked-rotor",
        LOCKED,
        {"run-capacitor": "good", "connections": "tight", "winding-ohms": "balanced"},
        "compressor-locked loose-connection",
    ),
    ("contacts-stuck-closed", STUCK, {"contacts": "welded"}, "contacts-welded"),
    ("contacts-stuck-closed", STUCK, {"contacts": "clean", "plunger": "stuck-in"}, "armature-stuck-in"),
    ("call-without-pull-in", OPEN, {"time-delay-volts": "none"}, "coil-open loose-connection"),
    ("high-running-current", RUN, {"condenser-coil": "dirty"}, "condenser-dirty"),
    ("high-running-current", RUN, {"condenser-coil": "clean", "charge": "high"}, "charge-high"),
    ("long-run", RUN, {"charge": "low"}, "charge-low"),
    ("long-run", RUN, {"thermostat-setting": "wrong"}, "thermostat-setting"),
    ("short-cycling", RUN, {"sizing": "oversized"}, "equipment-oversized"),
    (
        "no-call-in-heat",
        NO_CALL,
        {"thermostat-setting": "right", "connections": "tight", "control-wire": "closed"},
        "thermostat loose-connection",
    ),
    ("low-running-current", RUN, {"sense-compare": "differs"}, "monitor-sensing"),
    ("low-control-voltage", but(RUN, control_v="weak"), {"rc-volts": "low"}, "control-voltage-weak"),
]


@pytest.mark.parametrize(
    ("finding", "seen", "meter", "left"), METER_CASES, ids=[f"{n}-{c[0]}" for n, c in enumerate(METER_CASES)]
)
def test_a_meter_outcome_narrows_the_list(finding: str, seen: dict[str, str], meter: dict[str, str], left: str) -> None:
    """Each outcome leaves those whose part would read so."""
    assert " ".join(judge(finding, seen, unit=PLAIN, fitted=ALL, meter=meter).suspects) == left


def test_every_suspect_is_alone_left_somewhere() -> None:
    """For each suspect some situation, sensed or metered, leaves it alone or at the head of the list."""
    heads = {case[-1].split()[0] for case in CASES + METER_CASES}
    assert set(SUSPECTS) - heads == {"time-delay"}  # asserted with its own nameplate below
    meter = {"time-delay-volts": "across"}
    assert judge("call-without-pull-in", OPEN, unit=DELAYED, fitted=ALL, meter=meter).suspects == ("time-delay",)


# ---------------------------------------------------------------- the table is total and every row counts


def test_the_suspects_are_those_of_the_contract() -> None:
    """28 names, in the contract's order of kinds, none more."""
    assert sorted(SUSPECTS) == sorted(CONTRACT_SUSPECTS.split())


def test_every_finding_has_a_situation_and_every_suspect_a_row() -> None:
    """No finding without suspects, no suspect that nothing can bring about."""
    assert set(SITUATIONS) == set(CATALOGUE)
    assert {row.suspect for rows in ROWS.values() for row in rows} == set(SUSPECTS)


def test_every_prediction_is_of_symbols_that_exist() -> None:
    """Each observable of each row exists and can say what is predicted."""
    for finding, rows in ROWS.items():
        for row in rows:
            for name, said in row.predicts.items():
                assert said.allowed <= set(symbols_of(name)), (finding, row.suspect, name)


def test_every_row_says_an_outcome_for_every_check_or_the_finding_declares_no_news() -> None:
    """A check is predicted by every row of a finding, or what it follows from is no news there."""
    for finding, rows in ROWS.items():
        for check in CHECKS.values():
            silent = [row.suspect for row in rows if check.name not in row.predicts]
            if not silent:
                continue
            sense = METER_BY_SENSE.get(check.name, ("", {}))[0]
            no_news = not check.news or check.sound is None
            assert no_news, (finding, check.name, silent)
            unsaid = {row.suspect for row in rows if sense and sense not in row.predicts}
            assert not sense or set(silent) <= unsaid, (finding, check.name)


def test_every_sense_that_a_finding_speaks_of_is_predicted_by_all_its_rows_but_far_fetched_ones() -> None:
    """What the base says, every usual row says too; only rows thought of on a mark may unsay it."""
    for finding, situation in SITUATIONS.items():
        for cause, row in zip(situation.causes, ROWS[finding], strict=True):
            if not cause.marks:
                assert set(situation.base) <= set(row.predicts), (finding, row.suspect)


def test_every_symbol_has_its_clause() -> None:
    """Whatever may be seen can be told as a reason."""
    for name, symbols in {**SYMBOLS, "stopped-at": STOPPED_AT}.items():
        assert set(SAYS[name]) == set(symbols)
    for check in CHECKS.values():
        assert all(clause(check.name, symbol) for symbol in check.symbols)
    assert clause("recent:locked-rotor", "yes") == "locked-rotor stood in the last two hours"
    assert clause("recent:locked-rotor", "no") == "locked-rotor did not stand in the last two hours"


ROW_NAMES = [(finding, number) for finding, rows in ROWS.items() for number in range(len(rows))]


Said = list[tuple[tuple[str, ...], dict[str, str]]]


def all_verdicts() -> Said:
    sensed = [judge(f, seen, unit=unit, fitted=ALL) for f, seen, _ in CASES for unit in (PLAIN, DELAYED)]
    metered = [judge(f, seen, unit=PLAIN, fitted=ALL, meter=meter) for f, seen, meter, _ in METER_CASES]
    doubtful = {"recent:sensing-disagrees": "yes"}
    doubted = [judge(finding, doubtful, unit=PLAIN, fitted=ALL) for finding in DOUBTED]
    return [(verdict.suspects, verdict.ruled_out) for verdict in sensed + metered + doubted]


@pytest.fixture(scope="module")
def verdicts() -> Said:
    return all_verdicts()


@pytest.mark.parametrize(("finding", "number"), ROW_NAMES, ids=[f"{f}-{ROWS[f][n].suspect}" for f, n in ROW_NAMES])
def test_a_row_taken_away_shows(finding: str, number: int, verdicts: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without any one row, some case above comes out differently."""
    without = list(ROWS[finding])
    gone = without.pop(number)
    causes = list(SITUATIONS[finding].causes)
    causes.pop(number)
    monkeypatch.setitem(suspects.ROWS, finding, tuple(without))
    monkeypatch.setitem(suspects.SITUATIONS, finding, SITUATIONS[finding]._replace(causes=tuple(causes)))
    assert all_verdicts() != verdicts, gone.suspect


# ---------------------------------------------------------------- wrong input


@pytest.mark.parametrize(
    ("finding", "seen", "meter", "named"),
    [
        ("no-such-finding", {}, {}, "no-such-finding"),
        ("locked-rotor", {"call": "maybe"}, {}, "maybe"),
        ("locked-rotor", {"no-such-sense": "on"}, {}, "no-such-sense"),
        ("locked-rotor", {}, {"coil-ohms": "purple"}, "purple"),
        ("locked-rotor", {"recent:locked-rotor": "perhaps"}, {}, "perhaps"),
    ],
)
def test_what_does_not_exist_is_refused(finding: str, seen: dict[str, str], meter: dict[str, str], named: str) -> None:
    """An unknown finding, sense, symbol or outcome is an error that names it and what is allowed."""
    with pytest.raises(ContractError, match=named):
        judge(finding, seen, unit=PLAIN, fitted=ALL, meter=meter)
