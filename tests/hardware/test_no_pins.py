"""Pins that cannot be had are named in words, and pins already taken are let go again."""

from __future__ import annotations

import sys
from pathlib import Path
from types import ModuleType

import pytest
from gpiozero import Device

from condenser_monitor.hardware import digital
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


_LIKE_THE_PIN_LIBRARY = """
import os

os.chdir(os.environ["LG_WD"])
open(".lgd-nfy0", "w").close()
error = OSError


def gpiochip_open(number):
    raise OSError("can not open gpiochip")


def __getattr__(name):
    if name.isupper():
        return 0
    raise AttributeError(name)
"""


@pytest.mark.parametrize("chosen", [None, "lgpio"], ids=["we choose", "by the environment"])
def test_the_pin_library_does_not_move_the_program_to_another_directory(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, chosen: str | None
) -> None:
    """Imported, lgpio 0.2.2 changes into the directory that LG_WD names (its C library's chdir; seen in an emulated
    machine, where the history then lay in memory). History and calibration have names from the directory that the
    program was started in: it must still be there."""
    library, pipes = tmp_path / "library", tmp_path / "pipes"
    library.mkdir()
    pipes.mkdir()
    (library / "lgpio.py").write_text(_LIKE_THE_PIN_LIBRARY)
    monkeypatch.syspath_prepend(str(library))
    monkeypatch.setenv("LG_WD", str(pipes))
    for name in ("lgpio", "gpiozero.pins.lgpio"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.setattr(digital, "DEVICES", tmp_path)
    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.chdir(tmp_path)
    if chosen is None:
        monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
        digital.choose_header_chip()
    else:
        monkeypatch.setenv("GPIOZERO_PIN_FACTORY", chosen)
        with pytest.raises(SenseError):  # it has no chip
            Boards(FLAGS_ONLY)
    assert (pipes / ".lgd-nfy0").exists()
    assert Path.cwd() == tmp_path
    for name in ("lgpio", "gpiozero.pins.lgpio"):
        sys.modules.pop(name, None)


PI_4 = {0: "pinctrl-bcm2711", 1: "raspberrypi-exp-gpio"}
PI_5_OLD_KERNEL = {0: "gpio-brcmstb@107d508500", 1: "gpio-brcmstb@107d508520", 4: "pinctrl-rp1"}
PI_5 = {0: "pinctrl-rp1", 10: "gpio-brcmstb@107d508500", 13: "gpio-brcmstb@107d517c20"}
PI_5_ANOTHER = {0: "gpio-brcmstb@107d508500", 4: "gpio-brcmstb@107d517c20", 11: "pinctrl-rp1"}
NO_PI = {0: "INT34C5:00"}


class PinLibrary(ModuleType):
    """lgpio's answers on a machine whose chips have these labels; the chip 9 is another user's."""

    SET_PULL_NONE, BOTH_EDGES, RISING_EDGE, FALLING_EDGE = range(4)
    error = OSError

    def __init__(self, labels: dict[int, str]) -> None:
        super().__init__("lgpio")
        self._labels = labels
        self.open: list[int] = []

    def __getattr__(self, name: str) -> int:
        if name.isupper():
            return 0
        raise AttributeError(name)

    def gpiochip_open(self, number: int) -> int:
        if number == 9:
            raise self.error("not permitted")
        self.open.append(number)
        return number

    def gpiochip_close(self, handle: int) -> None:
        self.open.remove(handle)

    def gpio_get_chip_info(self, handle: int) -> list[object]:
        return [0, 54, f"gpiochip{handle}", self._labels[handle]]


@pytest.mark.parametrize(
    ("labels", "chip"),
    [(PI_4, 0), (PI_5_OLD_KERNEL, 4), (PI_5, 0), (PI_5_ANOTHER, 11), (NO_PI, None)],
    ids=["Pi 4", "Pi 5, kernel before 6.6.45", "Pi 5", "Pi 5, another kernel", "no Pi"],
)
def test_the_headers_chip_is_found_by_its_label(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, labels: dict[int, str], chip: int | None
) -> None:
    """Labels and numbers as `gpiodetect` shows them on these machines; gpiozero's factory then works on that chip."""
    library = PinLibrary(labels)
    for number in (*labels, 9):
        (tmp_path / f"gpiochip{number}").touch()
    monkeypatch.setattr(digital, "DEVICES", tmp_path)
    monkeypatch.setitem(sys.modules, "lgpio", library)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    monkeypatch.setattr(Device, "pin_factory", None)
    digital.choose_header_chip()
    assert library.open == ([] if chip is None else [chip])
    if chip is None:
        assert Device.pin_factory is None
    else:
        assert Device.pin_factory.chip == chip
        Device.pin_factory.close()
