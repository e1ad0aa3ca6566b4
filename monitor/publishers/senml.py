"""SenML packs (RFC 8428, JSON form): readings out. Pure.

A missing reading has no record: SenML knows no null, and a missing reading is never zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from condenser_monitor.monitor.core.readings import READINGS

UNITS = {"V": "V", "A": "A", "W": "W", "°C": "Cel"}  # our units -> the registry's symbols (RFC 8428, section 12.1)


class Record(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A record as written, with the labels of the RFC (section 4): base name and time, name, unit, number or flag."""

    bn: str | None = None
    bt: float | None = None
    n: str
    u: str | None = None
    v: float | None = None
    vb: bool | None = None


def base_name(site: str) -> str:
    """The base name of a site's readings: its place on the broker."""
    return f"condenser/v1/{site}/"


def pack(readings: Mapping[str, float | bool | None], site: str, wall_s: float | None) -> bytes:
    """Readings of one instant as a pack. Without a known time of day there is no time in it, which means now.

    A pack of no readings is an empty array.
    """
    rows: list[Record] = []
    base: dict[str, Any] = {"bn": base_name(site)}
    if wall_s is not None:
        base["bt"] = round(wall_s, 3)
    for name, value in readings.items():
        if value is None:
            continue
        reading = READINGS[name]
        if not reading.unit:
            rows.append(Record(**base, n=name, vb=bool(value)))
        else:
            rows.append(Record(**base, n=name, u=UNITS[reading.unit], v=round(float(value), 3)))
        base = {}
    return msgspec.json.encode(rows)
