"""A KiCad project for each board, as text: schematic, board, rules, and the libraries that both are made of.

    python -m condenser_monitor.hardware.circuits.kicad_files          writes hardware/circuits/kicad again

Made from `parts` (what is joined to what), `packages` and `layout`; nothing is copied from a library. The files are
those of KiCad 9. `hardware/circuits/check.sh` has KiCad itself check them (ERC, DRC, schematic against board).
Computed, simulated, checked by rule; not built, not certified.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from uuid import NAMESPACE_URL, uuid5

from condenser_monitor.hardware.circuits import layout, parts
from condenser_monitor.hardware.circuits.isolation import BOARD_MM, GIVEN_MM, between_steps_mm
from condenser_monitor.hardware.circuits.layout import Placed
from condenser_monitor.hardware.circuits.packages import PACKAGES, Package

FOLDER = Path(__file__).parent / "kicad"
LIBRARY = "condenser"
NOTE = "Computed, simulated, checked by rule; not built, not certified"
_CAUTION = {
    "control": "24 V class 2 only. Taps in the unit's cabinet: licensed persons",
    "line": "LINE VOLTAGE left of the broken line. Licensed electrician only. Off is not dead",
    "indoor": "24 V class 2 only. Lock the equipment out first",
}
_PITCH = 2.54


def _id(*names: str) -> str:
    """The same every time, so that a file changes only where its board does."""
    return str(uuid5(NAMESPACE_URL, "condenser-monitor/" + "/".join(names)))


def _q(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _n(number: float) -> str:
    return f"{number:.4f}".rstrip("0").rstrip(".") or "0"


def _font(size: float, *, hide: bool = False, justify: str = "") -> str:
    hidden = " (hide yes)" if hide else ""
    side = f" (justify {justify})" if justify else ""
    return f"(effects (font (size {size} {size}) (thickness {_n(size * 0.15)})){side}{hidden})"


def _on_board(board: str) -> Iterator[tuple[str, parts.Part]]:
    for part in parts.BOARDS[board]:
        for ref in part.refs:
            yield ref, part


def _symbol_name(part: parts.Part) -> str:
    """One symbol for each kind and number of pins."""
    kind = part.kind.partition(",")[0].replace(" ", "-").replace("/", "-")
    return f"{kind}-{len(part.wires[0])}"


# ---------------------------------------------------------------- schematic


def _lib_symbol(name: str, pins: int, prefix: str, *, library: bool) -> str:
    """A box with its pins at the left."""
    full = name if library else f"{LIBRARY}:{name}"
    high = pins * _PITCH
    rows = "".join(
        f"(pin passive line (at -7.62 {_n(high / 2 - _PITCH * (n + 0.5))} 0) (length 2.54) "
        f"(name {_q(str(n + 1))} {_font(1.27)}) (number {_q(str(n + 1))} {_font(1.27)}))"
        for n in range(pins)
    )
    properties = "".join(
        f"(property {_q(key)} {_q(text)} (at 0 {_n(y)} 0) {_font(1.27, hide=hide)})"
        for key, text, y, hide in (
            ("Reference", prefix, high / 2 + 2, False),
            ("Value", name, -high / 2 - 2, False),
            ("Footprint", "", 0, True),
            ("Datasheet", "", 0, True),
            ("Description", "", 0, True),
        )
    )
    return (
        f"(symbol {_q(full)} (pin_names (offset 0.5) (hide yes)) (exclude_from_sim no) (in_bom yes) (on_board yes) "
        f"{properties}(symbol {_q(name + '_0_1')} (rectangle (start -5.08 {_n(high / 2)}) (end 5.08 {_n(-high / 2)}) "
        f"(stroke (width 0.2) (type default)) (fill (type background))))(symbol {_q(name + '_1_1')} {rows})"
        "(embedded_fonts no))"
    )


def _symbols(board: str, *, library: bool) -> str:
    kinds = {_symbol_name(part): (len(part.wires[0]), ref.rstrip("0123456789")) for ref, part in _on_board(board)}
    return "\n".join(_lib_symbol(name, pins, prefix, library=library) for name, (pins, prefix) in kinds.items())


def _sheet_part(board: str, ref: str, part: parts.Part, x: float, y: float) -> str:
    """A part with a label at each of its pins; a pin that is left open is marked so."""
    nets = part.nets(ref)
    counts = {net: len(pins) for net, pins in parts.nets(board).items()}
    footprint = f"{LIBRARY}:{part.package}" if part.on_board else ""
    yes = "yes" if part.on_board else "no"
    high = len(nets) * _PITCH
    fields = "".join(
        f"(property {_q(key)} {_q(text)} (at {_n(x)} {_n(at)} 0) {_font(1.27, hide=hide)})"
        for key, text, at, hide in (
            ("Reference", ref, y - high / 2 - 2, False),
            ("Value", part.text or part.kind, y + high / 2 + 2, False),
            ("Footprint", footprint, y, True),
            ("Datasheet", "", y, True),
            ("Description", f"{part.kind}; {part.rating}; {part.role}", y, True),
        )
    )
    pins = "".join(f"(pin {_q(str(n + 1))} (uuid {_id(board, ref, 'pin', str(n))}))" for n in range(len(nets)))
    root = _id(board, "sheet")
    text = (
        f"(symbol (lib_id {_q(f'{LIBRARY}:{_symbol_name(part)}')}) (at {_n(x)} {_n(y)} 0) (unit 1) "
        f"(exclude_from_sim no) "
        f"(in_bom yes) (on_board {yes}) (dnp no) (uuid {_id(board, ref)}) {fields}{pins}"
        f"(instances (project {_q(board)} (path {_q(f'/{root}')} (reference {_q(ref)}) (unit 1)))))\n"
    )
    for n, net in enumerate(nets):
        at = (x - 7.62, y - high / 2 + _PITCH * (n + 0.5))
        place, mark = f"(at {_n(at[0])} {_n(at[1])}", _id(board, ref, "label", str(n))
        if net and counts[net] > 1:
            text += (
                f"(global_label {_q(net)} (shape passive) {place} 180) {_font(1.27, justify='right')} (uuid {mark}))\n"
            )
        else:
            text += f"(no_connect {place}) (uuid {mark}))\n"
    return text


def schematic(board: str) -> str:
    """The sheet of a board: columns of parts, joined by labels."""
    x, y, body = 50.8, 25.4, ""
    for ref, part in _on_board(board):
        high = (len(part.nets(ref)) + 4) * _PITCH
        if y + high > 560:
            x, y = x + 50.8, 25.4
        steps = round((y + high / 2) / _PITCH)
        middle = steps * _PITCH + (_PITCH / 2 if len(part.nets(ref)) % 2 else 0)
        body += _sheet_part(board, ref, part, x, middle)
        y += high
    return (
        f"(kicad_sch (version 20250114) (generator {_q('condenser_monitor')}) (generator_version {_q('9.0')})\n"
        f"(uuid {_id(board, 'sheet')}) (paper {_q('A1')})\n(title_block (title {_q(f'{board} board')}) "
        f"(comment 1 {_q(NOTE)}))\n(lib_symbols\n{_symbols(board, library=False)})\n{body}"
        f"(sheet_instances (path {_q('/')} (page {_q('1')})))\n(embedded_fonts no))\n"
    )


# ---------------------------------------------------------------- footprints and board

_LAYERS = (
    (0, "F.Cu", "signal"),
    (2, "B.Cu", "signal"),
    (9, "F.Adhes", "user"),
    (11, "B.Adhes", "user"),
    (13, "F.Paste", "user"),
    (15, "B.Paste", "user"),
    (5, "F.SilkS", "user"),
    (7, "B.SilkS", "user"),
    (1, "F.Mask", "user"),
    (3, "B.Mask", "user"),
    (17, "Dwgs.User", "user"),
    (19, "Cmts.User", "user"),
    (25, "Edge.Cuts", "user"),
    (27, "Margin", "user"),
    (31, "F.CrtYd", "user"),
    (29, "B.CrtYd", "user"),
    (35, "F.Fab", "user"),
    (33, "B.Fab", "user"),
)


def _rect(kind: str, corners: tuple[float, float, float, float], layer: str, wide: float, mark: str) -> str:
    x0, y0, x1, y1 = (_n(one) for one in corners)
    return (
        f"({kind}_rect (start {x0} {y0}) (end {x1} {y1}) (stroke (width {wide}) (type solid)) (fill no) "
        f"(layer {_q(layer)}) (uuid {mark}))"
    )


def _pads(name: str, package: Package, turn: int, nets: dict[int, tuple[int, str]]) -> Iterator[str]:
    for number, pad in enumerate(package.pads, start=1):
        square = number == 1
        where = f"(at {_n(pad.x)} {_n(pad.y)}{f' {turn}' if turn else ''}) (size {_n(pad.wide)} {_n(pad.high)})"
        net = f" (net {nets[number][0]} {_q(nets[number][1])})" if number in nets else ""
        if pad.drill:
            kind, layers = f"thru_hole {'rect' if square else 'circle'}", '"*.Cu" "*.Mask"'
            where += f" (drill {_n(pad.drill)})"
        else:
            kind, layers = "smd rect", '"F.Cu" "F.Mask" "F.Paste"'
        mark = _id(name, "pad", pad.number)
        yield f"(pad {_q(pad.number)} {kind} {where} (layers {layers}){net} (uuid {mark}))"


def _footprint(
    name: str,
    package: Package,
    *,
    place: Placed | None = None,
    part: parts.Part | None = None,
    board: str = "",
    nets: dict[int, tuple[int, str]] | None = None,
) -> str:
    """A footprint as a library's file, or put on a board."""
    own = f"{board}/{place.ref}" if place else f"library/{name}"
    wide, high = package.box
    turn = place.turn if place else 0
    ref = place.ref if place else "REF**"
    value = (part.text or part.kind) if part else name
    above = -(place.box[1] if place else high) - 0.8
    aside = 3.6 if package.slot else 0.0  # a slot must not cut through the writing
    spot = (aside, above) if turn % 180 == 0 else (-above, 0.0)  # upright text above the turned part
    angle = f" {turn}" if turn else ""
    attributes = "through_hole" if package.through else "smd"
    start = f"(footprint {_q(f'{LIBRARY}:{name}' if place else name)} "
    if place:
        start += f"(layer {_q('F.Cu')}) (uuid {_id(own)}) (at {_n(place.x)} {_n(place.y)}{angle}) "
    else:
        start += f"(version 20241229) (generator {_q('condenser_monitor')}) (layer {_q('F.Cu')}) "
    fields = (
        f"(property {_q('Reference')} {_q(ref)} (at {_n(spot[0])} {_n(spot[1])} 0) (layer {_q('F.SilkS')}) "
        f"(uuid {_id(own, 'ref')}) {_font(0.8)})"
        f"(property {_q('Value')} {_q(value)} (at 0 0 0) (layer {_q('F.Fab')}) (uuid {_id(own, 'value')}) {_font(0.8)})"
    )
    fields += "".join(
        f"(property {_q(key)} {_q(text)} (at 0 0 0) (layer {_q('F.Fab')}) (hide yes) "
        f"(uuid {_id(own, key)}) {_font(0.8)})"
        for key, text in (
            ("Datasheet", ""),
            ("Description", f"{part.kind}; {part.rating}; {part.role}" if part else ""),
        )
    )
    link = f"(path {_q(f'/{_id(board, ref)}')}) (sheetname {_q('/')}) (sheetfile {_q(f'{board}.kicad_sch')}) "
    box = _rect("fp", (-wide - 0.25, -high - 0.25, wide + 0.25, high + 0.25), "F.CrtYd", 0.05, _id(own, "yard"))
    x, y = package.body[0] / 2, package.body[1] / 2
    body = _rect("fp", (-x, -y, x, y), "F.Fab", 0.1, _id(own, "fab"))
    first = package.pads[0]
    dot = (
        f"(fp_circle (center {_n(first.x - first.wide / 2 - 0.35)} {_n(first.y - first.high / 2 - 0.1)}) "
        f"(end {_n(first.x - first.wide / 2 - 0.25)} {_n(first.y - first.high / 2 - 0.1)}) (stroke (width 0.2) "
        f"(type solid)) (fill yes) (layer {_q('F.SilkS')}) (uuid {_id(own, 'dot')}))"
    )
    pads = "".join(_pads(own, package, turn, nets or {}))
    return f"{start}{fields}{link if place else ''}(attr {attributes}){box}{body}{dot}{pads}(embedded_fonts no))"


def _hole(board: str, number: int, x: float, y: float) -> str:
    own = f"{board}/H{number}"
    return (
        f"(footprint {_q(f'{LIBRARY}:HOLE')} (layer {_q('F.Cu')}) (uuid {_id(own)}) (at {_n(x)} {_n(y)}) "
        f"(property {_q('Reference')} {_q(f'H{number}')} (at 0 0 0) (layer {_q('F.Fab')}) "
        f"(uuid {_id(own, 'ref')}) {_font(0.8)})"
        f"(property {_q('Value')} {_q('hole 3.2 mm')} (at 0 1 0) (layer {_q('F.Fab')}) "
        f"(uuid {_id(own, 'value')}) {_font(0.8)})"
        f"(attr board_only exclude_from_pos_files exclude_from_bom)"
        f"(fp_circle (center 0 0) (end 3.2 0) (stroke (width 0.05) (type solid)) (fill no) (layer {_q('F.CrtYd')}) "
        f"(uuid {_id(own, 'yard')}))"
        f'(pad "" np_thru_hole circle (at 0 0) (size 3.2 3.2) (drill 3.2) (layers "*.Cu" "*.Mask") '
        f"(uuid {_id(own, 'pad')}))"
        "(embedded_fonts no))"
    )


def _hole_library() -> str:
    text = _hole("library", 0, 0, 0)
    head = f"(footprint {_q('HOLE')} (version 20241229) (generator {_q('condenser_monitor')}) (layer {_q('F.Cu')}) "
    return head + text[text.index("(property") :].replace('"H0"', '"REF**"')


def _outline(board: str) -> Iterator[str]:
    plan = layout.BOARDS[board]
    yield _rect("gr", (0, 0, plan.wide, plan.high), "Edge.Cuts", 0.1, _id(board, "edge"))
    for one in layout.placed(board):
        if PACKAGES[one.package].slot:
            x, y = layout.SLOT_MM[0] / 2, layout.SLOT_MM[1] / 2
            corners = (one.x - x, one.y - y, one.x + x, one.y + y)
            yield _rect("gr", corners, "Edge.Cuts", 0.1, _id(board, one.ref, "slot"))


def _barrier(board: str) -> str:
    """No copper of any kind in the strip between the taps' circuits and the Pi's."""
    plan = layout.BOARDS[board]
    left, right = plan.barrier
    points = " ".join(
        f"(xy {_n(x)} {_n(y)})" for x, y in ((left, 0.0), (right, 0.0), (right, plan.high), (left, plan.high))
    )
    return (
        f"(zone (net 0) (net_name {_q('')}) (layers {_q('F.Cu')} {_q('B.Cu')}) (uuid {_id(board, 'barrier')}) "
        f"(name {_q('isolation barrier')}) (hatch edge 0.5) (connect_pads (clearance 0)) (min_thickness 0.25) "
        "(keepout (tracks not_allowed) (vias not_allowed) (pads not_allowed) (copperpour not_allowed) "
        f"(footprints allowed)) (fill (thermal_gap 0.5) (thermal_bridge_width 0.5)) (polygon (pts {points})))"
    )


def _silk(board: str) -> Iterator[str]:
    """Caution and sides where the wires are seen, the mark of every terminal's pin, the barrier; on the back what the
    board is, with no word of left or right, for there they are the other way round."""
    plan = layout.BOARDS[board]
    left, middle = plan.barrier[0], sum(plan.barrier) / 2
    texts = [
        ("B", plan.wide / 2, plan.high - 1.6, f"{board} board. {NOTE}"),
        ("F", plan.wide / 2, 1.6, _CAUTION[board]),
        ("F", middle, plan.high - 1.6, "TAPS  |  PI"),
    ]
    for one in layout.placed(board):
        part = parts.part(board, one.ref)
        if part.kind.startswith("terminal"):
            package = PACKAGES[one.package]
            for pad, net in zip(package.pads, part.nets(one.ref), strict=True):
                beside = [one.at(pad.x, way * (package.box[1] + 1.1)) for way in (1, -1)]
                x, y = min(beside, key=lambda at: min(at[0], plan.wide - at[0], at[1], plan.high - at[1]))
                texts.append(("F", x, y, parts.MARKS[net]))
    for n, (side, x, y, text) in enumerate(texts):
        yield (
            f"(gr_text {_q(text)} (at {_n(x)} {_n(y)} 0) (layer {_q(f'{side}.SilkS')}) "
            f"(uuid {_id(board, 'text', str(n))}) {_font(1.0, justify='mirror' if side == 'B' else '')})"
        )
    yield (
        f"(gr_line (start {_n(left)} 3) (end {_n(left)} {_n(plan.high - 3)}) (stroke (width 0.15) (type dash)) "
        f"(layer {_q('F.SilkS')}) (uuid {_id(board, 'strip')}))"
    )


def pcb(board: str, copper: layout.Copper | None = None) -> str:
    """The board's file: parts, tracks, vias, outline, slots, the barrier, writing. Routes it where no copper is given,
    which takes a minute or two."""
    open_pins = [
        f"unconnected-({ref}-Pad{n})"
        for ref, part in _on_board(board)
        if part.on_board
        for n, net in enumerate(part.nets(ref), start=1)
        if not net
    ]
    numbers = {net: n for n, net in enumerate((*sorted(parts.nets(board)), *open_pins), start=1)}
    layers = "".join(f"({number} {_q(name)} {kind})" for number, name, kind in _LAYERS)
    nets = "".join(f"(net {n} {_q(net)})" for net, n in numbers.items())
    lines = [
        f"(kicad_pcb (version 20241229) (generator {_q('condenser_monitor')}) (generator_version {_q('9.0')})",
        f"(general (thickness 1.6) (legacy_teardrops no)) (paper {_q('A4')})",
        f"(title_block (title {_q(f'{board} board')}) (comment 1 {_q(NOTE)}))",
        f"(layers {layers})",
        "(setup (pad_to_mask_clearance 0.05) (allow_soldermask_bridges_in_footprints no))",
        f'(net 0 ""){nets}',
    ]
    for one in layout.placed(board):
        part = parts.part(board, one.ref)
        names = [net or f"unconnected-({one.ref}-Pad{n})" for n, net in enumerate(part.nets(one.ref), start=1)]
        joined = {n: (numbers[net], net) for n, net in enumerate(names, start=1)}
        package = PACKAGES[one.package]
        lines.append(_footprint(one.package, package, place=one, part=part, board=board, nets=joined))
    lines += [_hole(board, n, x, y) for n, (x, y) in enumerate(layout.holes(layout.BOARDS[board]), start=1)]
    lines += [*_outline(board), _barrier(board), *_silk(board)]
    copper = copper or layout.routed(board)
    for n, track in enumerate(copper.tracks):
        (x0, y0), (x1, y1) = track.start, track.end
        lines.append(
            f"(segment (start {_n(x0)} {_n(y0)}) (end {_n(x1)} {_n(y1)}) (width {_n(track.width)}) "
            f"(layer {_q(('F.Cu', 'B.Cu')[track.layer])}) (net {numbers[track.net]}) "
            f"(uuid {_id(board, 'track', str(n))}))"
        )
    for n, (net, x, y) in enumerate(copper.vias):
        lines.append(
            f"(via (at {_n(x)} {_n(y)}) (size {layout.VIA_MM}) (drill {layout.VIA_DRILL_MM}) "
            f'(layers "F.Cu" "B.Cu") (net {numbers[net]}) (uuid {_id(board, "via", str(n))}))'
        )
    return "\n".join([*lines, "(embedded_fonts no))"]) + "\n"


# ---------------------------------------------------------------- project and rules


def classes(board: str) -> dict[str, list[str]]:
    """Net class -> its nets: `Pi` and one for each tapped circuit, on a line tap one for each quarter of its
    voltage."""
    steps = layout.steps(board)
    divided = {circuit for circuit, step in steps.values() if step}
    found: dict[str, list[str]] = {}
    for net, (circuit, step) in steps.items():
        name = circuit.replace(" ", "") + (f"_{step}" if circuit in divided else "")
        found.setdefault(name, []).append(net)
    return found


def project(board: str) -> str:
    """The project's settings: net classes by circuit, and the fabrication limits that any maker of boards keeps."""
    base = {
        "bus_width": 12,
        "clearance": layout.CLEAR_MM,
        "diff_pair_gap": 0.25,
        "diff_pair_via_gap": 0.25,
        "diff_pair_width": 0.2,
        "line_style": 0,
        "microvia_diameter": 0.3,
        "microvia_drill": 0.1,
        "pcb_color": "rgba(0, 0, 0, 0.000)",
        "schematic_color": "rgba(0, 0, 0, 0.000)",
        "track_width": layout.TRACK_MM,
        "via_diameter": layout.VIA_MM,
        "via_drill": layout.VIA_DRILL_MM,
        "wire_width": 6,
    }
    rows = [{**base, "name": "Default", "priority": 2147483647}]
    rows += [{**base, "name": name, "priority": n} for n, name in enumerate(classes(board))]
    patterns = [{"netclass": name, "pattern": net} for name, nets in classes(board).items() for net in sorted(nets)]
    rules = {
        "min_clearance": layout.CLEAR_MM,
        "min_track_width": 0.2,
        "min_via_diameter": 0.5,
        "min_through_hole_diameter": 0.3,
        "min_copper_edge_clearance": 0.4,
        "min_hole_clearance": 0.25,
        "min_hole_to_hole": 0.25,
        "min_via_annular_width": 0.1,
        "min_text_height": 0.8,
        "min_text_thickness": 0.08,
    }
    whole = {
        "board": {"design_settings": {"rules": rules}},
        "meta": {"filename": f"{board}.kicad_pro", "version": 3},
        "net_settings": {"classes": rows, "meta": {"version": 4}, "netclass_patterns": patterns},
    }
    return json.dumps(whole, indent=1) + "\n"


def rules(board: str) -> str:
    """KiCad's own rules of the distances, in air and over the surface: between the Pi's circuit and each tapped one,
    between tapped ones, and between the quarters of a line tap."""
    plan, names = layout.BOARDS[board], [name for name in classes(board) if name != "Pi"]
    air, surface = (GIVEN_MM, BOARD_MM) if plan.tap_mm > 3.0 else (plan.tap_mm, plan.tap_mm)
    lines = ["(version 1)"]

    def add(one: str, other: str, clear: float, creep: float) -> None:
        when = f"A.hasNetclass('{one}') && B.hasNetclass('{other}')"
        for kind, least in (("clearance", clear), ("creepage", creep)):
            name = f"{one} to {other}, {kind}"
            lines.append(f"(rule {_q(name)} (condition {_q(when)}) (constraint {kind} (min {_n(least)}mm)))")

    for n, one in enumerate(names):
        add(one, "Pi", air, surface)
        for other in names[n + 1 :]:
            (tap, _, step), (other_tap, _, other_step) = one.partition("_"), other.partition("_")
            apart = plan.taps_mm if tap != other_tap else between_steps_mm(abs(int(step) - int(other_step)))
            add(one, other, apart, apart)
    return "\n".join(lines) + "\n"


def files(board: str) -> dict[str, str]:
    """Every file of a board's project by its name."""
    return {
        f"{board}.kicad_sch": schematic(board),
        f"{board}.kicad_pcb": pcb(board),
        f"{board}.kicad_pro": project(board),
        f"{board}.kicad_dru": rules(board),
    }


def library(boards: Iterable[str]) -> dict[str, str]:
    """The library that all projects share."""
    symbols = dict.fromkeys(line for board in boards for line in _symbols(board, library=True).splitlines())
    head = f"(kicad_symbol_lib (version 20241209) (generator {_q('condenser_monitor')})\n"
    uri = "${KIPRJMOD}/" + LIBRARY
    used = {part.package for board in boards for part in parts.BOARDS[board] if part.on_board}
    return {
        f"{LIBRARY}.kicad_sym": head + "\n".join(symbols) + ")\n",
        "sym-lib-table": f'(sym_lib_table (version 7) (lib (name "{LIBRARY}") (type "KiCad") (uri "{uri}.kicad_sym") '
        '(options "") (descr "")))\n',
        "fp-lib-table": f'(fp_lib_table (version 7) (lib (name "{LIBRARY}") (type "KiCad") (uri "{uri}.pretty") '
        '(options "") (descr "")))\n',
        f"{LIBRARY}.pretty/HOLE.kicad_mod": _hole_library() + "\n",
        **{f"{LIBRARY}.pretty/{name}.kicad_mod": _footprint(name, PACKAGES[name]) + "\n" for name in sorted(used)},
    }


def write_all(folder: Path = FOLDER) -> None:
    """Write every project again into `folder`."""
    (folder / f"{LIBRARY}.pretty").mkdir(parents=True, exist_ok=True)
    whole = library(layout.BOARDS)
    for board in layout.BOARDS:
        whole |= files(board)
    for name, text in whole.items():
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write_all()
