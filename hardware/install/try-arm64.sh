#!/bin/bash
# Tries the installer and the program on an emulated 64-bit ARM Debian: a check away from the bench, for developers.
#
#     sudo hardware/install/try-arm64.sh [--suite bookworm|trixie] [--work DIRECTORY] [--tests "PATH ..."] [--bundle FILE]
#     sudo hardware/install/try-arm64.sh --system|--all [--package FILE.deb] [--suite bookworm|trixie] [--work DIRECTORY]
#
# --bundle installs, repairs and goes back from a bundle (build-bundle.sh), without network; --tests runs these tests there
# too; --system makes, instead of trying anything, what try-system.py needs: a bundle (DIRECTORY/bundle), the libraries'
# builds (DIRECTORY/builds) and a root directory (DIRECTORY/system), with what the Debian package FILE.deb depends on where
# one is given; --all makes the same, and then tries the bundle that it made.
#
# Needs debootstrap, qemu-user-static and kmod, the network, about 1.5 GB in the work directory and some patience (every step is
# bounded in time). The program runs on the ARM instruction set with Debian's own Python and the libraries' own ARM
# builds. What this cannot show, as there is no machine under it: pins, the I2C bus, systemd itself, speed.
set -uo pipefail

HERE=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
SOURCE=$(cd "$HERE/../.." && pwd)
SUITE=bookworm
WORK=${TMPDIR:-/tmp}/condenser-monitor-arm64
TESTS=
SYSTEM=
ALL=
PACKAGE=
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
        --all) SYSTEM=yes ALL=yes ;;
        --package) PACKAGE=$(realpath -- "${2:?}"); shift ;;
        --bundle) BUNDLE=$(realpath -- "${2:?}"); shift ;;
        --tests) TESTS=${2:?}; shift ;;
        -h | --help) sed -n '2,15s/^# \{0,1\}//p' "$0"; exit 0 ;;
        *) die "unknown argument: $1" ;;
    esac
    shift
done

[ -z "$PACKAGE" ] || [ -n "$SYSTEM" ] || die "--package goes with --system or --all; the package is tried by try-system.py"
[ "$(id -u)" = 0 ] || die "run it as root: sudo $0"
for tool in debootstrap qemu-aarch64-static depmod; do
    command -v $tool >/dev/null || die "$tool is missing: apt-get install debootstrap qemu-user-static kmod"
done

CHROOT=$WORK/$SUITE
RESULTS=$WORK/$SUITE-results.txt
mkdir -p "$WORK"
: >"$RESULTS"

clean_up() {
    local root
    for root in "$CHROOT" "$WORK/for-builds" "$WORK/system"; do
        for place in dev/shm dev/pts proc; do
            mountpoint -q "$root/$place" && umount "$root/$place"
        done
    done
}
trap clean_up EXIT

# Lets the kernel start ARM programs through the emulator, as Debian's package does where systemd runs; another run may
# need it still, so that it stays.
register() {
    local table=/proc/sys/fs/binfmt_misc
    [ -e $table/register ] || mount -t binfmt_misc none $table || die "no binfmt_misc in this kernel"
    [ -e $table/qemu-aarch64 ] && return
    cat /usr/lib/binfmt.d/qemu-aarch64.conf >$table/register || die "cannot register the emulator"
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

# This machine's own dpkg lays packages out, for debootstrap and for apt: what they run while they are configured is all
# that the emulator has to do. Byte code, which Python then makes as it goes, the kernel's list of modules and initial disk,
# and links to certificates are left out. Nothing waits for the disk, which is thrown away.
own_dpkg() {
    printf '#!/bin/bash\nrenice -n %d $$ >/dev/null\n' "$NICENESS" | tee "$WORK/own-dpkg" >"$WORK/in-root"
    cat >>"$WORK/own-dpkg" <<'OWN_DPKG'
root=$1
shift
mkdir -p "$root/opt/quick"
for tool in py3compile depmod update-initramfs update-ca-certificates; do
    printf '#!/bin/sh\n' >"$root/opt/quick/$tool"
    chmod +x "$root/opt/quick/$tool"
done
if [[ " $* " = *" --configure "* ]]; then
    for file in "$root"/usr/lib/python3.*/py_compile.py; do
        [ ! -e "$file" ] || { mv "$file" "$file.own" && : >"$file"; }
    done
fi
export PATH=/opt/quick:/usr/sbin:/usr/bin:/sbin:/bin
dpkg --root="$root" --force-architecture --force-depends --force-unsafe-io "${@/#\/var\/cache/$root/var/cache}"
status=$?
for file in "$root"/usr/lib/python3.*/py_compile.py.own; do
    [ ! -e "$file" ] || mv "$file" "${file%.own}"
done
exit $status
OWN_DPKG
    printf '[ "$2" = dpkg ] || exec chroot "$@"\nexec "%s/own-dpkg" "$1" "${@:3}"\n' "$WORK" >>"$WORK/in-root"
    chmod +x "$WORK/own-dpkg" "$WORK/in-root"
    sed "s#CHROOT_CMD=\"chroot #CHROOT_CMD=\"$WORK/in-root #" "$(command -v debootstrap)" >"$WORK/debootstrap"
}

system() {
    own_dpkg
    if [ ! -x "$CHROOT/usr/bin/python3" ]; then
        timeout 5400 sh "$WORK/debootstrap" --arch=arm64 --variant=minbase \
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

# The same in a network namespace of its own, which has no network.
inside_offline() {
    local seconds=$1
    shift
    nice -n "$NICENESS" timeout "$seconds" unshare --net chroot "$CHROOT" /usr/bin/env -i HOME=/root LANG=C.UTF-8 \
        PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin "$@"
}

run_installer() {
    if [ -z "$BUNDLE" ]; then
        inside 1800 /opt/source/hardware/install/install.sh
    else
        rm -rf "$CHROOT/opt/unpacked" && mkdir "$CHROOT/opt/unpacked" && tar -xf "$BUNDLE" -C "$CHROOT/opt/unpacked" &&
            inside_offline 1800 /bin/sh -c 'exec /opt/unpacked/*/install.sh'
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
import glob, os, sys
began = os.getcwd()
import lgpio  # goes to LG_WD itself
sys.exit(not (glob.glob("/tmp/pipes/.lgd-nfy*") and not glob.glob(os.path.join(began, ".lgd-nfy*"))))
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

in_force() { readlink "$CHROOT/opt/condenser-monitor/current"; }

# A version that lost a library is replaced by the same command; nothing goes back to the damaged one.
repaired() {
    local damaged said
    damaged=$(in_force)
    rm -r "$CHROOT/opt/condenser-monitor/current/lib"/python3*/site-packages/msgspec || return 1
    ! as_service_user --help 2>/dev/null || return 1
    run_installer && [ "$(in_force)" != "$damaged" ] && as_service_user --version || return 1
    said=$(inside_offline 300 condenser-monitor-rollback 2>&1) && return 1
    echo "$said"
    [[ $said == *"$damaged does not start"* ]] && [ "$(in_force)" != "$damaged" ]
}

upgraded() {
    mkdir -p "$CHROOT/var/lib/condenser-monitor"
    echo kept >"$CHROOT/var/lib/condenser-monitor/witness"
    echo '# mine' >>"$CHROOT/etc/condenser-monitor/site.toml"
    local before
    before=$(in_force)
    run_installer && bus_speed 1 && [ "$(in_force)" != "$before" ] && kept
}

kept() {
    [ "$(cat "$CHROOT/var/lib/condenser-monitor/witness")" = kept ] && grep -q '# mine' "$CHROOT/etc/condenser-monitor/site.toml"
}

went_back() {
    local newer
    newer=$(in_force)
    inside_offline 300 condenser-monitor-rollback && [ "$(in_force)" != "$newer" ] && as_service_user --version &&
        inside_offline 300 condenser-monitor-rollback && [ "$(in_force)" = "$newer" ] && kept
}

removed() {
    inside 60 /opt/source/hardware/install/remove.sh && kept && bus_speed 0 && [ ! -e "$CHROOT/opt/condenser-monitor" ] &&
        grep -q 'restart condenser-monitor.service' "$CHROOT/var/log/systemctl-asked"
}

test_suite() {
    inside 1200 /opt/condenser-monitor/current/bin/python -m pip install -q --no-cache-dir \
        pytest hypothesis numpy scipy || return 1
    # shellcheck disable=SC2086  # several paths
    inside 3000 /bin/sh -c "cd /opt/source && exec /opt/condenser-monitor/current/bin/python -m pytest -p no:cacheprovider $TESTS"
}

# Debian packages for the root directory: this machine's apt chooses and fetches them, and its dpkg lays them out. An
# emulated apt would read its lists for minutes. No initial disk: try-system.py makes it itself.
packages() {
    local config=$CHROOT.apt.conf
    mkdir -p "$WORK/no-parts" # no questions asked before: that too would run in the emulator
    printf '#!/bin/bash\nexec "%s/own-dpkg" "%s" "$@"\n' "$WORK" "$CHROOT" >"$CHROOT.dpkg"
    chmod +x "$CHROOT.dpkg"
    cat >"$config" <<APT
Dir "$CHROOT/";
Dir::Etc::Parts "$WORK/no-parts";
Dir::Bin::dpkg "$CHROOT.dpkg";
APT::Architecture "arm64";
APT::Architectures "arm64";
APT::Sandbox::User "root";
Acquire::Languages "none";
APT
    LC_ALL=C.UTF-8 DEBIAN_FRONTEND=noninteractive INITRD=No APT_CONFIG=$config timeout 5400 \
        apt-get -y --no-install-recommends "$@"
}

# Does something in a copy of the bare root directory, which stays as it is; to be run in a subshell.
in_copy() {
    rm -rf "$1" && cp -ax "$CHROOT" "$1" && mount -t proc proc "$1/proc" || return 1
    CHROOT=$1
    packages update && "$2"
    local status=$?
    umount "$CHROOT/proc"
    return $status
}

# What can be booted: systemd, kernel, a broker.
bootable() {
    packages install systemd-sysv udev kmod busybox-static i2c-tools mosquitto linux-image-arm64 || return 1
    depmod -b "$CHROOT" "$(basename "$CHROOT"/usr/lib/modules/*)" || return 1
    [ -z "$PACKAGE" ] || packages satisfy "$(dpkg-deb -f "$PACKAGE" Depends)"
}

# The libraries as a bundle has them, fetched by this machine's pip, with what builds the program's own wheel. The pin
# library alone is compiled in the emulator, where the index has no ready build of it (Debian 13's Python).
library_builds() {
    local version pip=("${PYTHON:-python3}" -m pip --quiet --disable-pip-version-check) kinds=() ready=$WORK/pin-library
    version=$(inside 60 python3 -c 'import sys; print("%d.%d" % sys.version_info[:2])') || return 1
    for kind in linux manylinux2014 manylinux_2_28 manylinux_2_34; do kinds+=("--platform=${kind}_aarch64"); done
    rm -rf "$ready" "$WORK/bundle" "$WORK/builds" && mkdir "$ready" "$WORK/builds"
    "${pip[@]}" download --no-deps --only-binary=:all: --python-version "$version" "${kinds[@]}" --dest "$ready" 'lgpio>=0.2.2' \
        2>/dev/null || in_copy "$WORK/for-builds" pin_library || return 1
    "$HERE/build-bundle.sh" "$WORK/bundle" --builds "$ready" --python "$version" || return 1
    tar -xf "$WORK/bundle"/*.tar -C "$WORK/builds" --strip-components 2 --wildcards --exclude 'condenser_monitor-*' '*/bundle/*.whl' &&
        "${pip[@]}" download --dest "$WORK/builds" 'hatchling>=1.27'
}
pin_library() {
    packages install python3-pip python3-setuptools swig gcc libc6-dev python3-dev || return 1
    inside 2400 env PYPI=1 python3 -m pip wheel -q --no-cache-dir --no-deps --no-build-isolation -w /opt/builds 'lgpio>=0.2.2' || return 1
    mv "$CHROOT"/opt/builds/lgpio-*.whl "$WORK/pin-library/"
}

register
step "Debian $SUITE, arm64" system || exit 1
step "groups, source" stage || exit 1
if [ -n "$SYSTEM" ]; then
    umount "$CHROOT/proc" "$CHROOT/dev/shm" # copies are made
    step "the libraries' builds" library_builds &
    builds=$!
    (step "a copy that can be booted" in_copy "$WORK/system" bootable)
    status=$?
    wait $builds || status=1
    [ $status != 0 ] || rm -rf "$WORK/for-builds"
    [ -n "$ALL" ] && [ $status = 0 ] || exit $status
    BUNDLE=$(echo "$WORK"/bundle/*.tar)
    system || exit 1
fi
step "install.sh" run_installer || exit 1
step "libraries, native lgpio included" libraries
step "the pin library's pipe lies where the unit file says" pin_librarys_pipe
step "replay as the service's user finds the fault" replay
step "the bus's speed is in config.txt" bus_speed 1
step "a walk through the senses by hand, in software" walk_by_hand
[ -z "$TESTS" ] || step "tests: $TESTS" test_suite
step "a damaged version is replaced, and not gone back to" repaired
step "upgrade; site file and history kept" upgraded
step "back to the version before and forward again, offline" went_back
step "removal; site file and history kept" removed
echo
cat "$RESULTS"
! grep -q FAILED "$RESULTS"
