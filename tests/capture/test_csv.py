"""CSV files: units, edges, events, and rows that cannot be read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pint
import pytest
from decoded import Decoded, decode

from vaclog.capture import csv_mapping as csv_mapping_module
from vaclog.capture.csv_mapping import EXAMPLE, EdgeColumn, csv_mapping
from vaclog.capture.csv_source import BLOCK_ROWS, _Edges
from vaclog.capture.open import open_capture
from vaclog.cards import PressureSensor, RigCard
from vaclog.errors import CaptureError, CardError
from vaclog.wire.messages import PulseKind

TICKS_PER_S = 2_000_000


def read(tmp_path: Path, text: str, mapping: str, rig: RigCard | None = None) -> Decoded:
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    (tmp_path / "run.toml").write_text(mapping, encoding="utf-8")
    return decode(open_capture(path, rig=rig).records)


def kpa_of(counts: int, sensor: PressureSensor) -> float:
    """The card's own formula (text of the rig card), backwards."""
    return ((counts + 0.5) / 65536 - sensor.offset) / sensor.gain_per_kpa


# Conversions by pint, an independent library; inHg and mmHg are the conventional ones at 0 °C.
@pytest.mark.parametrize(
    ("unit", "value", "kpa"),
    [
        ("kPa", 40.0, 40.0),
        ("mbar", 400.0, pint.UnitRegistry()("400 mbar").to("kPa").magnitude),
        ("inHg", 12.0, pint.UnitRegistry()("12 inHg").to("kPa").magnitude),
        ("mmHg", 300.0, pint.UnitRegistry()("300 mmHg").to("kPa").magnitude),
        ("psi", 6.0, pint.UnitRegistry()("6 psi").to("kPa").magnitude),
    ],
)
@pytest.mark.parametrize(
    "sensor", [PressureSensor(), PressureSensor(gain_per_kpa=0.009, offset=-0.095)]
)
def test_pressure_in_any_unit_on_any_scale(
    tmp_path: Path, unit: str, value: float, kpa: float, sensor: PressureSensor
) -> None:
    mapping = f'[columns]\ntime = "t"\npressure = {{ column = "p", unit = "{unit}" }}\n'
    got = read(tmp_path, f"t,p\n0,{value}\n0.001,{value}\n", mapping, RigCard(pressure=sensor))
    assert got.hello is not None and got.hello.adc_bits == 16
    step = 1 / 65536 / sensor.gain_per_kpa
    for _, counts in got.pressure:
        assert kpa_of(counts, sensor) == pytest.approx(kpa, abs=0.51 * step)


def test_vacuum_with_a_barometer(tmp_path: Path) -> None:
    """17 inHg below 101.325 kPa is 43.756 kPa absolute (recomputed from NIST SP 811)."""
    mapping = """[columns]
    time = "t"
    pressure = { column = "v", unit = "inHg", kind = "vacuum", barometer = 29.9213 }
    """
    got = read(tmp_path, "t,v\n0,17\n", mapping)
    assert kpa_of(got.pressure[0][1], PressureSensor()) == pytest.approx(43.756, abs=0.003)


def test_counts_are_passed_on_as_they_are(tmp_path: Path) -> None:
    mapping = '[columns]\ntime = "t"\npressure = { column = "p", unit = "counts", adc_bits = 12 }'
    got = read(tmp_path, "t,p\n0,0\n0.001,4095\n0.002,5000\n0.003,-3\n", mapping)
    assert got.hello is not None and got.hello.adc_bits == 12
    assert [counts for _, counts in got.pressure] == [0, 4095, 4095, 0]


@pytest.mark.parametrize(("unit", "scale"), [("s", 1.0), ("ms", 1e3), ("us", 1e6)])
def test_time_in_any_unit_from_any_start(tmp_path: Path, unit: str, scale: float) -> None:
    times = 1234.5 + np.arange(10) * 0.002
    rows = "".join(f"{t * scale:.9g},40\n" for t in times)
    mapping = f"""[columns]
    time = {{ column = "t", unit = "{unit}" }}
    pressure = {{ column = "p", unit = "kPa" }}
    """
    got = read(tmp_path, "t,p\n" + rows, mapping)
    at = np.array([tick for tick, _ in got.pressure]) / TICKS_PER_S
    np.testing.assert_allclose(at, times - times[0], atol=5e-6)


def test_edges_of_sampled_signals_are_interpolated(tmp_path: Path) -> None:
    """A triangle of known slope: the edge time is known exactly, across blocks of rows too."""
    n = 2 * BLOCK_ROWS + 100
    t = np.arange(n) * 1e-3
    period = 0.1
    phase = (t + 0.0373) % period
    spark = np.where(phase < 0.05, phase, 0.1 - phase)  # volts, 1 V/s up, 1 V/s down
    rows = "".join(f"{a:.6f},40,{b:.6f}\n" for a, b in zip(t, spark, strict=True))
    mapping = """[columns]
    time = "t"
    pressure = { column = "p", unit = "kPa" }
    spark = { column = "s", threshold = 0.0205 }
    mark = { column = "s", threshold = 0.0205, edge = "falling" }
    """
    got = read(tmp_path, "t,p,s\n" + rows, mapping)
    first = (0.0205 - 0.0373) % period
    expected = np.arange(first, t[-1], period)
    at = np.array([tick for tick, _ in got.pulses[PulseKind.SPARK]]) / TICKS_PER_S
    np.testing.assert_allclose(at, expected, atol=2e-6)
    falls = np.arange((0.1 - 0.0205 - 0.0373) % period, t[-1], period)
    at = np.array([tick for tick, _ in got.pulses[PulseKind.MARK]]) / TICKS_PER_S
    np.testing.assert_allclose(at, falls, atol=2e-6)
    assert len(got.pressure) == n
    assert got.lines_skipped == 0


def test_rows_too_far_apart_time_no_spark(tmp_path: Path) -> None:
    """At 500 Hz an advance would be the gaps between rows; pressure and speed still are read."""
    rows = "".join(
        f"{n * 0.002:.3f},40,{5 * (n % 70 == 0)},{5 * (n % 35 == 0)}\n" for n in range(999)
    )
    head = '[columns]\ntime = "t"\npressure = { column = "p", unit = "kPa" }\n'
    spark = 'spark = { column = "s", threshold = 2.5 }\n'
    mark = 'mark = { column = "m", threshold = 2.5 }\n'
    with pytest.raises(CaptureError, match=r"every 2\.0 ms.* 10°") as raised:
        read(tmp_path, "t,p,s,m\n" + rows, head + spark + mark)
    assert "events" in raised.value.step
    got = read(tmp_path, "t,p,s,m\n" + rows, head + spark)
    assert len(got.pressure) == 999 and got.pulses[PulseKind.SPARK]


def test_a_ringing_edge_counts_once_with_a_rearm_level(tmp_path: Path) -> None:
    volts = [0, 5, 2, 5, 2, 5, 0, 0, 5, 2, 5, 0]
    rows = "".join(f"{n / 1000},{v}\n" for n, v in enumerate(volts))
    for rearm, expected in (("", 5), (", rearm = 1.0", 2)):
        mapping = f'[columns]\ntime = "t"\ncoil = {{ column = "v", threshold = 2.5{rearm} }}\n'
        got = read(tmp_path, "t,v\n" + rows, mapping)
        assert len(got.pulses[PulseKind.COIL]) == expected


def test_a_row_right_on_the_threshold_is_the_edge() -> None:
    """It counts once, as the row where the signal arrives there."""
    column = EdgeColumn(column="v", threshold=2.0, rearm=2.0, falling=False)
    edges = _Edges(column)
    at = edges.find(np.array([0.0, 10.0, 20.0, 30.0]), np.array([0.0, 2.0, 2.0, 3.0]))
    assert at.tolist() == [10.0]
    assert edges.find(np.array([40.0, 50.0]), np.array([1.0, 3.0])).tolist() == [45.0]
    assert edges.find(np.array([]), np.array([])).tolist() == []


def test_one_row_an_event(tmp_path: Path) -> None:
    text = """logged by hand
t;kind;value;map
0;S;;
0,001;;;40,5
0,002;R;;
0,003;C;;
0,004;A;12,5;
0,005;note;hose off;41
0,006;other;;
0,007;S;;41,5
"""
    mapping = """
    [file]
    delimiter = ";"
    decimal = ","
    skip = 1
    [columns]
    time = "t"
    pressure = { column = "map", unit = "kPa" }
    body = { column = "value", counts_per_unit = 10 }
    [columns.event]
    column = "kind"
    value = "value"
    spark = "S"
    mark = "R"
    coil = "C"
    body = "A"
    marker = "note"
    """
    got = read(tmp_path, text, mapping)
    assert [tick for tick, _ in got.pressure] == [2000, 10000, 14000]
    assert got.pulses == {
        PulseKind.SPARK: [(0, 0), (14000, 0)],
        PulseKind.MARK: [(4000, 0)],
        PulseKind.COIL: [(6000, 0)],
        PulseKind.BODY: [(8000, 125)],
    }
    assert got.markers == [(10000, "hose off")]


def test_body_angle_as_a_column(tmp_path: Path) -> None:
    mapping = '[columns]\ntime = "t"\nbody = { column = "b", counts_per_unit = 100 }\n'
    got = read(tmp_path, "t,b\n0,-1.234\n0.001,\n0.002,7\n", mapping)
    assert got.pulses[PulseKind.BODY] == [(0, -123), (4000, 700)]


def test_rows_that_cannot_be_read_are_counted_as_skipped_lines(tmp_path: Path) -> None:
    text = "t,p\n0,40\nx,40\n0.001,4o\n\n0.002,40\n0.003\n,40\n0.004,nan\n0.005,\n0.006,40\n"
    mapping = '[columns]\ntime = "t"\npressure = { column = "p", unit = "kPa" }\n'
    got = read(tmp_path, text, mapping)
    assert [tick // 2000 for tick, _ in got.pressure] == [0, 2, 6]
    assert got.lines_skipped == 4  # an empty cell of pressure is no error


def test_columns_by_number_without_a_header(tmp_path: Path) -> None:
    mapping = "[file]\nheader = false\n[columns]\ntime = 2\n" + (
        'pressure = { column = 1, unit = "kPa" }\n'
    )
    got = read(tmp_path, "40,0\n41,0.001\n", mapping)
    assert [tick for tick, _ in got.pressure] == [0, 2000]


def test_a_long_log_passes_through_the_wrap(tmp_path: Path) -> None:
    rows = "".join(f"{n * 0.5},40\n" for n in range(4400))
    mapping = '[columns]\ntime = "t"\npressure = { column = "p", unit = "kPa" }\n'
    got = read(tmp_path, "t,p\n" + rows, mapping)
    assert [tick for tick, _ in got.pressure] == [(n * 1_000_000) % (1 << 32) for n in range(4400)]


@pytest.mark.parametrize(
    ("mapping", "said"),
    [
        ("columns = 3", "columns must be a table"),
        ("[colums]", "colums is not known. Did you mean columns"),
        ("[columns]\n", "time is missing"),
        ("[columns]\ntime = { unit = 's' }", "time names no column"),
        ("[columns]\ntime = { column = 't', unit = 'h' }", "time.unit = 'h'"),
        ("[columns]\ntime = 't'\npressur = 'p'", "Did you mean pressure"),
        ("[columns]\ntime = 't'\npressure = 'p'", "pressure.unit = None"),
        ("[columns]\ntime = 't'\npressure = { column = 'p', unit = 'bar' }", "Known: inHg, kPa"),
        (
            "[columns]\ntime = 't'\npressure = { column = 'p', unit = 'kPa', kind = 'vacuum' }",
            "barometer",
        ),
        ("[columns]\ntime = 't'\nspark = 's'", "spark.threshold is missing"),
        ("[columns]\ntime = 't'\nspark = { column = 's', threshold = '2' }", "must be a number"),
        (
            "[columns]\ntime = 't'\nspark = { column = 's', threshold = 2, edge = 'up' }",
            "rising, falling",
        ),
        ("[columns]\ntime = 't'\nevent = 'k'", "event names no kind"),
        ("[columns]\ntime = 't'\n[file]\ndelimiter = ', '", "delimiter"),
        ("[columns]\ntime = 't'\n[file]\nheader = 1", "true or false"),
        ("[columns]\ntime = 't'\n[file]\nseparator = ';'", "separator is not known"),
        ("[columns", "is not TOML"),
    ],
)
def test_a_wrong_mapping_names_the_key(mapping: str, said: str) -> None:
    with pytest.raises(CardError) as caught:
        csv_mapping(mapping, where="run.toml")
    assert said in str(caught.value)
    assert "run.toml" in str(caught.value)
    assert caught.value.step


def test_what_the_description_shows_is_a_mapping() -> None:
    """All its indented lines together are one valid file."""
    described = csv_mapping_module.__doc__ or ""
    shown = "\n".join(line for line in described.splitlines() if line.startswith("    "))
    mapping = csv_mapping(shown)
    assert set(mapping.edges) == {"spark", "mark", "coil"}
    assert mapping.edges["mark"].falling and mapping.edges["mark"].rearm == 1.0
    assert mapping.event is not None and mapping.event.kinds["R"] == "mark"
    assert mapping.columns() == ["t", "clamp", "vr", "coil", "map", "angle", "kind", "value"]


def test_the_example_in_the_error_is_a_mapping() -> None:
    mapping = csv_mapping(EXAMPLE)
    assert mapping.columns() == ["t", "clamp", "mark", "map"]
