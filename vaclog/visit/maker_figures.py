"""What a maker's figure means in crank degrees with the weights at rest.

Enters: a figure as it is printed, and what it counts in, at what speed, how it is read, with the
vacuum hose on or off. Leaves: what belongs on an engine card. Confusing these is the commonest
error of all (common practice, no source), so each is asked and each step of the conversion is
told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from vaclog.cards import curve_added_deg
from vaclog.units import CRANK_PER_BODY

CountsIn: TypeAlias = Literal["crank", "distributor"]
ReadBy: TypeAlias = Literal["static", "strobe"]
Hose: TypeAlias = Literal["on", "off"]
Curve: TypeAlias = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Converted:
    """A figure for the card, and how it came about in words; ``doubt`` is empty or a sentence."""

    value_deg: float
    how: str
    doubt: str = ""


def crank_deg(value_deg: float, counts_in: CountsIn) -> float:
    """Crank degrees of a figure; the distributor turns at half the speed of the crank."""
    return value_deg * (CRANK_PER_BODY if counts_in == "distributor" else 1.0)


def crank_curve(points: Sequence[tuple[float, float]], counts_in: CountsIn) -> Curve:
    """A centrifugal curve in engine rpm and crank degrees.

    Tables in distributor degrees stand over distributor speed; both double.
    """
    factor = CRANK_PER_BODY if counts_in == "distributor" else 1.0
    return tuple((rpm * factor, deg * factor) for rpm, deg in points)


def static_figure(
    value_deg: float,
    *,
    counts_in: CountsIn,
    read_by: ReadBy,
    rpm: float | None,
    hose: Hose,
    curve: Curve | None,
    hose_adds_deg: float | None,
) -> Converted:
    """The maker's timing figure with the weights at rest and without vacuum advance.

    Parameters
    ----------
    value_deg
        As printed, before top dead centre.
    rpm
        Engine speed at which it is read by strobe; None: not known.
    curve
        Centrifugal curve in crank degrees; None: not known.
    hose_adds_deg
        What the vacuum unit adds there with the hose on, in crank degrees; None: not known.
    """
    deg = crank_deg(value_deg, counts_in)
    how = [f"maker: {value_deg:g}° of the {counts_in}"]
    doubt = ""
    if read_by == "static":
        how.append("static")
        return Converted(value_deg=deg, how=", ".join(how))
    how.append(f"by strobe{f' at {rpm:g} rpm' if rpm is not None else ''}, hose {hose}")
    if curve is not None and rpm is not None:
        added = curve_added_deg(curve, rpm)
        deg -= added
        how.append(f"of which the weights add {added:g}°")
    elif curve is None:
        doubt = (
            "Without the centrifugal curve nobody can tell whether the weights were out already "
            "when the figure is read; it is taken as it stands."
        )
    else:
        doubt = "Without the speed the weights' part cannot be taken off; it is taken as it stands."
    if hose == "on":
        if hose_adds_deg is None:
            doubt = (
                "Read with the hose on, the figure holds what the vacuum unit adds, and nobody "
                "said how much: it is taken as it stands and is probably too high."
            )
        else:
            deg -= hose_adds_deg
            how.append(f"the vacuum unit {hose_adds_deg:g}°")
    return Converted(value_deg=deg, how=", ".join(how), doubt=doubt)


def total_figure(
    value_deg: float, *, counts_in: CountsIn, hose: Hose, hose_adds_deg: float | None
) -> Converted:
    """The maker's maximum total without vacuum advance, crank degrees."""
    deg = crank_deg(value_deg, counts_in)
    how = f"maker: {value_deg:g}° of the {counts_in}, hose {hose}"
    if hose == "off":
        return Converted(value_deg=deg, how=how)
    if hose_adds_deg is None:
        return Converted(
            value_deg=deg,
            how=how,
            doubt=(
                "The total holds what the vacuum unit adds, and nobody said how much: as a cap it "
                "is too high. Find the figure without vacuum advance, or leave it out."
            ),
        )
    return Converted(
        value_deg=deg - hose_adds_deg, how=f"{how}, of which the vacuum unit {hose_adds_deg:g}°"
    )
