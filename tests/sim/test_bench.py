"""The accuracy bench: its classes by hand-made changes, its units from seeds, and a small run of the real engine."""

from __future__ import annotations

import pytest

from monitor.limits import FINDINGS
from monitor.records import Change, ChangeKind, Severity
from monitor.suspects import SUSPECTS
from sim import bench
from sim.bench import CLASSES, Unit, judge, score, trouble, unit_year, units
from sim.bench_cases import CASES, SENSE_SETS, Case
from sim.causes import CAUSES

CASE = Case("coil-burnt-open", {"call-without-pull-in": ("call", "load")}, apart={"coil_a": ("contacts-not-making",)})
BREAK_S = 3600.0


def change(finding: str, t_s: float, suspects: str = "", kind: ChangeKind = ChangeKind.RAISED) -> Change:
    return Change(
        t_s=t_s,
        change=kind,
        finding=finding,
        severity=Severity.URGENT,
        suspects=tuple(suspects.split()),
        evidence={},
        summary="",
    )


REVISED, CLEARED = ChangeKind.REVISED, ChangeKind.CLEARED
PULL_IN = "call-without-pull-in"


@pytest.mark.parametrize(
    ("senses", "changes", "outcome"),
    [
        ("all", [change(PULL_IN, 4000, "coil-open loose-connection")], "correct"),
        ("all", [change(PULL_IN, 4000, "coil-open contacts-not-making")], "misdiagnosed"),
        ("line", [change(PULL_IN, 4000, "coil-open contacts-not-making")], "correct"),
        ("all", [change(PULL_IN, 4000, "armature-blocked")], "misdiagnosed"),
        ("all", [change(PULL_IN, 4000, "")], "no answer"),
        ("all", [], "missed"),
        ("all", [change(PULL_IN, 3000, "coil-open")], "false alarm"),
        (
            "all",
            [change(PULL_IN, 4000, "coil-open"), change("line-supply-lost", 5000, "line-supply-off")],
            "false alarm",
        ),
        ("all", [change(PULL_IN, 4000, "contacts-not-making"), change(PULL_IN, 4010, "coil-open", REVISED)], "correct"),
        (
            "all",
            [
                change(PULL_IN, 4000, "coil-open"),
                change(PULL_IN, 5000, "coil-open", CLEARED),
                change(PULL_IN, 6000, "fan-motor", REVISED),
            ],
            "correct",
        ),
    ],
)
def test_five_classes(senses, changes, outcome):
    """Each class by changes made by hand; a revision counts while the finding stands, not after."""
    assert score(Unit(CASE, senses, 1), changes, BREAK_S).outcome == outcome


@pytest.mark.parametrize(("changes", "outcome"), [([], "correct"), ([change(PULL_IN, 5, "coil-open")], "false alarm")])
def test_sound_units_must_stay_silent(changes, outcome):
    """Silence about a sound unit is correct; anything else is a false alarm."""
    assert score(Unit(None, "all", 1), changes, 1e9).outcome == outcome


def test_cases_name_real_things():
    """Causes, findings, senses and suspects exist; every case can be seen with some set of senses."""
    for case in CASES:
        assert case.cause in CAUSES
        assert set(case.right) | set(case.follows) <= set(FINDINGS)
        for suspects in case.apart.values():
            assert set(suspects) <= set(SUSPECTS) - set(CAUSES[case.cause].suspects)
        assert any(case.visible(fitted) for fitted in SENSE_SETS.values())
        assert case.at_s + 1800 < case.length_s


def test_bench_breaks_most_suspects():
    """At least 24 of the 28 suspects are among the true causes of its cases."""
    true = {suspect for case in CASES for suspect in CAUSES[case.cause].suspects}
    assert len(true) >= 24


def test_units_come_from_their_seed():
    """The same seed, the same units; about one in seven is sound; each broken one can be seen with its senses."""
    made = units(200, seed=5)
    assert made == units(200, seed=5) != units(200, seed=6)
    sound = sum(unit.case is None for unit in made)
    assert 15 <= sound <= 48
    assert all(unit.case.visible(SENSE_SETS[unit.senses]) for unit in made if unit.case)


QUICK = tuple(case for case in CASES if case.length_s <= 6 * 3600)


def test_small_bench_is_right_nine_times_in_ten():
    """A dozen seeded units with quick faults, judged by the real engine: at least 90 % correct."""
    scores = bench.run(12, seed=11, cases=QUICK)
    wrong = [(row.case, row.seed, row.outcome, row.detail) for row in scores if row.outcome != "correct"]
    assert len(wrong) <= 1, wrong


def test_same_unit_same_score():
    """Judging is repeatable."""
    unit = units(1, seed=11, cases=[case for case in CASES if case.cause == "contacts-fouled"], healthy_share=0.0)[0]
    assert judge(unit) == judge(unit)


def test_sound_unit_through_trouble_stays_silent():
    """Four days with an outage of minutes, sags, glitches, lost scans: only what the outage explains."""
    assert {cause.name for cause in trouble(3, 60.0)} >= {"outage", "line-sag", "senses-glitch", "scans-lost"}
    year = unit_year(3, 4.0)
    assert year.raised == ()


def test_pages_count_every_unit():
    """Summary, causes and confusion each add up to all units; failures list each that is not correct."""
    scores = [
        score(Unit(CASE, "all", 1), [change(PULL_IN, 4000, "coil-open")], BREAK_S),
        score(Unit(CASE, "line", 2), [], BREAK_S),
        score(Unit(None, "all", 3), [], 1e9),
    ]
    assert "| all | 3 | 2 (67 %) | 0 (0 %) | 1 (33 %) |" in bench.summary(scores)
    assert "| coil-burnt-open | 2 |" in bench.by_case(scores)
    assert "| coil-open | 1 | 1 |" in bench.confusion(scores)
    assert bench.failures(scores).count("\n") == 2
    page = bench.page(scores)
    assert all(kind in page for kind in CLASSES)
