"""Triage: total tables, an order that can be said in words, and what to load."""

from __future__ import annotations

import re

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.findings import CATALOGUE, Cooling, cooling
from condenser_monitor.monitor.core.records import Severity
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.fleet import load_list, triage


def place(finding: str, outdoor_c: float | None, vulnerability: int, since_at: float) -> tuple[int, int, float]:
    """Sort the morning list, lowest first: urgency, then heat and vulnerability together, then the longest wait."""
    need = triage.heat_weight(outdoor_c) + triage.VULNERABILITY[vulnerability].weight
    return -int(triage.means(finding)), -need, since_at


def test_every_finding_says_what_it_means_for_the_house() -> None:
    """No finding of the catalogue is left out, none is made up; what is urgent, always or in
    the heat, is no cooling or damage, and only that."""
    for name, row in CATALOGUE.items():
        may_be_urgent = row.severity is Severity.URGENT or row.urgent_from_c is not None
        assert (cooling(name) >= Cooling.DAMAGE) == may_be_urgent, name
    assert [name for name, row in CATALOGUE.items() if row.urgent_from_c is not None] == ["overdue-call"]


def test_every_suspect_says_what_to_load() -> None:
    """Only where nothing need be replaced nothing is taken along."""
    empty = {name for name, suspect in SUSPECTS.items() if not suspect.load}
    assert empty == {"thermostat-setting", "load-shed", "equipment-oversized"}


@pytest.mark.parametrize(
    ("first", "second"),
    [
        # no cooling before damage, whatever the heat and whoever lives there
        (("control-power-lost", 20.0, 0, 9.0), ("contactor-chatter", 42.0, 2, 1.0)),
        # as urgent: more heat first
        (("control-power-lost", 40.0, 0, 9.0), ("line-supply-lost", 30.0, 0, 1.0)),
        # somebody in danger on a warm day before nobody noted on a dangerous one
        (("control-power-lost", 28.0, 2, 9.0), ("control-power-lost", 41.0, 0, 1.0)),
        # the same need: who has waited longer
        (("control-power-lost", 33.0, 1, 1.0), ("locked-rotor", 33.5, 1, 2.0)),
        # heat not known counts as a warm day
        (("control-power-lost", None, 0, 9.0), ("control-power-lost", 20.0, 0, 1.0)),
        # a finding that a newer monitor knows and this program does not: before what merely cools badly
        (("brand-new-finding", 30.0, 0, 9.0), ("high-running-current", 30.0, 0, 1.0)),
    ],
)
def test_who_comes_first(
    first: tuple[str, float | None, int, float], second: tuple[str, float | None, int, float]
) -> None:
    """Urgency, then heat and vulnerability together, then the wait."""
    assert place(*first) < place(*second)


@pytest.mark.parametrize(("fahrenheit", "words"), [(79, "no heat"), (81, "warm"), (91, "hot"), (104, "dangerous heat")])
def test_bands_of_heat_are_those_of_the_weather_service(fahrenheit: float, words: str) -> None:
    """80, 90 and 103 °F bound the bands (National Weather Service heat index categories, from memory)."""
    assert triage.heat_words((fahrenheit - 32) / 1.8) == words


@pytest.mark.parametrize(
    ("rla_a", "lra_a", "amps"),
    [(12.8, 68.0, 30), (28.0, 150.0, 30), (29.5, 150.0, 40), (24.0, 185.0, 40), (60.0, 300.0, 40)],
)
def test_contactor_carries_full_load_and_locked_rotor(rla_a: float, lra_a: float, amps: int) -> None:
    """30 A full load stands 180 A locked rotor at 240 V, 40 A stands 240 A (component sheet, check value 1.20).

    The number of poles is kept: a second one would switch off a crankcase heater fed past the open pole.
    """
    unit = Unit(compressor_rla_a=rla_a, compressor_lra_a=lra_a, fan_fla_a=1.1, contactor_poles=2)
    assert load_list.contactor_amps(unit) == amps
    assert load_list.load(["coil-open"], unit) == (
        f"contactor, 2-pole, {amps} A, 24 V coil (same number of poles: one may carry the crankcase heater)",
    )


def test_load_names_each_thing_once_and_the_likeliest_first() -> None:
    """Suspects that want the same thing want it once; without a nameplate no size is made up."""
    load = load_list.load(["run-capacitor", "compressor-overload-open", "coil-open"], None)
    assert load[0].startswith("run capacitors")
    assert len(load) == len(set(load)) == 3
    assert "no nameplate" in load[2]
    assert load_list.likely_part(["coil-open"]) == "contactor"
    assert load_list.likely_part([]) == load_list.likely_part(["unheard-of"]) == ""


def test_truck_counts_visits_not_things() -> None:
    """The day's list says how many visits want each thing."""
    assert load_list.truck([("a", "b"), ("a",), ("c", "a")]) == [("a", 3), ("b", 1), ("c", 1)]


def test_every_number_of_the_fleet_has_a_basis_and_lies_within_its_bounds() -> None:
    """The fleet's numbers keep the rule of monitor/limits.py."""
    rows = [*limits.FLEET.rows().values(), *limits.FLEET_HEAT_C, *limits.CONTACTOR_LRA_A.values()]
    for row in rows:
        assert row.low <= row.value <= row.high, row
        assert row.basis in limits.BASES, row
        assert re.search(r"\w", row.source), row
