"""(edge) The command line: the table of commands, and what becomes of errors.

Exit status: 0 done; 2 the site file, recording or argument cannot be used; 3 a recording was read with rows refused;
some commands say more with 1 and 4 (their `--help` tells); 70 a fault of the program itself, told in one line.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from condenser_monitor.monitor.commands import shared, streams
from condenser_monitor.monitor.commands.table import parser
from condenser_monitor.monitor.core.errors import CommandError, CondenserError, shown

FAULT = 70  # EX_SOFTWARE of sysexits.h


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit status."""
    streams.prepare()
    try:
        return _run(argv)
    except CondenserError as error:
        shared.say(f"condenser-monitor: {error}")
        return 2
    except BrokenPipeError:
        streams.give_up_output()  # its reader has gone: nothing is wrong
        return 0
    except KeyboardInterrupt:
        return 130
    except OSError as error:
        streams.give_up_output()
        shared.say(f"condenser-monitor: {shown(str(error))}")
        return 2
    except Exception as error:
        missing = shared.not_installed(error) if isinstance(error, ModuleNotFoundError) else None
        if missing is not None:
            shared.say(f"condenser-monitor: {missing}")
            return 2
        shared.say(f"condenser-monitor: {streams.at_fault(error)}")
        return FAULT


def _run(argv: Sequence[str] | None) -> int:
    try:
        args = parser().parse_args(argv)
        _refuse_broken(args)
        run: shared.Run = args.run
        return run(args)
    finally:
        # Help too may go into a pipe that nobody reads; what is wrong with it is said here, not at the very end.
        sys.stdout.flush()


# Arguments that name files, whose names may be any bytes; all others are texts.
_FILES = {
    *("site", "recording", "file", "record", "scenario", "folder", "weather", "fleet", "passwords", "password_file"),
    *("ca_file", "simulated", "to", "site_file"),
}


def _refuse_broken(args: argparse.Namespace) -> None:
    """Raise CommandError for a text that is not in the machine's encoding: it could be neither kept nor sent."""
    for name, value in vars(args).items():
        for text in value if isinstance(value, list) else [value]:
            if isinstance(text, str) and name not in _FILES and text != text.encode(errors="replace").decode():
                raise CommandError(name.replace("_", "-"), text, "a text in the encoding of this machine")


if __name__ == "__main__":
    sys.exit(main())
