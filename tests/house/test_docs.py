"""The page on how sure the answer is: its pictures are there, small, and drawn by the bench."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "vaclog" / "docs"
sys.path.insert(0, str(ROOT / "tests" / "bench"))


def test_every_picture_of_the_page_is_there_and_small() -> None:
    page = (DOCS / "how_sure.md").read_text(encoding="utf-8")
    shown = set(re.findall(r"!\[[^\]]+\]\((\w+\.svg)\)", page))
    assert shown == {path.name for path in DOCS.glob("*.svg")}
    for name in shown:
        assert (DOCS / name).stat().st_size < 100_000
        assert ElementTree.parse(DOCS / name).getroot().tag.endswith("svg")


def test_the_same_runs_draw_the_same_pictures(tmp_path: Path) -> None:
    import how_sure_pictures as pictures
    import matplotlib as mpl
    from hill_bench import Outcome
    from hill_classes import CLASSES

    rng = np.random.default_rng(3)
    outcomes = []
    for name in list(CLASSES)[:3] * 12:
        error, half = float(rng.normal(0.0, 0.6)), float(rng.uniform(0.9, 1.6))
        outcomes.append(
            Outcome(
                name=name,
                error=error,
                u=half / 2,
                low_error=error - half,
                high_error=error + half,
                found=True,
                side=0,
                margin=8.0,
                bound=0.6,
                evidence=20.0,
                white_p=0.5,
                flat_error=error,
                seconds=0.1,
            )
        )
    drawn = []
    for part in ("one", "two"):
        folder = tmp_path / part
        folder.mkdir()
        with mpl.rc_context(pictures.STYLE):
            pictures.coverage(folder, outcomes)
            pictures.widths(folder, outcomes)
        drawn.append([path.read_bytes() for path in sorted(folder.iterdir())])
    assert drawn[0] == drawn[1] and len(drawn[0]) == 2
    text = (tmp_path / "one" / "coverage.svg").read_text(encoding="utf-8")
    assert all(name in text for name in list(CLASSES)[:3])
