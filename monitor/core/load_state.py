"""Reading back what an earlier process remembered: JSON of a known shape and version, or the reason why not."""

from __future__ import annotations

from typing import Protocol, TypeVar

import msgspec


class Versioned(Protocol):
    """A memory says which version of its shape it is."""

    @property
    def version(self) -> int: ...


Shape = TypeVar("Shape", bound=Versioned)


def load_state(
    memory: bytes | None, shape: type[Shape], version: int, *, what: str, then: str = "begun afresh"
) -> tuple[Shape | None, str]:
    """The memory and "", or None and why it cannot be used (nothing kept: None and ""). `what` names it in the words,
    `then` says what follows. Never raises: a memory nobody can read must not keep the monitor from watching."""
    if memory is None:
        return None, ""
    try:
        old = msgspec.json.decode(memory, type=shape)
    except (msgspec.DecodeError, ValueError, RecursionError) as error:
        return None, f"{what} cannot be read ({error}); {then}"
    if old.version != version:
        return None, f"{what} is of version {old.version}, not {version}; {then}"
    return old, ""
