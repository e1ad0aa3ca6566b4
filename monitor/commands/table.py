"""(edge) The table of all commands, in the order of the help: try it, run it, look at it, wire it, the office."""

from __future__ import annotations

import argparse

from condenser_monitor.monitor import __version__
from condenser_monitor.monitor.commands import (
    contractor,
    documents,
    live,
    people,
    recordings,
    sensing,
    shared,
    software,
)

_GROUPS = (software, live, people, recordings, sensing, contractor, documents)


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    whole = argparse.ArgumentParser(
        prog="condenser-monitor",
        description="Watches an air conditioner's outdoor unit from the 24 V call to the running compressor.",
    )
    whole.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = whole.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, run: shared.Run, text: str, *, site: bool = True) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        sub.set_defaults(run=run)
        if site:
            sub.add_argument("--site", metavar="SITE", help="site file (TOML); without it, the defaults")
        return sub

    for group in _GROUPS:
        group.add(command)
    return whole
