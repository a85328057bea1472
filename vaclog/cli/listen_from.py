"""What ``vaclog listen`` listens to: a port, a simulated engine, a capture played again.

Enters: what was asked for on the command line. Leaves: a :class:`Heard`, its capture begun.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from vaclog.cli.options import CardFiles

if TYPE_CHECKING:
    from vaclog.daemon import Desk, Keeper, Source
    from vaclog.daemon.room import Room
    from vaclog.guidance.scene import Options
    from vaclog.session import Instruct


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What is listened to: where from, where to, and under which name."""

    source: Source
    keeper: Keeper
    name: str
    capture: Path | None
    hears: Callable[[Instruct], None] | None = None
    on_led: Callable[[int], None] = field(default=lambda _at_us: None)
    room: Room | None = None


def from_port(
    port: str,
    options: Options,
    cards: CardFiles,
    capture: Path | None,
    *,
    baud: int,
    seconds: float | None,
) -> Heard:
    from vaclog.daemon.before import Before
    from vaclog.session import wants
    from vaclog.sources.carded import Carded
    from vaclog.sources.serial_port import SerialSource

    carded = Carded(
        SerialSource(port, baud=baud), engine=cards.engine, rig=cards.rig, seconds=seconds
    )
    kept = _kept(capture or _new_name())
    return Heard(source=Before([wants(options)], carded), name=port, **kept)


def from_simulation(
    name: str, options: Options, desk: Desk, capture: Path | None, *, seed: int, speed: float
) -> Heard:
    from vaclog.daemon.before import Before
    from vaclog.daemon.led_hand import LedHand
    from vaclog.session import wants
    from vaclog.simulator.presets import PRESETS, preset

    if name not in PRESETS:
        raise click.BadParameter(f"{name!r}; known: {', '.join(PRESETS)}", param_hint="SCENARIO")
    hand = LedHand(preset(name), desk, seed=seed, speed=speed)
    return Heard(
        source=Before([wants(options)], hand),
        name=f"simulated engine, {name}",
        hears=lambda instruct: hand.hear(instruct.instruction),
        on_led=hand.led,
        **_kept(capture or _new_name()),
    )


def from_capture(replay: Path, cards: CardFiles, capture: Path | None, speed: float) -> Heard:
    from vaclog.capture.open import open_capture
    from vaclog.daemon.before import Nowhere
    from vaclog.sources.replay import ReplaySource

    opened = open_capture(replay, rig=cards.load()[1])
    if opened.kind != "capture":
        click.echo(f"{replay} carries no times of arrival: it is played at once.", err=True)
    return Heard(
        source=ReplaySource(opened.records, speed=speed),
        name=replay.name,
        **({"keeper": Nowhere(), "capture": None} if capture is None else _kept(capture)),
    )


def _kept(capture: Path) -> dict[str, Any]:
    """Begin the capture, where there is room for it."""
    from vaclog.capture.writer import CaptureWriter
    from vaclog.daemon.room import Room

    room = Room(capture.parent)
    room.check()
    return {"keeper": CaptureWriter(capture), "capture": capture, "room": room}


def _new_name() -> Path:
    """A name that is free: a small computer without a clock begins each day at the same time."""
    name = datetime.now().strftime("vaclog-%Y%m%d-%H%M%S")
    numbered = (Path(f"{name}-{number}.vaclog") for number in count(2))
    return next(path for path in chain([Path(f"{name}.vaclog")], numbered) if not path.exists())
