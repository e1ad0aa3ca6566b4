"""Values that nobody expects, TOML tables made of them, and texts with bytes changed, taken out and put in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from typing import Any

import msgspec
from hypothesis import strategies as st

ODD_TEXTS = st.one_of(
    st.text(max_size=20),
    st.sampled_from(
        [
            *(
                "",
                " ",
                "\x00",
                "a\x00b",
                "\x1b[2J\x07",
                "\u202eevil\u202c",
                "\u200f",
                "\ufeff",
                "\U0010ffff",
                "e\u0301" * 50,
            ),
            *(
                "nan",
                "-inf",
                "1e999",
                "1_000",
                "٣٤",
                "½",
                "0x10",
                "9" * 400,
                "x" * 5000,
                "%s%n{0}{a}",
                "../../etc/passwd",
            ),
            *("/dev/null", "/proc/self/mem", "\\\\host\\share", "a\nb", "\r\n\r\n", "23:60", "24:00", "00:00", "12:30"),
            *("<b>&\"'", "'; DROP TABLE events; --", "=cmd|' /C calc'!A0", "${HOME}", "$(id)", "`id`"),
        ]
    ),
)
ODD_NUMBERS = st.one_of(
    st.integers(-(2**70), 2**70),
    st.floats(),
    st.sampled_from([0, -0.0, 1, -1, 2**31, 2**53, 2**63 - 1, 2**63, 2**64, 10**400, 1e308, 5e-324, 0.1, 60, 50]),
)
ODD = st.one_of(
    ODD_TEXTS,
    ODD_NUMBERS,
    st.booleans(),
    st.dates(date.min, date.max),
    st.datetimes(datetime.min, datetime.max),
    st.times(time.min, time.max),
)
NESTED: st.SearchStrategy[Any] = st.recursive(
    ODD,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(ODD_TEXTS, inner, max_size=3)),
    max_leaves=8,
)


def toml(value: Any) -> str:
    """A value as TOML; tables inline."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return hex(value) if value >= 10**300 else str(value)
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{quoted(key)} = {toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, Sequence):
        return "[" + ", ".join(map(toml, value)) + "]"
    return str(value.isoformat())


def quoted(text: str) -> str:
    """A TOML basic string: controls written as escapes, else as they are."""
    return '"' + "".join(f"\\U{ord(c):08x}" if c in '"\\' or ord(c) < 32 or ord(c) == 127 else c for c in text) + '"'


def tables(kind: type[msgspec.Struct]) -> st.SearchStrategy[str]:
    """Texts of settings: keys of the kind's own, now and then one that it does not know, values of every kind and of
    the right one."""
    return _table(kind).map(lambda table: "".join(f"{quoted(key)} = {toml(value)}\n" for key, value in table.items()))


def _table(kind: type[msgspec.Struct]) -> st.SearchStrategy[dict[str, Any]]:
    fields = {field.name: _field(field.type) for field in msgspec.structs.fields(kind)}
    known = st.fixed_dictionaries({}, optional=fields)
    strange = st.dictionaries(ODD_TEXTS, ODD, max_size=1)
    return st.one_of(known, known, known, st.tuples(known, strange).map(lambda pair: pair[0] | pair[1]))


def _field(kind: Any) -> st.SearchStrategy[Any]:
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return _table(kind)
    right = {bool: st.booleans(), int: st.integers(-1, 70000), float: st.floats(-1.0, 400.0), str: ODD_TEXTS}.get(kind)
    return NESTED if right is None else st.one_of(right, right, right, NESTED)


def damaged(whole: bytes) -> st.SearchStrategy[bytes]:
    """Some places of a good text changed: bytes put in, taken out, or a piece of it repeated."""
    place = st.integers(0, len(whole))
    put = st.one_of(
        st.binary(max_size=4),
        st.sampled_from(
            [b"\x00", b"\xff", b"\xed\xa0\x80", b"\n", b",", b'"', b"[" * 3000, b"{" * 3000, b"-", b"e", b"9" * 30]
        ),
        st.sampled_from(
            [b"9" * 5000, b"nan", b"1e999", b"null", b"true", b"\xe2\x80\xae", b"\xef\xbb\xbf", b"#", b"\\ud800"]
        ),
    )
    edit = st.tuples(place, st.integers(0, 12), put)
    return st.lists(edit, max_size=4).map(lambda edits: _edited(whole, edits))


def _edited(whole: bytes, edits: list[tuple[int, int, bytes]]) -> bytes:
    for at, gone, put in edits:
        whole = whole[:at] + put + whole[at + gone :]
    return whole
