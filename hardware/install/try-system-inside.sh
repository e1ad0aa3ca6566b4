#!/bin/bash
# What try-system.py does inside the emulated machine, as root, with systemd running. Says `TRY ok NAME` or
# `TRY FAILED NAME` for each step; `TRY line N LEVEL` asks for a GPIO line to be moved from outside.
set -uo pipefail
NAME=condenser-monitor
export PIP_NO_INDEX=1 PIP_FIND_LINKS=/opt/builds PATH=/usr/sbin:/usr/bin:/sbin:/bin

step() {
    local name=$1
    shift
    if "$@"; then echo "TRY ok $name"; else echo "TRY FAILED $name"; fi
}

main_pid() { systemctl show -p MainPID --value $NAME; }
restarts() { systemctl show -p NRestarts --value $NAME; }
active() { [ "$(systemctl is-active $NAME $NAME-page | sort -u)" = active ]; }

# Waits up to so many seconds until a command succeeds.
within() {
    local seconds=$1
    shift
    for _ in $(seq "$seconds"); do
        "$@" && return 0
        sleep 1
    done
    return 1
}

# Two pins only: this machine has no I2C bus.
site_file() {
    mkdir -p /etc/$NAME
    cat >/etc/$NAME/site.toml <<'TOML'
[site]
id = "try"
[senses]
fitted = ["call", "load"]
[boards.channels.call]
pin = 4
[boards.channels.load]
pin = 5
TOML
}

installed() { /opt/source/hardware/install/install.sh && active; }

least_privilege() {
    local status
    status=/proc/$(main_pid)/status
    grep -E '^(Uid|CapEff|CapBnd|NoNewPrivs|Seccomp):' "$status"
    grep -q '^CapEff:.*0000000000000000' "$status" && grep -q '^CapBnd:.*0000000000000000' "$status" &&
        grep -q '^NoNewPrivs:.*1' "$status" && grep -q '^Seccomp:.*2' "$status" &&
        [ "$(stat -c %U "/proc/$(main_pid)")" = $NAME ]
}

inside_service() { nsenter -t "$(main_pid)" -m -- setpriv --reuid=$NAME --regid=$NAME --init-groups "$@"; }

writable_places() {
    inside_service touch /var/lib/$NAME/witness && inside_service touch /run/$NAME/witness || return 1
    ! inside_service touch /etc/$NAME/witness && ! inside_service touch /opt/$NAME/witness &&
        ! nsenter -t "$(main_pid)" -m -- touch /usr/witness
}

pipe_in_memory() { compgen -G "/run/$NAME/.lgd-nfy*" && ! compgen -G "/var/lib/$NAME/.lgd-nfy*"; }

page_answers() {
    python3 -c 'import urllib.request as u; print(u.urlopen("http://127.0.0.1:8124/", timeout=20).status)'
}

# What the running service last read on a pin, by the way the page has it.
reads() {
    setpriv --reuid=$NAME --regid=$NAME --init-groups /opt/$NAME/current/bin/python - "$1" "$2" <<'PYTHON'
import sys
from condenser_monitor.monitor.storage.file import History
with History("/var/lib/condenser-monitor/condenser-monitor.db") as history:
    seen = history.status()
sys.exit(seen is None or str(seen.readings[sys.argv[1]]) != sys.argv[2])
PYTHON
}

# A high line is no voltage, a low one is voltage: through kernel, pin library, program and history.
pins_are_read() {
    echo "TRY line 4 1"
    within 40 reads call False || return 1
    echo "TRY line 4 0"
    within 40 reads call True || return 1
    reads load True
}

killed() {
    local before
    before=$(main_pid)
    kill -9 "$before"
    within 60 active && [ "$(main_pid)" != "$before" ]
}

hung() {
    local before
    before=$(restarts)
    kill -STOP "$(main_pid)"
    within 120 test "$(restarts)" -gt "$before" || within 120 more_restarts "$before"
    within 90 active
}
more_restarts() { [ "$(restarts)" -gt "$1" ]; }

upgraded() {
    local first
    first=$(readlink /opt/$NAME/current)
    echo '# mine' >>/etc/$NAME/site.toml
    /opt/source/hardware/install/install.sh && active && [ "$(readlink /opt/$NAME/current)" != "$first" ] &&
        grep -q '# mine' /etc/$NAME/site.toml
}

# A version that starts and at once ends must not stay in force.
bad_version() {
    local good
    good=$(readlink /opt/$NAME/current)
    rm -rf /tmp/bad && cp -a /opt/source /tmp/bad
    sed -i 's/^def _run(args.*/&\n    raise SystemExit(5)/' /tmp/bad/monitor/commands/live.py
    ! /opt/source/hardware/install/install.sh --from /tmp/bad && [ "$(readlink /opt/$NAME/current)" = "$good" ] && within 60 active
}

removed() {
    /opt/source/hardware/install/remove.sh && [ -e /etc/$NAME/site.toml ] &&
        [ -e /var/lib/$NAME/condenser-monitor.db ] && ! systemctl cat $NAME 2>/dev/null
}

echo "TRY date $(date -u +%FT%TZ), $(uname -rm), systemd $(systemctl --version | head -1 | cut -d' ' -f2)"
groupadd --system --force gpio
groupadd --system --force i2c
udevadm trigger --subsystem-match=gpio
udevadm settle
site_file
step "install, services up, no network, no clock" installed
step "least privilege in force" least_privilege
step "writes only where it may" writable_places
step "the pin library's pipe lies in memory" pipe_in_memory
step "voltage on a pin is seen to go and to come" pins_are_read
step "the page answers" within 60 page_answers
step "restarts after being killed" killed
step "restarts after hanging (watchdog)" hung
step "upgrade" upgraded
step "a bad version gives way to the one before" bad_version
step "removal keeps site file and history" removed
journalctl -u $NAME -n 30 --no-pager -o cat
echo "TRY ok end"
systemctl poweroff
