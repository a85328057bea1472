"""Pinking heard in made sound: hits, false beats, suspicion of runs, alignment.

Run as ``python tests/bench/knock_bench.py [SEEDS]``. For each number of cylinders and each strength
of pinking (energy in the band over all other noise in the band, median stroke) it makes one drive
a seed: idle, one pull of 8 s from 1800 to 3800 rpm, way back, with gusts, stones, valves, gain
control, 16 bits, a clock 50 ppm off and an unknown start; one stroke in twenty pinks. The
last rows are other phones, other roads and other shares of strokes. The sound shares no code with
the ear.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis" / "road"))

from made_drive import made_drive
from made_sound import MadeSound, Noise, Phone, make_sound

from vaclog.analysis.misfire.find import roc_area
from vaclog.analysis.road.align import align
from vaclog.analysis.road.band import knock_band
from vaclog.analysis.road.hear import Recording, beats_of, hear
from vaclog.analysis.road.knock import score
from vaclog.analysis.road.loads import find_loads
from vaclog.analysis.road.strokes import Strokes, strokes_of
from vaclog.cards import EngineCard

BORE_MM = 80.0


@dataclass(kw_only=True)
class Tally:
    """Sums over the drives of a class."""

    drives: int = 0
    placed: int = 0
    pinked: int = 0
    hits: int = 0
    false: int = 0
    minutes: float = 0.0
    suspicious: int = 0
    areas: list[float] = field(default_factory=list)
    errors_ms: list[float] = field(default_factory=list)
    over_u: list[float] = field(default_factory=list)

    def row(self, name: str) -> str:
        """One line of the table."""
        share = self.hits / self.pinked if self.pinked else float("nan")
        area = float(np.mean(self.areas)) if self.areas else float("nan")
        return (
            f"{name:34s} {self.placed:3d}/{self.drives:<3d} {100 * share:6.1f} "
            f"{self.false / max(self.minutes, 1e-9):8.2f} {area:7.3f} "
            f"{self.suspicious:5d}/{self.drives:<3d} {np.mean(self.errors_ms):7.2f} "
            f"{np.std(self.errors_ms):6.2f} {np.max(np.abs(self.over_u)):6.1f}"
        )


HEAD = (
    f"{'class':34s} {'placed':7s} {'hits %':>6s} {'false/min':>8s} {'area':>7s} "
    f"{'suspect':>9s} {'off ms':>7s} {'sd ms':>6s} {'max/u':>6s}"
)


def drive(
    cylinders: int,
    seed: int,
    *,
    share: float,
    snr_db: float,
    only_slot: int | None = None,
    from_rpm: float = 1800.0,
    to_rpm: float = 3800.0,
    phone: Phone | None = None,
    noise: Noise | None = None,
) -> tuple[MadeSound, Strokes, Tally]:
    """Make a drive and its sound, listen to it, and count."""
    made = made_drive(cylinders=cylinders, from_rpm=from_rpm, to_rpm=to_rpm)
    card = EngineCard(cylinders=cylinders, bore_mm=BORE_MM)
    every = strokes_of(made.cycles, 0, len(made.cycles), card)
    # The listener must find the start by itself: it is drawn anew for each drive.
    rng = np.random.default_rng([seed, cylinders, round(snr_db), round(1000 * share)])
    phone = replace(phone or Phone(), starts_s=float(rng.uniform(-20.0, 2.0)))
    sound = make_sound(
        every.top_s,
        every.rpm,
        every.slot,
        made.cycles.pressure_kpa[every.row] > 90.0,
        rng=rng,
        knock_share=share,
        snr_db=snr_db,
        bore_mm=BORE_MM,
        only_slot=only_slot,
        phone=phone,
        noise=noise,
    )
    (load,) = find_loads(made.cycles, made.phases)
    run = strokes_of(made.cycles, load.first, load.last, card)
    truth = sound.knocked[(every.row >= load.first) & (every.row < load.last)]
    tally = Tally(drives=1)
    place = align(sound.samples.astype(np.float64), sound.rate_hz, [run])
    if place.why_not is None and place.runs[0] is not None:
        placed = place.runs[0]
        middle_s = float(run.top_s.mean())
        heard_s = (middle_s + phone.delay_s - phone.starts_s) * (1.0 + phone.drift_ppm * 1e-6)
        error_s = placed.offset_s - (middle_s - heard_s)
        tally.placed = 1
        tally.errors_ms.append(1e3 * error_s)
        tally.over_u.append(error_s / placed.u_offset_s)
        here = replace(run, top_s=run.top_s - placed.offset_s)
        found = score(
            sound.samples.astype(np.float64),
            sound.rate_hz,
            here,
            band=knock_band(BORE_MM),
            cylinders=cylinders,
        )
        _count(tally, found.pinking, beats_of(found, run)[0], truth, run)
    recording = Recording(file="made.wav", rate_hz=sound.rate_hz, samples=sound.samples)
    told = hear(recording, made.cycles, [load], card)
    tally.suspicious = int(any(each.suspicious for each in told.runs))
    return sound, run, tally


def _count(
    tally: Tally, scores: np.ndarray, beats: np.ndarray, truth: np.ndarray, run: Strokes
) -> None:
    """Hits and false beats; a stroke beside one that truly rang is neither."""
    rang = np.zeros(len(truth), dtype=bool)
    rang[beats] = True
    near = truth | np.roll(truth, 1) | np.roll(truth, -1)
    tally.pinked, tally.hits = int(truth.sum()), int((rang & truth).sum())
    tally.false = int((rang & ~near).sum())
    tally.minutes = float(run.top_s[-1] - run.top_s[0]) / 60.0
    if truth.any():
        tally.areas.append(roc_area(scores[truth], scores[~near]))


def total(tallies: list[Tally]) -> Tally:
    """Sum of single drives."""
    out = Tally()
    for each in tallies:
        for name in ("drives", "placed", "pinked", "hits", "false", "minutes", "suspicious"):
            setattr(out, name, getattr(out, name) + getattr(each, name))
        out.areas += each.areas
        out.errors_ms += each.errors_ms
        out.over_u += each.over_u
    return out


def classes() -> list[tuple[str, dict[str, object]]]:
    """Name and arguments of each class."""
    rows: list[tuple[str, dict[str, object]]] = []
    for cylinders in (4, 6, 8):
        rows.append(
            (f"{cylinders} cyl, none", {"cylinders": cylinders, "share": 0.0, "snr_db": 0.0})
        )
        for snr_db in (6.0, 9.0, 12.0, 15.0):
            rows.append(
                (
                    f"{cylinders} cyl, {snr_db:g} dB",
                    {"cylinders": cylinders, "share": 0.05, "snr_db": snr_db},
                )
            )
    four = {"cylinders": 4, "share": 0.05, "snr_db": 12.0}
    rows += [
        ("clipping tenfold", {**four, "phone": Phone(clip_share=10.0)}),
        ("44.1 kHz, no gain control", {**four, "phone": Phone(rate_hz=44_100, agc=False)}),
        ("3 m away, bass cut at 150 Hz", {**four, "phone": Phone(delay_s=0.009, highpass_hz=150)}),
        ("gale and gravel", {**four, "noise": Noise(wind=3.0, stones_per_s=2.0)}),
        ("gale and gravel, none", {**four, "share": 0.0,
                                   "noise": Noise(wind=3.0, stones_per_s=2.0)}),
        ("loud valves, none", {**four, "share": 0.0, "noise": Noise(valves=4.0)}),
        ("pull over 700 rpm only", {**four, "to_rpm": 2500.0}),
        ("a third of strokes", {**four, "share": 0.33}),
        ("one cylinder, half its strokes", {**four, "share": 0.5, "only_slot": 2}),
        ("one cylinder, nearly all", {**four, "share": 0.9, "only_slot": 2}),
    ]  # fmt: skip
    return rows


def main() -> None:
    """Print the table."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    print(f"{seeds} drives a class; hits and false beats at the ear's own threshold")
    print(HEAD)
    for name, arguments in classes():
        print(total([drive(seed=s, **arguments)[2] for s in range(seeds)]).row(name))  # type: ignore[arg-type]


if __name__ == "__main__":
    main()
