"""The catalogue of texts: complete, careful, and free of what a homeowner must not be told to do."""

from __future__ import annotations

import re

import msgspec
import pytest

from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    AlertState,
    CycleState,
    Finding,
    Severity,
)
from condenser_monitor.monitor.diagnosis.visit.session import SYMPTOMS
from condenser_monitor.monitor.strings import texts
from tests.monitor import units


def test_every_finding_of_the_contract_has_its_texts_and_no_other() -> None:
    """All findings, each once."""
    assert sorted(texts.FINDINGS) == sorted(CATALOGUE)


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_finding_says_what_it_means_what_to_do_look_at_and_leave_alone(name: str) -> None:
    """Every part is there, in sentences; line voltage, capacitors and a one-pole contactor are warned of."""
    text = texts.FINDINGS[name]
    assert all(part.endswith(".") for part in (text.headline, text.means, text.do, text.tell))
    assert len(texts.look(name)) >= 1
    two = msgspec.structs.replace(units.UNIT, contactor_poles=2)
    one_pole, two_pole = texts.avoid(name, units.UNIT), texts.avoid(name, two)
    assert texts.CARE["cabinet"] in two_pole
    assert texts.CARE["capacitor"] in two_pole
    assert texts.CARE["one-pole"] in one_pole
    assert texts.CARE["one-pole"] not in two_pole


@pytest.mark.parametrize("name", CATALOGUE)
def test_nobody_is_told_to_open_bridge_or_measure(name: str) -> None:
    """What a homeowner is asked to do and to look at needs no tool, no open cabinet and no hand inside."""
    asked = " ".join((texts.FINDINGS[name].do, *texts.look(name))).lower()
    assert not re.search(
        r"\b(screwdriver|multimeter|measure|remove the|take off|unscrew|open the (unit|panel|cabinet)|bridge|jumper)\b",
        asked,
    )


def test_the_most_severe_say_what_to_do_first() -> None:
    """Where the unit harms itself by running on, the first words switch it off."""
    for name in ("fan-not-running", "locked-rotor", "contactor-chatter", "overload-cycling", "compressor-not-running"):
        assert texts.FINDINGS[name].do.startswith("Switch the thermostat off")
    # A thermostat cannot stop contacts that are stuck.
    assert "breaker off" in texts.FINDINGS["contacts-stuck-closed"].do


def test_the_line_for_the_technician_has_the_figures_and_the_first_suspect() -> None:
    """One line, with the units of measure."""
    finding = Finding(
        name="call-without-pull-in",
        severity=Severity.URGENT,
        since_s=0.0,
        raised_s=10.0,
        raised_wall_s=None,
        suspects=("coil-open", "loose-connection"),
        evidence={"control_v": 26.4, "coil_a": 0.0, "supply": True, "pattern": "counted"},
        summary="",
    )
    told = texts.read_out(finding)
    assert "control voltage 26.4 V, coil current 0.00 A, line supply on" in told
    assert "contactor coil open (burnt out)" in told
    assert "\n" not in told


def test_every_state_and_symptom_has_its_words() -> None:
    """No key that a template builds is missing."""
    wanted = [f"alert-{state}" for state in AlertState]
    wanted += [f"severity-{s}{end}" for s in Severity for end in ("", "-means")]
    wanted += [f"cycle-{state}" for state in CycleState]
    wanted += [f"symptom-{name}" for name in SYMPTOMS]
    assert [key for key in wanted if key not in texts.WORDS] == []
    assert sorted(texts.NAMES) == sorted(READINGS)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-3, "0 s"),
        (0, "0 s"),
        (59, "59 s"),
        (60, "1 min"),
        (3599, "59 min"),
        (3600, "1 h"),
        (11100, "3 h 5 min"),
        (200000, "2 days"),
    ],
)
def test_spans_in_words(seconds: float, words: str) -> None:
    """Two parts at most, never less than nothing."""
    assert texts.span(seconds) == words
