#!/bin/bash
# What try-system.py does inside the emulated machine, as root, with systemd running. Says `TRY ok NAME` or
# `TRY FAILED NAME` for each step; other lines with TRY ask for something outside, or are kept as they are.
set -uo pipefail
NAME=condenser-monitor
HERE=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
SOURCE=$HERE/source
TRIAL=${1:-$(sed -n 's/.*trial=\([a-z]*\).*/\1/p' /proc/cmdline)}
ONLY=$(sed -n 's/.*only=\([a-z,]*\).*/\1/p' /proc/cmdline)
export PIP_NO_INDEX=1 PIP_FIND_LINKS=$HERE/builds PATH=/usr/sbin:/usr/bin:/sbin:/bin

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

site_file() {
    mkdir -p /etc/$NAME
    cat "$HERE/site.toml" >/etc/$NAME/site.toml
}

bus_is_there() { [ -c /dev/i2c-0 ]; }

installed() { $SOURCE/hardware/install/install.sh && active; }

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

python() {
    local with=(/opt/$NAME/current/bin/python)
    [ -x "${with[0]}" ] || with=(env PYTHONPATH=/usr/lib/$NAME python3)
    setpriv --reuid=$NAME --regid=$NAME --init-groups "${with[@]}" -B "$SOURCE/hardware/install/try-inside.py" "$@"
}

# Whether the running service's last reading comes to lie between two values within so many seconds, by the way the page
# has it. One start of Python for all of them: it takes the emulated processor longer than a scan.
reads() { python reads "$@"; }

calls() { echo "TRY call $1"; }

# Voltage on a pin, through kernel, pin library, program and history.
pins_are_read() {
    calls 1
    reads call 1 1 60 && reads load 1 1 60 || return 1
    calls 0
    reads call 0 0 60 && reads load 0 0 60
}

bus_is_read() { reads outdoor_c 30 40 90; }

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
    $SOURCE/hardware/install/install.sh && active && [ "$(readlink /opt/$NAME/current)" != "$first" ] &&
        grep -q '# mine' /etc/$NAME/site.toml
}

# A version that starts and at once ends must not stay in force.
bad_version() {
    local good
    good=$(readlink /opt/$NAME/current)
    rm -rf /tmp/bad && cp -a $SOURCE /tmp/bad
    sed -i 's/^def _run(args.*/&\n    raise SystemExit(5)/' /tmp/bad/monitor/commands/live.py
    ! $SOURCE/hardware/install/install.sh --from /tmp/bad && [ "$(readlink /opt/$NAME/current)" = "$good" ] && within 60 active
}

removed() {
    $SOURCE/hardware/install/remove.sh && [ -e /etc/$NAME/site.toml ] &&
        [ -e /var/lib/$NAME/condenser-monitor.db ] && ! systemctl cat $NAME 2>/dev/null
}

prepared() {
    groupadd --system --force gpio
    groupadd --system --force i2c
    site_file
    [ "$TRIAL" != container ] || return 0
    udevadm trigger --subsystem-match=gpio --subsystem-match=i2c-dev
    udevadm settle
}

services() {
    step "install, services up, no network, no clock" installed
    step "least privilege in force" least_privilege
    step "writes only where it may" writable_places
    step "the pin library's pipe lies in memory" pipe_in_memory
    step "a converter on the bus is read" bus_is_read
    step "voltage on a pin is seen to come and to go" pins_are_read
    step "the page answers" within 60 page_answers
    step "restarts after being killed" killed
    step "restarts after hanging (watchdog)" hung
    step "upgrade" upgraded
    step "a bad version gives way to the one before" bad_version
    step "removal keeps site file and history" removed
}

# Nothing installed: is there a bus, and how fast is it?
look() {
    i2cdetect -y 0
    for _ in 1 2 3; do
        echo "TRY driver $(PYTHONPATH=$HERE/lib:$SOURCE/.src python3 "$SOURCE/hardware/install/try-inside.py" rate 0 200 2>&1 | tail -1)"
    done
}

# Without systemd, for a machine that has no core to spare: broker and watch alone, the watch as the service's user and
# started again 5 s after its end, as the service is. The listener answers `says`.
bare() {
    busybox ip link set lo up
    mkdir -p /dev/shm /run/$NAME /var/lib/$NAME
    mount -t tmpfs shm /dev/shm
    mkfifo /run/$NAME/asked
    site_file
    chown $NAME: /run/$NAME /run/$NAME/asked /var/lib/$NAME /dev/gpiochip0 /dev/i2c-0
    mosquitto -d
    (
        cd /var/lib/$NAME && export LG_WD=/run/$NAME
        while :; do
            setpriv --reuid=$NAME --regid=$NAME --init-groups /opt/$NAME/current/bin/$NAME run --site /etc/$NAME/site.toml
            sleep 5
        done 2>&1 | tee -a /run/$NAME/log
    ) &
    python watch no-page &
    until [ -e /run/$NAME/heard ]; do sleep 2; done
}
says() { echo "$*" >/run/$NAME/asked; }

wire() {
    bare
    echo "TRY begin"
    sleep 30
    echo "TRY reads"
    sleep 30
    echo "TRY reads"
    says "after a minute"
    sleep "${STORY_S:-90}"
}

# The scenario's story, told to a listener at the broker; the page is asked after each change.
story() {
    step "services, broker up" within 120 broker_and_services
    step "a converter on the bus is read" bus_is_read
    python watch &
    sleep 15
    echo "TRY begin"
    sleep 60
    echo "TRY reads"
    sleep 60
    echo "TRY reads"
    sleep "${STORY_S:-390}"
}
broker_and_services() { active && systemctl -q is-active mosquitto; }

ask() { echo "TRY $*"; }

# What the program says while a fault stands, from begin to mend, and once it is over.
fault() {
    sleep "$2"
    says "$1"
}
mended() {
    "$@"
    sleep 15
    says "$TITLE, mended"
}

faults() {
    local one
    bare
    calls 1
    sleep 10
    says "sound, running"
    for one in ${ONLY//,/ }; do
        "fault_$one"
    done
}
fault_absent() {
    TITLE="converter of the control board absent"
    ask absent 48
    fault "$TITLE" 15
    mended ask absent
}
fault_data() {
    TITLE="data line held down"
    ask held data
    fault "$TITLE" 15
    mended ask held
}
fault_clock() {
    TITLE="clock line held down"
    ask held clock
    fault "$TITLE" 20
    mended ask held
}
fault_reset() {
    TITLE="converters start again and lose their settings"
    ask restart-chips
    fault "$TITLE" 3
    mended true
}
fault_noise() {
    TITLE="one bit wrong in one read of twenty"
    ask noise 0.05
    fault "$TITLE" 15
    mended ask noise 0
}
fault_bounce() {
    TITLE="the pin of the call bounces for 0.2 s"
    ask bounce call 20 5
    fault "$TITLE" 3
    mended true
}
fault_year() {
    TITLE="clock in the year 2000"
    local now
    now=$(date +%s)
    date -s 2000-01-01
    fault "$TITLE" 15
    mended date -s "@$now"
}
fault_full() {
    TITLE="card full"
    fill
    fault "$TITLE" 20
    mended rm -f /var/lib/full /var/lib/$NAME/full
}
fault_module() {
    TITLE="kernel module of the bus gone"
    rmmod i2c_tiny_usb
    fault "$TITLE" 20
    mended plug_in
    sleep 15
    says "$TITLE, there again for 30 s"
}
fault_cut() {
    ask cut
    sleep 60
}
fill() { # all that root does not keep for itself
    fallocate -l "$(($(df --output=avail -B1M /var/lib | tail -1) - 1))M" /var/lib/full
    setpriv --reuid=$NAME --regid=$NAME --clear-groups dd if=/dev/zero of=/var/lib/$NAME/full bs=4k
    df -h /var/lib
} 2>/dev/null
plug_in() {
    modprobe i2c_tiny_usb
    within 20 bus_is_there
    chown $NAME: /dev/i2c-0
}

# After a power cut in the middle of its work.
after() {
    bare
    sleep 10
    says "after a power cut"
    sleep 5
}

# The package on a machine with a history that 0.1.0 left.
package() {
    mkdir -p /var/lib/$NAME && cp "$HERE/history-0.1.0.db" /var/lib/$NAME/$NAME.db
    step "install beside a history of 0.1.0" dpkg -i "$HERE/packages/1.deb"
    step "services up, the history of 0.1.0 is gone on with" within 120 up_and_kept
    step "least privilege in force" least_privilege
    [ "$TRIAL" = container ] || step "a converter on the bus is read" bus_is_read
    [ "$TRIAL" = container ] || step "voltage on a pin is seen to come and to go" pins_are_read
    step "the page answers" within 60 page_answers
    step "restarts after being killed" killed
    step "a plug-in beside the package is in use" plugged_in
    step "upgrade" dpkg -i "$HERE/packages/2.deb"
    step "services up again, the history is there still" within 120 up_and_kept
    step "the plug-in is in use still" plugin_in_use
    if [ -e "$HERE/packages/3.deb" ]; then
        step "a version that ends at once installs, and does not run" bad_package
        step "back to the version before" dpkg -i "$HERE/packages/2.deb"
        step "services up again, the history is there still" within 120 up_and_kept
    fi
    step "removal" dpkg -r $NAME
    step "services gone, site file and history kept" package_gone
    step "purge keeps them too" purged
    step "install again" dpkg -i "$HERE/packages/2.deb"
    step "services up, history still there" within 120 up_and_kept
    touch /var/lib/$NAME/delete-with-the-program
    step "a purge that was told deletes them" purged_as_told
}
# The watch refuses a table of the site file that no package is for.
plugin_in_use() {
    local before
    before=$(restarts)
    sleep 12
    active && [ "$(restarts)" = "$before" ] && [ -e /usr/local/lib/$NAME/plugins/lines_publisher.py ] &&
        grep -q '^\[plugins.lines\]' /etc/$NAME/site.toml
}
plugged_in() {
    local info=/usr/local/lib/$NAME/plugins/lines_publisher-1.0.0.dist-info
    printf '\n[plugins.lines]\nfile = "/var/lib/%s/lines.txt"\n' $NAME >>/etc/$NAME/site.toml
    systemctl restart $NAME
    sleep 12
    ! systemctl -q is-active $NAME || return 1
    mkdir -p "$info" && cp "$HERE/lines_publisher.py" "$info/.."
    printf 'Metadata-Version: 2.1\nName: lines-publisher\nVersion: 1.0.0\n' >"$info/METADATA"
    printf '[condenser_monitor.publishers]\nlines = lines_publisher:PLUGIN\n' >"$info/entry_points.txt"
    within 60 active && plugin_in_use
}
bad_package() { dpkg -i "$HERE/packages/3.deb" && sleep 12 && ! systemctl -q is-active $NAME && [ "$(restarts)" -gt 0 ]; }

# The same in a container with Debian's systemd: no bus, no pins, so that the watch runs on a unit in software.
container() {
    for unit in $NAME $NAME-page; do
        mkdir -p "/etc/systemd/system/$unit.service.d"
        printf '[Service]\nNice=15\n' >"/etc/systemd/system/$unit.service.d/trial.conf"
    done
    printf 'ExecStart=\nExecStart=/usr/bin/%s run --simulated --site /etc/%s/site.toml\n' $NAME $NAME \
        >>/etc/systemd/system/$NAME.service.d/trial.conf
    package
}
up_and_kept() { active && python kept; }
package_gone() {
    ! systemctl cat $NAME 2>/dev/null && ! systemctl -q is-active $NAME && [ -e /etc/$NAME/site.toml ] &&
        [ -e /var/lib/$NAME/$NAME.db ]
}
purged() { dpkg -P $NAME && package_gone; }
purged_as_told() {
    dpkg -P $NAME && [ ! -e /etc/$NAME ] && [ ! -e /var/lib/$NAME ] && [ ! -e /usr/local/lib/$NAME ]
}

echo "TRY date $(date -u +%FT%TZ), $(uname -rm)"
[ "$TRIAL" = container ] || step "the kernel has the bus" within 60 bus_is_there
case $TRIAL in look | wire | faults | after)
    "$TRIAL"
    echo "TRY ok end"
    poweroff -ff
    ;;
esac
prepared
"$TRIAL"
journalctl -u $NAME -n 30 --no-pager -o cat
echo "TRY ok end"
systemctl poweroff
