"""The ledger of sources (monitor/sources.py): no number from elsewhere without a row, no row without a use."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

from condenser_monitor.monitor import limits, sources
from condenser_monitor.monitor.limits import BASES, Limit

TOP = Path(__file__).parents[1]
CITED = ("standard", "data sheet", "from memory")
ROWS = dict(sources.sources())


@cache
def modules() -> dict[Path, str]:
    """Return path -> text of the program's modules."""
    paths = (path for part in ("monitor", "hardware", "web", "sim") for path in sorted((TOP / part).rglob("*.py")))
    return {path: path.read_text(encoding="utf-8") for path in paths}


ALL_LIMITS = [
    *limits.single_limits().values(),
    *(limit for group in limits.limit_groups() for limit in group.rows().values()),
]
CITED_LIMITS = [limit for limit in ALL_LIMITS if limit.basis in CITED]


@pytest.mark.parametrize("path", [TOP / "monitor/limits.py", TOP / "sim/constants.py"], ids=lambda path: path.stem)
def test_each_number_is_given_once(path: Path) -> None:
    """A name that is given a second number loses its first without a word."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for body in (tree.body, *(node.body for node in tree.body if isinstance(node, ast.ClassDef))):
        names = [ast.unparse(node.targets[0]) for node in body if isinstance(node, ast.Assign)]
        assert len(names) == len(set(names)), sorted({name for name in names if names.count(name) > 1})


def test_no_basis_from_elsewhere_is_written_by_hand() -> None:
    """Outside the ledger no call is given "standard", "data sheet" or "from memory": rows hand them on."""
    by_hand = [
        f"{path.relative_to(TOP)}:{node.lineno}"
        for path, text in modules().items()
        if path.name != "sources.py"
        for call in ast.walk(ast.parse(text))
        if isinstance(call, ast.Call)
        for node in (*call.args, *(word.value for word in call.keywords))
        if isinstance(node, ast.Constant) and node.value in CITED
    ]
    assert not by_hand


@pytest.mark.parametrize("limit", CITED_LIMITS, ids=lambda limit: f"{limit.group}.{limit.key}")
def test_every_limit_from_elsewhere_names_a_row(limit: Limit) -> None:
    """Its words begin with document and place, and its basis is the row's."""
    row = next(row for row in ROWS.values() if limit.source.startswith(row.cite))
    assert limit.basis == row.basis


@pytest.mark.parametrize("name", ROWS)
def test_every_row_is_used_and_whole(name: str) -> None:
    """Some module names it; what was read has a date, what is remembered has none."""
    row = ROWS[name]
    used = [path for path, text in modules().items() if re.search(rf"\bsources\.{name}\b", text)]
    assert used, "no number stands on it: remove the row"
    assert row.document
    assert row.says
    assert row.basis in BASES
    assert bool(row.checked) == (row.access != "remembered")


NUMBERED = re.compile(r"\b(IEC|ISO|UL|SAE|ASTM|AHRI|ANSI|ASHRAE|NIST|CFR|IEEE|NFPA)\b.*\d")


@pytest.mark.parametrize("name", [name for name, row in ROWS.items() if NUMBERED.search(row.document)])
def test_every_numbered_document_names_its_edition(name: str) -> None:
    """Clauses move between editions: a number without one sends the reader to the wrong page."""
    assert ROWS[name].edition


@pytest.mark.parametrize("name", sources.HELD_BY)
def test_a_row_that_names_its_test_names_one_that_is_there(name: str) -> None:
    """A function of that file; and the numbers of a person's safety all have one."""
    file, _, function = sources.HELD_BY[name].partition("::")
    assert name in ROWS
    assert re.search(rf"^def {function}\(", (TOP / "tests" / file).read_text(encoding="utf-8"), re.MULTILINE)
    assert {"CREEPAGE", "CLEARANCE", "IMPULSE", "CLASS_2_VOLTS", "CAPACITOR_RESIDUE"} <= sources.HELD_BY.keys()
