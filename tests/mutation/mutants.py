"""Makes mutants of a source file, and runs named tests on one without touching the file.

A mutant is one small change of one place: a comparison, a boolean operation, a sign, a number, a condition, a statement
left out (the operators of Offutt, Lee, Rothermel, Untch, Zapf: "An experimental determination of sufficient mutant
operators", ACM TOSEM 5(2), 1996, as far as Python has them). It is known by file, function and the text before and
after, so that a list of mutants outlives changes elsewhere in the file.

Each mutant runs in a process of its own, forked from one that has loaded the test runner and all libraries but nothing
of this program; its loader gives the changed text in place of the file's.
"""

from __future__ import annotations

import ast
import copy
import importlib.abc
import importlib.machinery
import importlib.util
import os
import resource
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).parents[2]
_NAMESPACE = "condenser_monitor."
_COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_COMPUTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
Way = tuple[Any, ...]  # fields of syntax nodes, and places in lists of them
_SURVIVED, _KILLED, _BROKEN = 0, 1, 2
# Asserts as they are: to rewrite them the runner would have to be first at libraries that are there already.
_OPTIONS = ("-x", "-q", "-p", "no:cacheprovider", "--assert=plain", "--hypothesis-seed=1", "-n", "0")
CPU_S = 120  # of the processor: a mutant that loops for ever is killed, which counts as noticed


class Mutant(NamedTuple):
    """One change of one place. `path` leads to it in the file's syntax tree, `changed` is what stands there then."""

    file: str
    where: str
    before: str
    after: str
    path: Way
    changed: ast.AST

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What the list of survivors knows it by."""
        return self.file, self.where, self.before, self.after

    def text(self) -> str:
        """Return the whole file with the change."""
        tree: Any = ast.parse((ROOT / self.file).read_text())
        holder = tree
        for step in self.path[:-1]:
            holder = holder[step] if isinstance(step, int) else getattr(holder, step)
        last = self.path[-1]
        if isinstance(last, int):
            holder[last] = self.changed
        else:
            setattr(holder, last, self.changed)
        return ast.unparse(ast.fix_missing_locations(tree))


def mutants(file: str) -> Iterator[Mutant]:
    """Yield all mutants of a file of this repository, in the order of the text. Nothing of docstrings, annotations,
    logging and defaults is changed."""
    for where, path, node in _places(ast.parse((ROOT / file).read_text())):
        for changed in _changes(node):
            yield Mutant(file, where, ast.unparse(node), ast.unparse(changed), path, changed)


def _places(tree: ast.Module) -> Iterator[tuple[str, Way, ast.AST]]:
    """All nodes within functions that may be changed: the function's name, the way to the node, the node."""
    stack: list[tuple[str, Way, ast.AST]] = [("", (), tree)]
    while stack:
        where, path, node = stack.pop()
        if isinstance(node, ast.ClassDef | ast.FunctionDef):
            where = f"{where}.{node.name}".lstrip(".")
        if where and path and isinstance(node, ast.stmt | ast.expr):
            yield where, path, node
        below: list[tuple[str, Way, ast.AST]] = []
        for field, value in ast.iter_fields(node):
            if field in ("annotation", "returns", "decorator_list", "args") and not isinstance(node, ast.Call):
                continue
            for at, one in enumerate(value) if isinstance(value, list) else [(None, value)]:
                if isinstance(one, ast.AST) and not _left_alone(one):
                    below.append((where, (*path, field) if at is None else (*path, field, at), one))
        stack += reversed(below)


def _left_alone(node: ast.AST) -> bool:
    """Docstrings, what only logs, and texts put together for people."""
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True
    if isinstance(node, ast.JoinedStr | ast.Raise | ast.Assert):
        return True
    return isinstance(node, ast.Call) and ast.unparse(node.func).startswith("_log.")


def _changes(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.Compare):
        for other in _COMPARED.get(type(node.ops[0]), ()):
            yield _with(node, ops=[other(), *node.ops[1:]])
    elif isinstance(node, ast.BoolOp):
        yield _with(node, op=ast.Or() if isinstance(node.op, ast.And) else ast.And())
    elif isinstance(node, ast.BinOp) and type(node.op) in _COMPUTED and not isinstance(node.left, ast.JoinedStr):
        yield _with(node, op=_COMPUTED[type(node.op)]())
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield node.operand
    elif isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield ast.Constant(not node.value)
        elif isinstance(node.value, int | float):
            yield ast.Constant(node.value + 1)
    elif isinstance(node, ast.If | ast.IfExp):
        for answer in (True, False):
            yield _with(node, test=ast.Constant(answer))
    elif isinstance(node, ast.Break):
        yield ast.Continue()
    elif isinstance(node, ast.Expr | ast.Assign | ast.AugAssign) or (isinstance(node, ast.Return) and node.value):
        yield ast.Return(None) if isinstance(node, ast.Return) else ast.Pass()


def _with(node: ast.AST, **changed: Any) -> ast.AST:
    made = copy.copy(node)
    for field, value in changed.items():
        setattr(made, field, value)
    return made


class _Loader(importlib.machinery.SourceFileLoader):
    """Loads one module from a text in place of its file."""

    def __init__(self, name: str, path: str, text: str) -> None:
        super().__init__(name, path)
        self._text = text

    def get_code(self, fullname: str) -> Any:
        return compile(self._text, self.path, "exec")


class _Finder(importlib.abc.MetaPathFinder):
    def __init__(self, name: str, path: str, text: str) -> None:
        self._name, self._loader = name, _Loader(name, path, text)

    def find_spec(self, fullname: str, path: Any, target: Any = None) -> Any:
        if fullname != self._name:
            return None
        return importlib.util.spec_from_file_location(fullname, self._loader.path, loader=self._loader)


def noticed(file: str, text: str, tests: Sequence[str]) -> bool:
    """Return whether any of the tests fails when the file has this text. Raises RuntimeError where they cannot run."""
    assert not any(name.startswith(_NAMESPACE + "monitor.") for name in sys.modules), "loaded before the change"
    child = os.fork()
    if child == 0:
        os._exit(_run(file, text, tests))
    _, status = os.waitpid(child, 0)
    code = os.waitstatus_to_exitcode(status)
    if code == _BROKEN:
        raise RuntimeError(f"{file}: the tests could not be run: {' '.join(tests)}")
    return code != _SURVIVED


def _run(file: str, text: str, tests: Sequence[str]) -> int:
    import pytest

    name = _NAMESPACE + file.removesuffix(".py").replace("/", ".")
    sys.meta_path.insert(0, _Finder(name, str(ROOT / file), text))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S))
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
    try:
        code = pytest.main([*_OPTIONS, *tests])
    except BaseException:  # a mutant that cannot even be imported is noticed by everybody
        return _KILLED
    if code is pytest.ExitCode.OK:
        return _SURVIVED
    return _BROKEN if code in (pytest.ExitCode.NO_TESTS_COLLECTED, pytest.ExitCode.USAGE_ERROR) else _KILLED
