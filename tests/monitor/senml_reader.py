"""Reads SenML packs by RFC 8428, base values resolved: what a receiver makes of the packs that the monitor sends."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import msgspec

from condenser_monitor.monitor.core import untrusted_input
from condenser_monitor.monitor.core.errors import CommandError

VERSION = 10  # RFC 8428, section 4.1: the version of this specification

RELATIVE_BELOW_S = 2**28  # RFC 8428, section 4.5.3: smaller times are relative to now

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # RFC 8428, section 4.5.1

_VALUES = ("v", "vs", "vb", "vd")


class Record(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One record as written, its labels those of the RFC; `s` and `bs` are sums, `ut` the update time in s."""

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bs: float | None = None
    bver: int | None = None
    n: str | None = None
    u: str | None = None
    v: float | None = None
    vs: str | None = None
    vb: bool | None = None
    vd: str | None = None
    s: float | None = None
    t: float | None = None
    ut: float | None = None


class Resolved(msgspec.Struct, frozen=True, kw_only=True):
    """One record by itself (RFC 8428, section 4.6): full name, unit, absolute time in s since 1970."""

    name: str
    time_s: float
    unit: str | None = None
    value: float | bool | str | None = None
    sum: float | None = None


def read(text: bytes | str) -> list[Record]:
    """The records of a pack. Raises CommandError for what is no pack, or a label ending in "_" that is not known
    (RFC 8428, section 4.4: such a label must be understood)."""
    try:
        rows = untrusted_input.from_json(text, list[dict[str, Any]])
        for row in rows:
            for label in row:
                if label.endswith("_"):
                    raise CommandError("SenML label", label, "a label of RFC 8428")
        return msgspec.convert(rows, list[Record])
    except CommandError:
        raise
    except ValueError as error:
        raise CommandError("SenML pack", str(error), "a JSON array of records (RFC 8428)") from None


def resolve(records: list[Record], now_s: float) -> list[Resolved]:
    """Records with base values and relative times worked in. Raises CommandError for a pack the RFC does not allow."""
    base: dict[str, Any] = {}
    found = []
    for record in records:
        if record.bver is not None and (record.bver > VERSION or record.bver != base.get("bver", record.bver)):
            raise CommandError("SenML version", record.bver, f"at most {VERSION}, the same in all of a pack")
        given = {label: getattr(record, label) for label in ("bn", "bt", "bu", "bv", "bs", "bver")}
        base |= {label: value for label, value in given.items() if value is not None}
        if record.bn is not None and record.n is None and not _has_value(record) and record.s is None:
            continue  # a record of base values only
        found.append(_one(record, base, now_s))
    return found


def _has_value(record: Record) -> bool:
    return any(getattr(record, label) is not None for label in _VALUES)


def _one(record: Record, base: Mapping[str, Any], now_s: float) -> Resolved:
    name = base.get("bn", "") + (record.n or "")
    if not _NAME.fullmatch(name):
        raise CommandError("SenML name", name, "letters, digits and -:./_ beginning with a letter or digit")
    values = [getattr(record, label) for label in _VALUES if getattr(record, label) is not None]
    if len(values) > 1 or (not values and record.s is None and "bv" not in base and "bs" not in base):
        raise CommandError(f"SenML record {name}", values, "one value, or a sum")
    value = values[0] if values else base.get("bv")
    if record.v is not None:
        value = record.v + base.get("bv", 0.0)
    total = None if record.s is None and "bs" not in base else (record.s or 0.0) + base.get("bs", 0.0)
    time_s = base.get("bt", 0.0) + (record.t or 0.0)
    if time_s < RELATIVE_BELOW_S:
        time_s += now_s
    for number in (value, total, time_s):
        if isinstance(number, float) and not math.isfinite(number):
            raise CommandError(f"SenML record {name}", number, "a finite number")
    return Resolved(name=name, time_s=time_s, unit=record.u or base.get("bu"), value=value, sum=total)
