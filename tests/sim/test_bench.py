"""The accuracy bench: its classes by hand-made changes, its units from seeds, its page, a small run of the engine."""

from __future__ import annotations

import pickle
from collections import Counter
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import binomtest, chi2

from condenser_monitor.monitor.cli import main
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.records import Change, ChangeKind, Severity
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.sim import bench, bench_pages
from condenser_monitor.sim.bench import (
    CLASSES,
    BenchScore,
    BenchUnit,
    Played,
    SensorWorth,
    Year,
    judge,
    score,
    sound_units,
    trouble,
    unit_of,
    unit_years,
    units,
)
from condenser_monitor.sim.bench_cases import CASES, KINDS, QUICK, RATES, SENSE_SETS, BenchCase
from condenser_monitor.sim.causes import CAUSES
from condenser_monitor.sim.designs import DESIGNS
from tests.size import long_one

COIL = BenchCase("coil-burnt-open")
PULL_IN = "call-without-pull-in"


def change(finding: str, suspects: str = "") -> Change:
    return Change(
        t_s=4000.0,
        change=ChangeKind.RAISED,
        finding=finding,
        severity=Severity.URGENT,
        suspects=tuple(suspects.split()),
        evidence={},
        summary="",
    )


def played(case: BenchCase | None, true: list[Change], untrue: list[Change], senses: str = "all") -> Played:
    """A unit whose world was lived to the end without an engine, with changes made by hand."""
    unit = Played(BenchUnit(case, senses, 7, extra="missing cells"))
    for _ in unit.read():
        pass
    unit.true, unit.untrue = true, untrue
    return unit


@pytest.mark.parametrize(
    ("senses", "true", "untrue", "outcome"),
    [
        ("all", [change(PULL_IN, "coil-open loose-connection")], [], "correct"),
        ("all", [change(PULL_IN, "loose-connection coil-open")], [], "correct"),
        ("all", [change(PULL_IN, "armature-blocked")], [], "misdiagnosed"),
        ("all", [change(PULL_IN)], [], "no answer"),
        ("all", [], [], "missed"),
        ("least", [], [], "missed"),
        ("all", [], [change("line-supply-lost", "line-supply-off")], "false alarm"),
        ("all", [change(PULL_IN, "coil-open")], [change("line-supply-lost", "line-supply-off")], "false alarm"),
    ],
)
def test_five_classes(senses: str, true: list[Change], untrue: list[Change], outcome: str) -> None:
    """Each class by changes made by hand, of a unit whose coil truly burns open."""
    assert score(played(COIL, true, untrue, senses)).outcome == outcome


def test_place_of_the_true_cause_is_counted() -> None:
    """Second of three."""
    row = score(played(COIL, [change(PULL_IN, "loose-connection coil-open contacts-not-making")], []))
    assert (row.place, row.listed, row.named) == (2, 3, "loose-connection")


def test_silence_that_the_sensors_excuse_is_no_answer() -> None:
    """A float switch behind an outdoor-only monitor, for five hours."""
    unit = Played(BenchUnit(BenchCase("float-switch-open"), "currents", 7))
    for _ in unit.read():
        pass
    assert score(unit).outcome == "no answer"


def test_cases_name_real_things() -> None:
    """Causes and readings exist; each case leaves time after its break; most suspects are among their causes."""
    for case in CASES:
        assert case.cause in CAUSES
        assert case.at_s + 1800 < case.length_s
        assert any(case.fits(DESIGNS[name]) for name in KINDS)
    true = {suspect for case in CASES for suspect in CAUSES[case.cause].suspects}
    assert len(true) >= 0.85 * len(SUSPECTS)


def test_units_come_from_their_seed_and_none_is_dropped() -> None:
    """The same seed, the same units; about one in seven is sound; every case, set, rate and mixture comes."""
    made = units(400, seed=5)
    assert made == units(400, seed=5) != units(400, seed=6)
    assert made[:50] == units(50, seed=5)
    assert 35 <= sum(unit.case is None for unit in made) <= 85
    assert {unit.case for unit in made if unit.case} == set(CASES)
    assert {unit.senses for unit in made} == set(SENSE_SETS)
    assert {unit.rate for unit in made} == set(RATES)
    assert Counter(unit.extra for unit in made)["plain"] > 150
    assert all(unit.second.cause != unit.case.cause for unit in made if unit.second and unit.case)


@pytest.mark.parametrize(
    ("rate", "least_s", "most_s"), [("1 s", 0.0, 10.1), ("10 s", 10.0, 20.0), ("60 s", 60.0, 71.0)]
)
def test_scans_come_as_often_as_the_rate_says(rate: str, least_s: float, most_s: float) -> None:
    """Whole scans alone where the monitor is slow."""
    unit = Played(BenchUnit(COIL, "outdoor", 3, rate))
    times = [item.t_s for item in unit.read()]
    steps = [b - a for a, b in pairwise(times)]
    assert min(steps) >= least_s - 1e-6
    assert max(steps) <= most_s


def test_a_stuck_sensor_and_missing_cells_are_mixed_in() -> None:
    """From its time on, the sensor says one thing only; three cells in a hundred are empty."""
    stuck = next(Played(BenchUnit(COIL, "all", number, extra="stuck sensor")) for number in range(3, 9))
    assert stuck.lie is not None
    name, value, from_s = stuck.lie
    assert {getattr(item, name) for item in stuck.read() if item.t_s >= from_s} <= {value, None}
    holes = Played(BenchUnit(COIL, "outdoor", 3, extra="missing cells"))
    scans = [item for item in holes.read() if getattr(item, "outdoor_c", None) is not None]
    empty = sum(getattr(item, "control_v", 0.0) is None for item in scans)
    assert 0.01 < empty / len(scans) < 0.06


@long_one
def test_of_some_units_nobody_has_declared_more_than_the_label() -> None:
    """Three in ten of the plain ones, whatever they are; their amperes stand in the site file, and no kind or timer."""
    drawn = units(400, seed=5)
    plain = [unit for unit in drawn if unit.extra in ("plain", "undeclared")]
    share = sum(unit.extra == "undeclared" for unit in plain) / len(plain)
    assert 0.2 < share < 0.4
    for unit in (one for one in drawn if one.extra == "undeclared"):
        rig = Played(unit).rig
        label = rig.settings.unit
        assert label == rig.world.plan.design.label()
        assert (label.kind, label.fan_control, label.heat_pump) == (Unit().kind, Unit().fan_control, False)
        if rig.world.plan.design.kind == "variable-speed":
            return
    raise AssertionError("no drive among them")


def test_small_bench_is_mostly_right() -> None:
    """Ten seeded units with quick faults, judged by the real engine: at most two missed, misdiagnosed or alarmed."""
    scores = list(bench.each(judge, bench.units(10, 11, QUICK)))
    wrong = [(row.case, row.seed, row.detail) for row in scores if row.outcome not in ("correct", "no answer")]
    assert len(wrong) <= 2, wrong


@long_one
def test_processes_share_the_work_and_keep_the_order() -> None:
    """Two processes give what one gives; every case can be sent to them."""
    todo = units(4, seed=12, cases=QUICK, healthy_share=0.0)
    assert list(bench.each(judge, todo, jobs=2)) == [judge(unit) for unit in todo]
    for case in CASES:
        assert pickle.loads(pickle.dumps(case)) == case


@long_one
def test_sound_unit_through_trouble_stays_silent() -> None:
    """Four days with an outage of minutes, sags, glitches, lost scans: only what is so."""
    assert {cause.name for cause in trouble(3, 60.0)} >= {"outage", "line-sag", "senses-glitch", "scans-lost"}
    years = unit_years(sound_units(1, 3, 4.0)[0])
    assert [year.raised for year in years] == [()] * len(RATES)


def test_sound_units_are_of_every_kind_and_heard_at_every_rate() -> None:
    """Seven of them, a quarter of a day each: each kind at each scan rate."""
    heard = [year for unit in sound_units(len(KINDS), 1, 0.25) for year in unit_years(unit)]
    assert {(year.kind, year.rate) for year in heard} == {(kind, rate) for kind in KINDS for rate in RATES}


def row(outcome: str, place: int = 0, **more: Any) -> BenchScore:
    about: dict[str, Any] = {"case": "coil-burnt-open", "kind": "three-ton", "suspect": "coil-open", "senses": "all"}
    named = {"place": place, "alike_place": place, "split": True, "named": "coil-open"}
    listed = named | {"listed": 4, "checks": 2, "sure": True} if place else {}
    return BenchScore(**(about | {"rate": "1 s", "extra": "plain", "seed": 5, "outcome": outcome} | listed | more))


SCORES = [row("correct", 1), row("missed", senses="line"), row("correct", case="sound", suspect="-")]


def test_interval_is_wilsons() -> None:
    """The same as scipy's, for many counts."""
    for count, total in ((0, 1), (0, 20), (3, 17), (50, 100), (199, 200), (7, 7)):
        theirs = binomtest(count, total).proportion_ci(0.95, "wilson")
        assert bench_pages.interval(count, total) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_the_interval_of_a_count_is_garwoods() -> None:
    """Against quantiles of chi squared (scipy), which Garwood's limits are (Biometrika 28, 1936), and for no event and
    for one against the usual tables (from memory): 0 to 3.689, 0.0253 to 5.572."""
    assert bench_pages.count_interval(0) == pytest.approx((0.0, 3.689), abs=5e-4)
    assert bench_pages.count_interval(1) == pytest.approx((0.0253, 5.572), abs=5e-4)
    for count in (2, 7, 40):
        theirs = (chi2.ppf(0.025, 2 * count) / 2, chi2.ppf(0.975, 2 * count + 2) / 2)
        assert bench_pages.count_interval(count) == pytest.approx(theirs, rel=1e-9)


def test_page_counts_every_unit() -> None:
    """Classes, suspects, causes and confusion each add up to all units; failures list each; seed and date stand."""
    day = datetime(2026, 7, 1, tzinfo=UTC)
    sensors = [SensorWorth("coil_a", 9, (8, 7), (6, 3))]
    years = [Year(1, 365.0, (), 3, "three-ton"), Year(2, 365.0, ("long-run at 5 s {}",), 0, "five-ton", "60 s")]
    text = bench_pages.page(SCORES, years, sensors, seed=77, day=day)
    assert "Made on 2026-07-01 with seed 77" in text
    assert "| all units | 3 | 67 % (21 to 94) | 0 % (0 to 56) | 33 % (6 to 79) |" in text
    assert "| broken | 2 | 50 % (9 to 91) |" in text
    sure = "100 % (21 to 100)"
    assert f"| all | 1 | {sure} | {sure} | {sure} | {sure} | 1 | {sure} | {sure} | 4.0 | 2.0 |" in text
    assert "| coil-burnt-open | 2 | 1 |  | 1 |" in text
    assert "| coil-open | 2 | 1 | - 1 |" in text
    assert "| 5 | coil-burnt-open | line | 1 s | plain | missed |" in text
    assert "| all | 2 | 2.00 | 1 | 0.5 (0.0 to 2.8) | 3 |" in text
    assert "| 2 | five-ton | 60 s | long-run at 5 s {} |" in text
    assert "| `coil_a` | 8 of 9 | 7 of 9 | 6 | 3 |" in text
    assert all(kind in text for kind in CLASSES)
    assert bench_pages.failures(SCORES[:1]).startswith("No unit is")


def test_unit_is_found_again_by_its_number() -> None:
    """The number in the table of failures gives the same unit."""
    assert [unit_of(unit.seed) for unit in units(9, seed=2026)] == units(9, seed=2026)


def test_command_tells_tables_and_fails_on_what_is_not_correct(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """`accuracy` prints the page on stdout or writes it, how far it is on stderr; status 1 when a unit is not correct,
    2 for a wrong argument."""
    made = {"scores": SCORES[:1]}
    monkeypatch.setattr(bench, "each", lambda work, todo, jobs: iter(made["scores"] if work is judge else []))
    assert main(["accuracy", "--units", "1"]) == 0
    assert "No unit is missed" in capsys.readouterr().out
    made["scores"] = SCORES
    assert main(["accuracy", "--units", "3", "--page", str(tmp_path / "page.md")]) == 1
    told = capsys.readouterr()
    assert "accuracy --again UNIT" in (tmp_path / "page.md").read_text(encoding="utf-8")
    assert "2/3 units: missed, unit 5 (coil-burnt-open, line)" in told.err
    assert main(["accuracy", "--units", "-1"]) == 2
    assert main(["accuracy", "--units", "0", "--days", "0"]) == 2
    assert main(["accuracy", "--units", "0", "--page", str(tmp_path)]) == 2


def test_command_fails_on_a_false_alarm_of_a_sound_year(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Status 1 when a sound unit-year had a false alarm."""
    years = [(Year(5, 365.0, ("long-run",), 0),)]
    monkeypatch.setattr(bench, "each", lambda work, todo, jobs: iter(years if work is unit_years else []))
    assert main(["accuracy", "--units", "0", "--years", "1"]) == 1
    assert "1/1 sound units: 1 false alarms" in capsys.readouterr().err


def test_one_unit_is_played_again(capsys: pytest.CaptureFixture[str]) -> None:
    """`accuracy --again` tells the unit, its break, each change and its class."""
    many = units(6 * len(CASES), seed=6)
    plain = (u for u in many if u.case and u.case.cause == "contacts-fouled" and (u.rate, u.extra) == ("1 s", "plain"))
    assert main(["accuracy", "--again", str(next(plain).seed)]) == 0
    told = capsys.readouterr().out
    assert "contacts-fouled, 1 s, plain" in told
    assert "raised" in told
    assert "correct: call-without-" in told
    assert main(["accuracy", "--again", "-5"]) == 2


def test_what_a_sensor_is_worth_is_counted_with_and_without_it() -> None:
    """Each optional reading left out in turn, as if the unit had been played without it by itself: without the indoor
    board's look at the control fuse, nothing tells that it is open."""
    (case,) = (case for case in QUICK if case.cause == "control-fuse-open")
    rows = {one.reading: one for one in bench.sensor_worth(1, 9, cases=[case])}
    assert set(rows) == set(SENSE_SETS["all"]) - {"call", "compressor_a"}
    alone = Played(BenchUnit(case, "all", 900_000, without="control_power"))
    alone.play()
    found = score(alone)
    assert rows["control_power"].correct == (1, int(found.place > 0))
    assert rows["control_power"].first == (1, int(found.place == 1))
    assert rows["coil_v"].first == (1, 1)
