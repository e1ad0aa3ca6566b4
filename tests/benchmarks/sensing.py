"""How true the further senses are, through the shipped drivers' own bytes: phase, power, microfarads, starts, pairs.

    python -m tests.benchmarks sensing

Phase and power against numpy, on waves made here and on a measured feeder (tests/data), two converters with clocks of
their own up to 10 % off; microfarads against what is in the simulated unit, through boards and bus; starts against
envelopes of known length; and how many pairs of causes the readings tell apart (`sim/pairs.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import product
from math import degrees, sqrt
from random import Random

import numpy as np

from condenser_monitor.hardware.analog import Converter, bursts
from condenser_monitor.hardware.waveform import power
from condenser_monitor.monitor.baselines.performance import apparent_uf
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.sim import pairs
from condenser_monitor.sim.bus import Ads1115, FakeI2C, VirtualClock
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.registers import RegisterRig
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.weather import design_days
from condenser_monitor.sim.world import World, WorldPlan
from tests.conformance.test_waveform_measured import feeder
from tests.hardware.test_power import A_SCALE, LINE, V_SCALE, WAVES, Harmonics, by_numpy, measured
from tests.hardware.test_starts import Start, bench_with, run
from tests.sim.recorded import Recorded

_FEEDER_HZ = 30_707.0
_FEEDER_A, _FEEDER_V = 0.0006, 0.0003  # V at the converter for each ampere and volt of the feeder


def _spread(errors: Sequence[float], unit: str) -> str:
    """Mean, RMS and largest of some errors."""
    values = np.array(errors)
    rms, most = float(np.sqrt(np.mean(values**2))), float(np.max(np.abs(values)))
    return f"mean {float(values.mean()):+.3f}, RMS {rms:.3f}, largest {most:.3f} {unit} ({len(errors)} readings)"


def phase_errors(seeds: int) -> list[float]:
    """Degrees off, over clocks up to 10 % off, angles from -75 to 75 degrees and any start of a burst."""
    rng, errors = Random(4), []
    for seed in range(seeds):
        angle = rng.uniform(-1.3, 1.3)
        for found in measured(Harmonics(LINE), Harmonics(((1, 10.0, angle),)), 100 + seed):
            errors.append(degrees(found.displacement_rad - angle))
    return errors


def power_errors(shape: str, seeds: int) -> list[float]:
    """Real power's error in per cent of the apparent power that numpy finds."""
    volts, amps = Harmonics(LINE), Harmonics(WAVES[shape])
    active, apparent = by_numpy(volts, amps)
    scale = V_SCALE * A_SCALE
    readings = (found for seed in range(seeds) for found in measured(volts, amps, seed))
    return [100.0 * (found.active / scale - active) / apparent for found in readings]


def feeder_errors(phases: Sequence[int], seeds: int) -> list[float]:
    """The same on the measured feeder: its volts and amps, played again and again, against numpy on the record."""
    errors = []
    for number in phases:
        volts, amps = (np.array(feeder(f"{kind}{number}")) for kind in ("U", "I"))
        volts, amps = volts - volts.mean(), amps - amps.mean()
        cycles = int(len(volts) * 60.0 / _FEEDER_HZ)  # whole ones, so that the record joins on to itself
        volts, amps = (wave[: round(cycles * _FEEDER_HZ / 60.0)] for wave in (volts, amps))
        active = float(np.mean(volts * amps))
        apparent = sqrt(float(np.mean(volts**2)) * float(np.mean(amps**2)))
        for seed in range(seeds):
            rng, clock = Random(seed), VirtualClock(Random(seed).random())
            chips = {
                address: Ads1115(
                    Recorded([scale * float(one) for one in wave], _FEEDER_HZ, bias_v=1.65),
                    clock,
                    clock_error=rng.uniform(-0.1, 0.1),
                    noise_codes=0.7,
                    seed=seed + address,
                )
                for address, wave, scale in ((0x48, volts, _FEEDER_V), (0x49, amps, _FEEDER_A))
            }
            bus = FakeI2C(clock, chips)
            pair = [Converter(bus, address, clock, clock.sleep) for address in chips]
            v, i = bursts([(pair[0], 1, 0.256), (pair[1], 1, 0.256)], 0.12)
            found = power(v, i, 60.0, (pair[0].conversion_s, pair[1].conversion_s))
            assert found is not None
            if not all(converter.timed for converter in pair):
                continue
            errors.append(100.0 * (found.active / (_FEEDER_V * _FEEDER_A) - active) / apparent)
    return errors


def microfarad_errors(name: str, corners: Sequence[tuple[float, float, float]]) -> list[float]:
    """Per cent off what is in the unit, at (outdoor C, share of line volts, share of the capacitor lost), read through
    boards and bus, with the one ratio of volts that a commissioning at 28 C takes."""
    design = DESIGNS[name]
    settings = Settings(unit=design.nameplate(), senses=SensorSettings(fitted=_WITH_WINDING))

    def read(outdoor_c: float, share: float, lost: float) -> float:
        causes = [Planned(name="run-capacitor-fades", at_s=0.0, level=lost)] if lost else []
        if share != 1.0:
            word = "low" if share < 1.0 else "high"
            causes.append(Planned(name=f"line-volts-{word}", at_s=0.0, level=abs(1.0 - share)))
        plan = WorldPlan(design=design, calls=((60.0, 9000.0),), causes=tuple(causes), line_swing=0.0)
        world = World(plan, design_days([(outdoor_c, outdoor_c)], 12.0))
        world.advance(1200.0)
        rig = RegisterRig(world, settings)
        scans = [item for item in rig.items(1206.0) if isinstance(item, Scan)]
        rig.close()
        last = {name: getattr(scans[-1], name) for name in ("start_winding_a", "line_v", "compressor_w")}
        found = apparent_uf(last, settings.unit)
        assert found is not None
        return found

    ratio = read(28.0, 1.0, 0.0) / design.run_uf
    return [100.0 * (read(*corner) / ratio / (design.run_uf * (1.0 - corner[2])) - 1.0) for corner in corners]


_WITH_WINDING = ("call", "compressor_a", "line_v", "compressor_w", "start_winding_a")
_CORNERS = tuple(product((20.0, 44.0), (0.94, 1.05), (0.0, 0.3)))


def start_errors(lasts_s: Sequence[float], clocks: Sequence[float]) -> list[float]:
    """Milliseconds off the length of a start, captured when the contacts close."""
    errors = []
    for length_s, clock_error in product(lasts_s, clocks):
        starting: Callable[[float], Start] = lambda at_s, length_s=length_s: Start(at_s, length_s)  # type: ignore[misc] # noqa: E731
        (found,) = run(bench_with(0.7, starting, clock_error=clock_error), 6.0)
        assert found.duration_s is not None
        errors.append(1000.0 * (found.duration_s - Start(0.0, length_s).settles_s))
    return errors


def lines(seeds: int = 100) -> Iterator[str]:
    """Return each figure in a line."""
    angles = phase_errors(2 * seeds)
    yield f"phase, clocks up to 10 % off: {_spread(angles, 'degrees')}"
    yield f"first bursts of which no beat was found, and no power made: {2 * seeds - len(angles)} of {2 * seeds}"
    for shape in WAVES:
        yield f"real power, {shape}: {_spread(power_errors(shape, seeds), '% of apparent power')}"
    measured_errors = feeder_errors((1, 2, 3), max(1, seeds // 5))
    yield f"real power, a measured feeder: {_spread(measured_errors, '% of apparent power')}"
    for name in ("three-ton", "one-ton-50-hz"):
        yield f"microfarads, {name}: {_spread(microfarad_errors(name, _CORNERS), '%')}"
    lengths = (0.1, 0.18, 0.3, 0.55, 0.97, 1.6, 2.6)
    yield f"length of a start, 0.1 to 2.6 s: {_spread(start_errors(lengths, (-0.1, 0.0, 0.1)), 'ms')}"
    yield "pairs of causes: " + pairs.table().splitlines()[0]
