"""The benches measure what they say: the library's machine is the same machine, and the floors do the same work."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec
import pytest

from condenser_monitor.monitor.core import config, cycle
from condenser_monitor.monitor.core.findings import ROWS
from condenser_monitor.monitor.core.records import Change, CycleState
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.bench_cases import BenchCase
from tests.benchmarks import household, machines, past, sensing
from tests.benchmarks.__main__ import CASES, main
from tests.benchmarks.table import (
    Row,
    cost,
    rate,
    took_each_s,
)
from tests.conftest import need
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    but,
    events,
    scans,
)
from tests.size import long_one


def test_the_librarys_machine_goes_through_the_same_states() -> None:
    """Over a plain hour, signal by signal, the same state as the table's."""
    need("transitions", importlib.util.find_spec("transitions") is not None)
    from tests.benchmarks import library

    mover = library.cycle_machine()
    act, state, seen = library.triggers(mover), CycleState.UNKNOWN, set()
    for believed in machines.facts_of(machines.story()):
        signals = cycle.signals(believed)
        for signal in signals:
            act[signal]()
        state = cycle.step(state, signals)
        assert mover.state == state.value
        seen.add(state)
    assert seen >= {CycleState.IDLE, CycleState.RUNNING}


FAULTS = (
    *((60.0, REST), (900.0, RUN), (60.0, REST), (60.0, but(RUN, load=False, coil_a=0.0, compressor_a=0.0, fan_a=0.0))),
    *((120.0, RUN), (400.0, but(RUN, fan_a=0.0)), (200.0, RUN), (60.0, REST), (40.0, but(REST, supply=False))),
    *((60.0, REST), (120.0, but(RUN, control_v=17.0)), (60.0, RUN), (60.0, REST), (700.0, but(RUN, compressor_a=18.0))),
    *((60.0, REST), (60.0, but(REST, control_power=False)), (30.0, REST), (200.0, but(RUN, compressor_a=60.0))),
    *((90.0, REST), (90.0, but(REST, load=True, compressor_a=9.0, fan_a=1.0)), (60.0, REST)),
    *((30.0, but(RUN, call=None, control_v=None)), (60.0, RUN), (60.0, but(REST, thermostat=True)), (60.0, REST)),
)


def test_the_librarys_core_raises_and_clears_the_same() -> None:
    """Thirteen faults one after the other: the same findings at the same seconds, but for the counters of patterns."""
    need("transitions", importlib.util.find_spec("transitions") is not None)
    from tests.benchmarks import library

    stream = list(scans(*FAULTS))
    core = library.Core(machines.SETTINGS, ALL)
    said = [change for scan in stream for change in core.take(scan)]
    found = [(e.t_s, e.change.value, e.finding) for e in events(stream, machines.SETTINGS) if isinstance(e, Change)]
    plain = {row.name for row in ROWS if row.condition is not None}
    assert said == [change for change in found if change[1] != "revised" and change[2] in plain]
    assert len({finding for _, _, finding in said}) >= 8


def test_both_ends_of_the_replays_ratio_read_the_same_rows(tmp_path: Path) -> None:
    """As many rows through csv and float as through reader and engine."""
    stream = machines.story(hours=0.5)
    past.write(tmp_path / "r.csv", stream)
    assert past.parsed(tmp_path / "r.csv") == past.replayed(tmp_path / "r.csv") == len(stream)


@long_one
def test_the_history_of_five_years_is_one_that_the_program_reads(tmp_path: Path) -> None:
    """Made by SQL, read by the program's own lookups: cycles of five years, readings of a month, no complaint."""
    keep = config.HistorySettings(file=str(tmp_path / "h.db"), live_dir=str(tmp_path / "live"))
    past.five_years(keep)
    with History(keep.file, keep=keep, wall=lambda: past.NOW_S) as history:
        assert len(history.cycles(0.0, past.NOW_S + 1, 10**6)) == past.YEARS * 365 * past.CYCLES_A_DAY
        assert len(history.latest_events(50, "cycles")) == 50
        days = {int(point.wall_s // 86400) for point in history.readings("compressor_a", 0.0, past.NOW_S, 10**6)}
        assert len(days) >= 30
    with History(keep.file, owner=True, keep=keep, wall=lambda: past.NOW_S) as history:
        assert history.health().set_aside == ""


@pytest.mark.parametrize(("make", "times"), [(cost, 5.0), (rate, 0.2)])
def test_a_ratio_says_how_many_times_the_floor_it_costs(make: Callable[..., Row], times: float) -> None:
    """Ten ms over two cost five times; ten rows a second over two are a fifth."""
    assert make("x", 10.0, "u", ("floor", 2.0)).times == times


def test_times_are_the_least_of_all_turns() -> None:
    """By a clock turned by hand."""
    now = iter([0.0, 5.0, 5.0, 6.0, 10.0, 13.0, 20.0, 22.0])
    assert took_each_s((lambda: None, lambda: None), turns=2, clock=lambda: next(now)) == [3.0, 1.0]


def test_a_name_that_is_no_bench_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """With what is allowed."""
    assert main(["nothing"]) == 2
    said = capsys.readouterr().err
    assert all(name in said for name in CASES)


@long_one
def test_the_bench_of_the_senses_says_each_figure() -> None:
    """In small: every line, and within what is stated of it."""
    made = list(sensing.lines(4))
    assert [line.split(":")[0].split(",")[0] for line in made] == [
        "phase",
        "first bursts of which no beat was found",
        *["real power"] * 6,
        "microfarads",
        "microfarads",
        "length of a start",
        "pairs of causes",
    ]
    worst = {line.split(":")[0]: float(line.split("largest ")[1].split()[0]) for line in made if "largest" in line}
    assert worst["microfarads, three-ton"] < 5.0
    assert worst["phase, clocks up to 10 % off"] < 1.5
    assert worst["length of a start, 0.1 to 2.6 s"] < 1000.0 / 60.0


def test_a_bench_of_households_goes_on_where_it_was_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What its file holds is not played again, what it lacks is, and is added; the sums are of both."""
    into = tmp_path / "houses.jsonl"
    told = ((15.2, "alarm", "locked-rotor"), (43.2, "reminder", "locked-rotor"), (69.0, "reminder", "locked-rotor"))
    one = household.Lived("compressor-seizes", "hot", "ignores", told, 0.2, (), False, 40.0, 3.0)
    into.write_bytes(msgspec.json.encode(one) + b"\n")
    played = []

    def lives(case: BenchCase, weather: str, houses: list[household.House], days: float) -> Iterator[household.Lived]:
        for house in houses:
            played.append((weather, house))
            over = ("locked-rotor",) if house == "away" else ()
            yield one._replace(weather=weather, house=house, messages=(), first_h=None, false_over=over)

    monkeypatch.setattr(household, "lives", lives)
    lines = list(household.lines(["3", "compressor-seizes", "--into", str(into)]))
    assert len(played) == 11
    assert ("hot", "ignores") not in played
    assert len(into.read_bytes().splitlines()) == 12
    assert lines[0].split(";")[0] == "compressor-seizes, hot       told 1 of 6, first 0.2 to 0.2 h"
    assert "at most 7.0; at night 1 (reminders 1); false over 1; untold 5" in lines[0]
    assert list(household.lines(["3", "compressor-seizes", "--into", str(into)])) == lines
    assert len(played) == 11
