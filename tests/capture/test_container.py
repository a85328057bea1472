"""The capture file: every record comes back, whatever happens to the file or its writer."""

from __future__ import annotations

import errno
import io
import json
import os
import resource
import signal
import struct
import subprocess
import sys
import textwrap
import zlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vaclog.capture.container import HEAD, MAGIC, pack, pack_header, unpack
from vaclog.capture.reader import CaptureFile, read_capture
from vaclog.capture.writer import CaptureWriter
from vaclog.errors import CaptureError, FutureVersionError, StorageError
from vaclog.records import (
    CardText,
    Chunk,
    ClockTick,
    OperatorInput,
    PortClosed,
    PortOpened,
    Record,
)

RECORDS: list[Record] = [
    CardText(at_us=0, which="engine", toml='name = "Müller\'s"\n'),
    PortOpened(at_us=5, name="/dev/ttyUSB0", identity="usb:1a86:7523:at 1-1"),
    Chunk(at_us=10, data=b"\0\x01\xc5\x9a\xff"),
    Chunk(at_us=None, data=b""),
    ClockTick(at_us=500_000),
    OperatorInput(at_us=600_000, kind="strobe", value_deg=12.5, text="at the pulley"),
    OperatorInput(at_us=600_001, kind="tap"),
    PortClosed(at_us=700_000, reason="the device is gone"),
    Chunk(at_us=-3, data=bytes(range(256))),
]

TEXT = st.text(max_size=20)
TIME = st.integers(-(1 << 62), 1 << 62)
ANY_RECORD: st.SearchStrategy[Record] = st.one_of(
    st.builds(Chunk, at_us=st.none() | TIME, data=st.binary(max_size=80)),
    st.builds(ClockTick, at_us=TIME),
    st.builds(
        OperatorInput,
        at_us=TIME,
        kind=st.sampled_from(["tap", "strobe", "marker"]),
        value_deg=st.none() | st.floats(-720, 720),
        text=TEXT,
    ),
    st.builds(CardText, at_us=TIME, which=st.sampled_from(["engine", "rig"]), toml=TEXT),
    st.builds(PortOpened, at_us=TIME, name=TEXT, identity=TEXT),
    st.builds(PortClosed, at_us=TIME, reason=TEXT),
)


def write(path: Path, records: list[Record], **about: Any) -> Path:
    with CaptureWriter(path, about=about) as writer:
        for record in records:
            writer.write(record)
    return path


def test_every_record_comes_back_with_the_header(tmp_path: Path) -> None:
    capture = read_capture(write(tmp_path / "a.vaclog", RECORDS, car="shed, left"))
    assert list(capture.records) == RECORDS
    assert list(capture.records) == RECORDS  # and again
    assert capture.header.version == 1
    assert capture.header.about["car"] == "shed, left"
    assert capture.header.program
    assert not capture.losses and not capture.cut and not capture.notices()


@settings(max_examples=40)
@given(st.lists(ANY_RECORD, max_size=15))
def test_any_records_come_back(
    tmp_path_factory: pytest.TempPathFactory, records: list[Record]
) -> None:
    path = tmp_path_factory.mktemp("capture") / "a.vaclog"
    assert list(read_capture(write(path, records)).records) == records


def test_the_bytes_are_those_that_the_description_says() -> None:
    """Packed by hand from the description, with the zlib of the system."""
    chunk = Chunk(at_us=7, data=b"abc")
    body = struct.pack("<BIq", 1, 3, 7) + b"abc"
    assert pack(chunk) == b"\xc5\x9a" + body + struct.pack("<I", zlib.crc32(body))
    start = pack_header("9.9", {})
    assert start.startswith(b"\x93vaclog-capture\r\n\x1a\n\xc5\x9a\x00")
    header = json.loads(start[len(MAGIC) + HEAD.size : -4])
    assert header == {"format": "vaclog capture", "version": 1, "program": "9.9"}


@pytest.fixture
def whole(tmp_path: Path) -> bytes:
    return write(tmp_path / "whole.vaclog", RECORDS).read_bytes()


def test_a_file_cut_anywhere_gives_all_records_before_the_cut(tmp_path: Path, whole: bytes) -> None:
    ends = []
    at = unpack(whole, len(MAGIC)).end  # type: ignore[union-attr]
    header_end = at
    for record in RECORDS:
        at += len(pack(record))
        ends.append(at)
    path = tmp_path / "cut.vaclog"
    for length in range(header_end, len(whole)):
        path.write_bytes(whole[:length])
        capture = CaptureFile(path)
        got = list(capture.records)
        assert got == RECORDS[: sum(end <= length for end in ends)]
        assert capture.cut == (length not in [header_end, *ends])
        assert bool(capture.notices()) == capture.cut


def test_a_file_cut_in_its_header_is_refused(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "cut.vaclog"
    for length in range(1, unpack(whole, len(MAGIC)).end):  # type: ignore[union-attr]
        path.write_bytes(whole[:length])
        with pytest.raises(CaptureError, match=r"cut\.vaclog begins like a capture"):
            read_capture(path)


@settings(max_examples=150)
@given(st.data())
def test_damage_costs_only_the_records_it_touches(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    records: list[Record] = [Chunk(at_us=n, data=bytes([n]) * n) for n in range(1, 20)]
    start = pack_header("test", {})
    edges = [len(start)]
    for record in records:
        edges.append(edges[-1] + len(pack(record)))
    whole = start + b"".join(map(pack, records))
    first = data.draw(st.integers(len(start), len(whole) - 1))
    last = data.draw(st.integers(first + 1, min(len(whole), first + 80)))
    new = data.draw(st.binary(max_size=80))
    path = tmp_path_factory.mktemp("capture") / "a.vaclog"
    path.write_bytes(whole[:first] + new + whole[last:])
    capture = read_capture(path)
    got = list(capture.records)
    for n, record in enumerate(records):
        if edges[n + 1] <= first or edges[n] >= last:
            assert record in got
    assert got == sorted(got, key=lambda record: record.at_us or 0)
    if len(got) < len(records) and whole[first:last] != b"".join(
        map(pack, [r for n, r in enumerate(records) if first <= edges[n] and edges[n + 1] <= last])
    ):
        assert capture.losses
        assert capture.notices()


def test_a_damaged_length_is_no_reason_to_stop(tmp_path: Path) -> None:
    items = [pack(Chunk(at_us=n, data=b"x" * 50)) for n in range(3)]
    items[1] = items[1][:3] + b"\xff\xff\xff\x7f" + items[1][7:]
    path = tmp_path / "a.vaclog"
    path.write_bytes(pack_header("test", {}) + b"".join(items))
    capture = read_capture(path)
    assert [record.at_us for record in capture.records] == [0, 2]
    assert not capture.cut
    assert "bytes" in capture.notices()[0] and "damaged" in capture.notices()[0]


def test_a_newer_capture_and_unknown_records(tmp_path: Path) -> None:
    path = tmp_path / "new.vaclog"
    head = b'{"version": 2, "program": "5.0"}'
    body = struct.pack("<BIq", 0, len(head), 0) + head
    item = b"\xc5\x9a" + body + struct.pack("<I", zlib.crc32(body))
    path.write_bytes(MAGIC + item)
    with pytest.raises(
        FutureVersionError, match=r"new\.vaclog .* version 2, written by vaclog 5\.0"
    ):
        read_capture(path)

    body = struct.pack("<BIq", 200, 2, 0) + b"??"
    strange = b"\xc5\x9a" + body + struct.pack("<I", zlib.crc32(body))
    path.write_bytes(pack_header("test", {}) + strange + pack(ClockTick(at_us=1)))
    capture = read_capture(path)
    assert list(capture.records) == [ClockTick(at_us=1)]
    assert "1 records of a kind" in capture.notices()[0]


def test_an_edited_file_shows_by_its_first_bytes(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "edited.vaclog"
    path.write_bytes(whole.replace(b"\r\n", b"\n"))
    with pytest.raises(CaptureError, match="is not a capture"):
        read_capture(path)


# Writing ----------------------------------------------------------------------------------


class Slow(io.RawIOBase):
    """A file that takes only a part of each write, or nothing while it is full."""

    name = "slow"

    def __init__(self, part: int) -> None:
        self.taken = bytearray()
        self.writes: list[int] = []
        self.part = part
        self.full = False

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        if self.full:
            raise OSError(errno.ENOSPC, "No space left on device")
        piece = bytes(data)[: self.part]
        self.taken += piece
        self.writes.append(len(piece))
        return len(piece)


def test_a_record_is_with_the_system_as_soon_as_it_is_written() -> None:
    """A killed program loses nothing that was written; one write a record, none twice."""
    file = Slow(1 << 30)
    writer = CaptureWriter(file)
    assert len(file.writes) == 1
    for n in range(100):
        writer.write(Chunk(at_us=n * 100_000, data=b"x" * 10))
        assert len(file.writes) == 2 + n
    before = bytes(file.taken)
    writer.close()
    assert bytes(file.taken) == before


def test_a_refused_record_is_written_once_and_told_with_the_next() -> None:
    """What was taken while the disk filled waits whole; the one after it is refused."""
    file = Slow(1 << 30)
    writer = CaptureWriter(file)
    file.full = True
    writer.write(Chunk(at_us=0, data=b"first"))
    with pytest.raises(StorageError):
        writer.write(Chunk(at_us=1, data=b"second"))
    file.full = False
    writer.write(Chunk(at_us=1, data=b"second"))
    assert file.taken.count(b"first") == file.taken.count(b"second") == 1


def test_a_capture_that_cannot_begin_is_not_left_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that is full from the start: a service that tries on would fill the folder."""
    made = Path.open

    def opened(path: Path, *given: Any, **named: Any) -> Any:
        made(path, *given, **named).close()
        return made(Path("/dev/full"), "wb", buffering=0)

    monkeypatch.setattr(Path, "open", opened)
    with pytest.raises(StorageError, match="full"):
        CaptureWriter(tmp_path / "a.vaclog")
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_loses_nothing_and_goes_on_when_there_is_room(tmp_path: Path) -> None:
    """Every record is written once, in order, also those that were refused and given again."""
    file = Slow(37)
    writer = CaptureWriter(file)
    sent: list[Record] = []
    refused = 0
    for n in range(300):
        file.full = 100 <= n < 200
        record = Chunk(at_us=n * 400_000, data=b"%d" % n)
        try:
            writer.write(record)
            sent.append(record)
        except StorageError as error:
            refused += 1
            assert "slow" in str(error) and "full" in str(error) and "room" in str(error)
    assert refused > 90
    writer.close()
    path = tmp_path / "a.vaclog"
    path.write_bytes(file.taken)
    assert list(read_capture(path).records) == sent


def test_a_device_without_room(tmp_path: Path) -> None:
    """The real thing: /dev/full refuses every write."""
    with (
        Path("/dev/full").open("wb", buffering=0) as full,
        pytest.raises(StorageError, match=r"/dev/full.*full"),
    ):
        CaptureWriter(full)


def test_a_file_is_never_written_over_and_a_missing_folder_is_named(tmp_path: Path) -> None:
    path = write(tmp_path / "a.vaclog", RECORDS)
    before = path.read_bytes()
    with pytest.raises(StorageError, match=r"a\.vaclog exists already"):
        CaptureWriter(path)
    assert path.read_bytes() == before
    with pytest.raises(StorageError, match=r"nowhere/a\.vaclog"):
        CaptureWriter(tmp_path / "nowhere" / "a.vaclog")


WRITER = """
    import resource, signal, sys
    from vaclog.capture.writer import CaptureWriter
    from vaclog.errors import StorageError
    from vaclog.records import Chunk

    path, limit = sys.argv[1], int(sys.argv[2])
    if limit:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    writer = CaptureWriter(path)
    n = 0
    while True:
        try:
            writer.write(Chunk(at_us=n * 1000, data=b"%08d" % n * 50))
        except StorageError as error:
            print(error, flush=True)
            break
        n += 1
        if n % 1000 == 0:
            print(n, flush=True)
"""


def start_writer(path: Path, limit: int) -> subprocess.Popen[str]:
    root = Path(__file__).parents[2]
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(WRITER), str(path), str(limit)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(root)},
    )


def check_prefix(path: Path) -> int:
    """All records are the first ones that were written; returns how many."""
    got = list(read_capture(path).records)
    assert got == [Chunk(at_us=n * 1000, data=b"%08d" % n * 50) for n in range(len(got))]
    return len(got)


def test_a_killed_writer_leaves_all_that_was_written(tmp_path: Path) -> None:
    path = tmp_path / "killed.vaclog"
    process = start_writer(path, 0)
    assert process.stdout is not None
    written = 0
    while written < 5000:
        written = int(process.stdout.readline())
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert check_prefix(path) >= written


def test_a_file_that_may_not_grow_is_readable_up_to_there(tmp_path: Path) -> None:
    path = tmp_path / "full.vaclog"
    limit = 300_001
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[1] == resource.RLIM_INFINITY
    process = start_writer(path, limit)
    said, _ = process.communicate(timeout=60)
    assert "full.vaclog" in said and "full" in said
    assert path.stat().st_size == limit
    assert check_prefix(path) >= (limit - 1000) // (HEAD.size + 400 + 4)
    assert read_capture(path).path == path
