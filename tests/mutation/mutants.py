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
import time
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any, NamedTuple

import pytest

from tests.size import left_out

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
FIRST_S = 3600  # of the processor, of all quick tests without a change
MOST_S = 8.0  # of the processor: tests that are asked about one number
MOST_FAILED = 5  # tests that may fail without a change, on a machine that lacks something; they are asked nothing


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


def noticed(file: str, text: str, tests: Sequence[str], *, quick: bool = False) -> bool:
    """Return whether any of the tests fails when the file has this text, of the `quick` ones alone or of all. Raises
    RuntimeError where they cannot run."""
    assert not any(name.startswith(_NAMESPACE + "monitor.") for name in sys.modules), "loaded before the change"
    child = os.fork()
    if child == 0:
        os._exit(_run(file, text, tests, quick=quick))
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if code == _BROKEN and text == (ROOT / file).read_text():
        raise RuntimeError(f"{file}: the tests could not be run: {' '.join(tests)}")
    return code != _SURVIVED  # what cannot even be imported is noticed too


Put = Callable[["Mutant"], bool]


class Witnesses(NamedTuple):
    """Who is asked about a mutant of a number: tests that read it come first, and those of files that are `held_by`.

    `watch` begins to note what is read, and returns the set that grows; a name in it may end in ".*".
    """

    held_by: Callable[[Mutant], Sequence[str]]
    watch: Callable[[], set[str]]


class _Took(NamedTuple):
    """What a test took of the processor without a change, s, what it read, and whether it failed all the same."""

    cpu_s: float
    read: list[str]
    failed: bool = False


def tried(
    made: Sequence[Mutant],
    tests: Sequence[str],
    put: Put | None = None,
    witnesses: Witnesses | None = None,
) -> Iterator[tuple[Mutant, bool]]:
    """Try the mutants of one file, and yield each with whether no test noticed it.

    `put` changes what is loaded and says whether it could, in place of exchanging a function's code. Without
    `witnesses` all tests are run for each mutant; with them, of the quick ones those that know of it, up to MOST_S.
    """
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        _silence()
        pytest.main([*_OPTIONS, *tests], plugins=[_Sieve(made, writer, put, witnesses)])
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
        yield one, not (_noticed_by_files(one, witnesses) if witnesses else noticed(one.file, one.text(), tests))


def _noticed_by_files(one: Mutant, witnesses: Witnesses) -> bool:
    """The likeliest files first: most of what it takes is to load them."""
    files, text = witnesses.held_by(one), one.text()
    return any(noticed(one.file, text, part, quick=True) for part in (files[:2], files[2:]) if part)


class _Sieve:
    """A test runner's plug-in: where the tests are to be run, runs them in a child for each mutant instead."""

    def __init__(
        self,
        made: Sequence[Mutant],
        found: int,
        put: Put | None,
        witnesses: Witnesses | None,
    ) -> None:
        self._made, self._found, self._put, self._witnesses = made, found, put, witnesses
        self._took: dict[str, _Took] = {}
        self._read: set[str] = set()
        self._failed: set[str] = set()
        self._began_s = 0.0

    def pytest_runtest_logstart(self) -> None:
        """Begin to note what a test takes and reads."""
        self._read.clear()
        self._began_s = time.process_time()

    def pytest_runtest_logfinish(self, nodeid: str) -> None:
        """Keep it."""
        took_s = time.process_time() - self._began_s
        self._took[nodeid] = _Took(took_s, sorted(self._read), nodeid in self._failed)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Note which test fails without a change: it is asked about nothing."""
        if report.failed:
            self._failed.add(report.nodeid)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtestloop(self, session: pytest.Session) -> Generator[None, object, object]:
        """Write each mutant's number and what became of it to the pipe, and end the process. At first the tests are run
        without a change: so the quickest come first, and a mutant that takes far longer is taken to loop."""
        if self._witnesses is not None:
            _leave_out_long(session.items)
        functions = _functions(_module(self._made[0].file))
        for name in _called_when_loaded(ast.parse((ROOT / self._made[0].file).read_text())):
            functions.pop(name, None)
        put = self._put or (lambda mutant: _put(mutant, functions))
        gc.collect()
        gc.freeze()
        reader, writer = os.pipe()
        most_s = CPU_S if self._witnesses is None else FIRST_S
        for number in range(-1, len(self._made)):
            child = os.fork()
            if child == 0:
                break
            if number < 0:
                os.close(writer)
                with os.fdopen(reader, "rb") as told:
                    took = {name: _Took(*row) for name, row in json.loads(told.read() or "{}").items()}
                _, status, used = os.wait4(child, 0)
                if os.waitstatus_to_exitcode(status) != _SURVIVED:
                    os._exit(_BROKEN)
                session.items[:] = [item for item in session.items if not took[item.nodeid].failed]
                session.items.sort(key=lambda item: took[item.nodeid].cpu_s)
                most_s = round(_SLACK_S + _SLOWER * (used.ru_utime + used.ru_stime))
            else:
                code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
                known = code if code in (_SURVIVED, _NOT_PUT) else _KILLED  # by a signal, when it took too long
                os.write(self._found, number.to_bytes(4, "big") + bytes([known]))
        else:
            os._exit(_SURVIVED)
        code = _KILLED
        try:
            if number >= 0:
                if not put(self._made[number]):
                    os._exit(_NOT_PUT)
                if self._witnesses is not None:
                    most_s = _ask(session, took, self._made[number], self._witnesses)
            elif self._witnesses is not None:
                self._read = self._witnesses.watch()
                session.config.option.maxfail = 0
            resource.setrlimit(resource.RLIMIT_CPU, (most_s, most_s))
            yield
            bad = session.testsfailed and (number >= 0 or self._witnesses is None or session.testsfailed > MOST_FAILED)
            code = _KILLED if bad else _SURVIVED
            if number < 0:
                with os.fdopen(writer, "wb") as to:
                    to.write(json.dumps(self._took).encode())
        finally:
            session.config.hook.pytest_sessionfinish(session=session, exitstatus=code)
            os._exit(code)


def _ask(session: pytest.Session, took: Mapping[str, _Took], one: Mutant, witnesses: Witnesses) -> int:
    """Leave the tests that are asked about a number: what reads it, then the rest of their files (what one test of a
    file keeps for all is read once) and of those that hold it; the quickest first, up to MOST_S. Return how long they
    may take, s of the processor."""
    names = {one.where, f"{one.where.partition('.')[0]}.*"} if "." in one.where else {one.where}
    reads = {item.nodeid for item in session.items if names.intersection(took[item.nodeid].read)}
    files = {*witnesses.held_by(one), *(name.partition("::")[0] for name in reads)}
    chosen, whole_s = [], 0.0
    for item in sorted(session.items, key=lambda item: (item.nodeid not in reads, took[item.nodeid].cpu_s)):
        if item.nodeid.partition("::")[0] in files and whole_s < MOST_S:
            chosen.append(item)
            whole_s += took[item.nodeid].cpu_s
    session.items[:] = chosen
    return round(_SLACK_S + _SLOWER * whole_s)


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


def _called_when_loaded(tree: ast.Module) -> set[str]:
    """The functions that the module itself calls while it is loaded, and those that they call: what they make is there
    by the time that a mutant is put."""
    defined = {node.name: node for node in tree.body if isinstance(node, ast.FunctionDef)}
    found: set[str] = set()
    left: list[ast.AST] = [node for node in tree.body if not isinstance(node, ast.FunctionDef | ast.ClassDef)]
    while left:
        for node in ast.walk(left.pop()):
            if isinstance(node, ast.Name) and node.id in defined and node.id not in found:
                found.add(node.id)
                left.append(defined[node.id])
    return found


def _codes(code: CodeType) -> Iterator[CodeType]:
    for one in code.co_consts:
        if isinstance(one, CodeType):
            yield one
            yield from _codes(one)


def _leave_out_long(items: list[pytest.Item]) -> None:
    long = set(left_out(items))
    items[:] = [item for item in items if item not in long]


class _Quick:
    """A test runner's plug-in: leaves out the long tests."""

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Keep the others."""
        _leave_out_long(items)


def _run(file: str, text: str, tests: Sequence[str], *, quick: bool) -> int:
    sys.meta_path.insert(0, _Finder(_module(file), str(ROOT / file), text))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S))
    _silence()
    try:
        code = pytest.main([*_OPTIONS, *tests], plugins=[_Quick()] if quick else [])
    except BaseException:  # a mutant that cannot even be imported is noticed by everybody
        return _KILLED
    if code is pytest.ExitCode.OK or (quick and code is pytest.ExitCode.NO_TESTS_COLLECTED):
        return _SURVIVED
    return _BROKEN if code in (pytest.ExitCode.NO_TESTS_COLLECTED, pytest.ExitCode.USAGE_ERROR) else _KILLED


def _silence() -> None:
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
