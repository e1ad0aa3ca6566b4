"""A soak of six simulated hours, its verdict, and the cheaper wires that it runs on.

`python -m tests.simulation.soak` is the month.
"""

from __future__ import annotations

import json
from itertools import pairwise
from math import sqrt
from pathlib import Path
from random import Random
from typing import Any

import pytest

from condenser_monitor.hardware.boards import Boards
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.bus import Ads1115, VirtualClock
from tests.conftest import need
from tests.hardware.bench import Inputs, steady
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    UNIT,
    Readings,
)
from tests.simulation import summer
from tests.simulation.plant import ADDRESSES, Plant
from tests.simulation.quick import QuickChip, QuickPlant, sine
from tests.simulation.sampled import Sampler
from tests.simulation.soak import Outcome, main, run
from tests.simulation.summer import Life, life
from tests.simulation.watched import (
    BOUNDS,
    HEAD,
    Hour,
    read,
    verdict,
    written,
)
from tests.simulation.wires import TOLERANCE
from tests.size import long_one, whole_only

SHORT = Life(6, quiet_s=30.0, whole=0, away=(2, 4), hung=(5, 6), restarted=4, first=10)


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    need("mosquitto")
    return run(tmp_path_factory.mktemp("soak"), SHORT, warm_hours=1)


@whole_only
def test_six_hours_stay_within_their_bounds(short: Outcome) -> None:
    """Memory, threads, descriptors, files and queues; scans came at the service's own rate around what happened."""
    assert short.broken == [], [one.line() for one in short.judged if one.broken]
    assert [hour.hour for hour in short.hours] == list(range(6))
    assert short.hours[-1].scans > 6 * (3600 / 30 + 2 * 80)


@whole_only
def test_what_a_broker_that_was_away_missed_is_told_once_it_is_back(short: Outcome) -> None:
    """Two hours of rows wait on disk, not in memory, and arrive in order without a gap."""
    away = [hour for hour in short.hours if 2 <= hour.hour < 4]
    assert away[-1].waiting > away[0].waiting > 0
    assert max(hour.queue for hour in away) < away[-1].waiting + 5
    assert short.hours[4].waiting < away[-1].waiting
    assert (short.office.missing, short.office.twice) == (0, 0)
    assert short.office.taken > away[-1].waiting
    assert short.office.answers > 0


@whole_only
def test_a_phone_that_hangs_is_told_afterwards(short: Outcome) -> None:
    """The day's fault went to the phone at once, its end too; of the call that was not followed, which came while it
    hung, it is told once it takes messages again, and nothing meanwhile."""
    fault, hung, after = short.hours[4].told, short.hours[5].told, short.told
    assert fault >= 2
    assert hung == fault
    assert after > hung


@whole_only
def test_a_leak_put_in_on_purpose_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A service that keeps every scan's edges, and a reader that leaves files open each hour."""
    need("mosquitto")
    kept: list[object] = []
    changes, lanes = Boards.changes, History.lanes

    def keeping(boards: Boards) -> list[Scan]:
        kept.append([[], []])
        return changes(boards)

    def leaving(history: History, *span: Any) -> object:
        kept.extend((tmp_path / "left").open("a") for _ in range(4))
        return lanes(history, *span)

    monkeypatch.setattr(Boards, "changes", keeping)
    monkeypatch.setattr(History, "lanes", leaving)
    outcome = run(tmp_path, Life(3, quiet_s=45.0, whole=0), warm_hours=0)
    for file in kept:
        if not isinstance(file, list):
            file.close()  # type: ignore[attr-defined]
    assert {"objects", "descriptors"} <= set(outcome.broken)


# ---------------------------------------------------------------- the verdict


def hours(days: int, leak: str = "", per_day: float = 0.0) -> list[Hour]:
    """Figures that go up and down with the hour of the day, and one that rises besides."""
    rng = Random(1)
    level = {name: 1000.0 * (bound.most is None) + 5.0 for name, bound in BOUNDS.items()}
    found = []
    for hour in range(24 * days):
        said = {name: value + (hour % 24 == 7) * bound_noise(name) / 2 for name, value in level.items()}
        said = {name: value + rng.random() * bound_noise(name) / 4 for name, value in said.items()}
        if leak:
            said[leak] += per_day * hour / 24
        said = {name: round(value) for name, value in said.items()}
        found.append(Hour(hour=hour, cpu_s=0.0, scans=0, told=0, **said))  # type: ignore[arg-type]
    return found


def bound_noise(name: str) -> float:
    """The noise that is allowed to a figure."""
    return BOUNDS[name].noise


def test_figures_that_only_go_up_and_down_break_no_bound() -> None:
    """A month of noise and of a peak at the same hour each day."""
    assert [one.name for one in verdict(hours(30), 8 * 24) if one.broken] == []


@pytest.mark.parametrize("name", BOUNDS)
def test_each_figure_that_rises_breaks_its_bound(name: str) -> None:
    """By a little more a day than its noise and its days allow; the others do not mind."""
    bound = BOUNDS[name]
    leak = 1.5 * (bound.noise / 21 + bound.per_day) + 0.5
    assert [one.name for one in verdict(hours(30, name, leak), 8 * 24) if one.broken] == [name]


def test_a_figure_above_its_most_for_one_hour_breaks_its_bound() -> None:
    """A queue that was too long once, before the warm-up was over."""
    figures = hours(30)
    figures[3] = figures[3]._replace(queue=501)
    assert [one.name for one in verdict(figures, 8 * 24) if one.broken] == ["queue"]


def test_a_warm_up_as_long_as_the_soak_is_refused() -> None:
    """There is no verdict on nothing."""
    with pytest.raises(ValueError, match="after the warm-up"):
        verdict(hours(2), 46)


def test_a_months_life_has_the_broker_away_for_a_day_and_the_phone_hung_for_another() -> None:
    """In the middle, one after the other, both over before the end."""
    plan = life(720)
    assert plan.away == (360, 384)
    assert plan.hung == (504, 528)
    assert plan.restarted == 120


def test_figures_that_were_kept_are_judged_like_those_of_a_run(tmp_path: Path) -> None:
    """A file of figures, its last row cut in the middle: exit status 0, and 1 where something leaks."""
    for figures, status in ((hours(12), 0), (hours(12, "blocks", 500.0), 1)):
        (tmp_path / "month.csv").write_text(HEAD + "".join(map(written, figures)) + "288,1")
        assert read(tmp_path / "month.csv") == figures
        assert main(["--judge", str(tmp_path / "month.csv"), "--warm", "2"]) == status


@long_one
def test_the_engines_memory_is_flat_after_sixty_days() -> None:
    """The soak's summer for 75 days, on ideal senses, scans around what happens only. What grows until then are sums of
    days, of alarms and of wear; the times of the last alarms, at most 256, are left out: they take longer to fill; and
    whom the last days' looks were at, at most one an hour."""
    engine, times = Engine(config.Settings(unit=UNIT, senses=config.SensorSettings(fitted=ALL))), 0
    sizes, sums = [], []
    for day in range(75):
        for hour in range(24):
            rows = [*summer.hour(day, hour), (3600.0, REST)]
            for (after_s, readings), (next_s, _) in pairwise(rows):
                for held_s in (0.0, 1.0, 2.0, 12.0, 35.0, 65.0):
                    if after_s + held_s < next_s:
                        engine.feed(Scan(t_s=(day * 24 + hour) * 3600.0 + after_s + held_s, **readings))
        memory = json.loads(engine.memory())
        times = len(memory["alerts"]["metrics"].pop("told_x"))
        assert len(memory.pop("looks")) <= limits.PAST_S.value / limits.PAST_EVERY_S.value + 1
        sizes.append(len(json.dumps(memory)))
        sums.append(len(json.dumps([memory["alerts"]["metrics"]["days"], memory["trends"]["wear"]["days"]])))
    assert 60 < times <= limits.ALARMS.times_kept.value
    assert sums[29] > 4.0 * sums[6]  # a row a day
    assert max(sizes[60:]) < 1.03 * sizes[59]


def test_time_spent_in_a_room_counts_to_it() -> None:
    """Half a second of processor time in the waveform's room, seen by the sampler."""
    from condenser_monitor.hardware.waveform import Sample, measure

    samples = [Sample(k / 860, float(k % 7)) for k in range(103)]
    with Sampler() as sampler:
        for _ in range(1500):
            measure(samples, 60.0)
    (name, count), *_ = sampler.counts.most_common()
    assert "waveform" in name
    assert count > sampler.counts.total() / 2


# ---------------------------------------------------------------- the cheaper wires

CONFIGS = (0x8583, 0x9FE3, 0xA7E3, 0xBFE3, 0xF3E3, 0x94E3, 0xA4E3, 0x14E3, 0x24E3, 0x34E3)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("address", ADDRESSES)
def test_a_quick_chip_answers_with_the_plain_chips_bytes(seed: int, address: int) -> None:
    """Without noise, over random transactions, pauses, faults, clocks and jacks; one code apart where rounding differs
    (the plain chip subtracts the bias that it has added)."""
    rng, clock = Random(seed), VirtualClock(5.0)
    signals = {"control_v": sine(25.0), "coil_a": sine(0.3), "compressor_a": sine(9.0), "fan_a": steady(0.7)}
    inputs = Inputs(address, {**signals, "outdoor_c": steady(9000.0)})
    chips = (Ads1115(inputs, clock), QuickChip(inputs, clock))
    for _ in range(400):
        turn = rng.choice(("config", "read", "read", "read", "pointer", "wait", "wait", "fault", "mend", "restart"))
        if turn == "config":
            word = rng.choice(CONFIGS)
            for chip in chips:
                chip.write(bytes((1, word >> 8, word & 0xFF)))
                chip.write(b"\0")
        elif turn == "pointer":
            which = bytes((rng.randrange(4),))
            for chip in chips:
                chip.write(which)
        elif turn == "wait":
            clock.sleep(rng.choice((0.0002, 0.001, 0.0012, 0.01)))
        elif turn == "fault":
            fault, value = rng.choice((("stuck", True), ("frozen", True), ("clock_error", 0.05)))
            for chip in chips:
                setattr(chip, fault, value)
            inputs.unplugged.add("coil_a")
        elif turn == "mend":
            for chip in chips:
                chip.stuck = chip.frozen = False
                chip.clock_error = 0.0
            inputs.unplugged.clear()
        elif turn == "restart" and rng.random() < 0.2:
            for chip in chips:
                chip.restart()
        words = [int.from_bytes(chip.read(2), "big") for chip in chips]
        assert (words[0] - words[1] + 1) % 65536 <= 2, turn


@pytest.mark.parametrize("rms", [0.02, 9.0])
def test_the_mean_of_a_quick_sine_over_a_stretch_is_its_integral(rms: float) -> None:
    """Against the integral of sqrt(2) rms sin(2 pi 60 t) by scipy's quadrature, over stretches of changing length."""
    from math import pi, sin

    from scipy.integrate import quad

    wave = sine(rms)
    for start_s, end_s in ((0.0, 1 / 860), (3.1, 3.1 + 1 / 860), (7.0, 7.0 + 1 / 774), (7.5, 7.52)):
        area, _ = quad(lambda t_s: sqrt(2) * rms * sin(2 * pi * 60 * t_s), start_s, end_s)
        assert wave(start_s, end_s) == pytest.approx(area / (end_s - start_s), rel=1e-7, abs=1e-9)


@pytest.mark.parametrize("readings", [REST, RUN], ids=["rest", "run"])
def test_the_drivers_read_the_same_from_the_quick_wires(readings: Readings) -> None:
    """What is on the wires, within the tolerance of the plain ones; a scan lasts as long on the bus."""
    took = []
    for kind in (Plant, QuickPlant):
        plant = kind(3)
        plant.show(readings)
        boards = plant.boards(config.Settings(unit=UNIT, senses=config.SensorSettings(fitted=ALL)), lambda: None)
        boards.scan()
        began_s = plant.clock()
        scan = boards.scan()
        took.append(plant.clock() - began_s)
        boards.close()
        for name, wrong in TOLERANCE.items():
            assert getattr(scan, name) == pytest.approx(readings[name], abs=wrong), name
    assert took[0] == pytest.approx(took[1], abs=2e-3)
