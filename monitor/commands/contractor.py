"""(edge) The contractor's side."""

from __future__ import annotations

import argparse
from typing import Any

from condenser_monitor.monitor.commands import shared
from condenser_monitor.monitor.fleet import arguments


def add(command: shared.Command) -> None:
    """Put these commands into the table."""
    fleet = command("fleet", _none, "the contractor's side: ingest, pages, sites and people", site=False)
    arguments.add(fleet, page=_page)


def _none(args: argparse.Namespace) -> int:
    raise AssertionError(args)  # each action sets its own


def _page(settings: Any) -> None:
    from condenser_monitor.monitor.fleet import commands
    from condenser_monitor.web.fleet.app import create_app

    app = create_app(settings, commands.opened(settings))
    shared.serve_until_interrupted(app, settings.pages, "the fleet's pages are at")
