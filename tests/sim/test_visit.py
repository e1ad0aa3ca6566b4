"""A visit in software: each mistake is made on the wires of a simulated unit, and the walk names it in words.

The talk is the shipped one, the drivers are the shipped ones down to the bytes; a person who presses Enter is all that
is made up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import msgspec
import pytest

from condenser_monitor.hardware import wizard
from condenser_monitor.hardware.commission import Commissioning
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.errors import CommandError, ScenarioError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.sim.visit import SimulatedVisit, unit_named, wiring_named
from condenser_monitor.sim.wiring import MISTAKES
from tests.size import one_in

UNIT = unit_named(None)
# seldom scans keep a walk short; nothing in it depends on their pace
SETTINGS = msgspec.structs.replace(UNIT.settings, boards=msgspec.structs.replace(UNIT.settings.boards, scan_s=4.0))
# mistake -> (kind, senses, words) of each remark
NAMED: dict[str, list[tuple[str, tuple[str, ...], str]]] = {
    "transformers-swapped": [("exchanged", ("compressor_a", "fan_a"), "on the other's lead")],
    "plugs-swapped": [("exchanged", ("compressor_a", "fan_a"), "into the other's jack")],
    "start-lead": [("wrong-conductor", ("compressor_a",), "it belongs on the common lead")],
    "both-leads": [("wrong-conductor", ("compressor_a",), "where they cancel")],
    "other-unit": [("wrong-conductor", ("compressor_a",), "current without a call")],
    "fan-capacitor-lead": [("passes", ("fan_a",), "the fan's capacitor")],
    "fan-one-pass": [("passes", ("fan_a",), "went once")],
    "coil-on-feed": [("wrong-conductor", ("coil_a",), "not the coil's")],
    "fan-unplugged": [("unplugged", ("fan_a",), "nothing is plugged into its jack")],
    "bias-missing": [("bias-missing", ("compressor_a", "fan_a", "outdoor_c"), "look at AIN3")],
    "line-and-load-swapped": [("exchanged", ("supply", "load"), "what the other should")],
    "load-to-ground": [("wrong-terminal", ("load",), "to ground")],
    "call-at-r": [("never-changes", ("call",), "R instead of Y"), ("wrong-terminal", ("control_v",), "R instead of Y")],
    "indoor-taps-swapped": [("exchanged", ("control_power", "thermostat"), "what the other should")],
    "module-inverted": [("reversed", ("supply",), "reversed")],
}
# the same with every reading fitted, and a run long enough for pipes and air
WHOLE = msgspec.structs.replace(SETTINGS, senses=SensorSettings(fitted=tuple(READINGS)))
PROBED: dict[str, list[tuple[str, tuple[str, ...], str]]] = {
    "pipe-probes-swapped": [("exchanged", ("liquid_c", "suction_c"), "the colder one lies on liquid_c's pipe")],
    "probes-on-one-pipe": [("wrong-value", ("liquid_c", "suction_c"), "both probes on one pipe")],
    "duct-probes-swapped": [("exchanged", ("return_air_c", "supply_air_c"), "return_air_c's duct")],
    "volts-on-load-side": [("wrong-value", ("line_v",), "not this unit's line volts")],
    "volts-of-a-leg": [("wrong-value", ("line_v",), "not this unit's line volts")],
    "power-on-start-lead": [("wrong-conductor", ("compressor_a",), "it belongs on the common lead")],
    "winding-on-fan-capacitor": [("wrong-conductor", ("start_winding_a",), "the fan's lead of a dual capacitor")],
    "blower-always-on": [("never-changes", ("blower",), "set to run all the time")],
}


def walked(
    mistake: str | None, heard: Callable[[str], object] = lambda text: None, settings: Settings = SETTINGS
) -> Commissioning:
    """A whole walk by somebody who presses Enter and has no thermometer."""
    run_s = 150.0 if settings is WHOLE else 15.0
    visit = SimulatedVisit(UNIT, wiring_named(mistake), settings=settings, rest_s=20.0, run_s=run_s)
    try:
        return wizard.walk(settings, visit.boards, heard, lambda: "", by="R. Vale", begin=visit.at)
    finally:
        visit.close()


def test_every_mistake_is_named_here() -> None:
    """None can be added without saying what the walk must make of it."""
    assert set(NAMED) | set(PROBED) == set(MISTAKES)


@one_in(6)
@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_on_the_wires_is_named(mistake: str) -> None:
    """As many remarks as there are mistakes, of the right kind, about the right senses; nothing is learned from it."""
    expected = (NAMED | PROBED)[mistake]
    record = walked(mistake, settings=WHOLE if mistake in PROBED else SETTINGS)
    assert [(remark.kind, remark.senses) for remark in record.remarks] == [row[:2] for row in expected]
    for remark, (_, _, words) in zip(record.remarks, expected, strict=True):
        assert words in remark.text
    assert record.uses == ()


def test_a_walk_with_every_reading_teaches_the_capacitors_ratio_and_the_power_factor() -> None:
    """Nothing is said of a sound unit; what was learned of capacitor and power is the world's, and the line for the
    site file is printed."""
    record = walked(None, settings=WHOLE)
    assert record.remarks == ()
    design = UNIT.plan.design
    assert record.learned.apparent_uf == pytest.approx(1.5 * design.run_uf, rel=0.1)
    assert record.learned.power_factor == pytest.approx(0.94, abs=0.03)
    assert any("capacitor_volts_ratio = 1.5" in line for line in record.uses)


def test_a_sound_unit_is_silent_and_its_start_is_captured() -> None:
    """The start comes while the person is busy, not while a phase is watched; it is captured all the same, and held
    against the world's own log."""
    heard: list[str] = []
    visit = SimulatedVisit(UNIT, settings=SETTINGS, rest_s=20.0, run_s=15.0)
    record = wizard.walk(SETTINGS, visit.boards, heard.append, lambda: "", by="R. Vale", begin=visit.at)
    true = visit.world.unit.compressor.starts[-1]
    visit.close()
    assert record.remarks == ()
    assert true.duration_s is not None
    assert record.learned.start_s == pytest.approx(true.duration_s, abs=0.02)
    # the capture tells the RMS of a whole cycle, the world's log the highest instant of a falling one
    assert record.learned.start_peak_a == pytest.approx(true.peak_a, rel=0.10)
    assert any("A start takes" in line for line in heard)
    assert any("load goes on" in line for line in heard)


def test_a_calibration_in_software_brings_the_reading_to_the_meter() -> None:
    """What the meter shows is typed in; after it, the trimmed reading is the meter's."""
    visit = SimulatedVisit(UNIT, settings=SETTINGS, rest_s=20.0)
    shown: list[float] = []

    def typed() -> Iterator[str]:
        yield f"{shown[-1]}"
        yield ""

    lines = typed()
    row = wizard.compare(
        SETTINGS,
        visit.boards,
        "compressor_a",
        lambda text: None,
        lambda: next(lines),
        by="R. Vale",
        meter_share=0.01,
        begin=lambda reading: shown.append(visit.measure(reading)),
    )
    value = visit.boards.scan().compressor_a
    visit.close()
    assert value is not None
    assert row.gain * value == pytest.approx(shown[-1], rel=0.003)
    assert row.gain != pytest.approx(1.0, abs=0.001)


# units that differ in what a walk sees: frequency, poles, trickle, heater across the pole, relay, stealing thermostat
SOUND = (
    *("healthy-50-hz", "healthy-delay-on-make", "healthy-heater-across-pole", "healthy-least-senses"),
    *("healthy-stealing-thermostat", "healthy-trickle-large", "healthy-two-pole-heater", "healthy-mild-days"),
)


@one_in(4)
@pytest.mark.parametrize("name", SOUND)
def test_a_sound_unit_of_any_kind_is_silent(name: str) -> None:
    """Nothing is said of what is only its kind, and its start is captured."""
    unit = unit_named(name)
    boards = msgspec.structs.replace(unit.settings.boards, scan_s=4.0)
    settings = msgspec.structs.replace(unit.settings, boards=boards)
    heard: list[str] = []
    visit = SimulatedVisit(unit, settings=settings, rest_s=20.0, run_s=15.0)
    record = wizard.walk(settings, visit.boards, heard.append, lambda: "", by="R. Vale", begin=visit.at)
    visit.close()
    assert record.remarks == ()
    assert record.learned.start_s is not None
    delayed = [line for line in heard if "time-delay relay" in line]
    assert len(delayed) == (2 if settings.unit.delay_on_make_s else 0)


def test_a_low_current_in_the_cold_is_said_to_be_perhaps_no_mistake() -> None:
    """A heat pump at freezing draws a third of its rating."""
    unit = unit_named("healthy-heat-pump-defrost")
    visit = SimulatedVisit(unit, settings=unit.settings, rest_s=20.0, run_s=15.0)
    record = wizard.walk(unit.settings, visit.boards, lambda text: None, lambda: "", by="x", begin=visit.at)
    visit.close()
    assert ["walk again on a warmer day" in remark.text for remark in record.remarks] == [True]


def test_a_reading_that_still_moves_is_not_compared() -> None:
    """A compressor just started still warms up: the person is told to wait, and no comparison is made of it."""
    visit = SimulatedVisit(UNIT, settings=SETTINGS, rest_s=20.0, run_s=6.0)
    lines = iter(["17.0", ""])
    heard: list[str] = []
    with pytest.raises(CommandError, match="one comparison"):
        wizard.compare(
            SETTINGS, visit.boards, "compressor_a", heard.append, lambda: next(lines), by="x", begin=visit.measure
        )
    visit.close()
    assert any("does not stand still" in line for line in heard)


def test_unknown_names_are_refused() -> None:
    """A scenario or a mistake that does not exist: the error names those that do."""
    with pytest.raises(ScenarioError, match="story"):
        unit_named("no-such-scenario")
    with pytest.raises(CommandError, match="plugs-swapped"):
        wiring_named("no-such-mistake")
    visit = SimulatedVisit(UNIT)
    with pytest.raises(CommandError, match="compressor_a"):
        visit.measure("call")
    visit.close()
