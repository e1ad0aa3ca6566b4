"""(edge) The contractor's side."""

from __future__ import annotations

import argparse
from typing import Any

from monitor.commands import parts
from monitor.fleet import arguments


def add(command: parts.Command) -> None:
    """Put these commands into the table."""
    fleet = command("fleet", _none, "the contractor's side: ingest, pages, sites and people", site=False)
    arguments.add(fleet, page=_page)


def _none(args: argparse.Namespace) -> int:
    raise AssertionError(args)  # each action sets its own


def _page(settings: Any) -> None:
    from monitor.fleet import commands
    from web.fleet.app import create_app
    from web.serve import serve

    app = create_app(settings, commands.opened(settings))
    with serve(app, settings.pages.host, settings.pages.port) as page:
        parts.say(f"the fleet's pages are at {page.url}")
        parts.until_interrupted(page.wait)
