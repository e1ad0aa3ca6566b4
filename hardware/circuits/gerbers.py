"""Whether the gerbers and drill files that KiCad wrote say the same as the board's file, read by a program of others.

    python -m condenser_monitor.hardware.circuits.gerbers BOARD.kicad_pcb FOLDER PICTURE

`gerbv` reads each file of FOLDER and draws it; the drawing is laid over the copper and holes of the board's file.
Copper or holes that only one of the two has, farther than 0.1 mm from an edge, are counted. PICTURE becomes the board
as gerbv sees it, for a person to look at. Prints one line of JSON. Called by `check.sh`; needs the `test` extra.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw
from shapely import Point, Polygon, unary_union  # type: ignore[import-untyped]
from shapely.geometry.base import BaseGeometry  # type: ignore[import-untyped]

from condenser_monitor.hardware.circuits import creepage

Grid = np.ndarray[Any, np.dtype[np.bool_]]
PER_MM = 20
EDGE_MM = 0.1
INCH_MM = 25.4
SIDES = (("F_Cu", 0), ("B_Cu", 1))


def drawn(files: list[Path], size: tuple[float, float], out: Path) -> Grid:
    """What gerbv draws of these files within a board of this size (mm): true where there is something."""
    _gerbv(files, size, out, ["#FFFFFF"] * len(files), PER_MM)
    wide, high = round(size[0] * PER_MM), round(size[1] * PER_MM)
    with Image.open(out) as image:
        found = np.asarray(image.convert("L")) > 127
    return found[:high, :wide]


def _gerbv(files: list[Path], size: tuple[float, float], out: Path, colours: list[str], per_mm: int) -> None:
    wide, high = (one / INCH_MM for one in size)
    command = ["gerbv", "--export=png", "--border=0", f"--dpi={per_mm * INCH_MM:.0f}", f"--output={out}"]
    command += ["--background=#000000", f"--origin=0x{-high:.6f}", f"--window_inch={wide:.6f}x{high:.6f}"]
    command += [f"--foreground={colour}" for colour in colours] + [str(path) for path in files]
    subprocess.run(command, check=True, timeout=120, capture_output=True)


def filled(shape: BaseGeometry, size: tuple[float, float]) -> Grid:
    """The same of a geometry."""
    image = Image.new("1", (round(size[0] * PER_MM), round(size[1] * PER_MM)))
    draw = ImageDraw.Draw(image)
    for piece in getattr(shape, "geoms", [shape]):
        if isinstance(piece, Polygon) and not piece.is_empty:
            draw.polygon([(x * PER_MM, y * PER_MM) for x, y in piece.exterior.coords], fill=1)
            for hole in piece.interiors:
                draw.polygon([(x * PER_MM, y * PER_MM) for x, y in hole.coords], fill=0)
    return np.asarray(image)


def differing(seen: Grid, shape: BaseGeometry, size: tuple[float, float]) -> int:
    """Pixels that only the drawing or only the geometry has, farther than `EDGE_MM` from an edge."""
    outer, inner = filled(shape.buffer(EDGE_MM), size), filled(shape.buffer(-EDGE_MM), size)
    return int((seen & ~outer).sum() + (inner & ~seen).sum())


def holes(tree: list[creepage.Token]) -> BaseGeometry:
    """Every drilled hole of a board."""
    found = [
        Point(creepage.numbers(via, "at")).buffer(creepage.numbers(via, "drill")[0] / 2)
        for via in creepage.all_of(tree, "via")
    ]
    for footprint in creepage.all_of(tree, "footprint"):
        for pad in creepage.all_of(footprint, "pad"):
            if creepage.all_of(pad, "drill"):
                at = creepage.placed(footprint, pad)
                found.append(Point(at).buffer(creepage.numbers(pad, "drill")[0] / 2))
    return unary_union(found)


def compare(pcb: Path, folder: Path, picture: Path) -> dict[str, int]:
    """Pixels that differ on each side and in the holes, and how many files were read. Writes the picture."""
    tree = creepage.read(pcb.read_text(encoding="utf-8"))
    outline, _ = creepage.board_and_slots(tree)
    size = (outline.bounds[2], outline.bounds[3])
    layers = {name: _only(folder, f"*-{name}.g*") for name in ("F_Cu", "B_Cu", "F_Silkscreen", "Edge_Cuts")}
    drills = sorted(folder.glob("*.drl"))
    scratch = folder / "read-back.png"
    copper = creepage.copper(tree)
    found = {
        name: differing(
            drawn([layers[name]], size, scratch),
            unary_union([shape for (_, layer), shape in copper.items() if layer == side]),
            size,
        )
        for name, side in SIDES
    }
    found["holes"] = differing(drawn(drills, size, scratch), holes(tree), size)
    order = [layers["Edge_Cuts"], layers["F_Silkscreen"], *drills, layers["F_Cu"], layers["B_Cu"]]
    colours = ["#FFFFFF", "#FFFFFF", *["#808080"] * len(drills), "#D04030", "#3060D0"]
    _gerbv(order, size, picture, colours, 8)
    scratch.unlink()
    return {"files": len(order), **found}


def _only(folder: Path, pattern: str) -> Path:
    (found,) = folder.glob(pattern)
    return found


if __name__ == "__main__":
    print(json.dumps(compare(*map(Path, sys.argv[1:4]))))
