"""Plays many storms on a disk that fails beneath SQLite, and keeps what became of each, one line of JSON a storm.

    python -m tests.simulation.many 0 2000 --keep FILE     seeds 0 to 1999; those that FILE knows are not played again
    python -m tests.simulation.many 0 200 --wires          under the shipped drivers
    python -m tests.simulation.many 3002 --shrink          the shortest story of a storm that breaks a promise

Exit status 1 when a promise was broken. The stand-in for the C library's calls is built first (tests/crash/shim.c), and
the storms are played in a process that was started with it.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tests import ROOT, SOURCES
from tests.crash import shim

MEMORY = Path("/dev/shm")


def played(seed: int, *, wires: bool) -> dict[str, Any]:
    """Play one storm; what became of it."""
    from tests.simulation import story
    from tests.simulation import wires as at_wires

    began_s = time.process_time()
    with TemporaryDirectory(prefix="storm-", dir=MEMORY if os.access(MEMORY, os.W_OK) else None) as folder:
        storm = (at_wires.run if wires else story.run)(seed, Path(folder))
    return {
        "seed": seed,
        "broken": storm.broken,
        "told": len(storm.stream.first),
        "again": storm.stream.repeats,
        "phone": len(storm.told),
        "lives": storm.lives,
        "cuts": dict(storm.cuts),
        "states": storm.disk.states,
        "misfortunes": dict(Counter(name for _, name in storm.happened)),
        "digest": storm.digest(),
        "cpu_s": round(time.process_time() - began_s, 2),
        **({"log": storm.log} if storm.broken else {}),
    }


def elsewhere(words: Sequence[str], *, hash_seed: str = "") -> subprocess.CompletedProcess[str]:
    """Run this module with these words in a process that has the stand-in."""
    with TemporaryDirectory() as folder:
        env = {**os.environ, "PYTHONPATH": SOURCES, "LD_PRELOAD": str(shim.build(Path(folder)))}
        if hash_seed:
            env["PYTHONHASHSEED"] = hash_seed
        command = [sys.executable, "-m", __spec__.name, *words]
        return subprocess.run(command, cwd=ROOT, env=env, stdout=subprocess.PIPE, text=True, check=False)


def results(words: Sequence[str], *, hash_seed: str = "") -> list[dict[str, Any]]:
    """What became of the storms that these words ask for. Raises AssertionError where they were not all played."""
    done = elsewhere(words, hash_seed=hash_seed)
    found = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    assert found, (done.returncode, done.stdout[-2000:])
    assert done.returncode in (0, 1)
    return found


def summary(rows: Sequence[dict[str, Any]]) -> str:
    """All of them in words."""
    sums = Counter[str]()
    for row in rows:
        sums += Counter({key: row[key] for key in ("told", "again", "phone", "lives", "states")})
        sums += Counter({f"cut by {name}": count for name, count in row["cuts"].items()})
    broken = [row["seed"] for row in rows if row["broken"]]
    what = ", ".join(f"{name} {count}" for name, count in sums.items())
    return f"{len(rows)} storms: {what}; {sum(row['cpu_s'] for row in rows):.0f} s of processor; broken: {broken}"


def main(given: Sequence[str] | None = None) -> int:
    """Play what the command line asks for."""
    logging.disable()  # its tracebacks cost a third of a storm
    asked = argparse.ArgumentParser(prog="tests.simulation.many", description=(__doc__ or "").splitlines()[0])
    asked.add_argument("first", type=int)
    asked.add_argument("end", type=int, nargs="?", help="behind the last; one storm without it")
    asked.add_argument("--wires", action="store_true")
    asked.add_argument("--shrink", action="store_true")
    asked.add_argument("--keep", type=Path)
    words = sys.argv[1:] if given is None else given
    args = asked.parse_args(words)
    if not shim.loaded():
        done = elsewhere(words)
        print(done.stdout, end="")
        return done.returncode
    if args.shrink:
        from tests.simulation.shrink import shortest

        return shortest(args.first)
    lines = args.keep.read_text().splitlines() if args.keep and args.keep.exists() else []
    known = {row["seed"]: row for row in map(json.loads, lines)}
    for seed in range(args.first, args.end or args.first + 1):
        if seed not in known:
            known[seed] = played(seed, wires=args.wires)
            if args.keep:
                with args.keep.open("a") as file:
                    print(json.dumps(known[seed]), file=file)
            else:
                print(json.dumps(known[seed]), flush=True)
    print(summary(list(known.values())))
    return 1 if any(row["broken"] for row in known.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
