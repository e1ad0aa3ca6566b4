"""Changes the core on purpose, one place at a time, and says which changes no test notices.

    python -m tests.mutation                      the eleven, and every file, a seeded sample of each
    python -m tests.mutation --sample 0           every mutant (hours)
    python -m tests.mutation --seen               the eleven that once survived, by their own tests
    python -m tests.mutation monitor/core/cycle.py --sample 40 --seed 7
    python -m tests.mutation --constants          defaults, constants of the world and distances of the boards, moved
                                                  by half or doubled; those that no quick test notices are named
    python -m tests.mutation --sample 0 --keep F  appends what became of each mutant to F (JSON lines); begun again
                                                  with the same F, it goes on where it was

A survivor that tests/mutation/survivors.toml names with its reason, or numbers.toml, is known; exit status 1 when more
others survive than the budget allows (`--budget`, of each hundred), or when one of the eleven does.
"""

from __future__ import annotations

import argparse
import importlib
import json
import random
import sys
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.mutation import constants
from tests.mutation.mutants import ROOT, Mutant, Witnesses, mutants, noticed, tried
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
    "monitor/core/trust.py": ("trust_states", "trust", "findings", "engine"),
    "monitor/core/blinks.py": ("blinks",),
    "monitor/core/blower.py": ("blower",),
    "monitor/core/noise.py": ("noise",),
    "monitor/core/own_cycles.py": ("own_cycles",),
    "monitor/core/drives.py": ("drives",),
    "monitor/diagnosis/elimination.py": ("elimination", "../conformance/test_elimination_published"),
    "monitor/diagnosis/silent_starts.py": ("silent_starts",),
    "monitor/diagnosis/features.py": ("features_borders", "unit_diagnosis", "suspects"),
    "monitor/diagnosis/unit_diagnosis.py": ("shortlist_borders", "vignettes", "diagnose", "unit_diagnosis"),
    "monitor/storage/writer.py": ("core_rules", "history", "history_disk", "history_numbers"),
    "monitor/publishers/broker.py": (
        *("core_rules", "broker_publisher", "../conformance/test_broker_topics", "../conformance/test_broker_access"),
    ),
    "hardware/calibration.py": (
        *("../hardware/test_calibration", "../hardware/test_power", "../hardware/test_uncertainty"),
        "../hardware/test_wizard",
    ),
}
SAMPLE, BUDGET = 60, 15.0
Key = tuple[str, str, str, str]
SURVIVORS = Path(__file__).with_name("survivors.toml")
NUMBERS = Path(__file__).with_name("numbers.toml")


def tests_of(file: str) -> list[str]:
    """The paths of the test files that hold a file."""
    paths = (name.partition("../")[2] or f"monitor/test_{name}" for name in CORE[file])
    return [f"tests/{path}.py" for path in paths]


def known() -> set[Key]:
    """The survivors that are named with a reason."""
    rows = tomllib.loads(SURVIVORS.read_text())["survivor"]
    return {(row["file"], row["where"], row["before"], row["after"]) for row in rows if row["why"]}


def known_numbers() -> set[tuple[str, str, bool]]:
    """The numbers that may move, with a reason: file, name, and whether it is the doubled one (False: the half)."""
    rows = tomllib.loads(NUMBERS.read_text())["number"]
    ways = {"half": (False,), "doubled": (True,), "either": (False, True)}
    return {
        (row["file"], name, way) for row in rows if row["why"] for name in row["names"] for way in ways[row["moved"]]
    }


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


def survivors(file: str, sample: int, seed: int, keep: Path | None, *, numbers: bool) -> tuple[int, list[Mutant]]:
    """How many mutants of a file were tried (its code, or its `numbers` moved), and those that no test noticed; what
    `keep` has an answer to is not tried again."""
    made = list(constants.moved(file) if numbers else mutants(file))
    if sample:
        made = random.Random(seed).sample(made, min(sample, len(made)))
    answers: dict[Key, list[bool]] = {}
    for line in keep.read_text().splitlines() if keep is not None and keep.exists() else ():
        key, survived = json.loads(line)
        answers.setdefault(tuple(key), []).append(survived)
    left, found = [], []
    for one in made:
        if not answers.get(one.key):
            left.append(one)
        elif answers[one.key].pop(0):
            found.append(one)
    for one, survived in _tried(file, left, numbers=numbers) if left else ():
        if survived:
            found.append(one)
        if keep is not None:
            with keep.open("a") as to:
                print(json.dumps((one.key, survived)), file=to)
    return len(made), found


def _tried(file: str, made: list[Mutant], *, numbers: bool) -> Iterator[tuple[Mutant, bool]]:
    if not numbers:
        return tried(made, tests_of(file))
    files = {one.where: constants.holders(file, one.where) for one in made}
    tests = sorted({test for held in files.values() for test in held})
    constants.read_when_loaded(file)
    asked = Witnesses(lambda one: files[one.where], lambda: constants.watch(file))
    return tried(made, tests, constants.put, asked)


def main(given: Sequence[str] | None = None) -> int:
    """Run what the command line asks for."""
    asked = argparse.ArgumentParser(prog="tests.mutation", description=(__doc__ or "").splitlines()[0])
    asked.add_argument("files", nargs="*", choices=[[], *CORE, *constants.FILES], help="of the core; all without one")
    asked.add_argument("--seen", action="store_true", help="only the eleven that once survived")
    asked.add_argument("--constants", action="store_true", help="numbers moved by half or doubled, in place of code")
    asked.add_argument("--sample", type=int, default=SAMPLE, help=f"mutants of each file, 0 for all (default {SAMPLE})")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--budget", type=float, default=BUDGET, help="unnamed survivors allowed, of each hundred tried")
    asked.add_argument("--keep", type=Path, help="where each answer is kept as it comes")
    args = asked.parse_args(given)
    load_libraries()
    seen = args.seen or not (args.constants or args.files)
    back = survivors_of_seen() if seen else []
    if seen:
        print(f"of {len(SEEN)} that once survived: {len(SEEN) - len(back)} killed", *back, sep="\n  ", flush=True)
    if args.seen:
        return 1 if back else 0
    number, left, named, free = 0, 0, known(), known_numbers()
    for file in args.files or (constants.FILES if args.constants else CORE):
        count, found = survivors(file, args.sample, args.seed, args.keep, numbers=args.constants)
        unnamed = [one for one in found if one.key not in named and constants.moves(one) not in free]
        number, left = number + count, left + len(unnamed)
        print(
            f"{file}: {count - len(found)} of {count} killed, {len(found) - len(unnamed)} known survivors", flush=True
        )
        for one in unnamed:
            print(f"  {one.where}: {one.before!r} -> {one.after!r}", flush=True)
    print(f"{number} tried, {left} unnamed survivors; budget {args.budget:g} of a hundred")
    return 1 if back or left * 100.0 > args.budget * number else 0


if __name__ == "__main__":
    sys.exit(main())
