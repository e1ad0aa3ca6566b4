"""Where the processor time goes, by rooms: the stack is looked at every few milliseconds of processor time (SIGPROF).

Cheap enough to stay on through a long run. What a C library does counts to the room that called it.
"""

from __future__ import annotations

import signal
from collections import Counter
from collections.abc import Iterator
from types import FrameType

EVERY_S = 0.02
# part of a file's path -> its room; the first that fits, from the innermost frame outwards
ROOMS = (
    ("/adafruit_", "the library's driver of the converter"),
    ("/hardware/sample_clock.py", "the converter's beat (hardware/sample_clock.py)"),
    ("/hardware/waveform.py", "fitting the waves (hardware/waveform.py)"),
    ("/tests/simulation/in_step.py", "publishers, paho and the office"),
    ("/tests/simulation/soak.py", "the soak itself: measuring, planning"),
    ("/tests/", "the wires: chips, bus, pins, waves"),
    ("/sim/", "the wires: chips, bus, pins, waves"),
    ("/gpiozero/", "the library of the pins"),
    ("/hardware/", "the rest of hardware: bursts, scans, edges"),
    ("/monitor/storage/", "history and SQLite"),
    ("/monitor/publishers/", "publishers, paho and the office"),
    ("/monitor/", "service, inference, alerts, trends"),
)


class Sampler:
    """Counts while it is entered. Of the main thread only; others count to whom they keep waiting."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()

    def __enter__(self) -> Sampler:
        self._before = signal.signal(signal.SIGPROF, self._look)
        signal.setitimer(signal.ITIMER_PROF, EVERY_S, EVERY_S)
        return self

    def __exit__(self, *_: object) -> None:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, self._before)

    def _look(self, _number: int, frame: FrameType | None) -> None:
        self.counts[room(frame)] += 1

    def lines(self) -> Iterator[str]:
        """Each room's share, the largest first."""
        for name, count in self.counts.most_common():
            yield f"{count / self.counts.total():6.1%} {name}"


def room(frame: FrameType | None) -> str:
    """The room of the innermost frame that is in one."""
    while frame is not None:
        for part, name in ROOMS:
            if part in frame.f_code.co_filename:
                return name
        frame = frame.f_back
    return "elsewhere"
