"""The circuit simulator, where it is installed; on the build server it must be."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest

from tests.hardware.circuits import spice
from tests.size import FULL

Measure = Callable[[str], Mapping[str, float]]


@pytest.fixture(scope="session")
def measure() -> Measure:
    """Runs a deck in ngspice and gives what it measured."""
    if not spice.available():
        (pytest.fail if FULL else pytest.skip)("ngspice is not installed")
    return spice.run
