"""Who is named, on both sides of each border: whoever is worth a check, worth a word to people, or worth news; and
which sensors are taken for frozen."""

from __future__ import annotations

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.records import ChangeKind, Diagnosed
from condenser_monitor.monitor.core.trust import FrozenWatch
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.diagnosis import _much_the_same, ages_s
from condenser_monitor.monitor.diagnosis.elimination import PredictionRow, expect
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import (
    FindingSeen,
    UnitCase,
    _listed,
    _shortlist,
    diagnose,
    outcome_fit,
    which_switch,
)
from tests.monitor.units import UNIT

NAMES = list(SUSPECTS)


@pytest.mark.parametrize(
    ("number", "shares", "named"),
    [
        ("THIRD_SHARE", [0.80, 0.055], 1),  # one in fifteen of the first: nobody looks there
        ("THIRD_SHARE", [0.80, 0.125], 2),
        ("NEAR_SHARE", [0.30, 0.25, 0.22, 0.09], 3),
        ("NEAR_SHARE", [0.30, 0.25, 0.22, 0.18], 4),  # nearly as likely as the first
    ],
)
def test_people_are_told_of_whoever_is_likely_enough(number: str, shares: list[float], named: int) -> None:
    """`number` is the border that the last one lies beside."""
    assert len(_shortlist(dict(zip(NAMES, shares, strict=False)), ())) == named, number


@pytest.mark.parametrize(
    ("number", "weights", "named"),
    [
        ("FAR_FETCHED_SHARE", [1.0, 0.0035], 1),
        ("FAR_FETCHED_SHARE", [1.0, 0.008], 2),
        ("COVERED_SHARE", [0.5, 0.3, 0.1, 0.06, 0.04], 4),  # nineteen of twenty are among them
        ("LISTED_SHARE", [1.0, 0.9, 0.8, *[0.013] * 13], 3),
        ("LISTED_SHARE", [1.0, 0.9, 0.8, *[0.03] * 10], 9),  # up to nineteen of twenty
    ],
)
def test_a_check_is_worth_it_for_whoever_is_likely_enough(number: str, weights: list[float], named: int) -> None:
    """`number` is the border."""
    assert len(_listed(dict(zip(NAMES, weights, strict=False)))) == named, number


def test_nobody_is_named_of_whom_nothing_is_left() -> None:
    """A suspect at nothing is none, also where all are."""
    assert _listed(dict.fromkeys(NAMES[:3], 0.0)) == frozenset()
    assert _shortlist(dict.fromkeys(NAMES[:3], 0.0), ()) == {}
    assert _shortlist({NAMES[0]: 1.0, NAMES[1]: 0.0}, {NAMES[1]}) == {NAMES[1]: 0.0, NAMES[0]: 1.0}


@pytest.mark.parametrize(("outcome", "fits"), [("good", limits.ACQUIT_SHARE.value), ("open", None)])
def test_a_sound_part_is_acquitted_and_another_one_at_fault_is_as_likely_as_in_any_unit(
    outcome: str, fits: float | None
) -> None:
    """A capacitor that reads good speaks against itself; a shorted coil beside it is a fault of its own."""
    row = PredictionRow("run-capacitor", 1.0, {"run-capacitor": expect("dead or weak"), "coil-ohms": expect("normal")})
    check = "run-capacitor" if outcome == "good" else "coil-ohms"
    assert outcome_fit(row, check, outcome) == (CHECKS[check].chance if fits is None else fits)


@pytest.mark.parametrize(("other", "which"), [(0.35, True), (0.5, True), (0.7, False)])
def test_a_pressure_switch_is_called_high_or_low_where_that_is_plain(other: float, which: bool) -> None:
    """WHICH_SHARE: the other one is half as likely, or less."""
    weights = {"pressure-switch": 0.1, "high-pressure-cutout": 0.3, "low-pressure-cutout": 0.3 * other}
    assert (which_switch(weights) == {"pressure-switch": "high-pressure-cutout"}) is which


@pytest.mark.parametrize(("moved", "news"), [(0.1, False), (0.2, True)])
def test_a_diagnosis_is_news_when_a_share_has_moved_far_enough(moved: float, news: bool) -> None:
    """STEADY_SHARE: by a sixth, not by what each scan moves."""
    was, now = (
        Diagnosed(
            t_s=0.0,
            change=ChangeKind.DIAGNOSED,
            findings=("locked-rotor",),
            suspects=(("compressor-locked", 0.6), ("run-capacitor", share)),
            because=(),
            distrusted=(),
            next_check=None,
            summary="",
        )
        for share in (0.1, 0.1 + moved)
    )
    assert _much_the_same(was, now) is not news


@pytest.mark.parametrize(("hours", "tells"), [(1.5, True), (3.0, False)])
def test_a_finding_tells_about_its_consequences_for_two_hours(hours: float, tells: bool) -> None:
    """RECENT_S."""
    assert bool(ages_s({"locked-rotor": 0.0}, hours * 3600.0)) is tells


@pytest.mark.parametrize(
    ("number", "suspect", "least", "most"),
    [
        ("PAST_RATIO", "run-capacitor", 3.2, 7.0),  # the most usual of all: most that comes back is the same
        ("PAST_MOST", "compressor-winding-open", 12.0, 30.0),  # a seldom one: it may have been another fault
    ],
)
def test_who_was_sure_some_days_ago_is_likelier_now_and_not_beyond_doubt(
    number: str, suspect: str, least: float, most: float
) -> None:
    """`number` is the border: by how much its odds against another suspect rise."""
    odds = []
    for past in ({}, {suspect: 1.0}):
        case = UnitCase([FindingSeen("locked-rotor", {})], UNIT, (), {}, past=past)
        shares = diagnose(case).shares
        odds.append(shares[suspect] / shares["compressor-locked"])
    assert least < odds[1] / odds[0] < most, number


# ---------------------------------------------------------------- sensors that stand still


@pytest.mark.parametrize(("minutes", "frozen"), [(6, False), (12, True)])
def test_a_pipe_that_stays_through_rest_and_run_is_frozen(minutes: int, frozen: bool) -> None:
    """TRUST.still_minutes: a pipe follows within minutes."""
    watch = FrozenWatch(("suction_c",))
    for runs in (False, True):
        for _ in range(minutes):
            watch.update({"suction_c": 15.25}, runs=runs)
    assert bool(watch.names) is frozen


@pytest.mark.parametrize(("minutes", "frozen"), [(180, False), (300, True)])
def test_air_that_stays_for_hours_is_frozen(minutes: int, frozen: bool) -> None:
    """TRUST.drift_minutes: it had been moving before."""
    watch = FrozenWatch(("outdoor_c",))
    for minute in range(30):
        watch.update({"outdoor_c": 25.0 + minute / 10.0}, runs=False)
    for _ in range(minutes):
        watch.update({"outdoor_c": 28.0}, runs=False)
    assert bool(watch.names) is frozen


@pytest.mark.parametrize(("moves", "believed"), [(7, False), (14, True)])
def test_a_frozen_sensor_that_moves_again_is_believed_again(moves: int, believed: bool) -> None:
    """TRUST.moves: a loose joint gives a few numbers too."""
    watch = FrozenWatch(("suction_c",))
    for runs in (False, True):
        for _ in range(30):
            watch.update({"suction_c": 15.25}, runs=runs)
    assert watch.names
    for minute in range(moves):
        watch.update({"suction_c": 16.0 + minute / 4.0}, runs=True)
    assert (not watch.names) is believed
