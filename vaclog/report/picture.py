"""The hill seen from the side, with the ball where the timing is to be set.

Enters: a result and a unit. Leaves: an SVG or PNG file, or SVG text for the page.

Vacuum is up, advance to the right. Where the sweep trod the ground is solid, beyond it only
dashed; footprints fade with age and point the way the hand went. A post marks the top, with the
bar of its 95 % interval; fences mark the limits; the open ball is where the engine last idled,
the full one where it is to be set, with its digits on it. Without a barometer the height is
absolute pressure, less of it being higher up; without a known advance there is no hill to draw.
"""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any, Final, Literal

from vaclog.report.hill_drawing import Drawing, Shape
from vaclog.report.hill_scene import make_scene
from vaclog.report.look import BY_PAGE, LIGHT, Palette, by_page
from vaclog.report.words import answer, seen
from vaclog.result import Result
from vaclog.units import PressureUnit

_SIZE_IN: Final[dict[Shape, tuple[float, float]]] = {"wide": (9.0, 5.4), "tall": (4.2, 5.3)}
# The font that comes with matplotlib; where an SVG is shown without it, one of the same widths.
_FONT: Final = "DejaVu Sans"
_FONT_OR_LIKE: Final = "'DejaVu Sans', Verdana, sans-serif"
_PNG_DPI: Final = 150
_DPI: Final = 72.0
_LONG_NUMBER: Final = re.compile(r"-?\d+\.\d{3,}")


def save(result: Result, path: Path, unit: PressureUnit) -> None:
    """Write the picture; the ending of the name chooses PNG or SVG.

    Raises
    ------
    ValueError
        Another ending.
    OSError
        The file cannot be written.
    """
    ending = path.suffix.lower()
    if ending not in (".png", ".svg"):
        raise ValueError(f"{path.name}: a picture is written as .png or .svg")
    if ending == ".svg":
        path.write_text(svg(result, unit), encoding="utf-8")
        return
    path.write_bytes(_drawn(result, unit, "wide", LIGHT, "png"))


def svg(result: Result, unit: PressureUnit, shape: Shape = "wide", palette: Palette = LIGHT) -> str:
    """The picture as an SVG document."""
    text = _drawn(result, unit, shape, palette, "svg").decode("utf-8")
    return _LONG_NUMBER.sub(_hundredths, text.replace(f"'{_FONT}'", _FONT_OR_LIKE))


def _hundredths(number: re.Match[str]) -> str:
    """Hundredths of a point are finer than any screen, and halve the file."""
    return f"{float(number.group()):.2f}"


def svg_for_page(result: Result, unit: PressureUnit, shape: Shape) -> str:
    """The picture as an SVG element that takes its colours from the page around it."""
    text = by_page(svg(result, unit, shape, BY_PAGE))
    # Two drawings in one page must not share names.
    text = re.sub(r'(\bid="|href="#|url\(#)', rf"\1{shape}-", text)
    return text[text.index("<svg") :].strip()


def describe(result: Result, unit: PressureUnit) -> str:
    """The picture in a sentence, for those who do not see it."""
    parts = ["The hill of vacuum over advance, seen from the side."]
    if not result.hill.curve_deg:
        parts = ["There is no hill to draw."]
    parts += [seen.top(result.peak), answer.headline(result)]
    return " ".join(parts)


def _drawn(
    result: Result, unit: PressureUnit, shape: Shape, palette: Palette, kind: Literal["png", "svg"]
) -> bytes:
    """Draw and encode; the same result gives the same bytes."""
    # Heavy, and only needed here.
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    style: Any = {
        "font.family": [_FONT],
        "font.size": 10.5,
        "svg.fonttype": "none",
        "svg.hashsalt": f"hill-{shape}",
        "text.color": palette.ink,
    }
    with mpl.rc_context(style):
        figure = Figure(figsize=_SIZE_IN[shape], facecolor=palette.paper)
        (FigureCanvasSVG if kind == "svg" else FigureCanvasAgg)(figure)
        scene = make_scene(result, unit)
        if scene is None:
            _placard(figure, result, palette)
        else:
            Drawing(figure, scene, result, unit, palette, shape).draw()
        out = io.BytesIO()
        metadata = {"Date": None} if kind == "svg" else {"Software": None}
        figure.savefig(out, format=kind, dpi=_DPI if kind == "svg" else _PNG_DPI, metadata=metadata)
    return out.getvalue()


def _placard(figure: Any, result: Result, palette: Palette) -> None:
    """Where there is no hill to draw: say so, and why."""
    reason = (result.peak.why_not or "").rstrip(".")
    figure.text(0.5, 0.58, "No hill to draw", ha="center", fontsize=15, color=palette.ink)
    if reason:
        figure.text(0.5, 0.46, reason + ".", ha="center", color=palette.quiet, wrap=True)
