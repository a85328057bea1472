"""Records sample_captures/ through the loop: pins, firmware, terminal, ``vaclog listen``.

    python tests/loop/record_samples.py [NAME ...]      in real time, all at once, 2 to 3 minutes
    python tests/loop/record_samples.py --expect        only make the expected answers anew

Beside each capture stand its cards, the expected answer (of ``vaclog replay``) and the truth of the
simulated engine. The captures are recorded once; the answers are made anew when the analysis is
changed on purpose, and the commit says why.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from engine_on_pins import stimulus
from harness import Bench
from listening import listen
from samples import SAMPLES

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "sample_captures"


def record(bench: Bench, name: str) -> None:
    """Record one sample, in real time, so that the arrival times are those of a live port."""
    sample = SAMPLES[name]
    recording = sample.simulate()
    engine, rig = FOLDER / f"{name}.engine.toml", FOLDER / f"{name}.rig.toml"
    engine.write_text(sample.engine_card, encoding="utf-8")
    rig.write_text(sample.rig_card, encoding="utf-8")
    capture = FOLDER / f"{name}.vaclog"
    capture.unlink(missing_ok=True)
    listen(bench, stimulus(recording.pins), engine, rig, capture, "--paced")
    truth = recording.truth
    facts = {
        "about": sample.about,
        "peak_deg": round(truth.peak_rig_deg, 3),
        "peak_misfiring_deg": round(truth.peak_misfiring_deg + truth.rig_offset_deg, 3),
        "swept_deg": [round(truth.swept_low_deg, 2), round(truth.swept_high_deg, 2)],
        "barometer_kpa": truth.barometer_kpa,
        "misfires": len(truth.misfire_s),
        "phases": [[s.kind, round(s.start_s, 2), round(s.end_s, 2)] for s in truth.phases],
    }
    lines = ",\n".join(f"  {json.dumps(key)}: {json.dumps(value)}" for key, value in facts.items())
    (FOLDER / f"{name}.truth.json").write_text(f"{{\n{lines}\n}}\n", encoding="utf-8")
    print(name, capture.stat().st_size, "bytes", file=sys.stderr)


def replay(name: str) -> str:
    """The program's answer to a sample, as JSON text."""
    beside = FOLDER / name
    command = [sys.executable, "-m", "vaclog", "replay", f"{beside}.vaclog", "--json"]
    command += ["--engine", f"{beside}.engine.toml", "--rig", f"{beside}.rig.toml"]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout


def main() -> None:
    """Record and make the expected answers."""
    names = [name for name in sys.argv[1:] if not name.startswith("-")] or list(SAMPLES)
    if "--expect" not in sys.argv:
        with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor() as pool:
            bench = Bench(Path(folder))
            bench.firmware(), bench.runner()
            list(pool.map(lambda name: record(bench, name), names))
    for name in names:
        (FOLDER / f"{name}.expected.json").write_text(replay(name), encoding="utf-8")


if __name__ == "__main__":
    main()
