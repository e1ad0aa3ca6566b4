"""Who holds how many objects: every object that a few roots lead to, counted under the way that leads there first.

What Python's allocator counts as blocks are objects and small tables of theirs; a walk once a day costs nothing beside
a trace of each allocation, which makes a soak ten to twenty times slower.
"""

from __future__ import annotations

import gc
import types
from collections import Counter, deque
from collections.abc import Iterator, Mapping
from typing import Any

DEPTH = 7  # steps of a way that are told apart; what lies deeper counts where it is cut off
_NAMED_MOST = 100  # keys of a table that are told apart
_PROGRAM = (types.ModuleType, type, types.FunctionType, types.CodeType, types.FrameType, types.BuiltinFunctionType)


def held(roots: Mapping[str, object]) -> Counter[str]:
    """How many objects each way leads to, the roots in their order; none is counted twice. Code is left out."""
    found: Counter[str] = Counter()
    seen: set[int] = {id(roots)}
    waiting: deque[tuple[tuple[str, ...], Any]] = deque(((name,), root) for name, root in roots.items())
    while waiting:
        way, one = waiting.popleft()
        if id(one) in seen or isinstance(one, _PROGRAM):
            continue
        seen.add(id(one))
        found["".join(way)] += 1
        for name, child in _children(one):
            waiting.append(((*way, name) if len(way) < DEPTH else way, child))
    return found


def _children(one: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(one, str | bytes | int | float):
        return
    if isinstance(one, dict):
        named = len(one) <= _NAMED_MOST
        for key, value in list(one.items()):
            yield "[]", key
            yield (f"[{key}]" if named and isinstance(key, str) else "[]"), value
    elif isinstance(one, list | tuple | set | frozenset | deque):
        for value in list(one):
            yield "[]", value
    else:
        for name in {**getattr(one, "__dict__", {}), **dict.fromkeys(_slots(type(one)))}:
            yield f".{name}", getattr(one, name, None)
        for value in gc.get_referents(one):  # of C, or what has no name
            yield "", value


def _slots(kind: type) -> list[str]:
    fields: list[str] = []
    for base in kind.__mro__:
        slots = base.__dict__.get("__slots__", ())
        fields += (slots,) if isinstance(slots, str) else slots
    return [name for name in fields if not name.startswith("__")]


def grown(before: Counter[str], after: Counter[str], shown: int) -> Iterator[str]:
    """Lines: who holds more than before, the most first, then the sum of all."""
    more = Counter({way: after[way] - before[way] for way in {*before, *after}})
    for way, count in more.most_common(shown):
        if count > 0:
            yield f"{count:+} objects, {after[way]} in all: {way}"
    yield f"{more.total():+} of {after.total()} objects"
