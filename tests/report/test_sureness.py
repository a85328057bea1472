"""What limited an answer reaches the person, in the order of its weight, with its cure."""

from __future__ import annotations

from dataclasses import replace

from report_cases import FOUND

from vaclog.report import text
from vaclog.report.words.sureness import SURE, sure
from vaclog.result import Peak, faults, from_json, to_json


def test_the_causes_are_sentences_in_their_order_and_few() -> None:
    peak = Peak(
        found=False,
        why_not="the wind",
        limited_by=("the wind", "short: wait", "narrow: turn", "noise: shield", "rest: none"),
    )
    assert sure(peak) == ("Short: wait.", "Narrow: turn.", "Noise: shield.")


def test_no_causes_no_section() -> None:
    assert sure(Peak(found=False, why_not="no advance known")) == ()
    silent = replace(FOUND, peak=replace(FOUND.peak, limited_by=()))
    assert SURE not in text.render(silent, "kPa")


def test_the_causes_stand_in_the_text_and_survive_the_document() -> None:
    limited = replace(FOUND, peak=replace(FOUND.peak, limited_by=("narrow sweep: turn further",)))
    told = text.render(limited, "kPa")
    assert told.index(SURE) < told.index("Narrow sweep: turn further.")
    assert not faults(limited)
    assert from_json(to_json(limited)).peak.limited_by == ("narrow sweep: turn further",)
