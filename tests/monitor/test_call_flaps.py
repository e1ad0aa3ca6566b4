"""A switch in the call's wire that flaps, heard by scans a minute apart.

What the compressor does of it is physics and common practice: fed again within three minutes of its stop it stalls
against uneven pressures, its protector opens within seconds and closes again after some minutes. So it is said to stand
under many a call, and does. A thermostat ends no call that was back sooner than it calls again.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

import pytest
from msgspec.structs import replace

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.records import Change, Diagnosed, Scan
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import REST, RUN, SETTINGS, Readings, but, events, scans

OUTDOOR = ("call", "control_v", "coil_a", "supply", "load", "compressor_a", "fan_a", "outdoor_c")
DEAD = but(RUN, compressor_a=0.0)


class Compressor:
    """Second by second: whether it runs, and until when its protector is open."""

    def __init__(self, random: Random) -> None:
        self._random, self.runs, self._stopped_s, self._open_until_s = random, False, -1e9, -1e9

    def feed(self, now_s: float, *, closed: bool) -> None:
        if self.runs and not closed:
            self.runs, self._stopped_s = False, now_s
        elif closed and not self.runs and now_s >= self._open_until_s:
            if now_s - self._stopped_s < 180.0:
                self._open_until_s, self._stopped_s = now_s + self._random.uniform(360.0, 840.0), -1e9
            else:
                self.runs = True


def flapping(seed: int, on_s: float, off_s: float, hours: float = 6.0) -> Iterator[Readings]:
    """Each minute's readings: quarter hours of call and of none, the call cut on and off from the second hour on."""
    random, cut, turn_s = Random(seed), False, 7200.0
    compressor = Compressor(random)
    for second in range(int(hours * 3600)):
        if second >= turn_s:
            cut, turn_s = not cut, second + random.expovariate(1.0 / (on_s if cut else off_s))
        called = second % 1800 >= 600 and not cut
        compressor.feed(second, closed=called)
        if second % 60 == 0:
            readings = (RUN if compressor.runs else DEAD) if called else REST
            yield but(readings, compressor_a=(readings["compressor_a"] or 0.0) * random.gauss(1.0, 0.005))


CALL = {"loose-connection", "float-switch", "thermostat", "control-wire-open"}  # what makes and breaks it


@pytest.mark.parametrize(("on_s", "off_s"), [(120.0, 60.0), (60.0, 60.0), (300.0, 120.0), (40.0, 20.0)])
def test_no_clamp_is_accused_of_a_call_that_flaps(on_s: float, off_s: float) -> None:
    """And what makes and breaks the call is among the first three at some time."""
    for seed in range(6):
        engine, listed, first = Engine(SETTINGS, fitted=OUTDOOR), set[str](), set[str]()
        for minute, readings in enumerate(flapping(seed, on_s, off_s)):
            fitted = {name: readings[name] for name in OUTDOOR}
            for event in engine.feed(Scan(t_s=60.0 * minute, **fitted)):
                assert not (isinstance(event, Change) and event.finding == "sensing-disagrees"), (seed, minute)
                if isinstance(event, Diagnosed) and event.suspects:
                    listed |= {suspect for suspect, _ in event.suspects[:3]}
                    first.add(event.suspects[0][0])
        assert listed & CALL, seed
        assert "monitor-sensing" not in first, seed


@pytest.mark.parametrize("every_s", [10.0, 5.0])
def test_no_sensor_is_accused_of_a_joint_that_makes_and_breaks_between_the_reads_of_a_scan(every_s: float) -> None:
    """A splice that closes for a second and opens for another: a scan reads one sensor after the other, and catches the
    call with the coil's circuit dead, or the contacts closed with it (a scan of the boards takes some tenths of a
    second). The compressor, fed again before the pressures have met, stands."""
    gone = but(REST, thermostat=True)
    across = but(gone, call=True, load=True, fan_a=RUN["fan_a"])
    random = Random(5)
    for _ in range(8):
        parts = [(1200.0, RUN)]
        for _ in range(360):
            caught = random.choices((DEAD, gone, across), (4, 4, 2))[0]
            parts.append((every_s, caught))
        told = events(scans(*parts, every_s=every_s))
        named = {event.finding for event in told if isinstance(event, Change)}
        assert "sensing-disagrees" not in named
        assert [event.suspects[0][0] for event in told if isinstance(event, Diagnosed)][-1] in CALL


@pytest.mark.parametrize("every_s", [10.0, 5.0])
def test_what_is_borne_out_beside_an_odd_scan_accuses_nobody(every_s: float) -> None:
    """A splice in the call's wire, open for seconds at a time: the call is seen twice as the circuit dies, the volts
    once as it is fed. What agrees with an older scan only has not settled."""
    gone = but(REST, thermostat=True)
    late = but(gone, call=True)  # the volts are read a moment after the call
    parts = [(600.0, REST), (900.0, RUN), (300.0, gone)]
    for caught in (late, RUN, late, gone, RUN, RUN, gone, late, RUN, late, gone, gone):
        parts.append((every_s, caught))
    told = events(scans(*parts, (300.0, RUN), every_s=every_s))
    assert "sensing-disagrees" not in {event.finding for event in told if isinstance(event, Change)}


def test_a_boards_fan_that_runs_on_from_one_short_call_to_the_next_is_believed() -> None:
    """Scans half a minute apart see each of the calls that a splice lets through once, and believe none of them; each
    starts the fan's time anew (limits.HABITS.run_on_s)."""
    off = but(REST, thermostat=True, fan_a=RUN["fan_a"])
    parts = [(600.0, REST), (900.0, RUN), (150.0, off), *[(30.0, RUN), (120.0, off)] * 6]
    parts.append((90.0, but(off, control_v=9.0)))  # news, with which the sensors are weighed
    unit = replace(SETTINGS.unit, kind="variable-speed")
    engine = Engine(replace(SETTINGS, unit=unit), fitted=OUTDOOR)
    for scan in scans(*parts, every_s=30.0):
        engine.feed(Scan(t_s=scan.t_s, **{name: getattr(scan, name) for name in OUTDOOR}))
        assert "fan_a" not in engine.status().distrusted


def test_a_sensor_that_jumps_on_and_on_keeps_no_other_from_being_found_out() -> None:
    """FLICKERS_WINDOW_S: weighing waits for the scan after an odd one for so long. The coil's clamp misses every other
    scan of a run, and the supply's sensor has died."""
    engine = Engine(SETTINGS, fitted=OUTDOOR)
    for scan in scans((600.0, REST), (900.0, RUN), every_s=1.0):
        engine.feed(scan)
    for second in range(1500, 1500 + int(limits.FLICKERS_WINDOW_S.value) + 15):
        readings = but(RUN, supply=False, coil_a=0.0 if second % 2 else RUN["coil_a"])
        engine.feed(Scan(t_s=float(second), **{name: readings[name] for name in OUTDOOR}))
    assert "supply" in engine.status().distrusted


def test_a_dead_clamp_is_found_by_satisfied_calls_all_the_same() -> None:
    """Calls of a quarter of an hour, twice an hour, that end as a thermostat's do though the clamp reads nothing."""
    engine, named = Engine(SETTINGS, fitted=OUTDOOR), False
    for minute in range(10 * 60):
        readings = RUN if minute % 30 >= 15 else REST
        amps = 0.0 if minute > 180 else readings["compressor_a"] * (1.0 + 0.001 * (minute % 7))
        fitted = but({name: readings[name] for name in OUTDOOR}, compressor_a=amps)
        engine.feed(Scan(t_s=60.0 * minute, **fitted))
        named |= "compressor_a" in engine.status().distrusted
    assert named
