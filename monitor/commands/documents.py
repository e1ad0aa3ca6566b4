"""(edge) Documents and scripts made from the code."""

from __future__ import annotations

import argparse

from condenser_monitor.monitor.commands import shared

SHELLS = ("bash", "zsh", "fish")


def add(command: shared.Command) -> None:
    """Put these commands into the table."""
    command("asyncapi", _asyncapi, "print the AsyncAPI document of the topics and messages")
    shell = command(
        "completion", _completion, "print a script by which your shell completes these commands", site=False
    )
    shell.add_argument("shell", choices=SHELLS)


def _asyncapi(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.publishers.asyncapi import text

    print(text(shared.site(args)))
    return 0


def _completion(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.commands.table import parser
    from condenser_monitor.monitor.terminal.completion import script
    from condenser_monitor.sim import scenario

    print(script(parser(), args.shell, scenario.names()))
    return 0
