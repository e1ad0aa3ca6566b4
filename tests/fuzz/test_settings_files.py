"""Files of settings (TOML): the site file, the fleet file, scenarios. Made of their own keys with values of every kind,
or a good one with bytes changed; what is taken can be used, all else is refused."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from itertools import islice
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.hardware.boards import channels
from condenser_monitor.monitor.core import config, untrusted_input
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CondenserError, ScenarioError, SiteError
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.fleet import setup
from condenser_monitor.monitor.publishers import asyncapi
from condenser_monitor.monitor.publishers.phone_text import MessageWriter
from condenser_monitor.sim import scenario
from condenser_monitor.sim.rig import rig_for
from tests.fuzz.damage import damaged, tables
from tests.fuzz.refusals import (
    fuzzed,
    looked_at,
    soon,
    tried,
)
from tests.monitor.test_config import EXAMPLE

_FLEET = (
    '[database]\nurl = "sqlite:///fleet.db"\n[broker]\nhost = "h"\nport = 1\n[pages]\nport = 1\ntemperature = "C"\n'
)
_SCENARIO = (scenario.FOLDER / "coil-burns-open.toml").read_text(encoding="utf-8")


def _used(settings: Settings) -> None:
    """What a site file goes into: the engine, the table of channels, the document of the topics, a phone's words."""
    engine = Engine(settings)
    for t_s in range(3):
        engine.feed(Scan(t_s=float(t_s), call=True, compressor_a=0.0))
    engine.status()
    asyncapi.text(settings)
    MessageWriter(settings).trial()
    channels(settings)


def _played(made: scenario.Scenario) -> None:
    """What a scenario goes into: a world under ideal senses, looked at some times."""
    list(islice(rig_for(made).scans(made.duration_s), 5))


KINDS: dict[
    str, tuple[Callable[[str], Any], type[msgspec.Struct], str, Callable[[Any], None], type[CondenserError]]
] = {
    "site": (config.parse, Settings, EXAMPLE, _used, SiteError),
    "fleet": (setup.parse, setup.FleetSettings, _FLEET, lambda made: None, SiteError),
    "scenario": (scenario.parse, scenario.ScenarioTable, _SCENARIO, _played, ScenarioError),
}


@pytest.mark.parametrize("kind", KINDS)
def test_settings_of_every_kind_are_taken_or_refused(kind: str) -> None:
    """Keys of its own with values of every kind: what is taken works in what it goes into."""
    parse, shape, _, use, error = KINDS[kind]

    @fuzzed(150)
    @given(text=tables(shape))
    def run(text: str) -> None:
        with soon():
            made = tried(lambda: parse(text), error)
            if made is not None:
                tried(lambda: use(made))

    run()


@pytest.mark.parametrize("kind", KINDS)
def test_a_damaged_file_is_taken_or_refused(kind: str, tmp_path: Path) -> None:
    """A good file with some bytes changed, read from the disk."""
    load = {"site": config.load, "fleet": setup.load, "scenario": scenario.load}[kind]
    path = tmp_path / "file.toml"

    @fuzzed(150)
    @given(data=damaged(KINDS[kind][2].encode()))
    def run(data: bytes) -> None:
        path.write_bytes(data)
        with soon():
            made = tried(lambda: load(path), KINDS[kind][4])
            if made is not None:
                tried(lambda: KINDS[kind][3](made))

    run()


_ENDLESS = {
    "deep-arrays": "a = " + "[" * 50_000,
    "deep-tables": "a = " + "{a=" * 50_000,
    "deep-in-many-lines": "x = [\n" + ("{" + "a." * 190 + "a = [\n") * 300,
    "many-dots": ".".join("a" * 100_000) + " = 1",
    "digits": "[unit]\ncompressor_rla_a = " + "9" * 5000,
    "hex-digits": "[unit]\ncompressor_rla_a = 0x" + "f" * 5000,
    "out-of-range": "[unit]\ncompressor_rla_a = " + "9" * 400,
    "long-key": f"{'k' * 200_000} = 1",
    "long-text": f'[site]\nname = "{"n" * 200_000}"',
    "nul-in-a-path": '[history]\nfile = "a\\u0000b"',
    "terminal-codes": '"\\u001b[2J\\u202e" = 1',
    "year-one": "[site]\nname = 0001-01-01T00:00:00+23:59",
    "twice": "[site]\n[site]",
}


@pytest.mark.parametrize("text", _ENDLESS.values(), ids=_ENDLESS)
def test_what_would_never_end_is_refused_at_once(text: str) -> None:
    """Depth, length and numbers that the readers of TOML themselves give up at, or need gigabytes for."""
    for parse in (config.parse, setup.parse, scenario.parse):
        with soon(), pytest.raises(CondenserError) as caught:
            parse(text)
        looked_at(caught.value)


@pytest.mark.parametrize("path", ["/dev/zero", "/dev/urandom", "/proc/self/mem", ".", "no\x00name", "", "x" * 300])
def test_what_is_no_file_of_settings_is_refused(path: str) -> None:
    """Devices without end, memory, a folder, names that no file can have."""
    for load in (config.load, setup.load, lambda name: scenario.load(f"{name}.toml")):
        with soon(), pytest.raises(CondenserError) as caught:
            load(path)
        looked_at(caught.value)


@fuzzed(200)
@given(data=st.one_of(st.binary(max_size=200), st.text(max_size=50).map(lambda text: text.encode("utf-16"))))
def test_bytes_of_any_kind_are_an_oserror_or_a_valueerror(data: bytes) -> None:
    """The two readers at the bottom raise nothing else."""
    for read in (
        lambda: untrusted_input.from_json(data, dict[str, list[int]]),
        lambda: untrusted_input.from_toml(data.decode()),
    ):
        with suppress(ValueError):
            read()
