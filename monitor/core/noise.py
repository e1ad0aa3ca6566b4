"""Sensors that jump from scan to scan as what they measure cannot.

A motor that runs draws nearly the same from scan to scan, one that stalls a multiple of it, one that stands nothing:
its current goes from one of these to another and stays there. A clamp with a loose plug or a bad joint reads up and
down again, anywhere in between, and at rest too. What makes the current itself jump (contacts that chatter, a sagging
line) does so in both motors, so that the other clamp has to be steady meanwhile.

At scans far apart a compressor that stalls, trips and starts anew is read as one that jumps, so that its clamp is not
judged there.

A sealed coil draws what it draws: one that lets go and pulls in again takes its contacts along.

A contactor lets go within a cycle or two once its call, its supply or its own contacts have gone, and a compressor that
is fed again draws its locked-rotor current: a presence sensor that comes and goes beside a steady current has a bad
joint of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Reversible, Sequence
from functools import partial
from itertools import islice, pairwise, takewhile
from operator import attrgetter

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.records import Scan

# The presence sensors without which no compressor runs.
FEEDS = ("call", "supply", "load", "control_power", "thermostat")
_FEW = int(limits.NOISE_SCANS.value)
_CLAMPS = (("compressor_a", "fan_a"), ("fan_a", "compressor_a"))
_feeds = attrgetter(*FEEDS)
_currents = attrgetter("compressor_a", "fan_a", "coil_a")


def noisy_sensors(scans: Reversible[Scan], unit: Unit) -> Mapping[str, bool]:
    """Return which sensor is noisy by the last scans, and which is steady by twice as many; nothing where they do not
    tell.

    A clamp is judged under a call, or in the rest since it ended, beside the other one, which has drawn a motor's
    current in each of these scans, or none at rest, and was steady; a presence sensor beside a steady compressor.
    """
    runs_a = _running_a(unit)
    return _noisy_clamps(scans, runs_a) | _noisy_beside_a_run(scans, runs_a["compressor_a"])


class NoiseWatch:
    """Asks each minute who is noisy by the last scans, and looks closer only while something has jumped of late: it
    counts a jump too many rather than one too few."""

    def __init__(self, unit: Unit) -> None:
        self._unit = unit
        ratio = limits.NOISE_RATIO.value
        self._least_a = unit.compressor_on_a * ratio, unit.fan_on_a * ratio, limits.COIL_NONE_A.value
        self._calm_scans = 0  # since the last jump

    def update(self, scans: Reversible[Scan], since_s: float, noisy: Collection[str]) -> Mapping[str, bool]:
        """Return what `noisy_sensors` says, and nothing where nobody can have become noisy, or steady, since then.
        `noisy` are those that were so before."""
        newest_first = reversed(scans)
        last = list(islice(newest_first, 2 * _FEW))
        if noisy or self._moved(last):
            # A jump is told from its neighbours, and by a scan after them.
            last += takewhile(lambda scan: scan.t_s >= since_s, newest_first)
            new = sum(scan.t_s >= since_s for scan in last)
            self._calm_scans = 0 if self._jumped(last[: new + 3]) else self._calm_scans + new
            if noisy or self._calm_scans <= _FEW + 3:
                return noisy_sensors(scans, self._unit)
        return {}

    def _moved(self, scans: Sequence[Scan]) -> bool:
        """Whether anything moved in these scans as far as what jumps does."""
        said = set(map(_feeds, scans))
        # Mostly all of them say the same: what a missing cell may hide is looked at only where they do not.
        if len(said) > 1 and any(len(set(flags) - {None}) > 1 for flags in zip(*said, strict=True)):
            return True
        # Not strict: there are no columns before the first scan.
        for column, least in zip(zip(*map(_currents, scans), strict=True), self._least_a, strict=False):
            amps = [value for value in column if value is not None]
            if amps and max(amps) - min(amps) >= least:
                return True
        return False

    def _jumped(self, scans: Sequence[Scan]) -> bool:
        """Whether a current went up and down again, or a presence sensor changed beside a running compressor."""
        for column, least in zip(zip(*map(_currents, scans), strict=True), self._least_a, strict=True):
            values = [value for value in column if value is not None]
            if any(_triples([values], partial(_jumps, least))):
                return True
        runs_a = self._unit.compressor_on_a
        runs = [_feeds(scan) if (scan.compressor_a or 0.0) >= runs_a else None for scan in scans]
        return any(before != after for before, after in pairwise(runs) if before is not None and after is not None)


def _running_a(unit: Unit) -> dict[str, float]:
    """What each motor draws at the least while it runs, A RMS."""
    return {"compressor_a": unit.compressor_on_a, "fan_a": unit.fan_on_a}


def _inside(scans: Reversible[Scan], fits: Callable[[Scan], bool]) -> list[list[Scan]]:
    """Return the last scans that fit, stretch by stretch, the newest first, each without its two ends: readings are not
    of one instant, and what begins or stops is read so by one sensor and not yet by the other."""
    stretches: list[list[Scan]] = []
    stretch: list[Scan] = []
    inside = 0
    for scan in reversed(scans):
        if fits(scan):
            stretch.append(scan)
            if inside + len(stretch) - 2 >= 2 * _FEW:
                break
        elif stretch:
            stretches.append(stretch[1:-1])
            inside += len(stretches[-1])
            stretch = []
    return [found for found in (*stretches, stretch[1:-1]) if found]


def _noisy_clamps(scans: Reversible[Scan], runs_a: Mapping[str, float]) -> dict[str, bool]:
    newest = next(iter(reversed(scans)), None)
    if newest is None:
        return {}
    called = newest.call
    both = _inside(
        scans,
        lambda scan: (
            scan.call is called
            and scan.load in (called, None)
            and scan.compressor_a is not None
            and scan.fan_a is not None
        ),
    )
    if not called:
        both = both[:1]  # a rest is judged by itself, runs together
    if sum(map(len, both)) < _FEW:
        return {}
    columns = {
        "compressor_a": [[scan.compressor_a or 0.0 for scan in stretch] for stretch in both],
        "fan_a": [[scan.fan_a or 0.0 for scan in stretch] for stretch in both],
    }
    found: dict[str, bool] = {}
    for name, other in _CLAMPS:
        others = [amps for stretch in columns[other] for amps in stretch]
        if not called:
            up_and_down = _triples(columns[name], partial(_jumps, runs_a[name]))
            if max(others) < runs_a[other] and sum(up_and_down[:_FEW]) >= limits.NOISE_TURNS.value:
                found[name] = True
        elif min(others) >= runs_a[other] and sum(_turns(columns[other], runs_a[other])) <= limits.NOISE_CALM.value:
            found |= _judged(name, _turns(columns[name], runs_a[name]))
    if called and _far_apart(both):
        found.pop("compressor_a", None)
    return found


def _far_apart(stretches: Sequence[Sequence[Scan]]) -> bool:
    """Whether a compressor may stall, trip and run again from one scan to the next but one."""
    span_s = sum(stretch[0].t_s - stretch[-1].t_s for stretch in stretches)
    steps = sum(len(stretch) - 1 for stretch in stretches)
    return span_s > steps * limits.NOISE_APART_S.value


def _judged(name: str, odd: Sequence[bool]) -> dict[str, bool]:
    """A sensor that was odd at some of its last scans: noisy by the last few, steady by all."""
    if sum(odd[:_FEW]) >= limits.NOISE_TURNS.value:
        return {name: True}
    return {name: False} if len(odd) >= 2 * _FEW and sum(odd) <= limits.NOISE_CALM.value else {}


def _noisy_beside_a_run(scans: Reversible[Scan], runs_a: float) -> dict[str, bool]:
    """Which presence sensor has come and gone, and whether the coil's clamp has jumped, while the compressor ran on and
    on; a number that does not move at all is no witness of that."""
    runs = _inside(scans, lambda scan: scan.compressor_a is not None and scan.compressor_a >= runs_a)
    columns = [[scan.compressor_a or 0.0 for scan in stretch] for stretch in runs]
    amps = [one for stretch in columns for one in stretch]
    if len(amps) < _FEW or min(amps) == max(amps) or sum(_turns(columns, runs_a)) > limits.NOISE_CALM.value:
        return {}
    found: dict[str, bool] = {}
    for name in FEEDS:
        changes: list[bool] = []
        for stretch in runs:
            said = [flag for scan in stretch if (flag := getattr(scan, name)) is not None]
            changes += [before is not after for before, after in pairwise(said)] + [False] * bool(said)
        found |= _judged(name, changes)
    coil_a = [[scan.coil_a for scan in stretch if scan.coil_a is not None] for stretch in runs]
    return found | _judged("coil_a", _triples(coil_a, partial(_jumps, limits.COIL_NONE_A.value)))


def _triples(stretches: Sequence[Sequence[float]], odd: Callable[[float, float, float], bool]) -> list[bool]:
    """Whether each number is odd between its neighbours in the same stretch; the ends are not."""
    found: list[bool] = []
    for values in stretches:
        inner = [odd(*three) for three in zip(values, values[1:], values[2:], strict=False)]
        found += [False, *inner, False][: len(values)]
    return found


def _jumps(least_a: float, before: float, now: float, after: float) -> bool:
    """Whether a current is up and down again within three scans, or down and up, by so much."""
    return abs(now - before) >= least_a and abs(now - after) >= least_a and (now > before) is (now > after)


def _turns(stretches: Sequence[Sequence[float]], least_a: float) -> list[bool]:
    """Whether a current went up and down again at each scan, or down and up, by much, and was a motor's each time."""
    ratio = 1.0 - limits.NOISE_RATIO.value

    def turn(before: float, now: float, after: float) -> bool:
        lowest, highest = sorted((before, after))
        return min(before, now, after) >= least_a and (now <= lowest * ratio or highest <= now * ratio)

    return _triples(stretches, turn)
