"""Draws the hill with all that stands on it; every method adds one thing.

Enters: a figure, a scene, the result it is of. Leaves: the figure, drawn.
"""

from __future__ import annotations

import math
from typing import Any, Final, Literal, TypeAlias

import numpy as np

from vaclog.report.hill_scene import FloatArray, Scene
from vaclog.report.look import Palette
from vaclog.report.words import quantities
from vaclog.result import Result
from vaclog.units import PressureUnit

Shape: TypeAlias = Literal["wide", "tall"]
_BALL_PT: Final = 36.0
_NOW_PT: Final = 14.0
_SOLE_PT: Final = 5.5  # half the length of a footprint
_POST_PT: Final = 30.0
# The fence that decides stands higher than the ball that leans on it.
_DECIDING_POST_PT: Final = 52.0
_AXIS: Final = {
    False: "crank degrees before top dead centre  (advance →)",
    True: "degrees before top dead centre →",
}
_HILL: Final = "hill's own"
# Room in the sky: for the top with its interval, and for each name above that.
_TOP_PT: Final = 66.0
_NAME_PT: Final = 18.0


class Drawing:
    """One picture in the making; every method adds one thing."""

    def __init__(
        self,
        figure: Any,
        scene: Scene,
        result: Result,
        unit: PressureUnit,
        palette: Palette,
        shape: Shape,
    ) -> None:
        self.scene, self.result, self.unit, self.palette = scene, result, unit, palette
        self.tall = shape == "tall"
        left = 0.15 if self.tall else 0.085
        self.axes = figure.add_axes((left, 0.12, 0.97 - left, 0.85))
        self.width_pt = figure.get_figwidth() * 72 * (0.97 - left)
        self.height_pt = figure.get_figheight() * 72 * 0.85

    def draw(self) -> None:
        """Everything, from the back to the front."""
        self.frame()
        self.ground()
        self.footprints()
        self.fences()
        self.summit()
        self.balls()

    def frame(self) -> None:
        """Limits of the view, axes and their names."""
        from matplotlib.ticker import MaxNLocator

        scene, advice = self.scene, self.result.advice
        angles = [*scene.swept, self.result.idle.angle_deg, advice.set_deg]
        angles += [angle for _, angle in self.result.hill.limits_deg]
        angles += [self.result.peak.angle_deg, advice.hill_deg]
        low, high = scene.swept
        reach = 1.2 * max(high - low, 8.0)
        shown = [a for a in angles if a is not None and low - reach <= a <= high + reach]
        # A ball at the very edge must still be whole.
        margin = max(0.07, 1.15 * _BALL_PT / self.width_pt) * (max(shown) - min(shown)) + 1.0
        self.left = max(float(scene.deg[0]), min(shown) - margin)
        self.right = min(float(scene.deg[-1]), max(shown) + margin)
        inside = (scene.deg >= self.left) & (scene.deg <= self.right)
        feet = scene.feet_height if len(scene.feet_height) else scene.height[inside]
        top = max(float(scene.high[inside].max()), float(np.percentile(feet, 98)))
        bottom = min(float(scene.height[inside].min()), float(np.percentile(feet, 2)))
        self.rise = max(top - bottom, 1e-6)
        self.bottom = bottom - 0.22 * self.rise
        names = sum(self.left <= deg <= self.right for deg, _ in self.marks())
        sky_pt = _TOP_PT + _NAME_PT * (names + 0.6)
        share = 1.0 - sky_pt / self.height_pt  # of the height, for the hill itself
        self.top = self.bottom + (top - self.bottom) / share
        self.crest = top
        axes, quiet = self.axes, self.palette.quiet
        axes.set_xlim(self.left, self.right)
        axes.set_ylim(self.bottom, self.top)
        axes.set_facecolor(self.palette.paper)
        for side in ("top", "right", "left"):
            axes.spines[side].set_visible(False)
        axes.spines["bottom"].set_color(quiet)
        axes.tick_params(colors=quiet, labelsize=9.5)
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel(_AXIS[self.tall], color=quiet)
        what = "vacuum" if scene.sign > 0 else "absolute pressure, less is up"
        axes.set_ylabel(f"{what}, {self.unit}", color=quiet)
        axes.xaxis.set_major_locator(MaxNLocator(nbins=5 if self.tall else 8, steps=[1, 2, 5, 10]))
        rule = MaxNLocator(nbins=6, steps=[1, 2, 5, 10])  # the sky needs no figures
        ticks = [float(t) for t in rule.tick_values(self.bottom, top) if self.bottom <= t <= top]
        axes.set_yticks(ticks)
        axes.set_yticklabels([quantities.fixed(abs(t), _tick_decimals(ticks)) for t in ticks])

    def ground(self) -> None:
        """The hill: solid where trodden, dashed where only reckoned, with its band."""
        scene, palette = self.scene, self.palette
        axes = self.axes
        axes.fill_between(scene.deg, scene.height, self.bottom, color=palette.far, lw=0, zorder=1)
        trod_deg = np.unique(
            np.clip(np.concatenate([scene.deg, np.array(scene.swept)]), *scene.swept)
        )
        trod = np.interp(trod_deg, scene.deg, scene.height)
        axes.fill_between(trod_deg, trod, self.bottom, color=palette.hill, lw=0, zorder=2)
        axes.fill_between(
            scene.deg, scene.low, scene.high, color=palette.band, alpha=0.55, lw=0, zorder=3
        )
        axes.plot(scene.deg, scene.height, color=palette.edge, lw=1.4, ls=(0, (4, 3)), zorder=4)
        axes.plot(trod_deg, trod, color=palette.edge, lw=2.6, zorder=4, solid_capstyle="round")

    def footprints(self) -> None:
        """One sole for a cycle, pointing the way the hand went, paler with age."""
        from matplotlib.collections import PathCollection
        from matplotlib.colors import to_rgba
        from matplotlib.path import Path as Outline
        from matplotlib.transforms import Affine2D, IdentityTransform

        scene = self.scene
        if len(scene.feet_deg) < 3:
            return
        going = np.gradient(_smooth(scene.feet_deg))
        shown = (scene.feet_deg >= self.left) & (scene.feet_deg <= self.right)
        soles, colours = [], []
        for number in np.flatnonzero(shown):
            way = 1.0 if going[number] >= 0 else -1.0
            side = 1.0 if number % 2 else -1.0
            turn = Affine2D().scale(way, side).rotate(self.slope(float(scene.feet_deg[number])))
            soles.append(Outline(_SOLE, _SOLE_CODES).transformed(turn))
            age = float(scene.feet_age[number])
            colours.append(to_rgba(self.palette.foot, 0.10 + 0.60 * age**1.5))
        feet = PathCollection(
            soles,
            sizes=[_SOLE_PT**2],
            offsets=np.column_stack([scene.feet_deg[shown], scene.feet_height[shown]]),
            offset_transform=self.axes.transData,
            facecolors=colours,
            linewidths=0,
            zorder=5,
        )
        feet.set_transform(IdentityTransform())  # their size is in points, not in degrees
        feet.set_gid("footprints")
        self.axes.add_collection(feet, autolim=False)

    def fences(self) -> None:
        """A fence at each limit, a pennant at the hill's own proposal; names in the sky."""
        advice, marks = self.result.advice, self.marks()
        inside = [mark for mark in marks if self.left <= mark[0] <= self.right]
        # The leftmost name highest: none then crosses the dotted line of another.
        for place, (deg, name) in enumerate(inside):
            level = self.moved((deg, self.top), (0, -_NAME_PT * (place + 0.6)))[1]
            if name == _HILL:
                self.pennant(deg, level, advice.limit == "hill")
            else:
                self.fence(name, deg, level, name == advice.limit)
        for deg, name in marks:
            if not self.left <= deg <= self.right:
                self.aside(f"{name} {quantities.degrees(deg)}", right=deg > self.right)

    def marks(self) -> list[tuple[float, str]]:
        """Angle and name of every limit and of the hill's own proposal, from left to right."""
        marks = [(deg, name) for name, deg in self.result.hill.limits_deg]
        if self.result.advice.hill_deg is not None:
            marks.append((self.result.advice.hill_deg, _HILL))
        return sorted(marks)

    def fence(self, name: str, deg: float, label_at: float, decides: bool) -> None:
        """Two posts and two rails on the forbidden side; the one that decides is heavier."""
        colour, axes = self.palette.fence, self.axes
        foot = self.scene.at(deg)
        post_pt = _DECIDING_POST_PT if decides else _POST_PT
        head = self.moved((deg, foot), (0, post_pt))[1]
        rail = 13.0 / self.width_pt * (self.right - self.left)
        wide = 2.6 if decides else 1.5
        for share in (0.5, 0.82):
            level = foot + share * (head - foot)
            axes.plot([deg, deg + rail], [level, level], color=colour, lw=wide, zorder=6)
        for post in (deg, deg + rail * 0.8):
            axes.plot([post, post], [foot, head], color=colour, lw=wide, zorder=6)
        axes.plot([deg, deg], [head, label_at], color=colour, lw=0.8, ls=(0, (1, 2)), zorder=6)
        self.label(
            f"{name} {quantities.degrees(deg)}", deg, label_at, colour, bold=decides, fence=True
        )

    def pennant(self, deg: float, label_at: float, decides: bool) -> None:
        """A stake with a pennant where the hill's own rule would set it."""
        colour, axes = self.palette.edge, self.axes
        foot = self.scene.at(deg)
        post_pt = _DECIDING_POST_PT if decides else _POST_PT
        head = self.moved((deg, foot), (0, post_pt))[1]
        low = self.moved((deg, head), (0, -9))[1]
        tip = self.moved((deg, head), (13, -4.5))
        axes.plot([deg, deg], [foot, head], color=colour, lw=1.5, zorder=6)
        axes.fill([deg, tip[0], deg], [head, tip[1], low], color=colour, lw=0, zorder=6)
        axes.plot([deg, deg], [head, label_at], color=colour, lw=0.8, ls=(0, (1, 2)), zorder=6)
        text = f"{_HILL} {quantities.degrees(deg)}"
        if self.result.advice.hill_extrapolated:
            text += " (reckoned)"
        self.label(text, deg, label_at, colour, bold=decides, fence=True)

    def summit(self) -> None:
        """The top with the bar of its interval, or an arrow to where it must lie."""
        peak, colour = self.result.peak, self.palette.ink
        lift = self.moved((0.0, self.crest), (0, 16))[1]
        if peak.angle_deg is not None and peak.low_deg is not None and peak.high_deg is not None:
            bar = {"color": colour, "lw": 1.6, "zorder": 7}
            tick = self.moved((0.0, 0.0), (0, 4))[1]
            self.axes.plot([peak.low_deg, peak.high_deg], [lift, lift], **bar)
            for end in (peak.low_deg, peak.high_deg):
                self.axes.plot([end, end], [lift - tick, lift + tick], **bar)
            self.axes.plot(
                [peak.angle_deg] * 2,
                [self.scene.at(peak.angle_deg), lift],
                color=colour,
                lw=1.0,
                zorder=7,
            )
            half = max(peak.high_deg - peak.angle_deg, peak.angle_deg - peak.low_deg)
            text = f"top {quantities.degrees(peak.angle_deg)}\n±{quantities.fixed(half, 1)}° (95 %)"
            self.label(
                text, peak.angle_deg, self.moved((0.0, lift), (0, 7))[1], colour, centre=True
            )
        elif peak.beyond is not None:
            self.beyond(peak.beyond == "advanced", lift)

    def beyond(self, advanced: bool, lift: float) -> None:
        """The top was not reached: point to where it lies."""
        end = self.scene.swept[1] if advanced else self.scene.swept[0]
        way = (self.right - self.left) * (0.09 if advanced else -0.09)
        start = min(max(end, self.left), self.right) - (way if advanced else 0) * 0.3
        self.axes.annotate(
            "",
            xy=(start + way, lift),
            xytext=(start, lift),
            arrowprops={"arrowstyle": "-|>", "color": self.palette.ink, "lw": 1.6},
            zorder=7,
            annotation_clip=False,
        )
        self.label(
            "top not reached:\nstill climbing" if advanced else "top not reached:\nall downhill",
            start,
            self.moved((0.0, lift), (0, 7))[1],
            self.palette.ink,
            centre=True,
        )

    def balls(self) -> None:
        """Open ball: where it idled last. Full ball with digits: where to set it."""
        advice, here_deg = self.result.advice, self.result.idle.angle_deg
        if here_deg is not None and self.left <= here_deg <= self.right:
            self.ball(here_deg, full=False, text="now", size=_NOW_PT)
        if advice.set_deg is None:
            self.axes.annotate(
                "no set point is given",
                xy=(0.5, 0.05),
                xycoords="axes fraction",
                ha="center",
                color=self.palette.ink,
                zorder=8,
                bbox=_patch(self.palette.hill),
            )
            return
        if not self.left <= advice.set_deg <= self.right:
            right = advice.set_deg > self.right
            text = f"set {quantities.degrees(advice.set_deg)}"
            self.aside(text, right=right)
            return
        apart = 0.0 if here_deg is None else abs(here_deg - advice.set_deg)
        if here_deg is not None and apart / (self.right - self.left) * self.width_pt > 2 * _BALL_PT:
            self.roll(here_deg, advice.set_deg)
        self.ball(advice.set_deg, full=True, text=quantities.degrees(advice.set_deg), size=_BALL_PT)

    def ball(self, deg: float, *, full: bool, text: str, size: float) -> None:
        """A ball resting on the ground."""
        palette = self.palette
        up_pt = size / 2 + 1.5
        slope = self.slope(deg)
        spot = (deg, self.scene.at(deg))
        # It rests on the slope: its middle is off the point of contact, square to the ground.
        shift = (-up_pt * math.sin(slope), up_pt * math.cos(slope))
        self.axes.annotate(
            text if full else "",
            xy=spot,
            xytext=shift,
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=10.5,
            fontweight="bold",
            color=palette.paper,
            zorder=10,
        )
        centre = self.moved(spot, shift)
        self.axes.plot(
            [centre[0]],
            [centre[1]],
            marker="o",
            ms=size,
            mfc=palette.ball if full else palette.paper,
            mec=palette.ball,
            mew=1.8,
            ls="none",
            zorder=9,
        )
        if not full:
            self.axes.annotate(
                f"now {quantities.degrees(deg)}",
                xy=centre,
                xytext=(0, -size - 30),
                textcoords="offset points",
                ha="center",
                fontsize=9.5,
                color=palette.ball,
                zorder=9,
            )

    def roll(self, from_deg: float, to_deg: float) -> None:
        """A dashed path above the ground from one ball to the other."""
        way = np.linspace(from_deg, to_deg, 60)
        lift = 0.055 * self.rise
        height = np.array([self.scene.at(float(deg)) for deg in way]) + lift
        ends = slice(6, 50)
        self.axes.annotate(
            "",
            xy=(way[51], height[51]),
            xytext=(way[48], height[48]),
            arrowprops={"arrowstyle": "-|>", "color": self.palette.ball, "lw": 1.4},
            zorder=8,
        )
        self.axes.plot(
            way[ends], height[ends], color=self.palette.ball, lw=1.4, ls=(0, (5, 3)), zorder=8
        )

    def slope(self, deg: float) -> float:
        """Slope of the ground on paper, in radians."""
        step = 0.5
        rise = self.scene.at(deg + step) - self.scene.at(deg - step)
        rise_pt = rise / (self.top - self.bottom) * self.height_pt
        run_pt = 2 * step / (self.right - self.left) * self.width_pt
        return math.atan2(rise_pt, run_pt)

    def moved(self, spot: tuple[float, float], by_pt: tuple[float, float]) -> tuple[float, float]:
        """A point of the picture, moved by points on paper."""
        return (
            spot[0] + by_pt[0] / self.width_pt * (self.right - self.left),
            spot[1] + by_pt[1] / self.height_pt * (self.top - self.bottom),
        )

    def label(
        self,
        text: str,
        deg: float,
        level: float,
        colour: str,
        *,
        bold: bool = False,
        centre: bool = False,
        fence: bool = False,
    ) -> None:
        """Words in the sky, kept inside the picture."""
        share = (deg - self.left) / (self.right - self.left)
        align = "center" if centre else "left" if share < 0.6 else "right"
        if centre and share > 0.85:
            align = "right"
        if centre and share < 0.15:
            align = "left"
        offset = {"left": 4.0, "right": -4.0, "center": 0.0}[align] if fence else 0.0
        self.axes.annotate(
            text,
            xy=(deg, level),
            xytext=(offset, 0),
            textcoords="offset points",
            ha=align,
            va="center" if fence else "bottom",
            color=colour,
            fontsize=10.5,
            fontweight="bold" if bold else "normal",
            zorder=8,
            bbox=_patch(self.palette.paper),
        )

    def aside(self, text: str, *, right: bool) -> None:
        """Something that lies outside the picture."""
        self._asides = getattr(self, "_asides", 0) + 1
        self.axes.annotate(
            f"{text} →" if right else f"← {text}",
            xy=(1.0 if right else 0.0, 0.02 + 0.05 * (self._asides - 1)),
            xycoords="axes fraction",
            ha="right" if right else "left",
            fontsize=9.5,
            color=self.palette.quiet,
            zorder=8,
        )


def _patch(colour: str) -> dict[str, Any]:
    """A patch of ground behind words, so that they stay legible over lines."""
    return {"facecolor": colour, "edgecolor": "none", "pad": 1.0}


def _tick_decimals(ticks: list[float]) -> int:
    """As many decimals as tell the ticks exactly."""
    return next(
        (n for n in range(4) if all(abs(tick - round(tick, n)) < 1e-6 for tick in ticks)), 3
    )


def _smooth(values: FloatArray) -> FloatArray:
    """Running mean over seven, ends kept."""
    padded = np.pad(values, 3, mode="edge")
    return np.convolve(padded, np.ones(7) / 7.0, mode="valid")


def _sole() -> tuple[list[tuple[float, float]], list[int]]:
    """Outline of a shoe: ball of the foot in front, heel behind, seen from above."""
    vertices: list[tuple[float, float]] = []
    codes: list[int] = []
    for middle, long, broad in ((0.25, 0.62, 0.34), (-0.68, 0.28, 0.25)):
        for number in range(11):
            angle = 2 * math.pi * number / 10
            vertices.append((middle + long * math.cos(angle), 0.12 + broad * math.sin(angle)))
            codes.append(1 if number == 0 else 2)
    return vertices, codes


_SOLE, _SOLE_CODES = _sole()
