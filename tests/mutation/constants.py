"""Mutants of numbers: each default moved by half, or doubled, tried by the quick tests that can know of it.

The numbers are those of `monitor/limits.py`, of the simulated world and of the boards' distances. What can know of one
is found, not listed: the tests that read it as they run, then the files that name it with its group, those that name it
alone, and those that import a module which does, the shortest first. Pages that are made from the numbers are no
witnesses (they are made again with whatever number stands there), nor is anything that takes long or needs a server; of
the fleet's tests those that need no more than a file are, and of those at the top the ledger of sources.
"""

from __future__ import annotations

import ast
import importlib
import json
import os
import pkgutil
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

from tests.mutation.mutants import ROOT, Mutant, Way

FILES = ("monitor/limits.py", "sim/constants.py", "hardware/circuits/isolation.py")
MOST = 12  # test files for one number
_ROOMS = ("monitor", "hardware", "sim", "web")
# Everything through the engine, and the world against handbooks: for numbers that are used deep inside.
_ALWAYS = {
    "monitor/limits.py": ("tests/monitor/test_findings.py", "tests/monitor/test_engine.py"),
    "sim/constants.py": (
        *("tests/conformance/test_world_figures.py", "tests/sim/test_compressor.py", "tests/sim/test_designs.py"),
        *("tests/conformance/test_world_handbook.py", "tests/conformance/test_world_published.py"),
        *("tests/conformance/test_refrigeration_tables.py", "tests/sim/test_world.py"),
    ),
    "hardware/circuits/isolation.py": ("tests/hardware/circuits/test_safety_numbers.py",),
}
_NO_WITNESS = re.compile(
    r"tests/(benchmarks|crash|fuzz|install|simulation|mutation|web/test_browser|monitor/test_catalogue|conformance/test_hub"
    r"|monitor/test_report(?!_share)|sim/test_(bench|scenarios|levels|season|readme|workbench|demo)|test_(?!sources)"
    r"|fleet/(?!test_(inference|office)_borders))"
)


def moved(file: str) -> Iterator[Mutant]:
    """Yield two mutants of each number of a file other than 0: half of it, and twice it."""
    for where, path, node in _numbers(ast.parse((ROOT / file).read_text())):
        number: Any = node.value
        for factor in (0.5, 2.0):
            value = number * factor
            changed = ast.Constant(int(value) if isinstance(number, int) and value == int(value) else value)
            yield Mutant(file, where, ast.unparse(node), ast.unparse(changed), path, changed)


def moves(mutant: Mutant) -> tuple[str, str, bool]:
    """What the list of numbers that may move knows it by: file, name, and whether it was doubled."""
    return mutant.file, mutant.where, _size(mutant.after) > _size(mutant.before)


def _size(text: str) -> float:
    try:
        return abs(float(text))
    except ValueError:  # a mutant of code
        return 0.0


def _numbers(tree: ast.Module) -> Iterator[tuple[str, Way, ast.Constant]]:
    """The numbers that names of a module or of its classes stand for: alone, as a limit's first, or in a table."""
    for at, node in enumerate(tree.body):
        if isinstance(node, ast.ClassDef):
            for inner, line in enumerate(node.body):
                yield from _of_line(f"{node.name}.", ("body", at, "body", inner), line)
        else:
            yield from _of_line("", ("body", at), node)


def _of_line(prefix: str, path: Way, node: ast.stmt) -> Iterator[tuple[str, Way, ast.Constant]]:
    target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
    if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None and isinstance(target, ast.Name):
        for way, number in _values((*path, "value"), node.value):
            yield prefix + target.id, way, number


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
    """The test files that can know of a number, those that name it with its group first, then the shortest."""
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
    shown = re.compile(rf"\b{group}\b|\b{group.lower().replace('_', '-')}\b") if group else named
    found: list[tuple[int, int, str]] = []
    for path, text in _texts("tests").items():
        if Path(path).name.startswith("test_") and not _NO_WITNESS.match(path):
            names = bool(named.search(text))
            if names or (imported and imported.search(text)):
                found.append((0 if names and shown.search(text) else 1 if names else 2, len(text), path))
    chosen = [path for _, _, path in sorted(found)][:MOST]
    return (*chosen, *(path for path in _ALWAYS[file] if path not in chosen))


def _as_imported(module: str) -> str:
    package, _, name = module.rpartition(".")
    return rf"condenser_monitor\.{re.escape(package)}(?:\.| import (?:\w+, )*){name}"


# ---------------------------------------------------------------- who reads it


def watch(file: str) -> set[str]:
    """Begin to note which numbers of a loaded module are read: by name, `GROUP.key`, or `GROUP.*` for all of one."""
    module, read = _module(file), set[str]()

    class Watched(ModuleType):
        def __getattribute__(self, name: str) -> Any:
            read.add(name)
            return super().__getattribute__(name)

    limit = getattr(module, "Limit", None)
    if limit is not None:
        rows = module.LimitGroup.rows

        class WatchedLimit(limit):  # type: ignore[misc, valid-type]
            def __get__(self, _: object, group: type) -> Any:
                read.add(f"{group.__name__}.{self.key}")
                return self

        def read_rows(group: type) -> Any:
            read.add(f"{group.__name__}.*")
            return rows.__func__(group)

        module.LimitGroup.rows = classmethod(read_rows)
        for group in module.limit_groups():
            for key, one in rows.__func__(group).items():
                setattr(group, key, WatchedLimit(*one))
    module.__class__ = Watched
    return read


@cache
def read_when_loaded(file: str) -> frozenset[str]:
    """The numbers that modules of the program read while they are loaded: to change them later may change nothing."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        found: set[str] = set()
        try:
            read = watch(file)
            for room in _ROOMS:
                package = importlib.import_module(f"condenser_monitor.{room}")
                for row in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
                    if not row.name.endswith("__main__") and ".migrations" not in row.name:
                        importlib.import_module(row.name)
            found = read
        finally:
            os.write(writer, json.dumps(sorted(found)).encode())
            os._exit(0 if found else 1)
    os.close(writer)
    with os.fdopen(reader, "rb") as told:
        names = json.loads(told.read() or "[]")
    if os.waitpid(child, 0)[1]:
        raise RuntimeError(f"{file}: the program cannot be loaded")
    return frozenset(names)


# ---------------------------------------------------------------- the quick way


def put(mutant: Mutant) -> bool:
    """Give a loaded module the number. Return False where that is not all: a number that others have been worked out
    from, a base's that its groups have a copy of, one that stands in a table of limits."""
    group, _, key = mutant.where.rpartition(".")
    read = read_when_loaded(mutant.file)
    if not read.isdisjoint({mutant.where, f"{group}.*"}):
        return False
    holder: Any = getattr(_module(mutant.file), group) if group else _module(mutant.file)
    if group and holder.__subclasses__():
        return False
    held = getattr(holder, key)
    if isinstance(held, dict) and not any(hasattr(row, "value") for row in held.values()):
        held.update(_assigned(mutant.text(), mutant.where))
        return True
    if not hasattr(held, "value") or not _scales(mutant):
        return False
    value = held.value * ast.literal_eval(mutant.after) / ast.literal_eval(mutant.before)
    setattr(holder, key, held._replace(value=int(value) if value == int(value) and type(held.value) is int else value))
    return True


def _scales(mutant: Mutant) -> bool:
    """Whether the number stands alone, or as a factor."""
    node: Any = _tree(mutant.file)
    way = mutant.path[: mutant.path.index("args") + 2] if "args" in mutant.path else mutant.path
    for step in way:
        node = node[step] if isinstance(step, int) else getattr(node, step)
    return all(isinstance(one.op, ast.Mult) for one in ast.walk(node) if isinstance(one, ast.BinOp))


@cache
def _tree(file: str) -> ast.Module:
    return ast.parse((ROOT / file).read_text())


def _module(file: str) -> Any:
    return importlib.import_module("condenser_monitor." + file.removesuffix(".py").replace("/", "."))


def _assigned(text: str, name: str) -> Any:
    for line in ast.parse(text).body:
        for way, value in ast.iter_fields(line):
            if way == "value" and value is not None and ast.unparse(line).startswith((f"{name} =", f"{name}: ")):
                return ast.literal_eval(value)
    raise LookupError(name)
