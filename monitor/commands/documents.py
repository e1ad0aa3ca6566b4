"""(edge) Documents made from the code."""

from __future__ import annotations

import argparse

from monitor.commands import parts


def add(command: parts.Command) -> None:
    """Put these commands into the table."""
    command("asyncapi", _asyncapi, "print the AsyncAPI document of the topics and messages")


def _asyncapi(args: argparse.Namespace) -> int:
    from monitor.asyncapi import text

    print(text(parts.site(args)))
    return 0
