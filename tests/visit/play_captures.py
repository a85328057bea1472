"""Captures of two visits to the same simulated engine, a year apart.

The second year the drive is worn: each spark strays, and every other turn is early. Where the
engine pinks only the passenger knows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from vaclog.simulator.drive import DriveSpec
from vaclog.simulator.engine import EngineSpec
from vaclog.simulator.presets import preset
from vaclog.simulator.recording import MakerFacts, Recording, simulate
from vaclog.simulator.rig import RigSpec
from vaclog.simulator.script import (
    Blip,
    Drive,
    Hold,
    Script,
    Segment,
    Start,
    Still,
    Turn,
    Warm,
)

MAKER = MakerFacts(name="Workshop engine", static_deg=10.0, altitude_m=0.0, max_total_deg=38.0)
WORN = DriveSpec(play_deg=1.0, alternate_deg=1.0)
START_DEG, LOW_DEG, HIGH_DEG = 10.0, 8.0, 33.0


@dataclass(frozen=True, kw_only=True)
class Bench:
    """An engine, a rig, and a folder for what they record."""

    folder: Path
    engine: EngineSpec
    rig: RigSpec

    def record(
        self, name: str, seed: int, at_deg: float, *segments: Segment, press_s: float = 0.0
    ) -> Path:
        """Record segments from a setting; the button is pressed at ``press_s``."""
        made = self.recording(seed, at_deg, *segments, press_s=press_s)
        path = self.folder / f"{name}.txt"
        path.write_bytes(made.text)
        return path

    def recording(
        self, seed: int, at_deg: float, *segments: Segment, press_s: float = 0.0
    ) -> Recording:
        """The recording itself."""
        return simulate(
            self.engine,
            Script(start_deg=at_deg, segments=segments),
            self.rig,
            seed,
            maker=MAKER,
            markers_s=(press_s,) if press_s else (),
        )

    def cards(self) -> tuple[Path, Path]:
        """The two cards."""
        made = self.recording(0, START_DEG, Hold(seconds=1.0))
        engine, rig = self.folder / "engine.toml", self.folder / "rig.toml"
        engine.write_text(made.engine_card_toml, encoding="utf-8")
        rig.write_text(made.rig_card_toml, encoding="utf-8")
        return engine, rig

    def check(self, name: str, seed: int, at_deg: float) -> Path:
        """Key on, start, idle, one blip, idle."""
        return self.record(
            name,
            seed,
            at_deg,
            Still(seconds=4.0),
            Start(dry_s=3.0),
            Warm(seconds=6.0),
            Hold(seconds=40.0),
            Blip(throttle=0.3, open_s=0.6),
            Hold(seconds=12.0),
        )

    def curve(self, name: str, seed: int, at_deg: float) -> Path:
        """A slow rev-up."""
        return self.record(
            name,
            seed,
            at_deg,
            Hold(seconds=8.0),
            Blip(throttle=0.08, open_s=3.0, rise_s=6.0, most_rpm=3600.0),
            Hold(seconds=8.0),
        )

    def sweep(self, name: str, seed: int, at_deg: float, end_deg: float) -> Path:
        """Over the top and back to a setting."""
        return self.record(
            name,
            seed,
            at_deg,
            Hold(seconds=10.0),
            Turn(to_deg=HIGH_DEG, rate_deg_s=1.0),
            Hold(seconds=4.0),
            Turn(to_deg=LOW_DEG, rate_deg_s=1.0),
            Hold(seconds=3.0),
            Turn(to_deg=end_deg, rate_deg_s=1.0),
            Hold(seconds=12.0),
        )

    def lock(self, name: str, seed: int, at_deg: float, moved_deg: float) -> Path:
        """Idle, the clamp is tightened, idle."""
        return self.record(
            name,
            seed,
            at_deg,
            Hold(seconds=18.0),
            Turn(to_deg=at_deg + moved_deg, rate_deg_s=2.0),
            Hold(seconds=18.0),
        )

    def road(self, name: str, seed: int, at_deg: float, *, pinks: bool) -> Path:
        """A pull in a middle gear; the passenger presses the button where it pinks."""
        return self.record(
            name, seed, at_deg, Hold(seconds=5.0), Drive(), press_s=13.0 if pinks else 0.0
        )


def bench(folder: Path, *, worn: bool = False) -> Bench:
    """The engine as it was, or with its drive worn."""
    base = preset("there-and-back")
    engine = replace(base.engine, idle_deg=START_DEG, drive=WORN if worn else DriveSpec())
    return Bench(folder=folder, engine=engine, rig=base.rig)
