"""Who is suspected: the contract's example, the cases of suspect_cases.py, missing senses, two faults, wrong input."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.core.readings import SYMBOLS
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.elimination import expect
from condenser_monitor.monitor.diagnosis.features import FEATURES
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import OF_THE_MONITOR, SITUATIONS, Diagnosis
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
    judge,
    only,
)


def weighed(finding: str, seen: dict[str, str], meter: dict[str, str] | None = None, unit: Unit = PLAIN) -> Diagnosis:
    """A diagnosis from one mapping of symbols, features among them."""
    traits = {name: symbol for name, symbol in seen.items() if name in FEATURES}
    sensed = {name: symbol for name, symbol in seen.items() if name not in FEATURES}
    return judge(finding, sensed, unit=unit, fitted=ALL, meter=meter or {}, traits=traits)


@pytest.mark.parametrize(("finding", "seen", "left"), CASES, ids=[f"{n}-{c[0]}" for n, c in enumerate(CASES)])
def test_who_is_left_and_in_which_order(finding: str, seen: dict[str, str], left: str) -> None:
    """The most usual suspect that is consistent with all that is seen comes first, the next ones soon after."""
    diagnosis, wanted = weighed(finding, seen), left.split()
    found = diagnosis.explains[finding]
    # As usual as the first one is first too.
    assert diagnosis.shares[wanted[0]] >= 0.99 * diagnosis.shares[found[0]]
    if diagnosis.shares[found[0]] < 0.5:
        assert set(wanted[:3]) <= set(found)


def test_26_volts_and_no_coil_current_is_the_coil_a_joint_or_what_sits_between_terminal_and_coil() -> None:
    """Coil open or a loose connection first; a delay relay, where fitted, may be it too, and so may each safety."""
    seen = only(OPEN, *OUTDOOR)
    plain = judge("call-without-pull-in", seen, unit=PLAIN, fitted=OUTDOOR).suspects
    assert plain[:2] == ("coil-open", "loose-connection")
    assert {"pressure-switch", "low-pressure-cutout", "high-pressure-cutout", "defrost-board"} <= set(plain)
    assert "time-delay" not in plain
    assert "time-delay" in judge("call-without-pull-in", seen, unit=DELAYED, fitted=OUTDOOR).suspects


def test_who_is_ruled_out_is_told_why_in_one_clause() -> None:
    """Each ruled-out suspect has the reading that contradicts it."""
    out = judge("call-without-pull-in", OPEN, unit=PLAIN, fitted=ALL).ruled_out
    assert out["contacts-not-making"] == "the coil draws no current"
    assert out["control-voltage-weak"] == "the control voltage is normal"
    assert out["time-delay"] == "no time-delay relay is installed"
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
def test_a_missing_sense_narrows_less(case: tuple[str, dict[str, str], str], missing: str) -> None:
    """Without a sense nobody is ruled out who was not before, but for what needed that sense's odd mark."""
    finding, seen, left = case
    fewer = weighed(finding, but(seen, **{missing: None}))
    first = left.split()[0]
    marked = {row.suspect for row in SITUATIONS[finding].causes if missing in row.marks}
    assert first in {*fewer.suspects, *marked, "monitor-sensing"}


def test_wanted_senses_are_those_that_would_split_the_rest() -> None:
    """Coil current parts coil from contacts; with the coil open, nothing more can be sensed apart."""
    assert "coil_a" not in judge("call-without-pull-in", OPEN, unit=PLAIN, fitted=ALL).wanted_senses
    without = judge("call-without-pull-in", but(OPEN, coil_a=None), unit=PLAIN, fitted=OUTDOOR)
    assert without.wanted_senses[0] == "coil_a"
    bare = judge("call-without-run", only(OPEN, "call", "compressor_a"), unit=PLAIN, fitted=("call", "compressor_a"))
    assert set(bare.wanted_senses) == {"coil_a", "coil_v", "load", "fan_a", "supply", "line_v", "control_v"}


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
    assert plain[0] in doubted[:3]


def test_two_faults_together_are_named_where_no_single_one_explains() -> None:
    """Coil over range and a blocked plunger: both at once."""
    seen = but(OPEN, coil_a=None)
    meter = {"coil-ohms": "open", "plunger": "blocked"}
    verdict = judge("call-without-pull-in", seen, unit=PLAIN, fitted=ALL, meter=meter)
    assert verdict.together == ({"coil-open", "armature-blocked"},)
    assert set(verdict.suspects[:2]) == {"coil-open", "armature-blocked"}


def test_what_nothing_explains_is_first_of_all_the_monitors_own_sensing() -> None:
    """A fan that runs behind contacts said to be open is no fault of the unit; but nobody is cleared by it."""
    verdict = judge("call-without-pull-in", but(OPEN, fan_a="running"), unit=PLAIN, fitted=ALL)
    assert verdict.suspects[0] == "monitor-sensing"
    assert verdict.together == ()


@pytest.mark.parametrize(
    ("finding", "seen", "meter", "left"), METER_CASES, ids=[f"{n}-{c[0]}" for n, c in enumerate(METER_CASES)]
)
def test_a_meter_outcome_puts_the_part_first_that_would_read_so(
    finding: str, seen: dict[str, str], meter: dict[str, str], left: str
) -> None:
    """Each outcome brings the part to the head that shows it."""
    assert weighed(finding, seen, meter).suspects[0] == left.split(maxsplit=1)[0]


ABNORMAL = [
    (finding, check.name, outcome)
    for finding in SITUATIONS
    if finding not in OF_THE_MONITOR
    for check in CHECKS.values()
    if check.sound is not None and check.news
    for outcome in check.symbols
    if outcome not in check.innocent  # a part that is not there reads neither well nor badly
]


def test_an_abnormal_reading_adds_its_suspect_and_clears_nobody() -> None:
    """Several faults at once are the rule in the trade: whoever was suspected before still is."""
    for finding, check, outcome in ABNORMAL:
        before = judge(finding, {}, unit=PLAIN, fitted=())
        after = judge(finding, {}, unit=PLAIN, fitted=(), meter={check: outcome})
        assert set(before.suspects) <= set(after.suspects), (finding, check, outcome)
        if not after.measure_again:
            shown = {n for n, s in SUSPECTS.items() if outcome in s.meter.get(check, expect("-")).usual}
            assert all(
                name in after.suspects for name in shown if CHECKS[check].sound not in SUSPECTS[name].meter[check].usual
            )


def test_a_sound_reading_clears_its_part_and_only_that() -> None:
    """A coil of 14 ohm is not open; it says nothing of a joint."""
    before = judge("call-without-pull-in", OPEN, unit=PLAIN, fitted=ALL)
    after = judge("call-without-pull-in", OPEN, unit=PLAIN, fitted=ALL, meter={"coil-ohms": "usual"})
    assert set(before.suspects) - set(after.suspects) == {"coil-open"}
    assert after.ruled_out["coil-open"] == "the coil's resistance is usual"


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
    assert 0.0 < sum(verdict.shares.values()) <= 1.001  # each is rounded
    assert all(why and why[0] == why[0].lower() for why in verdict.ruled_out.values())
