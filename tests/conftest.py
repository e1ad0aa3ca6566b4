"""Fixtures shared by all rooms: real services, private and short-lived; a history in a directory of its own."""

from __future__ import annotations

import importlib.util
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import hypothesis
import pytest
from playwright.sync_api import Browser, sync_playwright

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.broker import PrivateBroker, mosquitto
from tests.size import FULL, WHOLE, left_out
from tests.web.browser import FLAGS, chromium

# A busy machine is no failure: no test asserts how long anything takes.
hypothesis.settings.register_profile(
    "ours",
    deadline=None,
    suppress_health_check=[hypothesis.HealthCheck.too_slow],
    max_examples=100 if FULL or WHOLE else 25,
)
hypothesis.settings.load_profile("ours")

# a service that some tests need -> how to find out whether it is here
SERVICES: dict[str, Callable[[], bool]] = {
    "mosquitto": lambda: mosquitto() is not None,
    "mosquitto_sub": lambda: shutil.which("mosquitto_sub") is not None,
    "amqtt": lambda: importlib.util.find_spec("amqtt") is not None,
    "chromium": lambda: any(shutil.which(name) for name in ("chromium", "chromium-browser", "google-chrome")),
    "nginx": lambda: shutil.which("nginx") is not None,
    "ngspice": lambda: shutil.which("ngspice") is not None,
}


def need(service: str, present: bool | None = None) -> None:
    """Skip the test where a service is not installed; fail it in continuous integration, where nothing may be missing.

    `present` answers for a service that SERVICES does not know.
    """
    found = SERVICES[service]() if present is None else present
    if not found:
        (pytest.fail if FULL else pytest.skip)(f"{service} is not installed")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the long tests to CI where nobody asked for any in particular."""
    if FULL or WHOLE or config.args != config.getini("testpaths") or config.option.keyword:
        return
    out = set(left_out(items))
    config.hook.pytest_deselected(items=list(out))
    items[:] = [item for item in items if item not in out]


def set_limit(monkeypatch: pytest.MonkeyPatch, limit: limits.Limit, value: float) -> None:
    """Give a limit of a group another value until the test ends."""
    [group] = [found for found in limits.LimitGroup.__subclasses__() if found.group_name() == limit.group]
    monkeypatch.setattr(group, limit.key, limit._replace(value=value))


@pytest.fixture(scope="session")
def shared_broker() -> Iterator[PrivateBroker]:
    """One mosquitto for the whole run, open to all; tests keep apart by their site ids. Not to be killed."""
    need("mosquitto")
    with PrivateBroker() as broker:
        yield broker


@pytest.fixture
def broker() -> Iterator[PrivateBroker]:
    """A mosquitto of the test's own, to be killed and started at will."""
    need("mosquitto")
    with PrivateBroker() as own:
        yield own


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium. One for each module: left open, its loop would be in the way of other tests' own."""
    need("chromium")
    with sync_playwright() as play:
        found = play.chromium.launch(executable_path=chromium(), args=FLAGS)
        yield found
        found.close()


@pytest.fixture
def keep(tmp_path: Path) -> config.HistorySettings:
    """Settings of a history whose files all lie in the test's own directory."""
    return config.HistorySettings(file=str(tmp_path / "history.db"), live_dir=str(tmp_path / "live"))


@pytest.fixture
def history(keep: config.HistorySettings) -> Iterator[History]:
    """An empty history, owned."""
    with History(keep.file, owner=True, keep=keep) as own:
        yield own


@pytest.fixture
def impatient_publishers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Publishers try again after a twentieth of a second, so that tests of outages are short."""
    set_limit(monkeypatch, limits.PUBLISHERS.backoff_first_s, 0.05)
    set_limit(monkeypatch, limits.PUBLISHERS.backoff_most_s, 0.2)
