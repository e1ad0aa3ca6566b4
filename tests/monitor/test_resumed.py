"""A diagnosis taken up from a history: it begins with the suspects that the monitor named, not with others."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.records import Finding, MeterReading
from condenser_monitor.monitor.diagnosis.visit.session import VisitSession
from condenser_monitor.monitor.storage.history import recent_findings, resumed_visit
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    UNIT,
    but,
    scans,
)
from tests.web import filled

SETTINGS = Settings(unit=UNIT, senses=SensorSettings(fitted=ALL))
LOCKED = but(RUN, compressor_a=60.0)
TRIPPED = but(RUN, compressor_a=0.0)
NAME = "overload-cycling"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[filled.Site]:
    """A compressor that hums at locked-rotor current and trips, again and again."""
    parts = [part for _ in range(4) for part in ((6, LOCKED), (200, TRIPPED))]
    made = filled.from_scans(tmp_path / "site", SETTINGS, scans((60, REST), (300, RUN), *parts), end_s=1183.0)
    yield made
    made.history.close()


def finding(site: filled.Site) -> Finding:
    found = site.history.status()
    assert found is not None
    return next(one for one in found.findings if one.name == NAME)


def resumed(site: filled.Site) -> VisitSession:
    status = site.history.status()
    assert status is not None
    return resumed_visit(site.history, SETTINGS, finding(site), status)


def test_suspects_are_those_that_the_monitor_named_in_its_order(site: filled.Site) -> None:
    """What stood lately counts as evidence here as in the engine; without it the order is another."""
    stands = finding(site)
    assert resumed(site).verdict().suspects[0] == stands.suspects[0]
    bare = VisitSession.from_finding(stands, unit=UNIT, fitted=ALL)
    assert bare.verdict().suspects != stands.suspects


def test_lately_names_what_stood_beside_it_and_not_the_finding_itself(site: filled.Site) -> None:
    """The locked rotor of minutes ago; and nothing from before the engine's two hours."""
    status = site.history.status()
    assert status is not None
    found = recent_findings(site.history, finding(site), status)
    assert found["recent:locked-rotor"] == "yes"
    assert f"recent:{NAME}" not in found


def test_readings_made_for_it_count_and_those_for_another_do_not(site: filled.Site) -> None:
    """Entered again in their order, without those from before the finding was raised or of a check unknown today."""
    for check, typed, about, ago_s in (
        ("filter", "clogged", "low-running-current", 0.0),
        ("run-capacitor", "45/45", NAME, 86400.0),
        ("a-check-of-another-version", "1", NAME, 0.0),
        ("condenser-coil", "dirty", NAME, 0.0),
    ):
        reading = MeterReading(check=check, typed=typed, by="Sam", wall_s=filled.NOW_S - ago_s, finding=about)
        site.history.add_meter_reading(reading)
    assert list(resumed(site).answers) == ["condenser-coil"]
