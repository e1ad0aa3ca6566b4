"""(edge) The monitor itself and its page."""

from __future__ import annotations

import argparse
from typing import Any

from condenser_monitor.monitor.commands import shared


def add(command: shared.Command) -> None:
    """Put these commands into the table."""
    command("run", _run, "watch the unit: boards, judgement, history, broker")
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

    from condenser_monitor.monitor.publishers.watchdog import Watchdog, load

    logging.basicConfig(format="%(asctime)s %(message)s", stream=sys.stderr)
    path = Path(args.file)
    stops: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda got, _frame: stops.append(got))
    Watchdog(load(path), path.with_name(path.name + ".state.json")).run(lambda: bool(stops))
    return 0


def _run(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.publishers.broker import BrokerPublisher
    from condenser_monitor.monitor.publishers.discovery import DiscoveryPublisher
    from condenser_monitor.monitor.publishers.phone import PhonePublisher
    from condenser_monitor.monitor.publishers.plugins import publishers
    from condenser_monitor.monitor.service import logs
    from condenser_monitor.monitor.service.run_loop import Service, run_until_signal
    from condenser_monitor.monitor.storage.file import History

    logs.set_up()
    settings = shared.site(args)
    outlets: list[Any] = [BrokerPublisher(settings), DiscoveryPublisher(settings)] if settings.mqtt.host else []
    if settings.notify.urls or settings.notify.urls_file:
        outlets.append(PhonePublisher(settings))
    outlets += publishers(settings, args.site or "defaults")
    history = History(settings.history.file, owner=True, keep=settings.history)
    boards, uncertainty = shared.boards(settings), shared.uncertainty(settings)
    run_until_signal(Service(settings, boards, history, outlets, uncertainty=uncertainty))
    return 0


def _page(args: argparse.Namespace) -> int:
    from condenser_monitor.monitor.service import logs
    from condenser_monitor.web.app import create_app

    logs.set_up()
    settings = shared.site(args)
    shared.serve_until_interrupted(create_app(settings.history.file, settings), settings.web, "the page is at")
    return 0
