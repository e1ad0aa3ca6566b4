"""The I2C bus's speed in a Pi's config.txt: set once, never over the owner's own, taken out as it came."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "hardware" / "install" / "bus-speed.sh"
# the shape of the file that Raspberry Pi OS of Debian 12 and 13 comes with: filters, and no end to the last line
FRESH = "# See the documentation\ndtparam=audio=on\n#dtparam=i2c_arm=on\n\n[cm4]\notg_mode=1\n\n[pi5]\nusb_max=1"
LINE = "dtparam=i2c_arm=on,i2c_arm_baudrate=400000"


def run(action: str, path: Path) -> str:
    command: list[str | Path] = [SCRIPT, action, path]
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=20).stdout


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "config.txt"
    path.write_text(FRESH)
    return path


def in_force(text: str) -> list[str]:
    """The lines of the file that hold for every model, as the firmware reads its filters ([all] ends one)."""
    lines, every = [], True
    for line in text.splitlines():
        if line.startswith("["):
            every = line.strip() == "[all]"
        elif every and line and not line.startswith("#"):
            lines.append(line)
    return lines


def test_the_speed_is_set_for_every_model(config: Path) -> None:
    """After a filter for one model, and after a last line without its end; what was there is there still."""
    assert "400000" in run("set", config)
    text = config.read_text()
    assert text.startswith(FRESH + "\n")
    assert LINE in in_force(text)
    assert run("show", config) == "400000\n"
    assert config.with_name("config.txt.before").read_text() == FRESH


def test_setting_it_twice_adds_nothing(config: Path) -> None:
    """The second run says that it is set already."""
    run("set", config)
    once = config.read_bytes()
    assert "already" in run("set", config)
    assert config.read_bytes() == once


@pytest.mark.parametrize("own", ["dtparam=i2c_arm_baudrate=100000", "dtparam=i2c_arm=on,i2c_arm_baudrate=1000000"])
def test_a_speed_of_the_owners_stays(config: Path, own: str) -> None:
    """Whatever it is: other things may hang on that bus. It is said."""
    config.write_text(FRESH + "\n[all]\n" + own + "\n")
    before = config.read_bytes()
    assert run("show", config).strip() == own.rsplit("=", 1)[1]
    assert own.rsplit("=", 1)[1] in run("set", config)
    assert config.read_bytes() == before


def test_a_comment_is_no_setting(config: Path) -> None:
    """A line that is switched off does not count."""
    config.write_text("#dtparam=i2c_arm_baudrate=100000\n")
    assert run("show", config) == ""
    run("set", config)
    assert in_force(config.read_text()) == [LINE]


def test_taking_it_out_leaves_the_rest(config: Path) -> None:
    """All but an empty line is as it was, and a file without the block is not touched."""
    run("set", config)
    run("unset", config)
    assert config.read_text().rstrip("\n") == FRESH
    before = config.stat().st_mtime_ns
    assert run("unset", config) == ""
    assert config.stat().st_mtime_ns == before


@pytest.mark.parametrize("args", [[], ["set"], ["set", "/no/such/file"], ["raise", __file__]])
def test_wrong_arguments_are_refused(args: list[str]) -> None:
    """With a word of what is wrong, and nothing done."""
    done = subprocess.run([SCRIPT, *args], check=False, capture_output=True, text=True, timeout=20)
    assert done.returncode != 0
    assert done.stderr.startswith("bus-speed.sh: ")
