#!/bin/bash
# Installs or upgrades condenser-monitor on Raspberry Pi OS 64-bit (Debian 12 or 13). Run as root from anywhere:
#
#     sudo hardware/install/install.sh
#
# What it makes:  /opt/condenser-monitor/        the program, each version in a directory of its own
#                 /etc/condenser-monitor/        the site file; an existing one is never touched
#                 /var/lib/condenser-monitor/    the history; never touched
#                 two services                   condenser-monitor and condenser-monitor-page
#                 /usr/local/bin/                the command, as a link
# A new version is made ready beside the old one and tried before it takes over; if anything fails, the old one goes on.
# The network is needed while installing, not afterwards.
set -euo pipefail

NAME=condenser-monitor
HERE=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
SOURCE=$(cd "$HERE/../.." && pwd)
ROOT=
START=yes
PYTHON=${PYTHON:-python3}

usage() {
    cat <<TEXT
usage: install.sh [--from SOURCE] [--no-start] [--root DIRECTORY]
  --from SOURCE      a source directory or a wheel (default: where this script lies)
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
        --from) [ $# -ge 2 ] || die "--from needs a directory or a wheel"; SOURCE=$(realpath -- "$2"); shift ;;
        --root) [ $# -ge 2 ] || die "--root needs a directory"; ROOT=$(realpath -m -- "$2"); START=no; shift ;;
        --no-start) START=no ;;
        -h | --help) usage; exit 0 ;;
        *) usage >&2; die "unknown argument: $1" ;;
    esac
    shift
done

OPT=$ROOT/opt/$NAME
ETC=$ROOT/etc/$NAME
UNITS=$ROOT/etc/systemd/system
WHEELS=$OPT/wheels
BIN=$ROOT/usr/local/bin

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
    getent passwd "$NAME" >/dev/null ||
        useradd --system --user-group --home-dir "/var/lib/$NAME" --no-create-home --shell /usr/sbin/nologin "$NAME"
    usermod --append --groups gpio,i2c "$NAME"
}

# The bus is off on a fresh card.
enable_i2c() {
    if command -v raspi-config >/dev/null; then
        raspi-config nonint do_i2c 0 || echo "install.sh: could not switch on I2C; do it with raspi-config" >&2
    elif ! compgen -G '/dev/i2c-*' >/dev/null; then
        echo "install.sh: no I2C bus here; switch it on before fitting the boards" >&2
    fi
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
    pin_library "$release"
    "$release/bin/python" -m pip install --no-cache-dir --disable-pip-version-check --quiet \
        --find-links "$WHEELS" "${from}[web]"
}

# The new version must at least start, and read the site file it will be given.
try_out() {
    local release=$1 site=$2
    "$release/bin/$NAME" --help >/dev/null
    "$release/bin/python" - "$site" <<'PYTHON'
import sys
from monitor.config import load
from monitor.errors import SiteError
try:
    load(sys.argv[1])
except SiteError as error:
    sys.exit(f"install.sh: {error}")
PYTHON
}

switch_to() {
    local release=$1
    ln -sfn "$(basename "$release")" "$OPT/current.new"
    mv -T "$OPT/current.new" "$OPT/current"
}

# Keeps the version in force and the one before it.
tidy() {
    local keep old
    keep=$(basename "$1")
    for old in $(find "$OPT" -maxdepth 1 -name 'release-*' -printf '%f\n' | sort -r | grep -vx "$keep" | tail -n +2); do
        rm -rf -- "${OPT:?}/$old"
    done
}

clean_up() {
    local status=$?
    rm -rf -- "$WORK"
    [ $status = 0 ] || [ -z "$FAILED" ] || rm -rf -- "$FAILED"
    exit $status
}

# The old version takes over again when the new one does not come up; with no old one, the new one stays.
start() {
    systemctl daemon-reload
    systemctl enable --quiet "$NAME.service" "$NAME-page.service"
    [ "$START" = yes ] || return 0
    if systemctl restart "$NAME.service" "$NAME-page.service"; then
        say "running; see: systemctl status $NAME"
        return 0
    fi
    if [ -n "$BEFORE" ]; then
        switch_to "$OPT/$BEFORE"
        FAILED=$RELEASE
        systemctl restart "$NAME.service" "$NAME-page.service" || true
        die "the new version does not start; back to $BEFORE. See: journalctl -u $NAME"
    fi
    die "installed, but it does not start. See: journalctl -u $NAME"
}

[ -n "$ROOT" ] || check_machine
check_python
WORK=$(mktemp -d)
BEFORE=$(readlink "$OPT/current" || true)
RELEASE=$OPT/release-$(date -u +%Y%m%d%H%M%S)-$$
FAILED=$RELEASE # what to remove when something fails
trap clean_up EXIT

say "making the new version ready in ${RELEASE#"$ROOT"}"
mkdir -p "$OPT" "$WHEELS" "$ETC" "$UNITS"
build "$RELEASE"
if [ ! -e "$ETC/site.toml" ]; then
    install -m 0640 "$HERE/site.toml" "$ETC/site.toml"
    say "wrote /etc/$NAME/site.toml: enter the nameplate there"
fi
try_out "$RELEASE" "$ETC/site.toml"

say "putting it in force"
if [ -z "$ROOT" ]; then
    make_user
    chown root:"$NAME" "$ETC" "$ETC/site.toml"
    chmod 0750 "$ETC"
    chmod 0640 "$ETC/site.toml"
    enable_i2c
fi
switch_to "$RELEASE"
FAILED=
mkdir -p "$BIN"
ln -sfn "/opt/$NAME/current/bin/$NAME" "$BIN/$NAME"
install -m 0644 "$HERE/$NAME.service" "$HERE/$NAME-page.service" "$UNITS/"
[ -n "$ROOT" ] || start
tidy "$RELEASE"
say "done"
