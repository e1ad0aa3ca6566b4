#!/bin/bash
# Builds a Debian package of the program, for Debian 13 and Raspberry Pi OS on it:
#
#     hardware/install/build-deb.sh FOLDER             from the source this script lies in
#     hardware/install/build-deb.sh FOLDER --from WHEEL
#
# What Debian has comes from Debian, with its security updates; what it has not (the converter's driver and what that
# stands on, all of it plain Python) is put into the package at the newest version that suits. So it is one package for
# every machine. Network is needed for building only. Debian 12 lacks too much of it: use install.sh there.
set -euo pipefail
umask 022

NAME=condenser-monitor
HERE=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
SOURCE=$(cd "$HERE/../.." && pwd)
PYTHON=${PYTHON:-python3}
# what Debian 13 has not, or not new enough
CARRIED=(
    adafruit-circuitpython-ads1x15 adafruit-extended-bus adafruit-blinka adafruit-platformdetect adafruit-pureio
    adafruit-circuitpython-busdevice adafruit-circuitpython-typing adafruit-circuitpython-requests
    adafruit-circuitpython-connectionmanager gpiozero colorzero logging-journald
)
DEPENDS=(
    "python3 (>= 3.11)" python3-msgspec "python3-paho-mqtt (>= 2.0)" python3-sysv-ipc python3-typing-extensions
    "python3-flask (>= 3.0)" "python3-waitress (>= 3.0.1)" "python3-werkzeug (>= 3.0.6)" "python3-jinja2 (>= 3.1.6)"
    "python3-segno (>= 1.5)"
    "python3-reportlab (>= 4.0)" "python3-pkg-resources | python3-setuptools" adduser
)
# who builds it puts his own here, as for Debian's tools
MAINTAINER="${DEBFULLNAME:-condenser-monitor} <${DEBEMAIL:-nobody@example.org}>"

die() {
    echo "build-deb.sh: $*" >&2
    exit 1
}

[ $# -ge 1 ] || die "into which folder? See the head of this file"
OUT=$(realpath -m -- "$1")
WHEEL=
if [ "${2:-}" = --from ]; then
    WHEEL=$(realpath -- "${3:?a wheel}")
fi
WORK=$(mktemp -d)
trap 'rm -rf -- "$WORK"' EXIT
mkdir -p "$OUT"

if [ -z "$WHEEL" ]; then
    "$PYTHON" -m pip wheel --quiet --no-deps --wheel-dir "$WORK" "$SOURCE"
    WHEEL=$(echo "$WORK"/*.whl)
fi
VERSION=$(basename "$WHEEL" | cut -d- -f2)
STAMP=${SOURCE_DATE_EPOCH:-$(git -C "$SOURCE" log -1 --format=%ct 2>/dev/null || date +%s)}
TREE=$WORK/tree
LIB=$TREE/usr/lib/$NAME
DOC=$TREE/usr/share/doc/$NAME
mkdir -p "$LIB" "$DOC" "$TREE/usr/bin" "$TREE/usr/lib/systemd/system" "$TREE/usr/share/$NAME" "$TREE/DEBIAN" \
    "$TREE/usr/share/man/man1" "$TREE/usr/share/bash-completion/completions" "$TREE/usr/share/zsh/vendor-completions" \
    "$TREE/usr/share/fish/vendor_completions.d" "$TREE/usr/share/lintian/overrides"

"$PYTHON" -m pip install --quiet --no-compile --no-deps --target "$LIB" "$WHEEL" "${CARRIED[@]}"
rm -rf -- "$LIB/bin"
# pulse readers of other small computers, ready-built: nothing here uses them
find "$LIB" -name 'libgpiod_pulsein*' -delete
find "$LIB" -name '*.so' -print -quit | grep -q . && die "a compiled part crept in: $(find "$LIB" -name '*.so' | head -1)"
find "$LIB" -name __pycache__ -prune -exec rm -rf -- {} +
find "$LIB" -type f -exec chmod 0644 {} +
find "$LIB" -name '*.sh' -exec chmod 0755 {} +

# services, commands, manual page and completion, as the program itself writes them
"$PYTHON" -m venv "$WORK/venv"
"$WORK/venv/bin/pip" install --quiet "$WHEEL"[completion]
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
    echo 'Comment:'
    echo ' Carried along in usr/lib/condenser-monitor, each with its licence beside it:'
    for info in "$LIB"/*.dist-info; do
        echo " $(sed -n 's/^Name: //p' "$info/METADATA" | head -1) ($(sed -n 's/^License\(-Expression\)\{0,1\}: //p' "$info/METADATA" | head -1))"
    done | grep -v "^ $NAME " | sed 's/ ()$//'
    printf '\nLicense: Expat\n'
    sed '1,/^Copyright/d' "$SOURCE/LICENSE" | sed '1{/^$/d}; s/^$/./; s/^/ /'
} >"$DOC/copyright"
install -m 0644 "$HERE/debian/lintian-overrides" "$TREE/usr/share/lintian/overrides/$NAME"

for script in preinst postinst prerm postrm; do
    install -m 0755 "$HERE/debian/$script" "$TREE/DEBIAN/$script"
done
sed -i -e "/^@ADDED_PACKAGES@\$/{r $HERE/added-packages.py" -e 'd}' "$TREE/DEBIAN/preinst"
{
    echo "Package: $NAME"
    echo "Version: $VERSION"
    echo "Architecture: all"
    echo "Maintainer: $MAINTAINER"
    echo "Section: misc"
    echo "Priority: optional"
    echo "Installed-Size: $(du -sk --exclude=DEBIAN "$TREE" | cut -f1)"
    (IFS=,; echo "Depends: ${DEPENDS[*]}" | sed "s/,/, /g")
    echo "Recommends: python3-lgpio, apprise"
    echo "Description: watches a residential air conditioner's outdoor unit"
    echo " A small computer beside the outdoor unit watches the chain from the 24 V"
    echo " cooling call to the running compressor, finds the first link that is dead,"
    echo " and says what it means and what to check next. It only watches."
} >"$TREE/DEBIAN/control"
(cd "$TREE" && find usr -type f -print0 | sort -z | xargs -0 md5sum >DEBIAN/md5sums)
find "$TREE" -exec touch --no-dereference --date="@$STAMP" {} +
SOURCE_DATE_EPOCH=$STAMP dpkg-deb --root-owner-group -Zxz --build "$TREE" "$OUT/${NAME}_${VERSION}_all.deb" >/dev/null
echo "$OUT/${NAME}_${VERSION}_all.deb"
