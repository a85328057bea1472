"""Asks a person for a card, question by question, and writes it as TOML.

Questions go to stderr, so that stdout stays free for results. An empty answer leaves a key out:
it only costs the answers that need it. Figures are asked as the maker prints them and are
converted.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import Any, Final, TypeVar

import click

from vaclog.cards import EngineCard, engine_card, rig_card
from vaclog.errors import CardError
from vaclog.visit.maker_figures import (
    Converted,
    CountsIn,
    Curve,
    Hose,
    crank_curve,
    static_figure,
    total_figure,
)

_T = TypeVar("_T")

Lines = list[str]


def ask_engine(present: EngineCard | None = None) -> str:
    """Ask for an engine card.

    Parameters
    ----------
    present
        The card as it is, whose values are offered; its figures are crank degrees already.

    Returns
    -------
    str
        Sound TOML.
    """
    card = present or EngineCard()
    _say("What the maker says about the engine. Enter alone: not known, or as offered.")
    lines = [f"name = {_text(_words('Name of the engine', card.name or None))}"]
    cylinders = _number("Cylinders", card.cylinders, whole=True) or card.cylinders
    lines.append(f"cylinders = {int(cylinders)}")
    lines += _order_lines(card, int(cylinders))
    lines += _choice_line(
        "rotor_turns",
        "Rotor turns, seen from above",
        ["clockwise", "counterclockwise"],
        card.rotor_turns,
    )
    if present is None:
        lines += _maker_lines()
    else:
        lines += _figure_lines(card)
    lines += _number_line("idle_rpm", "Idle speed, rpm", card.idle_rpm)
    lines += _number_line(
        "body_radius_mm",
        "Radius of the distributor body where it is turned, mm",
        card.body_radius_mm,
    )
    lines += _choice_line(
        "vacuum_advance",
        "Vacuum advance",
        ["none", "ported", "manifold", "retard"],
        card.vacuum_advance,
    )
    lines += _number_line("altitude_m", "Altitude of the workshop, m", card.altitude_m)
    if card.bore_mm is not None:  # only the sound of a drive needs it, so it is not asked for
        lines.append(f"bore_mm = {card.bore_mm:g}")
    verified = click.confirm(
        "Top dead centre mark checked with a soft piston stop, engine turned by hand?",
        default=card.tdc_verified,
        err=True,
    )
    lines.append(f"tdc_verified = {'true' if verified else 'false'}")
    return "\n".join(lines) + "\n"


def _maker_lines() -> Lines:
    """The figures as printed, converted to the card's crank degrees."""
    counts_in: CountsIn = _chosen(
        "The maker's degrees are degrees of the", ["crank", "distributor"], "crank"
    )
    curve = _curve(counts_in)
    lines = [] if curve is None else [f"centrifugal = {_pairs(curve)}"]
    value_deg = _number("Timing figure as printed, degrees before top dead centre", None)
    hose_adds_deg: float | None = None
    if value_deg is not None:
        read_by = _chosen("It is read", ["static", "strobe"], "static")
        rpm: float | None = None
        hose: Hose = "off"
        if read_by == "strobe":
            rpm = _number("... at which engine speed, rpm", None)
            hose = _chosen("... with the vacuum hose", ["on", "off"], "off")
            if hose == "on":
                hose_adds_deg = _number("... where the vacuum unit adds, crank degrees", None)
        lines += _converted_line(
            "static_deg",
            static_figure(
                value_deg,
                counts_in=counts_in,
                read_by=read_by,
                rpm=rpm,
                hose=hose,
                curve=curve,
                hose_adds_deg=hose_adds_deg,
            ),
            hose_unknown=hose == "on" and hose_adds_deg is None,
        )
    total_deg = _number("Maximum total advance as printed, degrees", None)
    if total_deg is not None:
        hose = _chosen("... with the vacuum hose", ["on", "off"], "off")
        if hose == "on":
            hose_adds_deg = _number("... of which the vacuum unit, crank degrees", hose_adds_deg)
        lines += _converted_line(
            "max_total_deg",
            total_figure(total_deg, counts_in=counts_in, hose=hose, hose_adds_deg=hose_adds_deg),
            hose_unknown=hose == "on" and hose_adds_deg is None,
        )
    return lines


def _figure_lines(card: EngineCard) -> Lines:
    """The figures of a card that exists: they are in crank degrees already."""
    lines = []
    if card.centrifugal is not None:
        _say(f"Centrifugal curve stays: {_pairs(card.centrifugal)}.")
        lines.append(f"centrifugal = {_pairs(card.centrifugal)}")
    else:
        curve = _curve("crank")
        lines += [] if curve is None else [f"centrifugal = {_pairs(curve)}"]
    lines += _number_line("static_deg", "Static figure, crank degrees", card.static_deg)
    lines.append(f"static_tolerance_deg = {card.static_tolerance_deg:g}")
    lines += _number_line(
        "max_total_deg", "Maximum total without vacuum advance, crank degrees", card.max_total_deg
    )
    if card.click_deg:
        lines.append(f"click_deg = {card.click_deg:g}")
    return lines


def ask_rig() -> str:
    """Ask for a rig card; sound TOML."""
    _say("What is clipped on. Enter alone: not known, or as offered.")
    lines = [
        "[pressure]",
        f"gain_per_kpa = {_number('Pressure sensor, share of full scale per kPa', 0.004)!r}",
        f"offset = {_number('... and its share at 0 kPa', -0.04)!r}",
        "",
        "[spark]",
    ]
    lines += _choice_line(
        "pickup",
        "Spark pickup: one pulse per 720°, per 360°, or one per cylinder",
        ["no1", "wasted", "coil"],
        "no1",
    )
    if click.confirm("A sensor on a crank mark?", default=False, err=True):
        lines += ["", "[mark]"]
        lines += _number_line(
            "angle_deg", "The mark passes it this far before top dead centre, degrees", None
        )
        lines += _number_line("u_angle_deg", "... known to within about, degrees", 1.0)
    if click.confirm("An angle sensor on the distributor body?", default=False, err=True):
        lines += ["", "[body]"]
        lines += _number_line("deg_per_count", "Degrees of the body per count", None)
        lines.append(f"sign = {_chosen('Counts with advance', ['rise', 'fall'], 'rise')}")
        lines[-1] = lines[-1].replace("rise", "1").replace("fall", "-1")
        lines += _number_line("anchor_counts", "Strobe reading: counts at that moment", None)
        lines += _number_line("anchor_deg", "... and what the strobe read, crank degrees", None)
    return "\n".join(lines) + "\n"


def until_sound(ask: Callable[[], str], check: Callable[[str], object]) -> str:
    """Ask until the card is sound, saying what is wrong with it."""
    while True:
        toml = ask()
        try:
            check(toml)
        except CardError as error:
            _say(f"{error}\nOnce more, please.\n")
            continue
        return toml


def sound_engine() -> str:
    """Ask for a new engine card until it is sound."""
    return until_sound(ask_engine, engine_card)


def sound_rig() -> str:
    """Ask for a new rig card until it is sound."""
    return until_sound(ask_rig, rig_card)


# --- single questions
# ------------------------------------------------------------------------------


def _say(text: str) -> None:
    click.echo(text, err=True)


def _words(question: str, default: str | None) -> str:
    return str(click.prompt(question, default=default, err=True))


def _text(value: str) -> str:
    # A JSON string is a TOML basic string as well.
    return json.dumps(value, ensure_ascii=False)


def _number(question: str, default: float | None, *, whole: bool = False) -> float | None:
    """A number, or None for an empty answer; a decimal comma is understood."""
    shown = "" if default is None else f"{default:g}"
    while True:
        answer = str(click.prompt(question, default=shown, show_default=bool(shown), err=True))
        if not answer.strip():
            return default
        try:
            number = float(answer.strip().replace(",", "."))
        except ValueError:
            _say(f"{answer!r} is no number.")
            continue
        if whole and number != int(number):
            _say(f"{answer!r} is no whole number.")
            continue
        return number


def _number_line(key: str, question: str, default: float | None) -> Lines:
    number = _number(question, default)
    return [] if number is None else [f"{key} = {number!r}"]


def _converted_line(key: str, converted: Converted, *, hose_unknown: bool) -> Lines:
    """A converted figure; none where it holds an unknown part of the vacuum unit.

    Such a figure is too high by what the unit adds, and it would be a limit.
    """
    if hose_unknown:
        _say(
            f"{key} is left out: read with the hose on, the figure holds what the vacuum unit "
            "adds, and a limit that is too high is worse than none. Add it to the card when you "
            "know how much that is."
        )
        return []
    _say(f"On the card: {key} = {converted.value_deg:g} ({converted.how}).")
    if converted.doubt:
        _say(converted.doubt)
    return [f"{key} = {converted.value_deg:g}   # {converted.how}"]


def _chosen(question: str, options: Sequence[_T], default: _T) -> Any:
    return click.prompt(
        question, type=click.Choice([str(each) for each in options]), default=default, err=True
    )


_UNKNOWN: Final = "unknown"


def _choice_line(key: str, question: str, options: list[str], default: str | None) -> Lines:
    answer = _chosen(question, [*options, _UNKNOWN], default or _UNKNOWN)
    return [] if answer == _UNKNOWN else [f'{key} = "{answer}"']


def _order_lines(card: EngineCard, cylinders: int) -> Lines:
    shown = "" if card.firing_order is None else " ".join(str(each) for each in card.firing_order)
    while True:
        answer = str(
            click.prompt(
                "Firing order, like 1 3 4 2", default=shown, show_default=bool(shown), err=True
            )
        )
        numbers = answer.replace(",", " ").replace("-", " ").split()
        if not numbers:
            return []
        if sorted(numbers) == sorted(str(each) for each in range(1, cylinders + 1)):
            return [f"firing_order = [{', '.join(numbers)}]"]
        _say(f"It must name each of the {cylinders} cylinders once.")


def _curve(counts_in: CountsIn) -> Curve | None:
    """A curve as pairs of speed and degrees, asked as the maker prints it."""
    speed = "engine" if counts_in == "crank" else "distributor"
    _say(
        f"Centrifugal curve, {counts_in} degrees over {speed} rpm, a point a line like: 1500 10. "
        "Enter alone ends it."
    )
    points: list[tuple[float, float]] = []
    while True:
        answer = str(
            click.prompt(f"Point {len(points) + 1}", default="", show_default=False, err=True)
        )
        if not answer.strip():
            break
        try:
            parts = answer.replace(":", " ").replace(",", ".").split()
            rpm, deg = (float(part) for part in parts)
        except ValueError:
            _say("Two numbers, please: speed, then degrees.")
            continue
        if points and rpm <= points[-1][0]:
            _say("The speeds must rise.")
            continue
        points.append((rpm, deg))
    if len(points) == 1:
        _say("One point is no curve; it is left out.")
    return crank_curve(points, counts_in) if len(points) > 1 else None


def _pairs(curve: Curve) -> str:
    return "[" + ", ".join(f"[{rpm:g}, {deg:g}]" for rpm, deg in curve) + "]"
