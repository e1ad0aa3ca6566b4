"""(edge) `condenser-monitor fleet ...`: its arguments, and which plain function each calls. Light: what a command needs
is imported when it runs.
"""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Callable
from typing import Any

from monitor.errors import CommandError

Page = Callable[[Any], None]  # serves the pages for fleet settings until interrupted
Run = Callable[[Any, argparse.Namespace], str]


def add(parser: argparse.ArgumentParser, *, page: Page) -> None:
    """Add the fleet's commands below `parser`; each sets `run`, which takes the parsed arguments and returns the exit
    status. `page` comes from the caller, because only the command line knows the room web."""
    parser.add_argument("--fleet", metavar="FILE", help="fleet file (TOML); without it, SQLite in fleet.db")
    commands = parser.add_subparsers(dest="fleet_command", required=True, metavar="COMMAND")

    def command(name: str, run: Run, text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        sub.set_defaults(run=lambda args: _run(run, args))
        return sub

    command("migrate", lambda settings, _: _commands().migrate(settings), "make the database, or bring it up to date")
    command(
        "ingest",
        _quiet(lambda settings: _commands().ingest(settings)),
        "take in what the sites send; start as many as there is load for",
    )
    command("page", _quiet(page), "serve the office's pages")
    enroll = command("enroll", _enroll, "enrol a site: password, broker entry, its part of the site file")
    enroll.add_argument("site", metavar="SITE-ID", help="letters, digits, hyphen")
    for name, text in _ABOUT.items():
        enroll.add_argument(f"--{name.replace('_', '-')}", metavar="TEXT", default="", help=text)
    enroll.add_argument("--unit", metavar="SITE", help="site file whose [unit] is the nameplate")
    for name, words in (("renew", "a new password for a site"), ("revoke", "end a site's right to the broker")):
        one = command(name, _of_site(f"{name}_site"), words)
        one.add_argument("site", metavar="SITE-ID")
    command(
        "credential", lambda settings, _: _commands().own_credential(settings), "a new password for the fleet itself"
    )
    command("broker-files", lambda settings, _: _commands().broker_files(settings), "write the broker's files anew")
    command("broker-config", lambda settings, _: _commands().broker_config(settings), "print lines for mosquitto.conf")
    user = command("user", _user, "a new person of the office; the password is asked")
    user.add_argument("login")
    user.add_argument("--name", default="", metavar="TEXT")
    user.add_argument("--role", default="technician", metavar="ROLE", help="owner, dispatcher or technician")
    word = command("password", _password, "a new password for a person; it is asked")
    word.add_argument("login")
    command("tidy", lambda settings, _: _commands().tidy(settings), "drop what is past its time")


_ABOUT = {
    "name": "what to call the site",
    "customer": "who lives there",
    "address": "where it is",
    "phone": "whom to call",
    "plan": "name of the maintenance plan",
    "plan_visit_due": "day of the next plan visit, as 2026-07-14",
}


def _commands() -> Any:
    from monitor.fleet import commands  # noqa: PLC0415 - the database layer is large

    return commands


def _run(run: Run, args: argparse.Namespace) -> int:
    from monitor.fleet.setup import FleetSettings, load  # noqa: PLC0415

    said = run(FleetSettings() if args.fleet is None else load(args.fleet), args)
    if said:
        print(said)
    return 0


def _quiet(act: Page) -> Run:
    """A command that works until it is stopped and has nothing to say."""

    def run(settings: Any, _args: argparse.Namespace) -> str:
        act(settings)
        return ""

    return run


def _of_site(function: str) -> Run:
    def run(settings: Any, args: argparse.Namespace) -> str:
        said: str = getattr(_commands(), function)(settings, args.site)
        return said

    return run


def _enroll(settings: Any, args: argparse.Namespace) -> str:
    about: dict[str, Any] = {name: getattr(args, name) for name in _ABOUT}
    if args.unit is not None:
        about["unit"] = _commands().nameplate(args.unit)
    said: str = _commands().enroll_site(settings, args.site, **about)
    return said


def _user(settings: Any, args: argparse.Namespace) -> str:
    said: str = _commands().add_user(settings, args.login, args.name, args.role, _asked())
    return said


def _password(settings: Any, args: argparse.Namespace) -> str:
    said: str = _commands().set_password(settings, args.login, _asked())
    return said


def _asked() -> str:
    """A password, typed twice, or one line of a pipe; never an argument, which others on the machine could see."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first, again = getpass.getpass("Password: "), getpass.getpass("The same again: ")
    if first != again:
        raise CommandError("password", "two different entries", "the same twice")
    return first
