"""The life of an alarm, its figures, and what proves a repair, on both sides of each border.

A number that moves by half, or twice as far, asks a household for too little proof or too much, counts another story,
or calls a quiet system flooded. Figures of ISA-18.2 are as an alarm-system self-audit page has them.
"""

from __future__ import annotations

from itertools import accumulate

import pytest

from condenser_monitor.monitor.alarms.alarm_manager import AlertMetrics
from condenser_monitor.monitor.alarms.episodes import EpisodeBook, Stands, Trial, by_cause
from condenser_monitor.monitor.core.findings import CATALOGUE, Proof
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.load_state import MonotonicTime
from condenser_monitor.monitor.core.records import AlertState, ChangeKind, Diagnosed, Severity
from tests.monitor.alarm_tools import Bench

FAN, LOCKED, HOT = "fan-not-running", "locked-rotor", "high-running-current"
MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0


# ---------------------------------------------------------------- requests and figures


@pytest.mark.parametrize(("minutes", "taken"), [(5.0, False), (9.0, True)])
def test_a_snooze_of_minutes_is_a_slip(minutes: float, taken: bool) -> None:
    """ALARMS.hours_least."""
    bench = Bench()
    bench.raised(FAN)
    assert bench.ask("shelve", FAN, minutes / 60.0).done is taken


@pytest.mark.parametrize(
    ("number", "times", "chatter"),
    [
        ("chatter_times", (0.0, 10.0), 0),
        ("chatter_times", (0.0, 10.0, 20.0), 1),
        ("chatter_s", (0.0, 20.0, 40.0), 1),
        ("chatter_s", (0.0, 45.0, 90.0), 0),
    ],
)
def test_three_times_in_a_minute_is_chatter(number: str, times: tuple[float, ...], chatter: int) -> None:
    """`number`, of ALARMS; ISA-18.2, as the self-audit page has it."""
    metrics = AlertMetrics()
    for at_s in times:
        metrics.raised(FAN, at_s)
    assert sum(metrics.report(100.0, {})["chatter"].values()) == chatter, number


@pytest.mark.parametrize(("alarms", "flood"), [(8, False), (11, True)])
def test_more_than_ten_alarms_in_ten_minutes_are_a_flood(alarms: int, flood: bool) -> None:
    """ALARMS.flood_from; ISA-18.2 and EEMUA 191."""
    metrics = AlertMetrics()
    for _ in range(alarms):
        metrics.count_alarm(FAN, Severity.URGENT, 1000.0)
    assert metrics.report(1001.0, {})["flood"]["now"] is flood


def test_the_aims_of_priority_are_the_usual_split() -> None:
    """ALARMS.share_urgent, share_soon, share_watch: about 5, 15 and 80 % (ISA-18.2, by a blog on it)."""
    aims = {name: row["aim"] for name, row in AlertMetrics().report(1.0, {})["severity"].items()}
    assert aims == pytest.approx({"urgent": 0.05, "soon": 0.15, "watch": 0.80}, rel=0.1)


# ---------------------------------------------------------------- what proves a repair


def _proved(row: Proof, runs: list[tuple[float, float]], trial: Trial, outdoor_c: float | None = None) -> bool:
    """Whether runs that work (begun at, s; for, s) prove it."""
    proved = False
    for at_s, for_s in runs:
        for x_s in (at_s, at_s + for_s):
            proved |= trial.proved(row._replace(works=lambda _: True), Facts(), x_s, outdoor_c)
        trial.proved(row._replace(works=lambda _: False), Facts(), at_s + for_s + 1.0, outdoor_c)
    return proved


ONCE, LONG_RUN, DAY_LONG = CATALOGUE[FAN].proof, CATALOGUE[LOCKED].proof, CATALOGUE[HOT].proof


def _runs(*at_h: float, for_s: float = 1200.0) -> list[tuple[float, float]]:
    return [(hour * HOUR, for_s) for hour in at_h]


PROOFS = [
    # number, what proves it, hours at which a run of 20 min begins, whether that is enough
    ("times", Proof(), _runs(0.0, 13.0), False),
    ("times", Proof(), _runs(0.0, 7.0, 13.0), True),
    ("span_s", Proof(), _runs(0.0, 4.0, 8.0), False),
    ("span_s", Proof(), _runs(0.0, 8.0, 16.0), True),  # morning and afternoon
    ("day_s", DAY_LONG, _runs(0.0, 9.0, 18.0), False),
    ("day_s", DAY_LONG, _runs(0.0, 15.0, 30.0), True),  # a day with its hottest hour
]


@pytest.mark.parametrize(("number", "row", "runs", "enough"), PROOFS)
def test_runs_prove_a_repair_from_there(number: str, row: Proof, runs: list[tuple[float, float]], enough: bool) -> None:
    """`number`, of PROOF."""
    assert _proved(row, runs, Trial(called=True)) is enough, number


@pytest.mark.parametrize(
    ("number", "row", "for_s", "enough"),
    [
        ("run_s", Proof(), 200.0, False),
        ("run_s", Proof(), 400.0, True),
        ("long_run_s", LONG_RUN, 600.0, False),  # an overload protector trips within a quarter of an hour in the heat
        ("long_run_s", LONG_RUN, 1200.0, True),
    ],
)
def test_a_run_counts_from_there(number: str, row: Proof, for_s: float, enough: bool) -> None:
    """`number`, of PROOF; after a person's word one run is enough."""
    assert _proved(row, [(0.0, for_s)], Trial(called=True, word=True)) is enough, number


@pytest.mark.parametrize(("worked_s", "returns"), [(40.0, 0), (90.0, 1)])
def test_what_worked_for_a_minute_has_come_back(worked_s: float, returns: int) -> None:
    """PROOF.worked_s: a flicker is no repair that failed."""
    trial = Trial(called=True)
    _proved(Proof(), [(0.0, worked_s)], trial)
    trial.failed(Facts(), None)
    assert trial.returns == returns


@pytest.mark.parametrize(
    ("at_h", "enough"),
    [
        ((0.0, 10.0, 20.0, 30.0), False),
        ((0.0, 15.0, 30.0, 45.0, 60.0, 80.0), True),
    ],
)
def test_what_came_back_often_is_asked_for_three_days_more_and_no_more(at_h: tuple[float, ...], enough: bool) -> None:
    """PROOF.returns_most: after five returns as after three."""
    assert _proved(Proof(), _runs(*at_h), Trial(called=True, returns=5)) is enough


@pytest.mark.parametrize(("outdoor_c", "counts"), [(33.0, True), (31.0, False)])
def test_what_failed_in_heat_is_proved_in_heat(outdoor_c: float, counts: bool) -> None:
    """PROOF.cooler_k: it failed at 35 °C; two sensors' errors and a day's luck are 2 K, a milder day is no proof."""
    trial = Trial(called=True, outdoor_c=35.0, word=True)
    assert _proved(DAY_LONG._replace(in_heat=True), _runs(0.0), trial, outdoor_c) is counts


# ---------------------------------------------------------------- one story or two


@pytest.mark.parametrize(("after_h", "same"), [(18.0, True), (36.0, False)])
def test_what_comes_back_within_a_day_is_the_same_story(after_h: float, same: bool) -> None:
    """EPISODES.reopen_h."""
    bench = Bench()
    bench.raised(FAN)
    bench.cleared(FAN)
    (first,) = bench.desk.episode_book.memory.stories
    bench.wait(after_h * HOUR)
    bench.raised(FAN)
    found = bench.desk.episode_book.find(FAN)
    assert found is not None
    assert (found.number == first.number) is same


@pytest.mark.parametrize(
    ("number", "apart_h", "often"),
    [
        ("often_times", (9.0,), False),
        ("often_times", (5.0, 5.0), True),
        ("often_s", (9.0, 9.0), True),
        ("often_s", (15.0, 15.0), False),
    ],
)
def test_a_third_time_within_a_day_comes_and_goes(number: str, apart_h: tuple[float, ...], often: bool) -> None:
    """`number`, of EPISODES."""
    bench = Bench()
    bench.raised(FAN)
    for hours in apart_h:
        bench.cleared(FAN)
        bench.wait(hours * HOUR)
        bench.raised(FAN)
    found = bench.desk.episode_book.find(FAN)
    assert found is not None
    assert found.often is often, (number, list(accumulate(apart_h)))


@pytest.mark.parametrize(("share", "parts"), [(0.15, [{"x"}, {"y"}]), (0.3, [{"x", "y"}])])
def test_a_loose_joint_is_one_cause_of_two_findings_only_where_it_is_likely(
    share: float, parts: list[set[str]]
) -> None:
    """EPISODES.share: anything can be put down to a joint."""
    explained = {"x": ("a", "loose-connection"), "y": ("loose-connection",)}
    assert by_cause({"a": 0.5, "loose-connection": share}, explained) == parts


@pytest.mark.parametrize(("share", "stories"), [(0.4, 2), (0.7, 1)])
def test_two_stories_are_one_where_one_cause_is_likelier_than_all_others(share: float, stories: int) -> None:
    """EPISODES.merge_share."""
    book = EpisodeBook(MonotonicTime())
    first: dict[str, tuple[str, ...]] = {FAN: ("fan-motor",), "slow-start": ("run-capacitor",)}
    later: dict[str, tuple[str, ...]] = {FAN: ("fan-motor",), "slow-start": ("run-capacitor", "fan-motor")}
    for x_s, behind in enumerate((first, later)):
        for finding, suspects in behind.items():
            seen = Stands(finding, Severity.URGENT, suspects, float(x_s), None, Facts(), None)
            book.stand(seen, told=True, paused=False)
    assert len(book.memory.stories) == 2
    shares = (("fan-motor", share), ("run-capacitor", 0.9 - share))
    found = Diagnosed(
        t_s=2.0,
        change=ChangeKind.REVISED,
        findings=tuple(later),
        suspects=shares,
        because=(),
        distrusted=(),
        next_check=None,
        summary="",
    )
    book.diagnose(found)
    assert len(book.memory.stories) == stories


# ---------------------------------------------------------------- how long it must stay gone

# hours that are not yet the end of it, hours after which it is over (all_clear_s of each finding)
FLAPS = (200 / 3600, 450 / 3600)  # its sense tells it at all times: a few minutes without it are no flapping
RESTS = (0.75, 1.5)  # it shows under a call alone: the rest between two calls is often three quarters of an hour
TRIPS = (2.2, 4.5)  # a hot protector takes two hours and more to close again (service pages), and then it shows
DAILY = (18.0, 36.0)  # a habit of the day: a night alone does not end it
ALL_CLEAR = {
    "line-supply-lost": FLAPS,
    "control-power-lost": FLAPS,
    "no-call-in-heat": FLAPS,
    "overdue-call": FLAPS,
    "sensing-disagrees": FLAPS,
    "sensor-silent": FLAPS,
    "locked-rotor": TRIPS,
    "overload-cycling": TRIPS,
    "run-capacitor-weak": DAILY,
    "hot-discharge": DAILY,
    "short-cycling": DAILY,
    "slow-start": DAILY,
    "long-run": DAILY,
}


@pytest.mark.parametrize("finding", CATALOGUE)
def test_a_finding_is_over_when_it_has_stayed_gone_for_as_long_as_it_may_hide(finding: str) -> None:
    """all_clear_s: not while it may come back with the next call, and not days later."""
    hides_h, over_h = ALL_CLEAR.get(finding, RESTS)
    for hours, over in ((hides_h, False), (over_h, True)):
        bench = Bench()
        bench.raised(finding)
        bench.ask("acknowledge", finding)
        bench.cleared(finding, repaired=False)
        bench.wait(hours * HOUR)
        assert (bench.state(finding) is not AlertState.ACKED) is over, hours
