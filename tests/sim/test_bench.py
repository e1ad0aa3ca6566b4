"""The accuracy bench: its classes by hand-made changes, its units from seeds, and a small run of the real engine."""

from __future__ import annotations

import pickle
from typing import Any

import pytest

from condenser_monitor.monitor.cli import main
from condenser_monitor.monitor.core.records import Change, ChangeKind, Severity
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.limits import FINDINGS
from condenser_monitor.sim import bench, bench_pages
from condenser_monitor.sim.bench import (
    CLASSES,
    BenchUnit,
    Year,
    judge,
    score,
    trouble,
    unit_of,
    unit_year,
    units,
)
from condenser_monitor.sim.bench_cases import CASES, SENSE_SETS, BenchCase
from condenser_monitor.sim.causes import CAUSES

CASE = BenchCase(
    "coil-burnt-open", {"call-without-pull-in": ("call", "load")}, apart={"coil_a": ("contacts-not-making",)}
)
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
def test_five_classes(senses: Any, changes: Any, outcome: Any) -> None:
    """Each class by changes made by hand; a revision counts while the finding stands, not after."""
    assert score(BenchUnit(CASE, senses, 1), changes, BREAK_S).outcome == outcome


@pytest.mark.parametrize(("changes", "outcome"), [([], "correct"), ([change(PULL_IN, 5, "coil-open")], "false alarm")])
def test_sound_units_must_stay_silent(changes: Any, outcome: Any) -> None:
    """Silence about a sound unit is correct; anything else is a false alarm."""
    assert score(BenchUnit(None, "all", 1), changes, 1e9).outcome == outcome


def test_cases_name_real_things() -> None:
    """Causes, findings, senses and suspects exist; every case can be seen with some set of senses."""
    for case in CASES:
        assert case.cause in CAUSES
        assert set(case.right) | set(case.follows) <= set(FINDINGS)
        for suspects in case.apart.values():
            assert set(suspects) <= set(SUSPECTS) - set(CAUSES[case.cause].suspects)
        assert any(case.visible(fitted) for fitted in SENSE_SETS.values())
        assert case.at_s + 1800 < case.length_s


def test_bench_breaks_most_suspects() -> None:
    """At least 24 of the 28 suspects are among the true causes of its cases."""
    true = {suspect for case in CASES for suspect in CAUSES[case.cause].suspects}
    assert len(true) >= 24


def test_units_come_from_their_seed() -> None:
    """The same seed, the same units; about one in seven is sound; each broken one can be seen with its senses."""
    made = units(200, seed=5)
    assert made == units(200, seed=5) != units(200, seed=6)
    sound = sum(unit.case is None for unit in made)
    assert 15 <= sound <= 48
    assert all(unit.case.visible(SENSE_SETS[unit.senses]) for unit in made if unit.case)


QUICK = tuple(case for case in CASES if case.length_s <= 6 * 3600)


def test_small_bench_is_right_nine_times_in_ten() -> None:
    """A dozen seeded units with quick faults, judged by the real engine: at least 90 % correct."""
    scores = bench.run(12, seed=11, cases=QUICK)
    wrong = [(row.case, row.seed, row.outcome, row.detail) for row in scores if row.outcome != "correct"]
    assert len(wrong) <= 1, wrong


def test_processes_share_the_work_and_keep_the_order() -> None:
    """Two processes give what one gives; every case can be sent to them."""
    todo = units(6, seed=11, cases=QUICK)
    assert list(bench.each(todo, jobs=2)) == [judge(unit) for unit in todo]
    for case in CASES:
        assert pickle.loads(pickle.dumps(case)) == case


def test_same_unit_same_score() -> None:
    """Judging is repeatable."""
    unit = units(1, seed=11, cases=[case for case in CASES if case.cause == "contacts-fouled"], healthy_share=0.0)[0]
    assert judge(unit) == judge(unit)


def test_sound_unit_through_trouble_stays_silent() -> None:
    """Four days with an outage of minutes, sags, glitches, lost scans: only what the outage explains."""
    assert {cause.name for cause in trouble(3, 60.0)} >= {"outage", "line-sag", "senses-glitch", "scans-lost"}
    year = unit_year(3, 4.0)
    assert year.raised == ()


SCORES = [
    score(BenchUnit(CASE, "all", 1), [change(PULL_IN, 4000, "coil-open")], BREAK_S),
    score(BenchUnit(CASE, "line", 2), [], BREAK_S),
    score(BenchUnit(None, "all", 3), [], 1e9),
]


def test_pages_count_every_unit() -> None:
    """Summary, causes and confusion each add up to all units; failures list each that is not correct."""
    assert "| any | 3 | 2 (67 %) | 0 (0 %) | 1 (33 %) |" in bench_pages.summary(SCORES)
    assert "| coil-burnt-open | 2 |" in bench_pages.by_case(SCORES)
    assert "| coil-open | 1 | 1 |" in bench_pages.confusion(SCORES)
    assert "| 2 | coil-burnt-open | line | missed |" in bench_pages.failures(SCORES)
    assert bench_pages.failures(SCORES[:1]) == "Every unit is correct."
    assert "true one in 1 of 1" in bench_pages.first_named(SCORES)
    assert all(kind in bench_pages.page(SCORES) for kind in CLASSES)


def test_false_alarms_are_told_a_unit_year() -> None:
    """Two false alarms in half a year of watching are four a unit-year; explained findings are none."""
    alarmed = score(BenchUnit(CASE, "all", 4), [change(PULL_IN, 1, "coil-open")], BREAK_S)
    scores = [row._replace(watched_s=365 * 86400 / 4) for row in (alarmed, alarmed)]
    assert (
        bench_pages.false_alarms(scores) == "2 units with a false alarm in 0.50 unit-years watched, 4.00 a unit-year."
    )
    years = [Year(1, 365.0, (), 3), Year(2, 365.0, ("long-run at 5 s {}",), 0)]
    said = bench_pages.sound_years(years)
    assert "1 false alarms in 2.00 sound unit-years" in said
    assert "0.50 a unit-year; 3 findings" in said
    assert "| 2 | long-run at 5 s {} |" in said


def test_units_watched_are_counted_in_seconds() -> None:
    """Each score carries how long its unit was watched."""
    assert [row.watched_s for row in SCORES] == [CASE.length_s, CASE.length_s, 86400.0]


def test_unit_is_found_again_by_its_number() -> None:
    """The number in the table of failures gives the same unit."""
    assert [unit_of(unit.seed) for unit in units(9, seed=4)] == units(9, seed=4)


def test_command_tells_tables_and_fails_on_what_is_not_correct(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`accuracy` prints the tables on stdout, how far it is on stderr; status 1 when a unit is not correct, 2 for a
    wrong argument."""
    made = {"scores": SCORES[:1]}
    monkeypatch.setattr(bench, "each", lambda todo, jobs: iter(made["scores"]))
    assert main(["accuracy", "--units", "1"]) == 0
    assert "Every unit is correct." in capsys.readouterr().out
    made["scores"] = SCORES
    assert main(["accuracy", "--units", "3"]) == 1
    told = capsys.readouterr()
    assert "accuracy --again UNIT" in told.out
    assert "2/3 units: missed, unit 2 (coil-burnt-open, line)" in told.err
    assert main(["accuracy", "--units", "-1"]) == 2


def test_command_fails_on_a_false_alarm_of_a_sound_year(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Status 1 when a sound unit-year had a false alarm."""
    monkeypatch.setattr(bench, "each_year", lambda seeds, jobs: iter([Year(5, 365.0, ("long-run",), 0)]))
    assert main(["accuracy", "--units", "0", "--years", "1"]) == 1
    assert "1/1 unit-years: 1 false alarms" in capsys.readouterr().err


def test_one_unit_is_played_again(capsys: pytest.CaptureFixture[str]) -> None:
    """`accuracy --again` tells the unit, its break, each change and its class."""
    many = units(4 * len(CASES), seed=6)
    number = next(unit.seed for unit in many if unit.case and unit.case.cause == "contacts-fouled")
    assert main(["accuracy", "--again", str(number)]) == 0
    told = capsys.readouterr().out
    assert f"unit {number}: contacts-fouled" in told
    assert "raised" in told
    assert "correct: call-without-" in told
    assert main(["accuracy", "--again", "-5"]) == 2
