"""What browsers and strangers send: names of fields as the program's own views and templates use them, and values of
every kind."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from hypothesis import strategies as st
from werkzeug.routing import Rule

from condenser_monitor.monitor.core.findings import ROWS
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS

WEB = Path(__file__).parents[2] / "web"
_ASKED = re.compile(r"""(?:args|form|values)(?:\.get|\.getlist)?[\[(]\s*["']([\w-]+)["']""")
_NAMED = re.compile(r"""\bname="([\w-]+)\"""")


def names(*folders: Path) -> list[str]:
    """The field names that views look for and templates send."""
    found: set[str] = set()
    for folder in folders:
        for path in (*folder.glob("*.py"), *folder.glob("templates/**/*.html")):
            text = path.read_text(encoding="utf-8")
            found |= set(_ASKED.findall(text)) | set(_NAMED.findall(text))
    return sorted(found)


WORDS = st.one_of(
    st.text(max_size=40),
    st.sampled_from(["", " ", "0", "-1", "1e308", "nan", "inf", "1_0", "٣", "2026-05-17", "9" * 400, "x" * 5000]),
    st.sampled_from(
        ["<script>alert(1)</script>", "' OR 1=1 --", "../../etc/passwd", "%s%n{}", "\x00", "a\r\nSet-Cookie: b"]
    ),
    st.sampled_from(
        ["//elsewhere.example", "http://elsewhere.example/", "\\\\elsewhere.example", "javascript:alert(1)"]
    ),
    st.sampled_from([*(row.name for row in ROWS), *SUSPECTS, *READINGS, "owner", "technician", "write", "pdf", "html"]),
    st.integers(-(2**70), 2**70).map(str),
    st.floats().map(str),
)


def forms(fields: list[str]) -> st.SearchStrategy[dict[str, str]]:
    """Some of the fields with values of every kind, and now and then one that nobody asked for."""
    return st.dictionaries(st.one_of(st.sampled_from(fields), st.text(min_size=1, max_size=8)), WORDS, max_size=6)


def places(rules: Iterable[Rule], method: str) -> st.SearchStrategy[str]:
    """A path of an app's own map, its variable parts filled with words."""
    return st.sampled_from(sorted(rule.rule for rule in rules if method in (rule.methods or ()))).flatmap(_filled)


def _filled(rule: str) -> st.SearchStrategy[str]:
    parts = re.split(r"(<[^>]+>)", rule)
    choices = [WORDS if part.startswith("<") else st.just(part) for part in parts]
    return st.tuples(*choices).map("".join)
