#!/bin/bash
# Makes one file that installs, upgrades and repairs the program without any network:
#
#     hardware/install/build-bundle.sh FOLDER [--builds DIRECTORY] [--python 3.13] [--machine aarch64]
#
# For Debian 13 and Raspberry Pi OS on it, or with --python 3.11 for Debian 12. DIRECTORY holds libraries that the index has
# no ready build of (lgpio for Python 3.13: `try-arm64.sh --system --suite trixie` makes it). On the Pi, which must have
# python3-venv (Raspberry Pi OS has): unpack, then `sudo ./install.sh`. What is in it stands in bundle/bill.tsv, with
# licences; each package is held to its hash (bundle/pins.txt).
set -euo pipefail
umask 022

NAME=condenser-monitor
HERE=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
SOURCE=$(cd "$HERE/../.." && pwd)
PIP=("${PYTHON:-python3}" -m pip --quiet --disable-pip-version-check)
VERSION=3.13
MACHINE=aarch64
BUILDS=()

die() {
    echo "build-bundle.sh: $*" >&2
    exit 1
}

[ $# -ge 1 ] || die "into which folder? See the head of this file"
OUT=$(realpath -m -- "$1")
shift
while [ $# -gt 0 ]; do
    case $1 in
        --builds) BUILDS=(--find-links "$(realpath -- "${2:?}")"); shift ;;
        --python) VERSION=${2:?}; shift ;;
        --machine) MACHINE=${2:?}; shift ;;
        *) die "unknown argument: $1" ;;
    esac
    shift
done
WORK=$(mktemp -d)
trap 'rm -rf -- "$WORK"' EXIT

"${PIP[@]}" wheel --no-deps --wheel-dir "$WORK/ours" "$SOURCE"
WHEEL=$(echo "$WORK"/ours/*.whl)
# Some plain Python is in the index as its source alone: built here, it is the same for every machine.
"${PIP[@]}" wheel --wheel-dir "$WORK/built" "$WHEEL[web,phone,report,completion]"
find "$WORK/built" ! -name '*-none-any.whl' -type f -delete
TOP=$NAME-$(basename "$WHEEL" | cut -d- -f2)-python$VERSION-$MACHINE
BUNDLE=$WORK/$TOP/bundle
mkdir -p "$BUNDLE" "$OUT"
KINDS=("--platform=linux_$MACHINE")
for kind in manylinux2014 manylinux_2_17 manylinux_2_27 manylinux_2_28 manylinux_2_34; do KINDS+=("--platform=${kind}_$MACHINE"); done
WANTED=("$WHEEL[web,phone,report,completion]")
[ "$MACHINE" != aarch64 ] || WANTED+=('lgpio>=0.2.2')
"${PIP[@]}" download --dest "$BUNDLE" --find-links "$WORK/built" "${BUILDS[@]}" --only-binary=:all: \
    --python-version "$VERSION" "${KINDS[@]}" "${WANTED[@]}"
[ -e "$BUNDLE/$(basename "$WHEEL")" ] || cp -- "$WHEEL" "$BUNDLE/"

"${PYTHON:-python3}" "$HERE/build-licences.py" bill "$BUNDLE" "$(basename "$WHEEL")"
echo "$VERSION $MACHINE" >"$BUNDLE/for"

for file in install.sh added-packages.py bus-speed.sh by-hand.sh remove.sh rollback.sh site.toml README.md \
    $NAME.service $NAME-page.service; do
    cp -p -- "$HERE/$file" "$WORK/$TOP/"
done
STAMP=${SOURCE_DATE_EPOCH:-$(git -C "$SOURCE" log -1 --format=%ct 2>/dev/null || date +%s)}
tar -C "$WORK" --sort=name --owner=0 --group=0 --numeric-owner --mtime="@$STAMP" -cf "$OUT/$TOP.tar" "$TOP"
echo "$OUT/$TOP.tar"
