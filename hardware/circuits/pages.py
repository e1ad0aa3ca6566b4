"""The tables in the pages of this folder and in the mounting guide, made from parts, values and the channel table.

A page is written by hand but for its tables: what stands between `<!-- made: NAME -->` and `<!-- end -->` is made here.
`renew_all()` writes them again; a test compares.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from math import inf
from pathlib import Path

from condenser_monitor.hardware import commission
from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.boards import MUXES
from condenser_monitor.hardware.channels import BUILDS, CHANNELS, Channel
from condenser_monitor.hardware.circuits import (
    assembly,
    computed,
    creepage,
    heat,
    isolation,
    kicad_files,
    layout,
    parts,
    tolerance,
)
from condenser_monitor.hardware.circuits.wiring import compartment, joined_at
from condenser_monitor.hardware.one_wire import PIN
from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.core.readings import READINGS

HERE = Path(__file__).parent
PAGES = (
    *(HERE / f"{board}-board.md" for board in parts.BOARDS),
    HERE / "ready-made.md",
    HERE / "building.md",
    HERE / "README.md",
    HERE.parent / "mounting.md",
)
_BLOCK = re.compile(r"(<!-- made: ([a-z ]+) -->\n).*?(<!-- end -->)", re.DOTALL)


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    lines += ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def figure(number: float) -> str:
    """Three figures, without an exponent."""
    return f"{number:.3g}" if abs(number) < 1000 else f"{number:.0f}"


def _limits(least: float, most: float) -> str:
    low = "" if least == -inf else f"≥ {figure(least)}"
    high = "" if most == inf else f"≤ {figure(most)}"
    return " and ".join(text for text in (low, high) if text)


# ---------------------------------------------------------------- tables of a board


def _count(part: parts.Part) -> str:
    return ", ".join(part.refs)


def _value(part: parts.Part) -> str:
    if part.value is None:
        return ""
    spread = f" ±{part.value.tolerance * 100:g} %" if part.value.tolerance else ""
    return part.text + spread


def parts_table(board: str) -> str:
    """What to buy: kind, count and rating, no brand where a rating does."""
    rows = (
        (
            _count(part),
            str(len(part.refs)),
            part.kind,
            _value(part),
            part.rating,
            part.package if part.on_board else f"{part.package}, not on the board",
            part.role,
        )
        for part in parts.LISTS[board]
    )
    return table(("reference", "quantity", "part", "value", "rating, at least", "package", "what for"), rows)


def pinout_table(board: str) -> str:
    """Each terminal, jack and header of a board, pin by pin."""
    rows = (
        (ref, str(number), f"`{net}`")
        for part in parts.BOARDS[board]
        if part.on_board and part.kind.startswith(("terminal", "jack", "pin header"))
        for ref in part.refs
        for number, net in enumerate(part.nets(ref), start=1)
        if net
    )
    return table(("terminal", "pin", "net"), rows)


def _computed(rows: Iterable[computed.Computed]) -> str:
    cells = (
        (row.name, f"`{row.formula}`", f"{figure(row.value)} {row.unit}", _limits(row.least, row.most), row.why)
        for row in rows
    )
    return table(("figure", "formula", "value", "limit", "why"), cells)


def computed_table(board: str) -> str:
    return _computed(row for row in computed.rows() if row.board == board)


def tolerance_table(board: str) -> str:
    rows = (
        (
            row.name,
            f"{figure(row.nominal)} {row.unit}",
            f"{figure(row.worst[0])} to {figure(row.worst[1])}",
            f"{figure(row.drawn[0])} to {figure(row.drawn[1])}",
            _limits(row.least, row.most),
            row.why,
        )
        for row in tolerance.spreads()
        if row.board == board
    )
    return table(("quantity", "nominal", "worst case", "99.8 % of draws", "limit", "why"), rows)


def isolation_table(board: str) -> str:
    rows = (
        (
            row.between,
            "reinforced" if row.reinforced else "basic",
            f"{row.clearance_mm:g} mm",
            f"{row.creepage_mm:g} mm",
            f"{row.given_mm:g} mm",
            row.isolator,
        )
        for row in isolation.BARRIERS
        if row.board == board
    )
    return table(("between", "insulation", "clearance asked", "creepage asked", "given", "what crosses it"), rows)


# ---------------------------------------------------------------- wiring


def _at(channel: Channel) -> str:
    if channel.pin is not None:
        return f"GPIO{channel.pin}, header pin {parts.HEADER[channel.pin]}"
    if channel.kind == "power":
        return "made of two others"
    if channel.kind == "probe":
        return f"GPIO{PIN}, header pin {parts.HEADER[PIN]}, by its own number"
    assert channel.address is not None
    assert channel.mux is not None
    return f"converter 0x{channel.address:02x}, {MUXES[channel.mux]}"


def wiring_table(board: str) -> str:
    """Which wire goes where, and where the Pi reads it: from the channel table that the driver uses."""
    rows = (
        (f"`{reading}`", channel.terminal, channel.place, _at(channel))
        for reading, channel in CHANNELS.items()
        if READINGS[reading].board == board
    )
    return table(("sense", "terminal", "where on the unit", "read at"), rows)


def header_table() -> str:
    """The ribbon from the Pi's header to the boards."""
    used = {
        1: ("3.3 V", "all boards"),
        parts.HEADER[2]: ("GPIO2, SDA", "all converters"),
        parts.HEADER[3]: ("GPIO3, SCL", "all converters"),
        parts.HEADER[PIN]: (f"GPIO{PIN}", "1-Wire probes, by their own adapter"),
        6: ("ground", "all boards"),
    }
    for reading, channel in CHANNELS.items():
        if channel.pin is not None:
            owner = "control" if READINGS[reading].board == "indoor" else READINGS[reading].board
            used[parts.HEADER[channel.pin]] = (f"GPIO{channel.pin}", f"`{reading}`, {owner} board")
    return table(("header pin", "signal", "to"), ((str(pin), *used[pin]) for pin in sorted(used)))


def currents_table() -> str:
    rows = (
        (
            f"`{sense.reading}`",
            f"{sense.rated_a:.0f} A",
            f"{sense.ratio.nominal:.0f}:1",
            str(sense.passes),
            f"{figure(sense.volts_per_amp * 1e3)} mV/A",
            f"{figure(sense.full_scale_a(v.RANGE_RUNNING_V))} A",
            f"{figure(min(sense.full_scale_a(v.RANGE_START_V), v.CLAMP_V.nominal / 2**0.5 / sense.volts_per_amp))} A",
        )
        for sense in v.CURRENT_SENSES.values()
    )
    heads = ("sense", "CT rated", "ratio", "passes", "scale", "most, fine range", "most, coarse range")
    return table(heads, rows)


def volt_output_table() -> str:
    """The variant with 333 mV transformers: what to write into the site file."""
    rows = (
        (
            f"`{reading}`",
            f"{rated_a:g} A",
            str(passes),
            f"{v.VOLT_OUTPUT[reading].volts_per_amp:.4g}",
            f"{figure(v.RANGE_RUNNING_V / 2**0.5 / v.VOLT_OUTPUT[reading].volts_per_amp)} A",
            f"{figure(v.CLAMP_V.nominal / 2**0.5 / v.VOLT_OUTPUT[reading].volts_per_amp)} A",
        )
        for reading, rated_a, passes in v.VOLT_OUTPUT.values()
    )
    heads = ("sense", "CT rated, 333 mV", "passes", "`scale`, V/A", "most, fine range", "most, coarse range")
    return table(heads, rows)


def ready_joined_table(who: str) -> str:
    """Terminals of the ready-made build: whose work, what goes there, and where it is read."""
    rows = []
    for reading, channel in BUILDS["ready-made"].items():
        if not channel.on_board or _who(reading) != who:
            continue
        end = joined_at(reading)
        nets = end.wires[0][:2]
        marks = " and ".join(parts.MARKS.get(net, net) for net in nets if not net.startswith("BIAS"))
        rows.append((f"`{reading}`", end.refs[0], marks.replace("_hot", ""), channel.place, _at(channel)))
    return table(("sense", "part", "terminals", "where on the unit", "read at"), rows)


def _who(reading: str) -> str:
    """Whoever may join this sense: nothing inside the outdoor unit's cabinet is a maker's work."""
    return "maker" if compartment(reading) == "outside" else "licensed"


def ready_scales_table() -> str:
    """What `[boards] build = "ready-made"` takes for the transformers."""
    rows = (
        (
            f"`{row.reading}`",
            f"{row.rated:g} {'V' if row.reading in v.READY_VOLTS else 'A'}",
            str(row.passes) if row.reading in v.VOLT_OUTPUT else "",
            f"{row.volts_per_amp:.4g}",
            f"{figure(row.full_scale_a(v.RANGE_RUNNING_V))}",
            f"{figure(row.full_scale_a(v.VDD.low / 2 - 0.1))}",
        )
        for row in (*v.VOLT_OUTPUT.values(), *v.READY_VOLTS.values())
    )
    heads = ("sense", "rated, 333 mV", "passes", "`scale`, V per unit", "most, fine range", "most, coarse range")
    return table(heads, rows)


def heat_table() -> str:
    return _computed(heat.rows())


def measured_table() -> str:
    """What KiCad found in each board, and the distances measured from its file."""
    record = json.loads((kicad_files.FOLDER / "checked.json").read_text(encoding="utf-8"))
    rows = []
    for board, plan in layout.BOARDS.items():
        found = record["boards"][board]
        text = (kicad_files.FOLDER / f"{board}.kicad_pcb").read_text(encoding="utf-8")
        for row in creepage.distances(text, layout.circuits(board)):
            rows.append(
                (
                    board,
                    f"{plan.wide:g} x {plan.high:g} mm",
                    f"{found['erc']}, {found['drc']}, {found['unconnected']}, {found['parity']}",
                    f"{row.one} to {row.other}",
                    f"{row.clearance_mm:.2f} mm",
                    f"{row.creepage_mm:.2f} mm",
                )
            )
    heads = ("board", "size", "ERC, DRC, not joined, against schematic", "between", "clearance", "creepage")
    return table(heads, rows)


# ---------------------------------------------------------------- putting it together


def shopping_table() -> str:
    """What to order for the three boards together: equal parts counted together."""
    found: dict[tuple[str, str, str, str], list[str]] = {}
    for board, rows in parts.BOARDS.items():
        for row in (one for one in rows if one.kind != "test point"):
            place = row.package if row.on_board else f"{row.package}, not on a board"
            key = (row.kind, _value(row), row.rating, place)
            found.setdefault(key, []).extend(f"{board} {ref}" for ref in row.refs)
    cells = ((str(len(refs)), *key, ", ".join(refs)) for key, refs in sorted(found.items()))
    return table(("quantity", "part", "value", "rating, at least", "package", "where"), cells)


def _shows(check: assembly.Check) -> str:
    if check.open:
        return "OL (over 20 MΩ)"
    if check.unit == "V":
        return f"{check.low:.2f} V to {check.high:.2f} V"
    factor, unit = (1e3, "kΩ") if check.high >= 1000 else (1.0, "Ω")
    return f"{figure(check.low / factor)} to {figure(check.high / factor)} {unit}"


def _looks(checks: Iterable[assembly.Check]) -> list[tuple[str, str]]:
    """Checks that must show the same, in one row: where to look, what the meter shows."""
    found: dict[str, list[str]] = {}
    for check in checks:
        found.setdefault(_shows(check), []).append(check.at)
    return [("; ".join(at), shows) for shows, at in found.items()]


def steps_text(board: str) -> str:
    """Each step of soldering a board, with its picture and what the meter must show after it."""
    told = []
    for index, step in enumerate(assembly.STEPS):
        refs = assembly.soldered(board, [step])
        if not refs:
            continue
        told.append(f"**Step {index + 1}: {step.name}** ({len(refs)} parts). {step.mind}\n")
        told.append(f"![{board} board, step {index + 1}](step-{board}-{index + 1}.svg)\n")
        if rows := _looks(assembly.checks(board, index)):
            told.append(table(("ohmmeter at the leads of", "must show"), rows))
        if step.name == "diodes" and (diodes := _looks(assembly.diode_tests(board))):
            told.append(table(("diode range across (both ways round)", "must show"), diodes))
    return "\n".join(told)


def powered_table(board: str) -> str:
    """Volts of every signal from the bench supply."""
    rows = [(f"{check.at} (`{check.nets[0]}`)", _shows(check)) for check in assembly.powered(board)]
    low, high = assembly.supply_ma(board)
    rows.insert(0, ("current of the bench supply", f"{figure(low)} mA to {figure(high)} mA"))
    return table(("voltmeter from ground (TP1) to", "must show at 3.30 V"), rows)


def high_voltage_table() -> str:
    rows = ((row.board, row.between, row.test, row.passes) for row in assembly.high_voltage())
    return table(("board", "between", "test", "passes"), rows)


def checklist_table() -> str:
    """To be signed: what is done, by whom it may be done, and room for what was measured."""
    maker, licensed, tester = "maker", "licensed person", "person who may do high-voltage tests"
    rows = [
        (f"{board} board, step {index + 1}: {step.name}; every reading within its range", maker)
        for board in parts.BOARDS
        for index, step in enumerate(assembly.STEPS)
        if assembly.soldered(board, [step])
    ]
    rows += [(f"{board} board: volts and current at 3.30 V", maker) for board in ("control", "line")]
    rows += [(f"{row.board} board, {row.between}: {row.test}", tester) for row in assembly.high_voltage()]
    rows += [
        ("box: two compartments, cover with a tool, entries from below, in shade, bonded if metal", licensed),
        ("lockout: live-dead-live, capacitor under 50 V, both locks on", licensed),
        ("taps and their fuses; transformers closed around one conductor each", licensed),
        ("probes, indoor cable, supply from another circuit than the unit's", "maker or licensed person"),
    ]
    rows += [(f"commissioning, {phase.name}: no remark of the program", licensed) for phase in commission.PHASES]
    rows += [
        ("float switch lifted: `call` goes, `thermostat` stays", licensed),
        ("volts, amps and temperature compared with meters (`calibrate`)", licensed),
        ("label on the disconnect", licensed),
        ("label in the lid: a phone in this house's network reads its code and shows the page", "maker"),
    ]
    cells = ((str(n), what, who, "", "") for n, (what, who) in enumerate(rows, start=1))
    return table(("", "done", "by", "measured", "name, date, signature"), cells)


# ---------------------------------------------------------------- pages

_OF_BOARD: dict[str, Callable[[str], str]] = {
    "parts": parts_table,
    "computed": computed_table,
    "tolerance": tolerance_table,
    "isolation": isolation_table,
    "wiring": wiring_table,
    "pinout": pinout_table,
}
MADE: dict[str, Callable[[], str]] = {
    "header": header_table,
    "currents": currents_table,
    "heat": heat_table,
    "volt output": volt_output_table,
    "measured": measured_table,
    "shopping": shopping_table,
    "high voltage": high_voltage_table,
    "checklist": checklist_table,
    **{f"steps {board}": partial(steps_text, board) for board in parts.BOARDS},
    **{f"powered {board}": partial(powered_table, board) for board in ("control", "line")},
    "parts ready": partial(parts_table, "ready-made"),
    "computed ready": partial(computed_table, "ready-made"),
    "scales ready": ready_scales_table,
    "maker ready": partial(ready_joined_table, "maker"),
    "licensed ready": partial(ready_joined_table, "licensed"),
    **{f"{name} {board}": partial(make, board) for name, make in _OF_BOARD.items() for board in parts.BOARDS},
}


def renewed(text: str) -> str:
    """The text of a page with its tables made again. Raises ContractError for a table nobody makes."""

    def fill(found: re.Match[str]) -> str:
        if found[2] not in MADE:
            raise ContractError("made table", found[2], "one of " + ", ".join(MADE))
        return f"{found[1]}{MADE[found[2]]()}{found[3]}"

    return _BLOCK.sub(fill, text)


def renew_all() -> None:
    """Write the tables of every page again."""
    for path in PAGES:
        path.write_text(renewed(path.read_text(encoding="utf-8")), encoding="utf-8")
