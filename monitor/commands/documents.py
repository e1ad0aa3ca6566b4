"""(edge) Documents and scripts made from the code."""

from __future__ import annotations

import argparse

from condenser_monitor.monitor.commands import shared
from condenser_monitor.monitor.core.errors import CommandError

SHELLS = ("bash", "zsh", "fish")


def add(command: shared.Command) -> None:
    """Put these commands into the table."""
    command("asyncapi", _asyncapi, "print the AsyncAPI document of the topics and messages")
    shell = command(
        "completion", _completion, "print a script by which your shell completes these commands", site=False
    )
    shell.add_argument("shell", choices=SHELLS)
    command("manual", _manual, "print the manual page of these commands, for man(1)", site=False)
    files = command(
        "installer",
        _installer,
        "write what installs this as services: installer, units, site file, manual page, completion",
        site=False,
    )
    files.add_argument("folder", metavar="FOLDER", help="made when it is not there; what it holds is overwritten")


def _asyncapi(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.publishers.asyncapi import text

    print(text(shared.site(args)))
    return 0


def _completion(args: argparse.Namespace) -> int:
    print(_script(args.shell))
    return 0


def _script(shell: str) -> str:
    from condenser_monitor.monitor.commands.table import parser
    from condenser_monitor.monitor.terminal.completion import script
    from condenser_monitor.sim import scenario

    return script(parser(), shell, scenario.names())


def _manual(args: argparse.Namespace) -> int:
    print(_page())
    return 0


def _page() -> str:
    from argparse_manpage.manpage import Manpage

    from condenser_monitor.monitor.commands.table import parser

    commands = parser()
    commands.man_short_description = "watches an air conditioner's outdoor unit"  # type: ignore[attr-defined]
    return str(Manpage(commands))


def _installer(args: argparse.Namespace) -> int:
    from importlib.resources import as_file, files
    from pathlib import Path
    from shutil import copytree, ignore_patterns

    folder = Path(args.folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise CommandError("installer", args.folder, "a folder, new or there already") from error
    with as_file(files("condenser_monitor.hardware") / "install") as source:
        copytree(source, folder, dirs_exist_ok=True, ignore=ignore_patterns("__pycache__"))
    try:
        made = {"condenser-monitor.1": _page(), **{f"completion.{shell}": _script(shell) for shell in SHELLS}}
    except ModuleNotFoundError as error:  # what is installed by it brings its packages, and makes both again
        missing = shared.not_installed(error)
        if not missing:
            raise
        shared.say(f"without manual page and completion. {missing}")
        made = {}
    for name, text in made.items():
        (folder / name).write_text(text + "\n", encoding="utf-8")
    shared.say(f"written to {folder}; read README.md there, then: sudo {folder / 'install.sh'} --from WHEEL")
    return 0
