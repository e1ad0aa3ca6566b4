#!/bin/bash
# Builds a Debian package of the program, for Debian 13 or 12 and Raspberry Pi OS on it:
#
#     hardware/install/build-deb.sh FOLDER [--from WHEEL]
#     hardware/install/build-deb.sh FOLDER [--from WHEEL] --debian 12 [--machine aarch64|x86_64] [--builds DIRECTORY]
#
# From the source this script lies in, or WHEEL. What Debian has and has new enough comes from Debian, with its security
# updates; the rest is put into the package. For Debian 13 that is the converter's driver and what it stands on, at the
# newest version that suits: all of it plain Python, so one package for every machine. Debian 12 lacks more, some of it
# compiled: that package is for one kind of machine (aarch64: a Pi) and Debian 12's Python, and what it carries comes
# from the wheels of a bundle (build-bundle.sh, which DIRECTORY is for too). Its number sorts before that for Debian 13,
# which therefore upgrades it. Network is needed for building only.
set -euo pipefail
umask 022

NAME=condenser-monitor
HERE=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
SOURCE=$(cd "$HERE/../.." && pwd)
PYTHON=${PYTHON:-python3}
DEBIAN=13
MACHINE=
BUILDS=()
# what no Debian has, or not new enough
CARRIED=(
    adafruit-circuitpython-ads1x15 adafruit-extended-bus adafruit-blinka adafruit-platformdetect adafruit-pureio
    adafruit-circuitpython-busdevice adafruit-circuitpython-typing adafruit-circuitpython-requests
    adafruit-circuitpython-connectionmanager gpiozero colorzero logging-journald
)
DEPENDS=(adduser "python3-pkg-resources | python3-setuptools" "python3-typing-extensions (>= 4.0)")
DEPENDS_13=(
    "python3 (>= 3.11)" "python3-msgspec (>= 0.18)" "python3-paho-mqtt (>= 2.0)" "python3-sysv-ipc (>= 1.1.0)"
    "python3-flask (>= 3.0)" "python3-waitress (>= 3.0.1)" "python3-werkzeug (>= 3.0.6)" "python3-jinja2 (>= 3.1.6)"
    "python3-segno (>= 1.6)" "python3-reportlab (>= 4.0)"
)
RECOMMENDS_13=("python3-lgpio (>= 0.2.2)" "apprise (>= 1.8)")
# what Debian 12 has not, or not new enough; the libraries of its own that this stands on
CARRIED_12=(msgspec paho-mqtt sysv-ipc flask werkzeug jinja2 itsdangerous blinker waitress segno reportlab apprise)
PYTHON_12=3.11
DEPENDS_12=(
    "python3 (>= $PYTHON_12)" "python3 (<< 3.12)" "libc6 (>= 2.34)" "python3-click (>= 8.1.3)"
    "python3-markupsafe (>= 2.1.1)" "python3-pil (>= 9.0)" python3-charset-normalizer python3-requests
    python3-requests-oauthlib python3-urllib3 python3-markdown python3-yaml python3-certifi
)
# who builds it puts his own here, as for Debian's tools
MAINTAINER="${DEBFULLNAME:-condenser-monitor} <${DEBEMAIL:-nobody@example.org}>"

die() {
    echo "build-deb.sh: $*" >&2
    exit 1
}

[ $# -ge 1 ] && [[ $1 != --* ]] || die "into which folder? It comes first; see the head of this file"
OUT=$(realpath -m -- "$1")
shift
WHEEL=
while [ $# -gt 0 ]; do
    case $1 in
        --from | --debian | --machine | --builds) [ $# -ge 2 ] || die "$1 needs a value" ;;
        *)
            die "unknown argument: $1" \
                "(allowed: --from WHEEL, --debian 12|13, --machine aarch64|x86_64, --builds DIRECTORY)"
            ;;
    esac
    case $1 in
        --from) [ -f "$2" ] || die "--from $2: no such file"; WHEEL=$(realpath -- "$2") ;;
        --debian) DEBIAN=$2 ;;
        --machine) MACHINE=$2 ;;
        --builds) [ -d "$2" ] || die "--builds $2: no such directory"; BUILDS=(--builds "$2") ;;
    esac
    shift 2
done
case $DEBIAN in
    12) MACHINE=${MACHINE:-aarch64} ;;
    13)
        [ -z "$MACHINE${BUILDS[*]}" ] ||
            die "--machine and --builds go with --debian 12: the package for 13 is for every machine"
        ;;
    *) die "--debian $DEBIAN: there is a package for Debian 12 and one for 13" ;;
esac
case $MACHINE in
    "") ARCHITECTURE=all ;;
    aarch64) ARCHITECTURE=arm64 CARRIED_12+=(lgpio) ;;
    x86_64) ARCHITECTURE=amd64 ;; # for trials: a Pi's pins are not there
    *) die "--machine $MACHINE: allowed are aarch64 and x86_64" ;;
esac
WORK=$(mktemp -d)
trap 'rm -rf -- "$WORK"' EXIT
mkdir -p "$OUT"

if [ -z "$WHEEL" ]; then
    "$PYTHON" -m pip wheel --quiet --no-deps --wheel-dir "$WORK" "$SOURCE"
    WHEEL=$(echo "$WORK"/*.whl)
fi
VERSION=$(basename "$WHEEL" | cut -d- -f2)
[ "$DEBIAN" = 13 ] || VERSION+="~deb$DEBIAN"
STAMP=${SOURCE_DATE_EPOCH:-$(git -C "$SOURCE" log -1 --format=%ct 2>/dev/null || date +%s)}
TREE=$WORK/tree
LIB=$TREE/usr/lib/$NAME
DOC=$TREE/usr/share/doc/$NAME
mkdir -p "$LIB" "$DOC" "$TREE/usr/bin" "$TREE/usr/lib/systemd/system" "$TREE/usr/share/$NAME" "$TREE/DEBIAN" \
    "$TREE/usr/share/man/man1" "$TREE/usr/share/bash-completion/completions" "$TREE/usr/share/zsh/vendor-completions" \
    "$TREE/usr/share/fish/vendor_completions.d" "$TREE/usr/share/lintian/overrides"

PIP=("$PYTHON" -m pip install --quiet --no-compile --no-deps --target "$LIB")
if [ "$DEBIAN" = 13 ]; then
    "${PIP[@]}" "$WHEEL" "${CARRIED[@]}"
    RECOMMENDS=("${RECOMMENDS_13[@]}")
    DEPENDS+=("${DEPENDS_13[@]}")
else
    "$HERE/build-bundle.sh" "$WORK" --python $PYTHON_12 --machine "$MACHINE" "${BUILDS[@]}" >/dev/null
    mkdir "$WORK/libraries"
    tar -xf "$WORK"/*.tar -C "$WORK/libraries" --strip-components 2 --wildcards '*/bundle/*.whl'
    mapfile -t KINDS < <(find "$WORK/libraries" -name "*_$MACHINE.whl" | sed 's/.*-//; s/\.whl$//' | tr . '\n' | sort -u)
    "${PIP[@]}" --no-index --find-links "$WORK/libraries" --only-binary=:all: --python-version $PYTHON_12 \
        "${KINDS[@]/#/--platform=}" "$WHEEL" "${CARRIED[@]}" "${CARRIED_12[@]}"
    RECOMMENDS=()
    DEPENDS+=("${DEPENDS_12[@]}")
fi
# commands and manual pages of others; fonts that are not free to pass on, which reports do without (so does Debian)
rm -rf -- "$LIB/bin" "$LIB/share" "$LIB/reportlab/fonts"
find "$LIB" -name '*.py' -exec sed -i '1{/^#!/d}' {} + # modules, which nobody starts by their name
# pulse readers of other small computers, ready-built: nothing here uses them. And where this was built.
find "$LIB" \( -name 'libgpiod_pulsein*' -o -name direct_url.json \) -delete
sed -i '/direct_url\.json,/d' "$LIB"/*.dist-info/RECORD
[ "$ARCHITECTURE" != all ] || ! find "$LIB" -name '*.so' -print -quit | grep -q . ||
    die "a compiled part crept in: $(find "$LIB" -name '*.so' -print -quit)"
find "$LIB" -name __pycache__ -prune -exec rm -rf -- {} +
find "$LIB" -type f -exec chmod 0644 {} +
find "$LIB" -name '*.sh' -exec chmod 0755 {} +

# services, commands, manual page and completion, as the program itself writes them
"$PYTHON" -m venv --without-pip "$WORK/venv"
"$PYTHON" -m pip --python "$WORK/venv/bin/python" install --quiet "$WHEEL"[completion]
"$WORK/venv/bin/condenser-monitor" installer "$WORK/files" >/dev/null
cat >"$TREE/usr/bin/$NAME" <<'SH'
#!/bin/sh
export PYTHONPATH=/usr/lib/condenser-monitor:/usr/local/lib/condenser-monitor/plugins
PYTHONDONTWRITEBYTECODE=1 exec python3 -P -m condenser_monitor.monitor.cli "$@"
SH
sed "s#^PROGRAM=.*#PROGRAM=/usr/bin/\$NAME#" "$HERE/by-hand.sh" >"$TREE/usr/bin/$NAME-by-hand"
chmod 0755 "$TREE/usr/bin/"*
for unit in "$NAME.service" "$NAME-page.service"; do
    sed "s#/opt/$NAME/current/bin/#/usr/bin/#" "$HERE/$unit" >"$TREE/usr/lib/systemd/system/$unit"
done
install -m 0644 "$HERE/site.toml" "$TREE/usr/share/$NAME/site.toml"
install -m 0755 "$HERE/remove.sh" "$HERE/bus-speed.sh" "$TREE/usr/share/$NAME/"
gzip -9n <"$WORK/files/$NAME.1" >"$TREE/usr/share/man/man1/$NAME.1.gz"
printf '.so man1/%s.1\n' "$NAME" | gzip -9n >"$TREE/usr/share/man/man1/$NAME-by-hand.1.gz"
install -m 0644 "$WORK/files/completion.bash" "$TREE/usr/share/bash-completion/completions/$NAME"
install -m 0644 "$WORK/files/completion.zsh" "$TREE/usr/share/zsh/vendor-completions/_$NAME"
install -m 0644 "$WORK/files/completion.fish" "$TREE/usr/share/fish/vendor_completions.d/$NAME.fish"

{
    printf '%s (%s) unstable; urgency=medium\n\n  * See the changes that the program brings along.\n\n' "$NAME" "$VERSION"
    printf ' -- %s  %s\n' "$MAINTAINER" "$(date -u -R -d "@$STAMP")"
} | gzip -9n >"$DOC/changelog.gz"
{
    echo 'Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/'
    printf '\nFiles: *\n%s\nLicense: Expat\n' "$(sed -n 's/^Copyright (c) /Copyright: /p' "$SOURCE/LICENSE")"
    printf '\nLicense: Expat\n'
    sed '1,/^Copyright/d' "$SOURCE/LICENSE" | sed '1{/^$/d}; s/^$/./; s/^/ /'
    "$PYTHON" "$HERE/build-licences.py" copyright "$LIB" "$TREE"
} >"$DOC/copyright"
install -m 0644 "$HERE/debian/lintian-overrides" "$TREE/usr/share/lintian/overrides/$NAME"
[ "$ARCHITECTURE" = all ] || cat >>"$TREE/usr/share/lintian/overrides/$NAME" <<OVERRIDE
# compiled parts are as their wheels have them, whose hashes the bundle holds
$NAME: unstripped-binary-or-object *
OVERRIDE

for script in preinst postinst prerm postrm; do
    install -m 0755 "$HERE/debian/$script" "$TREE/DEBIAN/$script"
done
sed -i -e "/^@ADDED_PACKAGES@\$/{r $HERE/added-packages.py" -e 'd}' "$TREE/DEBIAN/preinst"
{
    echo "Package: $NAME"
    echo "Version: $VERSION"
    echo "Architecture: $ARCHITECTURE"
    echo "Maintainer: $MAINTAINER"
    echo "Section: misc"
    echo "Priority: optional"
    echo "Installed-Size: $(du -sk --exclude=DEBIAN "$TREE" | cut -f1)"
    (IFS=,; echo "Depends: ${DEPENDS[*]}" | sed "s/,/, /g")
    [ ${#RECOMMENDS[@]} = 0 ] || (IFS=,; echo "Recommends: ${RECOMMENDS[*]}" | sed "s/,/, /g")
    echo "Description: watches a residential air conditioner's outdoor unit"
    echo " A small computer beside the outdoor unit watches the chain from the 24 V"
    echo " cooling call to the running compressor, finds the first link that is dead,"
    echo " and says what it means and what to check next. It only watches."
} >"$TREE/DEBIAN/control"
(cd "$TREE" && find usr -type f -print0 | sort -z | xargs -0 md5sum >DEBIAN/md5sums)
find "$TREE" -exec touch --no-dereference --date="@$STAMP" {} +
SOURCE_DATE_EPOCH=$STAMP dpkg-deb --root-owner-group -Zxz --build "$TREE" "$OUT/${NAME}_${VERSION}_$ARCHITECTURE.deb" >/dev/null
echo "$OUT/${NAME}_${VERSION}_$ARCHITECTURE.deb"
