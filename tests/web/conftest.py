"""Fixtures of the page: a site with a fault, lived through in the simulated world by the real engine."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.sim.scenario import load
from condenser_monitor.web.access import Access
from condenser_monitor.web.app import create_app
from tests.conftest import set_limit
from tests.monitor import units
from tests.web.filled import Site, from_scans, from_scenario
from tests.web.over_socket import served

FAR = {"REMOTE_ADDR": "192.0.2.7"}  # RFC 5737: an address for documentation, not of this machine


@pytest.fixture(autouse=True)
def impatient_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page does not wait for a service that is not there."""
    set_limit(monkeypatch, limits.WEB.answer_wait_s, 0.0)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """A plain unit that rests, runs, and then gets a call that its open coil does not follow."""
    dead = units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
    parts = ((60, units.REST), (600, units.RUN), (60, units.REST), (120, dead))
    settings = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    made = from_scans(tmp_path / "fault", settings, units.scans(*parts), end_s=839.0)
    yield made
    made.history.close()


@pytest.fixture
def healthy(tmp_path: Path) -> Iterator[Site]:
    """A plain unit in the middle of a run."""
    settings = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    made = from_scans(tmp_path / "healthy", settings, units.scans((60, units.REST), (600, units.RUN)), end_s=659.0)
    yield made
    made.history.close()


@pytest.fixture
def lived(tmp_path: Path) -> Iterator[Site]:
    """Twelve hours of a hot day in the simulated world."""
    made = from_scenario(tmp_path / "lived", load("healthy-heat-wave"), 12 * 3600.0)
    yield made
    made.history.close()


def app_of(site: Site) -> Flask:
    """The page of a site, on the site's own clock."""
    return create_app(site.history, site.settings, wall=site.hands.wall, monotonic=site.hands.mono)


@pytest.fixture
def app(site: Site, request: pytest.FixtureRequest) -> Iterator[Flask]:
    """The page; over a real socket for tests of `OVER_SOCKET` modules."""
    made = app_of(site)
    if not getattr(request.module, "OVER_SOCKET", False):
        yield made
        return
    with served(made):
        yield made


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    """Somebody on the monitor itself."""
    return app.test_client()


def technician_code(site: Site) -> str:
    """A code that the owner of a site made for a technician."""
    return Access(site.history.path.with_name(f"{site.history.path.name}.access")).make_token("Ada", "technician", 0.0)


def technician(client: FlaskClient) -> dict[str, str]:
    """What a technician adds to the form that begins a visit: a code of their own, as the owner makes one."""
    access = client.application.extensions["window"].access
    name = f"Ada {len(access.tokens())}"
    return {"who": "technician", "code": access.make_token(name, "technician", 0.0)}


def csrf(client: FlaskClient, **how: object) -> str:
    """The token that the session's forms carry, taken from a page as a browser would."""
    for page in ("/settings", "/login", "/setup"):
        found = re.search(r'name="csrf" value="([^"]+)"', client.get(page, **how).get_data(as_text=True))
        if found:
            return found[1]
    raise AssertionError("no form with a token")
