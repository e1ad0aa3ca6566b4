"""The catalogue of checks is whole and safe, and the next check is the one worth doing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache
from itertools import pairwise

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.diagnosis.checks.base import CAUTION_FIGURES, CAUTIONS, Check
from condenser_monitor.monitor.diagnosis.checks.rows import (
    CHECKS,
    Place,
    confirming_check,
    cost_minutes,
    next_check,
    offers,
    stage,
)
from condenser_monitor.monitor.diagnosis.elimination import PredictionRow, expect
from condenser_monitor.monitor.diagnosis.unit_diagnosis import ROWS, SITUATIONS
from condenser_monitor.monitor.limits import BASES, Limit
from tests.monitor.suspect_cases import judge
from tests.size import long_one

EVERY = pytest.mark.parametrize("check", CHECKS.values(), ids=CHECKS)
UNIT = Unit()
FITTED = ("call", "load")


def rows(finding: str, **seen: str) -> list[PredictionRow]:
    return list(judge(finding, seen, unit=UNIT, fitted=FITTED).rows)


@cache
def unmeasured(finding: str) -> tuple[str, ...]:
    """The suspects behind a finding before any check."""
    return tuple(judge(finding, {}, unit=UNIT, fitted=()).suspects)


# ---------------------------------------------------------------- whole and safe


@EVERY
def test_every_check_says_all_that_is_needed(check: Check) -> None:
    """Steps, expected range, basis and source, time, place; outcomes told apart."""
    assert check.steps
    assert check.expected
    assert check.source
    assert check.basis in BASES
    assert check.minutes > 0
    assert len(set(check.symbols)) == len(check.symbols) >= 2
    assert check.sound is None or check.sound in check.symbols
    assert set(check.cautions) <= set(CAUTIONS)


@EVERY
def test_borders_lie_between_the_outcomes_and_rise(check: Check) -> None:
    """One border fewer than outcomes by number; over range is an outcome; by eye there is none."""
    borders = [bound.at(UNIT, 10.0) for bound in check.bounds]
    assert borders == sorted(set(borders))
    if check.quantity in ("eye", "windings"):
        assert not borders
        return
    numbered = [symbol for symbol in check.symbols if symbol != check.absent]
    by_number = len(numbered) - (check.over == numbered[-1] and len(numbered) == len(borders) + 2)
    assert by_number == len(borders) + 1
    assert check.over is None or check.over in check.symbols


@EVERY
def test_nobody_opens_a_cabinet_without_isolating_or_measures_live_without_the_cautions(check: Check) -> None:
    """Power off: isolate and prove dead. Live: line or control cautions and a CAT III meter. Homeowners: neither."""
    if check.power == "off":
        assert "isolate" in check.cautions
        assert check.hazard == 1
    if check.power == "off" and check.panel:
        assert "absence" in check.cautions
    if check.power == "live" and check.panel:
        assert {"meter", "one-pole"} <= set(check.cautions)
        assert "live" in check.cautions if check.hazard == 3 else "class2" in check.cautions
    if check.who == "homeowner":
        assert check.power == "as-is"
        assert not check.panel
        assert check.hazard == 0


@EVERY
def test_ohms_need_whole_leads_a_dead_part_and_no_path_in_parallel(check: Check) -> None:
    """Every reading in ohms tells to hold the leads together first and has the power off."""
    if check.quantity in ("ohm", "windings") and check.name != "leads":
        assert "leads" in check.cautions
        assert check.power == "off"


@pytest.mark.parametrize(
    "name", [name for name, check in CHECKS.items() if check.where == "outdoor unit" and check.panel]
)
def test_inside_the_outdoor_unit_the_one_pole_trap_or_full_isolation_is_told(name: str) -> None:
    """A leg stays live behind one open pole; only with the feed itself off (fuses, cable) need it not be said."""
    told = set(CHECKS[name].cautions)
    assert "one-pole" in told or {"isolate", "absence"} <= told


@pytest.mark.parametrize(
    "name", ["run-capacitor", "fan-capacitor", "coil-ohms", "winding-ohms", "contacts", "connections"]
)
def test_the_capacitor_is_bled_before_hands_go_in(name: str) -> None:
    """Through a resistor, never with a screwdriver."""
    assert "capacitor" in CHECKS[name].cautions
    assert "20 kohm" in CAUTIONS["capacitor"]
    assert "Never short" in CAUTIONS["capacitor"]


@pytest.mark.parametrize("name", ["line-volts", "load-volts"])
def test_line_volts_are_taken_line_to_line(name: str) -> None:
    """Never judged by one leg to ground."""
    assert "line to line" in CHECKS[name].steps[-1]


def test_refrigerant_is_left_to_the_certified() -> None:
    """Gauges are not for everybody."""
    assert "refrigerant" in CHECKS["charge"].cautions


@EVERY
def test_every_check_that_is_news_can_change_a_verdict(check: Check) -> None:
    """Some outcome of it, in some situation, rules somebody out or turns the order; one that is no news never does."""
    moved = (
        judge(finding, {}, unit=UNIT, fitted=(), meter={check.name: outcome}).suspects != unmeasured(finding)
        for finding in ROWS
        for outcome in check.symbols
    )
    assert any(moved) == check.news


def test_a_start_capacitor_that_is_not_there_speaks_against_nobody_else() -> None:
    """ "none" acquits the start device as a good one does, and moves nothing else."""
    found = {
        typed: judge("locked-rotor", {}, unit=UNIT, fitted=(), meter={"start-capacitor": typed}).suspects
        for typed in ("none", "good", "dead")
    }
    assert found["none"] == found["good"]
    assert found["dead"][0] == "start-device" != found["none"][0]


# ---------------------------------------------------------------- every figure has its source


def _typed(step: str) -> str:
    return re.sub(r"(?<!\w)'[^']*'", "", step)


_NUMBER = re.compile(r"\d+(?:[.,]\d+)*")
# With the steps, but for what is typed as an example, within quotation marks.
WORDS = {
    name: " ".join((check.expected, *(_typed(step) for step in check.steps))) for name, check in CHECKS.items()
} | {f"caution {name}": text for name, text in CAUTIONS.items()}
FIGURES = {check.name: check.figures for check in CHECKS.values()} | {
    f"caution {name}": CAUTION_FIGURES.get(name, ()) for name in CAUTIONS
}


@pytest.mark.parametrize("name", WORDS)
def test_every_figure_of_the_words_has_a_row_with_its_source(name: str) -> None:
    """No number in what a check expects, its steps or a caution without basis and source; no row for words gone."""
    rows_ = FIGURES[name]
    sourced = [number for row in rows_ for number in _NUMBER.findall(row.shown)]
    # of terminals' names (L1, T1) the digit is no figure
    words = re.sub(r"\b[LT][12]\b", "", WORDS[name])
    assert [number for number in _NUMBER.findall(words) if number not in sourced] == []
    for row in rows_:
        assert row.shown in WORDS[name]
        assert row.basis in BASES
        assert row.source


def test_figures_are_of_cautions_that_exist() -> None:
    """A misspelt name would leave a figure without its source unseen."""
    assert set(CAUTION_FIGURES) <= set(CAUTIONS)


# Each limit that a check judges by, in the words of its check: unit of the words over unit of the limit
IN_WORDS = [
    ("coil-ohms", limits.METER.coil_low, 1.0),
    ("coil-ohms", limits.METER.coil_high, 1.0),
    ("coil-pull-in", limits.METER.coil_pull_in, 1.0),
    ("rc-volts", limits.CONTROL_HIGH_V, 1.0),
    ("line-volts", limits.METER.line_low, 1.0),
    ("line-volts", limits.METER.line_high, 1.0),
    ("contact-drop", limits.METER.contact_suspect, 1.0),
    ("contact-drop", limits.METER.contact_replace, 1.0),
    ("start-volts", limits.METER.start_sag, 100.0),
    ("compressor-to-ground", limits.METER.insulation, 1e-6),
    ("compressor-to-ground", limits.METER.insulation_good, 1e-6),
    ("winding-ohms", limits.METER.winding_ratio_least, 1.0),
    ("winding-ohms", limits.METER.winding_ratio_most, 1.0),
    ("air-split", limits.METER.split_low, 1.8),
    ("air-split", limits.METER.split_high, 1.8),
    ("static-pressure", limits.METER.static_high, 1.0),
    ("superheat", limits.METER.superheat_low, 1.8),
    ("superheat", limits.METER.superheat_high, 1.8),
    ("subcooling", limits.METER.subcooling_low, 1.8),
    ("subcooling", limits.METER.subcooling_high, 1.8),
]


@pytest.mark.parametrize(("name", "limit", "scale"), IN_WORDS, ids=lambda v: getattr(v, "key", v))
def test_the_words_name_the_borders_that_are_judged_by(name: str, limit: Limit, scale: float) -> None:
    """What a technician reads and what the program compares with are one number."""
    numbers = [float(number) for number in _NUMBER.findall(WORDS[name])]
    assert any(abs(number - limit.value * scale) < 0.1 for number in numbers)


# ---------------------------------------------------------------- the next check


def test_volts_at_the_coil_come_before_its_ohms() -> None:
    """24 V are read at the coil, live, before anybody locks out and ohms it."""
    open_ = rows("call-without-pull-in", control_v="normal", coil_a="none", supply="on", load="off")
    ranked = [offer.check.name for offer in offers(open_)]
    assert ranked.index("coil-volts") < ranked.index("coil-ohms")
    assert next_check(open_) is CHECKS["coil-volts"]


@pytest.mark.parametrize("finding", ROWS)
def test_what_tells_something_comes_first_by_eye_then_live_then_dead(finding: str) -> None:
    """Among checks that tell enough: eyes and ears, the live walk, then ohms; and then the most bits for the cost."""
    ranked = [offer for offer in offers(rows(finding)) if offer.bits >= limits.CHECK_GAIN_BITS.value]
    assert [stage(offer.check) for offer in ranked] == sorted(stage(offer.check) for offer in ranked)
    for one, other in pairwise(ranked):
        if stage(one.check) == stage(other.check):
            assert one.bits / one.cost_minutes >= other.bits / other.cost_minutes


def test_once_the_power_is_off_and_locked_what_can_be_done_so_comes_first() -> None:
    """Nobody closes up and powers again for one reading, and then locks out once more."""
    open_ = rows("call-without-run", call="on")
    ranked = [offer for offer in offers(open_, done=["connections"]) if offer.bits >= limits.CHECK_GAIN_BITS.value]
    stages = [stage(offer.check) for offer in ranked if stage(offer.check) in (1, 2)]
    assert stages == sorted(stages, reverse=True)
    assert {1, 2} <= set(stages)


def test_a_breaker_that_was_found_off_stays_off_for_the_ohms() -> None:
    """Behind a lost supply the compressor is measured to ground before anything is reset."""
    found = judge(
        "line-supply-lost", {}, unit=UNIT, fitted=FITTED, traits={"supply-lost": "at-start"}, meter={"breakers": "off"}
    )
    check = next_check(found.rows, ["house-power", "breakers"], breaker_off=True)
    assert check is CHECKS["compressor-to-ground"]
    assert "no-reset" in CHECKS["breakers"].cautions


def test_what_needs_a_running_compressor_is_not_asked_of_one_that_cannot_start() -> None:
    """A capacitor under load, a split or gauges wait until it runs."""
    assert not any(offer.check.running for offer in offers(rows("locked-rotor")))
    assert any(offer.check.running for offer in offers(rows("low-running-current")))


def test_a_slight_gain_does_not_come_before_a_large_one_for_being_harmless() -> None:
    """A check that tells next to nothing waits, even if it costs nothing."""
    table = [
        PredictionRow("a", 1.0, {"line-fuses": expect("closed"), "coil-ohms": expect("open")}),
        PredictionRow("b", 1.0, {"line-fuses": expect("closed; seldom open"), "coil-ohms": expect("usual")}),
    ]
    assert [offer.check.name for offer in offers(table)] == ["coil-ohms", "line-fuses"]


@pytest.mark.parametrize("finding", ROWS)
def test_whatever_is_learnt_without_a_cabinet_and_without_power_comes_before_a_live_check(finding: str) -> None:
    """However little it tells: nobody opens a live cabinet for what a look could have told."""
    ranked = [stage(offer.check) for offer in offers(rows(finding))]
    if 0 in ranked and 1 in ranked:
        assert max(place for place, at in enumerate(ranked) if at == 0) < ranked.index(1)


def test_a_check_done_is_not_offered_again() -> None:
    """Each check is proposed once."""
    open_ = rows("call-without-run", call="on")
    first = next_check(open_)
    assert first is not None
    assert first.name not in [offer.check.name for offer in offers(open_, done=[first.name])]


def test_a_homeowner_is_offered_only_what_a_homeowner_may_do() -> None:
    """Nothing with a cabinet open, a meter or a hazard."""
    open_ = rows("call-without-run", call="on")
    names = {offer.check.name for offer in offers(open_, who="homeowner")}
    assert "breakers" in names
    assert all(CHECKS[name].who == "homeowner" for name in names)


def test_nothing_is_offered_when_nobody_or_one_is_left() -> None:
    """No bits to gain, no check to do, but the one that confirms."""
    alone = [
        row for row in rows("call-without-pull-in", coil_a="sealed", load="off") if row.suspect == "contacts-not-making"
    ]
    assert next_check(alone) is None
    assert confirming_check(alone) is CHECKS["contacts"], "volts across a closed pole want a running compressor"
    assert confirming_check(alone, done=["contacts"]) is None
    assert next_check([]) is None
    assert confirming_check([]) is None


def test_hazard_counts_as_time() -> None:
    """Cost is minutes plus ten for each step of hazard; a look costs the way there."""
    assert cost_minutes(CHECKS["breakers"]) == 3 + limits.LOOK_MINUTES.value
    live = 4 + 3 * limits.HAZARD_MINUTES.value
    assert cost_minutes(CHECKS["line-volts"]) == live
    assert cost_minutes(CHECKS["line-volts"], Place("off", "outdoor unit")) == live + limits.SWITCH_MINUTES.value
    assert cost_minutes(CHECKS["rc-volts"], Place("live", "outdoor unit")) == (
        CHECKS["rc-volts"].minutes + 3 * limits.HAZARD_MINUTES.value + limits.MOVE_MINUTES.value
    )


@cache
def asked(finding: str, answers: tuple[tuple[str, str], ...]) -> tuple[Sequence[str], str | None]:
    """The suspects after these answers, and the check proposed next; many guilty parts begin with the same answers."""
    verdict = judge(finding, {}, unit=UNIT, fitted=(), meter=dict(answers))
    check = next_check(verdict.rows, [name for name, _ in answers])
    return verdict.suspects, check and check.name


@long_one
def test_following_the_proposals_never_loses_the_guilty_part() -> None:
    """Doing each check proposed, and answering as the guilty part would, keeps it suspected to the end."""
    for finding, table in ROWS.items():
        for cause, guilty in zip(SITUATIONS[finding].causes, table, strict=True):
            if cause.marks or guilty.suspect not in unmeasured(finding):
                continue  # far-fetched, or of another nameplate: never proposed, so never asked for
            answers: tuple[tuple[str, str], ...] = ()
            while (check := asked(finding, answers)[1]) is not None:
                said = guilty.predicts.get(check)
                answers += ((check, sorted(said.usual)[0] if said else CHECKS[check].symbols[0]),)
            assert guilty.suspect in asked(finding, answers)[0], (finding, guilty.suspect, answers)
