#!/bin/bash
# Removes condenser-monitor: services and program. The site file and the history stay, unless --data is given:
#
#     sudo hardware/install/remove.sh            keeps /etc/condenser-monitor and /var/lib/condenser-monitor
#     sudo hardware/install/remove.sh --data     removes them too, and the user
set -euo pipefail

NAME=condenser-monitor
ROOT=
DATA=no

die() {
    echo "remove.sh: $*" >&2
    exit 1
}

while [ $# -gt 0 ]; do
    case $1 in
        --data) DATA=yes ;;
        --root) [ $# -ge 2 ] || die "--root needs a directory"; ROOT=$(realpath -m -- "$2"); shift ;;
        -h | --help) sed -n '2,5s/^# \{0,1\}//p' "$0"; exit 0 ;;
        *) die "unknown argument: $1 (allowed: --data, --root DIRECTORY)" ;;
    esac
    shift
done

if [ -z "$ROOT" ]; then
    [ "$(id -u)" = 0 ] || die "run it as root: sudo $0"
    systemctl disable --now --quiet "$NAME-page.service" "$NAME.service" || true
fi
for config in "$ROOT/boot/firmware/config.txt" "$ROOT/boot/config.txt"; do
    [ ! -f "$config" ] || "$(dirname "${BASH_SOURCE[0]}")/bus-speed.sh" unset "$config"
done
rm -f -- "$ROOT/etc/systemd/system/$NAME.service" "$ROOT/etc/systemd/system/$NAME-page.service"
rm -f -- "$ROOT/usr/local/bin/$NAME" "$ROOT/usr/local/bin/$NAME-by-hand" "$ROOT/usr/local/bin/$NAME-rollback"
share=$ROOT/usr/local/share
rm -f -- "$share/man/man1/$NAME.1" "$share/bash-completion/completions/$NAME" "$share/zsh/site-functions/_$NAME" \
    "$share/fish/vendor_completions.d/$NAME.fish"
rm -rf -- "$ROOT/opt/${NAME:?}"
[ -n "$ROOT" ] || systemctl daemon-reload
if [ "$DATA" = yes ]; then
    rm -rf -- "$ROOT/etc/${NAME:?}" "$ROOT/var/lib/${NAME:?}"
    if [ -z "$ROOT" ] && getent passwd "$NAME" >/dev/null; then
        rm -rf -- "/dev/shm/$NAME-$(id -u "$NAME")"
        userdel "$NAME"
    fi
    echo "removed, with site file and history"
else
    echo "removed; site file and history are kept in /etc/$NAME and /var/lib/$NAME"
fi
