"""The centrifugal curve as a fan of angles on a drawn distributor.

Enters: a result. Leaves: an SVG drawing, or the same as text for those who do not see it.

The distributor is seen from above. A stick for each hundred or so rpm leaves the rotor's shaft at
the advance that the weights have added by then, so that the sticks open like a fan against the way
the rotor turns; the faster, the longer the stick, and a little sail at its end is as wide as the
95 % band. A small open ring beside a stick is where the card would have it. A gate closes the
way at what the maker's total leaves for the set point. Angles are drawn several times as wide as
they are, which the drawing says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import Final, Literal, TypeAlias

import numpy as np

from vaclog.report.look import LIGHT, Palette
from vaclog.report.words.quantities import fixed
from vaclog.result import CurveSeen, Result

_FONT: Final = "font-family=\"'DejaVu Sans', Verdana, sans-serif\""
_MOST_TIMES: Final = 6.0
_OPENED_DEG: Final = 116.0  # how wide the whole fan may open on paper


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """Sizes on paper, in units of the drawing.

    ``body`` is the radius of the drawn body, ``short`` and ``long`` the sticks at idle and at
    the highest speed, ``gate`` how far the gate reaches, ``apart_deg`` how near two sticks may
    come before they hide each other's figures.
    """

    width: float
    height: float
    hub: tuple[float, float]
    body: float
    short: float
    long: float
    gate: float
    sticks: int
    apart_deg: float


Shape: TypeAlias = Literal["wide", "tall"]
_SHEETS: Final[dict[Shape, _Sheet]] = {
    "wide": _Sheet(
        width=680,
        height=400,
        hub=(340, 270),
        body=84,
        short=112,
        long=256,
        gate=176,
        sticks=7,
        apart_deg=9,
    ),
    "tall": _Sheet(
        width=420,
        height=360,
        hub=(210, 238),
        body=66,
        short=92,
        long=178,
        gate=112,
        sticks=5,
        apart_deg=18,
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stick:
    """One stick: speed, advance with its band, the card's advance if there is one."""

    rpm: float
    deg: float
    low_deg: float
    high_deg: float
    card_deg: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fan:
    """The sticks and how they are laid out."""

    sheet: _Sheet
    sticks: tuple[_Stick, ...]
    times: float  # how much wider than true
    clockwise: bool  # the rotor's way
    way_known: bool
    gate_deg: float | None

    @property
    def hub(self) -> tuple[float, float]:
        """Middle of the distributor: the long sticks and the gate need room on their side."""
        aside = 0.06 * self.sheet.width
        return self.sheet.hub[0] + (aside if self.clockwise else -aside), self.sheet.hub[1]

    def length(self, rpm: float) -> float:
        """Length of a stick on paper."""
        low, high = self.sticks[0].rpm, self.sticks[-1].rpm
        sheet = self.sheet
        return sheet.short + (sheet.long - sheet.short) * (rpm - low) / max(high - low, 1.0)

    def point(self, deg: float, length: float) -> tuple[float, float]:
        """Where on paper an added advance lies at a distance from the hub.

        The fan opens against the rotor, symmetric about straight up.
        """
        opened = self.times * self.sticks[-1].deg
        turn = math.radians(self.times * deg - opened / 2.0)
        way = -1.0 if self.clockwise else 1.0
        x, y = self.hub
        return x + way * length * math.sin(turn), y - length * math.cos(turn)


def svg(result: Result, palette: Palette = LIGHT, shape: Shape = "wide") -> str:
    """The drawing as an SVG element; empty without a curve."""
    fan = _fan(result, shape)
    if fan is None:
        return ""
    parts = [*_distributor(fan, palette)]
    parts += _rim(fan, palette)
    for stick in fan.sticks:
        parts += _drawn(fan, stick, palette)
    parts += _gate(fan, palette)
    parts.append(_note(fan, palette))
    label = escape(describe(result), quote=True)
    size = f"{fan.sheet.width:.0f} {fan.sheet.height:.0f}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" '
        f'role="img" aria-label="{label}" {_FONT}>\n' + "\n".join(parts) + "\n</svg>"
    )


def for_page(result: Result, shape: Shape) -> str:
    """The drawing with the colours of the page around it."""
    names = {name: f"var(--{name})" for name in Palette.__slots__}
    return svg(result, Palette(**names), shape)


def describe(result: Result) -> str:
    """The drawing in a sentence or two."""
    fan = _fan(result, "wide")
    if fan is None:
        return ""
    told = ", ".join(f"{stick.rpm:.0f} rpm {fixed(stick.deg, 1)}°" for stick in fan.sticks)
    gate = "" if fan.gate_deg is None else f" The gate stands at {fixed(fan.gate_deg, 1)}°."
    return f"What the weights add above idle, as a fan of angles on a distributor: {told}.{gate}"


def _fan(result: Result, shape: Shape) -> _Fan | None:
    sheet = _SHEETS[shape]
    seen = result.curve
    if seen is None or len(seen.rpm) < 3:
        return None
    sticks = tuple(_stick(seen, rpm) for rpm in _speeds(seen, sheet.sticks))
    advice = result.advice
    gate_deg = None
    if seen.max_total_deg is not None and advice.set_deg is not None:
        gate_deg = seen.max_total_deg - advice.set_deg
    most = max(sticks[-1].deg, 1.0)
    times = min(_OPENED_DEG / most, _MOST_TIMES)
    # Halves are enough, and can be said.
    times = max(math.floor(2.0 * times) / 2.0, 1.0)
    return _Fan(
        sheet=sheet,
        sticks=_thinned(sticks, times, sheet.apart_deg),
        times=times,
        clockwise=advice.rotor_turns != "counterclockwise",
        way_known=advice.rotor_turns is not None,
        gate_deg=gate_deg,
    )


def _thinned(sticks: tuple[_Stick, ...], times: float, apart_deg: float) -> tuple[_Stick, ...]:
    """Without those that would hide another's figures; the first and the last stay."""
    kept = [sticks[0]]
    for stick in sticks[1:-1]:
        after = times * (stick.deg - kept[-1].deg) >= apart_deg
        if after and times * (sticks[-1].deg - stick.deg) >= apart_deg:
            kept.append(stick)
    return (*kept, sticks[-1])


def _speeds(seen: CurveSeen, sticks: int) -> list[float]:
    """Idle, whole hundreds between, and the highest speed."""
    low, high = max(seen.idle_rpm, seen.rpm[0]), seen.rpm[-1]
    step = max(math.ceil((high - low) / (sticks - 1) / 100.0), 1) * 100.0
    inner = np.arange(math.ceil((low + 0.5 * step) / 100.0) * 100.0, high - 0.4 * step, step)
    return [low, *inner.tolist(), high]


def _stick(seen: CurveSeen, rpm: float) -> _Stick:
    def at(column: tuple[float, ...]) -> float:
        return float(np.interp(rpm, seen.rpm, column))

    return _Stick(
        rpm=rpm,
        deg=at(seen.added_deg),
        low_deg=at(seen.low_deg),
        high_deg=at(seen.high_deg),
        card_deg=at(seen.card_deg) if seen.card_deg else None,
    )


def _distributor(fan: _Fan, palette: Palette) -> list[str]:
    """Body with its clamp, cap's rim, rotor and the way it turns."""
    (x, y), body = fan.hub, fan.sheet.body
    rotor = fan.point(fan.sticks[0].deg, body - 16.0)
    away = (2 * x - rotor[0], 2 * y - rotor[1])
    tail = (x + 0.35 * (away[0] - x), y + 0.35 * (away[1] - y))
    sweep = 1 if fan.clockwise else 0
    way = 1.0 if fan.clockwise else -1.0
    # The arrow of the rotor goes under the hub, from the middle up one side.
    first = (x - way * 8.0, y + (body - 28))
    last = (x - way * (body - 30), y + 26.0)
    parts = [
        f'<circle cx="{x}" cy="{y}" r="{body}" fill="{palette.hill}" stroke="{palette.edge}" '
        'stroke-width="2.5"/>',
        f'<circle cx="{x}" cy="{y}" r="{body - 9:.0f}" fill="{palette.paper}" '
        f'stroke="{palette.edge}" stroke-width="1"/>',
        f'<rect x="{x - 17}" y="{y + body - 3}" width="34" height="20" rx="4" '
        f'fill="{palette.far}" stroke="{palette.edge}" stroke-width="1.5"/>',
        f'<circle cx="{x}" cy="{y + body + 8}" r="4.5" fill="none" stroke="{palette.edge}" '
        'stroke-width="1.5"/>',
        f'<path d="M{tail[0]:.1f} {tail[1]:.1f} L{rotor[0]:.1f} {rotor[1]:.1f}" '
        f'stroke="{palette.foot}" stroke-width="13" stroke-linecap="round"/>',
        f'<circle cx="{x}" cy="{y}" r="11" fill="{palette.paper}" stroke="{palette.foot}" '
        'stroke-width="4"/>',
    ]
    if fan.way_known:
        parts += [
            f'<path d="M{first[0]:.1f} {first[1]:.1f} A{body - 26:.0f} {body - 26:.0f} 0 0 '
            f'{sweep} {last[0]:.1f} {last[1]:.1f}" fill="none" stroke="{palette.quiet}" '
            'stroke-width="1.6"/>',
            _arrow(last, way, palette),
        ]
    return parts


def _arrow(at: tuple[float, float], way: float, palette: Palette) -> str:
    """Head of the arrow that shows the rotor's way, pointing up and a little outwards."""
    x, y = at
    tips = [(x, y - 9.0), (x - way * -8.0, y + 2.0), (x - way * 5.0, y + 3.5)]
    points = " ".join(f"{px:.1f},{py:.1f}" for px, py in tips)
    return f'<polygon points="{points}" fill="{palette.quiet}"/>'


def _rim(fan: _Fan, palette: Palette) -> list[str]:
    """Marks every degree and figures every five on an arc just outside the body."""
    last = max(fan.sticks[-1].high_deg, fan.gate_deg or 0.0)
    last = min(last, 170.0 / fan.times + fan.sticks[-1].deg / 2.0)
    parts = []
    for deg in range(math.floor(last) + 1):
        long = deg % 5 == 0
        inner = fan.point(float(deg), fan.sheet.body)
        outer = fan.point(float(deg), fan.sheet.body + (9.0 if long else 5.0))
        parts.append(
            f'<path d="M{inner[0]:.1f} {inner[1]:.1f} L{outer[0]:.1f} {outer[1]:.1f}" '
            f'stroke="{palette.quiet}" stroke-width="{1.4 if long else 0.8}"/>'
        )
        if long and deg:
            x, y = fan.point(float(deg), fan.sheet.body - 19.0)
            parts.append(_text(x, y + 4, f"{deg}", palette.quiet, 11))
    return parts


def _drawn(fan: _Fan, stick: _Stick, palette: Palette) -> list[str]:
    """One stick with its sail, the card's ring and its label."""
    length = fan.length(stick.rpm)
    root, tip = fan.point(stick.deg, fan.sheet.body + 11.0), fan.point(stick.deg, length)
    # The band as a sail along the outer part of the stick.
    inner = length - 26.0
    corners = [
        fan.point(stick.low_deg, inner),
        fan.point(stick.low_deg, length),
        fan.point(stick.high_deg, length),
        fan.point(stick.high_deg, inner),
    ]
    sail = " ".join(f"{x:.1f},{y:.1f}" for x, y in corners)
    parts = [
        f'<polygon points="{sail}" fill="{palette.band}" fill-opacity="0.7"/>',
        f'<path d="M{root[0]:.1f} {root[1]:.1f} L{tip[0]:.1f} {tip[1]:.1f}" '
        f'stroke="{palette.ball}" stroke-width="2.6" stroke-linecap="round"/>',
    ]
    if stick.card_deg is not None:
        x, y = fan.point(stick.card_deg, length - 13.0)
        parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="none" stroke="{palette.ink}" '
            'stroke-width="1.5"/>'
        )
    x, y = fan.point(stick.deg, length + 12.0)
    side = (tip[0] - fan.hub[0]) / length
    anchor = "middle" if abs(side) < 0.25 else ("start" if side > 0 else "end")
    name = f"{stick.rpm:.0f} rpm"
    y -= 13.0 if anchor == "middle" else 4.0
    parts.append(_text(x, y, f"{fixed(stick.deg, 1)}°", palette.ink, 14, anchor, bold=True))
    parts.append(_text(x, y + 13, name, palette.quiet, 11, anchor))
    return parts


def _gate(fan: _Fan, palette: Palette) -> list[str]:
    """Where the maker's total ends the way, counted from the set point."""
    if fan.gate_deg is None:
        return []
    furthest = 175.0 / fan.times + fan.sticks[-1].deg / 2.0
    if not 0.0 < fan.gate_deg <= furthest:
        return []
    inner, outer = (
        fan.point(fan.gate_deg, fan.sheet.body + 4.0),
        fan.point(fan.gate_deg, fan.sheet.gate),
    )
    x, y = fan.point(fan.gate_deg, fan.sheet.gate + 10.0)
    side = "end" if x < fan.hub[0] else "start"
    y += 10.0 if y > fan.hub[1] - 60.0 else 0.0
    y = min(y, fan.sheet.height - 54.0)  # above the note at the foot
    return [
        f'<path d="M{inner[0]:.1f} {inner[1]:.1f} L{outer[0]:.1f} {outer[1]:.1f}" '
        f'stroke="{palette.fence}" stroke-width="5" stroke-dasharray="11 4"/>',
        _text(x, y, f"{fixed(fan.gate_deg, 1)}°", palette.fence, 14, side, bold=True),
        _text(x, y + 14, "the maker's total", palette.fence, 11, side),
        _text(x, y + 27, "from the set point", palette.fence, 11, side),
    ]


def _note(fan: _Fan, palette: Palette) -> str:
    times = f"{fan.times:g}"
    return _text(
        fan.sheet.width / 2.0,
        fan.sheet.height - 10.0,
        f"crank degrees above idle, drawn {times} times as wide as true",
        palette.quiet,
        11.5,
    )


def _text(
    x: float,
    y: float,
    text: str,
    colour: str,
    size: float,
    anchor: str = "middle",
    *,
    bold: bool = False,
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size:g}" '
        f'fill="{colour}"{weight}>{escape(text)}</text>'
    )
