"""What is kept and read again: recordings replayed, a season judged again, five years of history asked, pages drawn."""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import msgspec
from flask import Flask

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    Cycle,
    Scan,
)
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.recording.csv_file import RecordingWriter
from condenser_monitor.monitor.recording.replay import Replay
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.models import LANES
from condenser_monitor.monitor.storage.schema import COLUMNS, DAY_S
from condenser_monitor.sim.backfill import live
from condenser_monitor.sim.season import fleet
from condenser_monitor.sim.season_fleet import TRIAL_DAYS, TRIAL_SEED, TRIAL_UNITS
from condenser_monitor.web.app import create_app
from tests.benchmarks.machines import story
from tests.benchmarks.table import (
    Row,
    cost,
    rate,
    took_each_s,
)
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    UNIT,
)

NOW_S = 1_784_000_000.0
SETTINGS = Settings(unit=UNIT, senses=SensorSettings(fitted=ALL))
YEARS, CYCLES_A_DAY, SEASON_DAYS = 5, 20, 150
PATHS = ("/", "/live.json", "/alerts", "/history", "/history?zoom=week", "/history?zoom=season", "/cycles", "/health")

# ---------------------------------------------------------------- recordings


def parsed(path: Path) -> int:
    """The floor: every row through `csv`, every cell through `float`."""
    count = 0
    with path.open(newline="") as file:
        for row in csv.reader(file):
            if row[0][0] in "#t":
                continue
            for cell in row:
                if cell:
                    float(cell)
            count += 1
    return count


def replayed(path: Path) -> int:
    """The file through reader and engine."""
    replay = Replay(path, SETTINGS)
    for _ in replay:
        pass
    return replay.reader.rows


def recordings(folder: Path) -> list[Row]:
    """Rows a second of a recording with a row each second, and of a season with a row each minute."""
    second, minute = folder / "second.csv", folder / "minute.csv"
    stream = story(hours=8.0)
    write(second, stream)
    write(minute, _season(stream))
    found = []
    for name, path, aim in (("replay, a row a second", second, "at most 5"), ("a season judged again", minute, "")):
        count = parsed(path)
        ours_s, floor_s = took_each_s((lambda: replayed(path), lambda: parsed(path)))  # noqa: B023
        floor = ("csv and float of the same file", count / floor_s)
        found.append(rate(name, count / ours_s, "rows/s", floor, aim))
    found.append(cost(f"  {SEASON_DAYS} days, a row a minute", ours_s, "s", ("csv and float", floor_s)))
    return found


def write(path: Path, stream: list[Scan]) -> None:
    with path.open("w") as file:
        writer = RecordingWriter(file, ALL, NOW_S)
        for scan in stream:
            writer.write(scan)


def _season(stream: list[Scan]) -> list[Scan]:
    """The same days, scanned once a minute."""
    return [
        msgspec.structs.replace(stream[place * 60 % len(stream)], t_s=place * 60.0)
        for place in range(SEASON_DAYS * 24 * 60)
    ]


# ---------------------------------------------------------------- history


def five_years(keep: config.HistorySettings) -> None:
    """A history as the service leaves it after five years: made by SQL, so that it is there in seconds."""
    engine = Engine(SETTINGS)
    for second in range(30):
        engine.feed(Scan(t_s=float(second), wall_s=NOW_S - 30 + second, **RUN))
    with History(keep.file, owner=True, keep=keep, wall=lambda: NOW_S) as history:
        status = engine.status()
        history.step(now_s=29.0, wall_s=NOW_S, status=status, memory=engine.memory, last=True)
    cycle = Cycle(
        started_s=0.0,
        stopped_s=900.0,
        started_wall_s=NOW_S,
        start_seen=True,
        pull_in_s=0.03,
        run_delay_s=0.1,
        run_s=899.0,
        compressor_a=9.0,
        compressor_max_a=9.4,
        fan_a=1.0,
        control_v=25.4,
        coil_a=0.26,
        outdoor_c=31.0,
        closings=1,
        compressor_starts=1,
    )
    count = int(YEARS * 365 * CYCLES_A_DAY)
    began_s = NOW_S - YEARS * 365 * DAY_S
    held = {name: 1000 * (value if value else REST[name]) for name, value in RUN.items()}
    row = ", ".join(str(held.get(name, "NULL")) for name in READINGS for _ in range(3))
    with closing(sqlite3.connect(keep.file)) as db, db:
        db.execute(
            "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?) INSERT INTO outbox "
            "SELECT i, 'cycles', i, 'b:' || i, 'cycle', 1, i, ? + i * ?, ? FROM n",
            (count, began_s, DAY_S / CYCLES_A_DAY, msgspec.json.encode(cycle)),
        )
        db.execute("INSERT OR REPLACE INTO counters VALUES ('place', ?), ('cycles', ?)", (count, count))
        for table, step, days in (("coarse", 60, keep.readings_days), ("fine", 10, 2)):
            db.execute(
                "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?) "
                f"INSERT OR REPLACE INTO {table} (wall_s, {', '.join(COLUMNS)}) "
                f"SELECT CAST(? AS INTEGER) / {step} * {step} - i * {step}, {row} FROM n",
                (int(days * DAY_S / step), NOW_S - (0 if table == "fine" else 2 * DAY_S)),
            )
        for name in LANES:
            db.execute(
                "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?) INSERT INTO lanes "
                "SELECT ?, ? - i * 1800, CASE i % 2 WHEN 0 THEN 'live' ELSE 'dead' END, ? - i * 1800 + 1800 FROM n",
                (int(keep.readings_days * 48), name, NOW_S, NOW_S),
            )


def history(folder: Path) -> list[Row]:
    """ms of each question; the floor is SQLite handing over the same rows and nothing made of them."""
    keep = config.HistorySettings(file=str(folder / "five.db"), live_dir=str(folder / "live"))
    five_years(keep)
    day, month, year = NOW_S - DAY_S, NOW_S - 30 * DAY_S, NOW_S - 365 * DAY_S
    columns = "wall_s, compressor_a_mean, compressor_a_low, compressor_a_high"
    found = []
    with History(keep.file, keep=keep, wall=lambda: NOW_S) as asked, closing(sqlite3.connect(keep.file)) as db:
        outbox = "SELECT * FROM outbox WHERE topic = 'cycles'"
        table: tuple[tuple[str, Callable[[], object], str], ...] = (
            (
                "one reading over a day",
                lambda: asked.readings("compressor_a", day, NOW_S, 400),
                f"SELECT {columns} FROM fine WHERE wall_s >= {day}",
            ),
            (
                "one reading over a month",
                lambda: asked.readings("compressor_a", month, NOW_S, 400),
                f"SELECT {columns} FROM coarse UNION ALL SELECT {columns} FROM fine",
            ),
            ("lanes of a day", lambda: asked.lanes(day, NOW_S), f"SELECT * FROM lanes WHERE to_wall_s > {day}"),
            (
                "the last 200 cycles of a year",
                lambda: asked.cycles(year, NOW_S),
                f"{outbox} AND wall_s >= {year} ORDER BY wall_s DESC LIMIT 200",
            ),
            (
                "all cycles of a year",
                lambda: asked.cycles(year, NOW_S, 10_000),
                f"{outbox} AND wall_s >= {year} ORDER BY wall_s DESC",
            ),
            (
                "the newest 50 events",
                lambda: asked.latest_events(50, "cycles"),
                f"{outbox} ORDER BY seq DESC LIMIT 50",
            ),
        )
        for name, ask, sql in table:
            assert ask()
            ours_s, floor_s = took_each_s((ask, lambda: db.execute(sql).fetchall()), turns=7)  # noqa: B023
            found.append(cost(f"five years: {name}", 1000 * ours_s, "ms", ("the same rows by SQLite", 1000 * floor_s)))
    return found


# ---------------------------------------------------------------- the season of a trial office


def trial(folder: Path) -> list[Row]:
    """Processor time of a day of one unit of the trial office, lived into a history, beside its simulated world alone,
    and how many times as fast as life all its unit-days go by on one core."""
    units = list(fleet(TRIAL_UNITS, seed=TRIAL_SEED, days=1.0))

    def alone() -> None:
        for unit in units:
            for _ in unit.items():
                pass

    def lived() -> None:
        for unit in units:
            place = folder / f"{unit.site_id}.db"
            for rest in folder.glob(f"{unit.site_id}.db*"):
                rest.unlink()
            keep = config.HistorySettings(file=str(place), live_dir=str(folder))
            with History(place, owner=True, keep=keep, wall=lambda: NOW_S) as history:
                live(unit.rig(), history, DAY_S, keep="events")

    alone_s, lived_s = (seconds / len(units) for seconds in took_each_s((alone, lived), turns=2))
    whole_s = lived_s * TRIAL_UNITS * TRIAL_DAYS
    return [
        cost("a unit's day of the trial office", 1000 * lived_s, "ms", ("its world alone", 1000 * alone_s)),
        cost("the whole trial on one core", whole_s, "s", ("a minute on two", 120.0), "less than the floor"),
    ]


# ---------------------------------------------------------------- pages


def pages(folder: Path) -> list[Row]:
    """ms of a whole request of the page over five years of history, beside a route that does nothing."""
    keep = config.HistorySettings(file=str(folder / "five.db"), live_dir=str(folder / "live"))
    if not Path(keep.file).exists():
        five_years(keep)
    settings = msgspec.structs.replace(SETTINGS, history=keep)
    bare = Flask("bare")
    bare.add_url_rule("/", "nothing", lambda: "nothing")
    found = []
    with History(keep.file, keep=keep, wall=lambda: NOW_S) as asked:
        client = create_app(asked, settings, wall=lambda: NOW_S).test_client()
        nothing = bare.test_client()
        for path in PATHS:
            assert client.get(path).status_code == 200
            ours_s, floor_s = took_each_s((lambda: client.get(path), lambda: nothing.get("/")), turns=7)  # noqa: B023
            found.append(cost(f"page {path}", 1000 * ours_s, "ms", ("a Flask route that does nothing", 1000 * floor_s)))
    return found
