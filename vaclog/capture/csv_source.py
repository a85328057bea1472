"""Brings a CSV file onto the path that everything takes: as text lines.

Enters: a CSV file and its mapping. Leaves: bytes of text lines, block by block.

Pressure is written as 16-bit counts on the scale of the rig card, so that the card applies to
it as to any capture and the rounding (0.004 kPa on the default scale) does not matter. A row
that cannot be read becomes a line that cannot be read, and is counted as one.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vaclog.capture.csv_mapping import CsvMapping, EdgeColumn, PressureColumn
from vaclog.cards import PressureSensor
from vaclog.errors import CaptureError
from vaclog.units import absolute_kpa, pressure_unit, to_kpa
from vaclog.wire.encode import LinesEncoder
from vaclog.wire.messages import Hello, Marker, Pressure, PulseKind, Pulses

TICK_NS = 500
TICKS_PER_US = 2

FINE_BITS = 16

BLOCK_ROWS = 4096

COARSE_US = 1500.0
"""Rows further apart than this cannot time a spark against a mark: 7.5 degrees at 850 rpm.

An idle hill wants a degree. Up to here the answer's own uncertainty tells; beyond, steps of the
sampling look like sweeps of the hand.
"""

_PULSE = {
    "spark": PulseKind.SPARK,
    "coil": PulseKind.COIL,
    "mark": PulseKind.MARK,
    "body": PulseKind.BODY,
}
_BODY_LIMIT = 1 << 31

_Timed = Pressure | Pulses | Marker
_Floats = NDArray[np.float64]


def csv_lines(path: Path, mapping: CsvMapping, sensor: PressureSensor) -> Iterator[bytes]:
    """Yield the file as text lines.

    Raises
    ------
    CaptureError
        A mapped column is not there, the first rows hold no numbers, or there are no rows.
    """
    return _Reader(path, mapping, sensor).blocks()


class _Reader:
    def __init__(self, path: Path, mapping: CsvMapping, sensor: PressureSensor) -> None:
        self._path = path
        self._map = mapping
        self._sensor = sensor
        self._start_us: float | None = None
        self._edges = {name: _Edges(column) for name, column in mapping.edges.items()}
        self._at: dict[str, int] = {}  # column to its place in a row
        self._good_rows = 0

    def blocks(self) -> Iterator[bytes]:
        encoder = LinesEncoder()
        bits = FINE_BITS
        if self._map.pressure and self._map.pressure.unit == "counts":
            bits = self._map.pressure.adc_bits
        hello = Hello(version=1, boot=0, tick_ns=TICK_NS, adc_bits=bits, device="csv")
        yield encoder.encode([hello])
        with self._path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            rows = csv.reader(
                (line.replace("\0", "?") for line in file), delimiter=self._map.delimiter
            )
            for _ in islice(rows, self._map.skip):
                pass
            self._find_columns(next(rows, []) if self._map.header else None, rows.line_num)
            first = rows.line_num + 1
            while block := list(islice(rows, BLOCK_ROWS)):
                messages, bad = self._read([row for row in block if row], first)
                yield encoder.encode(messages) + bad
                first = rows.line_num + 1
        if not self._good_rows:
            raise CaptureError(
                f"{self._path} has no rows of data.", step="Was the logging stopped too early?"
            )

    def _find_columns(self, header: list[str] | None, line: int) -> None:
        names = [] if header is None else [name.strip() for name in header]
        for column in self._map.columns():
            if column in names:
                self._at[column] = names.index(column)
            elif column.isdigit() and int(column) >= 1 and (not names or int(column) <= len(names)):
                self._at[column] = int(column) - 1
            else:
                there = ", ".join(repr(name) for name in names) or "none (header = false)"
                raise CaptureError(
                    f"{self._path}, line {max(line, 1)}: there is no column {column!r}; "
                    f"columns: {there}.",
                    cause=f"{self._map.where} maps a column of another file, or the delimiter "
                    f"{self._map.delimiter!r} is not the one of this file.",
                    step="Name a column that is there, or set delimiter or skip under [file].",
                )

    def _read(self, rows: list[list[str]], first_line: int) -> tuple[list[_Timed], bytes]:
        """Turn rows into messages, and those that cannot be read into lines that cannot."""
        names = [edge.column for edge in self._map.edges.values()]
        names += [self._map.pressure.column] if self._map.pressure else []
        names += [self._map.body] if self._map.body and not self._map.event else []
        table = {name: self._numbers(rows, name, empty_ok=True) for name in names}
        table[self._map.time] = self._numbers(rows, self._map.time, empty_ok=False)
        good = np.ones(len(rows), bool)
        for numbers in table.values():
            good &= ~np.isnan(numbers)
        if not self._good_rows and len(rows) and not good.any():
            self._refuse(rows[0], first_line, table)
        self._good_rows += int(good.sum())
        kept = [row for row, ok in zip(rows, good.tolist(), strict=True) if ok]
        table = {name: numbers[good] for name, numbers in table.items()}
        bad = b"! unreadable row\n" * int((~good).sum())
        return (self._messages(kept, table) if kept else []), bad

    def _numbers(self, rows: list[list[str]], column: str, *, empty_ok: bool) -> _Floats:
        """Return a column; NaN where it cannot be read, -inf where it is rightly empty."""
        at = self._at[column]
        try:
            numbers = np.array([float(row[at]) for row in rows])
            if np.isfinite(numbers).all():
                return numbers
        except (ValueError, IndexError):
            pass
        return np.array([self._number(row, at, empty_ok=empty_ok) for row in rows])

    def _number(self, row: list[str], at: int, *, empty_ok: bool) -> float:
        text = row[at].strip() if at < len(row) else ""
        if not text:
            return -np.inf if empty_ok else np.nan
        if self._map.decimal == ",":
            text = text.replace(",", ".")
        try:
            number = float(text)
        except ValueError:
            return np.nan
        return number if np.isfinite(number) else np.nan

    def _refuse(self, row: list[str], line: int, table: dict[str, _Floats]) -> None:
        for column, numbers in table.items():
            if np.isnan(numbers[0]):
                at = self._at[column]
                found = repr(row[at]) if at < len(row) else "nothing"
                raise CaptureError(
                    f"{self._path}, line {line}: column {column!r} holds {found}, not a number.",
                    cause="The column is another one, or the decimal sign or the delimiter is not "
                    "what the mapping says.",
                    step=f'Set decimal = "," or delimiter = ";" under [file] in {self._map.where}.',
                )

    def _refuse_coarse(self, us: _Floats) -> None:
        """Refuse an advance that would be made of the gaps between the rows."""
        if len(us) < 3 or not {"spark", "mark"} <= set(self._edges):
            return
        row_us = float(np.median(np.diff(us)))
        if row_us > COARSE_US:
            raise CaptureError(
                f"{self._path} has a row every {row_us / 1000:.1f} ms: at 850 rpm the crank turns "
                f"{row_us * 850 * 360 / 60e6:.0f}° meanwhile.",
                cause="An advance read from spark and mark in it would be chance.",
                step="Log spark and mark at 10 kHz or more, or as events with their times; or take "
                f"mark out of {self._map.where} and give strobe readings.",
            )

    def _messages(self, rows: list[list[str]], table: dict[str, _Floats]) -> list[_Timed]:
        us = table[self._map.time] * self._map.time_unit_us
        if self._start_us is None:
            self._start_us = float(us[0])
            self._refuse_coarse(us)
        us = us - self._start_us
        messages: list[_Timed] = []
        if self._map.pressure:
            values = table[self._map.pressure.column]
            there = np.isfinite(values)
            counts = _counts(values[there], self._map.pressure, self._sensor)
            messages.append(Pressure(ticks=_ticks(us[there]), counts=counts))
        for name, edges in self._edges.items():
            values = table[edges.column.column]
            there = np.isfinite(values)
            times = edges.find(us[there], values[there])
            messages.append(_pulses(_PULSE[name], times, np.zeros(len(times), np.int32)))
        if self._map.event:
            messages += self._events(rows, us)
        elif self._map.body:
            counts = np.rint(table[self._map.body] * self._map.counts_per_unit)
            fits = np.abs(counts) < _BODY_LIMIT  # an empty cell is -inf, so it does not
            messages.append(_pulses(PulseKind.BODY, us[fits], counts[fits].astype(np.int32)))
        return [m for m in messages if isinstance(m, Marker) or len(m.ticks)]

    def _events(self, rows: list[list[str]], us: _Floats) -> list[_Timed]:
        event = self._map.event
        assert event is not None  # only called where there is one
        at = self._at[event.column]
        value_at = self._at[event.value or self._map.body or event.column]
        messages: list[_Timed] = []
        for row, time_us in zip(rows, us.tolist(), strict=True):
            kind = event.kinds.get(row[at].strip()) if at < len(row) else None
            if kind is None:
                continue
            times = np.array([time_us])
            if kind == "marker":
                text = row[value_at].strip() if event.value and value_at < len(row) else ""
                messages.append(Marker(tick=int(_ticks(times)[0]), text=text))
                continue
            value = 0.0
            if kind == "body":
                value = self._number(row, value_at, empty_ok=False) * self._map.counts_per_unit
                if not abs(value) < _BODY_LIMIT:
                    continue
            values = np.array([round(value)], np.int32)
            messages.append(_pulses(_PULSE[kind], times, values))
        return messages


class _Edges:
    """Finds where a sampled signal passes its threshold, across blocks."""

    def __init__(self, column: EdgeColumn) -> None:
        self.column = column
        self._last: tuple[float, float] | None = None
        self._armed = True

    def find(self, us: _Floats, values: _Floats) -> _Floats:
        """Return the times of edges, interpolated between rows."""
        if not len(us):
            return us
        sign = -1.0 if self.column.falling else 1.0
        level, rearm = sign * self.column.threshold, sign * self.column.rearm
        v, t = sign * values, us
        if self._last is not None:
            t, v = np.concatenate(([self._last[0]], t)), np.concatenate(([self._last[1]], v))
        self._last = (float(t[-1]), float(v[-1]))
        up = np.flatnonzero((v[:-1] < level) & (v[1:] >= level)) + 1
        low = np.cumsum(v < min(rearm, level))  # how often the signal was low enough to arm
        times = []
        armed_at = -1 if self._armed else int(low[0])
        for index in up.tolist():
            if low[index] > armed_at:
                share = (level - v[index - 1]) / (v[index] - v[index - 1])
                times.append(float(t[index - 1] + share * (t[index] - t[index - 1])))
                armed_at = int(low[index])
        self._armed = bool(low[-1] > armed_at)
        return np.array(times)


def _ticks(us: _Floats) -> NDArray[np.uint32]:
    return (np.rint(us * TICKS_PER_US).astype(np.int64) & 0xFFFFFFFF).astype(np.uint32)


def _pulses(kind: PulseKind, us: _Floats, values: NDArray[np.int32]) -> Pulses:
    return Pulses(kinds=np.full(len(us), kind, np.uint8), ticks=_ticks(us), values=values)


def _counts(values: _Floats, column: PressureColumn, sensor: PressureSensor) -> NDArray[np.uint16]:
    """Return counts on the scale of the rig card; what is off the scale sits at its rail."""
    if column.unit == "counts":
        return np.clip(np.rint(values), 0, (1 << column.adc_bits) - 1).astype(np.uint16)
    unit = pressure_unit(column.unit)
    kpa = to_kpa(values, unit)
    if column.barometer is not None:
        kpa = absolute_kpa(kpa, to_kpa(column.barometer, unit))
    share = kpa * sensor.gain_per_kpa + sensor.offset
    return np.clip(np.rint(share * (1 << FINE_BITS) - 0.5), 0, (1 << FINE_BITS) - 1).astype(
        np.uint16
    )
