"""The simulated start of a compressor, analysed by scipy on the dense wave and by the program on the chip's samples."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d

from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.hardware.waveform import Sample, transient
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.records import StartTransient
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.registers import RegisterRig
from condenser_monitor.sim.rig import transient as as_reported
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.waveforms import BIAS_V, ChipInputs
from condenser_monitor.sim.world import World, WorldPlan
from tests.size import one_in

CHANNEL = CHANNELS["compressor_a"]
CALL_S, DENSE_S, RATE_HZ = 1.0, 1 / 7740, 860  # nine dense points to a sample
FADED = (Planned(name="run-capacitor-fades", at_s=0.0, level=0.7),)
CASES = [("three-ton", ()), ("three-ton", FADED), ("five-ton", ()), ("one-ton-50-hz", ()), ("two-ton-heat-pump", ())]


class Wave(NamedTuple):
    """Times and amperes of the dense wave, and the world's own start."""

    t_s: np.ndarray
    amps: np.ndarray
    world: World


def dense(name: str, causes: tuple[Planned, ...]) -> Wave:
    """A second and a half from the call on, as the converter's input has it, burden and bias taken back."""
    world = World(WorldPlan(design=DESIGNS[name], calls=((CALL_S, 60.0),), causes=causes))
    assert CHANNEL.address is not None
    assert CHANNEL.mux is not None
    assert CHANNEL.scale is not None
    inputs = ChipInputs(world, CHANNEL.address, 1)
    world.advance(CALL_S)
    times, volts = [], []
    for step in range(1, round(1.5 / DENSE_S)):
        t_s = CALL_S + step * DENSE_S
        world.advance(t_s)
        times.append(t_s)
        volts.append(inputs.mean_v(CHANNEL.mux - 1, t_s - DENSE_S, t_s))
    return Wave(np.array(times), (np.array(volts) - BIAS_V) / CHANNEL.scale, world)


def envelope(wave: Wave, hz: float) -> np.ndarray:
    """RMS of the fundamental over one cycle around each instant: demodulated, and averaged by scipy."""
    width = round(1 / hz / DENSE_S)
    turned = wave.amps * np.exp(-2j * np.pi * hz * wave.t_s)
    mean = uniform_filter1d(turned.real, width) + 1j * uniform_filter1d(turned.imag, width)
    rms = np.sqrt(2) * np.abs(mean)
    rms[:width] = rms[-width:] = np.nan  # there is no whole cycle around the first and the last instants
    return np.asarray(rms)


@one_in(4)
@pytest.mark.parametrize(("name", "causes"), CASES, ids=lambda v: v if isinstance(v, str) else f"{len(v)} causes")
def test_start_transient_against_scipy(name: str, causes: tuple[Planned, ...]) -> None:
    """Duration within a cycle and a half of scipy's, highest and settled current within 3 %."""
    design = DESIGNS[name]
    wave = dense(name, causes)
    rms = envelope(wave, design.line_hz)
    settled = float(np.nanmedian(rms[-2000:]))
    began_s = float(wave.t_s[np.flatnonzero(np.abs(wave.amps) > settled / 2)[0]])
    above = np.flatnonzero(rms > settled * limits.TRANSIENT_SETTLED_RATIO.value)
    ended_s = float(wave.t_s[above[-1]])
    taken = [Sample(float(t), float(a)) for t, a in zip(wave.t_s[::9], wave.amps[::9], strict=True)]
    found = transient(taken, design.line_hz, began_s, 0.6 * design.compressor_lra_a)
    assert found is not None
    assert found.duration_s == pytest.approx(ended_s - began_s, abs=1.5 / design.line_hz)
    assert found.peak == pytest.approx(float(np.nanmax(rms)), rel=0.03)
    assert found.settled == pytest.approx(settled, rel=0.03)


@pytest.mark.parametrize(("name", "causes"), CASES[:2], ids=["sound", "faded capacitor"])
def test_captured_start_against_scipy(name: str, causes: tuple[Planned, ...]) -> None:
    """The same through chip, bus, drivers and capture; and the world's own figure, which the readings level reports,
    agrees within two cycles and a half."""
    design = DESIGNS[name]
    wave = dense(name, causes)
    rms = envelope(wave, design.line_hz)
    settled = float(np.nanmedian(rms[-2000:]))
    above = wave.t_s[rms > settled * limits.TRANSIENT_SETTLED_RATIO.value]
    world = World(WorldPlan(design=design, calls=((CALL_S, 60.0),), causes=causes))
    rig = RegisterRig(world, Settings(unit=design.nameplate()))
    (captured,) = [item for item in rig.items(5.0) if isinstance(item, StartTransient)]
    rig.close()
    began_s = float(wave.t_s[np.flatnonzero(np.abs(wave.amps) > settled / 2)[0]])
    assert captured.duration_s == pytest.approx(float(above[-1]) - began_s, abs=2 / design.line_hz)
    assert captured.settled_a == pytest.approx(settled, rel=0.05)
    reported = as_reported(wave.world.unit.compressor.starts[0])
    assert captured.duration_s == pytest.approx(reported.duration_s, abs=2.5 / design.line_hz)
