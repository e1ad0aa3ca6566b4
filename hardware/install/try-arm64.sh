#!/bin/bash
# Tries the installer and the program on an emulated 64-bit ARM Debian: a check away from the bench, for developers.
#
#     sudo hardware/install/try-arm64.sh [--suite bookworm|trixie] [--work DIRECTORY] [--tests "PATH ..."] [--system]
#         [--bundle FILE]
#
# --bundle installs from a bundle (build-bundle.sh), without network; --tests runs these tests there too; --system makes,
# instead of trying anything, the root directory and the libraries' builds that try-system.py needs.
#
# Needs debootstrap and qemu-user-static, the network, about 1.5 GB in the work directory and some patience (every step is
# bounded in time). The program runs on the ARM instruction set with Debian's own Python and the libraries' own ARM
# builds. What this cannot show, as there is no machine under it: pins, the I2C bus, systemd itself, speed.
set -uo pipefail

HERE=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
SOURCE=$(cd "$HERE/../.." && pwd)
SUITE=bookworm
WORK=${TMPDIR:-/tmp}/condenser-monitor-arm64
TESTS=
SYSTEM=
BUNDLE=
NICENESS=${NICENESS:-15}
# the archive this machine itself uses, unless told otherwise
MIRROR=${MIRROR:-$(awk '/^URIs:/ {print $2; exit} /^deb / {print $2; exit}' /etc/apt/sources.list.d/*.sources /etc/apt/sources.list 2>/dev/null || true)}

die() {
    echo "try-arm64.sh: $*" >&2
    exit 1
}

while [ $# -gt 0 ]; do
    case $1 in
        --suite) SUITE=${2:?}; shift ;;
        --work) WORK=$(realpath -m -- "${2:?}"); shift ;;
        --system) SYSTEM=yes ;;
        --bundle) BUNDLE=$(realpath -- "${2:?}"); shift ;;
        --tests) TESTS=${2:?}; shift ;;
        -h | --help) sed -n '2,12s/^# \{0,1\}//p' "$0"; exit 0 ;;
        *) die "unknown argument: $1" ;;
    esac
    shift
done

[ "$(id -u)" = 0 ] || die "run it as root: sudo $0"
for tool in debootstrap qemu-aarch64-static; do
    command -v $tool >/dev/null || die "$tool is missing: apt-get install debootstrap qemu-user-static"
done

CHROOT=$WORK/$SUITE
REGISTERED=
RESULTS=$WORK/$SUITE-results.txt
mkdir -p "$WORK"
: >"$RESULTS"

clean_up() {
    for place in dev/shm dev/pts proc; do
        mountpoint -q "$CHROOT/$place" && umount "$CHROOT/$place"
    done
    [ -z "$REGISTERED" ] || echo -1 >/proc/sys/fs/binfmt_misc/qemu-aarch64
}
trap clean_up EXIT

# Lets the kernel start ARM programs through the emulator, for as long as this script runs.
register() {
    local table=/proc/sys/fs/binfmt_misc
    [ -e $table/register ] || mount -t binfmt_misc none $table || die "no binfmt_misc in this kernel"
    [ -e $table/qemu-aarch64 ] && return
    cat /usr/lib/binfmt.d/qemu-aarch64.conf >$table/register || die "cannot register the emulator"
    REGISTERED=yes
}

inside() {
    local seconds=$1
    shift
    nice -n "$NICENESS" timeout "$seconds" chroot "$CHROOT" /usr/bin/env -i HOME=/root LANG=C.UTF-8 \
        PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin DEBIAN_FRONTEND=noninteractive "$@"
}

step() {
    local name=$1 began=$SECONDS status
    shift
    echo "== $name"
    "$@"
    status=$?
    printf '%-6s %4d s  %s\n' "$([ $status = 0 ] && echo ok || echo FAILED)" $((SECONDS - began)) "$name" |
        tee -a "$RESULTS"
    return $status
}

system() {
    if [ ! -x "$CHROOT/usr/bin/python3" ]; then
        nice -n "$NICENESS" timeout 2400 debootstrap --arch=arm64 --variant=minbase \
            --include=python3,python3-venv,ca-certificates "$SUITE" "$CHROOT" ${MIRROR:+"$MIRROR"} || return 1
    fi
    mountpoint -q "$CHROOT/proc" || mount -t proc proc "$CHROOT/proc"
    mkdir -p "$CHROOT/dev/shm"
    mountpoint -q "$CHROOT/dev/shm" || mount -t tmpfs tmpfs "$CHROOT/dev/shm"
    cp -L /etc/resolv.conf "$CHROOT/etc/resolv.conf"
    # Certificates of this machine too: a proxy of its own may stand between it and the network.
    cp -L /etc/ssl/certs/ca-certificates.crt "$CHROOT/etc/ssl/certs/ca-certificates.crt"
    [ "$(inside 60 uname -m)" = aarch64 ]
}

# What Raspberry Pi OS has and a bare Debian has not, its config.txt with them; a stand-in for systemctl, as nothing is booted here.
stage() {
    inside 60 groupadd --system --force gpio && inside 60 groupadd --system --force i2c || return 1
    printf '#!/bin/sh\necho "systemctl $*" >>/var/log/systemctl-asked\n' >"$CHROOT/usr/local/bin/systemctl"
    chmod +x "$CHROOT/usr/local/bin/systemctl"
    rm -rf "$CHROOT/opt/source" "$CHROOT/opt/condenser-monitor" "$CHROOT/etc/condenser-monitor" \
        "$CHROOT/var/lib/condenser-monitor" "$CHROOT/var/log/systemctl-asked" "$CHROOT"/.lgd-nfy*
    mkdir -p "$CHROOT/opt/source" "$CHROOT/boot/firmware"
    echo 'dtparam=audio=on' >"$CHROOT/boot/firmware/config.txt"
    (cd "$SOURCE" && tar --exclude-vcs --exclude=__pycache__ --exclude='.*_cache' -cf - .) |
        tar -xf - -C "$CHROOT/opt/source"
}

run_installer() {
    if [ -z "$BUNDLE" ]; then
        inside 1800 /opt/source/hardware/install/install.sh
    else # in a network namespace of its own, which has no network
        rm -rf "$CHROOT/opt/unpacked" && mkdir "$CHROOT/opt/unpacked" && tar -xf "$BUNDLE" -C "$CHROOT/opt/unpacked" &&
            unshare --net nice -n "$NICENESS" timeout 1800 chroot "$CHROOT" /usr/bin/env -i HOME=/root LANG=C.UTF-8 \
                PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin \
                /bin/sh -c 'exec /opt/unpacked/*/install.sh'
    fi
}

libraries() {
    inside 300 env LG_WD=/tmp /opt/condenser-monitor/current/bin/python -c '
import lgpio, gpiozero, adafruit_ads1x15, adafruit_extended_bus, paho.mqtt.client, msgspec, sqlite3, flask, waitress
import platform, sys
print(platform.machine(), sys.version.split()[0], "lgpio", lgpio.get_module_version(), "sqlite", sqlite3.sqlite_version)
'
}

# The pin library makes its pipe where LG_WD says, though the working directory cannot be written.
pin_librarys_pipe() {
    rm -rf "$CHROOT/tmp/pipes" && mkdir -m 777 "$CHROOT/tmp/pipes"
    inside 300 setpriv --reuid=condenser-monitor --regid=condenser-monitor --init-groups env LG_WD=/tmp/pipes \
        /opt/condenser-monitor/current/bin/python -c '
import lgpio, glob, sys
sys.exit(not (glob.glob("/tmp/pipes/.lgd-nfy*") and not glob.glob(".lgd-nfy*")))
'
}

as_service_user() {
    inside 300 setpriv --reuid=condenser-monitor --regid=condenser-monitor --init-groups \
        /opt/condenser-monitor/current/bin/condenser-monitor "$@"
}

# By hand as the services' user, in their directory; in software, as there is no bus here.
walk_by_hand() {
    local said
    mkdir -p "$CHROOT/var/lib/condenser-monitor"
    inside 60 chown -R condenser-monitor: /var/lib/condenser-monitor
    said=$(printf '\n\n\n\n' | inside 900 condenser-monitor-by-hand commission --by trial --simulated)
    echo "$said"
    [[ $said == *'All is as it should be'* ]]
}

bus_speed() { [ "$(grep -c '^dtparam=i2c_arm=on,i2c_arm_baudrate=400000$' "$CHROOT/boot/firmware/config.txt")" = "$1" ]; }

replay() {
    printf 't_s,call,compressor_a,load\n' >"$CHROOT/tmp/run.csv"
    for second in $(seq 0 60); do echo "$second,1,0.0,0" >>"$CHROOT/tmp/run.csv"; done
    local said
    said=$(as_service_user replay /tmp/run.csv --site /etc/condenser-monitor/site.toml --json) || return 1
    echo "$said"
    [[ $said == *'"finding":"call-without-pull-in"'* ]]
}

upgrade_and_remove() {
    mkdir -p "$CHROOT/var/lib/condenser-monitor"
    echo kept >"$CHROOT/var/lib/condenser-monitor/witness"
    echo '# mine' >>"$CHROOT/etc/condenser-monitor/site.toml"
    run_installer && bus_speed 1 || return 1
    inside 60 /opt/source/hardware/install/remove.sh || return 1
    [ "$(cat "$CHROOT/var/lib/condenser-monitor/witness")" = kept ] &&
        bus_speed 0 && grep -q '# mine' "$CHROOT/etc/condenser-monitor/site.toml" && [ ! -e "$CHROOT/opt/condenser-monitor" ] &&
        grep -q 'restart condenser-monitor.service' "$CHROOT/var/log/systemctl-asked"
}

test_suite() {
    inside 1200 /opt/condenser-monitor/current/bin/python -m pip install -q --no-cache-dir \
        pytest hypothesis numpy scipy || return 1
    # shellcheck disable=SC2086  # several paths
    inside 3000 /bin/sh -c "cd /opt/source && exec /opt/condenser-monitor/current/bin/python -m pytest -p no:cacheprovider $TESTS"
}

# A second copy that can be booted: systemd, kernel, a broker. try-system.py makes the initial disk itself.
bootable() {
    local place=$WORK/system
    umount "$CHROOT/proc" "$CHROOT/dev/shm"
    rm -rf "$place" && cp -a "$CHROOT" "$place" || return 1
    CHROOT=$place
    mount -t proc proc "$CHROOT/proc"
    inside 900 apt-get update && inside 2400 apt-get install -y --no-install-recommends \
        systemd-sysv udev kmod busybox-static i2c-tools mosquitto linux-image-arm64
}

library_builds() {
    inside 300 python3 -m venv /tmp/builds && inside 600 /tmp/builds/bin/pip install -q --no-cache-dir wheel &&
        inside 1800 /tmp/builds/bin/pip wheel -q --no-cache-dir -w /opt/builds '/opt/source[web,phone,report,completion]' 'setuptools>=69' wheel ||
        return 1
    rm -rf "$WORK/builds" "$CHROOT/opt/builds"/condenser_monitor-*
    mv "$CHROOT/opt/builds" "$WORK/builds"
}

register
step "Debian $SUITE, arm64" system || exit 1
step "groups, source" stage || exit 1
if [ -n "$SYSTEM" ]; then
    step "the libraries' builds" library_builds && step "a copy that can be booted" bootable
    exit
fi
step "install.sh" run_installer || exit 1
step "libraries, native lgpio included" libraries
step "the pin library's pipe lies where the unit file says" pin_librarys_pipe
step "replay as the service's user finds the fault" replay
step "the bus's speed is in config.txt" bus_speed 1
step "a walk through the senses by hand, in software" walk_by_hand
[ -z "$TESTS" ] || step "tests: $TESTS" test_suite
step "upgrade, removal; site file and history kept" upgrade_and_remove
echo
cat "$RESULTS"
! grep -q FAILED "$RESULTS"
