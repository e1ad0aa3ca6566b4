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


def _boards(settings: Any) -> Any:
    from hardware.boards import Boards
    from monitor.service import wall_clock

    return Boards(settings, wall=wall_clock)


def _run(args: argparse.Namespace) -> int:
    from monitor.history import History
    from monitor.mqtt import MqttOutlet
    from monitor.service import Service, run_until_signal

    settings = _site(args)
    outlets = [MqttOutlet(settings)] if settings.mqtt.host else []
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
    command("asyncapi", _asyncapi, "print the AsyncAPI document of the topics and messages")
    return parser


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
