"""(edge) The command line: the table of commands, and what becomes of errors.

Exit status: 0 done; 2 the site file, recording or argument cannot be used; 3 a recording was read with rows refused;
some commands say more with 1 and 4 (their `--help` tells).
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from monitor.commands import contractor, documents, live, parts, people, recordings, sensing, software
from monitor.errors import CondenserError

# In the order of the help: try it, run it, look at it, wire it, the office.
_GROUPS = (software, live, people, recordings, sensing, contractor, documents)


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    whole = argparse.ArgumentParser(
        prog="condenser-monitor",
        description="Watches an air conditioner's outdoor unit from the 24 V call to the running compressor.",
    )
    commands = whole.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, run: parts.Run, text: str, *, site: bool = True) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        sub.set_defaults(run=run)
        if site:
            sub.add_argument("--site", metavar="SITE", help="site file (TOML); without it, the defaults")
        return sub

    for group in _GROUPS:
        group.add(command)
    return whole


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit status."""
    args = parser().parse_args(argv)
    run: parts.Run = args.run
    try:
        status = run(args)
        sys.stdout.flush()
        return status
    except CondenserError as error:
        parts.say(f"condenser-monitor: {error}")
        return 2
    except BrokenPipeError:
        # The reader of our output has gone; say nothing more into the closed pipe.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main())
