"""Who is suspected: the contract's example, the cases of suspect_cases.py, missing senses, two faults, wrong input."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.core.readings import SYMBOLS
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.verdict import SITUATIONS, judge
from tests.monitor.suspect_cases import (
    ALL,
    CASES,
    DELAYED,
    DOUBTED,
    METER_CASES,
    NO_CALL,
    OPEN,
    OUTDOOR,
    PLAIN,
    but,
    only,
)


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


# ---------------------------------------------------------------- any evidence at all

SEEN = st.fixed_dictionaries({}, optional={name: st.sampled_from(symbols) for name, symbols in SYMBOLS.items()})
METER = st.dictionaries(st.sampled_from(sorted(CHECKS)), st.integers(0, 9), max_size=4).map(
    lambda chosen: {name: CHECKS[name].symbols[n % len(CHECKS[name].symbols)] for name, n in chosen.items()}
)
ANY_FINDING = st.sampled_from(sorted(SITUATIONS))


@settings(max_examples=300)
@given(ANY_FINDING, SEEN, METER)
def test_any_evidence_leaves_somebody_and_accuses_nobody_it_rules_out(
    finding: str, seen: dict[str, str], meter: dict[str, str]
) -> None:
    """Suspects are never none, never ruled out at once; a sense that is there is never wanted; a reason is a clause."""
    verdict = judge(finding, seen, unit=PLAIN, fitted=ALL, meter=meter)
    assert verdict.suspects
    assert set(verdict.suspects) <= set(SUSPECTS)
    assert not set(verdict.suspects) & set(verdict.ruled_out)
    assert not set(verdict.wanted_senses) & set(seen)
    assert all(why and why[0] == why[0].lower() for why in verdict.ruled_out.values())


@settings(max_examples=300)
@given(ANY_FINDING, SEEN, st.sampled_from(sorted(SYMBOLS)))
def test_a_sense_more_never_brings_anybody_in_while_a_usual_fault_explains_it(
    finding: str, seen: dict[str, str], sense: str
) -> None:
    """Whoever is left with all that is seen was left with one sense less, or is far-fetched without it."""
    marked = {row.suspect for row in SITUATIONS[finding].causes if row.marks}
    full = judge(finding, seen, unit=PLAIN, fitted=ALL)
    fewer = judge(finding, {name: symbol for name, symbol in seen.items() if name != sense}, unit=PLAIN, fitted=ALL)
    contradicted = full.suspects == ("monitor-sensing",) or full.together or fewer.together
    assert contradicted or set(full.suspects) - marked <= set(fewer.suspects)
