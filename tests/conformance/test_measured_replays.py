"""Replays of measured machines (tests/data): no finding on fault-free days, the starts and counts
that numpy finds in the files."""

from __future__ import annotations

from itertools import pairwise

import pytest

from condenser_monitor.monitor.core.config import SensorSettings, Settings, Unit
from condenser_monitor.monitor.core.records import Change, Cycle
from tests.conformance.measured import (
    FRIDGES,
    NIST,
    fridge_scans,
    nist_day,
    truths,
)
from tests.monitor.units import events

# Amperes are W / (240 V * 0.95); with them 12.8 A is a rated load that both stages of this machine stay under.
HEAT_PUMP = Settings(
    unit=Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1),
    senses=SensorSettings(fitted=("call", "compressor_a", "outdoor_c")),
    limits={"call-without-run": {"hold_s": 120}},
)
DAYS = sorted(name for name in truths(NIST) if name.endswith(".csv"))
# A rated load between standby and running watts; locked-rotor amps beyond what a 1 s mean of the inrush reaches.
FRIDGE = Settings(
    unit=Unit(compressor_rla_a=0.5, compressor_lra_a=12.0, fan_fla_a=0.1),
    senses=SensorSettings(fitted=("compressor_a",)),
)
FREEZER = Settings(
    unit=Unit(compressor_rla_a=1.0, compressor_lra_a=15.0, fan_fla_a=0.1),
    senses=SensorSettings(fitted=("compressor_a",)),
)


@pytest.mark.parametrize("day", DAYS)
def test_fault_free_day_of_a_real_heat_pump_gives_no_finding(day: str) -> None:
    """Source: NIST chamber data, README there. A run over 6 h is long-run by the contract; nothing else may be said."""
    found = [e for e in events(nist_day(day), HEAT_PUMP, HEAT_PUMP.fitted) if isinstance(e, Change)]
    longest_min = truths(NIST)[day]["longest_run_rows"]
    expected = {"long-run"} if longest_min > 360 else set()
    assert {change.finding for change in found} == expected


@pytest.mark.parametrize("day", DAYS)
def test_runs_of_a_real_heat_pump_are_counted(day: str) -> None:
    """The compressor's starts are the measured runs over 500 W, but for pauses and runs of a single one-minute row."""
    truth = truths(NIST)[day]
    cycles = [e for e in events(nist_day(day), HEAT_PUMP, HEAT_PUMP.fitted) if isinstance(e, Cycle)]
    ran = [cycle for cycle in cycles if cycle.run_s > 0]
    assert truth["runs_over_500W"] - 2 <= len(ran) <= truth["runs_over_500W"]
    minutes = sum(cycle.run_s for cycle in ran) / 60
    assert minutes == pytest.approx(truth["run_rows"], abs=2 * len(ran) + 2)


@pytest.mark.parametrize(
    ("name", "settings"),
    [("Refrigerator_dev_76C07F_2012.06.19.csv", FRIDGE), ("Freezer_dev_D36601_2012.01.26.csv", FREEZER)],
)
def test_refrigeration_runs_give_the_starts_in_the_file(name: str, settings: Settings) -> None:
    """Source: tracebase (ODbL), truths.json: every start within 3 s, every length within 6 s, no finding."""
    found = events(fridge_scans(name), settings, settings.fitted)
    truth = [run for run in truths(FRIDGES)[name]["runs"] if not run["starts_before_file"]]
    truth = [run for run in truth if not run["ends_after_file"]]
    cycles = [e for e in found if isinstance(e, Cycle) and e.start_seen]
    assert len(cycles) == len(truth) == truths(FRIDGES)[name]["complete_runs"]
    for cycle, run in zip(cycles, truth, strict=True):
        hours, minutes, seconds = (int(part) for part in run["start"].split(":"))
        assert cycle.started_s == pytest.approx(hours * 3600 + minutes * 60 + seconds, abs=3)
        assert cycle.run_s == pytest.approx(run["duration_s"], abs=6)
    starts = [cycle.started_s for cycle in cycles]
    measured = truths(FRIDGES)[name]["start_to_start_s"]
    assert [b - a for a, b in pairwise(starts)] == pytest.approx(measured, abs=4)
    assert [e for e in found if isinstance(e, Change)] == []


def test_machine_that_never_stops_is_a_long_run() -> None:
    """Refrigerator D325D9 draws 79-107 W all day long: one long run told after six hours, and nothing else."""
    found = events(fridge_scans("Refrigerator_dev_D325D9_2012.06.19.csv"), FRIDGE, FRIDGE.fitted)
    changes = [(e.change.value, e.finding) for e in found if isinstance(e, Change)]
    assert changes == [("raised", "long-run")]
    raised_s = next(e.t_s for e in found if isinstance(e, Change))
    assert 6 * 3600 <= raised_s <= 6 * 3600 + 60
