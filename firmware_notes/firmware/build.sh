#!/bin/sh
# Build the firmware: sh build.sh [OUT_DIR [-DNAME=VALUE ...]]
#
# Needs avr-gcc and avr-libc (Debian packages gcc-avr, avr-libc). Leaves OUT_DIR/firmware.elf
# and, where avr-objcopy is at hand, OUT_DIR/firmware.hex for a programmer.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)
out=${1:-"$here/build"}
[ $# -gt 0 ] && shift
mkdir -p "$out"
avr-gcc -mmcu=atmega328p -DF_CPU=16000000UL -std=gnu11 -Os -flto -fwhole-program \
    -Wall -Wextra -Werror -Wstrict-prototypes "$@" -o "$out/firmware.elf" "$here"/*.c
avr-objcopy -O ihex -R .eeprom "$out/firmware.elf" "$out/firmware.hex"
avr-size "$out/firmware.elf"
