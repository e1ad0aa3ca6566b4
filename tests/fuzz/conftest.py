"""What several of these tests use: a unit with a finding; a page that does not wait for a service that is not there."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from condenser_monitor.monitor.core.config import SensorSettings, Settings
from tests.monitor import units
from tests.web.conftest import impatient_page
from tests.web.filled import Site, from_scans

__all__ = ["impatient_page"]
_DEAD = units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A unit with a finding that stands."""
    kept = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    parts = ((30, units.REST), (300, units.RUN), (30, units.REST), (60, _DEAD))
    made = from_scans(tmp_path_factory.mktemp("unit"), kept, units.scans(*parts), end_s=419.0)
    yield made
    made.history.close()
