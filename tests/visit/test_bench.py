"""The short version of the pre-flight's statistics."""

from __future__ import annotations

from tests.bench.preflight_bench import FAULTS, verdicts


def test_a_sound_engine_passes_and_what_is_wrong_is_seen() -> None:
    """One random engine; the long version is ``python tests/bench/preflight_bench.py``."""
    assert "doubtful" not in verdicts(3, None).values()
    for key, spoil in FAULTS.values():
        assert verdicts(3, spoil)[key] == "doubtful"
