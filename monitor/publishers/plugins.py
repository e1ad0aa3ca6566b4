"""(edge) Publishers from other packages, found by entry points (packaging.python.org, "Entry points specification").

A package names its publisher in its own pyproject.toml:

    [project.entry-points."condenser_monitor.publishers"]
    lines = "lines_publisher:PLUGIN"

where PLUGIN is a PublisherPlugin: the record of its settings and what makes the publisher. Only what the site file has
a table for is imported and runs; its keys are checked as all others are:

    [plugins.lines]
    file = "/var/lib/condenser-monitor/lines.txt"

The name of the entry point is the publisher's `name`, by which the history keeps how far it has been told: a name that
was used once is never used for another publisher. publishers/conformance.py holds a publisher to what it promises.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import EntryPoint, entry_points
from typing import Any, NamedTuple

import msgspec

from condenser_monitor.monitor.core.config import ID_PATTERN, Settings, convert_tables
from condenser_monitor.monitor.core.errors import SiteError
from condenser_monitor.monitor.publishers.base import Publisher

GROUP = "condenser_monitor.publishers"
_OURS = ("mqtt", "discovery", "phone")  # names of publishers that are built in; phones are numbered


class PublisherPlugin(NamedTuple):
    """What an entry point names. `settings` is a frozen msgspec.Struct with a default for each key; `make` gets the
    whole site's settings and that record, and raises SiteError for values that cannot be."""

    settings: type[msgspec.Struct]
    make: Callable[[Settings, Any], Publisher]


def publishers(settings: Settings, place: str = "site file") -> list[Publisher]:
    """Make the publishers that the site file has tables for, in its order.

    Raises SiteError for a plug-in that is not installed or cannot be imported, and for its keys and values.
    """
    installed = {found.name: found for found in entry_points(group=GROUP)} if settings.plugins else {}
    return [_made(settings, name, table, installed, f"{place}: plugins") for name, table in settings.plugins.items()]


def _made(
    settings: Settings, name: str, table: dict[str, Any], installed: dict[str, EntryPoint], place: str
) -> Publisher:
    if name.partition("-")[0] in _OURS or not ID_PATTERN.fullmatch(name):
        raise SiteError(place, name, "a name of letters, digits and hyphens that no built-in publisher has")
    if name not in installed:
        raise SiteError(place, name, f"one that is installed: {', '.join(sorted(installed)) or 'there is none'}")
    try:
        plugin = installed[name].load()
    except Exception as error:  # whatever another package does when it is imported
        raise SiteError(
            f"{place}.{name}", f"{type(error).__name__}: {error}", "a package that can be imported"
        ) from error
    if not isinstance(plugin, PublisherPlugin):
        raise SiteError(f"{place}.{name}", installed[name].value, "the place of a PublisherPlugin")
    made = plugin.make(settings, convert_tables(table, plugin.settings, f"{place}.{name}"))
    if made.name != name:
        raise SiteError(f"{place}.{name}", made.name, "a publisher that is called as its entry point")
    return made
