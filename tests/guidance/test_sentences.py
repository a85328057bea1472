"""The catalogue: whole, readable, with the right numbers."""

from __future__ import annotations

import re
import string
from dataclasses import fields, replace
from typing import Any

import pytest

from vaclog.guidance.catalogue import ENGLISH, Catalogue
from vaclog.guidance.instructions import Because, Instruction, Step, Urgency
from vaclog.guidance.sentences import words

FULL = Instruction(
    step=Step.KEEP_GOING,
    because=Because.BELOW_TOP,
    urgency=Urgency.NORMAL,
    at_us=0,
    valid_us=1,
    way=1,
    turn_way="counterclockwise",
    to_go_deg=2.5,
    to_go_body_deg=1.25,
    to_go_mm=0.7,
    target_deg=12.5,
    here_deg=10.0,
    interval_deg=1.44,
    expected_deg=0.87,
    pass_s=60.0,
    top_deg=24.3,
    moved_deg=-1.26,
    u_moved_deg=0.1,
    left_kpa=3.3864,
    limit="maker's figure",
)
BARE = Instruction(
    step=Step.LISTEN, because=Because.ASKED, urgency=Urgency.CALM, at_us=0, valid_us=1
)


@pytest.mark.parametrize("given", [FULL, BARE], ids=["full", "bare"])
@pytest.mark.parametrize("step", Step)
def test_every_step_has_words(step: Step, given: Instruction) -> None:
    """Spoken and shown, without a hole, a brace, "None" or two blanks."""
    made = words(replace(given, step=step))
    for text in (made.said, made.shown, made.reason):
        assert text and text[0].isupper() and text[-1] in ".?!"
        assert not set("{}") & set(text)
        assert "None" not in text and "  " not in text and " ." not in text and ".." not in text


@pytest.mark.parametrize("because", Because)
def test_every_reason_has_words(because: Because) -> None:
    """Also where no number is known."""
    for given in (FULL, BARE):
        text = words(replace(given, because=because)).reason
        assert text.endswith(".") and not set("{}") & set(text)


@pytest.mark.parametrize("step", Step)
def test_what_is_spoken_is_short(step: Step) -> None:
    """A dozen words or so can be heard over an engine."""
    assert len(words(replace(FULL, step=step)).said.split()) <= 14


@pytest.mark.parametrize("step", Step)
def test_no_signs_are_spoken(step: Step) -> None:
    """A voice stumbles over signs and abbreviations."""
    assert not set("±°½()/%") & set(words(replace(FULL, step=step)).said)
    assert " mm" not in words(replace(FULL, step=step)).said


@pytest.mark.parametrize(
    ("mm", "said", "shown"),
    [
        (0.1, "A hair", "a hair (0.1 mm)"),
        (0.3, "A quarter of a millimetre", "0.3 mm"),
        (0.5, "Half a millimetre", "0.5 mm"),
        (0.7, "Three quarters of a millimetre", "0.7 mm"),
        (0.9, "1 millimetre", "0.9 mm"),
        (1.4, "1 and a half millimetres", "1.4 mm"),
        (2.0, "2 millimetres", "2 mm"),
        (2.6, "2 and a half millimetres", "2½ mm"),
        (6.1, "6 millimetres", "6 mm"),
    ],
)
def test_lengths(mm: float, said: str, shown: str) -> None:
    """As a person would say them."""
    made = words(replace(FULL, step=Step.CLOSER, to_go_mm=mm))
    assert made.said == f"Closer. {said} counterclockwise."
    assert made.shown == f"Closer: {shown} counterclockwise."


def test_without_a_radius_degrees_of_the_body() -> None:
    """And without the rotor's sense: to advance, to retard."""
    bare = replace(FULL, to_go_mm=None, turn_way=None)
    assert words(bare).shown.startswith("Keep going: 1.2° of the body to advance")
    assert "to retard" in words(replace(bare, way=-1)).shown


# What is said, and why, in the stages: the pairs that come up.
PAIRS = [
    (Step.SCRIBE, Because.BASELINE),
    (Step.WARM_UP, Because.NOT_STEADY),
    (Step.BEGIN, Because.FIRST),
    (Step.BEGIN, Because.NO_MOVE),
    (Step.LISTEN, Because.SETTLE),
    (Step.KEEP_GOING, Because.BELOW_TOP),
    (Step.KEEP_GOING, Because.WIDER),
    (Step.KEEP_GOING, Because.NO_MOVE),
    (Step.SLOWER, Because.TOO_FAST),
    (Step.PASSED_TOP, Because.PAST_TOP),
    (Step.COME_BACK, Because.ONE_WAY),
    (Step.COME_BACK, Because.OTHER_SIDE),
    (Step.COME_BACK, Because.HEAT),
    (Step.COME_BACK, Because.LIMIT_RETARD),
    (Step.ONE_MORE, Because.TOP_UNSURE),
    (Step.READ_STROBE, Because.READING),
    (Step.ENOUGH, Because.SURE),
    (Step.ENOUGH, Because.NO_GAIN),
    (Step.STOP, Because.LIMIT_TOTAL),
    (Step.STOP, Because.LIMIT_MISFIRE),
    (Step.STOP, Because.LIMIT_SLOT),
    (Step.STOP, Because.LIMIT_CEILING),
    (Step.TURN, Because.SET_POINT),
    (Step.TURN, Because.OVERSHOT),
    (Step.CLOSER, Because.ONE_SIDE),
    (Step.HOLD, Because.SET_POINT),
    (Step.LOCK, Because.LOCK_CHECK),
    (Step.UNSURE, Because.COMPARING),
    (Step.MOVED, Because.LOCK_CHECK),
    (Step.MOVED, Because.CREPT),
    (Step.LOCKED, Because.LOCK_CHECK),
    (Step.UNTOLD, Because.LOCK_CHECK),
    (Step.HOME, Because.ASKED),
    (Step.HOME, Because.NO_NUMBER),
    (Step.AT_HOME, Because.ASKED),
    (Step.PAUSED, Because.NO_DATA),
]


@pytest.mark.parametrize(("step", "because"), PAIRS)
@pytest.mark.parametrize("given", [FULL, BARE], ids=["full", "bare"])
def test_a_reason_adds_something(step: Step, because: Because, given: Instruction) -> None:
    """It is short and repeats no three words, and no two long ones, of what was shown."""
    made = words(replace(given, step=step, because=because))
    shown, reason = (re.findall(r"[a-z]+", each.lower()) for each in (made.shown, made.reason))
    assert len(reason) <= 15

    def runs(text: list[str]) -> set[tuple[str, ...]]:
        return set(zip(text, text[1:], text[2:], strict=False))

    assert not runs(shown) & runs(reason)
    assert len({each for each in shown if len(each) > 4} & set(reason)) <= 1
    assert not set(re.findall(r"±[\d.]+", made.shown)) & set(re.findall(r"±[\d.]+", made.reason))


def test_no_pair_is_forgotten(whole) -> None:
    """What a whole session says stands in the list above."""
    said = {(each.step, each.because) for each in whole.said}
    assert said <= set(PAIRS)


def test_enough_tells_whether_the_top_was_passed() -> None:
    """No interval of a top that was not found."""
    assert "(±1.4°)" in words(replace(FULL, step=Step.ENOUGH)).shown
    open_end = words(replace(FULL, step=Step.ENOUGH, top_deg=None))
    assert "±" not in open_end.shown and "not passed" in open_end.said


def test_lock_words_carry_the_numbers() -> None:
    """How far it moved, or the most that it can have moved."""
    assert "1.3° of crank" in words(replace(FULL, step=Step.MOVED)).shown
    assert "within 1.5° of crank" in words(replace(FULL, step=Step.LOCKED)).shown
    blind = replace(FULL, step=Step.LOCKED, moved_deg=None, moved_kpa=0.1, u_moved_kpa=0.12)
    assert "within 0.1 inHg" in words(blind).shown
    assert "within 0.34 kPa" in words(blind, unit="kPa").shown


def test_templates_name_only_what_there_is() -> None:
    """A translator's slip in a name is found here, not on the wing of a car."""
    pairs = [*ENGLISH.steps.values(), ENGLISH.not_passed]
    texts = [*ENGLISH.reasons.values(), *(text for pair in pairs for text in pair)]
    parsed = (part for text in texts for part in string.Formatter().parse(text))
    known = {name for _, name, _, _ in parsed if name}
    assert known <= set(words_fields())
    assert set(ENGLISH.steps) == set(Step) and set(ENGLISH.reasons) == set(Because)


def words_fields() -> set[str]:
    """Names that the module offers to templates."""
    from vaclog.guidance import sentences

    return set(sentences._fields(FULL, ENGLISH, "inHg"))


def foreign(value: Any) -> Any:
    """A catalogue's value with every letter a "ж", but for the names in braces."""
    if isinstance(value, str):
        return re.sub(r"(\{[^}]*\})|[^\W\d_]", lambda m: m[1] or "ж", value)
    if isinstance(value, tuple):
        return tuple(foreign(each) for each in value)
    return {name: foreign(each) for name, each in value.items()}


FOREIGN = Catalogue(
    **{each.name: foreign(getattr(ENGLISH, each.name)) for each in fields(Catalogue)}
)
SEVERAL = [
    FULL,
    BARE,
    replace(FULL, to_go_mm=0.1),
    replace(FULL, to_go_mm=2.6),
    replace(FULL, to_go_mm=None, turn_way=None),
    replace(FULL, to_go_mm=None, to_go_body_deg=None, top_deg=None, limit=None),
    replace(FULL, moved_deg=None, moved_kpa=0.1, u_moved_kpa=0.12, limit="hill", way=-1),
]


@pytest.mark.parametrize("given", SEVERAL)
def test_another_language_is_another_catalogue(given: Instruction) -> None:
    """Nothing of the first one shines through, whatever is said and why; units are signs."""
    for step in Step:
        for because in Because:
            made = words(replace(given, step=step, because=because), FOREIGN)
            for text in (made.said, made.shown, made.reason):
                rest = set(re.findall(r"[^\W\d_]+", re.sub("inHg|½", "", text)))
                assert all(set(word.lower()) == {"ж"} for word in rest), text


@pytest.mark.parametrize(
    ("now_deg", "then_deg", "promised"),
    [
        (1.44, 0.87, "0.9"),
        (0.84, 0.76, None),  # both read 0.8
        (0.86, 0.84, "0.8"),  # 0.9 and 0.8
        (0.8, 0.9, None),
        (None, 0.87, "0.9"),
        (1.44, None, None),
    ],
)
def test_a_pass_promises_what_reads_narrower_or_nothing(
    now_deg: float | None, then_deg: float | None, promised: str | None
) -> None:
    """A figure is promised only where the one that stands beside it is a larger one."""
    given = replace(FULL, interval_deg=now_deg, expected_deg=then_deg)
    made = words(replace(given, step=Step.ONE_MORE, because=Because.TOP_UNSURE))
    figures = re.findall(r"±(\d\.\d)°", made.shown)
    assert figures == ([] if promised is None else [promised])
    spoken = re.findall(r"to (\d\.\d) degrees", made.said)
    assert spoken == figures
    held_against = re.findall(r"±(\d\.\d)°", made.reason)
    assert not set(figures) & set(held_against)
