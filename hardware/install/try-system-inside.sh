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

in_container() { [ "$TRIAL" = container ] || [ "$TRIAL" = offline ]; }

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

# One start of Python for all tries, here and below: it takes the emulated processor seconds.
page_answers() {
    python3 - "$1" <<'PYTHON'
import sys, time, urllib.request
until_s, said = time.monotonic() + float(sys.argv[1]), ""
while time.monotonic() < until_s:
    try:
        print(urllib.request.urlopen("http://127.0.0.1:8124/", timeout=20).status)
        sys.exit(0)
    except OSError as error:
        said = error
        time.sleep(1)
sys.exit(f"the page does not answer: {said}")
PYTHON
}

python() {
    local with=(/opt/$NAME/current/bin/python)
    [ -x "${with[0]}" ] || with=(env PYTHONPATH=/usr/lib/$NAME python3)
    setpriv --reuid=$NAME --regid=$NAME --init-groups "${with[@]}" -B "$SOURCE/hardware/install/try-inside.py" "$@"
}

# Whether the running service's last reading comes to lie between two values within so many seconds, by the way the page
# has it.
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
    within 60 runs_anew "$before"
}
runs_anew() { active && [ "$(main_pid)" != "$1" ]; }

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
    local remove=$SOURCE/hardware/install/remove.sh
    [ -e "$remove" ] || remove=$(echo "$HERE"/bundle/*/remove.sh)
    "$remove" && [ -e /etc/$NAME/site.toml ] && [ -e /var/lib/$NAME/condenser-monitor.db ] &&
        ! systemctl cat $NAME 2>/dev/null
}

prepared() {
    groupadd --system --force gpio
    groupadd --system --force i2c
    site_file
    ! in_container || return 0
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
    step "the page answers" page_answers 60
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
            setpriv --reuid=$NAME --regid=$NAME --init-groups /opt/$NAME/current/bin/$NAME run --site /etc/$NAME/site.toml &
            echo $! >/run/$NAME/pid
            wait $!
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
    sleep "$(($(cat "$HERE/lasts") - 72))"
}

# The scenario's story, told to a listener at the broker; the page is asked after each change.
story() {
    step "services, broker up" within 120 broker_and_services
    step "a converter on the bus is read" bus_is_read
    step "the page answers" page_answers 120
    SERVED=$(served)
    chown $NAME: /dev/virtio-ports/pages
    python watch &
    within 60 test -e /run/$NAME/heard
    echo "TRY begin"
    sleep 60
    echo "TRY reads"
    sleep 60
    echo "TRY reads"
    sleep "$(($(cat "$HERE/lasts") - 120))"
    step "the services are those that began" same_services
}
served() { systemctl show -p MainPID,NRestarts $NAME $NAME-page; }
same_services() { active && [ "$(served)" = "$SERVED" ]; }
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
# Over many scans and a restart of the watch, with a fault of the unit meanwhile.
fault_longer() {
    TITLE="card full for longer"
    fill
    ask break float-switch-open
    fault "$TITLE, a fault of the unit meanwhile" 50
    kill "$(cat /run/$NAME/pid)"
    fault "$TITLE, the watch started again" 45
    step "the history does not have it yet" not recorded call-not-reaching-unit
    mended rm -f /var/lib/full /var/lib/$NAME/full
    step "the history has what was raised meanwhile" recorded call-not-reaching-unit
    ask mend float-switch-open
    fault "$TITLE, the unit mended too" 30
}
recorded() { python recorded "$1"; }
not() { ! "$@"; }
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

old_history() { mkdir -p /var/lib/$NAME && cp "$HERE/history-0.1.0.db" /var/lib/$NAME/$NAME.db; }

# The package on a machine with a history that 0.1.0 left; in the emulated machine in place of an installation by install.sh.
package() {
    if in_container; then
        old_history
    else
        step "the installation by install.sh goes on with a history of 0.1.0" installed_before
        step "the pin library is there" pin_library
    fi
    step "install beside a history of 0.1.0" dpkg -i "$HERE/packages/1.deb"
    in_container || step "the installation by install.sh has given way" gave_way
    step "services up, the history of 0.1.0 is gone on with" up_and_kept 120
    step "least privilege in force" least_privilege
    in_container || step "a converter on the bus is read" bus_is_read
    in_container || step "voltage on a pin is seen to come and to go" pins_are_read
    step "the page answers" page_answers 60
    step "a report is written as PDF" report_written
    step "restarts after being killed" killed
    step "a plug-in beside the package is in use" plugged_in
    step "upgrade" dpkg -i "$HERE/packages/2.deb"
    step "services up again, the history is there still" up_and_kept 120
    step "the plug-in is in use still" plugin_in_use
    step "a version that ends at once installs, and does not run" bad_package
    step "back to the version before" dpkg -i "$HERE/packages/2.deb"
    step "services up again, the history is there still" up_and_kept 120
    step "removal" dpkg -r $NAME
    step "services gone, site file and history kept" package_gone
    step "purge keeps them too" purged
    step "install again" dpkg -i "$HERE/packages/2.deb"
    step "services up, history still there" up_and_kept 120
    touch /var/lib/$NAME/delete-with-the-program
    step "a purge that was told deletes them" purged_as_told
}
report_written() { $NAME-by-hand report trial.pdf && [ "$(head -c 5 /var/lib/$NAME/trial.pdf)" = %PDF- ]; }
installed_before() {
    systemctl stop $NAME $NAME-page
    find /var/lib/$NAME -mindepth 1 -delete
    old_history && chown -R $NAME: /var/lib/$NAME
    systemctl start $NAME $NAME-page
    up_and_kept 120
}
gave_way() { [ ! -e /opt/$NAME ] && ! compgen -G "/etc/systemd/system/$NAME*.service" && [ ! -e /usr/local/bin/$NAME ]; }
# Raspberry Pi OS has python3-lgpio; a bare Debian 13 has not. The package for Debian 12 brings it along.
pin_library() {
    [ "$(dpkg-deb -f "$HERE/packages/1.deb" Architecture)" = all ] || return 0
    python3 -c 'import lgpio' || python3 -m zipfile -e "$HERE"/builds/lgpio-*.whl /usr/local/lib/python3.*/dist-packages
    python3 -c 'import lgpio'
} 2>/dev/null
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
    in_software /usr/bin/$NAME
    package
}
in_software() {
    mkdir -p /etc/systemd/system/$NAME.service.d
    printf '[Service]\nNice=0\nExecStart=\nExecStart=%s run --simulated --site /etc/%s/site.toml%s\n' "$1" $NAME "${2:+ --scenario $2}" \
        >/etc/systemd/system/$NAME.service.d/trial.conf
    systemctl daemon-reload
}

# A bundle in such a container, which has no network: its steps, the short story told to a listener at the broker and by the
# page, removal.
offline() {
    in_software /opt/$NAME/current/bin/$NAME
    old_history
    bundle_steps
    story_in_software
    step "each finding told, in order" told_in_order
    step "the page had another headline after each" on_the_page
    step "the services are those that began" same_services
    step "removal keeps site file and history" removed
}
# The same installer with the machine's own bus and pins.
bundle() {
    old_history
    bundle_steps
    step "the pin library's pipe lies in memory" pipe_in_memory
    step "a converter on the bus is read" bus_is_read
    step "voltage on a pin is seen to come and to go" pins_are_read
    step "removal keeps site file and history" removed
}
# Install, repair, upgrade, back and forward.
bundle_steps() {
    step "there is no network" without_network
    step "install beside a history of 0.1.0" from_bundle
    step "services up, the history of 0.1.0 is gone on with" up_and_kept 120
    step "least privilege in force" least_privilege
    step "the page answers" page_answers 60
    echo '# mine' >>/etc/$NAME/site.toml
    DAMAGED=$(in_force)
    rm -r /opt/$NAME/current/lib/python3*/site-packages/msgspec
    step "without one of its libraries it does not start" ended
    step "repair" from_bundle
    step "services up, the history is there still" up_and_kept 120
    step "nothing goes back to the damaged version" not_to_the_damaged
    step "upgrade" from_bundle
    step "services up, the history is there still" up_and_kept 120
    NEWER=$(in_force)
    step "back to the version before" went_to other
    step "and forward again" went_to newer
    step "the site file is the owner's still" grep -q '# mine' /etc/$NAME/site.toml
}
story_in_software() {
    printf '\n[mqtt]\nhost = "127.0.0.1"\n' >>/etc/$NAME/site.toml
    in_software /opt/$NAME/current/bin/$NAME "$HERE/story.toml"
    systemctl restart $NAME $NAME-page
    step "services, broker up" within 120 broker_and_services
    step "the page answers" page_answers 120
    mkdir "$HERE/pages" && chown $NAME: "$HERE/pages"
    TRY_PAGES=$HERE/pages python watch | stamped &
    step "the broker has readings" within 120 test -e /run/$NAME/heard
    systemctl restart $NAME
    step "services, broker up" within 120 broker_and_services
    date +%s.%N >"$HERE/began"
    SERVED=$(served)
    sleep "$(cat "$HERE/lasts")"
}
# What the listener says, with seconds since the story began.
stamped() {
    local line
    while read -r line; do
        [ ! -s "$HERE/began" ] || line="TRY $(echo "$(date +%s.%N) $(cat "$HERE/began")" | awk '{printf "%.1f", $1 - $2}') s: ${line#TRY }"
        echo "$line" | tee -a "$HERE/told"
    done
}
expected() { sed -n 's/^finding = "\(.*\)"$/\1/p' "$HERE/story.toml"; }
told_in_order() { [ "$(sed -n 's/.* told raised \([a-z-]*\) .*/\1/p' "$HERE/told" | grep -Fx "$(expected)")" = "$(expected)" ]; }
on_the_page() {
    local finding
    for finding in $(expected); do compgen -G "$HERE/pages/*-$finding-raised.html" >/dev/null || return 1; done
}
without_network() { [ "$(ls /sys/class/net)" = lo ]; }
in_force() { readlink /opt/$NAME/current; }
from_bundle() {
    local before
    before=$(in_force)
    "$HERE"/bundle/*/install.sh && within 60 active && [ "$(in_force)" != "$before" ]
}
ended() {
    systemctl restart $NAME
    sleep 8
    ! systemctl -q is-active $NAME
}
not_to_the_damaged() {
    local good said
    good=$(in_force)
    ! said=$(/usr/local/bin/condenser-monitor-rollback 2>&1) && [[ $said == *"$DAMAGED does not start"* ]] &&
        [ "$(in_force)" = "$good" ] &&
        [ "$good" != "$DAMAGED" ] && within 60 active
}
went_to() {
    /usr/local/bin/condenser-monitor-rollback && up_and_kept 120 && page_answers 60 &&
        if [ "$1" = newer ]; then [ "$(in_force)" = "$NEWER" ]; else [ "$(in_force)" != "$NEWER" ]; fi
}

up_and_kept() { within "$1" active && python kept "$1"; }
package_gone() {
    ! systemctl cat $NAME 2>/dev/null && ! systemctl -q is-active $NAME && [ -e /etc/$NAME/site.toml ] &&
        [ -e /var/lib/$NAME/$NAME.db ]
}
purged() { dpkg -P $NAME && package_gone; }
purged_as_told() {
    dpkg -P $NAME && [ ! -e /etc/$NAME ] && [ ! -e /var/lib/$NAME ] && [ ! -e /usr/local/lib/$NAME ]
}

echo "TRY date $(date -u +%FT%TZ), $(uname -rm)"
in_container || step "the kernel has the bus" within 60 bus_is_there
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
