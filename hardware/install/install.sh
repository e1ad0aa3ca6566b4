#!/bin/bash
# Installs or upgrades condenser-monitor on Raspberry Pi OS 64-bit (Debian 12 or 13). Run as root from anywhere:
#
#     sudo hardware/install/install.sh
#
# What it makes:  /opt/condenser-monitor/        the program, each version in a directory of its own
#                 /etc/condenser-monitor/        the site file; an existing one is never touched
#                 /var/lib/condenser-monitor/    the history; never touched
#                 two services                   condenser-monitor and condenser-monitor-page
#                 /usr/local/bin/                the command, as a link; one that runs it by hand; one that goes back
#                 /usr/local/share/              its manual page, and its completion for bash, zsh and fish
#                 config.txt of the Pi           the speed of the I2C bus, unless it sets one already
# A new version is made ready beside the old one and tried, as the services' user, before it takes over. If anything
# fails, the old one goes on; a first install that fails leaves nothing behind.
# The network is needed while installing, not afterwards; not at all from a bundle (build-bundle.sh): there a folder
# `bundle` lies beside this script.
set -euo pipefail
# Whatever root's own mask is: the services' user must be able to read the program, and nobody but root to write it.
umask 022

NAME=condenser-monitor
HERE=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
SOURCE=$(cd "$HERE/../.." && pwd)
ROOT=
FROM=
PINS=
PLUGINS=yes
START=yes
REBOOT=no
PYTHON=${PYTHON:-python3}

usage() {
    cat <<TEXT
usage: install.sh [--from SOURCE] [--pins FILE] [--without-plugins] [--no-start] [--root DIRECTORY]
  --from SOURCE      a source directory or a wheel (default: the bundle beside this script, or where it lies)
  --pins FILE        install the packages that FILE names and no others, each held to its hash; wants a wheel. What an
                     installation was made of lies in such a file: /opt/condenser-monitor/current/pins.txt
  --without-plugins  leave behind the plug-ins that the version in force has; they come along otherwise
  --no-start         install, but start nothing
  --root DIRECTORY   stage everything below DIRECTORY, to look at; no user, no service, nothing started
TEXT
}

die() {
    echo "install.sh: $*" >&2
    exit 1
}

say() { echo "== $*"; }

while [ $# -gt 0 ]; do
    case $1 in
        --from) [ $# -ge 2 ] || die "--from needs a directory or a wheel"; SOURCE=$(realpath -- "$2"); FROM=$2; shift ;;
        --pins) [ $# -ge 2 ] || die "--pins needs a file"; PINS=$(realpath -- "$2"); shift ;;
        --root) [ $# -ge 2 ] || die "--root needs a directory"; ROOT=$(realpath -m -- "$2"); START=no; shift ;;
        --without-plugins) PLUGINS=no ;;
        --no-start) START=no ;;
        -h | --help) usage; exit 0 ;;
        *) usage >&2; die "unknown argument: $1" ;;
    esac
    shift
done

BUNDLE=$HERE/bundle
if [ -d "$BUNDLE" ] && [ -z "$FROM$PINS" ]; then
    [ "$(cat "$BUNDLE/for")" = "$("$PYTHON" -c 'import sys; print("%d.%d" % sys.version_info[:2])') $(uname -m)" ] ||
        die "this bundle is for Python and processor $(cat "$BUNDLE/for"), which are others here"
    SOURCE=$(echo "$BUNDLE"/condenser_monitor-*.whl)
    PINS=$BUNDLE/pins.txt
    export PIP_NO_INDEX=1 PIP_FIND_LINKS=$BUNDLE
fi
if [ -n "$PINS" ]; then
    [ -r "$PINS" ] || die "--pins: no readable file $PINS"
    [ -f "$SOURCE" ] || die "--pins wants a wheel (--from): to build one, tools are fetched that no pin holds"
fi

OPT=$ROOT/opt/$NAME
ETC=$ROOT/etc/$NAME
DATA=$ROOT/var/lib/$NAME
WHEELS=$OPT/wheels
UNDO=() # what to take away again when a first install fails, newest first

check_machine() {
    [ "$(id -u)" = 0 ] || die "run it as root: sudo $0"
    [ "$(getconf LONG_BIT)" = 64 ] || die "a 64-bit system is needed; this one is $(getconf LONG_BIT)-bit"
    local version
    # shellcheck source=/dev/null
    version=$(. /etc/os-release && echo "${ID:-} ${ID_LIKE:-} ${VERSION_ID:-}")
    case $version in
        *debian*12 | *debian*13) ;;
        *) echo "install.sh: made for Debian 12 and 13; this is: $version. Going on." >&2 ;;
    esac
    local group
    for group in gpio i2c; do
        getent group "$group" >/dev/null || die "no group '$group' here: is this Raspberry Pi OS?"
    done
}

# The venv module is a package of its own in Debian; everything else the program needs comes with pip.
check_python() {
    if ! "$PYTHON" -c 'import ensurepip, venv' 2>/dev/null; then
        [ -z "$ROOT" ] || die "$PYTHON has no venv module"
        say "installing python3-venv"
        apt-get update
        apt-get install -y --no-install-recommends python3-venv
    fi
    "$PYTHON" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || die "Python 3.11 or newer is needed"
}

make_user() {
    if ! getent passwd "$NAME" >/dev/null; then
        useradd --system --user-group --home-dir "/var/lib/$NAME" --no-create-home --shell /usr/sbin/nologin "$NAME"
        UNDO=("userdel $NAME" "${UNDO[@]}")
    fi
    usermod --append --groups gpio,i2c "$NAME"
}

# A folder with those above it that are missing.
folder() {
    [ -d "$1" ] && return 0
    folder "$(dirname "$1")"
    mkdir "$1"
    UNDO=("rmdir $(printf %q "$1")" "${UNDO[@]}")
}

# The bus is off on a fresh card.
enable_i2c() {
    if command -v raspi-config >/dev/null; then
        raspi-config nonint do_i2c 0 || echo "install.sh: could not switch on I2C; do it with raspi-config" >&2
    elif ! compgen -G '/dev/i2c-*' >/dev/null; then
        echo "install.sh: no I2C bus here; switch it on before fitting the boards" >&2
    fi
}

# The boards' bus runs at 400 kHz; a Pi's default of 100 kHz serves too, with less to spare. In force from the next start.
set_bus_speed() {
    local config running=/sys/class/i2c-adapter/i2c-1/of_node/clock-frequency now=none
    for config in "$ROOT/boot/firmware/config.txt" "$ROOT/boot/config.txt"; do
        if [ ! -f "$config" ] || grep -q 'DO NOT EDIT THIS FILE' "$config"; then
            continue
        fi
        say "$("$HERE/bus-speed.sh" set "$config")"
        [ ! -r "$running" ] || now=$((16#$(od -An -tx1 "$running" | tr -d ' ')))
        [ "$now" = "$("$HERE/bus-speed.sh" show "$config")" ] || REBOOT=yes
        return 0
    done
}

# The pin library has no ready-made build for every Python (Debian 13: none for 3.13). Where none can be had it is built
# once, with its C library inside, and kept for the next upgrade.
pin_library() {
    local pip=("$1/bin/python" -m pip --disable-pip-version-check --quiet)
    [ "$(uname -m)" = aarch64 ] || return 0
    mkdir -p "$WHEELS"
    if "${pip[@]}" download --no-cache-dir --no-deps --only-binary lgpio --find-links "$WHEELS" --dest "$WORK" \
        'lgpio>=0.2.2' 2>/dev/null; then
        return 0
    fi
    say "building the pin library"
    apt-get update
    apt-get install -y --no-install-recommends swig gcc libc6-dev python3-dev
    PYPI=1 "${pip[@]}" wheel --no-cache-dir --no-deps --wheel-dir "$WHEELS" 'lgpio>=0.2.2'
}

# A copy, so that building leaves nothing in the source directory.
build() {
    local release=$1 from=$SOURCE
    "$PYTHON" -m venv "$release"
    if [ -d "$SOURCE" ]; then
        [ -f "$SOURCE/pyproject.toml" ] || die "no pyproject.toml in $SOURCE"
        from=$WORK/source
        mkdir "$from"
        (cd "$SOURCE" && tar --exclude-vcs --exclude=__pycache__ --exclude=tests --exclude=build --exclude=.venv -cf - .) |
            tar --warning=no-timestamp -xf - -C "$from"
    fi
    local pip=("$release/bin/python" -m pip --disable-pip-version-check --quiet install --find-links "$WHEELS")
    from+="[web,phone,report,completion]"
    if [ -n "$PINS" ]; then
        "${pip[@]}" --no-cache-dir --no-deps --require-hashes --requirement "$PINS"
        "${pip[@]}" --no-index "$from" # fails where FILE lacks a package
        cp -- "$PINS" "$release/pins.txt"
        return 0
    fi
    pin_library "$release"
    "${pip[@]}" --no-cache-dir --report "$WORK/report.json" "$from"
    "$release/bin/python" - "$WORK/report.json" >"$release/pins.txt" <<'PYTHON'
import json
import sys

with open(sys.argv[1], encoding="utf-8") as report:
    installed = json.load(report)["install"]
for one in installed:
    archive, about = one["download_info"].get("archive_info", {}), one["metadata"]
    digest = archive.get("hashes", {}).get("sha256") or archive.get("hash", "").partition("=")[2]
    if digest and not one["is_direct"]:
        print(f"{about['name']}=={about['version']} --hash=sha256:{digest}")
PYTHON
}

# The owner's plug-ins go along: packed again from the version in force, or from wheels that lie in $WHEELS, or from the
# index. One that cannot be had stops the upgrade while nothing has changed.
carry_plugins() {
    local release=$1 list=$WORK/plugins.txt one missing=() pip
    [ -n "$BEFORE" ] && [ "$PLUGINS" = yes ] || return 0
    "$release/bin/python" -I -B "$HERE/added-packages.py" "$WORK/plugins" "$OPT/$BEFORE"/lib/python3*/site-packages >"$list"
    [ -s "$list" ] || return 0
    echo "$NAME==$("$release/bin/python" -I -c "from importlib.metadata import version; print(version('$NAME'))")" >"$WORK/held"
    pip=("$release/bin/python" -m pip --disable-pip-version-check --quiet install --constraint "$WORK/held"
        --find-links "$WORK/plugins" --find-links "$WHEELS")
    while read -r one; do
        if "${pip[@]}" --no-index "$one" 2>/dev/null </dev/null || "${pip[@]}" --no-cache-dir "$one" </dev/null; then
            say "plug-in $one comes along"
        else
            missing+=("$one")
        fi
    done <"$list"
    [ ${#missing[@]} = 0 ] || die "the new version would lack the plug-ins ${missing[*]}, which can neither be taken from the" \
        "version in force nor be had from an index. Put their wheels into /opt/$NAME/wheels, or go without them:" \
        "--without-plugins (their [plugins.NAME] then has to go from the site file). Nothing has changed."
}

# The new version must start and read the site file it will be given, as the user whom the services run as. Whoever
# installs may have set a mask or an access list under which root can and that user cannot.
try_out() {
    local release=$1 site=$2 odd as=()
    odd=$(find "$release" ! -type l \( -perm /022 -o ! -perm -444 -o -type d ! -perm -111 \) -print -quit)
    [ -z "$odd" ] || die "$odd must be readable by everybody and writable by root alone"
    [ -n "$ROOT" ] || as=(runuser -u "$NAME" --)
    (cd / && "${as[@]}" "$release/bin/$NAME" --help >/dev/null) || die "the new version does not start as user $NAME"
    (cd / && "${as[@]}" "$release/bin/python" -B - "$site") <<'PYTHON'
import sys
from condenser_monitor.monitor import plugins
from condenser_monitor.monitor.core.config import load
from condenser_monitor.monitor.core.errors import SiteError
try:
    plugins.install_findings(load(sys.argv[1]), sys.argv[1])  # refuses a table that no package is for, of any kind
except SiteError as error:
    sys.exit(f"install.sh: {error}")
PYTHON
}

# What a version puts outside its own directory lies within it under `system`, so that going back brings its own:
# services, commands, manual page, completion.
gather() {
    local program=$1/bin/$NAME system=$1/system share
    share=$system/usr/local/share
    mkdir -p "$system/etc/systemd/system" "$system/usr/local/bin" "$share/man/man1" "$share/zsh/site-functions" \
        "$share/bash-completion/completions" "$share/fish/vendor_completions.d"
    "$program" installer "$WORK/written" >/dev/null # one start of the program for all four
    install -m 0644 "$WORK/written/$NAME.1" "$share/man/man1/$NAME.1"
    install -m 0644 "$WORK/written/completion.bash" "$share/bash-completion/completions/$NAME"
    install -m 0644 "$WORK/written/completion.zsh" "$share/zsh/site-functions/_$NAME"
    install -m 0644 "$WORK/written/completion.fish" "$share/fish/vendor_completions.d/$NAME.fish"
    ln -s "/opt/$NAME/current/bin/$NAME" "$system/usr/local/bin/$NAME"
    install -m 0755 "$HERE/by-hand.sh" "$system/usr/local/bin/$NAME-by-hand"
    install -m 0755 "$HERE/rollback.sh" "$system/usr/local/bin/$NAME-rollback"
    install -m 0644 "$HERE/$NAME.service" "$HERE/$NAME-page.service" "$system/etc/systemd/system/"
}

# A version of before this was kept gets what it had put outside, so that one can go back to it too.
put_in_force() {
    local release=$1 path kept=
    [ -z "$BEFORE" ] || [ -d "$OPT/$BEFORE/system" ] || kept=$OPT/$BEFORE/system
    while read -r path; do
        folder "$ROOT/$(dirname "$path")"
        if [ ! -e "$ROOT/$path" ] && [ ! -L "$ROOT/$path" ]; then
            UNDO=("rm -f -- $(printf %q "$ROOT/$path")" "${UNDO[@]}")
        elif [ -n "$kept" ]; then
            mkdir -p "$kept/$(dirname "$path")"
            cp -a -- "$ROOT/$path" "$kept/$path"
        fi
    done < <(cd "$release/system" && find . ! -type d -printf '%P\n')
    cp -r --no-dereference --remove-destination "$release/system/." "$ROOT/"
    switch_to "$release"
}

switch_to() {
    ln -sfn "$(basename "$1")" "$OPT/current.new"
    mv -T "$OPT/current.new" "$OPT/current"
}

# Keep the new version and the one that was in force until now, whatever their dates: after going back that is not the
# newest but one. `previous` is where `rollback.sh` goes.
tidy() {
    local keep=$1 before=$2 old
    if [ -n "$before" ] && [ "$before" != "$keep" ]; then
        ln -sfn "$before" "$OPT/previous"
    fi
    for old in "$OPT"/release-*; do
        case $(basename "$old") in
            "$keep" | "$before") ;;
            *) rm -rf -- "${old:?}" ;;
        esac
    done
}

# After a failure: the version before is in force again, with its own files and the history as it was handed over; without
# one, everything that this run made goes.
clean_up() {
    local status=$? step
    trap - EXIT
    trap '' HUP INT TERM # what was begun is taken back to its end
    rm -rf -- "$WORK"
    if [ $status != 0 ] && [ -n "$FAILED" ]; then
        if [ "$(readlink "$OPT/current")" = "$(basename "$FAILED")" ]; then
            put_back
        fi
        rm -rf -- "$FAILED"
        if [ -z "$BEFORE" ]; then
            for step in "${UNDO[@]}"; do
                eval "$step" 2>/dev/null || true
            done
        fi
    fi
    [ -z "$HANDED_OVER" ] || rm -rf -- "$HANDED_OVER" "$HANDED_OVER.part"
    exit $status
}

put_back() {
    if [ -z "$BEFORE" ]; then
        [ -n "$ROOT" ] || systemctl disable --now --quiet "$NAME-page.service" "$NAME.service" || true
        rm -f -- "$OPT/current"
        return 0 # a bare return in a trap gives the status from before it, and that would end the clean-up here
    fi
    [ ! -d "$OPT/$BEFORE/system" ] || cp -r --no-dereference --remove-destination "$OPT/$BEFORE/system/." "$ROOT/"
    switch_to "$OPT/$BEFORE"
    [ -z "$ROOT" ] || return 0
    systemctl daemon-reload
    [ "$START" = yes ] || return 0
    systemctl stop "$NAME.service" "$NAME-page.service" || true
    if [ -d "$HANDED_OVER" ]; then # a newer version may have given it a form that the older one cannot read
        if ! { find "$DATA" -mindepth 1 -delete && cp -a -- "$HANDED_OVER/." "$DATA/"; }; then
            echo "install.sh: the history as it was lies in $HANDED_OVER; copy it to $DATA" >&2
            HANDED_OVER=
        fi
    fi
    systemctl restart "$NAME.service" "$NAME-page.service" || true
}

# The watch of 0.1.0 kept its history in memory, which its end empties: what it has by now goes on the card.
rescue_history() {
    local begun=$ROOT/run/$NAME/$NAME.db
    [ -s "$begun" ] && [ ! -e "$DATA/$NAME.db" ] || return 0
    mkdir -p "$DATA"
    "$1/bin/python" -I -c 'import sqlite3, sys; sqlite3.connect(sys.argv[1]).backup(sqlite3.connect(sys.argv[2]))' \
        "$begun" "$DATA/$NAME.db" || return 0
    chmod 0600 "$DATA/$NAME.db"
    [ -n "$ROOT" ] || chown "$NAME:" "$DATA" "$DATA/$NAME.db"
    say "the history that the version before kept in memory is saved"
}

start() {
    systemctl daemon-reload
    systemctl enable --quiet "$NAME.service" "$NAME-page.service"
    [ "$START" = yes ] || return 0
    if [ -n "$BEFORE" ] && [ -d "$DATA" ]; then
        systemctl stop "$NAME.service" "$NAME-page.service"
        cp -a -- "$DATA" "$HANDED_OVER.part"
        mv -- "$HANDED_OVER.part" "$HANDED_OVER"
    fi
    systemctl restart "$NAME.service" "$NAME-page.service" ||
        die "the new version does not come up; ${BEFORE:+back to }${BEFORE:-it is removed again}. See: journalctl -u $NAME"
    say "running; see: systemctl status $NAME"
}

[ -n "$ROOT" ] || check_machine
check_python
WORK=$(mktemp -d)
BEFORE=$(readlink "$OPT/current" || true)
[ -z "$BEFORE" ] || [ -d "$OPT/$BEFORE" ] || BEFORE=
RELEASE=$OPT/release-$(date -u +%Y%m%d%H%M%S)-$$
FAILED=$RELEASE # what to remove when something fails
HANDED_OVER=$OPT/handed-over-$$
trap clean_up EXIT
# Without these the shell would leave with the status of its last command, and a run cut short would pass for a good one.
# A signal to the shell alone waits for the step in hand.
trap 'exit 129' HUP
trap 'exit 130' INT
trap 'exit 143' TERM

say "making the new version ready in ${RELEASE#"$ROOT"}"
[ -n "$ROOT" ] || make_user
folder "$WHEELS"
folder "$ETC"
if [ -z "$BEFORE" ]; then
    UNDO=("rm -rf -- $(printf %q "$WHEELS")" "${UNDO[@]}")
    [ -n "$ROOT" ] || [ -e "$DATA" ] || UNDO=("rm -rf -- $DATA" "${UNDO[@]}")
fi
build "$RELEASE"
carry_plugins "$RELEASE"
if [ ! -e "$ETC/site.toml" ]; then
    install -m 0640 "$HERE/site.toml" "$ETC/site.toml"
    UNDO=("rm -f -- $(printf %q "$ETC/site.toml")" "${UNDO[@]}")
    say "wrote /etc/$NAME/site.toml: enter the nameplate there"
fi
if [ -z "$ROOT" ]; then
    chown root:"$NAME" "$ETC" "$ETC/site.toml"
    chmod 0750 "$ETC"
    chmod 0640 "$ETC/site.toml"
fi
gather "$RELEASE"
try_out "$RELEASE" "$ETC/site.toml"

say "putting it in force"
if [ -z "$ROOT" ]; then
    enable_i2c
fi
rescue_history "$RELEASE"
put_in_force "$RELEASE"
[ -n "$ROOT" ] || start
FAILED=
BEFORE=${BEFORE:-$(basename "$RELEASE")} # from here on there is something to keep
set_bus_speed
tidy "$(basename "$RELEASE")" "$BEFORE"
[ "$REBOOT" = no ] || [ -n "$ROOT" ] || say "restart the Pi once (sudo reboot): its I2C bus still runs at another speed"
say "done"
