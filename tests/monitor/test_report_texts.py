"""The report's words stand in one table: none in its code, none missing, none left over."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from condenser_monitor.monitor.strings.report import REPORT, say

FILES = [
    Path(__file__).parents[2] / "monitor" / f"{name}.py"
    for name in ("report/story", "report/unit", "report/pdf", "drawing/report_charts", "report/facts", "report/blocks")
]
PHRASE = re.compile(r"[A-Za-z]{2,} [A-Za-z]")
BUILT = re.compile(r"col-")  # the rest of such a key comes from a list of columns


def phrases(source: str) -> list[str]:
    """The texts of two words and more in a file, but for docstrings and what an error says."""
    tree = ast.parse(source)
    kinds = (ast.Module, ast.FunctionDef, ast.ClassDef)
    told = {id(node.body[0].value) for node in ast.walk(tree) if isinstance(node, kinds) and _has_docstring(node)}  # type: ignore[attr-defined]
    told |= {id(part) for node in ast.walk(tree) if isinstance(node, ast.Raise) for part in ast.walk(node)}
    texts = [node for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    return [str(node.value) for node in texts if id(node) not in told and PHRASE.search(str(node.value))]


def _has_docstring(node: ast.Module | ast.FunctionDef | ast.ClassDef) -> bool:
    return bool(node.body) and isinstance(node.body[0], ast.Expr)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_reports_code_holds_no_phrase(path: Path) -> None:
    """What a technician reads comes from the table."""
    assert phrases(path.read_text()) == []


def test_the_look_for_phrases_finds_one() -> None:
    """A sentence in the code is noticed, a docstring is not."""
    assert phrases('def f():\n    """Some words."""\n    return "No run ended"') == ["No run ended"]


def test_every_key_is_there_and_none_is_left_over() -> None:
    """Each that is asked for has words; each that has words is asked for."""
    source = "".join(path.read_text() for path in FILES)
    asked = set(re.findall(r'\bsay\("([a-z0-9-]+)"', source))
    assert asked - set(REPORT) == set()
    named = set(re.findall(r'"([a-z0-9-]+)"', source))
    assert [key for key in REPORT if key not in named and not BUILT.match(key)] == []
    with pytest.raises(KeyError):
        say("title")
