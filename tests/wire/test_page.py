"""What the protocol page says of text lines and CSV is what is read."""

from __future__ import annotations

import re
from pathlib import Path

from vaclog.capture.csv_mapping import csv_mapping
from vaclog.wire.lines import LinesDecoder
from vaclog.wire.messages import Hello, Marker, Pressure, Pulses

PAGE = (Path(__file__).parents[2] / "firmware_notes" / "protocol.md").read_text(encoding="utf-8")
TEXT, CSV = PAGE.split("## Text lines")[1].split("## CSV")


def test_the_printed_lines_are_read() -> None:
    """The header and each kind of record in the table, none skipped."""
    shown = "".join(f"{line[4:]}\n" for line in TEXT.splitlines() if line.startswith("    "))
    assert shown.startswith("# vaclog-lines 1 ")
    kinds = re.findall(r"^\| `([A-Z]) <tick>( <counts>)?", TEXT, flags=re.MULTILINE)
    assert {kind for kind, _ in kinds} == set("PSRCBM")
    more = "".join(f"{kind} 16000{' 118' if counts else ''}\n" for kind, counts in kinds)
    decoder = LinesDecoder()
    read = [*decoder.feed((shown + more).encode("ascii")), *decoder.finish()]
    assert decoder.lines_skipped == 0
    assert {type(each) for each in read} == {Hello, Marker, Pressure, Pulses}
    pulses = sum(len(each.ticks) for each in read if isinstance(each, Pulses))
    assert pulses == 2 + 4  # a mark and a spark above; spark, mark, coil, body from the table


def test_the_printed_mapping_is_sound() -> None:
    """Every key of the example is known; so is the event column."""
    example = re.search(r"```toml\n(.*?)```", CSV, flags=re.DOTALL)
    event = re.search(r"`(event = .*?)`", CSV)
    assert example is not None and event is not None
    mapping = csv_mapping(example[1])
    assert set(mapping.edges) == {"spark", "mark"} and mapping.pressure is not None
    by_event = csv_mapping(f'[columns]\ntime = {{ column = "t", unit = "s" }}\n{event[1]}\n')
    assert by_event.event is not None
