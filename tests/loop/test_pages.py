"""What firmware_notes/ promises: the example on the protocol page, sizes, options that build."""

from __future__ import annotations

import re
import subprocess

import plain_decoder
import pytest
from harness import FIRMWARE_DIR, Bench

PROTOCOL = (FIRMWARE_DIR.parent / "protocol.md").read_text(encoding="utf-8")


def test_the_plain_decoder_knows_the_published_check_value() -> None:
    """CRC-16/IBM-3740 of "123456789": catalogue of parametrised CRC algorithms, G. Cook."""
    assert plain_decoder.crc16(b"123456789") == 0x29B1


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [("00", "0101"), ("11220033", "0311220233"), ("11000000", "0211010101")],
)
def test_the_plain_decoder_undoes_the_published_vectors(plain: str, stuffed: str) -> None:
    """S. Cheshire, M. Baker, IEEE/ACM Transactions on Networking 7(2), 1999."""
    assert plain_decoder.unstuff(bytes.fromhex(stuffed)) == bytes.fromhex(plain)
    assert plain_decoder.unstuff(bytes.fromhex("051122")) is None


def test_the_example_frame_is_right() -> None:
    (text,) = re.findall(r"^    ((?:[0-9A-F]{2} )+00)$", PROTOCOL, re.MULTILINE)
    stuffed = bytes.fromhex(text)
    payload = plain_decoder.unstuff(stuffed[:-1])
    assert payload is not None and plain_decoder.crc16(payload) == 0
    assert payload[:-2].hex(" ") in PROTOCOL
    assert f"0x{payload[-2]:02X}{payload[-1]:02X}" in PROTOCOL


def test_it_fits_with_room_for_the_stack(bench: Bench) -> None:
    """2048 bytes of memory, 32 kB of program less 2 kB of boot loader."""
    done = subprocess.run(
        ["avr-size", str(bench.firmware())], capture_output=True, text=True, check=True
    )
    program, data, bss = map(int, done.stdout.splitlines()[1].split()[:3])
    assert program + data < 30 * 1024
    assert data + bss < 2048 - 512


def test_every_option_builds(bench: Bench) -> None:
    options = ("SPARK_DEAD_TICKS=6000", "BODY_EVERY_MS=0", "BAUD_DIVISOR=1")
    assert bench.firmware(*options).exists()


def test_the_hex_file_is_there(bench: Bench) -> None:
    lines = bench.firmware().with_suffix(".hex").read_text().split()
    assert lines[-1] == ":00000001FF"  # end of file record
