"""What a badly clipped-on rig gets: a warning that says fact, cause and step, and no wrong advance.

Recordings come from the simulator, as bytes of text lines; faults are put into the lines.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from recordings import recording

from vaclog.cards import EngineCard, MarkSensor, RigCard, engine_card, rig_card
from vaclog.signals.chain import SignalChain
from vaclog.signals.tables import AdvanceFrom, CycleFlag
from vaclog.simulator import BodyRig, EngineSpec, RigSpec, Script
from vaclog.simulator.script import Hold, Still, Stop, Turn
from vaclog.wire.detect import StreamDecoder

SCRIPT = Script(
    start_deg=10.0,
    segments=(Hold(seconds=8.0), Turn(to_deg=20.0, rate_deg_s=1.5), Hold(seconds=6.0)),
)
Edit = Callable[[bytes], bytes]


def seen(
    rig: RigSpec,
    *,
    engine: EngineSpec | None = None,
    script: Script = SCRIPT,
    edit: Edit = lambda text: text,
    card: Callable[[RigCard], RigCard] = lambda card: card,
    maker: Callable[[EngineCard], EngineCard] = lambda card: card,
) -> SignalChain:
    """The chain at the end of a recording."""
    made = recording(rig, engine=engine, script=script)
    chain = SignalChain(
        maker(engine_card(made.engine_card_toml)), card(rig_card(made.rig_card_toml))
    )
    decoder = StreamDecoder()
    chain.feed(decoder.feed(edit(made.text)))
    chain.feed(decoder.finish())
    chain.finish()
    return chain


def without(kind: str) -> Edit:
    """Leave out all records of a kind."""
    return lambda text: re.sub(rb"(?m)^%s .*\n" % kind.encode(), b"", text)


def the_warning(chain: SignalChain, words: str) -> str:
    """The one warning with these words; it must have fact, cause and step."""
    found = [w for w in chain.report().warnings if words in w]
    assert len(found) == 1, chain.report().warnings
    assert len(re.findall(r"[.;](?: |$)", found[0])) >= 3
    assert len(found[0]) < 420
    return found[0]


def declare(pickup: str) -> Callable[[RigCard], RigCard]:
    return lambda card: replace(card, spark=replace(card.spark, pickup=pickup))  # type: ignore[arg-type]


def test_a_good_rig_has_nothing_to_warn_of() -> None:
    for rig in (
        RigSpec(),
        RigSpec(mark=False, body=BodyRig()),
        RigSpec(pickup="coil"),
        RigSpec(pickup="wasted", ring_share=0.5),
        RigSpec(multi_spark=3, drop_share=0.005, mark_drop_share=0.005),
    ):
        assert seen(rig).report().warnings == ()


@pytest.mark.parametrize("mark", [True, False])
@pytest.mark.parametrize(
    ("actual", "declared"),
    [
        ("wasted", "no1"),
        ("coil", "no1"),
        ("no1", "wasted"),
        ("coil", "wasted"),
        ("no1", "coil"),
        ("wasted", "coil"),
    ],
)
def test_clamp_on_another_kind_of_lead_is_seen_and_mended(
    actual: str, declared: str, mark: bool
) -> None:
    chain = seen(RigSpec(pickup=actual, mark=mark), card=declare(declared))  # type: ignore[arg-type]
    the_warning(chain, "wrong lead")
    assert 700 < np.median(chain.cycles().rpm) < 1000
    if mark:
        assert abs(chain.cycles().advance_deg[:30].mean() - 10.0) < 0.5


def test_one_sign_alone_does_not_overrule_the_card() -> None:
    chain = seen(
        RigSpec(pickup="wasted", mark=False),
        card=declare("no1"),
        maker=lambda card: replace(card, idle_rpm=None),
    )
    assert "may be" in the_warning(chain, "wrong lead")
    assert 1400 < np.median(chain.cycles().rpm) < 2000


@pytest.mark.parametrize("cylinders", [3, 6, 8])
def test_other_engines_are_not_taken_for_misclamped(cylinders: int) -> None:
    for pickup in ("no1", "coil"):
        engine = EngineSpec(cylinders=cylinders, firing_order=None, scatter=0.14)
        chain = seen(RigSpec(pickup=pickup), engine=engine)  # type: ignore[arg-type]
        assert chain.report().warnings == ()
        assert 700 < np.median(chain.cycles().rpm) < 1000


def test_a_weak_cylinder_is_not_taken_for_a_wrong_lead() -> None:
    engine = EngineSpec(imbalance=(1.0, 0.75, 1.0, 1.0))
    assert seen(RigSpec(mark=False), engine=engine).report().warnings == ()


@pytest.mark.parametrize("slot", [2, 4])
def test_clamp_on_another_cylinders_lead(slot: int) -> None:
    chain = seen(RigSpec(clamp_slot=slot))
    warning = the_warning(chain, "no engine has")
    assert "No. 3 or No. 2" in warning  # one and three places after No. 1 in 1-3-4-2
    assert (chain.cycles().advance_from == AdvanceFrom.NONE).all()
    assert np.isnan(chain.cycles().advance_deg).all()


def test_the_companions_lead_reads_the_same() -> None:
    chain = seen(RigSpec(clamp_slot=3))
    assert chain.report().warnings == ()
    assert abs(chain.cycles().advance_deg[:30].mean() - 10.0) < 0.5


@pytest.mark.parametrize("ghost_deg", [15.0, 30.0, 90.0, 180.0])
def test_a_mark_that_fires_twice_a_turn_is_not_used(ghost_deg: float) -> None:
    chain = seen(RigSpec(mark_ghost_deg=ghost_deg))
    the_warning(chain, "more than once a turn")
    assert (chain.cycles().advance_from == AdvanceFrom.NONE).all()
    both = seen(RigSpec(mark_ghost_deg=ghost_deg, body=BodyRig()))
    assert (both.cycles().advance_from == AdvanceFrom.BODY).all()


def test_a_mark_once_in_two_turns_is_not_used() -> None:
    def every_other(text: bytes) -> bytes:
        lines = text.split(b"\n")
        marks = [i for i, line in enumerate(lines) if line.startswith(b"R ")][::2]
        return b"\n".join(line for i, line in enumerate(lines) if i not in set(marks))

    chain = seen(RigSpec(), edit=every_other)
    the_warning(chain, "once in two turns")
    assert (chain.cycles().advance_from == AdvanceFrom.NONE).all()


def test_a_mark_that_never_fires() -> None:
    the_warning(seen(RigSpec(), edit=without("R")), "not one pulse")


def test_marks_or_body_without_their_card() -> None:
    chain = seen(RigSpec(), card=lambda card: replace(card, mark=None))
    the_warning(chain, "does not say at what angle")
    assert np.isfinite(chain.cycles().turn_us).mean() > 0.98
    body = seen(RigSpec(mark=False, body=BodyRig()), card=lambda card: replace(card, body=None))
    the_warning(body, "what they mean")


def test_no_sparks_but_marks() -> None:
    chain = seen(RigSpec(body=BodyRig()), edit=without("S"))
    the_warning(chain, "No spark was seen")
    table = chain.cycles()
    assert 700 < np.median(table.rpm) < 1000
    assert (table.advance_from == AdvanceFrom.BODY).mean() > 0.95


def test_no_sparks_but_the_coil_lead() -> None:
    chain = seen(RigSpec(coil_lead=True), edit=without("S"))
    the_warning(chain, "coil lead's sparks")
    assert abs(chain.cycles().advance_deg[:30].mean() - 10.0) < 0.5
    assert chain.background().sparks.sum() > 500


def test_no_pulses_at_all() -> None:
    chain = seen(RigSpec(mark=False), edit=without("S"))
    the_warning(chain, "no cycles to analyse")
    assert len(chain.cycles()) == 0


def test_no_pressure_at_all() -> None:
    chain = seen(RigSpec(), edit=without("P"))
    the_warning(chain, "not one pressure reading")
    assert len(chain.cycles()) > 100
    assert np.isnan(chain.cycles().pressure_kpa).all()


@pytest.mark.parametrize(("rail", "words"), [("high", "top of its scale"), ("low", "bottom")])
def test_a_sensor_at_a_rail(rail: str, words: str) -> None:
    chain = seen(RigSpec(rail=rail))  # type: ignore[arg-type]
    the_warning(chain, words)
    assert (chain.cycles().flags & CycleFlag.RAIL).all()
    assert chain.report().barometer_kpa is None


def test_a_hose_that_is_off() -> None:
    # Open air at rest and running: 365 counts are 99 kPa on the default card.
    def open_air(text: bytes) -> bytes:
        return re.sub(rb"(?m)^(P \d+) \d+", rb"\1 365", text)

    script = replace(SCRIPT, segments=(Hold(seconds=8.0), Stop(), Still(seconds=4.0)))
    chain = seen(RigSpec(), script=script, edit=open_air)
    the_warning(chain, "hardly any vacuum")
    assert chain.report().barometer_kpa is None
    the_warning(seen(RigSpec(), edit=open_air), "hardly any vacuum")


def test_the_barometer_of_an_engine_that_was_stopped() -> None:
    script = replace(SCRIPT, segments=(Hold(seconds=8.0), Stop(), Still(seconds=4.0)))
    chain = seen(RigSpec(), script=script)
    # The simulator's open air; a converter step is 0.24 kPa.
    assert chain.report().barometer_kpa == pytest.approx(101.3, abs=0.15)


def test_a_card_that_does_not_fit_the_sensor() -> None:
    def wrong(card: RigCard) -> RigCard:
        return replace(card, pressure=replace(card.pressure, gain_per_kpa=0.0009))

    the_warning(seen(RigSpec(), card=wrong), "gain_per_kpa")


def test_losses_and_strays_are_told_from_a_share_on() -> None:
    the_warning(seen(RigSpec(drop_share=0.06)), "sparks were missed")
    the_warning(seen(RigSpec(spurious_per_s=1.5)), "do not fit the engine's rhythm")


def test_mark_and_body_that_disagree() -> None:
    chain = seen(RigSpec(body=BodyRig(strobe_error_deg=6.0)))
    assert "differ by 6" in the_warning(chain, "Crank mark and body")
    assert (chain.cycles().advance_from == AdvanceFrom.MARK).all()


def test_a_body_sensor_that_is_silent_or_absurd() -> None:
    body = RigSpec(mark=False, body=BodyRig())
    the_warning(seen(body, edit=without("B")), "not one reading")

    def far(card: RigCard) -> RigCard:
        assert card.body is not None
        return replace(card, body=replace(card.body, anchor_deg=130.0))

    chain = seen(body, card=far)
    the_warning(chain, "body angle works out")
    assert (chain.cycles().advance_from == AdvanceFrom.NONE).all()


def test_lost_samples_are_told() -> None:
    def lossy(text: bytes) -> bytes:
        # Half of each tenth of a second is lost.
        return re.sub(
            rb"(?m)^P (\d+) \d+\n",
            lambda m: b"" if int(m[1]) % 200_000 < 100_000 else m[0],
            text,
        )

    the_warning(seen(RigSpec(), edit=lossy), "Pressure readings are missing")


def test_a_reset_is_told() -> None:
    the_warning(seen(RigSpec(reset_at_s=9.0)), "restarted 1 time during")


def test_a_mark_declared_on_the_card_alone_does_not_hide_the_body() -> None:
    chain = seen(
        RigSpec(mark=False, body=BodyRig()),
        card=lambda card: replace(card, mark=MarkSensor(angle_deg=20.0)),
    )
    assert (chain.cycles().advance_from == AdvanceFrom.BODY).all()
