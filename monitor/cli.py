"""(edge) The commands. The one file that chooses parts and knows the other rooms; each imports only what it needs.

Exit status: 0 done; 2 the site file, recording or argument cannot be used; 3 a recording was read with rows refused.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any

import msgspec

from monitor.errors import CommandError, CondenserError

Command = Callable[[argparse.Namespace], int]


def _say(text: str) -> None:
    print(text, file=sys.stderr)


# ---------------------------------------------------------------- replay


def _replay(args: argparse.Namespace) -> int:
    from monitor.records import Change
    from monitor.replay import Replay

    replay = Replay(args.recording, _site(args), strict=args.strict)
    encode = msgspec.json.Encoder().encode
    for event in replay:
        if isinstance(event, Change):
            sys.stdout.write((encode(event).decode() if args.json else _change_line(event)) + "\n")
    return _refused(replay.reader.path, replay.reader.refused)


def _change_line(change: object) -> str:
    from monitor.records import Change

    assert isinstance(change, Change)
    suspects = f" Suspects: {', '.join(change.suspects)}." if change.suspects else ""
    return f"{change.t_s:>10.1f} s  {change.change:<8} {change.finding} ({change.severity}). {change.summary}{suspects}"


def _refused(path: str, refused: Sequence[object]) -> int:
    from monitor.recording import Refused

    shown = 20
    for row in refused[:shown]:
        assert isinstance(row, Refused)
        _say(f"{path}, line {row.line}: refused: {row.reason}")
    if refused:
        more = f" ({len(refused) - shown} not shown)" if len(refused) > shown else ""
        _say(f"{path}: {len(refused)} rows refused{more}")
    return 3 if refused else 0


# ---------------------------------------------------------------- live


def _site(args: argparse.Namespace) -> Any:
    from monitor.config import Settings, load

    return Settings() if args.site is None else load(args.site)


def _boards(settings: Any, *, trimmed: bool = True) -> Any:
    from hardware.boards import Boards
    from hardware.calibration import load, trims
    from monitor.service import wall_clock

    place = _calibrations(settings)
    kept = trims(load(place)) if trimmed and place.exists() else {}
    return Boards(settings, wall=wall_clock, trims=kept)


def _run(args: argparse.Namespace) -> int:
    from monitor.history import History
    from monitor.mqtt import MqttOutlet
    from monitor.notify import PhoneOutlet
    from monitor.service import Service, run_until_signal

    settings = _site(args)
    outlets: list[Any] = [MqttOutlet(settings)] if settings.mqtt.host else []
    if settings.notify.urls or settings.notify.urls_file:
        outlets.append(PhoneOutlet(settings))
    history = History(settings.history.file, owner=True, keep=settings.history)
    run_until_signal(Service(settings, _boards(settings), history, outlets))
    return 0


def _page(args: argparse.Namespace) -> int:
    from web.app import create_app
    from web.serve import serve

    settings = _site(args)
    with serve(create_app(settings.history.file, settings), settings.web.host, settings.web.port) as page:
        _say(f"the page is at {page.url}")
        _until_interrupted(page.wait)
    return 0


def _until_interrupted(wait: Callable[[], object]) -> None:
    import signal

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)
    with suppress(KeyboardInterrupt):
        wait()


def _record(args: argparse.Namespace) -> int:
    import time

    from monitor.recording import Writer
    from monitor.service import wall_clock

    settings = _site(args)
    boards = _boards(settings)
    wall_s = wall_clock()
    end_s = float("inf") if args.seconds is None else args.seconds
    try:
        with open(args.recording, "x", encoding="utf-8") as file:
            writer = Writer(file, settings.fitted, wall_s)
            began_s = time.monotonic()
            due_s = 0.0
            with suppress(KeyboardInterrupt):
                while due_s < end_s:
                    for item in (boards.scan(), *boards.starts()):
                        writer.write(item)
                    file.flush()
                    due_s += settings.boards.scan_s
                    boards.idle(max(0.0, began_s + due_s - time.monotonic()))
    except FileExistsError:
        raise CommandError(
            args.recording, "a file that exists", "a new file; nothing recorded is overwritten"
        ) from None
    except OSError as error:
        raise CommandError(args.recording, str(error), "a file that can be written") from None
    finally:
        boards.close()
    return 0


# ---------------------------------------------------------------- in software


def _demo(args: argparse.Namespace) -> int:
    from sim.demo import Demo

    _say("a day of history is being lived through first (a few seconds) ...")
    with Demo(speed=args.speed, say=_say) as demo:
        return _play(demo, args.port, ())


def _workbench(args: argparse.Namespace) -> int:
    from sim.demo import Demo
    from sim.workbench import scenario_for_bench, workbench

    with Demo(speed=args.speed, say=_say, before_s=0.0, played=scenario_for_bench()) as demo:
        return _play(demo, args.port, (workbench(demo),))


def _play(demo: Any, port: int, blueprints: Sequence[Any]) -> int:
    import threading

    from web.app import create_app
    from web.serve import serve

    app = create_app(demo.history_path, demo.settings)
    for blueprint in blueprints:
        app.register_blueprint(blueprint)
    with serve(app, "127.0.0.1", port) as page:
        _say(f"look at        {page.url}{'workbench/' if blueprints else ''}")
        _say(f"or listen with mosquitto_sub -p {demo.broker.port} -v -t 'condenser/v1/{demo.settings.site.id}/#'")
        _say("Ctrl-C ends everything")
        thread = threading.Thread(target=demo.run, name="demo")
        thread.start()
        _until_interrupted(thread.join)
        demo.stop()
        thread.join()
    _say("ended")
    return 0


def _simulate(args: argparse.Namespace) -> int:
    from pathlib import Path

    from sim import scenario, simulate
    from sim.demo import story_path

    path = Path(args.scenario)
    if not path.exists() and not path.suffix:
        path = story_path(f"{args.scenario}.toml")
    outcome = simulate.run(
        scenario.load(path),
        level=args.level,
        seed=args.seed,
        speed=args.speed,
        record=args.record,
        tell=lambda change: print(_change_line(change), flush=True),
    )
    _say(
        f"{outcome.scenario}: {outcome.simulated_s:g} s, {outcome.scans} scans at the level of {outcome.level}"
        f" in {outcome.took_s:.1f} s, {outcome.times:.0f} times real time"
    )
    for why in outcome.wrong:
        _say(f"not as the scenario demands: {why}")
    return 1 if outcome.wrong else 0


def _season(args: argparse.Namespace) -> int:
    from sim import season

    for unit in season.fleet(args.units, seed=args.seed, days=args.days):
        facts = season.write(unit, args.folder)
        print(
            f"{facts.recording}: {facts.rows} rows, {facts.starts} starts, breaks: {', '.join(facts.causes) or 'none'}"
        )
    return 0


# ---------------------------------------------------------------- people


def _history(settings: Any) -> Any:
    from monitor.history import History

    return History(settings.history.file, keep=settings.history)


def _status(args: argparse.Namespace) -> int:
    from monitor.terminal import status

    settings = _site(args)
    with _history(settings) as history:
        return status(history, settings, sys.stdout)


def _watch(args: argparse.Namespace) -> int:
    from monitor.terminal import watch

    settings = _site(args)
    with _history(settings) as history:
        return watch(history, settings, sys.stdout, every_s=args.every, seconds=args.seconds)


def _report(args: argparse.Namespace) -> int:
    from monitor.report import write_report

    settings = _site(args)
    with _history(settings) as history:
        return write_report(history, settings, args.file, days=args.days, say=_say if args.file != "-" else print)


def _explain(args: argparse.Namespace) -> int:
    from monitor.terminal import explained

    return explained(args.name, _site(args).unit, sys.stdout)


def _diagnose(args: argparse.Namespace) -> int:
    from monitor.terminal import diagnose

    settings = _site(args)
    words = [word for word in (args.about, *args.readings) if word is not None]
    about = next((word for word in words if "=" not in word), None)
    with _history(settings) as history:
        return diagnose(
            history,
            settings,
            sys.stdout,
            about=about,
            readings=[word for word in words if word != about],
            by=args.by,
            who="homeowner" if args.homeowner else "technician",
        )


def _calibrations(settings: Any) -> Any:
    from pathlib import Path

    return Path(settings.history.file).with_name("calibration.json")


def _calibrate(args: argparse.Namespace) -> int:
    from hardware import calibration
    from monitor.service import wall_clock

    settings = _site(args)
    place = _calibrations(settings)
    points = []
    boards = _boards(settings, trimmed=False)
    try:
        for shown in args.meter:
            if len(args.meter) > 1:
                _say(f"bring the meter to {shown:g}, then press Enter")
                sys.stdin.readline()
            value = getattr(boards.scan(), args.reading)
            if value is None:
                reason = boards.faults().get(args.reading, "the sense is not fitted")
                raise CommandError(args.reading, reason, "a sense that gives a reading")
            points.append(calibration.Point(raw=value, meter=shown))
    finally:
        boards.close()
    row = calibration.calibrate(args.reading, points, by=args.by, meter=args.instrument, wall_s=wall_clock())
    calibration.add(place, row)
    print(calibration.told(row))
    return 0


def _commission(args: argparse.Namespace) -> int:
    from pathlib import Path

    from hardware import commission
    from monitor.service import wall_clock

    settings = _site(args)
    boards = _boards(settings)
    scans: dict[str, list[Any]] = {}
    faults: dict[str, str] = {}
    starts: list[Any] = []
    try:
        for phase in commission.PHASES:
            print(f"\n{phase.name}: {phase.do}\n  mind: {phase.mind}\n  Press Enter when it is so.", flush=True)
            sys.stdin.readline()
            rows = scans[phase.name] = []
            for _ in range(max(3, int(phase.watch_s / settings.boards.scan_s))):
                rows.append(boards.scan())
                starts += boards.starts()
                faults |= boards.faults()
                boards.idle(settings.boards.scan_s)
    finally:
        boards.close()
    record = commission.commission(settings, scans, by=args.by, faults=faults, starts=starts, wall_s=wall_clock())
    commission.keep(Path(args.record), record)
    for remark in record.remarks:
        print(f"- {remark.text}")
    print(f"{'All senses are in order' if not record.remarks else 'Not all is in order'}; the record is {args.record}")
    return 0 if not record.remarks else 1


# ---------------------------------------------------------------- the contractor


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
        _say(f"the fleet's pages are at {page.url}")
        _until_interrupted(page.wait)
    return 0


def _asyncapi(args: argparse.Namespace) -> int:
    from monitor.asyncapi import text

    print(text(_site(args)))
    return 0


# ---------------------------------------------------------------- the table of commands


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="condenser-monitor",
        description="Watches an air conditioner's outdoor unit from the 24 V call to the running compressor.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, run: Command, text: str, *, site: bool = True) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        sub.set_defaults(run=run)
        if site:
            sub.add_argument("--site", metavar="SITE", help="site file (TOML); without it, the defaults")
        return sub

    demo = command("demo", _demo, "a simulated unit with a story of faults, its page and a broker", site=False)
    demo.add_argument("--speed", type=float, default=1.0, metavar="X", help="simulated seconds per second (1)")
    demo.add_argument("--port", type=int, default=8124, help="the page's port, 0 for any free one (8124)")
    bench = command("workbench", _workbench, "break and mend a simulated unit with a click", site=False)
    bench.add_argument("--speed", type=float, default=1.0, metavar="X", help="simulated seconds per second (1)")
    bench.add_argument("--port", type=int, default=8124, help="the page's port, 0 for any free one (8124)")
    command("run", _run, "watch the unit: boards, judgement, history, broker")
    command("page", _page, "serve the status page of a monitor that runs")
    replay = command("replay", _replay, "judge a recording as if it were live")
    replay.add_argument("recording", metavar="RECORDING", help="CSV file")
    replay.add_argument("--json", action="store_true", help="one JSON object a line for each change")
    replay.add_argument("--strict", action="store_true", help="stop at the first bad row")
    record = command("record", _record, "write what the boards read to a recording")
    record.add_argument("recording", metavar="RECORDING", help="CSV file to make")
    record.add_argument("--seconds", type=float, metavar="S", help="for how long; without it, until Ctrl-C")
    _add_rest(command)
    return parser


def _add_rest(command: Callable[..., argparse.ArgumentParser]) -> None:
    """The commands of the simulator and of people on site."""
    simulate = command("simulate", _simulate, "run a scenario of the simulator and hold it to its demands", site=False)
    simulate.add_argument(
        "scenario", metavar="SCENARIO", help="a TOML file, or the name of a scenario that comes along"
    )
    simulate.add_argument("--level", choices=("readings", "registers"), default="readings")
    simulate.add_argument("--seed", type=int, metavar="N", help="another seed than the scenario's")
    simulate.add_argument("--speed", type=float, metavar="X", help="times real time; without it, as fast as it goes")
    simulate.add_argument("--record", metavar="FILE", help="write a recording of what the monitor read")
    season = command("season", _season, "write a summer of one unit or of a fleet as recordings", site=False)
    season.add_argument("folder", metavar="FOLDER")
    season.add_argument("--units", type=int, default=1, metavar="N")
    season.add_argument("--days", type=float, default=122.0, metavar="D")
    season.add_argument("--seed", type=int, default=1, metavar="N")
    command("status", _status, "the unit at one look; exit status 0 sound, 1 a finding stands, 4 blind")
    watch = command("watch", _watch, "the unit at one look, then a line for each change")
    watch.add_argument("--every", type=float, default=1.0, metavar="S", help="seconds between looks (1)")
    watch.add_argument("--seconds", type=float, metavar="S", help="for how long; without it, until Ctrl-C")
    report = command("report", _report, "write the last days for a technician as one file")
    report.add_argument("file", metavar="FILE", help="ends in .pdf or .html; - prints HTML")
    report.add_argument("--days", type=int, default=7, metavar="D")
    explain = command("explain", _explain, "explain a finding, a suspect or a check")
    explain.add_argument("name", nargs="?", metavar="NAME", help="without it, all names")
    diagnose = command("diagnose", _diagnose, "find the cause with a meter, check by check")
    diagnose.add_argument("about", nargs="?", metavar="FINDING", help="a finding or a symptom; else what stands now")
    diagnose.add_argument("readings", nargs="*", metavar="CHECK=READING", help='known already, such as coil-ohms="OL"')
    diagnose.add_argument("--by", default="technician", metavar="NAME", help="who measures, for the record")
    diagnose.add_argument("--homeowner", action="store_true", help="offer only what is safe without opening anything")
    commission = command("commission", _commission, "walk through every sense, and keep a dated record")
    commission.add_argument("--by", required=True, metavar="NAME")
    commission.add_argument("--record", default="commissioning.json", metavar="FILE")
    calibrate = command("calibrate", _calibrate, "trim a reading to what a clamp meter or voltmeter shows")
    calibrate.add_argument("reading", metavar="READING")
    calibrate.add_argument(
        "meter", nargs="+", type=float, metavar="SHOWN", help="what the meter shows, one or two points"
    )
    calibrate.add_argument("--by", required=True, metavar="NAME")
    calibrate.add_argument("--instrument", default="", metavar="NAME", help="the meter, for the record")
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
    command("asyncapi", _asyncapi, "print the AsyncAPI document of the topics and messages")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit status."""
    args = _parser().parse_args(argv)
    run: Command = args.run
    try:
        status = run(args)
        sys.stdout.flush()
        return status
    except CondenserError as error:
        _say(f"condenser-monitor: {error}")
        return 2
    except BrokenPipeError:
        # The reader of our output has gone; say nothing more into the closed pipe.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main())
