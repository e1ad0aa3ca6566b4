"""Seasons and fleets: written as recordings that read back whole, the same from the same seed."""

from __future__ import annotations

import os
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import CommandError, RecordingError, ScenarioError
from condenser_monitor.monitor.core.records import Scan, StartTransient
from condenser_monitor.monitor.recording.csv_file import Reader
from condenser_monitor.sim.season import (
    UnitSeason,
    each,
    fleet,
    site_file,
    write,
)
from condenser_monitor.sim.weather import typical_year
from tests.sim.one_season import one_unit


def test_season_reads_back_whole(tmp_path: Path) -> None:
    """Two days: no row refused, steps of a minute at the most, the site file names the same unit."""
    unit = one_unit(seed=4, days=2.0)
    facts = write(unit, tmp_path)
    reader = Reader(facts.recording)
    items = list(reader)
    scans = [item for item in items if isinstance(item, Scan)]
    assert reader.refused == []
    assert len(scans) == facts.rows > 2 * 1440
    assert sum(isinstance(item, StartTransient) for item in items) == facts.starts > 5
    assert max(b.t_s - a.t_s for a, b in pairwise(scans)) <= 60.001
    assert scans[-1].t_s == pytest.approx(2 * 86_400, abs=61)
    assert reader.start_wall_s == pytest.approx(1780290000)
    settings = config.load(tmp_path / "unit-0004.toml")
    assert settings.unit == unit.design.nameplate()
    assert settings.site.id == "unit-0004"


def test_same_seed_same_season(tmp_path: Path) -> None:
    """Byte for byte; another seed is another season."""
    texts = []
    for folder, seed in (("a", 7), ("b", 7), ("c", 8)):
        facts = write(one_unit(seed=seed, days=0.5), tmp_path / folder)
        with open(facts.recording, "rb") as file:
            texts.append(file.read())
    assert texts[0] == texts[1] != texts[2]


def test_fleet_is_many_units_some_of_which_break() -> None:
    """Two hundred units: each with its own id and nameplate, about three in ten broken, each in a usual way."""
    units = list(fleet(200, seed=100))
    assert len({unit.site_id for unit in units}) == 200
    assert len({unit.design.compressor_rla_a for unit in units}) > 150
    broken = [unit for unit in units if unit.causes]
    assert 35 <= len(broken) <= 85
    assert len({unit.causes[0].name for unit in broken}) >= 6
    assert all(0 < unit.causes[0].at_s < 0.61 * unit.days * 86_400 for unit in broken)
    assert units == list(fleet(200, seed=100))


def test_fleet_holds_all_kinds_of_units_and_of_households() -> None:
    """Two hundred units for a summer: each kind of unit, set points that stay, move by hour and by weekend, and trips;
    nothing with a drive loses a capacitor."""
    units = list(fleet(200, seed=100))
    assert {unit.design.kind for unit in units} == {"single-stage", "two-stage", "variable-speed"}
    assert {unit.design.fan_control for unit in units} == {"contactor", "board"}
    days = [unit.thermostat for unit in units]
    assert 40 < sum(not one.schedule for one in days) < 120
    assert sum(bool(one.weekend) for one in days) > 30
    trips = [trip for one in days for trip in one.away]
    assert 300 < len(trips) < 500
    assert all(2 <= until - since <= 9 and set_c > 25 for since, until, set_c in trips)
    driven = [unit for unit in units if unit.design.kind == "variable-speed"]
    assert not [cause for unit in driven for cause in unit.causes if "capacitor" in cause.name]


def test_every_site_file_of_a_fleet_can_be_used() -> None:
    """The program's own loader takes each of them."""
    for unit in fleet(20, seed=3):
        assert config.parse(site_file(unit.settings)).unit == unit.design.nameplate()


def test_typical_year_in_place_of_a_made_up_one(tmp_path: Path) -> None:
    """The warmest of two days of June in the desert stands in the recording; a file that is none is refused."""
    year = Path(__file__).parents[1] / "data" / "phoenix-tmy3" / "phoenix_sky_harbor_tmy3.csv"
    (unit,) = fleet(1, seed=5, days=2.0, weather_file=str(year))
    outdoor = [scan.outdoor_c for scan in unit.items() if isinstance(scan, Scan) and scan.outdoor_c is not None]
    hours = [hour.outdoor_c for hour in typical_year(year)[151 * 24 : 153 * 24 + 1]]
    assert max(outdoor) == pytest.approx(max(hours), abs=0.5)
    assert min(outdoor) == pytest.approx(min(hours), abs=0.5)
    with pytest.raises(ScenarioError):
        next(fleet(1, weather_file=str(tmp_path / "none.csv"))).rig()


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: fleet(1, days=0),
        lambda: fleet(0),
        lambda: fleet(3, broken_share=1.5),
    ],
)
def test_wrong_arguments_are_refused(wrong: Any) -> None:
    """Each is a CommandError before anything runs."""
    with pytest.raises(CommandError):
        wrong()


def test_folder_that_cannot_be_written_is_an_error(tmp_path: Path) -> None:
    """A file where the folder should be."""
    path = tmp_path / "file"
    path.write_text("")
    with pytest.raises(RecordingError):
        write(one_unit(days=0.1), path)


def test_in_a_folder_that_no_other_process_can_enter_one_does_all_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As `sudo -u` leaves a user in somebody else's home, here one that is gone: new processes begin by entering the
    folder, so that a pool of them would start and fail for ever."""
    here = tmp_path / "gone"
    here.mkdir()
    monkeypatch.chdir(here)
    here.rmdir()
    units = fleet(2, seed=1, days=0.1)
    assert [name for name, _ in each(units, _worked_on, jobs=2)] == ["unit-0001", "unit-0002"]


def test_each_unit_is_worked_on_in_another_process_where_one_can_start() -> None:
    """Two units by two processes, neither of them this one."""
    assert os.getpid() not in [pid for _, pid in each(fleet(2, seed=1, days=0.1), _worked_on, jobs=2)]


def _worked_on(unit: UnitSeason) -> tuple[str, int]:
    return unit.site_id, os.getpid()
