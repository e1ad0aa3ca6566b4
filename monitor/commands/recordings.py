"""(edge) Recordings: judged as if they were live, and written from the boards."""

from __future__ import annotations

import argparse
import sys
from contextlib import suppress
from typing import TYPE_CHECKING

import msgspec

from condenser_monitor.monitor.commands import shared
from condenser_monitor.monitor.core.errors import CommandError

if TYPE_CHECKING:
    from condenser_monitor.monitor.recording.csv_file import Reader


def add(command: shared.Command) -> None:
    """Put these commands into the table."""
    replay = command("replay", _replay, "judge a recording as if it were live")
    replay.add_argument("recording", metavar="RECORDING", help="CSV file")
    replay.add_argument("--json", action="store_true", help="one JSON object a line for each change")
    replay.add_argument("--strict", action="store_true", help="stop at the first bad row")
    record = command("record", _record, "write what the boards read to a recording")
    record.add_argument("recording", metavar="RECORDING", help="CSV file to make")
    record.add_argument("--seconds", type=float, metavar="S", help="for how long; without it, until Ctrl-C")


def _replay(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.core.records import Change, Diagnosed
    from condenser_monitor.monitor.recording.replay import Replay
    from condenser_monitor.monitor.terminal.text import change_line

    replay = Replay(args.recording, shared.site_file(args), strict=args.strict)
    encode = msgspec.json.Encoder().encode
    for event in replay:
        if isinstance(event, Change | Diagnosed):
            sys.stdout.write((encode(event).decode() if args.json else change_line(event)) + "\n")
    return _refused(replay.reader)


def _refused(reader: Reader) -> int:
    shown = 20
    for row in reader.refused[:shown]:
        shared.say(f"{reader.path}, line {row.line}: refused: {row.reason}")
    if reader.bad:
        rows = "row" if reader.bad == 1 else "rows"
        more = f" ({reader.bad - shown} not shown)" if reader.bad > shown else ""
        shared.say(f"{reader.path}: {reader.bad} {rows} refused{more}")
    return 3 if reader.bad else 0


def _record(args: argparse.Namespace) -> int:
    import time

    from condenser_monitor.monitor.clock import wall_clock
    from condenser_monitor.monitor.recording.csv_file import RecordingWriter

    settings = shared.site(args)
    boards = shared.boards(settings)
    wall_s = wall_clock()
    end_s = float("inf") if args.seconds is None else args.seconds
    try:
        with open(args.recording, "x", encoding="utf-8") as file:
            writer = RecordingWriter(file, settings.fitted, wall_s)
            began_s = time.monotonic()
            due_s = 0.0
            with suppress(KeyboardInterrupt):
                while due_s < end_s:
                    for item in (boards.scan(), *boards.starts()):
                        writer.write(item)
                    file.flush()
                    due_s += settings.boards.scan_s
                    boards.idle(max(0.0, began_s + due_s - time.monotonic()))
    except FileExistsError:
        raise CommandError(
            args.recording, "a file that exists", "a new file; nothing recorded is overwritten"
        ) from None
    except OSError as error:
        raise CommandError(args.recording, str(error), "a file that can be written") from None
    finally:
        boards.close()
    return 0
