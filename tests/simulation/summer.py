"""What happens in a soak: an ordinary summer's days as data, and what befalls broker, phone and program."""

from __future__ import annotations

from collections.abc import Callable
from math import pi, sin
from typing import Any, NamedTuple

from tests.monitor.units import (
    REST,
    RUN,
    Readings,
    but,
)

START_S, STOP_S = 600.0, 1800.0  # of an hour: the unit runs for a third of it
FAULT, DEAF, CHATTER, LAST_WHOLE = 11, 15, 18, 16  # hours of the day
CHIP_GONE, GONE = (3, 12), ((900.0, True), (1500.0, False))
OFF = {"load": False, "coil_a": 0.0, "compressor_a": 0.0, "fan_a": 0.0}
# What else goes wrong, another each day.
FAULTS: tuple[Callable[[Readings], Readings], ...] = (
    lambda run: but(run, fan_a=0.0),
    lambda run: but(run, compressor_a=0.0),
    lambda run: but(run, control_v=19.0),
    lambda run: but(run, supply=False, load=False, compressor_a=0.0, fan_a=0.0),
    lambda run: but(REST, load=True, compressor_a=run["compressor_a"], fan_a=1.0),
    lambda run: but(REST, thermostat=True),
    lambda run: but(REST, control_power=False),
)


class Life(NamedTuple):
    """What a soak is to go through. `away` and `hung`: from which hour to which the broker is away and the phone's
    service hangs; `restarted`: in this hour the program is restarted; `whole`: dense hours of a day; `first`:
    the hour of the day at which it begins."""

    hours: int
    scan_s: float = 1.0
    quiet_s: float = 10.0
    whole: int = 1
    keep_days: float = 5.0
    away: tuple[int, int] = (0, 0)
    hung: tuple[int, int] = (0, 0)
    restarted: int = 0
    first: int = 0


def life(hours: int, **how: Any) -> Life:
    """A life with the broker away in the middle and the phone hung after that, each for a day at most."""
    span, middle, later = max(1, min(24, hours // 5)), hours // 2, hours * 7 // 10
    return Life(hours, away=(middle, middle + span), hung=(later, later + span), restarted=hours // 6, **how)


def running(day: int, hour: int) -> Readings:
    """A run's readings at this hour: a day's warmth, and the current that goes with it."""
    outdoor_c = round(2 * (27.0 + day % 5 + 6.0 * sin(2 * pi * (hour - 9) / 24))) / 2
    return but(RUN, outdoor_c=outdoor_c, compressor_a=round(9.0 + 0.08 * (outdoor_c - 30.0), 1))


def hour(day: int, hour: int) -> list[tuple[float, Readings]]:
    """(seconds into the hour, what is on the wires from then on) of this hour, in order."""
    run = running(day, hour)
    off = but(run, **OFF)
    wrong = {FAULT: FAULTS[day % len(FAULTS)](run), DEAF: off}
    chatter = [(900.0 + 0.4 * turn, run if turn % 2 else off) for turn in range(10)]
    return [
        (START_S, wrong.get(hour, run)),
        *(chatter if hour == CHATTER and day % 3 == 0 else []),
        (STOP_S, but(REST, outdoor_c=run["outdoor_c"])),
    ]
