"""(edge) `condenser-monitor fleet ...`: its arguments, and which plain function each calls. Light: what a command needs
is imported when it runs.
"""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Callable
from typing import Any

from condenser_monitor.monitor.core.errors import CommandError

Page = Callable[[Any], None]  # serves the pages for fleet settings until interrupted
Run = Callable[[Any, argparse.Namespace], str]


def add(parser: argparse.ArgumentParser, *, page: Page) -> None:
    """Add the fleet's commands below `parser`; each sets `run`, which takes the parsed arguments and returns the exit
    status. `page` comes from the caller, because only the command line knows the room web."""
    parser.add_argument("--fleet", metavar="FILE", help="fleet file (TOML)")
    commands = parser.add_subparsers(dest="fleet_command", required=True, metavar="ACTION")

    def command(name: str, run: Run, text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        sub.set_defaults(run=lambda args: _run(run, args))
        return sub

    _office(commands, command)
    _work(command, page)
    _sites(command)
    _people(command)


Add = Callable[[str, Run, str], argparse.ArgumentParser]


def _office(commands: Any, command: Add) -> None:
    text = "make an office in a new folder: fleet file, database, the broker's files, services"
    begin = commands.add_parser("begin", help=text, description=text[0].upper() + text[1:] + ".")
    begin.set_defaults(run=_begin)
    begin.add_argument("folder", metavar="FOLDER", help="new or empty")
    begin.add_argument("--host", default="127.0.0.1", metavar="HOST", help="the broker's name as the sites reach it")
    begin.add_argument("--tls", action="store_true", help="encrypted; the certificates are yours to put there")
    command("migrate", lambda settings, _: _commands().migrate(settings), "make the database, or bring it up to date")
    moved = command("copy-from", _copy, "take over everything from another database of the fleet into an empty one")
    moved.add_argument("url", metavar="URL", help="such as sqlite:///PATH; stop ingest and pages first")
    command("check", lambda settings, _: _commands().check(settings), "try database and broker, and say what there is")
    command("tidy", lambda settings, _: _commands().tidy(settings), "drop what is past its time")
    command(
        "credential", lambda settings, _: _commands().own_credential(settings), "a new password for the fleet itself"
    )
    command("broker-files", lambda settings, _: _commands().broker_files(settings), "write the broker's files anew")
    command("broker-config", lambda settings, _: _commands().broker_config(settings), "print lines for mosquitto.conf")


def _work(command: Add, page: Page) -> None:
    text = "take in what the sites send; start as many as there is load for"
    command("ingest", _quiet(lambda settings: _commands().ingest(settings)), text)
    command("page", _quiet(page), "serve the office's pages")


_ABOUT = {
    "name": "what to call the site",
    "customer": "who lives there",
    "address": "where it is",
    "phone": "whom to call",
    "plan": "name of the maintenance plan",
    "plan_visit_due": "day of the next plan visit, as 2026-07-14",
}


def _sites(command: Add) -> None:
    enroll = command("enroll", _enroll, "enrol a site: password, broker entry, its part of the site file")
    enroll.add_argument("site", metavar="SITE-ID", help="letters, digits, hyphen")
    for name, text in _ABOUT.items():
        enroll.add_argument(f"--{name.replace('_', '-')}", metavar="TEXT", default="", help=text)
    enroll.add_argument("--site-file", metavar="SITE", help="site file whose [unit] is the nameplate")
    listed = command("customers", _customers, "take over a list of customers: new sites enrolled, others changed")
    listed.add_argument("file", metavar="CSV", help="a header row with `site` and what is known of each")
    renew = command("renew", _renew, "a new password for a site; one revoked comes back")
    renew.add_argument("site", metavar="SITE-ID")
    for one in (enroll, renew, listed):
        needed = one is listed
        text = "write SITE-ID.toml and SITE-ID.password there" + ("" if needed else " instead of printing them")
        one.add_argument("--to", metavar="FOLDER", default="", required=needed, help=text)
    revoke = command(
        "revoke", lambda at, args: str(_commands().revoke_site(at, args.site)), "end a site's right to the broker"
    )
    revoke.add_argument("site", metavar="SITE-ID")


def _people(command: Add) -> None:
    user = command("add-user", _user, "a new person of the office; the password is asked")
    user.add_argument("login")
    user.add_argument("--name", default="", metavar="TEXT")
    user.add_argument("--role", default="technician", metavar="ROLE", help="owner, dispatcher or technician")
    word = command("password", _password, "a new password for a person; it is asked")
    word.add_argument("login")


def _commands() -> Any:
    from condenser_monitor.monitor.fleet import commands  # noqa: PLC0415 - the database layer is large

    return commands


def _begin(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.fleet import init  # noqa: PLC0415

    print(init.begin(args.folder, host=args.host, tls=args.tls))
    return 0


def _run(run: Run, args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.fleet.setup import load  # noqa: PLC0415

    if args.fleet is None:
        raise CommandError("--fleet", "nothing", "a fleet file; `condenser-monitor fleet begin FOLDER` makes one")
    said = run(load(args.fleet), args)
    if said:
        print(said)
    return 0


def _quiet(act: Page) -> Run:
    """A command that works until it is stopped and has nothing to say."""

    def run(settings: Any, _args: argparse.Namespace) -> str:
        act(settings)
        return ""

    return run


def _enroll(settings: Any, args: argparse.Namespace) -> str:
    about: dict[str, Any] = {name: getattr(args, name) for name in _ABOUT}
    if args.site_file is not None:
        about["unit"] = _commands().nameplate(args.site_file)
    said: str = _commands().enroll_site(settings, args.site, to=args.to, **about)
    return said


def _renew(settings: Any, args: argparse.Namespace) -> str:
    said: str = _commands().renew_site(settings, args.site, to=args.to)
    return said


def _customers(settings: Any, args: argparse.Namespace) -> str:
    said: str = _commands().customers(settings, args.file, to=args.to)
    return said


def _copy(settings: Any, args: argparse.Namespace) -> str:
    said: str = _commands().copy_from(settings, args.url)
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
