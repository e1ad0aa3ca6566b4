"""(edge) The senses: the walk through them, and trimming to a meter; on the boards, or on a unit in software."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from condenser_monitor.monitor.commands import shared


def add(command: shared.Command) -> None:
    """Put these commands into the table."""
    commission = command("commission", _commission, "walk through every sense, and keep a dated record")
    commission.add_argument("--by", required=True, metavar="NAME")
    commission.add_argument("--thermometer", type=float, metavar="C", help="the outdoor air, °C; else it is asked for")
    commission.add_argument("--note", default="", metavar="TEXT", help="for the record")
    commission.add_argument(
        "--record", type=Path, metavar="FILE", help="where to keep it; else beside the history, named by its date"
    )
    _in_software(commission)
    calibrate = command("calibrate", _calibrate, "trim a reading to what a clamp meter or voltmeter shows")
    calibrate.add_argument("reading", metavar="READING")
    calibrate.add_argument(
        "meter",
        nargs="*",
        type=float,
        metavar="SHOWN",
        help="what the meter shows, where it is known; else it is asked",
    )
    calibrate.add_argument("--by", required=True, metavar="NAME")
    calibrate.add_argument("--instrument", default="", metavar="NAME", help="the meter, for the record")
    calibrate.add_argument(
        "--meter-error", type=float, metavar="P", help="its stated error in percent, of a thermometer in K"
    )
    _in_software(calibrate)


def _in_software(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--simulated",
        nargs="?",
        const="",
        metavar="SCENARIO",
        help="on the unit of a scenario, which does what is asked of a person; nothing is kept beside the history",
    )
    parser.add_argument("--mistake", metavar="NAME", help="with --simulated: a mistake in its wiring; ? names them")


def _commission(args: argparse.Namespace) -> int:
    from condenser_monitor.hardware import commission, wizard
    from condenser_monitor.monitor.clock import wall_clock

    place = shared.calibrations(shared.site(args))
    with _visited(args, trimmed=True) as (settings, boards, answer, visit):
        record = wizard.walk(
            settings,
            boards,
            _say,
            answer,
            by=args.by,
            note=args.note,
            thermometer_c=args.thermometer,
            calibrations={} if visit else _in_force(place),
            begin=visit.at if visit else lambda phase: None,
            wall=wall_clock,
        )
    path = args.record or (None if visit else commission.place(place.parent, record))
    if path is not None:
        commission.keep(path, record)
        print(f"the record is {path}")
    return 1 if record.remarks else 0


def _calibrate(args: argparse.Namespace) -> int:
    from condenser_monitor.hardware import calibration, wizard
    from condenser_monitor.monitor.clock import wall_clock

    place = shared.calibrations(shared.site(args))
    share = args.meter_error
    with _visited(args, trimmed=False) as (settings, boards, answer, visit):
        row = wizard.compare(
            settings,
            boards,
            args.reading,
            _say,
            answer,
            by=args.by,
            meter=args.instrument,
            meter_share=share if share is None or args.reading == "outdoor_c" else share / 100,
            shown=args.meter,
            begin=(lambda reading: _say(visit.meter_words(reading))) if visit else lambda reading: None,
            wall=wall_clock,
        )
    if not visit:
        calibration.add(place, row)
    return 0


# ---------------------------------------------------------------- boards and person


@contextmanager
def _visited(args: argparse.Namespace, *, trimmed: bool) -> Iterator[tuple[Any, Any, Callable[[], str | None], Any]]:
    """(settings, boards, what the person types, the visit in software or None)."""
    if args.simulated is None and args.mistake is None:
        settings = shared.site(args)
        boards = shared.boards(settings, trimmed=trimmed)
        try:
            yield settings, boards, _typed(), None
        finally:
            boards.close()
        return
    from condenser_monitor.sim.visit import SimulatedVisit, unit_named, wiring_named

    unit = unit_named(args.simulated)
    visit = SimulatedVisit(unit, wiring_named(args.mistake))
    try:
        yield visit.settings, visit.boards, _line, visit
    finally:
        visit.close()


def _in_force(place: Path) -> Mapping[str, Any]:
    from condenser_monitor.hardware.calibration import in_force, load

    return in_force(load(place))


def _say(text: str) -> None:
    print(text, flush=True)


def _line() -> str:
    """The next line, waited for: in software the unit stands still meanwhile. Raises EOFError."""
    line = sys.stdin.readline()
    if not line:
        raise EOFError
    return line.rstrip("\n")


def _typed() -> Callable[[], str | None]:
    """A function that gives the line typed since last asked, None while there is none, EOFError at the end of input:
    the boards are watched meanwhile, so nothing may wait for the person."""
    import os
    import select

    descriptor = sys.stdin.fileno()
    held = bytearray()
    ended = False

    def typed() -> str | None:
        nonlocal ended
        if b"\n" not in held and not ended and select.select([descriptor], [], [], 0)[0]:
            data = os.read(descriptor, 4096)
            ended = not data
            held.extend(data)
        line, newline, rest = held.partition(b"\n")
        if newline:
            held[:] = rest
            return line.decode(errors="replace")
        if ended:
            raise EOFError
        return None

    return typed
