"""Sensors that jump from scan to scan as what they measure cannot.

A motor that runs draws nearly the same from scan to scan, one that stalls a multiple of it, one that stands nothing:
its current goes from one of these to another and stays there. A clamp with a loose plug or a bad joint reads up and
down again, anywhere in between, and at rest too. What makes the current itself jump (contacts that chatter, a sagging
line) does so in both motors, so that the other clamp has to be steady meanwhile.

A sealed coil draws what it draws: one that lets go and pulls in again takes its contacts along.

A contactor lets go within a cycle or two once its call, its supply or its own contacts have gone, and a compressor that
is fed again draws its locked-rotor current: a presence sensor that comes and goes beside a steady current has a bad
joint of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Reversible, Sequence
from itertools import pairwise

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.records import Scan

# The presence sensors without which no compressor runs.
FEEDS = ("call", "supply", "load", "control_power", "thermostat")
_FEW = int(limits.NOISE_SCANS.value)
_CLAMPS = (("compressor_a", "fan_a"), ("fan_a", "compressor_a"))


def noisy_sensors(scans: Reversible[Scan], unit: Unit) -> Mapping[str, bool]:
    """Return which sensor is noisy by the last scans, and which is steady by twice as many; nothing where they do not
    tell.

    A clamp is judged under a call, or in the rest since it ended, beside the other one, which has drawn a motor's
    current in each of these scans, or none at rest, and was steady; a presence sensor beside a steady compressor.
    """
    runs_a = {
        "compressor_a": unit.compressor_rla_a * limits.RUNNING_ON_RATIO.value,
        "fan_a": unit.fan_fla_a * limits.FAN_ON_RATIO.value,
    }
    return _noisy_clamps(scans, runs_a) | _noisy_beside_a_run(scans, runs_a["compressor_a"])


def _noisy_clamps(scans: Reversible[Scan], runs_a: Mapping[str, float]) -> dict[str, bool]:
    last: list[tuple[float, float]] = []
    called: bool | None = None
    for scan in reversed(scans):
        if called is None:
            called = scan.call
        if scan.call is not called or scan.load not in (called, None):
            if not called:
                return {}  # a rest is judged by itself, runs together
            continue
        if scan.compressor_a is not None and scan.fan_a is not None:
            last.append((scan.compressor_a, scan.fan_a))
        if len(last) == 2 * _FEW:
            break
    if len(last) < _FEW:
        return {}
    columns = dict(zip(("compressor_a", "fan_a"), zip(*last, strict=True), strict=True))
    if not called:
        return _noisy_at_rest({name: amps[:_FEW] for name, amps in columns.items()}, runs_a)
    found: dict[str, bool] = {}
    for name, other in _CLAMPS:
        own_a, other_a = columns[name], columns[other]
        if _turns(other_a, runs_a[other]) <= limits.NOISE_CALM.value and min(other_a) >= runs_a[other]:
            found |= _judged(name, _turns(own_a[:_FEW], runs_a[name]), _turns(own_a, runs_a[name]), len(last))
    return found


def _judged(name: str, lately: int, in_all: int, scans: int) -> dict[str, bool]:
    """A sensor that jumped so often in the last few scans, and in all of them."""
    if lately >= limits.NOISE_TURNS.value:
        return {name: True}
    return {name: False} if scans == 2 * _FEW and in_all <= limits.NOISE_CALM.value else {}


def _noisy_at_rest(columns: Mapping[str, Sequence[float]], runs_a: Mapping[str, float]) -> dict[str, bool]:
    """Which clamp reads a motor's current and none by turns while nothing is called and the other one reads none."""
    found = {}
    for name, other in _CLAMPS:
        amps = columns[name]
        up_and_down = sum(_jumps(*three, runs_a[name]) for three in zip(amps, amps[1:], amps[2:], strict=False))
        if max(columns[other]) < runs_a[other] and up_and_down >= limits.NOISE_TURNS.value:
            found[name] = True
    return found


def _noisy_beside_a_run(scans: Reversible[Scan], runs_a: float) -> dict[str, bool]:
    """Which presence sensor has come and gone, and whether the coil's clamp has jumped, while the compressor ran on and
    on; a number that does not move at all is no witness of that."""
    last: list[Scan] = []
    for scan in reversed(scans):
        if scan.compressor_a is None or scan.compressor_a < runs_a:
            continue
        last.append(scan)
        if len(last) == 2 * _FEW:
            break
    if len(last) < _FEW:
        return {}
    amps = [scan.compressor_a or 0.0 for scan in last]
    if _turns(amps, runs_a) > limits.NOISE_CALM.value or min(amps) == max(amps):
        return {}
    found: dict[str, bool] = {}
    for name in FEEDS:
        said = [flag for scan in last if (flag := getattr(scan, name)) is not None]
        changes = [before is not after for before, after in pairwise(said)]
        found |= _judged(name, sum(changes[: _FEW - 1]), sum(changes), len(said))
    coil_a = [scan.coil_a for scan in last if scan.coil_a is not None]
    if coil_a:
        turns = [
            _jumps(*three, limits.COIL_NONE_A.value) for three in zip(coil_a, coil_a[1:], coil_a[2:], strict=False)
        ]
        found |= _judged("coil_a", sum(turns[: _FEW - 2]), sum(turns), len(coil_a))
    return found


def _jumps(before: float, now: float, after: float, least_a: float) -> bool:
    """Whether a current is up and down again within three scans, or down and up, by so much."""
    return abs(now - before) >= least_a and abs(now - after) >= least_a and (now > before) is (now > after)


def _turns(amps: Sequence[float], least_a: float) -> int:
    """How often a current went up and down again, or down and up, by much, and was a motor's each time."""
    ratio = 1.0 - limits.NOISE_RATIO.value
    count = 0
    for before, now, after in zip(amps, amps[1:], amps[2:], strict=False):
        if min(before, now, after) < least_a:
            continue
        lowest, highest = sorted((before, after))
        count += now <= lowest * ratio or highest <= now * ratio
    return count
