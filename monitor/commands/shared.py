"""(edge) What several commands share: the site file, the boards, the history, words on stderr, the end by a signal."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

from condenser_monitor.monitor.core.errors import shown

_LINE_MOST = 4000  # characters of a line on stderr
# The extra that brings a package, by the name it is imported by; a test holds this to pyproject.toml.
EXTRA_OF = {
    **dict.fromkeys(("flask", "werkzeug", "jinja2", "markupsafe", "waitress", "segno"), "web"),
    **dict.fromkeys(("sqlalchemy", "alembic", "psycopg", "argon2", "prometheus_client", "icalendar"), "fleet"),
    **{
        "apprise": "phone",
        "reportlab": "report",
        "shtab": "completion",
        "argparse_manpage": "completion",
        "amqtt": "demo",
    },
}
Run = Callable[[argparse.Namespace], int]


class Command(Protocol):
    """Puts a command into the table; its parser, for the arguments."""

    def __call__(self, name: str, run: Run, text: str, *, site: bool = True) -> argparse.ArgumentParser: ...


def say(text: str) -> None:
    """A line for a person, on stderr; stdout is for what was asked for."""
    print("\n".join(shown(line, _LINE_MOST) for line in text.split("\n")), file=sys.stderr)


def not_installed(error: ModuleNotFoundError) -> str | None:
    """Return what to say where a package of an extra is missing; None where the package is of no extra."""
    package = (error.name or "").partition(".")[0]
    extra = EXTRA_OF.get(package)
    return extra and f"Missing package {package}. Install it with: pip install 'condenser-monitor[{extra}]'"


def site(args: argparse.Namespace) -> Any:
    """Return the settings in force: of `--site` (the defaults without it), and over them those made on the page."""
    found = site_file(args)
    return page_settings(found).over(found)[0]


def site_file(args: argparse.Namespace) -> Any:
    """Return the settings of `--site` alone, with its findings of other packages installed; the defaults without it."""
    from condenser_monitor.monitor.core.config import Settings, load

    settings = Settings() if args.site is None else load(args.site)
    if settings.plugins:
        from condenser_monitor.monitor.plugins import install_findings

        install_findings(settings, args.site)
    return settings


def page_settings(settings: Any) -> Any:
    """Return where the page keeps what is set on it."""
    from condenser_monitor.monitor.page_settings import PageSettings

    return PageSettings(Path(settings.history.file))


def history(settings: Any) -> Any:
    """The kept history, to read and to make requests; the monitor itself owns it."""
    from condenser_monitor.monitor.storage.history import History

    return History(settings.history.file, keep=settings.history)


def boards(settings: Any, *, trimmed: bool = True) -> Any:
    """Return the real boards, with the kept trims; with other packages' sensors beside them, where a site has any."""
    from condenser_monitor.hardware.boards import Boards
    from condenser_monitor.hardware.calibration import load, trims
    from condenser_monitor.monitor.clock import wall_clock

    kept = trims(load(calibrations(settings))) if trimmed else {}
    if not settings.plugins:
        return Boards(settings, wall=wall_clock, trims=kept)

    import msgspec

    from condenser_monitor.monitor.plugins import BoardsAndSensors, sensors

    found = sensors(settings)
    given = {reading for sensor in found for reading in sensor.readings}
    own = msgspec.structs.replace(settings.senses, fitted=tuple(one for one in settings.fitted if one not in given))
    ours = Boards(msgspec.structs.replace(settings, senses=own), wall=wall_clock, trims=kept)
    return BoardsAndSensors(ours, found, settings.boards.scan_s) if found else ours


def uncertainty(settings: Any) -> Callable[[str, float], float]:
    """The uncertainty of a reading at a value, with the kept calibrations."""
    from condenser_monitor.hardware.calibration import load
    from condenser_monitor.hardware.uncertainty import by_reading

    return by_reading(load(calibrations(settings)), settings.boards.build)


def calibrations(settings: Any) -> Path:
    """Where the trims are kept: beside the history."""
    return Path(settings.history.file).with_name("calibration.json")


def until_interrupted(wait: Callable[[], object]) -> None:
    """Wait until `wait` ends, Ctrl-C or SIGTERM."""
    import signal

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)
    with suppress(KeyboardInterrupt):
        wait()


def play_until_interrupted(run: Callable[[], object], stop: Callable[[], object]) -> None:
    """Have `run` go on in a thread until it ends, Ctrl-C or SIGTERM; then `stop` it and wait for its end."""
    import threading

    ended = threading.Event()

    def play() -> None:
        try:
            run()
        finally:
            ended.set()

    thread = threading.Thread(target=play, name="simulated unit")
    thread.start()
    until_interrupted(ended.wait)  # not join: before Python 3.13 one that is interrupted takes the thread for ended
    stop()
    thread.join()


def serve_until_interrupted(app: Any, place: Any, words: str) -> None:
    """Serve an application at `place` (its `host` and `port`), say where, and go on until Ctrl-C or SIGTERM."""
    from condenser_monitor.web.serve import serve

    with serve(app, place.host, place.port) as page:
        say(f"{words} {page.url}")
        until_interrupted(page.wait)
