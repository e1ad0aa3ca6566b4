"""The scenario loader, the coverage of the shipped scenarios, and the reference page made from them."""

from __future__ import annotations

import re
from typing import Any

import pytest

from condenser_monitor.monitor.core.errors import ScenarioError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.limits import FINDINGS
from condenser_monitor.sim import scenario as scenarios
from condenser_monitor.sim.causes import CAUSES, CAUSES_OF
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.reference import PLACE, markdown
from condenser_monitor.sim.scenario import (
    load,
    names,
    parse,
    span_s,
)

PLAIN = 'claim = "A plain one."\nhours = 1\n'
SHIPPED = {name: load(name) for name in names()}


@pytest.mark.parametrize(
    ("given", "seconds"),
    [(0, 0), (90, 90), (1.5, 1.5), ("90s", 90), ("1h 30m", 5400), ("2d6h30m15s", 196_215), ("0.5h", 1800)],
)
def test_times_are_read(given: Any, seconds: Any) -> None:
    """Seconds, or days, hours, minutes and seconds in a text."""
    assert span_s(given, "x") == seconds


@pytest.mark.parametrize("given", ["", "soon", "5", "5 minutes", "-3s", -1, float("nan"), float("inf"), "3x"])
def test_wrong_times_are_refused(given: Any) -> None:
    """Anything else is a ScenarioError that says what is allowed."""
    with pytest.raises(ScenarioError) as caught:
        span_s(given, "cause[0].at")
    assert caught.value.place == "cause[0].at"
    assert "seconds" in caught.value.allowed


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("hours = 1", "claim"),
        (PLAIN + "colour = 3", "colour"),
        (PLAIN + 'hours = "two"', ""),
        (PLAIN.replace("1", '"two"'), "hours"),
        (PLAIN.replace("hours = 1", "hours = 0"), "hours"),
        (PLAIN + "scan_s = 0.0", "scan_s"),
        (PLAIN + 'design = "nine-ton"', "design"),
        (PLAIN + 'senses = ["call", "smell"]', "senses"),
        (PLAIN + 'senses = ["call", "call"]', "senses.fitted"),
        (PLAIN + 'allow = ["gremlins"]', "finding"),
        (PLAIN + "[unit]\nwheels = 4", "unit"),
        (PLAIN + '[unit]\ntons = "three"', "unit"),
        (PLAIN + "[house]\nrooms = 7", "house"),
        (PLAIN + "[unit]\ncompressor_lra_a = 10.0", "unit.compressor_lra_a"),
        (PLAIN + '[[cause]]\nname = "gremlins"', "cause[0].name"),
        (PLAIN + '[[cause]]\nname = "fan-seizes"\nat = "later"', "cause[0].at"),
        (PLAIN + '[[cause]]\nname = "charge-leaks"\nlevel = 2.0', "cause[0].level"),
        (PLAIN + '[[cause]]\nname = "fan-seizes"\nwhen = 3', ""),
        (PLAIN + '[[expect]]\nfinding = "gremlins"', "finding"),
        (PLAIN + "[limits.locked-rotor]\nhold_s = -3", "limits.locked-rotor.hold_s"),
        (PLAIN + "start = 2026-07-14T06:00:00", "start"),
        ("claim = ", ""),
    ],
)
def test_wrong_scenarios_are_refused(text: Any, place: Any) -> None:
    """Each error names the file and, where there is one, the key."""
    with pytest.raises(ScenarioError) as caught:
        parse(text, "mine.toml")
    assert caught.value.place.startswith("mine.toml")
    assert place in str(caught.value)
    assert caught.value.allowed


def test_all_senses_are_whatever_there_is() -> None:
    """A scenario that asks for all has a sensor that is added later without a word."""
    assert SHIPPED["healthy-all-senses"].settings.fitted == tuple(READINGS)


def test_missing_scenario_is_refused_with_the_names() -> None:
    """A name that is none lists those there are; a file that is none says so."""
    with pytest.raises(ScenarioError, match="drain-pan-full"):
        load("no-such-scenario")
    with pytest.raises(ScenarioError, match=r"/nowhere/x\.toml"):
        load("/nowhere/x.toml")


def test_every_finding_has_a_scenario() -> None:
    """Each of the 21 findings of the contract must be found somewhere."""
    wanted = {row.finding for found in SHIPPED.values() for row in found.expect}
    assert wanted == set(FINDINGS)


def test_every_suspect_is_named_somewhere() -> None:
    """Each suspect of the contract is the true cause of some scenario, and must be named there."""
    named = {
        suspect
        for found in SHIPPED.values()
        for row in found.expect
        for suspect in row.suspects
        if any(cause.name in CAUSES_OF[suspect] for cause in found.plan.causes)
    }
    assert named == set(SUSPECTS)


_OPENS = {
    "charge-low": {"pressure-switch", "low-pressure-cutout"},
    "condenser-dirty": {"pressure-switch", "high-pressure-cutout"},
    "coil-shorted": {"control-fuse"},
}


def test_expected_suspects_are_truly_caused() -> None:
    """A scenario demands no suspect that none of its causes brings about."""
    for name, found in SHIPPED.items():
        true = {suspect for cause in found.plan.causes for suspect in CAUSES[cause.name].suspects}
        # A leak opens the low-pressure switch, a clogged condenser the high-pressure one, and a shorted coil the fuse:
        # physics, not a second cause.
        for suspect, opens in _OPENS.items():
            true |= opens if suspect in true else set()
        for row in found.expect:
            assert set(row.suspects) <= true, name
            assert not {row.first} - true - {""}, name


def test_sound_scenarios_have_no_broken_part() -> None:
    """A scenario that must stay silent holds only usual troubles of line and bus, or a utility that sheds load."""
    usual = {"utility-sheds", "outage", "line-sag", "senses-glitch", "scans-lost", "bus-errors"}
    sound = {name: found for name, found in SHIPPED.items() if not found.expect}
    assert len(sound) >= 15
    for name, found in sound.items():
        assert name.startswith("healthy-")
        assert {cause.name for cause in found.plan.causes} <= usual, name


def test_names_and_claims_are_plain() -> None:
    """File names are words and hyphens; each claim is one sentence and no two are alike."""
    claims = [found.claim for found in SHIPPED.values()]
    assert len(set(claims)) == len(claims)
    for name, found in SHIPPED.items():
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name)
        assert found.claim[0].isupper()
        assert found.claim.endswith(".")


def test_reference_tells_of_everything() -> None:
    """The page names every cause, design, scenario, key and finding that must be found."""
    page = markdown()
    for name in (*CAUSES, *SHIPPED, *DESIGNS, *FINDINGS):
        assert f"`{name}`" in page
    for kind in (scenarios.ScenarioTable, scenarios.CauseTable, scenarios.ExpectTable, scenarios.WeatherTable):
        for key in kind.__struct_fields__:
            assert f"`{key}`" in page


def test_reference_page_is_the_one_that_the_tables_make() -> None:
    """The page beside the scenarios is up to date; `python -m condenser_monitor.sim.reference` writes it."""
    assert PLACE.read_text(encoding="utf-8") == markdown()


def test_reference_tables_are_square() -> None:
    """Every row of a table has as many cells as its head."""
    rows = [line for line in markdown().splitlines() if line.startswith("|")]
    width = 0
    for before, line in zip(["", *rows], rows, strict=False):
        cells = len(re.findall(r"(?<!\\)\|", line))
        if set(line) <= set("|- "):
            assert cells == len(re.findall(r"(?<!\\)\|", before))
            width = cells
        elif width and "---" not in line:
            assert cells >= 3
