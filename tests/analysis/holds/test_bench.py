"""A short run of the bench of stepped holds: its worst faults would show here."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    path = Path(__file__).parents[2] / "bench" / "holds_bench.py"
    spec = importlib.util.spec_from_file_location("holds_bench", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["holds_bench"] = module
    spec.loader.exec_module(module)
    return module


def test_tops_are_found_where_they_are(bench: ModuleType) -> None:
    runs = [bench.judge((name, 900)) for name in ("4 cylinders", "6 cylinders, 0.5°", "one way")]
    assert all(each.found for each in runs)
    assert sum(each.held for each in runs) >= 2
    assert np.mean([each.stood for each in runs]) > 0.7
    assert not any(each.said for each in runs), "a right list was called wrong"


def test_a_top_that_was_not_reached_is_not_found(bench: ModuleType) -> None:
    assert not bench.judge(("top not reached", 901)).found
    assert not bench.judge(("same, one way", 901)).found


def test_a_slip_is_said(bench: ModuleType) -> None:
    said = [bench.judge(("slip of 10°", seed)).said for seed in (500, 502)]
    assert any(said)
