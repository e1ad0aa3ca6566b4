#!/bin/bash
# Has KiCad 9 check the boards: ERC of each schematic, DRC of each board with its own rules, schematic against board, and
# rules that must fail, so that a rule that is never looked at is found. Gerbers and drill files are then read back by gerbv
# and laid over the board's file. Writes what it found into kicad/checked.json, and kicad/BOARD.png as gerbv sees each board.
#
#     sudo hardware/circuits/check.sh ROOT                 a root directory of Debian 13 with KiCad; made where it is missing
#     sudo hardware/circuits/check.sh ROOT --make FOLDER   also gerbers, drill, position and assembly files into FOLDER
#
# Debian 12's KiCad has no such checks, hence a root directory of its own (debootstrap; 1.7 GB, a minute or two). The mirror
# is taken from this machine's own apt sources. Needs gerbv and, as PYTHON, a Python with the program's `test` extra.
set -euo pipefail
umask 022

HERE=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
die() {
    echo "check.sh: $*" >&2
    exit 1
}
[ $# -ge 1 ] || die "which root directory? See the head of this file"
ROOT=$(realpath -m -- "$1")
MAKE=
if [ "${2:-}" = --make ]; then
    MAKE=$(realpath -m -- "${3:?a folder}")
    mkdir -p "$MAKE"
fi
PYTHON=${PYTHON:-python3}
command -v gerbv >/dev/null || die "gerbv is not here: apt-get install gerbv"
"$PYTHON" -c 'import shapely, numpy, PIL, condenser_monitor' || die "PYTHON=$PYTHON lacks the program with its test extra"
[ "$(id -u)" = 0 ] || die "run it as root: it works in a root directory of its own"

mirror() {
    { sed -n 's/^URIs:[[:space:]]*\([^[:space:]]*\).*/\1/p' /etc/apt/sources.list.d/*.sources
      sed -n 's/^deb[[:space:]]\(\[[^]]*\][[:space:]]*\)\{0,1\}\([^[:space:]]*\).*/\2/p' /etc/apt/sources.list; } 2>/dev/null |
        grep -m 1 '/debian/*$' || die "no Debian mirror in this machine's apt sources"
}

if [ ! -x "$ROOT/usr/bin/kicad-cli" ]; then
    [ -x "$ROOT/usr/bin/apt-get" ] || debootstrap --variant=minbase trixie "$ROOT" "$(mirror)"
    for file in /etc/apt/apt.conf.d/*; do # the machine's own way to the mirror
        case $(basename "$file") in *docker* | *autoremove* | *packagekit* | *appstream*) ;; *) cp "$file" "$ROOT/etc/apt/apt.conf.d/" ;; esac
    done
    cp /etc/resolv.conf "$ROOT/etc/resolv.conf"
    chroot "$ROOT" apt-get update -q
    DEBIAN_FRONTEND=noninteractive chroot "$ROOT" apt-get install -y -q --no-install-recommends kicad
fi

WORK=$(mktemp -d "$ROOT/tmp/boards.XXXXXX")
trap 'rm -rf -- "$WORK"' EXIT
cp -r "$HERE/kicad/." "$WORK/"
INSIDE=${WORK#"$ROOT"}
kicad() { chroot "$ROOT" env HOME="$INSIDE" kicad-cli "$@"; }

for path in "$WORK"/*.kicad_pcb; do
    board=$(basename "$path" .kicad_pcb)
    kicad sch erc --severity-all --format json -o "$INSIDE/$board-erc.json" "$INSIDE/$board.kicad_sch" >/dev/null
    kicad pcb drc --severity-all --schematic-parity --format json -o "$INSIDE/$board-drc.json" "$INSIDE/$board.kicad_pcb" >/dev/null
    # the same board under rules that it cannot keep
    sed 's/(min [0-9.]*mm)/(min 60mm)/' "$WORK/$board.kicad_dru" >"$WORK/impossible.kicad_dru"
    cp "$path" "$WORK/impossible.kicad_pcb"
    cp "$WORK/$board.kicad_pro" "$WORK/impossible.kicad_pro"
    kicad pcb drc --severity-all --format json -o "$INSIDE/$board-impossible.json" "$INSIDE/impossible.kicad_pcb" >/dev/null
    mkdir -p "$WORK/made/$board"
    kicad pcb export gerbers -o "$INSIDE/made/$board/" "$INSIDE/$board.kicad_pcb" >/dev/null
    kicad pcb export drill -o "$INSIDE/made/$board/" "$INSIDE/$board.kicad_pcb" >/dev/null
    "$PYTHON" -m condenser_monitor.hardware.circuits.gerbers "$path" "$WORK/made/$board" "$HERE/kicad/$board.png" \
        >"$WORK/$board-gerbers.json"
    if [ -n "$MAKE" ]; then
        kicad pcb export pos --format csv --units mm -o "$INSIDE/made/$board/positions.csv" "$INSIDE/$board.kicad_pcb" >/dev/null
        kicad sch export bom -o "$INSIDE/made/$board/parts.csv" "$INSIDE/$board.kicad_sch" >/dev/null
        kicad pcb export svg --mode-single --page-size-mode 2 --layers F.Cu,F.SilkS,F.Mask,F.CrtYd,Edge.Cuts \
            -o "$INSIDE/made/$board/top.svg" "$INSIDE/$board.kicad_pcb" >/dev/null
        cp -r "$WORK/made/$board" "$MAKE/"
    fi
done

"$PYTHON" - "$WORK" "$HERE/kicad/checked.json" "$(kicad version)" <<'PYTHON'
import hashlib, json, sys
from pathlib import Path

work, record, version = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3].strip()
boards, bad = {}, 0
for pcb in sorted(work.glob("*.kicad_pcb")):
    name = pcb.stem
    if name == "impossible":
        continue
    read = lambda kind: json.loads((work / f"{name}-{kind}.json").read_text())
    erc, drc, impossible = read("erc"), read("drc"), read("impossible")
    found = {
        "erc": sum(len(sheet["violations"]) for sheet in erc["sheets"]),
        "drc": len(drc["violations"]),
        "unconnected": len(drc["unconnected_items"]),
        "parity": len(drc["schematic_parity"]),
        "found_under_impossible_rules": sorted({row["type"] for row in impossible["violations"]} & {"clearance", "creepage"}),
    }
    bad += found["erc"] + found["drc"] + found["unconnected"] + found["parity"]
    found["gerbers"] = read("gerbers")
    bad += sum(value for key, value in found["gerbers"].items() if key != "files")
    bad += found["found_under_impossible_rules"] != ["clearance", "creepage"]
    names = [f"{name}.kicad_{end}" for end in ("sch", "pcb", "pro", "dru")]
    found["sha256"] = {one: hashlib.sha256((work / one).read_bytes()).hexdigest() for one in names}
    boards[name] = found
    print(name, {key: value for key, value in found.items() if key != "sha256"})
record.write_text(json.dumps({"kicad": version, "boards": boards}, indent=1) + "\n")
sys.exit(bad != 0)
PYTHON
