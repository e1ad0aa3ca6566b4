"""Makes mutants of a source file, and runs named tests on one without touching the file.

A mutant is one small change of one place: a comparison, a boolean operation, a sign, a number, a condition, a statement
left out (the operators of Offutt, Lee, Rothermel, Untch, Zapf: "An experimental determination of sufficient mutant
operators", ACM TOSEM 5(2), 1996, as far as Python has them). It is known by file, function and the text before and
after, so that a list of mutants outlives changes elsewhere in the file.

Each mutant runs in a process of its own. The quick way is forked from a test runner that is about to run the tests, and
puts the changed code into the functions that are there; what has no such function is run from a process that has loaded
the test runner and all libraries but nothing of this program: there the module's loader gives the changed text in place
of the file's, and what the module works out when it is loaded is changed as well.
"""

from __future__ import annotations

import ast
import copy
import gc
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import resource
import sys
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any, NamedTuple

import pytest

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
_SURVIVED, _KILLED, _BROKEN, _NOT_PUT = 0, 1, 2, 3
# Asserts as they are: to rewrite them the runner would have to be first at libraries that are there already.
_OPTIONS = (
    *("-x", "-q", "--tb=no", "-p", "no:cacheprovider", "-p", "no:unraisableexception"),
    *("--assert=plain", "--hypothesis-seed=1", "-n", "0"),
)
CPU_S = 120  # of the processor: a mutant that loops for ever is killed, which counts as noticed
_SLACK_S, _SLOWER = 5, 3  # what a mutant may take more than the tests do without a change


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
            if field == "keywords" and isinstance(node, ast.ClassDef):  # frozen, and the like
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
    if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__slots__":
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
    elif isinstance(node, ast.Expr | ast.Assign | ast.AugAssign):
        yield ast.Pass()
    elif isinstance(node, ast.Return) and node.value and ast.unparse(node.value) != "None":
        yield ast.Return(None)


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
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if code == _BROKEN and text == (ROOT / file).read_text():
        raise RuntimeError(f"{file}: the tests could not be run: {' '.join(tests)}")
    return code != _SURVIVED  # what cannot even be imported is noticed too


Put = Callable[["Mutant"], bool]


def tried(
    made: Sequence[Mutant],
    tests: Sequence[str],
    put: Put | None = None,
    held_by: Callable[[Mutant], Sequence[str]] | None = None,
) -> Iterator[tuple[Mutant, bool]]:
    """Try the mutants of one file, and yield each with whether no test noticed it.

    `put` changes what is loaded and says whether it could, in place of exchanging a function's code; `held_by` are the
    files of `tests` that are to be run for a mutant, else all.
    """
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        _silence()
        pytest.main([*_OPTIONS, *tests], plugins=[_Sieve(made, writer, put, held_by)])
        os._exit(_BROKEN)
    os.close(writer)
    slow = []
    with os.fdopen(reader, "rb", buffering=0) as answers:
        while answer := answers.read(5):
            one, code = made[int.from_bytes(answer[:4], "big")], answer[4]
            if code == _NOT_PUT:
                slow.append(one)
            else:
                yield one, code == _SURVIVED
    if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) != _SURVIVED:
        raise RuntimeError(f"{made[0].file}: the tests could not be run: {' '.join(tests)}")
    for one in slow:
        yield one, not noticed(one.file, one.text(), tests if held_by is None else held_by(one))


class _Sieve:
    """A test runner's plug-in: where the tests are to be run, runs them in a child for each mutant instead."""

    def __init__(
        self,
        made: Sequence[Mutant],
        found: int,
        put: Put | None,
        held_by: Callable[[Mutant], Sequence[str]] | None,
    ) -> None:
        self._made, self._found, self._put, self._held_by = made, found, put, held_by
        self._took_s: dict[str, float] = {}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Keep how long each test takes."""
        self._took_s[report.nodeid] = self._took_s.get(report.nodeid, 0.0) + report.duration

    @pytest.hookimpl(wrapper=True)
    def pytest_runtestloop(self, session: pytest.Session) -> Generator[None, object, object]:
        """Write each mutant's number and what became of it to the pipe, and end the process. At first the tests are run
        without a change: so the quickest come first, and a mutant that takes far longer is taken to loop."""
        functions = _functions(_module(self._made[0].file))
        put = self._put or (lambda mutant: _put(mutant, functions))
        gc.collect()
        gc.freeze()
        reader, writer = os.pipe()
        most_s = CPU_S
        for number in range(-1, len(self._made)):
            child = os.fork()
            if child == 0:
                break
            if number < 0:
                os.close(writer)
                with os.fdopen(reader, "rb") as told:
                    took_s = json.loads(told.read() or "{}")
                _, status, used = os.wait4(child, 0)
                if os.waitstatus_to_exitcode(status) != _SURVIVED:
                    os._exit(_BROKEN)
                session.items.sort(key=lambda item: took_s.get(item.nodeid, 0.0))
                most_s = round(_SLACK_S + _SLOWER * (used.ru_utime + used.ru_stime))
            else:
                code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
                known = code if code in (_SURVIVED, _NOT_PUT) else _KILLED  # by a signal, when it took too long
                os.write(self._found, number.to_bytes(4, "big") + bytes([known]))
        else:
            os._exit(_SURVIVED)
        code = _KILLED
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (most_s, most_s))
            if number >= 0:
                if not put(self._made[number]):
                    os._exit(_NOT_PUT)
                if self._held_by is not None:
                    files = set(self._held_by(self._made[number]))
                    session.items[:] = [item for item in session.items if item.nodeid.partition("::")[0] in files]
            yield
            code = _KILLED if session.testsfailed else _SURVIVED
            if number < 0:
                os.write(writer, json.dumps(self._took_s).encode())
        finally:
            session.config.hook.pytest_sessionfinish(session=session, exitstatus=code)
            os._exit(code)


def _module(file: str) -> str:
    return _NAMESPACE + file.removesuffix(".py").replace("/", ".")


def _functions(module: str) -> dict[str, list[FunctionType]]:
    """All functions of a loaded module, wherever they are held, by name."""
    found: dict[str, list[FunctionType]] = {}
    for one in gc.get_objects():
        if type(one) is FunctionType and one.__module__ == module:
            found.setdefault(one.__code__.co_qualname, []).append(one)
    return found


def _put(mutant: Mutant, functions: Mapping[str, list[FunctionType]]) -> bool:
    """Put a mutant's code into the functions of the loaded module. Return whether there was one to change."""
    codes = {one.co_qualname: one for one in _codes(compile(mutant.text(), mutant.file, "exec"))}
    where = mutant.where
    while where and where not in functions:  # a function within a function is changed with it
        where = where.rpartition(".")[0]
    if where not in codes:
        return False
    code = codes[where]
    found = [one for one in functions[where] if one.__code__.co_freevars == code.co_freevars]
    for one in found:
        one.__code__ = code
    return bool(found)


def _codes(code: CodeType) -> Iterator[CodeType]:
    for one in code.co_consts:
        if isinstance(one, CodeType):
            yield one
            yield from _codes(one)


def _run(file: str, text: str, tests: Sequence[str]) -> int:
    sys.meta_path.insert(0, _Finder(_module(file), str(ROOT / file), text))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S))
    _silence()
    try:
        code = pytest.main([*_OPTIONS, *tests])
    except BaseException:  # a mutant that cannot even be imported is noticed by everybody
        return _KILLED
    if code is pytest.ExitCode.OK:
        return _SURVIVED
    return _BROKEN if code in (pytest.ExitCode.NO_TESTS_COLLECTED, pytest.ExitCode.USAGE_ERROR) else _KILLED


def _silence() -> None:
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
