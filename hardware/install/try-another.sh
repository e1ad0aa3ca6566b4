#!/bin/bash
# Makes the same Debian package again under a higher version, for trials of an upgrade:
#
#     hardware/install/try-another.sh PACKAGE.deb OUT.deb NUMBER [SED]
#
# SED, where given, changes monitor/commands/live.py in it: a version that does not run.
set -euo pipefail
umask 022

PACKAGE=${1:?a package}
OUT=${2:?where to}
NUMBER=${3:?a number}
WORK=$(mktemp -d)
trap 'rm -rf -- "$WORK"' EXIT

dpkg-deb -R "$PACKAGE" "$WORK/tree"
sed -i "s/^Version: .*/&+$NUMBER/" "$WORK/tree/DEBIAN/control"
[ -z "${4:-}" ] || find "$WORK/tree" -path '*/monitor/commands/live.py' -exec sed -i "$4" {} +
dpkg-deb --root-owner-group -Zgzip -b "$WORK/tree" "$OUT" >/dev/null
