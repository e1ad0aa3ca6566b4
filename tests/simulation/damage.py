"""Seeded damage to the files that a monitor and an office keep, and the program's real code over them.

One damage is one seed: which file, which bytes, in which way. What was there before is known to the byte and to the
row, so it can be said what may not be lost.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import CondenserError, HistoryError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    Answer,
    MeterReading,
    Request,
    RequestKind,
    Scan,
    StartTransient,
    StoredVisit,
)
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.models import LANES, StoredEvent
from condenser_monitor.monitor.storage.status_cache import live_path
from tests.monitor.edge_tools import (
    MEMORY,
    WALL_S,
    Hand,
    change,
    cycle,
    status,
)
from tests.monitor.units import RUN

PAGE_BYTES = 4096
NAMES = (
    "h.db",
    "h.db-wal",
    "h.db-shm",
    "h.db.redo",
    "h.db.redo-old",
    "h.db.backup-1",
    "live/x.live",
    "live/x.live-wal",
)
ALL = 10_000


@dataclass
class Known:
    """What a history held before it was damaged."""

    folder: Path
    rows: dict[str, StoredEvent] = field(default_factory=dict)
    waiting: list[str] = field(default_factory=list)  # ids not yet acknowledged, in order


def opened(folder: Path, clock: Hand) -> History:
    """The owner's history of a folder."""
    keep = config.HistorySettings(file=str(folder / "h.db"), live_dir=str(folder / "live"))
    return History(keep.file, owner=True, keep=keep, clock=clock, wall=lambda: WALL_S + clock())


def _step(history: History, clock: Hand, number: int, *, last: bool = False) -> None:
    clock.sleep(7.0)
    t_s = clock()
    begun = StartTransient(t_s=t_s, duration_s=0.4, peak_a=60.0, settled_a=9.0, rate_hz=860.0)
    history.step(
        now_s=t_s,
        wall_s=WALL_S + t_s,
        status=status(t_s, live=("call",) if number % 3 else ()),
        memory=lambda: MEMORY,
        scan=Scan(t_s=t_s, wall_s=WALL_S + t_s, **RUN),
        events=[] if last else [change(t_s, finding=f"f{number}"), cycle(t_s)],
        starts=[begun] if number % 10 == 0 else (),
        answers=[Answer(id=request.id, done=True) for request in history.requests()],
        last=last,
    )


def made(folder: Path, *, killed: bool, backup: bool = True, steps: int = 60) -> Known:
    """A history in `folder`, closed in order or as a kill leaves it: part in the file, part in its log."""
    clock, work = Hand(), folder.with_name(folder.name + "-work")
    known = Known(folder)
    with opened(work, clock) as history:
        history.register("receiver", begin=True)
        for number in range(steps):
            if number == steps // 2:
                history._owned()._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # type: ignore[union-attr]
                if backup:
                    history._owned()._back_up()
            if number % 7 == 0:
                history.add_request(Request(id=f"r{number}", request=RequestKind.RESUME, by="Sam"), source="broker")
                history.add_visit(StoredVisit(was="coil-open", by="Sam", suspects=("coil-open",)))
                history.add_meter_reading(MeterReading(check="coil-ohm", typed="OL", by="Sam"))
            _step(history, clock, number)
        rows = history.outbox("receiver", begin=True, limit=ALL)
        history.delivered("receiver", rows[len(rows) * 2 // 3].offset)
        _step(history, clock, steps, last=True)
        known.rows = {row.id: row for row in rows}
        known.waiting = [row.id for row in rows[len(rows) * 2 // 3 + 1 :]]
        if killed:
            shutil.copytree(work, folder)
    if not killed:
        shutil.copytree(work, folder)
    shutil.rmtree(work)
    for live in (folder / "live").iterdir():  # its name is made of the path
        live.rename(live.with_name("x.live" + live.name.partition(".live")[2]))
    return known


# ---------------------------------------------------------------- damage


def damaged(rng: random.Random, data: bytes) -> tuple[str, bytes]:
    """What was done, and the bytes as they are now; always other ones."""
    if not data:
        return "filled", rng.randbytes(64)
    kind = rng.choice(("flipped", "flipped", "zeroed", "cut", "noise", "head", "head", "emptied", "text", "shifted"))
    made = bytearray(data)
    at = rng.randrange(len(data))
    span = min(rng.choice((1, 100, PAGE_BYTES, 5 * PAGE_BYTES)), len(data) - at)
    if kind == "flipped":
        for _ in range(rng.choice((1, 8, 200))):
            made[rng.randrange(len(made))] ^= 1 << rng.randrange(8)
    elif kind == "head":
        made[rng.randrange(min(100, len(made)))] ^= 1 << rng.randrange(8)
    elif kind == "zeroed":
        made[at : at + span] = bytes(span)
    elif kind == "noise":
        made[at : at + span] = rng.randbytes(span)
    elif kind == "cut":
        del made[at:]
    elif kind == "emptied":
        made.clear()
    elif kind == "text":
        made[:] = b"# somebody saved a note here\n" * rng.choice((1, 400))
    elif kind == "shifted":
        made[at:at] = rng.randbytes(rng.choice((1, 512)))
    return (kind, bytes(made)) if bytes(made) != data else ("appended", data + b"\x00")


class Told(msgspec.Struct):
    """One damage and what was found wrong with what the program made of it."""

    what: str
    broken: list[str]
    outcome: str = ""
    came: list[str] = msgspec.field(default_factory=list)  # ids that were delivered before anything new


def weather(seed: int, known: Known, home: Path) -> Told:
    """Damage one file of a history, start the program over it, and hold it to its promises."""
    rng = random.Random(seed)
    shutil.copytree(known.folder, home)
    name = rng.choice([name for name in (*NAMES, "h.db", "h.db") if (home / name).exists()])
    before = (home / name).read_bytes()
    kind, after = damaged(rng, before)
    (home / name).write_bytes(after)
    told = Told(f"{name} {kind}", [])
    for live in (home / "live").iterdir():
        live.rename(live.with_name(_live_name(home) + live.name.removeprefix("x.live")))
    clock = Hand()
    clock.sleep(5000.0)
    try:
        history = opened(home, clock)
    except HistoryError as error:
        told.outcome = "refused"
        if str(home / "h.db") not in error.place:
            told.broken.append(f"refused without the file's name: {error}")
        return told
    with history:
        _hold(told, history, clock, known)
        said = history.health().notes.get("history", "")
    told.outcome = "told" if said else "went on"
    from_redo = "steps that were lost at the end" in said or not said
    if not from_redo and not any(_kept(path, before, after) for path in home.rglob("*") if path.is_file()):
        told.broken.append(f"the damaged bytes are gone: {said}")
    if not said and name == "h.db" and kind in ("emptied", "text"):
        told.broken.append("nothing was said")
    return told


def _live_name(home: Path) -> str:
    return live_path(home / "h.db", str(home / "live")).name


def _hold(told: Told, history: History, clock: Hand, known: Known) -> None:
    """Read all there is, go on, and look at what is delivered: every row that waited, once, as it was, whichever one
    file was damaged, and the memory."""
    _read_all(history)
    got = _delivered(history)
    ids = [row.id for row in got]
    told.came = ids
    if len(set(ids)) != len(ids):
        told.broken.append("a row came twice")
    if ids != known.waiting:
        told.broken.append(f"lost or doubled: {len(ids)} came, {len(known.waiting)} waited")
    if [row.body for row in got] != [known.rows[name].body for name in known.waiting]:
        told.broken.append("a row came with another body")
    if history.memory() != MEMORY:
        told.broken.append("what the monitor remembered is gone")
    for number in range(8):
        _step(history, clock, 1000 + number)
    _read_all(history)
    health = history.health()
    new = _delivered(history)
    if health.disk_error or health.held:
        told.broken.append(f"it does not go on: {health.disk_error}, {health.held} held")
    if again := {row.id for row in new} & (set(known.rows) | set(ids)):
        told.broken.append(f"numbers given out twice: {sorted(again)[:3]}")
    if sum(getattr(row.body, "finding", "").startswith("f10") for row in new) != 8:
        told.broken.append(f"new rows were lost: {len(new)} came")


def _delivered(history: History) -> list[StoredEvent]:
    found: list[StoredEvent] = []
    while rows := history.outbox("receiver", begin=True, limit=50):
        found += rows
        history.delivered("receiver", rows[-1].offset)
    return found


def _read_all(history: History) -> None:
    """What the page and the terminal ask for: each answers, none raises."""
    msgspec.json.encode(history.status())
    msgspec.json.encode((history.status_age_s(), history.health(), history.score(), history.starts()))
    msgspec.json.encode((history.lanes(0.0, 3e9, LANES), history.cycles(0.0, 3e9), history.changes(0.0, 3e9)))
    msgspec.json.encode((history.events(), history.latest_events(), history.visits(), history.meter_readings()))
    msgspec.json.encode([history.readings(name, WALL_S - 100.0, WALL_S + 9000.0) for name in READINGS])
    history.sent("receiver"), history.first_seq("events"), history.requests(), history.answer("r0")


def _kept(path: Path, before: bytes, after: bytes) -> bool:
    """Whether a file holds the damage: the very bytes, or, where it was found in use only, what was changed at its
    place in what was put away."""
    data = path.read_bytes()
    if data == after or len(before) != len(after):
        return data == after
    changed = [at for at, (one, other) in enumerate(zip(before, after, strict=True)) if one != other]
    return "corrupt" in path.name and all(data[at : at + 1] == after[at : at + 1] for at in changed)


# ---------------------------------------------------------------- other kept files


def over(seed: int, good: bytes, path: Path, use: object) -> Told:
    """Damage a file of another kind and use it: it is used or refused in the program's own words."""
    rng = random.Random(seed)
    kind, after = damaged(rng, good)
    path.write_bytes(after)
    path.chmod(0o600)
    told = Told(f"{path.name} {kind}", [])
    try:
        use(path)  # type: ignore[operator]
        told.outcome = "went on"
    except CondenserError as error:
        told.outcome = "refused"
        if path.name not in error.place:
            told.broken.append(f"refused without the file's name: {error}")
    except (sqlite3.Error, OSError, ValueError, TypeError, KeyError) as error:
        told.broken.append(f"a traceback: {error!r}")
    if path.read_bytes() != after and told.outcome == "refused":
        told.broken.append("the damaged bytes are gone")
    return told
