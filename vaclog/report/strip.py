"""The paper strip: an angle scale for the rim of the distributor body, and its pointer.

Enters: the rim's radius, how many degrees, the way the rotor turns, the paper. Leaves: a
:class:`~vaclog.report.sheet.Sheet`.

One degree of the body is two of the crank, so a crank degree is pi/360 of the radius: 0.28 mm at
32 mm. The strip lies on the rim, so its middle runs on a circle larger by half the paper's
thickness, and it is there that paper neither stretches nor shrinks when it is bent.

The body turns against the rotor to advance. With a rotor that turns clockwise (seen from above)
the body advances counterclockwise; its near side then moves to the right before whoever looks at
it, so a fixed pointer meets what lay to its left: figures grow to the left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal, TypeAlias

from vaclog.report.sheet import Line, Sheet, Words
from vaclog.result import TurnWay

Paper: TypeAlias = Literal["a4", "letter"]
PAPERS: Final[dict[Paper, tuple[float, float]]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
# Office paper of 80 g per square metre (common practice: a ream of 500 is 50 mm thick).
PAPER_MM: Final = 0.1
MARGIN: Final = 16.0
# Closer lines run into each other on an office printer: 600 dots an inch are 0.042 mm each.
LEAST_PITCH_MM: Final = 0.24
TAIL_MM: Final = 14.0  # blank paper at either end, for the glue
HEIGHT_MM: Final = 17.0
TICKS: Final = {10: (6.5, 0.16), 5: (4.6, 0.11), 1: (3.0, 0.08)}  # length and width, mm
ROWS: Final = 2  # figures stand in turn in two rows, so that they can be twice as large
MOST_FIGURE_MM: Final = 7.0
_DIGIT: Final = 0.556  # width of a figure of Helvetica over its size


@dataclass(frozen=True, slots=True, kw_only=True)
class StripSpec:
    """What to draw.

    Attributes
    ----------
    radius_mm
        Of the rim where the strip will lie.
    span_deg
        Crank degrees to either side of zero.
    rotor_turns
        Seen from above the cap; None: not known, strips for both ways are drawn.
    paper
        Size of the sheet.
    """

    radius_mm: float
    span_deg: int = 30
    rotor_turns: TurnWay | None = None
    paper: Paper = "a4"

    @property
    def mm_per_deg(self) -> float:
        """Way along the strip for a crank degree."""
        return math.pi / 360.0 * (self.radius_mm + PAPER_MM / 2.0)

    @property
    def length_mm(self) -> float:
        """From one end of the scale to the other."""
        return 2.0 * self.span_deg * self.mm_per_deg


def sheet(spec: StripSpec) -> Sheet:
    """Draw the sheet.

    Raises
    ------
    ValueError
        The scale does not fit on the paper, or around the body.
    """
    width, height = PAPERS[spec.paper]
    if spec.span_deg * 2 > 700:
        raise ValueError("a scale of more than 700 crank degrees meets itself round the body")
    if spec.length_mm + 2 * TAIL_MM > width - 2 * MARGIN:
        most = (width - 2 * MARGIN - 2 * TAIL_MM) / (2 * spec.mm_per_deg)
        raise ValueError(
            f"{spec.span_deg} degrees to either side need {spec.length_mm + 2 * TAIL_MM:.0f} mm; "
            f"this paper has room for {int(most)} degrees"
        )
    drawn = _Drawing()
    y = _head(drawn, spec)
    y = _rulers(drawn, y)
    ways: tuple[TurnWay, ...] = ("clockwise", "counterclockwise")
    if spec.rotor_turns is not None:
        ways = (spec.rotor_turns,)
    for way in ways:
        for mirrored in (False, True):
            y = _strip(drawn, spec, way, y, mirrored=mirrored)
    y = _pointer(drawn, y)
    _steps(drawn, y)
    return Sheet(
        width=width,
        height=height,
        title=f"Strip for a rim of {spec.radius_mm:g} mm radius",
        lines=tuple(drawn.lines),
        words=tuple(drawn.words),
    )


class _Drawing:
    """Collects lines and words."""

    def __init__(self) -> None:
        self.lines: list[Line] = []
        self.words: list[Words] = []

    def line(self, x0: float, y0: float, x1: float, y1: float, width: float = 0.15) -> None:
        self.lines.append(Line(x0=x0, y0=y0, x1=x1, y1=y1, width=width))

    def say(self, x: float, y: float, text: str, *, size: float = 3.2, bold: bool = False) -> None:
        self.words.append(Words(x=x, y=y, size=size, text=text, bold=bold))

    def box(self, x: float, y: float, width: float, height: float) -> None:
        """Where to cut."""
        corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y)]
        for (x0, y0), (x1, y1) in pairwise(corners):
            self.lines.append(Line(x0=x0, y0=y0, x1=x1, y1=y1, width=0.1, dashed=True))


def _head(drawn: _Drawing, spec: StripSpec) -> float:
    drawn.say(MARGIN, 18.0, "Advance strip for the distributor body", size=5.2, bold=True)
    step = 1 if spec.mm_per_deg >= LEAST_PITCH_MM else 2
    drawn.say(
        MARGIN,
        24.5,
        f"Rim radius {spec.radius_mm:g} mm. One crank degree is {spec.mm_per_deg:.3f} mm here "
        f"(half a degree of the body); a line every {step} degree{'s' if step > 1 else ''}.",
    )
    drawn.say(
        MARGIN,
        29.5,
        f"Reckoned for the middle of paper {PAPER_MM:g} mm thick, lying on that rim. Measure the "
        "diameter with a caliper and halve it.",
    )
    return 36.0


def _rulers(drawn: _Drawing, y: float) -> float:
    drawn.say(
        MARGIN,
        y,
        "First measure these two. Print at 100 %, without fitting to the page.",
        bold=True,
    )
    for top, unit_mm, parts, count, name in (
        (y + 4.0, 10.0, 10, 10, "100 mm"),
        (y + 15.0, 25.4, 8, 4, "4 in"),
    ):
        end = MARGIN + unit_mm * count
        drawn.line(MARGIN, top, end, top, 0.15)
        for number in range(count * parts + 1):
            whole, half = number % parts == 0, number % (parts // 2) == 0
            x = MARGIN + number * unit_mm / parts
            drawn.line(x, top, x, top + (5.0 if whole else 3.5 if half else 2.2), 0.12)
        drawn.say(end + 3.0, top + 4.0, name, size=3.6)
    y += 27.0
    drawn.say(
        MARGIN,
        y,
        "If the 100 mm measure X mm, print again at 10 000 / X per cent (99 mm: 101.0 %). If the",
    )
    drawn.say(
        MARGIN,
        y + 4.5,
        "4 inches measure X inches, at 400 / X per cent. Better than 0.5 mm in 100.",
    )
    return y + 13.0


def _strip(drawn: _Drawing, spec: StripSpec, way: TurnWay, y: float, *, mirrored: bool) -> float:
    """One strip; y of what comes below it."""
    what = "figures for a mirror" if mirrored else "figures as read"
    drawn.say(MARGIN, y, f"Rotor {way} (seen from above): {what}", size=3.0)
    y += 2.0
    middle = MARGIN + TAIL_MM + spec.length_mm / 2.0
    drawn.box(MARGIN, y, spec.length_mm + 2 * TAIL_MM, HEIGHT_MM)
    edge = y + HEIGHT_MM  # the scale stands on the edge towards the block, figures upright
    sense = -1.0 if way == "clockwise" else 1.0  # see the module: where advanced figures lie
    step = 1 if spec.mm_per_deg >= LEAST_PITCH_MM else 2
    for deg in range(-spec.span_deg, spec.span_deg + 1):
        kind = 10 if deg % 10 == 0 else 5 if deg % 5 == 0 and step == 1 else 1
        if kind == 1 and deg % step:
            continue
        x = middle + sense * deg * spec.mm_per_deg
        length, thick = TICKS[kind]
        drawn.line(x, edge - length, x, edge, thick)
    _figures(drawn, spec, edge, middle, sense, mirrored=mirrored)
    left, right = ("ADVANCE", "RETARD") if sense < 0 else ("RETARD", "ADVANCE")
    for text, x in (
        (left, MARGIN + TAIL_MM / 2 - 0.7),
        (right, middle + spec.length_mm / 2 + TAIL_MM / 2 + 0.7),
    ):
        drawn.words.append(
            Words(x=x, y=edge - 2.0, size=2.1, text=text, anchor="middle", mirrored=mirrored)
        )
    return y + HEIGHT_MM + 6.5


def _figures(
    drawn: _Drawing, spec: StripSpec, edge: float, middle: float, sense: float, *, mirrored: bool
) -> None:
    """Tens in two rows, as large as their neighbours in the row leave room."""
    room = 10.0 * ROWS * spec.mm_per_deg
    size = min(MOST_FIGURE_MM, 0.84 * room / (2.0 * _DIGIT))
    tens = range(-(spec.span_deg // 10) * 10, spec.span_deg + 1, 10)
    for deg in tens:
        row = (deg // 10) % ROWS
        x = middle + sense * deg * spec.mm_per_deg
        base = edge - TICKS[10][0] - 0.3 - row * 0.92 * size
        if row:
            drawn.line(x, base + 0.2, x, edge - TICKS[10][0], 0.08)
        # Retard has no sign of its own: it lies on the other side of zero, and reads with one.
        text = f"{abs(deg)}"
        drawn.words.append(
            Words(
                x=x,
                y=base,
                size=size,
                text=text,
                anchor="middle",
                bold=deg >= 0,
                mirrored=mirrored,
            )
        )


def _pointer(drawn: _Drawing, y: float) -> float:
    """A line for the block, and one to scribe beside."""
    drawn.say(MARGIN, y, "Pointer for the block: its line meets the scale's edge.", size=3.0)
    y += 2.0
    for number in range(2):
        x = MARGIN + number * 34.0
        drawn.box(x, y, 28.0, 14.0)
        tip = x + 14.0
        drawn.line(tip, y, tip, y + 14.0, 0.2)
        drawn.line(tip, y + 0.2, tip - 2.5, y + 6.0, 0.3)
        drawn.line(tip, y + 0.2, tip + 2.5, y + 6.0, 0.3)
    return y + 21.0


STEPS: Final = (
    "ENGINE OFF, key out, hands clear of the fan, while you glue and while you lean in.",
    "1  Scribe the body against the block first: that line is the way home.",
    "2  Degrease the rim. Glue the strip with its scale edge towards the block and its zero at "
    "the pointer,",
    "    with the timing where the strobe reads your baseline. Keep paper off the points and off "
    "hot parts.",
    "3  Glue the pointer to the block or a bolted bracket, its tip touching the edge of the scale.",
    "4  Figures count crank degrees from zero: bold towards advance. Add the strobe's baseline to "
    "them:",
    "    vaclog replay CAPTURE --strip '0 4 8 12 8 4' --strip-at 10   (10: the strobe at zero)",
    "5  Turn towards ADVANCE and see that the pointer meets bold figures. If not, the rotor turns "
    "the other way.",
    "Sleeves, hair and paper off belts; insulated gloves near high-tension leads. The maker's "
    "manual comes first.",
)


def _steps(drawn: _Drawing, y: float) -> None:
    for number, text in enumerate(STEPS):
        drawn.say(MARGIN, y + 4.6 * number, text, size=3.0, bold=number == 0)
