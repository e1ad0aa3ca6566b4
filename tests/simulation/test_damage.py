"""Seeded damage to every kept file (several hundred with WHOLE=1); the same seed is the same damage.

`DAMAGES=20000 pytest tests/simulation/test_damage.py` is the nightly size; `DAMAGE_SEED=7` plays one again. The ways a
card or a hand spoils a file are common practice: bytes flipped, zeroed, cut off, put in, another file in its place.
"""

from __future__ import annotations

import os
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from condenser_monitor.hardware import calibration, commission
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import HistoryError
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.recording.csv_file import Reader
from condenser_monitor.monitor.storage.schema import connect
from tests.fuzz.test_kept_files import _calibrations, _record
from tests.monitor.edge_tools import Hand
from tests.simulation import damage
from tests.size import long_one, one_in, sized

pytestmark = long_one

DAMAGES = int(os.environ.get("DAMAGES") or sized(60, 300))
ONE = os.environ.get("DAMAGE_SEED")
BATCH = 60
SEEDS = [range(first, min(first + BATCH, DAMAGES)) for first in range(0, DAMAGES, BATCH)]


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    """A directory in memory where there is one: thousands of synchronous commits take minutes on a disk."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as name:
        yield Path(name)


@pytest.fixture(scope="module")
def histories(folder: Path) -> list[damage.Known]:
    """One that was closed in order and one as a kill leaves it, with a backup; and the same without."""
    return [
        damage.made(folder / f"{'killed' if killed else 'closed'}-{backup}", killed=killed, backup=backup)
        for backup in (True, False)
        for killed in (False, True)
    ]


@one_in(3)
@pytest.mark.parametrize("seeds", SEEDS if ONE is None else [range(int(ONE), int(ONE) + 1)], ids=str)
def test_no_damage_breaks_a_promise(seeds: range, histories: list[damage.Known], folder: Path) -> None:
    """The monitor runs on over any damage to one file: every message is told once, no number is given out twice, the
    memory is there, what was put away is still there to the byte, and health says so."""
    outcomes: Counter[str] = Counter()
    for seed in seeds:
        told = damage.weather(seed, histories[seed % 4], folder / str(seed))
        assert told.broken == [], f"DAMAGE_SEED={seed} plays it again; {told.what}, {told.outcome}"
        outcomes[told.outcome] += 1
        shutil.rmtree(folder / str(seed))
    assert ONE is not None or (outcomes["told"] and outcomes["went on"] and not outcomes["refused"]), outcomes


def _office(path: Path) -> object:
    store = Store(f"sqlite:///{path}")
    try:
        store.migrate()
        store.check()
        with store.read() as db:
            for (table,) in db.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
                db.exec_driver_sql(f'SELECT count(*) FROM "{table}"')
    finally:
        store.close()
    return None


def _new_office(path: Path) -> bytes:
    store = Store(f"sqlite:///{path}")
    store.migrate()
    store.close()
    good = path.read_bytes()
    path.unlink()
    return good


_CSV = b"t_s,call,compressor_a\n" + b"".join(b"%d,%d,%.1f\n" % (t, t > 9, 9.5 * (t > 9)) for t in range(40))
_SITE = b'[site]\nid = "unit-1"\n[unit]\ncompressor_rla_a = 16.7\ncompressor_lra_a = 79.0\n[limits]\n'
# what is kept -> (what is in it, how it is used)
OTHERS: dict[str, tuple[Callable[[Path], bytes], Callable[[Path], object]]] = {
    "site.toml": (lambda path: _SITE, config.load),
    "recording.csv": (lambda path: _CSV, lambda path: list(Reader(path))),
    "calibration.json": (lambda path: _calibrations(), calibration.load),
    "commissioning.json": (lambda path: _record(), commission.read),
    "fleet.db": (_new_office, _office),
}


@pytest.mark.parametrize("name", OTHERS)
def test_another_damaged_file_is_used_or_refused_by_name(name: str, tmp_path: Path) -> None:
    """Site file, recording, calibration, commissioning record, the office's database: no traceback, and a refusal
    names the file, whose bytes are left as they are."""
    make, use = OTHERS[name]
    good = make(tmp_path / name)
    for seed in [int(ONE)] if ONE is not None else range(DAMAGES // (10 if name == "fleet.db" else 3)):
        told = damage.over(seed, good, tmp_path / name, use)
        assert told.broken == [], f"DAMAGE_SEED={seed} plays it again; {told.what}, {told.outcome}"
        for end in ("-wal", "-shm", "-journal"):
            (tmp_path / (name + end)).unlink(missing_ok=True)


@pytest.mark.parametrize("place", range(100))
def test_any_byte_of_the_header_costs_nothing(place: int, histories: list[damage.Known], folder: Path) -> None:
    """Each byte of the header in turn set to its opposite: every row that waited comes once, none else, in order."""
    known, home = histories[0], folder / f"header-{place}"
    shutil.copytree(known.folder, home)
    data = bytearray((home / "h.db").read_bytes())
    data[place] ^= 0xFF
    (home / "h.db").write_bytes(data)
    with damage.opened(home, Hand()) as history:
        assert [row.id for row in history.outbox("receiver", begin=True, limit=damage.ALL)] == known.waiting
        assert history.memory() == damage.MEMORY
        kept = history.health().set_aside
    assert bytes(data) in [path.read_bytes() for path in home.glob("*.db")] or not kept


def test_a_log_of_another_history_is_not_taken(histories: list[damage.Known], folder: Path) -> None:
    """The log of one history beside the file of another: put away with it, and what the file itself holds goes on."""
    home = folder / "strange-log"
    shutil.copytree(histories[0].folder, home)
    shutil.copy(histories[1].folder / "h.db-wal", home / "h.db-wal")
    with damage.opened(home, Hand()) as history:
        assert "put away" in history.health().notes["history"]
        assert {row.id for row in history.events(limit=damage.ALL)} <= set(histories[0].rows)
        assert [row.id for row in history.outbox("receiver", begin=True, limit=damage.ALL)] == histories[0].waiting


def test_two_damages_of_one_second_lie_beside_each_other(tmp_path: Path) -> None:
    """None is written over another, and each is as it was found."""
    found = []
    for text in (b"first note", b"second note"):
        (tmp_path / "h.db").write_bytes(text)
        with damage.opened(tmp_path, Hand()) as history:
            found.append(history.health().set_aside)
    assert [(tmp_path / name).read_bytes() for name in found] == [b"first note", b"second note"]


def test_a_cut_while_a_damaged_file_is_put_away_is_taken_up(
    histories: list[damage.Known], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ended at each renaming in turn: the next start finishes it, and nothing is lost."""
    renamings = 0
    for end_at in range(1, 9):
        home = folder / f"cut-{end_at}"
        shutil.copytree(histories[0].folder, home)
        data = bytearray((home / "h.db").read_bytes())
        data[:16] = b"no such database"
        (home / "h.db").write_bytes(data)
        real, count = Path.replace, 0

        def replace(path: Path, to: Path, *, end_at: int = end_at) -> Path:
            nonlocal count
            count += 1
            if count == end_at:
                raise KeyboardInterrupt
            return real(path, to)  # noqa: B023 - the same in each turn

        with monkeypatch.context() as turn:
            turn.setattr(Path, "replace", replace)
            try:
                damage.opened(home, Hand()).close()
            except KeyboardInterrupt:
                renamings += 1
        with damage.opened(home, Hand()) as history:
            assert [row.id for row in history.outbox("receiver", begin=True, limit=damage.ALL)] == histories[0].waiting
            kept = history.health().set_aside
        assert (home / kept).read_bytes() == bytes(data)
    assert renamings >= 3


@pytest.mark.parametrize("kind", ["folder", "pipe"])
def test_what_is_no_file_is_refused(kind: str, tmp_path: Path) -> None:
    """A folder or a pipe at the path of the history was put there by somebody: place, given, allowed."""
    path = tmp_path / "h.db"
    path.mkdir() if kind == "folder" else os.mkfifo(path)
    with pytest.raises(HistoryError) as refused:
        damage.opened(tmp_path, Hand())
    assert (refused.value.place, str(refused.value.given)) == (
        str(path),
        "a folder" if kind == "folder" else "no ordinary file",
    )


def test_a_file_without_rights_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The history of another user: the error says the mode and what mends it, and nothing is put away."""
    with damage.opened(tmp_path, Hand()):
        pass
    real = os.open

    def refuse(path: object, flags: int, *more: int, **named: int) -> int:
        if str(path).endswith("h.db"):
            raise PermissionError(13, "Permission denied")  # root, as which tests may run, is never refused
        return real(path, flags, *more, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(HistoryError, match=r"mode 600.*chmod 600"):
        damage.opened(tmp_path, Hand())
    assert not list(tmp_path.glob("*corrupt*"))


def test_a_number_that_was_changed_is_put_right(tmp_path: Path) -> None:
    """A row under the number of the next one passes SQLite's check, and would refuse that one: the redo log knows."""
    clock = Hand()
    with damage.opened(tmp_path, clock) as history:
        damage._step(history, clock, 1)
        history.register("receiver", begin=True)
    db = connect(tmp_path / "h.db", durable=False)
    db.execute("UPDATE outbox SET id = replace(id, '-1', '-2') WHERE topic = 'events'")
    db.close()
    with damage.opened(tmp_path, clock) as history:
        for number in range(2, 8):
            damage._step(history, clock, number)
        assert history.health().disk_error == ""
        assert [(row.seq, row.id) for row in history.events()] == [(n, f"{history.origin}-{n}") for n in range(1, 8)]
