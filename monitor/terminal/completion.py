"""Scripts by which a shell completes the commands: made once from the command line's own table, by the package shtab.

A made script asks no Python at each press of the key, which on a small Pi would take a second. Pure.
"""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Iterator, Sequence
from typing import Any

from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.visit.session import SYMPTOMS

_FILES = ("SITE", "FILE", "RECORDING")  # arguments shown by these words are files
_NAMES: dict[tuple[str, str], tuple[str, ...]] = {
    ("explain", "name"): (*CATALOGUE, *SUSPECTS, *CHECKS),
    ("diagnose", "about"): (*CATALOGUE, *SYMPTOMS),
    ("calibrate", "reading"): tuple(READINGS),
}


def script(whole: argparse.ArgumentParser, shell: str, scenarios: Sequence[str] = ()) -> str:
    """The completion script of a command line for bash, zsh or fish. `scenarios`: names that are offered beside files
    where a SCENARIO is asked for."""
    import shtab  # noqa: PLC0415 - an extra

    for command, action in _arguments(whole):
        found = _scenario(scenarios, shtab) if action.metavar == "SCENARIO" else _completes(command, action, shtab)
        if found is not None:
            action.complete = found
    return str(shtab.complete(whole, shell=shell))


def _arguments(whole: argparse.ArgumentParser, command: str = "") -> Iterator[tuple[str, Any]]:
    """Each argument with the name of its command, those of sub-commands too."""
    for action in whole._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, sub in action.choices.items():
                yield from _arguments(sub, name)
        else:
            yield command, action


def _completes(command: str, action: Any, shtab: Any) -> dict[str, Any] | None:
    """What completes an argument: files, folders, or names of a catalogue; None leaves it to its own choices."""
    if action.metavar in _FILES:
        return dict(shtab.FILE)
    if action.metavar == "FOLDER":
        return dict(shtab.DIRECTORY)
    names = _NAMES.get((command, action.dest))
    return None if names is None else _of_names(f"_condenser_{command}_{action.dest}", names)


def _of_names(function: str, names: tuple[str, ...]) -> dict[str, Any]:
    """The same names for each shell, in its own way."""
    words = " ".join(names)
    return {
        "bash": function,
        "zsh": f"({words})",
        "fish": words,
        "preamble": {"bash": f"{function}() {{\n  compgen -W {shlex.quote(words)} -- $1\n}}\n"},
    }


def _scenario(names: Sequence[str], shtab: Any) -> dict[str, Any]:
    """The names of scenarios, and files beside them."""
    words, files = " ".join(names), shtab.FILE
    # With "_file" in its name shtab's bash takes what is offered for file names, and a folder gets its slash.
    function = "_condenser_scenario_or_file"
    offered = f"scenarios:scenario:({words})", f"files:file:{files['zsh']}"
    return {
        "bash": function,
        "zsh": function,
        "fish": f"{words} {files['fish']}".strip(),
        "preamble": {
            "bash": f"{function}() {{\n  compgen -W {shlex.quote(words)} -- $1\n  {files['bash']} $1\n}}\n",
            "zsh": f"{function}() {{\n  _alternative {shlex.join(offered)}\n}}\n",
        },
    }
