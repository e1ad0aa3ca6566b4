"""Changes the core on purpose, one place at a time, and says which changes no test notices.

    python -m tests.mutation                      every file, a seeded sample of each
    python -m tests.mutation --sample 0           every mutant (hours)
    python -m tests.mutation --seen               the eleven that once survived, by their own tests
    python -m tests.mutation monitor/core/cycle.py --sample 40 --seed 7
    python -m tests.mutation --constants          defaults, constants of the world and distances of the boards, moved
                                                  by half or doubled; those that no quick test notices are named
    python -m tests.mutation --sample 0 --keep F  appends what each batch of mutants came to to F (JSON lines); begun
                                                  again with the same F, it goes on behind the last whole batch

A survivor that tests/mutation/survivors.toml names with its reason is known; exit status 1 when more others survive
than the budget allows (`--budget`, of each hundred), or when one of the eleven does.
"""

from __future__ import annotations

import argparse
import importlib
import json
import random
import sys
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.mutation import constants
from tests.mutation.mutants import ROOT, Mutant, mutants, noticed, sieved
from tests.mutation.seen import SEEN

# file -> the tests that hold it, quickest first
CORE: dict[str, tuple[str, ...]] = {
    "monitor/alarms/alarm_manager.py": (
        *("alerts", "alerts_table", "alerts_requests", "alerts_restart", "alerts_proof", "alerts_metrics"),
        "alerts_property",
    ),
    "monitor/core/evaluation.py": ("core_rules", "findings", "engine", "short_looks"),
    "monitor/core/cycle.py": ("core_rules", "cycle", "findings", "engine"),
    "monitor/core/patterns.py": ("patterns", "core_rules", "habits", "flapping", "engine", "engine_history"),
    "monitor/core/trust.py": ("trust", "findings", "engine"),
    "monitor/storage/writer.py": ("core_rules", "history", "history_disk", "history_numbers"),
    "monitor/publishers/broker.py": ("core_rules", "../conformance/test_broker_topics"),
    "hardware/calibration.py": (
        *("../hardware/test_calibration", "../hardware/test_power", "../hardware/test_uncertainty"),
        "../hardware/test_wizard",
    ),
}
SAMPLE, BUDGET, BATCH = 60, 15.0, 50
SURVIVORS = Path(__file__).with_name("survivors.toml")


def tests_of(file: str) -> list[str]:
    """The paths of the test files that hold a file."""
    paths = (name.partition("../")[2] or f"monitor/test_{name}" for name in CORE[file])
    return [f"tests/{path}.py" for path in paths]


def known() -> set[tuple[str, str, str, str]]:
    """The survivors that are named with a reason."""
    rows = tomllib.loads(SURVIVORS.read_text())["survivor"]
    return {(row["file"], row["where"], row["before"], row["after"]) for row in rows if row["why"]}


def load_libraries() -> None:
    """Load what every test needs and what is none of this program, once for all children."""
    for name in ("pytest", "hypothesis", "msgspec", "paho.mqtt.client", "jsonschema", "playwright.sync_api", "numpy"):
        importlib.import_module(name)


def survivors_of_seen() -> list[str]:
    """The claims of the eleven that their tests do not notice. Raises AssertionError for a text that is not there."""
    found = []
    _refuse_red(SEEN[0].file, sorted({row.test for row in SEEN}))
    for row in SEEN:
        source = (ROOT / row.file).read_text()
        assert source.count(row.before) == 1, f"{row.file}: stands there {source.count(row.before)} times: {row.before}"
        if not noticed(row.file, source.replace(row.before, row.after), [row.test]):
            found.append(row.claim)
    return found


def _refuse_red(file: str, tests: Sequence[str]) -> None:
    """Raise RuntimeError where tests fail without any change: they would notice everything."""
    if noticed(file, (ROOT / file).read_text(), tests):
        raise RuntimeError(f"tests fail without any change: {' '.join(tests)}")


def of_code(file: str, sample: int, seed: int) -> tuple[list[Mutant], Callable[[list[Mutant]], list[Mutant]]]:
    """The mutants of a file, and what finds those of a batch that no test notices."""
    tests = tests_of(file)

    def left(batch: list[Mutant]) -> list[Mutant]:
        found, untried = sieved(batch, tests)
        return found + [one for one in untried if not noticed(file, one.text(), tests)]

    return _sampled(list(mutants(file)), sample, seed), left


def of_numbers(file: str, sample: int, seed: int) -> tuple[list[Mutant], Callable[[list[Mutant]], list[Mutant]]]:
    """The moved numbers of a file, and what finds those of a batch that no quick test notices."""
    made = _sampled(list(constants.moved(file)), sample, seed)
    files = {one.where: constants.holders(file, one.where) for one in made}

    def left(batch: list[Mutant]) -> list[Mutant]:
        tests = sorted({test for one in batch for test in files[one.where]})
        found, untried = sieved(batch, tests, constants.put, lambda one: files[one.where])
        return found + [one for one in untried if not noticed(file, one.text(), files[one.where])]

    return made, left


def _sampled(made: list[Mutant], sample: int, seed: int) -> list[Mutant]:
    return random.Random(seed).sample(made, min(sample, len(made))) if sample else made


def survivors(made: Sequence[Mutant], left: Callable[[list[Mutant]], list[Mutant]], keep: Path | None) -> list[Mutant]:
    """Those that no test noticed, tried batch by batch; a batch that `keep` knows the answer to is not tried again."""
    by_key = {one.key: one for one in made}
    lines = keep.read_text().splitlines() if keep is not None and keep.exists() else ()
    done = {tuple(map(tuple, row["tried"])): row["left"] for row in map(json.loads, lines)}
    found: list[Mutant] = []
    for first in range(0, len(made), BATCH):
        batch = list(made[first : first + BATCH])
        tried = tuple(one.key for one in batch)
        if tried in done:
            found += [by_key[tuple(key)] for key in done[tried]]
            continue
        now = left(batch)
        found += now
        if keep is not None:
            with keep.open("a") as file:
                file.write(json.dumps({"tried": tried, "left": [one.key for one in now]}) + "\n")
    return found


def main(given: Sequence[str] | None = None) -> int:
    """Run what the command line asks for."""
    asked = argparse.ArgumentParser(prog="tests.mutation", description=(__doc__ or "").splitlines()[0])
    asked.add_argument("files", nargs="*", choices=[[], *CORE, *constants.FILES], help="of the core; all without one")
    asked.add_argument("--seen", action="store_true", help="only the eleven that once survived")
    asked.add_argument("--constants", action="store_true", help="numbers moved by half or doubled, in place of code")
    asked.add_argument("--sample", type=int, default=SAMPLE, help=f"mutants of each file, 0 for all (default {SAMPLE})")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--budget", type=float, default=BUDGET, help="unnamed survivors allowed, of each hundred tried")
    asked.add_argument("--keep", type=Path, help="where the answers are kept, batch by batch")
    args = asked.parse_args(given)
    load_libraries()
    back = [] if args.constants else survivors_of_seen()
    if not args.constants:
        print(f"of {len(SEEN)} that once survived: {len(SEEN) - len(back)} killed", *back, sep="\n  ", flush=True)
    if args.seen:
        return 1 if back else 0
    tried, left, named = 0, 0, known()
    made_of = of_numbers if args.constants else of_code
    for file in args.files or (constants.FILES if args.constants else CORE):
        made, find = made_of(file, args.sample, args.seed)
        count, found = len(made), survivors(made, find, args.keep)
        unnamed = [one for one in found if one.key not in named]
        tried, left = tried + count, left + len(unnamed)
        print(
            f"{file}: {count - len(found)} of {count} killed, {len(found) - len(unnamed)} known survivors", flush=True
        )
        for one in unnamed:
            print(f"  {one.where}: {one.before!r} -> {one.after!r}", flush=True)
    print(f"{tried} tried, {left} unnamed survivors; budget {args.budget:g} of a hundred")
    return 1 if back or left * 100.0 > args.budget * tried else 0


if __name__ == "__main__":
    sys.exit(main())
