"""(edge) The senses: the walk through them, and trimming to a meter."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from monitor.commands import parts
from monitor.errors import CommandError


def add(command: parts.Command) -> None:
    """Put these commands into the table."""
    commission = command("commission", _commission, "walk through every sense, and keep a dated record")
    commission.add_argument("--by", required=True, metavar="NAME")
    commission.add_argument("--record", default="commissioning.json", metavar="FILE")
    calibrate = command("calibrate", _calibrate, "trim a reading to what a clamp meter or voltmeter shows")
    calibrate.add_argument("reading", metavar="READING")
    calibrate.add_argument(
        "meter", nargs="+", type=float, metavar="SHOWN", help="what the meter shows, one or two points"
    )
    calibrate.add_argument("--by", required=True, metavar="NAME")
    calibrate.add_argument("--instrument", default="", metavar="NAME", help="the meter, for the record")


def _calibrate(args: argparse.Namespace) -> int:
    from hardware import calibration
    from monitor.service import wall_clock

    settings = parts.site(args)
    place = parts.calibrations(settings)
    points = []
    boards = parts.boards(settings, trimmed=False)
    try:
        for shown in args.meter:
            if len(args.meter) > 1:
                parts.say(f"bring the meter to {shown:g}, then press Enter")
                sys.stdin.readline()
            value = getattr(boards.scan(), args.reading)
            if value is None:
                reason = boards.faults().get(args.reading, "the sense is not fitted")
                raise CommandError(args.reading, reason, "a sense that gives a reading")
            points.append(calibration.Point(raw=value, meter=shown))
    finally:
        boards.close()
    row = calibration.calibrate(args.reading, points, by=args.by, meter=args.instrument, wall_s=wall_clock())
    calibration.add(place, row)
    print(calibration.told(row))
    return 0


def _commission(args: argparse.Namespace) -> int:
    from pathlib import Path

    from hardware import commission
    from monitor.service import wall_clock

    settings = parts.site(args)
    boards = parts.boards(settings)
    scans: dict[str, list[Any]] = {}
    faults: dict[str, str] = {}
    starts: list[Any] = []
    try:
        for phase in commission.PHASES:
            print(f"\n{phase.name}: {phase.do}\n  mind: {phase.mind}\n  Press Enter when it is so.", flush=True)
            sys.stdin.readline()
            rows = scans[phase.name] = []
            for _ in range(max(3, int(phase.watch_s / settings.boards.scan_s))):
                rows.append(boards.scan())
                starts += boards.starts()
                faults |= boards.faults()
                boards.idle(settings.boards.scan_s)
    finally:
        boards.close()
    record = commission.commission(settings, scans, by=args.by, faults=faults, starts=starts, wall_s=wall_clock())
    commission.keep(Path(args.record), record)
    for remark in record.remarks:
        print(f"- {remark.text}")
    print(f"{'All senses are in order' if not record.remarks else 'Not all is in order'}; the record is {args.record}")
    return 0 if not record.remarks else 1
