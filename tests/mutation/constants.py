"""Mutants of numbers: each default moved by half, or doubled, tried by the quick tests that can know of it.

The numbers are those of `monitor/limits.py`, of the simulated world and of the boards' distances. What can know of one
is found, not listed: the test files that name it, and those that import a module which does, the shortest first. Pages
that are made from the numbers are no witnesses (they are made again with whatever number stands there), nor is anything
that takes long.
"""

from __future__ import annotations

import ast
import importlib
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from tests.mutation.mutants import ROOT, Mutant, Way

FILES = ("monitor/limits.py", "sim/constants.py", "hardware/circuits/isolation.py")
MOST = 12  # test files for one number
_ROOMS = ("monitor", "hardware", "sim", "web")
# Everything through the engine, and the world against handbooks: for numbers that are used deep inside.
_ALWAYS = {
    "monitor/limits.py": ("tests/monitor/test_findings.py", "tests/monitor/test_engine.py"),
    "sim/constants.py": ("tests/sim/test_world.py", "tests/conformance/test_world_handbook.py"),
    "hardware/circuits/isolation.py": ("tests/hardware/circuits/test_safety_numbers.py",),
}
_NO_WITNESS = re.compile(
    r"tests/(benchmarks|crash|fuzz|install|simulation|mutation|fleet|web/test_browser|monitor/test_catalogue|conformance/test_hub"
    r"|monitor/test_report|sim/test_(bench|scenarios|levels|season|readme|workbench|demo)|test_)"
)


def moved(file: str) -> Iterator[Mutant]:
    """Yield two mutants of each number of a file other than 0: half of it, and twice it."""
    for where, path, node in _numbers(ast.parse((ROOT / file).read_text())):
        number: Any = node.value
        for factor in (0.5, 2.0):
            value = number * factor
            changed = ast.Constant(int(value) if isinstance(number, int) and value == int(value) else value)
            yield Mutant(file, where, ast.unparse(node), ast.unparse(changed), path, changed)


def _numbers(tree: ast.Module) -> Iterator[tuple[str, Way, ast.Constant]]:
    """The numbers that names of a module or of its classes stand for: alone, as a limit's first, or in a table."""
    for at, node in enumerate(tree.body):
        if isinstance(node, ast.ClassDef):
            for inner, line in enumerate(node.body):
                yield from _of_line(f"{node.name}.", ("body", at, "body", inner), line)
        else:
            yield from _of_line("", ("body", at), node)


def _of_line(prefix: str, path: Way, node: ast.stmt) -> Iterator[tuple[str, Way, ast.Constant]]:
    if not (isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)):
        return
    where = prefix + node.targets[0].id
    for way, number in _values((*path, "value"), node.value):
        yield where, way, number


def _values(path: Way, node: ast.expr) -> Iterator[tuple[Way, ast.Constant]]:
    if isinstance(node, ast.Constant):
        if isinstance(node.value, int | float) and not isinstance(node.value, bool) and node.value:
            yield path, node
    elif isinstance(node, ast.UnaryOp):
        yield from _values((*path, "operand"), node.operand)
    elif isinstance(node, ast.BinOp):
        yield from _values((*path, "left"), node.left)
    elif isinstance(node, ast.Call):
        if node.args and isinstance(node.func, ast.Name) and node.func.id not in ("frozenset", "Source"):
            yield from _values((*path, "args", 0), node.args[0])
    elif isinstance(node, ast.Dict):
        for at, value in enumerate(node.values):
            yield from _values((*path, "values", at), value)
    elif isinstance(node, ast.Tuple):
        for at, value in enumerate(node.elts):
            yield from _values((*path, "elts", at), value)


# ---------------------------------------------------------------- who can know of it


@cache
def _texts(folder: str) -> dict[str, str]:
    return {str(path.relative_to(ROOT)): path.read_text() for path in sorted((ROOT / folder).rglob("*.py"))}


@cache
def holders(file: str, where: str) -> tuple[str, ...]:
    """The test files that can know of a number, those that name it first, then the shortest."""
    group, _, key = where.rpartition(".")
    named = re.compile(rf"\b{key}\b")
    mentioned = re.compile(rf"\b{group}\b") if group else named
    users = {
        path.removesuffix(".py").replace("/", ".")
        for room in _ROOMS
        for path, text in _texts(room).items()
        if path != file and named.search(text) and mentioned.search(text)
    }
    imported = re.compile("|".join(rf"\b{_as_imported(user)}\b" for user in users)) if users else None
    found: list[tuple[bool, int, str]] = []
    for path, text in _texts("tests").items():
        if Path(path).name.startswith("test_") and not _NO_WITNESS.match(path):
            names = bool(named.search(text))
            if names or (imported and imported.search(text)):
                found.append((not names, len(text), path))
    chosen = [path for _, _, path in sorted(found)][:MOST]
    return (*chosen, *(path for path in _ALWAYS[file] if path not in chosen))


def _as_imported(module: str) -> str:
    package, _, name = module.rpartition(".")
    return rf"condenser_monitor\.{re.escape(package)}(?:\.| import (?:\w+, )*){name}"


# ---------------------------------------------------------------- the quick way


def put(mutant: Mutant) -> bool:
    """Give a loaded module the number. Return False for one that is no limit or constant by itself, nor in a table that
    is looked into when it is asked: others may have been worked out from it."""
    module: Any = importlib.import_module("condenser_monitor." + mutant.file.removesuffix(".py").replace("/", "."))
    group, _, key = mutant.where.rpartition(".")
    holder = getattr(module, group) if group else module
    held = getattr(holder, key)
    if isinstance(held, dict):
        held.update(_assigned(mutant.text(), mutant.where))
        return True
    was, now = ast.literal_eval(mutant.before), ast.literal_eval(mutant.after)
    if getattr(held, "value", None) != was:
        return False
    setattr(holder, key, held._replace(value=now))
    return True


def _assigned(text: str, name: str) -> Any:
    lines = (line for line in ast.parse(text).body if isinstance(line, ast.Assign))
    return next(ast.literal_eval(line.value) for line in lines if ast.unparse(line.targets[0]) == name)
