"""Pins that cannot be had are named in words, and pins already taken are let go again."""

from __future__ import annotations

import pytest
from gpiozero import Device

from condenser_monitor.hardware.boards import Boards
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.errors import SenseError
from condenser_monitor.sim.bus import pin_factory

FLAGS_ONLY = Settings(senses=SensorSettings(fitted=("call", "supply")))


def test_a_machine_without_pins_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where gpiozero finds no pins at all: a SenseError that names the sense and its pin."""
    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "nonesuch")
    with pytest.raises(SenseError, match=rf"call, pin {CHANNELS['call'].pin}"):
        Boards(FLAGS_ONLY)


def test_a_pin_in_use_is_told_and_nothing_is_kept() -> None:
    """A second program on one pin is refused by name; the pins that the refused one had taken are free again."""
    factory = pin_factory()
    only_supply = Settings(senses=SensorSettings(fitted=("supply",)))
    first = Boards(only_supply, pin_factory=factory)
    with pytest.raises(SenseError, match=rf"supply, pin {CHANNELS['supply'].pin}"):
        Boards(FLAGS_ONLY, pin_factory=factory)
    first.close()
    Boards(FLAGS_ONLY, pin_factory=factory).close()
