#!/bin/bash
# Tries the Debian package or a bundle under a real systemd, in a container without network on this machine's own
# processor: for developers.
#
#     sudo hardware/install/try-package.sh ROOT PACKAGE.deb
#     sudo hardware/install/try-package.sh ROOT BUNDLE.tar
#
# ROOT is the root directory of a Debian 13, or of Debian 12 for a package or a bundle for that; it is used up, and made where
# it is missing, with debootstrap from the archive that this machine uses: systemd, python3-venv and a broker for a bundle,
# what the package depends on for a package. Needs systemd-nspawn and python3. The unit is one in software, as a container has no pins and no bus. The
# package's upgrade is the same under a higher number, the bad upgrade one whose watch ends at once; a bundle
# (build-bundle.sh, --machine as `uname -m` has it) installs, repairs, upgrades, goes back and plays a story; what the page
# showed lies in ROOT/opt/trial/pages. The history is a real one of 0.1.0.
set -euo pipefail
umask 022

HERE=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
ROOT=$(realpath -m -- "${1:?a root directory}")
PACKAGE=$(realpath -- "${2:?a package or a bundle}")
TRIAL=$ROOT/opt/trial
KIND=container
SUITE=trixie
[ "${PACKAGE##*.}" = deb ] || KIND=offline
[[ ${PACKAGE##*/} != *-python3.11-* && ${PACKAGE##*/} != *~deb12_* ]] || SUITE=bookworm
WORK=$(mktemp -d)
trap 'rm -rf -- "$WORK"' EXIT

for tool in systemd-nspawn debootstrap dpkg-deb; do
    command -v $tool >/dev/null || {
        echo "try-package.sh: $tool is missing: apt-get install systemd-container debootstrap" >&2
        exit 1
    }
done
if [ ! -x "$ROOT/usr/bin/python3" ]; then
    MIRROR=${MIRROR:-$(awk '/^URIs:/ {print $2; exit} /^deb / {print $2; exit}' /etc/apt/sources.list.d/*.sources /etc/apt/sources.list 2>/dev/null || true)}
    debootstrap --variant=minbase --include=systemd-sysv,dbus,adduser,python3-venv,mosquitto "$SUITE" "$ROOT" \
        ${MIRROR:+"$MIRROR"}
    if [ $KIND = container ]; then # apt knows versions, alternatives and packages that provide another; debootstrap does not
        cp -L /etc/resolv.conf "$ROOT/etc/resolv.conf"
        chroot "$ROOT" apt-get -q update
        chroot "$ROOT" apt-get -qy --no-install-recommends satisfy "$(dpkg-deb -f "$PACKAGE" Depends)"
    fi
fi

rm -rf -- "$TRIAL"
mkdir -p "$TRIAL/packages" "$TRIAL/source/hardware/install"
if [ $KIND = container ]; then
    cp "$PACKAGE" "$TRIAL/packages/1.deb"
    "$HERE/try-another.sh" "$PACKAGE" "$TRIAL/packages/2.deb" 2
    "$HERE/try-another.sh" "$PACKAGE" "$TRIAL/packages/3.deb" 3 's/^def _run(args.*/&\n    raise SystemExit(5)/'
else
    mkdir "$TRIAL/bundle"
    tar -xf "$PACKAGE" -C "$TRIAL/bundle"
    cp "$HERE/try-wire.toml" "$TRIAL/story.toml"
    echo 170 >"$TRIAL/lasts" # its last finding is cleared at 143 s
fi
cp "$HERE/try-system-inside.sh" "$TRIAL/try.sh"
cp "$HERE/try-inside.py" "$TRIAL/source/hardware/install/"
cp "$HERE/site.toml" "$HERE/../../tests/examples/lines_publisher/lines_publisher.py" "$TRIAL/"
python3 - "$HERE/../../tests/monitor/history-0.1.0.sql" "$TRIAL/history-0.1.0.db" <<'PYTHON'
import pathlib, sqlite3, sys
with sqlite3.connect(sys.argv[2]) as db:
    db.executescript(pathlib.Path(sys.argv[1]).read_text())
    db.execute("PRAGMA user_version = 1")
    db.execute(f"PRAGMA application_id = {0x434D6831}")
PYTHON
chmod -R a+rX "$TRIAL"
sed "s/KIND/$KIND/" >"$ROOT/etc/systemd/system/try.service" <<'UNIT'
[Unit]
Description=Trial of the package
After=basic.target
[Service]
Type=oneshot
ExecStart=/opt/trial/try.sh KIND
StandardOutput=file:/opt/trial/said
StandardError=inherit
TimeoutStartSec=infinity
UNIT
ln -sf ../try.service "$ROOT/etc/systemd/system/multi-user.target.wants/try.service"
SYSTEMD_NSPAWN_UNIFIED_HIERARCHY=1 systemd-nspawn -q -D "$ROOT" -b --register=no --keep-unit --console=pipe \
    --private-network >"$WORK/console" || true
grep '^TRY' "$TRIAL/said"
grep -q '^TRY ok end' "$TRIAL/said" && ! grep -q '^TRY FAILED' "$TRIAL/said"
