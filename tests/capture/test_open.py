"""A file is opened by its content, and what cannot be opened says why and what to do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from decoded import decode

from vaclog.capture.open import BLOCK, open_capture
from vaclog.capture.writer import CaptureWriter
from vaclog.errors import CaptureError, CardError, FutureVersionError
from vaclog.records import Chunk, ClockTick
from vaclog.wire.binary_layout import HELLO, TYPE_HELLO
from vaclog.wire.encode import BinaryEncoder, LinesEncoder
from vaclog.wire.messages import Hello, Message, Pressure

HEADER = b"# vaclog-lines 1 tick_ns=500 adc_bits=10\n"
HELLO_MESSAGE = Hello(version=1, boot=0, tick_ns=500, adc_bits=10)


def minute() -> list[Message]:
    """A minute of pressure."""
    n = 60_000
    ticks = (np.arange(n) * 2000).astype(np.uint32)
    return [HELLO_MESSAGE, Pressure(ticks=ticks, counts=(np.arange(n) % 1024).astype(np.uint16))]


@pytest.mark.parametrize("kind", ["binary", "lines"])
def test_a_bare_stream_comes_in_blocks_without_time(tmp_path: Path, kind: str) -> None:
    encoder = BinaryEncoder() if kind == "binary" else LinesEncoder()
    path = tmp_path / "misleading.csv"  # names decide nothing
    data = encoder.encode(minute()) * 2 if kind == "binary" else encoder.encode(minute())
    path.write_bytes(data)
    opened = open_capture(path)
    assert (opened.kind, opened.size_bytes, opened.path) == (kind, len(data), path)
    records = list(opened.records)
    assert all(isinstance(r, Chunk) and r.at_us is None and len(r.data) <= BLOCK for r in records)
    assert b"".join(r.data for r in records if isinstance(r, Chunk)) == data
    assert list(opened.records) == records
    assert opened.notices() == []


def test_a_capture_gives_its_records_and_its_losses(tmp_path: Path) -> None:
    path = tmp_path / "plain.txt"
    records = [ClockTick(at_us=1), Chunk(at_us=2, data=HEADER), ClockTick(at_us=3)]
    with CaptureWriter(path) as writer:
        for record in records:
            writer.write(record)
    path.write_bytes(path.read_bytes()[:-1])
    opened = open_capture(str(path))
    assert opened.kind == "capture"
    assert list(opened.records) == records[:2]
    assert "ends inside a record" in opened.notices()[0]


def refused(path: Path, error: type[CaptureError] = CaptureError) -> str:
    with pytest.raises(error) as caught:
        open_capture(path)
    assert caught.value.step
    assert path.name in str(caught.value)
    return str(caught.value)


def test_files_that_are_nothing(tmp_path: Path) -> None:
    path = tmp_path / "thing"
    assert "cannot be read" in refused(path)
    path.mkdir()
    assert "cannot be read" in refused(path)
    path = tmp_path / "empty"
    path.write_bytes(b"")
    assert "is empty (0 bytes)" in refused(path)
    path = tmp_path / "picture"
    path.write_bytes(b"\xff\xd8\xff\xe0\0\x10JFIF\0" + bytes(range(256)) * 9)
    assert "ff d8 ff e0 00 10 4a 46 49 46" in refused(path)
    path = tmp_path / "letter"
    path.write_bytes(b"Dear reader,\nall is well.\n")
    assert "Dear reader" in refused(path)


def test_text_lines_without_a_usable_header(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_bytes(b"P 1 2\nP 3 4\nP 5 6\n")
    assert "# vaclog-lines 1 tick_ns=500 adc_bits=10" in refused(path)
    path.write_bytes(b"# vaclog-lines 1 adc_bits=10\nP 1 2\n")
    assert "line 1: the header has no tick_ns" in refused(path)


def test_versions_of_the_future(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"# vaclog-lines 2 tick_ns=500 adc_bits=10\n")
    assert "version 2" in refused(path, FutureVersionError)
    newer = BinaryEncoder().frame(TYPE_HELLO, HELLO.pack(3, 1, 500, 10))
    path.write_bytes(newer)
    assert "version 3" in refused(path, FutureVersionError)
    inside = tmp_path / "inside"
    with CaptureWriter(inside) as writer:
        writer.write(Chunk(at_us=0, data=newer))
    assert "version 3" in refused(inside, FutureVersionError)


# CSV --------------------------------------------------------------------------------------

MAPPING = """
[columns]
time = { column = "t", unit = "s" }
pressure = { column = "map", unit = "kPa" }
"""


def csv(tmp_path: Path, text: str, mapping: str | None = MAPPING) -> Path:
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    if mapping is not None:
        (tmp_path / "run.toml").write_text(mapping, encoding="utf-8")
    return path


def test_csv_without_a_mapping_says_how_to_give_one(tmp_path: Path) -> None:
    text = refused(csv(tmp_path, "t,map\n0,40\n0.001,41\n", None))
    assert "--mapping" in text and "run.toml" in text and "[columns]" in text
    # A card beside it is not taken for a mapping.
    assert "--mapping" in refused(csv(tmp_path, "t,map\n0,40\n0.001,41\n", "cylinders = 4\n"))


def test_csv_without_a_mapped_column_names_it_and_those_there(tmp_path: Path) -> None:
    opened = open_capture(csv(tmp_path, "time,map\n0,40\n"))
    with pytest.raises(CaptureError) as caught:
        list(opened.records)
    assert "run.csv, line 1" in str(caught.value)
    assert "no column 't'; columns: 'time', 'map'" in str(caught.value)
    assert "run.toml" in str(caught.value)


def test_csv_whose_numbers_are_none(tmp_path: Path) -> None:
    opened = open_capture(csv(tmp_path, "t,map\n0;1,abc\n"))
    with pytest.raises(CaptureError, match=r"run\.csv, line 2: column 'map' holds 'abc'"):
        list(opened.records)
    opened = open_capture(csv(tmp_path, "t,map\n"))
    with pytest.raises(CaptureError, match="no rows"):
        list(opened.records)


def test_a_mapping_given_by_name_wins(tmp_path: Path) -> None:
    path = csv(tmp_path, "zeit;druck\n0;40\n", "[columns]\ntime = 'nowhere'\n")
    other = tmp_path / "other.toml"
    other.write_text(
        '[file]\ndelimiter = ";"\n[columns]\ntime = "zeit"\n'
        'pressure = { column = "druck", unit = "kPa" }\n'
    )
    opened = open_capture(path, mapping=other)
    assert opened.kind == "csv"
    assert len(decode(opened.records).pressure) == 1
    with pytest.raises(CardError, match=r"missing\.toml"):
        open_capture(path, mapping=tmp_path / "missing.toml")
