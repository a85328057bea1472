"""The picture: what is on it, where it stands, and that it is the same each time."""

from __future__ import annotations

import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from report_cases import (
    CASES,
    EMPTY,
    FOUND,
    NO_ADVANCE,
    NO_BAROMETER,
    NO_CAP,
    NOT_REACHED,
    STUMBLING,
    trodden,
)

from vaclog.report import picture
from vaclog.result import HillPicture, Idle, Result
from vaclog.units import PRESSURE_UNITS, PressureUnit

SVG = "{http://www.w3.org/2000/svg}"


def words_in(result: Result, unit: PressureUnit = "inHg", shape: picture.Shape = "wide") -> str:
    tree = ET.fromstring(picture.svg(result, unit, shape))
    return "\n".join("".join(node.itertext()) for node in tree.iter(f"{SVG}text"))


def place_of(result: Result, text: str) -> tuple[float, float]:
    """Where a word stands, in points from the upper left."""
    tree = ET.fromstring(picture.svg(result, "inHg"))
    for node in tree.iter(f"{SVG}text"):
        if "".join(node.itertext()) == text:
            place = node.get("transform") or ""
            found = re.search(r"translate\(([-\d.]+) ([-\d.]+)\)", place)
            if found:
                return float(found[1]), float(found[2])
            return float(node.get("x", "nan")), float(node.get("y", "nan"))
    raise AssertionError(f"{text!r} is not in the picture")


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("shape", ["wide", "tall"])
def test_every_case_can_be_drawn(name: str, shape: picture.Shape) -> None:
    text = words_in(CASES[name], shape=shape)
    assert text
    assert not re.search(r"\bnan\b|None", text)


def test_ball_top_limits_and_now_are_named_with_their_angles() -> None:
    text = words_in(STUMBLING)
    for part in (
        "11.6°",
        "now 22.0°",
        "top 27.3°",
        "±0.9° (95 %)",
        "maker's figure 11.6°",
        "maximum total 13.4°",
        "misfire 29.2°",
        "hill's own 13.6°",
    ):
        assert part in text.splitlines(), part


def test_things_stand_in_the_order_of_their_angles() -> None:
    ball, now, top = (place_of(FOUND, text) for text in ("11.6°", "now 22.0°", "top 27.3°"))
    assert ball[0] < now[0] < top[0]
    assert top[1] < ball[1], "up is more vacuum"


def test_axis_is_vacuum_in_the_readers_unit() -> None:
    for unit in PRESSURE_UNITS:
        assert f"vacuum, {unit}" in words_in(FOUND, unit)


def test_without_barometer_less_pressure_is_up() -> None:
    assert "absolute pressure, less is up, inHg" in words_in(NO_BAROMETER)
    ticks = {
        text: place_of(NO_BAROMETER, text)[1]
        for text in words_in(NO_BAROMETER).splitlines()
        if re.fullmatch(r"\d+\.\d", text)
    }
    low, high = min(ticks, key=float), max(ticks, key=float)
    assert float(low) < float(high)
    assert ticks[low] < ticks[high], "the smaller pressure stands higher on paper"
    assert not any(text.startswith("-") for text in words_in(NO_BAROMETER).splitlines())


def test_footprints_lie_along_the_way_that_was_swept() -> None:
    tree = ET.fromstring(picture.svg(FOUND, "inHg"))
    (group,) = [node for node in tree.iter(f"{SVG}g") if node.get("id") == "footprints"]
    soles = [node.get("d") or "" for node in group.iter(f"{SVG}path")]
    assert 60 <= len(soles) <= 110
    left, right = place_of(FOUND, "10")[0], place_of(FOUND, "35")[0]
    for outline in soles:
        points = re.findall(r"([-\d.]+) ([-\d.]+)", outline)
        across, down = [float(x) for x, _ in points], [float(y) for _, y in points]
        assert left - 15 < min(across) < max(across) < right
        assert 0 < min(down) < max(down) < 5.4 * 72
        assert max(across) - min(across) < 14, "a footprint is a small thing"
    fading = [float(x) for x in re.findall(r"opacity: ([\d.]+)", ET.tostring(group).decode())]
    assert fading[0] < 0.2
    assert fading[-1] > 0.6


def test_a_top_that_was_not_reached_is_pointed_at() -> None:
    assert "still climbing" in words_in(NOT_REACHED)
    assert "top 2" not in words_in(NOT_REACHED)
    down = replace(NOT_REACHED, peak=replace(NOT_REACHED.peak, beyond="retarded"))
    assert "all downhill" in words_in(down)
    assert "(reckoned)" in words_in(NOT_REACHED), "the pennant says it is extrapolated"


def test_without_a_set_point_there_is_no_ball_but_words() -> None:
    text = words_in(NO_CAP)
    assert "no set point is given" in text
    assert "11.6°" not in text.splitlines()
    assert "no set point" not in words_in(FOUND)


def test_without_a_hill_the_picture_says_so() -> None:
    for result in (NO_ADVANCE, EMPTY):
        assert "No hill to draw" in words_in(result)
    assert "no advance is known" in words_in(NO_ADVANCE)


def test_what_lies_outside_is_pointed_at_from_the_edge() -> None:
    far = replace(FOUND, hill=replace(FOUND.hill, limits_deg=(("misfire", 90.0),)))
    assert "misfire 90.0° →" in words_in(far)
    low = replace(FOUND, advice=replace(FOUND.advice, set_deg=-60.0, hill_deg=None))
    assert "← set -60.0°" in words_in(low)


@pytest.mark.parametrize(
    "hill",
    [
        replace(FOUND.hill, foot_deg=(), foot_kpa=(), foot_age=()),
        replace(FOUND.hill, low_kpa=(float("nan"),) * len(FOUND.hill.curve_deg)),
        replace(FOUND.hill, curve_kpa=(40.0,) * len(FOUND.hill.curve_deg)),
        trodden(10.0, 12.0, 27.3),
        trodden(-12.0, 40.0, 14.0, steep=0.05),
        HillPicture(curve_deg=(1.0, 2.0), curve_kpa=(40.0, 41.0), low_kpa=(0, 0), high_kpa=(9, 9)),
    ],
    ids=["no feet", "no band", "flat", "narrow", "steep", "two points"],
)
def test_odd_hills_can_be_drawn(hill: HillPicture) -> None:
    assert words_in(replace(FOUND, hill=hill))
    assert words_in(replace(FOUND, hill=hill, idle=Idle()), shape="tall")


def test_same_bytes_each_time_and_no_date() -> None:
    assert picture.svg(FOUND, "inHg") == picture.svg(FOUND, "inHg")
    assert "<dc:date>" not in picture.svg(FOUND, "inHg")


def test_files(tmp_path: Path) -> None:
    png, svg = tmp_path / "hill.PNG", tmp_path / "hill.svg"
    picture.save(FOUND, png, "kPa")
    picture.save(FOUND, svg, "kPa")
    data = png.read_bytes()
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    assert int.from_bytes(data[16:20]) == 1350  # 9 inches at 150 dots
    assert svg.read_text(encoding="utf-8") == picture.svg(FOUND, "kPa")
    again = tmp_path / "again.png"
    picture.save(FOUND, again, "kPa")
    assert again.read_bytes() == data
    with pytest.raises(ValueError, match=r"\.png or \.svg"):
        picture.save(FOUND, tmp_path / "hill.gif", "kPa")


def test_described_for_those_who_do_not_see_it() -> None:
    said = picture.describe(FOUND, "inHg")
    assert "27.3°" in said
    assert "Set it to 11.6°" in said


def test_matplotlib_is_loaded_late() -> None:
    code = (
        "import sys, vaclog.report.text, vaclog.report.page, vaclog.report.picture;"
        "sys.exit('matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
