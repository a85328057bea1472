"""The strip and its sheet: true to size by independent renderers, geometry by plain trigonometry.

Outside: PDFium (package ``pypdfium2``) renders the PDF at a known resolution and lines are measured
in its pixels; Chromium does the same for the SVG. 0.5 % of 100 mm are half a millimetre.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.image import imread
from numpy.typing import NDArray

from vaclog.cli.main import main
from vaclog.report.sheet import pdf, svg
from vaclog.report.strip import HEIGHT_MM, MARGIN, PAPERS, TAIL_MM, StripSpec, sheet

SPEC = StripSpec(radius_mm=32.0, rotor_turns="clockwise")
RULER_Y_MM = 44.0  # across the ruler's long lines


def dark_columns(picture: NDArray[np.float64], y_mm: float, per_mm: float) -> NDArray[np.float64]:
    """Centres of dark runs along a row, in millimetres from the left."""
    row = picture[round(y_mm * per_mm)] < 0.7
    edges = np.flatnonzero(np.diff(row.astype(int), prepend=0, append=0))
    return (edges[::2] + edges[1::2]) / 2.0 / per_mm


def row_of(text: str) -> float:
    """Where the scale of the first strip stands (its lower edge), in millimetres from above."""
    match = re.search(r'y="([0-9.]+)"[^>]*>Rotor', text)
    assert match is not None
    return float(match[1]) + 2.0 + HEIGHT_MM


def from_pdf(data: bytes, per_mm: float) -> NDArray[np.float64]:
    """Grey picture of a PDF's page by PDFium."""
    pdfium = pytest.importorskip("pypdfium2")
    page = pdfium.PdfDocument(data)[0]
    grey = page.render(scale=per_mm * 25.4 / 72.0, grayscale=True).to_numpy()
    return np.asarray(grey.reshape(grey.shape[:2]) / 255.0)


def from_svg(text: str, folder: Path, scale: int) -> NDArray[np.float64]:
    """Grey picture of an SVG by Chromium; a CSS pixel is 1/96 inch."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        pytest.skip("no Chromium here")
    (folder / "strip.svg").write_text(text, encoding="utf-8")
    subprocess.run(
        [
            browser,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            f"--force-device-scale-factor={scale}",
            "--window-size=820,1140",
            f"--user-data-dir={folder}/profile",
            f"--screenshot={folder}/strip.png",
            f"file://{folder}/strip.svg",
        ],
        check=True,
        capture_output=True,
        timeout=60,
    )
    return np.asarray(imread(folder / "strip.png"))[..., :3].mean(axis=2)


def check_size(picture: NDArray[np.float64], per_mm: float, edge_mm: float) -> None:
    """Measure the rulers and the scale in a picture."""
    ticks = dark_columns(picture, RULER_Y_MM + 0.2, per_mm)
    assert len(ticks) == 11  # only the long lines of the 100 mm reach down here
    assert ticks[-1] - ticks[0] == pytest.approx(100.0, rel=0.005)
    assert np.diff(ticks) == pytest.approx(np.full(10, 10.0), abs=0.1)
    inches = dark_columns(picture, RULER_Y_MM + 11.2, per_mm)
    assert inches[-1] - inches[0] == pytest.approx(4 * 25.4, rel=0.005)
    # Tens: six steps of ten crank degrees, or thirty of the body, are a twelfth of the circle.
    tens = dark_columns(picture, edge_mm - 5.6, per_mm)
    tens = tens[(tens > MARGIN + 1) & (tens < MARGIN + TAIL_MM * 2 + SPEC.length_mm - 1)]
    assert len(tens) == 7
    assert tens[-1] - tens[0] == pytest.approx(2 * math.pi * 32.05 / 12.0, rel=0.005)


def test_pdf_is_true_to_size() -> None:
    per_mm = 20.0
    drawn = sheet(SPEC)
    picture = from_pdf(pdf(drawn), per_mm)
    assert picture.shape == pytest.approx((297 * per_mm, 210 * per_mm), abs=1.5)
    check_size(picture, per_mm, row_of(svg(drawn)))


def test_svg_is_true_to_size(tmp_path: Path) -> None:
    text = svg(sheet(SPEC))
    check_size(from_svg(text, tmp_path, 4), 4 * 96 / 25.4, row_of(text))


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("radius_mm", [22.0, 32.0, 45.0])
def test_both_papers_hold_everything(paper: str, radius_mm: float) -> None:
    drawn = sheet(StripSpec(radius_mm=radius_mm, paper=paper))  # type: ignore[arg-type]
    width, height = PAPERS[paper]  # type: ignore[index]
    assert (drawn.width, drawn.height) == (width, height)
    for line in drawn.lines:
        assert min(line.x0, line.x1) >= 10.0
        assert max(line.x0, line.x1) <= width - 10.0
        assert max(line.y0, line.y1) <= height - 10.0
    for words in drawn.words:
        assert words.y <= height - 8.0
        assert (
            words.x + 0.48 * words.size * len(words.text) <= width - 8.0 or words.anchor != "start"
        )


def scale_ticks(radius_mm: float, way: str) -> dict[int, float]:
    """Where tens lie along the strip, from its zero, to the right as seen."""
    drawn = sheet(StripSpec(radius_mm=radius_mm, rotor_turns=way))  # type: ignore[arg-type]
    figures = [w for w in drawn.words if w.text.isdigit() and w.anchor == "middle"]
    first = figures[: len(figures) // 2]  # the other half is for the mirror
    zero = next(w.x for w in first if w.text == "0")
    return {int(w.text) * (1 if w.bold else -1): w.x - zero for w in first}


@pytest.mark.parametrize(("way", "body_sense"), [("clockwise", +1.0), ("counterclockwise", -1.0)])
def test_pointer_meets_what_was_advanced(way: str, body_sense: float) -> None:
    """Turn points of the rim about the axis by plain trigonometry and see what meets the pointer.

    Seen from above, x to the right of who looks from y = -infinity; the pointer stands at
    (0, -R). A rotor that turns clockwise is met sooner by a body turned counterclockwise.
    """
    radius = 32.05
    for crank_deg, along in scale_ticks(32.0, way).items():
        # The point that lies `along` to the right of the zero, when zero is at the pointer.
        angle = -math.pi / 2 + along / radius
        turned = angle + body_sense * math.radians(crank_deg / 2.0)
        x, y = radius * math.cos(turned), radius * math.sin(turned)
        assert x == pytest.approx(0.0, abs=0.02)
        assert y == pytest.approx(-radius, abs=0.001)


def test_a_wide_rim_may_be_too_long_for_the_paper() -> None:
    with pytest.raises(ValueError, match="has room for"):
        sheet(StripSpec(radius_mm=60.0, span_deg=150))
    with pytest.raises(ValueError, match="meets itself"):
        sheet(StripSpec(radius_mm=10.0, span_deg=360))


def test_lines_stay_apart_on_a_small_rim() -> None:
    drawn = sheet(StripSpec(radius_mm=15.0, rotor_turns="clockwise"))
    edge = max(line.y1 for line in drawn.lines if line.width == 0.16)
    ticks = sorted(
        line.x0 for line in drawn.lines if line.y1 == pytest.approx(edge) and not line.dashed
    )
    assert min(np.diff(ticks)) >= 0.24


def test_command_writes_both_and_says_the_pitch(tmp_path: Path) -> None:
    card = tmp_path / "engine.toml"
    card.write_text('body_radius_mm = 30.0\nrotor_turns = "counterclockwise"\n', encoding="utf-8")
    for name in ("s.pdf", "s.svg"):
        out = tmp_path / name
        answer = CliRunner().invoke(main, ["strip", "--engine", str(card), "--out", str(out)])
        assert answer.exit_code == 0, answer.output
        assert "0.262 mm" in answer.stderr
        text = out.read_bytes()
        assert b"counterclockwise" in text and b"Rotor clockwise" not in text
    for wrong, said in (
        (["strip", "--out", str(tmp_path / "s.pdf")], "--radius-mm"),
        (["strip", "--radius-mm", "32", "--out", str(tmp_path / "s.png")], ".pdf or .svg"),
        (["strip", "--radius-mm", "90", "--span", "200", "--out", str(out)], "smaller --span"),
    ):
        refused = CliRunner().invoke(main, wrong)
        assert refused.exit_code == 2
        assert said in refused.stderr
