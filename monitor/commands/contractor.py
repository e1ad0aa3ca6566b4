"""(edge) The contractor's side."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from typing import Any

from monitor.commands import parts


def add(command: parts.Command) -> None:
    """Put these commands into the table."""
    fleet = command("fleet", _fleet, "the contractor's side: ingest, pages, sites and people", site=False)
    fleet.add_argument("--fleet", required=True, metavar="FILE", help="fleet file (TOML)")
    actions = fleet.add_subparsers(dest="action", required=True, metavar="ACTION")
    for name, text in (
        ("migrate", "make the database, or bring it to this version"),
        ("ingest", "work as one ingest process; several share the load"),
        ("page", "serve the office's pages"),
        ("credential", "a new password for the fleet's own account at the broker"),
        ("broker-files", "write the broker's password and access files anew"),
        ("broker-config", "print lines for the broker's configuration"),
        ("tidy", "drop what is past its time"),
    ):
        actions.add_parser(name, help=text)
    for name, text in (
        ("enroll", "make a site's credentials and its part of the site file"),
        ("renew", "a new password for a site"),
        ("revoke", "end a site's right to the broker"),
        ("add-user", "a new person of the office; the password is asked for"),
        ("password", "a new password for a person"),
    ):
        action = actions.add_parser(name, help=text)
        action.add_argument("name", metavar="NAME")
        if name == "enroll":
            action.add_argument("--site-file", metavar="SITE", help="take the nameplate from this site file")
        if name == "add-user":
            action.add_argument("--role", required=True, help="owner, dispatcher or technician")
            action.add_argument("--full-name", metavar="NAME")


def _fleet(args: argparse.Namespace) -> int:
    """One action of the fleet; what it has to say is printed."""
    from monitor.fleet import commands, setup

    settings = setup.load(args.fleet)
    said: str | None
    if args.action == "page":
        return _fleet_page(settings)
    if args.action == "enroll":
        about = {} if args.site_file is None else {"unit": commands.nameplate(args.site_file)}
        said = commands.enroll_site(settings, args.name, **about)
    elif args.action == "add-user":
        said = commands.add_user(settings, args.name, args.full_name or args.name, args.role, _secret())
    elif args.action == "password":
        said = commands.set_password(settings, args.name, _secret())
    elif args.action in ("renew", "revoke"):
        said = (commands.renew_site if args.action == "renew" else commands.revoke_site)(settings, args.name)
    else:
        plain: dict[str, Callable[[Any], str | None]] = {
            "migrate": commands.migrate,
            "ingest": commands.ingest,
            "credential": commands.own_credential,
            "broker-files": commands.broker_files,
            "broker-config": commands.broker_config,
            "tidy": commands.tidy,
        }
        said = plain[args.action](settings)
    if said:
        print(said)
    return 0


def _secret() -> str:
    """A password, typed unseen or read from a pipe; never an argument."""
    from getpass import getpass

    return getpass("password: ") if sys.stdin.isatty() else sys.stdin.readline().rstrip("\n")


def _fleet_page(settings: Any) -> int:
    from monitor.fleet import commands
    from web.fleet.app import create_app
    from web.serve import serve

    app = create_app(settings, commands.opened(settings))
    with serve(app, settings.pages.host, settings.pages.port) as page:
        parts.say(f"the fleet's pages are at {page.url}")
        parts.until_interrupted(page.wait)
    return 0
