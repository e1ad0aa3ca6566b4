"""Curves out of the history: several readings over one span, held to numpy over the very rows that are kept."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.models import StoredPoint
from condenser_monitor.monitor.storage.status_cache import live_path
from tests.monitor.edge_tools import WALL_S

NAMES = ("compressor_a", "outdoor_c", "call")
BEGAN_S = int(WALL_S) // 60 * 60
# Three hours by the minute, two hours each ten seconds, a quarter of an hour not yet on disk; with holes.
PLACES = {"coarse": (0, 10_800, 60), "fine": (10_800, 18_000, 10), "live": (18_000, 18_900, 10)}
HOLES = ((4000, 5000), (11_000, 13_000), (18_300, 18_400))


def rows() -> dict[str, list[tuple[int | None, ...]]]:
    """Rows of each table: the time, then mean, low and high of each reading in thousandths; some readings miss."""
    chance, found = np.random.default_rng(5), {}
    for table, (from_s, to_s, step_s) in PLACES.items():
        made: list[tuple[int | None, ...]] = []
        for at_s in range(from_s, to_s, step_s):
            if any(first <= at_s < last for first, last in HOLES):
                continue
            parts: list[int | None] = []
            for _ in NAMES:
                low, mean, high = sorted(int(value) for value in chance.integers(-9000, 40_000, 3))
                parts += [mean, low, high] if chance.random() > 0.2 else [None] * 3
            made.append((BEGAN_S + at_s, *parts))
        found[table] = made
    return found


ROWS = rows()


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Iterator[History]:
    """A history that holds ROWS."""
    folder = tmp_path_factory.mktemp("curves")
    keep = config.HistorySettings(file=str(folder / "history.db"), live_dir=str(folder))
    with History(keep.file, owner=True, keep=keep, wall=lambda: WALL_S):
        files = {"live": live_path(Path(keep.file), keep.live_dir), "coarse": Path(keep.file), "fine": Path(keep.file)}
        for table, made in ROWS.items():
            put(files[table], "fine" if table == "live" else table, made)
        with History(keep.file, keep=keep, wall=lambda: WALL_S) as asked:
            yield asked


def put(file: Path, table: str, made: Sequence[Sequence[object]]) -> None:
    columns = ", ".join(f"{name}_mean, {name}_low, {name}_high" for name in NAMES)
    with closing(sqlite3.connect(file)) as db, db:
        marks = ", ".join("?" * (1 + 3 * len(NAMES)))
        db.executemany(f"INSERT OR REPLACE INTO {table} (wall_s, {columns}) VALUES ({marks})", made)


def by_numpy(name: str, from_s: float, to_s: float, step_s: int) -> list[StoredPoint]:
    """The stretches of a span, from the rows themselves."""
    at = 1 + 3 * NAMES.index(name)
    kept = [(row[0], *row[at : at + 3]) for made in ROWS.values() for row in made if row[at] is not None]
    table = np.array(sorted(row for row in kept if row[0] is not None and from_s <= row[0] < to_s), dtype=float)
    found = []
    for number in np.unique((table[:, 0] - int(from_s)) // step_s) if len(table) else ():
        part = table[(table[:, 0] - int(from_s)) // step_s == number, 1:] / 1000
        found.append(StoredPoint(int(from_s + number * step_s), part[:, 0].mean(), part[:, 1].min(), part[:, 2].max()))
    return found


SPANS: tuple[tuple[float, float, int], ...] = (
    (0, 18_900, 400),
    (0, 18_900, 7),
    (7, 18_893.5, 100),
    (9000, 12_500, 13),
    (17_000, 18_900, 5000),
    (11_100, 12_900, 50),
    (-90_000, 100_000, 333),
    (18_290, 18_410, 3),
)


@pytest.mark.parametrize(("from_s", "to_s", "points"), SPANS)
def test_curves_are_means_lows_and_highs_of_the_rows(history: History, from_s: float, to_s: float, points: int) -> None:
    """Stretches, means, lows and highs agree with numpy over the rows of all tables, holes and missing readings too."""
    found = history.curves(NAMES, BEGAN_S + from_s, BEGAN_S + to_s, points)
    step_s = max(10, 10 * int(np.ceil((to_s - from_s) / points / 10)))
    for name in NAMES:
        expected = by_numpy(name, BEGAN_S + from_s, BEGAN_S + to_s, step_s)
        assert [point.wall_s for point in found[name]] == [point.wall_s for point in expected]
        assert np.array(found[name]).ravel() == pytest.approx(np.array(expected).ravel(), rel=1e-12)
        assert len(found[name]) <= points + 1
        assert history.readings(name, BEGAN_S + from_s, BEGAN_S + to_s, points) == found[name]


def test_one_name_that_is_no_reading_refuses_all(history: History) -> None:
    """The names never reach SQL before each is known."""
    with pytest.raises(CommandError, match="one of call, control_v"):
        history.curves(("call", "wall_s FROM fine; --"), 0, 1)


def test_words_where_numbers_belong_cost_their_own_stretch_only(tmp_path: Path) -> None:
    """A damaged row leaves a hole in the curve; the rest is still told."""
    keep = config.HistorySettings(file=str(tmp_path / "history.db"), live_dir=str(tmp_path))
    with History(keep.file, owner=True, keep=keep, wall=lambda: WALL_S) as history:
        good = [(BEGAN_S + at_s, *(1000 + at_s, 900, 2000) * 3) for at_s in range(0, 100, 10)]
        put(Path(keep.file), "fine", good)
        with closing(sqlite3.connect(keep.file)) as db, db:
            db.execute("UPDATE fine SET outdoor_c_low = 'hiss' WHERE wall_s = ?", (BEGAN_S + 50,))
        found = history.curves(("outdoor_c",), BEGAN_S, BEGAN_S + 100, 10)["outdoor_c"]
    assert [point.wall_s - BEGAN_S for point in found] == [0, 10, 20, 30, 40, 60, 70, 80, 90]
