"""(edge) The people of a unit: how it is, what a name means, the visit, the report."""

from __future__ import annotations

import argparse
import getpass
import os
import sys

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.normal import PARTS
from condenser_monitor.monitor.commands import shared
from condenser_monitor.monitor.core.errors import CONTROLS, CommandError


def add(command: shared.Command) -> None:
    """Put these commands into the table."""
    command("status", _status, "the unit at a glance; exit status 0 all is well, 1 something is open, 4 not known")
    watch = command("watch", _watch, "the unit at one look, then a line for each change")
    watch.add_argument("--every", type=float, default=1.0, metavar="S", help="seconds between looks (1)")
    watch.add_argument("--seconds", type=float, metavar="S", help="for how long; without it, until Ctrl-C")
    report = command("report", _report, "write the last days for a technician as one file")
    report.add_argument("file", metavar="FILE", help="ends in .pdf or .html; - prints HTML")
    report.add_argument("--days", type=int, default=7, metavar="D")
    renew = command("renew", _renew, "reset the baseline: a part was replaced, or the unit was not to be called")
    also = "compressor: also its capacitor, refrigerant, a cleaned condenser; call: nobody was home, or it was off"
    renew.add_argument("part", choices=PARTS, help=also)
    renew.add_argument("--by", metavar="NAME", help="who says so (the name that this login has)")
    share = command(
        "share", _share, "a code that lets somebody read the report on the page; without NAME, those in force"
    )
    share.add_argument("name", nargs="?", metavar="NAME", help="for whom")
    share.add_argument("--days", type=int, metavar="D", help="how far back the report goes (7)")
    share.add_argument("--valid", type=float, metavar="D", help="days until the code ends (7)")
    share.add_argument("--revoke", metavar="NAME", help="end the code of NAME at once")
    command(
        "phone", _phone, "send a test message to each phone, and say what became of it; exit status 1 if one failed"
    )
    alerts = command("alerts", _alerts, "what is open, and answers to it; exit status 0 nothing open, 1 something")
    also = "intended: away, set warmer or switched off; without it: the list"
    alerts.add_argument("what", nargs="?", choices=("acknowledge", "snooze", "repaired", "intended"), help=also)
    alerts.add_argument("name", nargs="?", metavar="EPISODE", help="as listed, or a finding")
    alerts.add_argument("--by", metavar="NAME", help="who says so (the name that this login has)")
    alerts.add_argument("--hours", type=float, metavar="H", help="how long to snooze (24)")
    alerts.add_argument("--day", metavar="DATE", help="with acknowledge: the day a technician comes, YYYY-MM-DD")
    alerts.add_argument("--note", default="", metavar="TEXT")
    explain = command("explain", _explain, "explain a finding, a suspect or a check")
    explain.add_argument("name", nargs="?", metavar="NAME", help="without it, all names")
    diagnose = command("diagnose", _diagnose, "find the cause with a meter, check by check")
    diagnose.add_argument("about", nargs="?", metavar="FINDING", help="a finding or a symptom; else what stands now")
    diagnose.add_argument("readings", nargs="*", metavar="CHECK=READING", help='known already, such as coil-ohms="OL"')
    diagnose.add_argument("--by", default="technician", metavar="NAME", help="who measures, for the record")
    diagnose.add_argument(
        "--json",
        action="store_true",
        help="answer with one JSON object, ask nothing, touch no history; READING=NUMBER is taken too",
    )
    diagnose.add_argument("--homeowner", action="store_true", help="offer only what is safe without opening anything")


def _share(args: argparse.Namespace) -> int:
    from pathlib import Path

    from condenser_monitor.monitor.clock import wall_clock
    from condenser_monitor.monitor.publishers.answer_links import page_address
    from condenser_monitor.monitor.report.share import (
        Shares,
        end,
        give,
        print_codes,
    )

    settings = shared.site(args)
    shares, now_s = Shares(Path(settings.history.file)), wall_clock()
    if now_s is None:
        raise CommandError("share", "a clock that was never set", "a machine that knows the time of day")
    if args.revoke is not None:
        return end(shares, args.revoke, wall_s=now_s, say=print)
    if args.name is None:
        return print_codes(shares, wall_s=now_s, say=print)
    address = page_address(settings)
    return give(shares, args.name, wall_s=now_s, say=print, days=args.days, valid_days=args.valid, address=address)


def _renew(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.terminal.alerts import renew

    with shared.history(shared.site(args)) as history:
        return renew(history, sys.stdout, args.part, by=args.by or _login())


def _phone(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.publishers.phone import try_phones

    return try_phones(shared.site(args), print)


def _alerts(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.terminal.alerts import answer, listed

    with shared.history(shared.site(args)) as history:
        if args.what is None:
            return listed(history, sys.stdout)
        if args.name is None:
            raise CommandError(f"alerts {args.what}", "no EPISODE", "an episode as `alerts` lists it")
        hours = (24.0 if args.hours is None else args.hours) if args.what == "snooze" else None
        by = args.by or _login()
        return answer(history, sys.stdout, args.what, args.name, by=by, hours=hours, day=args.day, note=args.note)


def _login() -> str:
    """Return the name of who is logged in, behind sudo too; where the machine has none, that it was a command."""
    try:
        name = os.environ.get("SUDO_USER") or getpass.getuser()
    except (KeyError, OSError):  # a user number without a name
        name = ""
    return CONTROLS.sub("", name).strip()[: int(limits.ALARMS.name_most.value)] or "command line"


def _status(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.terminal.say import status

    settings = shared.site(args)
    with shared.history(settings) as history:
        return status(history, settings, sys.stdout)


def _watch(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.terminal.say import watch

    settings = shared.site(args)
    with shared.history(settings) as history:
        return watch(history, settings, sys.stdout, every_s=args.every, seconds=args.seconds)


def _report(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.report.write import write_report

    settings = shared.site(args)
    with shared.history(settings) as history:
        return write_report(history, settings, args.file, days=args.days, say=shared.say if args.file != "-" else print)


def _explain(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.terminal.say import explained

    return explained(args.name, shared.site(args).unit, sys.stdout)


def _diagnose(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.diagnosis.checks.base import Who
    from condenser_monitor.monitor.diagnosis.visit.session import answer_at_once
    from condenser_monitor.monitor.terminal.say import diagnose

    settings = shared.site(args)
    words = [word for word in (args.about, *args.readings) if word is not None]
    about = next((word for word in words if "=" not in word), None)
    who: Who = "homeowner" if args.homeowner else "technician"
    if args.json:
        if about is None:
            raise CommandError("diagnose --json", "no finding", "a finding or a symptom, then CHECK=READING")
        found = answer_at_once(about, [word for word in words if word != about], unit=settings.unit, who=who)
        print(msgspec.json.encode(found).decode())
        return 0
    with shared.history(settings) as history:
        return diagnose(
            history,
            settings,
            sys.stdout,
            about=about,
            readings=[word for word in words if word != about],
            by=args.by,
            who=who,
        )
