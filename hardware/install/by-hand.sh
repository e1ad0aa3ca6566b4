#!/bin/bash
# Runs a command of the monitor by hand as the services run it: as their user, in their directory, with their site file.
#
#     sudo condenser-monitor-by-hand commission --by "R. Vale"
#     sudo condenser-monitor-by-hand status
#
# A command that uses the boards itself (commission, calibrate, record) has them alone: the watch is stopped for that
# long, and started again whatever becomes of the command.
set -euo pipefail

NAME=condenser-monitor
PROGRAM=/opt/$NAME/current/bin/$NAME
SITE=/etc/$NAME/site.toml
DATA=/var/lib/$NAME

die() {
    echo "condenser-monitor-by-hand: $*" >&2
    exit 2
}

[ "$(id -u)" = 0 ] || die "run it as root: sudo $0 ..."
[ $# -ge 1 ] || die "which command? For example: commission --by NAME; all of them: $NAME --help"
[ -d "$DATA" ] || die "no $DATA: the watch has never run here"

# The pin library keeps a named pipe in this directory.
PIPES=$(mktemp -d)
STOPPED=no
ended() {
    rm -rf -- "$PIPES"
    [ "$STOPPED" = no ] || systemctl start "$NAME.service"
}
trap ended EXIT
chown "$NAME:" "$PIPES"

case $1 in
    commission | calibrate | record)
        case " $* " in *" --simulated"* | *" --mistake"*) ;; *)
            if systemctl is-active --quiet "$NAME.service"; then
                STOPPED=yes
                echo "the watch is stopped meanwhile" >&2
                systemctl stop "$NAME.service"
            fi ;;
        esac
        ;;
esac
COMMAND=$1
shift
cd "$DATA"
status=0
runuser -u "$NAME" -- env HOME="$DATA" LG_WD="$PIPES" "$PROGRAM" "$COMMAND" --site "$SITE" "$@" || status=$?
exit $status
