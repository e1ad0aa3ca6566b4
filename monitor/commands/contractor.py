"""(edge) The contractor's side: `condenser-monitor fleet ...`, its arguments, and which function each calls.

The functions are in monitor/fleet/commands.py, which is imported when one runs: the database layer is large.
"""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Callable
from typing import Any

from condenser_monitor.monitor.commands import shared
from condenser_monitor.monitor.core.errors import CommandError

_Act = Callable[
    [Any, Any, argparse.Namespace], str | int | None
]  # the commands, settings, arguments; words or a status
_ABOUT = {
    "name": "what to call the site",
    "customer": "who lives there",
    "customer_number": "your own number of this customer: tells two of one name apart",
    "address": "where it is",
    "phone": "whom to call",
    "plan": "name of the maintenance plan",
    "plan_visit_due": "day of the next plan visit, as 2026-07-14",
    "branch": "of the company, whose site it is",
    "premises": "the house, where several units share one: any text, the same for all of them",
}


def add(command: shared.Command) -> None:
    """Put these commands into the table."""
    fleet = command("fleet", _none, "the contractor's side: ingest, pages, sites and people", site=False)
    fleet.add_argument("--fleet", metavar="FILE", help="fleet file (TOML)")
    actions = fleet.add_subparsers(dest="fleet_command", required=True, metavar="ACTION")

    def action(name: str, act: _Act, text: str) -> argparse.ArgumentParser:
        sub: argparse.ArgumentParser = actions.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        sub.set_defaults(run=lambda args: _run(act, args))
        return sub

    text = "make an office in a new folder, or change one: fleet file, database, broker, certificates, services"
    init = actions.add_parser("init", aliases=["begin"], help=text, description=text[0].upper() + text[1:] + ".")
    init.set_defaults(run=_init)
    init.add_argument("folder", metavar="FOLDER", help="new or empty, or an office to change")
    init.add_argument("--host", metavar="HOST", help="the broker's name as the sites reach it; else it is asked")
    init.add_argument("--port", type=int, metavar="PORT", help="of the broker (1883; 8883 with TLS)")
    tls = argparse.BooleanOptionalAction
    init.add_argument("--tls", action=tls, help="encrypted; an authority of the office's own is made")
    init.add_argument("--name", metavar="TEXT", help="of the office, on its pages")
    init.add_argument("--database", metavar="URL", help="postgresql://USER@HOST/DATABASE (SQLite in FOLDER)")
    init.add_argument("--pages", metavar="HOST", help="the address that the pages listen on (127.0.0.1)")
    init.add_argument("--time-zone", metavar="ZONE", help="of the office, such as America/Chicago")
    action("migrate", lambda do, fleet, _: do.migrate(fleet), "make the database, or bring it up to date")
    text = "take over everything from another database of the fleet into an empty one"
    copied = action("copy-from", lambda do, fleet, args: do.copy_from(fleet, args.url), text)
    copied.add_argument("url", metavar="URL", help="such as sqlite:///PATH; stop ingest and pages first")
    action("check", _check, "say how the office is; exit status 1 with the reasons where something is wrong")
    text = "send a test message to whoever is on call; exit status 1 if an address did not take it"
    action("on-call", lambda do, fleet, _: do.try_on_call(fleet, print), text)
    action("tidy", lambda do, fleet, _: do.tidy(fleet), "drop what is past its time")
    action("credential", lambda do, fleet, _: do.own_credential(fleet), "a new password for the fleet itself")
    action("broker-files", lambda do, fleet, _: do.broker_files(fleet), "write the broker's files again")
    action("broker-config", lambda do, fleet, _: do.broker_config(fleet), "print lines for mosquitto.conf")
    text = "take in what the sites send; start as many as there is load for"
    action("ingest", lambda do, fleet, _: do.ingest(fleet), text)
    action("page", _page, "serve the office's pages")
    _sites(action)
    text = "a token for a program"
    made = action("add-token", lambda do, fleet, args: do.add_token(fleet, args.name, args.scopes, args.branch), text)
    _of_branch(made)
    made.add_argument("name", metavar="NAME")
    made.add_argument("--scopes", default="read", metavar="TEXT", help="of metrics, read, write; a space between")
    ended = action("drop-token", lambda do, fleet, args: do.drop_token(fleet, args.name), "end a program's token")
    ended.add_argument("name", metavar="NAME")
    _webhooks(action)
    _people(action)


def _people(action: Callable[[str, _Act, str], argparse.ArgumentParser]) -> None:
    text = "a new person of the office; the password is asked"
    user = action(
        "add-user",
        lambda do, fleet, args: do.add_user(
            fleet, args.login, _asked(), name=args.name, role=args.role, branch=args.branch
        ),
        text,
    )
    _of_branch(user)
    user.add_argument("login")
    user.add_argument("--name", default="", metavar="TEXT")
    user.add_argument("--role", default="technician", metavar="ROLE", help="owner, dispatcher or technician")
    text = "a new password for a person; it is asked"
    word = action("password", lambda do, fleet, args: do.set_password(fleet, args.login, _asked()), text)
    word.add_argument("login")


def _webhooks(action: Callable[[str, _Act, str], argparse.ArgumentParser]) -> None:
    action(
        "webhooks", lambda do, fleet, _: do.list_webhooks(fleet), "list the programs that are told, and how each does"
    )
    text = "tell another program of cases and visits; prints its secret once"
    made = action(
        "add-webhook",
        lambda do, fleet, args: do.add_webhook(fleet, args.name, args.url, args.events, args.branch),
        text,
    )
    _of_branch(made)
    made.add_argument("name", metavar="NAME")
    made.add_argument("url", metavar="URL", help="https://...; http:// only to a private address")
    text = "of case.opened, case.closed, visit.booked, visit.moved, visit.made, visit.dropped; a space between (all)"
    made.add_argument("--events", default="", metavar="TEXT", help=text)
    ended = action(
        "drop-webhook", lambda do, fleet, args: do.drop_webhook(fleet, args.name), "end a webhook and what waits for it"
    )
    ended.add_argument("name", metavar="NAME")
    text = "try a webhook again at once, and send it a ping"
    again = action("resume-webhook", lambda do, fleet, args: do.resume_webhook(fleet, args.name, skip=args.skip), text)
    again.add_argument("name", metavar="NAME")
    again.add_argument("--skip", action="store_true", help="leave out the first message that waits")


def _sites(action: Callable[[str, _Act, str], argparse.ArgumentParser]) -> None:
    enroll = action("enroll", _enroll, "enrol a site: password, broker entry, its part of the site file")
    enroll.add_argument("site", metavar="SITE-ID", help="letters, digits, hyphen")
    for name, text in _ABOUT.items():
        enroll.add_argument(f"--{name.replace('_', '-')}", metavar="TEXT", default="", help=text)
    enroll.add_argument("--site-file", metavar="SITE", help="site file whose [unit] is the nameplate")
    text = "take over a list of customers: new sites enrolled, others changed"
    listed = action(
        "customers", lambda do, fleet, args: do.customers(fleet, args.file, to=args.to, columns=args.column), text
    )
    listed.add_argument("file", metavar="CSV", help="a header row with `site` and what is known of each")
    text = "print the list of customers as CSV, as `customers` takes it"
    out = action("customer-csv", lambda do, fleet, args: do.customer_csv(fleet, columns=args.column), text)
    text = "a new password for a site; one revoked comes back"
    renew = action("renew", lambda do, fleet, args: do.renew_site(fleet, args.site, to=args.to), text)
    renew.add_argument("site", metavar="SITE-ID")
    for one in (listed, out):
        text = "a column by the list's own name"
        one.add_argument("--column", action="append", default=[], metavar="OURS=THEIRS", help=text)
    for one in (enroll, renew, listed):
        needed = one is listed
        text = "write SITE-ID.toml and SITE-ID.password there" + ("" if needed else " instead of printing them")
        one.add_argument("--to", metavar="FOLDER", default="", required=needed, help=text)
    revoke = action(
        "revoke", lambda do, fleet, args: do.revoke_site(fleet, args.site), "end a site's right to the broker"
    )
    revoke.add_argument("site", metavar="SITE-ID")
    text = "print everything that is held of a site and its people, or of a customer, as JSON"
    shown = action("export", lambda do, fleet, a: do.export(fleet, a.site, tenant=a.tenant, customer=a.customer), text)
    text = "remove a site and all that is held of it, or a customer, for good; from the broker's files too"
    erased = action("erase", lambda do, fleet, a: do.erase(fleet, a.site, tenant=a.tenant, customer=a.customer), text)
    for one in (shown, erased):
        one.add_argument("site", metavar="SITE-ID", nargs="?")
        text = "a former tenant alone, by the number that `tenants` says"
        one.add_argument("--tenant", type=int, metavar="N", help=text)
        text = "a customer at all their sites, former ones too, by the number that `tenants` says"
        one.add_argument("--customer", type=int, metavar="N", help=text)
    text = "who has lived at a site: the present customer, and former ones by number"
    lived = action("tenants", lambda do, fleet, args: do.list_tenants(fleet, args.site), text)
    lived.add_argument("site", metavar="SITE-ID")
    text = "another customer lives there from now on; all sites of the same premises change with it"
    moved = action(
        "change-tenant",
        lambda do, fleet, args: do.change_tenant(
            *(fleet, args.site, args.customer), phone=args.phone, plan=args.plan, number=args.number
        ),
        text,
    )
    moved.add_argument("site", metavar="SITE-ID")
    moved.add_argument("customer", metavar="NAME")
    moved.add_argument("--phone", default="", metavar="TEXT")
    moved.add_argument("--plan", default="", metavar="TEXT")
    text = "your own number of the new customer: one whom you know already moves in as the same one"
    moved.add_argument("--number", default="", metavar="TEXT", help=text)


def _of_branch(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--branch", default="", metavar="TEXT", help="of the company; sees its sites only (all)")


def _none(args: argparse.Namespace) -> int:
    raise AssertionError(args)  # each action sets its own


def _run(act: _Act, args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.fleet import commands
    from condenser_monitor.monitor.fleet.days import use_zone
    from condenser_monitor.monitor.fleet.setup import load

    if args.fleet is None:
        raise CommandError("--fleet", "nothing", "a fleet file; `condenser-monitor fleet init FOLDER` makes one")
    fleet = load(args.fleet)
    use_zone(fleet.time_zone)
    done = act(commands, fleet, args)
    if isinstance(done, str):
        print(done)
    return done if isinstance(done, int) else 0


def _init(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.fleet import init

    wishes = init.Wishes(**{name: getattr(args, name) for name in init.Wishes.__struct_fields__})
    if sys.stdin.isatty() and wishes == init.Wishes():  # a person, who has said nothing yet
        wishes = init.asked(args.folder, _answer, print)
    print(init.begin(args.folder, wishes))
    return 0


def _answer(question: str) -> str:
    try:
        return input(question)
    except EOFError:
        raise CommandError(question, "the end of the input", "an answer, or an empty line") from None


def _page(do: Any, fleet: Any, _: argparse.Namespace) -> None:
    from condenser_monitor.web.fleet.app import create_app

    shared.serve_until_interrupted(create_app(fleet, do.opened(fleet)), fleet.pages, "the fleet's pages are at")


def _check(do: Any, fleet: Any, _: argparse.Namespace) -> int:
    words, status = do.check(fleet)
    print(words)
    return int(status)


def _enroll(do: Any, fleet: Any, args: argparse.Namespace) -> str:
    about: dict[str, Any] = {name: getattr(args, name) for name in _ABOUT}
    if args.site_file is not None:
        about["unit"] = do.nameplate(args.site_file)
    return str(do.enroll_site(fleet, args.site, to=args.to, **about))


def _asked() -> str:
    """Return a password, typed twice, or one line of a pipe; never an argument, which others on the machine could
    see."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first, again = getpass.getpass("Password: "), getpass.getpass("The same again: ")
    if first != again:
        raise CommandError("password", "two different entries", "the same twice")
    return first
