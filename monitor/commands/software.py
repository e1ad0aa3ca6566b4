"""(edge) A unit in software: the demo, the workbench, scenarios and seasons."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Any

from condenser_monitor.monitor.commands import shared


def add(command: shared.Command) -> None:
    """Put these commands into the table."""
    demo = command("demo", _demo, "a simulated unit with a story of faults, its page and a broker", site=False)
    demo.add_argument("--speed", type=float, default=1.0, metavar="X", help="simulated seconds per second (1)")
    demo.add_argument("--port", type=int, default=8124, help="the page's port, 0 for any free one (8124)")
    demo.add_argument(
        "--past", type=float, metavar="DAYS", help="days that the unit has been watched before the story (92)"
    )
    bench = command("workbench", _workbench, "break and mend a simulated unit with a click", site=False)
    bench.add_argument("--speed", type=float, default=1.0, metavar="X", help="simulated seconds per second (1)")
    bench.add_argument("--port", type=int, default=8124, help="the page's port, 0 for any free one (8124)")
    simulate = command("simulate", _simulate, "run a scenario of the simulator and hold it to its demands", site=False)
    simulate.add_argument(
        "scenario", metavar="SCENARIO", help="a TOML file, or the name of a scenario that comes along"
    )
    simulate.add_argument(
        "--level",
        choices=("readings", "registers"),
        default="readings",
        help="ideal senses, or the shipped drivers byte by byte (readings)",
    )
    simulate.add_argument("--seed", type=int, metavar="N", help="another seed than the scenario's")
    simulate.add_argument("--speed", type=float, metavar="X", help="times real time; without it, as fast as it goes")
    simulate.add_argument("--record", metavar="FILE", help="write a recording of what the monitor read")
    accuracy = command("accuracy", _accuracy, "break many seeded units and score what the monitor says", site=False)
    accuracy.add_argument("--units", type=int, default=300, metavar="N", help="units, about one in seven sound (300)")
    accuracy.add_argument("--seed", type=int, default=1, metavar="N", help="the same seed, the same units (1)")
    accuracy.add_argument("--jobs", type=int, default=1, metavar="N", help="processes that share the work (1)")
    accuracy.add_argument(
        "--years", type=int, default=0, metavar="N", help="sound units, a year of trouble each, at every scan rate (0)"
    )
    accuracy.add_argument("--days", type=float, default=365.0, metavar="N", help="days of each sound unit (365)")
    accuracy.add_argument("--sensors", type=int, default=0, metavar="N", help="units played without each sensor (0)")
    accuracy.add_argument("--page", metavar="FILE", help="write the report there instead of printing it")
    accuracy.add_argument("--again", type=int, metavar="UNIT", help="play one unit again, and tell each change")
    season = command("season", _season, "a summer of one unit or of a fleet, as recordings or to a broker", site=False)
    season.add_argument("folder", metavar="FOLDER", help="for the recordings, or for what is told to a broker")
    season.add_argument("--units", type=int, metavar="N", help="how many units (1; with --fleet 8)")
    season.add_argument("--days", type=float, metavar="D", help="from 1 June (122; with --fleet the last 14)")
    season.add_argument("--seed", type=int, metavar="N", help="the same seed, the same season (1; with --fleet 230)")
    season.add_argument("--weather", default="", metavar="FILE", help="a typical year (TMY3) instead of made-up ones")
    season.add_argument("--jobs", type=int, metavar="N", help="processes that share the work (one a core)")
    season.add_argument("--broker", metavar="HOST[:PORT]", help="tell it to this broker instead of writing recordings")
    season.add_argument("--fleet", metavar="FILE", help="enrol the units in this fleet, and tell it to its broker")
    season.add_argument(
        "--passwords", metavar="FOLDER", help="each unit's account: SITE-ID and FOLDER/SITE-ID.password"
    )
    season.add_argument(
        "--username", default="", metavar="NAME", help="one account for all units, with --password-file"
    )
    season.add_argument("--password-file", default="", metavar="FILE", help="holds that account's password")
    season.add_argument("--tls", action="store_true", help="encrypted, the broker's certificate checked")
    season.add_argument("--ca-file", default="", metavar="FILE", help="the authority that the certificate must be of")


def _demo(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.core.errors import CommandError
    from condenser_monitor.sim.demo import BEFORE_DAYS, Demo
    from condenser_monitor.sim.simulate import check_speed
    from condenser_monitor.web.serve import check_address

    check_speed(args.speed)
    check_address("127.0.0.1", args.port)
    days = BEFORE_DAYS if args.past is None else args.past
    if not 0.0 <= days <= 365.0:
        raise CommandError("--past", days, "0 to 365 days")
    if days:
        lived = "a day" if days == 1.0 else f"{days:g} days"
        shorter = " (`--past 1` is quicker)" if days > 1.0 else ""
        shared.say(f"making {lived} of history first{shorter} ...")
    with Demo(speed=args.speed, say=shared.say, before_s=days * 86400.0) as demo:
        return _play(demo, args.port, ())


def _workbench(args: argparse.Namespace) -> int:
    from condenser_monitor.sim.demo import Demo
    from condenser_monitor.sim.workbench import scenario_for_bench, workbench
    from condenser_monitor.web.serve import check_address

    check_address("127.0.0.1", args.port)
    with Demo(speed=args.speed, say=shared.say, before_s=0.0, played=scenario_for_bench()) as demo:
        return _play(demo, args.port, (workbench(demo),))


def _play(demo: Any, port: int, blueprints: Sequence[Any]) -> int:
    import logging

    from condenser_monitor.monitor.service import logs
    from condenser_monitor.web.app import create_app
    from condenser_monitor.web.serve import serve

    logs.set_up(logging.WARNING)
    app = create_app(demo.history_path, demo.settings)
    for blueprint in blueprints:
        app.register_blueprint(blueprint)
    with serve(app, "127.0.0.1", port) as page:
        shared.say(f"look at        {page.url}{'workbench/' if blueprints else ''}")
        shared.say(
            f"ask it with    condenser-monitor status --site {demo.site_path}   (watch, report, diagnose ... likewise)"
        )
        shared.say(f"or listen with mosquitto_sub -p {demo.broker.port} -v -t 'condenser/v1/{demo.settings.site.id}/#'")
        shared.say("Ctrl-C ends everything")
        shared.play_until_interrupted(demo.run, demo.stop)
    shared.say("ended")
    return 0


def _simulate(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.terminal.text import change_line
    from condenser_monitor.sim import scenario, simulate

    outcome = simulate.run(
        scenario.load(args.scenario),
        level=args.level,
        seed=args.seed,
        speed=args.speed,
        record=args.record,
        tell=lambda change: print(change_line(change), flush=True),
    )
    shared.say(
        f"{outcome.scenario}: {outcome.simulated_s:g} s, {outcome.scans} scans at the level of {outcome.level}"
        f" in {outcome.took_s:.1f} s, {outcome.times:.0f} times real time"
    )
    for why in outcome.wrong:
        shared.say(f"not as the scenario demands: {why}")
    return 1 if outcome.wrong else 0


def _accuracy(args: argparse.Namespace) -> int:
    from condenser_monitor.sim import bench_pages

    if args.again is not None:
        return 0 if bench_pages.again(args.again, print) else 1
    good = bench_pages.accuracy(
        args.units,
        seed=args.seed,
        jobs=args.jobs,
        years=args.years,
        say=shared.say,
        tell=print,
        days=args.days,
        sensors=args.sensors,
        file=args.page,
    )
    return 0 if good else 1


def _season(args: argparse.Namespace) -> int:
    import os
    import time
    from functools import partial

    from condenser_monitor.sim import season, season_broker

    count, days, seed = 1, season.SUMMER_DAYS, 1
    if args.fleet is not None:
        from condenser_monitor.sim import season_fleet

        count, days, seed = season_fleet.TRIAL_UNITS, season_fleet.TRIAL_DAYS, season_fleet.TRIAL_SEED
    count = count if args.units is None else args.units
    days, seed = days if args.days is None else args.days, seed if args.seed is None else args.seed

    def units() -> Any:
        made = season.fleet(count, seed=seed, days=days, weather_file=args.weather)
        return made if args.fleet is None else (unit.until(time.time()) for unit in made)

    work: Any
    if args.fleet is not None:
        from condenser_monitor.monitor.fleet import setup

        office = setup.load(args.fleet)
        shared.say(f"{season_fleet.enroll_units(office, units(), args.folder)} units enrolled")
        work = partial(
            season_broker.publish_season,
            folder=args.folder,
            broker=season_fleet.broker_of(office),
            passwords=args.folder,
            stays=True,
        )
    elif args.broker is not None:
        broker = season_broker.broker_at(
            args.broker,
            username=args.username,
            password_file=args.password_file,
            tls=args.tls,
            ca_file=args.ca_file,
        )
        work = partial(season_broker.publish_season, folder=args.folder, broker=broker, passwords=args.passwords)
    else:
        work = partial(season.write, folder=args.folder)
    jobs = max(1, min(count, os.cpu_count() or 1)) if args.jobs is None else args.jobs
    for number, done in enumerate(season.each(units(), work, jobs), start=1):
        print(f"{number}/{count} {done}", flush=True)
    return 0
