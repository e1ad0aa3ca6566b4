#!/bin/bash
# Sets the converters' I2C bus to 400 kHz in a Raspberry Pi's config.txt, or takes that out again:
#
#     bus-speed.sh set FILE      adds a block of its own, unless the file sets a speed already; running it twice adds nothing
#     bus-speed.sh unset FILE    takes the block out; all else stays as it is
#     bus-speed.sh show FILE     prints the speed that the file sets, in Hz; nothing where it sets none
#
# Prints what it did. The speed is in force after the next start of the Pi. The file as it was is kept beside it.
set -euo pipefail

BEGIN='# condenser-monitor: begin'
END='# condenser-monitor: end'
SPEED=400000

die() {
    echo "bus-speed.sh: $*" >&2
    exit 1
}

[ $# = 2 ] || die "usage: bus-speed.sh set|unset|show FILE"
ACTION=$1
CONFIG=$2
[ -f "$CONFIG" ] || die "no file $CONFIG"

# The speed that the file sets, the last one if it does so more than once: comments do not count.
speed_of() {
    sed -n 's/^[[:space:]]*dtparam=\([^#]*,\)\{0,1\}\(i2c_arm_baudrate\|i2c_baudrate\)=\([0-9]\+\).*/\3/p' "$1" | tail -n 1
}

# The new file is whole on the card before it takes the old one's place: a Pi must start whenever the power goes.
put_in_place() {
    cp -f -- "$CONFIG" "$CONFIG.before"
    sync -- "$1" "$CONFIG.before"
    mv -f -- "$1" "$CONFIG"
    sync -- "$(dirname "$CONFIG")"
}

without_block() { sed "/^$BEGIN\$/,/^$END\$/d" "$CONFIG"; }

NEW=$CONFIG.new
trap 'rm -f -- "$NEW"' EXIT
case $ACTION in
    set)
        now=$(speed_of "$CONFIG")
        if [ -n "$now" ]; then
            echo "$CONFIG sets the I2C bus to $now Hz already"
            exit 0
        fi
        {
            without_block
            # a last line without its end, or a filter for one model, must not swallow ours
            printf '\n%s\n[all]\ndtparam=i2c_arm=on,i2c_arm_baudrate=%s\n%s\n' "$BEGIN" "$SPEED" "$END"
        } >"$NEW"
        put_in_place "$NEW"
        echo "set the I2C bus to $SPEED Hz in $CONFIG"
        ;;
    unset)
        grep -qx "$BEGIN" "$CONFIG" || exit 0
        without_block >"$NEW"
        put_in_place "$NEW"
        echo "took the I2C bus's speed out of $CONFIG"
        ;;
    show) speed_of "$CONFIG" ;;
    *) die "unknown action: $ACTION (allowed: set, unset, show)" ;;
esac
