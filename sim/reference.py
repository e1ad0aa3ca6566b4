"""The scenario reference: how a scenario is written, what can be in it, and which ones come along, as Markdown.

Made from the loader's own types and the catalogues, so it cannot say anything else than what the program takes. It lies
beside the scenarios as sim/scenarios/README.md; `python -m condenser_monitor.sim.reference` writes it again, and a
test compares.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import msgspec

from condenser_monitor.sim import constants, pairs, scenario
from condenser_monitor.sim.causes import CAUSES
from condenser_monitor.sim.designs import DESIGNS, Design
from condenser_monitor.sim.house import HouseDesign, ThermostatDesign
from condenser_monitor.sim.scenario import (
    CauseTable,
    ExpectTable,
    ScenarioTable,
    WeatherTable,
)

PLACE = scenario.FOLDER / "README.md"
_MADE = (
    "*Made from the simulator's own tables by `python -m condenser_monitor.sim.reference`; "
    "change the tables, not this page.*"
)
_KINDS: dict[Any, str] = {
    bool: "`true` or `false`",
    float: "number",
    int: "whole number",
    str: "text",
    datetime: "date, time and offset",
    tuple[str, ...]: "names",
    dict[str, Any]: "table of keys to change",
    float | str: "time",
}
_TABLES: tuple[tuple[str, type[msgspec.Struct]], ...] = (
    ("Top level", ScenarioTable),
    ("[weather]", WeatherTable),
    ("[[cause]]", CauseTable),
    ("[[expect]]", ExpectTable),
    ("[thermostat]", ThermostatDesign),
    ("[house]", HouseDesign),
    ("[unit]", Design),
)


def markdown() -> str:
    """The whole page."""
    parts = ["# Scenarios", _MADE, _sentence(scenario.__doc__).removeprefix("Scenarios: ")]
    parts.append("## Scenarios that come along\n\n" + _scenarios())
    parts += [f"## {title}\n\n{_sentence(kind.__doc__)}\n\n{_keys(kind)}" for title, kind in _TABLES]
    parts.append("## Causes\n\n" + _causes())
    parts.append("## Unit designs\n\n" + _designs())
    parts.append("## Constants of the world\n\n" + _constants())
    parts.append("## Pairs of causes\n\n" + pairs.table().rstrip())
    return "\n\n".join(parts) + "\n"


def write(place: Path = PLACE) -> None:
    """Write the page."""
    place.write_text(markdown(), encoding="utf-8")


def _sentence(text: str | None) -> str:
    """A docstring as one paragraph."""
    return " ".join((text or "").split())


def table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """A Markdown table; bars in cells are escaped."""
    lines = [list(head)]
    lines.append(["---"] * len(lines[0]))
    lines += [[cell.replace("|", "\\|") for cell in row] for row in rows]
    return "\n".join("| " + " | ".join(row) + " |" for row in lines)


def _keys(kind: type[msgspec.Struct]) -> str:
    hints = get_type_hints(kind)
    rows = [(f"`{field.name}`", _kind(hints[field.name]), _default(field)) for field in msgspec.structs.fields(kind)]
    return table(("key", "kind", "default"), rows)


def _kind(hint: Any) -> str:
    if hint in _KINDS:
        return _KINDS[hint]
    inner, origin = get_args(hint), get_origin(hint)
    if origin is Literal:
        return " or ".join(f"`{value}`" for value in inner)
    if origin in (Union, UnionType):
        rest: Any = Union[tuple(one for one in inner if one is not NoneType)]  # noqa: UP007 - made at run time
        return _kind(rest)
    if origin is tuple:
        return "list of tables" if isinstance(inner[0], type) and get_origin(inner[0]) is None else "list of pairs"
    return "table"


def _default(field: Any) -> str:
    value = field.default
    if value is msgspec.NODEFAULT:
        if field.default_factory is msgspec.NODEFAULT:
            return "must be given"
        value = field.default_factory()
    if isinstance(value, msgspec.Struct):
        return "the usual one"
    if value is None or value in ("", (), {}):
        return "none"
    if isinstance(value, tuple):
        return ", ".join(f"`{list(one) if isinstance(one, tuple) else one}`" for one in value)
    return f"`{str(value).lower() if isinstance(value, bool) else value}`"


def _causes() -> str:
    rows = [
        (
            f"`{cause.name}`",
            ", ".join(f"`{suspect}`" for suspect in cause.suspects),
            cause.says,
            cause.means + (f"; usual {cause.level:g}, up to {cause.most:g}" if "break" not in cause.means else ""),
            "`sense` must be given" if cause.of_sense else "",
        )
        for cause in CAUSES.values()
    ]
    return table(("cause", "suspect", "what has happened", "level", ""), rows)


def _designs() -> str:
    rows = [
        (
            f"`{design.name}`",
            f"{design.tons:g}",
            f"{design.line_v:g} V, {design.line_hz} Hz",
            design.compressor,
            f"{design.compressor_rla_a:g} / {design.compressor_lra_a:g} A",
            f"{design.contactor_poles}",
        )
        for design in DESIGNS.values()
    ]
    return table(("design", "tons", "line", "compressor", "rated / locked", "poles"), rows)


def _scenarios() -> str:
    rows = []
    for name in scenario.names():
        found = scenario.load(name)
        wanted = ", ".join(f"`{finding}`" for finding in dict.fromkeys(row.finding for row in found.expect))
        rows.append((f"`{name}`", found.claim, wanted or "silence", f"{found.duration_s / 3600:g}"))
    return table(("scenario", "claim", "must find", "hours"), rows)


def _constants() -> str:
    rows = [
        (f"`{name}`", "" if row.value == 0.0 else f"{row.value:g}", row.unit, row.basis, row.source)
        for name, row in vars(constants).items()
        if isinstance(row, constants.Constant)
    ]
    return table(("constant", "value", "unit", "basis", "source"), rows)


if __name__ == "__main__":
    write()
