"""(edge) The monitor itself and its page."""

from __future__ import annotations

import argparse
from functools import partial
from typing import Any

from condenser_monitor.monitor.commands import shared


def add(command: shared.Command) -> None:
    """Put these commands into the table."""
    run = command("run", _run, "watch the unit: boards, judgement, history, broker")
    run.add_argument("--simulated", action="store_true", help="a unit in software in place of the boards")
    run.add_argument(
        "--scenario", metavar="NAME", help="what happens to it: a TOML file or a name (healthy-all-senses)"
    )
    command("page", _page, "serve the status page of a monitor that runs")
    watchdog = command(
        "watchdog", _watchdog, "tell households whose monitor has gone silent, from another machine", site=False
    )
    watchdog.add_argument(
        "file", metavar="FILE", help="TOML: [mqtt] and one [[sites]] a site (id, name, area, urls, page)"
    )


def _watchdog(args: argparse.Namespace) -> int:
    import logging
    import signal
    import sys
    from pathlib import Path

    from condenser_monitor.monitor.publishers.watchdog import SilenceWatchdog, load

    logging.basicConfig(format="%(asctime)s %(message)s", stream=sys.stderr)
    path = Path(args.file)
    stops: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda got, _frame: stops.append(got))
    SilenceWatchdog(load(path), path.with_name(path.name + ".state.json")).run(lambda: bool(stops))
    return 0


def _run(args: argparse.Namespace) -> int:
    from pathlib import Path

    from condenser_monitor.monitor.page_settings import SettingsWatch
    from condenser_monitor.monitor.service import logs
    from condenser_monitor.monitor.service.run_loop import Service, run_until_signal
    from condenser_monitor.monitor.storage.history import History

    logs.set_up()
    if args.simulated or args.scenario:
        return _run_simulated(args)
    again = True
    while again:  # what is changed on the page counts at once: with settings of its own, as after a restart
        site, settings = shared.site_file(args), shared.site(args)
        # A first start whose boards cannot be opened leaves no history behind.
        boards = None if Path(settings.history.file).exists() else shared.boards(settings)
        history = History(settings.history.file, owner=True, keep=settings.history)
        boards, uncertainty = boards or shared.boards(settings), shared.uncertainty(settings)
        watch = SettingsWatch(site, settings)
        service = Service(
            settings, boards, history, _publishers(args, settings), uncertainty=uncertainty, outdated=watch.outdated
        )
        again = run_until_signal(service)
    return 0


def _run_simulated(args: argparse.Namespace) -> int:
    """Play a scenario under the real drivers, with this site's history, broker and phones."""
    from condenser_monitor.sim import scenario
    from condenser_monitor.sim.demo import Demo, replaced

    played, site = scenario.load(args.scenario or "healthy-all-senses"), shared.site_file(args)
    with Demo(say=shared.say, before_s=0.0, played=played, site=site, publishers=partial(_publishers, args)) as demo:
        shared.say(f"a simulated unit ({played.name}); its history is {demo.history_path}")
        if own := replaced(site):
            named = ", ".join(f"[{name}]" for name in own)
            shared.say(f"what the site file says in {named} does not count here: the unit is the scenario's")
        shared.say(f"look at it with  condenser-monitor page --site {demo.site_path}   (status, diagnose ... likewise)")
        shared.play_until_interrupted(demo.run, demo.stop)
    return 0


def _publishers(args: argparse.Namespace, settings: Any) -> list[Any]:
    """Return what this site is told through."""
    from condenser_monitor.monitor.plugins import publishers
    from condenser_monitor.monitor.publishers.broker import BrokerPublisher
    from condenser_monitor.monitor.publishers.discovery import DiscoveryPublisher
    from condenser_monitor.monitor.publishers.phone import PhonePublisher

    found: list[Any] = [BrokerPublisher(settings), DiscoveryPublisher(settings)] if settings.mqtt.host else []
    if settings.notify.urls or settings.notify.urls_file:
        found.append(PhonePublisher(settings))
    return found + publishers(settings, args.site or "defaults")


def _page(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.publishers.answer_links import page_address
    from condenser_monitor.monitor.service import logs
    from condenser_monitor.web.app import create_app

    logs.set_up()
    settings = shared.site_file(args)
    if page_address(settings):
        shared.say(f"other devices reach the page at {page_address(settings)}/")
    shared.serve_until_interrupted(create_app(settings.history.file, settings), settings.web, "the page is at")
    return 0
