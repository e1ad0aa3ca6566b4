#!/bin/bash
# Goes back to the version that was in force before, and, run again, forward once more:
#
#     sudo condenser-monitor-rollback            the version before takes over
#     sudo condenser-monitor-rollback --show     tells which version is in force and which is kept
#
# The other version must start as the services' user before it takes over; if its services do not come up, the present one
# goes on. No version is deleted. Site file and history stay; no network is needed.
set -euo pipefail
umask 022

NAME=condenser-monitor
ROOT=
SHOW=no

die() {
    echo "condenser-monitor-rollback: $*" >&2
    exit 1
}

while [ $# -gt 0 ]; do
    case $1 in
        --show) SHOW=yes ;;
        --root) [ $# -ge 2 ] || die "--root needs a directory"; ROOT=$(realpath -m -- "$2"); shift ;;
        -h | --help) sed -n '2,8s/^# \{0,1\}//p' "$0"; exit 0 ;;
        *) die "unknown argument: $1 (allowed: --show, --root DIRECTORY)" ;;
    esac
    shift
done

OPT=$ROOT/opt/$NAME

version() { "$OPT/$1/bin/python" -c 'from condenser_monitor.monitor import __version__ as v; print(v)' || echo "cannot start"; }

NOW=$(readlink "$OPT/current") || die "nothing is installed in $OPT"
OTHER=$(readlink "$OPT/previous") || die "there is no version to go back to: none has been replaced yet"
[ -d "$OPT/$OTHER" ] || die "the version before, $OTHER, is not there any more"
if [ "$SHOW" = yes ]; then
    echo "in force: $NOW ($(version "$NOW"))"
    echo "kept:     $OTHER ($(version "$OTHER"))"
    exit 0
fi
[ -n "$ROOT" ] || [ "$(id -u)" = 0 ] || die "run it as root: sudo $0"

AS=()
[ -n "$ROOT" ] || AS=(runuser -u "$NAME" --)
(cd / && "${AS[@]}" "$OPT/$OTHER/bin/$NAME" --help >/dev/null) || die "$OTHER does not start; $NOW stays in force"

# `previous` first: whenever the power goes, both versions are still named by one of the two links.
put_in_force() {
    [ ! -d "$OPT/$1/system" ] || cp -r --no-dereference --remove-destination "$OPT/$1/system/." "$ROOT/"
    ln -sfn "$2" "$OPT/previous.new"
    mv -T "$OPT/previous.new" "$OPT/previous"
    ln -sfn "$1" "$OPT/current.new"
    mv -T "$OPT/current.new" "$OPT/current"
    [ -n "$ROOT" ] || systemctl daemon-reload
}

restart() { [ -n "$ROOT" ] || systemctl restart "$NAME.service" "$NAME-page.service"; }

put_in_force "$OTHER" "$NOW"
if ! restart; then
    put_in_force "$NOW" "$OTHER"
    restart || true
    die "$OTHER does not come up; $NOW is in force again. See: journalctl -u $NAME"
fi
echo "in force: $OTHER; kept: $NOW"
