"""Who is at the other end of a connection from this machine: the user it belongs to, as the kernel has it.

A reverse proxy that names nobody, speaks HTTP/1.1 and rewrites the host looks like a browser on this machine, but for
one thing: it runs as a user of the system. (proc(5), /proc/net/tcp: local and remote address, state, uid.)
"""

from __future__ import annotations

import os
import socket
import struct
import sys
from collections.abc import Iterator
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path

_TABLES = (Path("/proc/self/net/tcp"), Path("/proc/self/net/tcp6"))  # there under ProcSubset=pid, too
_LOGIN_DEFS = Path("/etc/login.defs")
_LEAST_PERSON = 1000  # UID_MIN of login.defs(5) where the file does not say


def is_person(address: str, port: int) -> bool:
    """Return whether a connection that comes from `address` and `port` of this machine belongs to a person's login, or
    to the user this program runs as. False where the kernel does not say: closed is the default.

    Where there is no such table (no Linux), nothing can be told by it, and it is True.
    """
    if not sys.platform.startswith("linux"):
        return True
    found = [uid for place, uid in _connections() if place == (ip_address(address), port)]
    return bool(found) and all(uid == os.getuid() or uid >= _least_person() for uid in found)


def _connections() -> Iterator[tuple[tuple[object, int], int]]:
    for table in _TABLES:
        with suppress(OSError, ValueError, IndexError):
            for line in table.read_text().splitlines()[1:]:
                cells = line.split()
                yield _place(cells[1]), int(cells[7])


def _place(cell: str) -> tuple[object, int]:
    """Address and port of a cell such as 0100007F:1F90; the address in words of 32 bits, each as the machine has it."""
    words, port = cell.split(":")
    data = b"".join(struct.pack("=I", int(words[at : at + 8], 16)) for at in range(0, len(words), 8))
    address = ip_address(socket.inet_ntop(socket.AF_INET if len(data) == 4 else socket.AF_INET6, data))
    mapped = getattr(address, "ipv4_mapped", None)
    return (mapped or address), int(port, 16)


def _least_person() -> int:
    with suppress(OSError, ValueError, IndexError):
        for line in _LOGIN_DEFS.read_text().splitlines():
            if line.startswith("UID_MIN"):
                return int(line.split()[1])
    return _LEAST_PERSON
