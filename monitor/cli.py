"""(edge) The commands. The one file that chooses parts and knows the other rooms; each imports only what it needs.

Exit status: 0 done; 2 the site file, recording or argument cannot be used; 3 a recording was read with rows refused.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence

import msgspec

from monitor.errors import CondenserError

Command = Callable[[argparse.Namespace], int]


def _say(text: str) -> None:
    print(text, file=sys.stderr)


# ---------------------------------------------------------------- replay


def _replay(args: argparse.Namespace) -> int:
    from monitor.config import Settings, load
    from monitor.records import Change
    from monitor.replay import Replay

    settings = Settings() if args.site is None else load(args.site)
    replay = Replay(args.recording, settings, strict=args.strict)
    encode = msgspec.json.Encoder().encode
    for event in replay:
        if isinstance(event, Change):
            sys.stdout.write((encode(event).decode() if args.json else _change_line(event)) + "\n")
    return _refused(replay.reader.path, replay.reader.refused)


def _change_line(change: object) -> str:
    from monitor.records import Change

    assert isinstance(change, Change)
    suspects = f" Suspects: {', '.join(change.suspects)}." if change.suspects else ""
    return f"{change.t_s:>10.1f} s  {change.change:<8} {change.finding} ({change.severity}). {change.summary}{suspects}"


def _refused(path: str, refused: Sequence[object]) -> int:
    from monitor.recording import Refused

    shown = 20
    for row in refused[:shown]:
        assert isinstance(row, Refused)
        _say(f"{path}, line {row.line}: refused: {row.reason}")
    if refused:
        more = f" ({len(refused) - shown} not shown)" if len(refused) > shown else ""
        _say(f"{path}: {len(refused)} rows refused{more}")
    return 3 if refused else 0


# ---------------------------------------------------------------- the table of commands


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="condenser-monitor",
        description="Watches an air conditioner's outdoor unit from the 24 V call to the running compressor.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    replay = commands.add_parser("replay", help="judge a recording as if it were live")
    replay.add_argument("recording", metavar="RECORDING", help="CSV file")
    replay.add_argument("--site", metavar="SITE", help="site file (TOML); without it, the defaults")
    replay.add_argument("--json", action="store_true", help="one JSON object a line for each change")
    replay.add_argument("--strict", action="store_true", help="stop at the first bad row")
    replay.set_defaults(run=_replay)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit status."""
    args = _parser().parse_args(argv)
    run: Command = args.run
    try:
        status = run(args)
        sys.stdout.flush()
        return status
    except CondenserError as error:
        _say(f"condenser-monitor: {error}")
        return 2
    except BrokenPipeError:
        # The reader of our output has gone; say nothing more into the closed pipe.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main())
